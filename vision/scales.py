"""The scales that are printed on barrels, and how a barrel's shape goes with one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator

# What is printed on barrels: common practice, no source; intervals are at most those of
# ISO 7886-1:1993 table 1, largest graduations at or somewhat beyond the nominal capacity.
LARGEST_ML: tuple[float, ...] = (
    *(0.5, 1.0, 2.0, 2.5, 3.0, 5.0, 6.0, 10.0, 12.0),
    *(20.0, 24.0, 25.0, 30.0, 35.0, 50.0, 60.0, 100.0),
)
INTERVALS_ML = (0.01, 0.02, 0.05, 0.1, 0.2, 0.25, 0.5, 1.0, 2.0, 5.0)
NUMBERED_ML = (0.05, 0.1, 0.2, 0.25, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0)
MIN_LINES, MAX_LINES = 8, 120
PAST_NOMINAL = (0.99, 1.25)  # largest graduation to the nominal capacity, least and most


@dataclass(frozen=True)
class Scale:
    """A printed scale: from 0 to ``largest_ml``, a line every ``interval_ml``."""

    largest_ml: float
    interval_ml: float
    numbered_ml: float

    @property
    def intervals(self) -> int:
        """Number of scale intervals from zero to the largest graduation."""
        return round(self.largest_ml / self.interval_ml)

    @property
    def per_number(self) -> int:
        """Scale intervals between numbered lines."""
        return round(self.numbered_ml / self.interval_ml)


# Least scale length to the nominal capacity, mm, by nominal capacity (ISO 7886-1:1993 table 1,
# from memory).  Real barrels are up to about twice as long; much longer or shorter ones for
# their capacity are not made, so the barrel's slenderness witnesses against a tenfold slip.
LEAST_LENGTH_MM = ((2.0, 57.0), (5.0, 27.0), (10.0, 36.0), (20.0, 44.0), (30.0, 52.0), (50.0, 67.0))
LEAST_LENGTH_50_MM = 75.0
LENGTH_SHARE = (0.85, 2.1)
WALL_MM = 1.0
LOG_LENGTH = -4.0  # for each quarter beyond the range, at most LOG_LENGTH_MOST
LOG_LENGTH_MOST = -12.0


def outer_radius_mm(largest_ml: float, length_radii: float) -> float:
    """Outer radius, mm, of a barrel of which *length_radii* radii hold *largest_ml*.

    Volume = bore area times length, with a wall of about 1 mm.
    """
    volume_mm3 = largest_ml * 1000.0
    r = (volume_mm3 / (np.pi * length_radii)) ** (1 / 3)
    for _ in range(20):
        f = np.pi * r * r * length_radii * (r + WALL_MM) - volume_mm3
        r -= f / (np.pi * length_radii * (3 * r * r + 2 * r * WALL_MM))
    return float(r + WALL_MM)


def slenderness(scale: Scale, length_radii: float) -> float:
    """Log-likelihood of a scale of *length_radii* outer radii for its capacity.

    The length in mm that follows from its volume is held against the least length of the
    standard.
    """
    length = length_radii * outer_radius_mm(scale.largest_ml, length_radii)
    least = next((mm for below, mm in LEAST_LENGTH_MM if scale.largest_ml < below), None)
    ratio = length / (least or LEAST_LENGTH_50_MM)
    low, high = LENGTH_SHARE
    beyond = max(np.log(ratio / high), np.log(low / ratio), 0.0)
    return float(max(LOG_LENGTH * beyond / np.log(1.25), LOG_LENGTH_MOST))


def is_multiple(a: float, b: float) -> bool:
    """True if *a* is a whole number of times *b*, both in the same unit."""
    return abs(a / b - round(a / b)) < 1e-6


def goes_with(largest_ml: float, capacity_ml: float) -> bool:
    """True if a scale to *largest_ml* is one of *capacity_ml* nominal: it may run past that."""
    return PAST_NOMINAL[0] * capacity_ml <= largest_ml <= PAST_NOMINAL[1] * capacity_ml


def scales(capacity_ml: float | None = None, interval_ml: float | None = None) -> Iterator[Scale]:
    """All scales that could be printed, or those that go with a stated capacity and interval."""
    for largest in LARGEST_ML:
        if capacity_ml is not None and not goes_with(largest, capacity_ml):
            continue
        for interval in INTERVALS_ML:
            if interval_ml is not None and abs(interval - interval_ml) > 1e-9:
                continue
            if not is_multiple(largest, interval):
                continue
            if not MIN_LINES <= round(largest / interval) <= MAX_LINES:
                continue
            for numbered in NUMBERED_ML:
                per = numbered / interval
                fits = is_multiple(numbered, interval) and 2 <= round(per) <= 25
                if fits and largest / numbered >= 2:
                    yield Scale(largest, interval, numbered)
