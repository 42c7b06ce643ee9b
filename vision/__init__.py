"""Photograph -> Reading.  Public names are listed here; everything else is private."""

from .model import BudgetItem, Evidence, NumeralMark, Outcome, Reading, Reason, Refusal, TickMark, as_record

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


def read_photo(path, *, capacity_ml=None, interval_ml=None):  # noqa: ANN001, ANN201
    """Read the volume shown in the photograph at *path*; see `drawmark.vision.reading`."""
    from .reading import read_photo as read  # heavy imports happen where they are used

    return read(path, capacity_ml=capacity_ml, interval_ml=interval_ml)
