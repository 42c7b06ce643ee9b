"""What a syringe's scale says and what ISO 7886-1 permits it to be wrong by.

Source of the numbers: ISO 7886-1:1993, table 1.  Checked against a public worked example
(Surgical Materials Testing Laboratory, 2016): both tolerance columns of the 1 mL size and
the lower-half column of 10 mL.  The remaining coefficients, dead spaces and scale intervals
are from memory of that table and wait for a check against the standard itself; that the two
columns meet at half capacity in every band speaks for them.  The 2017 edition was not seen.
"""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class SizeBand:
    """One row of ISO 7886-1:1993, table 1, for nominal capacities below ``below_ml``.

    Below half the nominal capacity V the permitted error of an expelled volume v is
    ``0.015 V + lower_slope v``; from half on it is ``upper_slope v``.  ``dead_space_ml`` is the
    largest permitted dead space, ``interval_ml`` the coarsest permitted scale interval and
    ``numbered_every_ml`` the largest step between numbered lines, all in mL.
    """

    below_ml: float
    lower_slope: float
    upper_slope: float
    dead_space_ml: float
    interval_ml: float
    numbered_every_ml: float


_CAPACITY_SHARE = 0.015  # the fixed part of the lower-half tolerance, of nominal capacity

SIZE_BANDS: tuple[SizeBand, ...] = (
    SizeBand(2, 0.02, 0.05, 0.07, 0.05, 0.25),
    SizeBand(5, 0.02, 0.05, 0.07, 0.2, 1),
    SizeBand(10, 0.01, 0.04, 0.075, 0.5, 1),
    SizeBand(20, 0.01, 0.04, 0.10, 1, 5),
    SizeBand(30, 0.01, 0.04, 0.15, 2, 10),
    SizeBand(50, 0.01, 0.04, 0.17, 2, 10),
    SizeBand(math.inf, 0.01, 0.04, 0.20, 5, 10),
)

# Last printed line -> nominal capacity, where the scale runs past it: common practice, no
# source.  A scale that ends at 2.5, 3 or 30 mL names its own capacity: some 2 mL and 2.5 mL
# syringes are printed further too, but a photograph cannot tell, and the capacity given by the
# person (`--capacity`) goes before the convention.
OVERRUN_ML: dict[float, float] = {12: 10, 6: 5, 24: 20, 60: 50}


@dataclass(frozen=True)
class Syringe:
    """A syringe as its print describes it; all in mL.

    ``capacity_ml`` is the nominal capacity, ``graduated_max_ml`` the last line printed,
    ``interval_ml`` the step between neighbouring lines.
    """

    capacity_ml: float
    graduated_max_ml: float
    interval_ml: float

    def __post_init__(self) -> None:
        for name in ("capacity_ml", "graduated_max_ml", "interval_ml"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value > 0):
                raise ValueError(f"{name} must be above zero, not {value}")
        if self.interval_ml > self.graduated_max_ml:
            raise ValueError("interval_ml must not exceed graduated_max_ml")

    @property
    def band(self) -> SizeBand:
        """The row of ISO 7886-1 that this capacity falls in."""
        return size_band(self.capacity_ml)

    def capacity_tolerance_ml(self, volume_ml: float) -> float:
        """Permitted error of the expelled *volume_ml*, mL; see the function of that name."""
        return capacity_tolerance_ml(self.capacity_ml, volume_ml)


def nominal_capacity_ml(graduated_max_ml: float) -> float:
    """Nominal capacity, mL, that goes with the last printed line by convention.

    >>> nominal_capacity_ml(12), nominal_capacity_ml(3)
    (10, 3)
    """
    for last_line, nominal in OVERRUN_ML.items():
        if math.isclose(graduated_max_ml, last_line, rel_tol=1e-6):
            return nominal
    return graduated_max_ml


def size_band(capacity_ml: float) -> SizeBand:
    """The row of ISO 7886-1:1993, table 1, for a nominal capacity in mL.

    Raises
    ------
    ValueError
        If the capacity is not above zero.
    """
    if not (math.isfinite(capacity_ml) and capacity_ml > 0):
        raise ValueError(f"capacity_ml must be above zero, not {capacity_ml}")
    return next(band for band in SIZE_BANDS if capacity_ml < band.below_ml)


def capacity_tolerance_ml(capacity_ml: float, volume_ml: float) -> float:
    """Permitted error, mL, of *volume_ml* expelled from a syringe of nominal *capacity_ml*.

    "Half or more" includes exactly half.  A limit, not a standard deviation: see
    `capacity_standard_uncertainty_ml`.  Source: ISO 7886-1:1993, table 1.

    >>> round(capacity_tolerance_ml(10, 4), 6)
    0.19

    Raises
    ------
    ValueError
        If the capacity is not above zero, or the volume is negative.
    """
    band = size_band(capacity_ml)
    if not (math.isfinite(volume_ml) and volume_ml >= 0):
        raise ValueError(f"volume_ml must not be negative, not {volume_ml}")
    if volume_ml < capacity_ml / 2:
        return _CAPACITY_SHARE * capacity_ml + band.lower_slope * volume_ml
    return band.upper_slope * volume_ml


def capacity_standard_uncertainty_ml(capacity_ml: float, volume_ml: float) -> float:
    """Standard uncertainty, mL, that the permitted error stands for when nothing else is known.

    A rectangular density between the limits: limit divided by the root of 3 (JCGM 100, 4.3.7).
    """
    return capacity_tolerance_ml(capacity_ml, volume_ml) / math.sqrt(3)
