"""How many threads the libraries compute with: one for each photograph that is read at once."""

from __future__ import annotations

import os
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

# What the libraries of linear algebra look at while they are loaded, and never again.
_ALGEBRA = (
    "OMP_NUM_THREADS",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "BLIS_NUM_THREADS",
    "VECLIB_MAXIMUM_THREADS",
)


@contextmanager
def algebra_in_one_thread() -> Iterator[None]:
    """Linear algebra that is loaded within this computes with one thread, then and later.

    What is loaded already is left as it is.
    """
    before = {name: os.environ.get(name) for name in _ALGEBRA}
    os.environ.update(dict.fromkeys(_ALGEBRA, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


@contextmanager
def opencv_in_one_thread() -> Iterator[None]:
    """OpenCV computes with one thread within this, and with as many as before afterwards."""
    import cv2

    before = cv2.getNumThreads()
    cv2.setNumThreads(1)
    try:
        yield
    finally:
        cv2.setNumThreads(before)
