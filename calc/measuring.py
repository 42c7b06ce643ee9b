"""How well volumes are known that are set at the marks of a syringe, with their correlations.

Two volumes set in one barrel share its errors: a bore that is too wide makes both too large,
and a mark that ends one volume may begin the next.  Each cause of error is therefore one
variable of the `uncertainties` package, used again wherever the cause acts again; correlations
then follow by themselves (JCGM 100, 5.2).

ISO 7886-1 limits the error of an expelled volume but does not say what it is made of.  For one
volume alone the limit is taken as it stands, a rectangular density (JCGM 100, 4.3.7).  For
several in one barrel it is split into

- a scale error, in proportion to the volume, common to the barrel: half-width as the upper
  slope of the table (4 or 5 %);
- a line error at each mark, independent from mark to mark, so that the difference of two marks
  has the fixed part of the table (1.5 % of capacity) as its half-width.

For one volume the split gives the same as the table within -8 % and +25 % (tested); the split
is this project's, not the standard's.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from uncertainties import ufloat  # type: ignore[import-untyped]

from .syringe import Syringe, capacity_standard_uncertainty_ml

# A number with its uncertainty, or a plain one.  The package has no type annotations.
Uncertain = Any

CAPACITY_SHARE = 0.015  # fixed part of ISO 7886-1:1993 table 1, of nominal capacity

COVERAGE_FACTOR = 2


def variable(value: float, standard_uncertainty: float, cause: str) -> Uncertain:
    """A new independent variable, or the plain *value* where there is no uncertainty."""
    return ufloat(value, standard_uncertainty, cause) if standard_uncertainty else value


def setting_uncertainty_ml(syringe: Syringe) -> float:
    """Standard uncertainty, mL, of setting a plunger by eye: half an interval, rectangular.

    Half an interval is a common working limit (common practice, no source); a skilled person
    does better.
    """
    return syringe.interval_ml / 2 / math.sqrt(3)


def single_volume(syringe: Syringe, volume_ml: float) -> Uncertain:
    """*volume_ml* set by eye and expelled from *syringe*, with its standard uncertainty, mL.

    Permitted error of ISO 7886-1 and setting by eye; independent of any other volume.
    """
    capacity = capacity_standard_uncertainty_ml(syringe.capacity_ml, volume_ml)
    return ufloat(volume_ml, math.hypot(capacity, setting_uncertainty_ml(syringe)))


@dataclass(frozen=True)
class Mark:
    """A plunger position: the volume, mL, from the zero line to it, with its uncertainty."""

    volume: Uncertain

    def since(self, earlier: Mark) -> Uncertain:
        """Volume drawn in between *earlier* and this, mL."""
        return self.volume - earlier.volume


class Barrel:
    """One syringe in use: every volume set in it shares its scale error.

    Parameters
    ----------
    syringe
        The print on the barrel.
    capacity_errors
        Whether the barrel's own permitted error counts; without it only the setting does.
    """

    def __init__(self, syringe: Syringe, *, capacity_errors: bool = True) -> None:
        self.syringe = syringe
        share = 1.0 if capacity_errors else 0.0
        self._scale = variable(
            1, share * syringe.band.upper_slope / math.sqrt(3), "barrel: scale (ISO 7886-1)"
        )
        # Two of these make up a difference: each has the fixed part divided by the root of 2.
        self._line_u_ml = share * CAPACITY_SHARE * syringe.capacity_ml / math.sqrt(6)
        self._zero = variable(0, self._line_u_ml, "barrel: zero line (ISO 7886-1)")
        u_dead = syringe.band.dead_space_ml / math.sqrt(3) if capacity_errors else 0.0
        # The dead space lies between 0 and the permitted maximum d and is not corrected for:
        # mean d/2 and deviation d/sqrt(12) together are d/sqrt(3) about zero.
        self.dead_space = variable(0, u_dead, "barrel: dead space")

    def set_to(self, volume_ml: float) -> Mark:
        """The plunger set by eye to the mark *volume_ml*."""
        return self.mark(ufloat(volume_ml, setting_uncertainty_ml(self.syringe), "setting by eye"))

    def mark(self, reading_ml: Uncertain) -> Mark:
        """The plunger seen at *reading_ml*, which brings its own uncertainty of reading."""
        line = variable(0, self._line_u_ml, "barrel: lines (ISO 7886-1)")
        return Mark(reading_ml * self._scale + line - self._zero)


def standard_uncertainty(value: Uncertain) -> float:
    """The standard uncertainty of *value*; 0 for a plain number."""
    return float(value.std_dev if hasattr(value, "std_dev") else 0.0)


def nominal(value: Uncertain) -> float:
    """The value without its uncertainty."""
    return float(value.nominal_value if hasattr(value, "nominal_value") else value)


def relative_expanded(value: Uncertain) -> float:
    """Expanded uncertainty (k = 2) over the value, as a fraction.

    Raises
    ------
    ValueError
        If the value is zero.
    """
    if nominal(value) == 0:
        raise ValueError("a value of zero has no relative uncertainty")
    return COVERAGE_FACTOR * standard_uncertainty(value) / abs(nominal(value))


def diluted_in_barrel(barrel: Barrel, start_ml: float, final_ml: float) -> Uncertain:
    """The share of the final content that was drawn in between the marks *start_ml* and *final_ml*.

    The syringe holds diluent to the first mark, its nozzle too; the drug comes after it.
    Dimensionless, with correlations: the scale error cancels, the line at the final mark
    counts once in the drug and once in the whole.
    """
    start, final = barrel.set_to(start_ml), barrel.set_to(final_ml)
    return final.since(start) / (final.volume + barrel.dead_space)


def budget(value: Uncertain) -> dict[str, float]:
    """Standard uncertainty of *value* by cause, in its unit; causes of one name are joined.

    The root sum of squares is the standard uncertainty, correlations included: a cause that
    acts in several places has been counted with its sign in each of them.
    """
    parts: dict[str, float] = {}
    if not hasattr(value, "error_components"):
        return parts
    for source, part in value.error_components().items():
        if part:
            cause = source.tag or "other"
            parts[cause] = math.hypot(parts.get(cause, 0.0), float(part))
    return dict(sorted(parts.items(), key=lambda item: -item[1]))
