"""A row of numerals whose values grow evenly along the barrel."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from .numerals_net import VALUES

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from .numerals import NumeralRow

    Array = NDArray[Any]

LEAST_SURE = 0.5  # probability of a numeral that has a say
LEAST_NUMERALS = 3  # two lie on a straight line whatever they are
# How far a numeral may stand from where the others have it, outer radii; and the part of its
# distance from them that a tilt not yet known may add.
STANDS_ASIDE, BY_TILT = 0.2, 0.03
VALUE_STEP_ML = 0.05  # all numerals known are multiples of it


@dataclass(frozen=True)
class Progression:
    """Numerals of one row that grow evenly along the axis.

    ``x`` (N,): axial places, outer radii; ``values_ml`` (N,), each once; ``sure``: the sum of
    their probabilities.
    """

    x: Array
    values_ml: Array
    sure: float

    @property
    def numbered_ml(self) -> float:
        """The greatest step that all of them are multiples of."""
        steps = np.round(self.values_ml / VALUE_STEP_ML).astype(int)
        return float(np.gcd.reduce(steps) * VALUE_STEP_ML)

    @property
    def radii_per_ml(self) -> float:
        """How far apart two lines are that differ by 1 mL, outer radii."""
        return abs(float(np.polyfit(self.values_ml, self.x, 1)[0]))

    @property
    def stretch(self) -> tuple[float, float]:
        """From where to where the scale runs along the axis, zero line and last numeral."""
        ends = self.place(np.array([0.0, float(self.values_ml.max())]))
        return float(ends.min()), float(ends.max())

    def place(self, value_ml: Array) -> Array:
        """Axial places (...), outer radii, of lines that stand for *value_ml* (...)."""
        return np.asarray(np.polyval(np.polyfit(self.values_ml, self.x, 1), value_ml))


def progression(x: Array, values_ml: Array, sure: Array) -> Progression | None:
    """The surest numerals that grow evenly, of those (N,) at axial places *x*, or none.

    *values_ml* (N,): as they are read; *sure* (N,): with what probability.
    """
    best: Progression | None = None
    for i in range(len(x)):
        for j in range(i):
            if values_ml[i] == values_ml[j] or x[i] == x[j]:
                continue
            slope = (values_ml[i] - values_ml[j]) / (x[i] - x[j])
            off = np.abs(x[i] + (values_ml - values_ml[i]) / slope - x)
            near = np.minimum(np.abs(x - x[i]), np.abs(x - x[j]))
            fits = np.flatnonzero(off < STANDS_ASIDE + BY_TILT * near)
            # each value is printed once: of several the surest
            fits = fits[np.argsort(-sure[fits], kind="stable")]
            once = fits[np.unique(values_ml[fits], return_index=True)[1]]
            found = Progression(x[once], values_ml[once], float(sure[once].sum()))
            if len(once) >= LEAST_NUMERALS and (best is None or found.sure > best.sure):
                best = found
    return best


def progression_of(row: NumeralRow, x: Array) -> Progression | None:
    """The numerals of *row* that grow evenly; *x*: axial places of the columns it was found in."""
    labels = np.array([int(np.argmax(c.log_probs)) for c in row.candidates], int)
    sure = np.exp([float(c.log_probs.max()) for c in row.candidates])
    places = np.array([c.centre[0] for c in row.candidates])
    use = (sure > LEAST_SURE) & (VALUES[labels] > 0)
    at = np.interp(places[use], np.arange(len(x)), x)
    return progression(at, VALUES[labels[use]], sure[use])
