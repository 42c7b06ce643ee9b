"""Photographs through the reader, one or many, whatever happens inside it."""

from __future__ import annotations

import os
import re
from typing import TYPE_CHECKING

from ..vision import Outcome, Reason, Refusal

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from concurrent.futures import Future, ProcessPoolExecutor
    from pathlib import Path


# Names that annotated pictures get (see `pictures`).  `read *.jpg` after a check meets them, and a
# picture with lines drawn over it must not be read as if it were a photograph.
_ANNOTATED = re.compile(r".+\.(check|read)(-\d+)?\.jpg")


def read_outcome(
    photo: Path,
    *,
    capacity_ml: float | None = None,
    interval_ml: float | None = None,
    debug: bool = False,
) -> Outcome:
    """The reader's answer for *photo*; an error inside the reader becomes a refusal.

    An annotated picture of ours is refused by its name.

    One photograph that brings the reader down must not take the others of a batch with it, and
    must not look like a reading either.  With *debug* the error is raised as it is.
    """
    from ..vision import read_photo

    if _ANNOTATED.fullmatch(photo.name):
        return Refusal(
            (
                Reason(
                    "not-an-image",
                    "This is an annotated picture, not a photograph.",
                    "Give the photograph that it was made from.",
                ),
            )
        )
    try:
        return read_photo(photo, capacity_ml=capacity_ml, interval_ml=interval_ml)
    except Exception as error:
        if debug:
            raise
        return _failed(f"{type(error).__name__}: {' '.join(str(error).split())[:200]}")


def _failed(why: str) -> Refusal:
    return Refusal(
        (
            Reason(
                "internal-error",
                f"The program failed on this photograph ({why}).",
                "Report it with the photograph; --debug shows where.",
            ),
        )
    )


def usable_cpus() -> int:
    """How many processors this process may use, which a container or a job may have fewer of."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def read_outcomes(
    photos: Sequence[Path],
    *,
    jobs: int = 1,
    capacity_ml: float | None = None,
    interval_ml: float | None = None,
    debug: bool = False,
) -> Iterator[Outcome]:
    """`read_outcome` for each of *photos*, in their order, each as soon as it is due.

    With *jobs* above 1, so many processes read at once.  A photograph that kills its process
    becomes a refusal like any other error, and the others are still read.
    """
    from concurrent.futures.process import BrokenProcessPool

    def submit(pool: ProcessPoolExecutor, photo: Path) -> Future[Outcome]:
        return pool.submit(
            read_outcome, photo, capacity_ml=capacity_ml, interval_ml=interval_ml, debug=debug
        )

    jobs = min(jobs, len(photos))
    if jobs <= 1:
        for photo in photos:
            yield read_outcome(photo, capacity_ml=capacity_ml, interval_ml=interval_ml, debug=debug)
        return
    pool = _pool(jobs)
    try:
        waiting = [submit(pool, photo) for photo in photos]
        for photo, future in zip(photos, waiting, strict=True):
            try:
                yield future.result()
            except BrokenProcessPool:
                # Some photograph killed its process, and the whole pool died of it.  Which one
                # that was, a process of its own for each of the rest tells.
                with _pool(1) as alone:
                    try:
                        yield submit(alone, photo).result()
                    except BrokenProcessPool:
                        yield _failed("its process ended without an answer")
    finally:
        pool.shutdown(cancel_futures=True)


def _pool(jobs: int) -> ProcessPoolExecutor:
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import get_context

    # spawn: a forked process would inherit OpenCV's threads in whatever state they were
    return ProcessPoolExecutor(jobs, get_context("spawn"), initializer=_one_thread)


def _one_thread() -> None:
    """In a process of a pool: one thread, since the others have the other processors."""
    import signal

    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent handles it, and ends this process
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")  # numpy, not loaded yet, looks at them when it is
    import cv2

    cv2.setNumThreads(1)


def refusal_sentence(refusal: Refusal) -> str:
    """What is wrong and what to do, as one sentence a reason.

    >>> refusal_sentence(Refusal((Reason("glare", "A reflection hides it.", "Move the lamp."),)))
    'A reflection hides it: move the lamp.'
    """
    return " ".join(
        f"{reason.message.rstrip('.')}: {reason.remedy[:1].lower()}{reason.remedy[1:]}"
        for reason in refusal.reasons
    )
