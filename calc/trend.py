"""Bias and spread of somebody's draws over time, with confidence limits that do not flatter.

The numbers are deviations from the target, in one unit; each comes with the standard uncertainty
of its reading.  They are taken as independent and roughly normal.

- **Bias** is the mean, with limits by Student's t (JCGM 100:2008, G.3).
- **Spread** is the standard deviation, with limits by chi-squared (NIST/SEMATECH e-Handbook of
  Statistical Methods, 1.3.5.8).

What is seen holds two things, the technique and the reader.  If the errors of the readings are
independent they widen the spread, and the technique's own is what is left when they are taken off:
``s**2 - mean(u**2)``, which is zero where the reader explains all.  If they are common to all
photographs, the same lamp and the same angle, they do not widen the spread but shift the bias, and
no number of photographs brings that shift down: ``bias_limits_with_reader`` has it in full.  Which
of the two it is a photograph does not tell, so both are given, each in its worst case.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from statistics import median
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

Interval = tuple[float, float]

CONFIDENCE = 0.95
# Below this nothing is concluded.  Our choice, no source: with 8 the upper limit of the spread is
# still twice the value seen, with 5 almost three times, with 3 six times.
ENOUGH = 8
MOST_PERIODS = 6
FAR = 5.0  # in robust standard deviations; usual is 3, which takes a clumsy draw for another kind


@dataclass(frozen=True)
class Summary:
    """What *n* deviations say, all in their unit; 95 % limits.

    ``bias`` needs one value, all else two; ``None`` where there are too few.  ``reader`` is the
    root mean square of the readings' standard uncertainties.
    """

    n: int
    bias: float | None = None
    reader: float | None = None
    spread: float | None = None
    bias_limits: Interval | None = None
    bias_limits_with_reader: Interval | None = None
    spread_limits: Interval | None = None
    technique: float | None = None
    technique_limits: Interval | None = None

    @property
    def few(self) -> bool:
        """Whether there are too few values to conclude anything."""
        return self.n < ENOUGH

    @property
    def biased(self) -> bool:
        """Whether a bias is shown: beyond chance, and beyond what the reader may have wrong."""
        limits = self.bias_limits_with_reader
        return not self.few and limits is not None and not limits[0] <= 0 <= limits[1]

    @property
    def technique_shown(self) -> bool:
        """Whether there is more spread than the readings' own uncertainty explains."""
        return not self.few and self.technique_limits is not None and self.technique_limits[0] > 0


def summarise(deviations: Sequence[float], standard_uncertainties: Sequence[float]) -> Summary:
    """Bias and spread of *deviations*, one unit throughout.

    Raises
    ------
    ValueError
        If the two have not the same length, or a value is not finite or an uncertainty negative.
    """
    if not all(map(math.isfinite, (*deviations, *standard_uncertainties))):
        raise ValueError("deviations and uncertainties must be finite")
    if any(u < 0 for u in standard_uncertainties):
        raise ValueError("an uncertainty must not be negative")
    n = len(deviations)
    if len(standard_uncertainties) != n:
        raise ValueError(f"{n} deviations need as many uncertainties")
    if n == 0:
        return Summary(0)
    bias = math.fsum(deviations) / n
    reader = math.sqrt(math.fsum(u**2 for u in standard_uncertainties) / n)
    if n == 1:
        return Summary(1, bias, reader)
    spread = math.sqrt(math.fsum((d - bias) ** 2 for d in deviations) / (n - 1))
    half = mean_half_width(spread, n)
    with_reader = math.hypot(half, 2 * reader)
    limits = spread_limits(spread, n)

    def less_reader(s: float) -> float:
        return math.sqrt(max(s**2 - reader**2, 0.0))

    return Summary(
        n,
        bias,
        reader,
        spread,
        bias_limits=(bias - half, bias + half),
        bias_limits_with_reader=(bias - with_reader, bias + with_reader),
        spread_limits=limits,
        technique=less_reader(spread),
        technique_limits=(less_reader(limits[0]), less_reader(limits[1])),
    )


def far_off(deviations: Sequence[float]) -> list[int]:
    """Places of values so far from the others that they are something else: a misread number.

    More than `FAR` scaled median absolute deviations from the median (Hampel 1974, J Am Stat Assoc
    69, 383-393); none among fewer than `ENOUGH` values.  They are to be looked at, not left out.

    >>> far_off([1, 2, 1, 2, 1, 2, 1, 2, 90])
    [8]
    """
    if len(deviations) < ENOUGH:
        return []
    middle = median(deviations)
    scale = 1.4826 * median(abs(d - middle) for d in deviations)  # of a normal one: the spread
    return [place for place, d in enumerate(deviations) if abs(d - middle) > FAR * scale > 0]


def mean_half_width(spread: float, n: int) -> float:
    """Half the width of the confidence interval of a mean of *n* values, by Student's t."""
    from scipy.special import stdtrit  # what scipy.stats calls, without its second of loading

    return float(stdtrit(n - 1, (1 + CONFIDENCE) / 2)) * spread / math.sqrt(n)


def spread_limits(spread: float, n: int) -> Interval:
    """Confidence limits of a standard deviation found from *n* values, by chi-squared."""
    from scipy.special import chdtri

    tail = (1 - CONFIDENCE) / 2
    upper, lower = (float(chdtri(n - 1, p)) for p in (tail, 1 - tail))
    return spread * math.sqrt((n - 1) / upper), spread * math.sqrt((n - 1) / lower)


def share_limits(count: int, n: int) -> Interval:
    """Exact confidence limits of a share, *count* of *n* (Clopper and Pearson 1934)."""
    from scipy.special import betaincinv

    tail = (1 - CONFIDENCE) / 2
    low = 0.0 if count == 0 else float(betaincinv(count, n - count + 1, tail))
    high = 1.0 if count == n else float(betaincinv(count + 1, n - count, 1 - tail))
    return low, high


def periods(n: int) -> list[slice]:
    """*n* values in order, cut into equal periods of at least `ENOUGH`; one if they are few."""
    count = max(min(MOST_PERIODS, n // ENOUGH), 1)
    edges = [round(place * n / count) for place in range(count + 1)]
    return [slice(a, b) for a, b in pairwise(edges)]


@dataclass(frozen=True)
class Change:
    """From an earlier period to a later one: bias after less bias before, spread after by before.

    ``spread_ratio`` and its limits are ``None`` if there was no spread at all.
    """

    bias_difference: float
    bias_limits: Interval
    spread_ratio: float | None
    spread_limits: Interval | None

    @property
    def bias_changed(self) -> bool:
        """Whether the bias has moved beyond chance."""
        return not self.bias_limits[0] <= 0 <= self.bias_limits[1]

    @property
    def spread_changed(self) -> bool:
        """Whether the spread has changed beyond chance."""
        return self.spread_limits is not None and not (
            self.spread_limits[0] <= 1 <= self.spread_limits[1]
        )


def change(before: Summary, after: Summary) -> Change:
    """What has changed between two periods: Welch's t for the bias, F for the spread.

    An error of the reader that is common to both cancels in the difference.

    Raises
    ------
    ValueError
        If one of them has fewer than two values.
    """
    from scipy.special import fdtri, stdtrit

    if None in (before.spread, after.spread):
        raise ValueError("both periods need two values at least")
    assert before.bias is not None
    assert after.bias is not None
    assert before.spread is not None
    assert after.spread is not None
    variances = (before.spread**2 / before.n, after.spread**2 / after.n)
    half = 0.0
    if sum(variances) > 0:
        freedom = sum(variances) ** 2 / (
            variances[0] ** 2 / (before.n - 1) + variances[1] ** 2 / (after.n - 1)
        )
        half = float(stdtrit(freedom, (1 + CONFIDENCE) / 2)) * math.sqrt(sum(variances))
    difference = after.bias - before.bias
    ratio = limits = None
    if before.spread > 0 and after.spread > 0:
        ratio = after.spread / before.spread
        tail = (1 - CONFIDENCE) / 2
        upper, lower = (float(fdtri(after.n - 1, before.n - 1, p)) for p in (1 - tail, tail))
        limits = (ratio / math.sqrt(upper), ratio / math.sqrt(lower))
    return Change(difference, (difference - half, difference + half), ratio, limits)
