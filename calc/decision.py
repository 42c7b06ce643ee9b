"""Within, outside or undecided: conformity of a measured volume, by JCGM 106:2012.

What is known about the true volume after the measurement is taken as a normal distribution
around the measured value with its standard uncertainty (JCGM 106, 7.2, with no prior
knowledge).  The probability of conformity is its share between the tolerance limits, both
tails counted.  It decides, with a third result where the photograph cannot:

- at least 95 %: ``within``;
- at most 5 %, with the measured value itself beyond a limit: ``outside``;
- anything else: ``undecided``.

The condition on the measured value matters only for an uncertainty of several tolerances, where
even a value on the target conforms with a small probability: that is ignorance, not evidence.

Said as a guard band (JCGM 106, 8.3; ISO 14253-1:2017 has the same 95 % as its default): a
value is accepted when it lies inside the tolerance limits by 1.645 standard uncertainties, or
by more where the uncertainty is so large that the far limit counts too.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import Literal

DecisionVerdict = Literal["within", "outside", "undecided"]

CONFIDENCE = 0.95

RULE = (
    "JCGM 106, guarded acceptance and guarded rejection: within if the probability that the "
    "volume conforms is at least 95 %, outside if it is at most 5 % and the reading itself is "
    "beyond a limit, otherwise undecided."
)

_NORMAL = NormalDist()


@dataclass(frozen=True)
class Decision:
    """A verdict with what it rests on.  Volumes in mL, probabilities from 0 to 1.

    ``acceptance_ml`` is the interval of measured values that would be called within, given
    this uncertainty; ``None`` if the uncertainty is too large for any value to be.
    """

    value_ml: float
    standard_uncertainty_ml: float
    target_ml: float
    tolerance_ml: float
    probability_within: float
    verdict: DecisionVerdict
    acceptance_ml: tuple[float, float] | None
    rule: str = RULE

    @property
    def deviation_ml(self) -> float:
        """Measured value less target, mL."""
        return self.value_ml - self.target_ml

    @property
    def limits_ml(self) -> tuple[float, float]:
        """The tolerance limits, mL."""
        return self.target_ml - self.tolerance_ml, self.target_ml + self.tolerance_ml


def probability_of_conformity(
    value: float,
    standard_uncertainty: float,
    lower: float = -math.inf,
    upper: float = math.inf,
) -> float:
    """Probability that the true value lies between *lower* and *upper*; one unit throughout.

    A limit may be infinite, for a one-sided tolerance.  With no uncertainty it is 0 or 1, the
    limits belonging to the tolerance.  Source: JCGM 106:2012, 7.2 to 7.4.

    Raises
    ------
    ValueError
        If the limits are not in order, or a number is not usable.
    """
    if not lower <= upper:
        raise ValueError(f"lower must not exceed upper, not {lower} and {upper}")
    if not (math.isfinite(standard_uncertainty) and standard_uncertainty >= 0):
        raise ValueError(f"standard_uncertainty must not be negative, not {standard_uncertainty}")
    if not math.isfinite(value):
        raise ValueError(f"value must be finite, not {value}")
    if standard_uncertainty == 0:
        return float(lower <= value <= upper)
    below = _tail((lower - value) / standard_uncertainty)
    above = _tail((value - upper) / standard_uncertainty)
    return min(max(1.0 - below - above, 0.0), 1.0)


def _tail(z: float) -> float:
    """Standard normal probability below *z*, which may be infinite."""
    return _NORMAL.cdf(z) if math.isfinite(z) else float(z > 0)


def acceptance_interval(
    lower: float, upper: float, standard_uncertainty: float, confidence: float = CONFIDENCE
) -> tuple[float, float] | None:
    """Measured values that conform with at least *confidence*, or ``None`` if there are none.

    Two-sided, both tails counted, so the guard band exceeds the one-sided
    ``1.645 u`` as soon as ``u`` is not small against the tolerance.

    Raises
    ------
    ValueError
        As `probability_of_conformity`.
    """
    middle = (lower + upper) / 2
    if probability_of_conformity(middle, standard_uncertainty, lower, upper) < confidence:
        return None
    # The probability falls steadily from the middle to either limit, and is at most 1/2 at it.
    accepted, refused = 0.0, (upper - lower) / 2
    if probability_of_conformity(upper, standard_uncertainty, lower, upper) >= confidence:
        return lower, upper  # no uncertainty at all
    for _ in range(60):
        offset = (accepted + refused) / 2
        p = probability_of_conformity(middle + offset, standard_uncertainty, lower, upper)
        if p >= confidence:
            accepted = offset
        else:
            refused = offset
    return middle - accepted, middle + accepted


def decide(
    value_ml: float, standard_uncertainty_ml: float, target_ml: float, tolerance_ml: float
) -> Decision:
    """Compare a measured volume with its target; all in mL, *tolerance_ml* to either side.

    >>> decide(4.983, 0.021, target_ml=5, tolerance_ml=0.25).verdict
    'within'

    Raises
    ------
    ValueError
        If the tolerance is not above zero, the uncertainty is negative, or a number is not finite.
    """
    if not (math.isfinite(tolerance_ml) and tolerance_ml > 0):
        raise ValueError(f"tolerance_ml must be above zero, not {tolerance_ml}")
    if not math.isfinite(target_ml):
        raise ValueError(f"target_ml must be finite, not {target_ml}")
    lower, upper = target_ml - tolerance_ml, target_ml + tolerance_ml
    p = probability_of_conformity(value_ml, standard_uncertainty_ml, lower, upper)
    verdict: DecisionVerdict = "undecided"
    if p >= CONFIDENCE:
        verdict = "within"
    elif p <= 1 - CONFIDENCE and not lower <= value_ml <= upper:
        verdict = "outside"
    return Decision(
        value_ml=value_ml,
        standard_uncertainty_ml=standard_uncertainty_ml,
        target_ml=target_ml,
        tolerance_ml=tolerance_ml,
        probability_within=p,
        verdict=verdict,
        acceptance_ml=acceptance_interval(lower, upper, standard_uncertainty_ml),
    )
