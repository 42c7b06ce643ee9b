"""Photograph -> Reading.  Public names are listed here; everything else is private."""

from __future__ import annotations

from typing import TYPE_CHECKING

from .model import (
    BudgetItem,
    Evidence,
    NumeralMark,
    Outcome,
    Reading,
    Reason,
    Refusal,
    TickMark,
    as_record,
)

if TYPE_CHECKING:
    import os

__all__ = [
    "BudgetItem",
    "Evidence",
    "NumeralMark",
    "Outcome",
    "Reading",
    "Reason",
    "Refusal",
    "TickMark",
    "as_record",
    "read_photo",
]


def read_photo(
    path: str | os.PathLike[str],
    *,
    capacity_ml: float | None = None,
    interval_ml: float | None = None,
) -> Outcome:
    """Read the volume shown in the photograph at *path*; see `drawmark.vision.reading`."""
    from .reading import read_photo as read  # heavy imports happen where they are used

    return read(path, capacity_ml=capacity_ml, interval_ml=interval_ml)
