"""Labellings that are sure, but for what a test changes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from drawmark.vision.labelling import Labelling
from drawmark.vision.scales import Scale


def labelled(**changes: object) -> Labelling:
    """One of a 5 mL scale, two of whose numerals are read, with these *changes*."""
    sure = Labelling(Scale(5.0, 0.2, 1.0), 0, 1, 20.0, 9.0, 15.0, None, np.zeros(2), np.zeros(2),
                     ((5, 1.0, 0.9), (10, 2.0, 0.9)), 0.9, supporting=2)  # fmt: skip
    return replace(sure, **changes)  # type: ignore[arg-type]
