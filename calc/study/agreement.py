"""Do two ways of measuring agree: Bland-Altman, proportional bias, Lin's concordance.

Sources: Bland, J. M. and Altman, D. G. (1986), Lancet i, 307-310, and (1999), Stat Methods Med
Res 8, 135-160; exact confidence limits by Carkeet, A. (2015), Optom Vis Sci 92, e71-e80; Lin,
L. I. (1989), Biometrics 45, 255-268, with the correction of (2000), Biometrics 56, 324-325.
Everything rests on independent pairs whose differences are roughly normal.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from .factors import content_factor, quantile_factor
from .table import StudyError

FEWEST_PAIRS = 3
SMALL = 30  # below this the notes say how wide the limits still are
MULTIPLE = 1.959963984540054  # limits hold 95 % of a normal population

Interval = tuple[float, float]


@dataclass(frozen=True)
class Limit:
    """One limit of agreement with its confidence intervals, all in the data's unit.

    ``ci``: exact (noncentral t), the limit taken by itself.  ``ci_approximate``: Bland and
    Altman's of 1986, standard error ``sqrt(3 s²/n)``.
    """

    value: float
    ci: Interval
    ci_approximate: Interval


@dataclass(frozen=True)
class Slope:
    """Regression of the difference on the mean: proportional bias if the slope is not zero.

    ``per_mean`` is in units of difference per unit of mean, ``intercept`` in the data's unit.
    """

    intercept: float
    per_mean: float
    ci: Interval
    p: float


@dataclass(frozen=True)
class Concordance:
    """Lin's coefficient with its interval (inverse hyperbolic tangent; variances over n).

    ``pearson`` is the precision part, ``bias_correction`` the accuracy part; their product is
    the coefficient.  ``ci`` is ``None`` where it is not defined (perfect or no correlation).
    """

    value: float
    ci: Interval | None
    pearson: float
    bias_correction: float


@dataclass(frozen=True)
class Agreement:
    """Agreement of *measured* with *reference*, differences taken as measured - reference.

    ``pair_outer`` and ``pair_inner`` are the outer and inner confidence limits of the two
    limits of agreement taken together (Carkeet's paired limits).  ``within_limits`` counts the
    differences inside the limits, ``normal_p`` is that of the Shapiro-Wilk test.
    """

    n: int
    confidence: float
    multiple: float
    bias: float
    bias_ci: Interval
    sd: float
    sd_ci: Interval
    lower: Limit
    upper: Limit
    pair_outer: Interval
    pair_inner: Interval
    within_limits: int
    slope: Slope | None
    concordance: Concordance | None
    normal_p: float
    notes: tuple[str, ...]


def agreement(
    reference: Sequence[float],
    measured: Sequence[float],
    *,
    confidence: float = 0.95,
    multiple: float = MULTIPLE,
) -> Agreement:
    """Compare *measured* with *reference*, pair by pair, both in one unit.

    *multiple* is how many standard deviations the limits of agreement stand off: 1.96 in
    Bland and Altman 1999, 2 in their paper of 1986.

    Raises
    ------
    StudyError
        If there are fewer than three pairs, or all differences are the same.
    ValueError
        If the two are not of one length, or *confidence* is not between 0 and 1.
    """
    if len(reference) != len(measured):
        raise ValueError("reference and measured must be of one length")
    if not 0 < confidence < 1:
        raise ValueError(f"confidence must be between 0 and 1, not {confidence}")
    n = len(reference)
    if n < FEWEST_PAIRS:
        raise StudyError(f"{n} pair{'s' * (n != 1)}: agreement needs at least {FEWEST_PAIRS}.")
    first, second = np.asarray(reference, float), np.asarray(measured, float)
    difference, mean = second - first, (first + second) / 2
    bias, sd = float(difference.mean()), float(difference.std(ddof=1))
    # binary dust of a constant shift is no spread
    if sd <= 1e-12 * max(1e-300, float(np.abs(np.concatenate([first, second])).max())):
        raise StudyError(
            f"All {n} differences are the same ({bias:g}): there is no spread to put limits on."
        )
    alpha = (1 - confidence) / 2
    t = float(stats.t.ppf(1 - alpha, n - 1))
    chi = stats.chi2.ppf([1 - alpha, alpha], n - 1)
    share = float(stats.norm.cdf(multiple) - stats.norm.cdf(-multiple))
    inner, outer = (content_factor(n, share, p) * sd for p in (alpha, 1 - alpha))
    lower, upper = _limits(n, bias, sd, t, alpha, multiple)
    inside = (difference >= lower.value) & (difference <= upper.value)
    normal_p = float(stats.shapiro(difference).pvalue)
    return Agreement(
        n=n,
        confidence=confidence,
        multiple=multiple,
        bias=bias,
        bias_ci=(bias - t * sd / math.sqrt(n), bias + t * sd / math.sqrt(n)),
        sd=sd,
        sd_ci=(sd * math.sqrt((n - 1) / chi[0]), sd * math.sqrt((n - 1) / chi[1])),
        lower=lower,
        upper=upper,
        pair_outer=(bias - outer, bias + outer),
        pair_inner=(bias - inner, bias + inner),
        within_limits=int(inside.sum()),
        slope=_slope(mean, difference, confidence),
        concordance=concordance(first, second, confidence=confidence),
        normal_p=normal_p,
        notes=_notes(n, sd, upper, normal_p),
    )


def bias_between_groups(
    reference: Sequence[float], measured: Sequence[float], groups: Sequence[str]
) -> float | None:
    """Probability of group biases as different as these if all were one (one-way F test).

    A small one says that the pairs of a group go together, so that they are not independent as
    `agreement` takes them to be.  ``None`` where it cannot be tested: one group, or no group
    with two pairs that differ.
    """
    differences: dict[str, list[float]] = {}
    for a, b, group in zip(reference, measured, groups, strict=True):
        differences.setdefault(group, []).append(b - a)
    cells = list(differences.values())
    if len(cells) < 2 or not any(np.ptp(cell) > 0 for cell in cells):
        return None
    return float(stats.f_oneway(*cells).pvalue)


def _limits(
    n: int, bias: float, sd: float, t: float, alpha: float, multiple: float
) -> tuple[Limit, Limit]:
    near, far = (quantile_factor(n, multiple, p) * sd for p in (alpha, 1 - alpha))
    half = t * sd * math.sqrt(3 / n)
    low, high = bias - multiple * sd, bias + multiple * sd
    return (
        Limit(low, (bias - far, bias - near), (low - half, low + half)),
        Limit(high, (bias + near, bias + far), (high - half, high + half)),
    )


def _slope(mean: np.ndarray, difference: np.ndarray, confidence: float) -> Slope | None:
    """``None`` when all means are the same, so that there is nothing to regress on."""
    if np.ptp(mean) <= 1e-12 * max(1e-300, float(np.abs(mean).max())):
        return None
    fit = stats.linregress(mean, difference)
    t = float(stats.t.ppf((1 + confidence) / 2, len(mean) - 2))
    return Slope(
        intercept=float(fit.intercept),
        per_mean=float(fit.slope),
        ci=(float(fit.slope - t * fit.stderr), float(fit.slope + t * fit.stderr)),
        p=float(fit.pvalue),
    )


def concordance(
    first: Sequence[float] | np.ndarray,
    second: Sequence[float] | np.ndarray,
    *,
    confidence: float = 0.95,
) -> Concordance | None:
    """Lin's concordance correlation coefficient; ``None`` if both sets are constant.

    Raises
    ------
    ValueError
        If there are fewer than three pairs.
    """
    x, y = np.asarray(first, float), np.asarray(second, float)
    n = len(x)
    if n < FEWEST_PAIRS or len(y) != n:
        raise ValueError("two sets of one length, three values or more, are needed")
    shift = float(x.mean() - y.mean())
    spread = float(x.std() * y.std())
    whole = float(x.var() + y.var() + shift**2)
    if spread == 0 or whole == 0:
        return None
    covariance = float(((x - x.mean()) * (y - y.mean())).mean())
    value, r = 2 * covariance / whole, covariance / spread
    return Concordance(
        value=value,
        ci=_concordance_ci(n, value, r, shift**2 / spread, confidence),
        pearson=r,
        bias_correction=2 * spread / whole,
    )


def _concordance_ci(
    n: int, value: float, r: float, u2: float, confidence: float
) -> Interval | None:
    """Lin (1989), equation for the variance of Z, with the corrected last term (2000)."""
    if abs(r) >= 1 - 1e-15 or abs(value) >= 1 - 1e-15 or abs(r) < 1e-12:
        return None
    rest = 1 - value**2
    variance = (
        (1 - r**2) * value**2 / (rest * r**2)
        + 2 * value**3 * (1 - value) * u2 / (r * rest**2)
        - value**4 * u2**2 / (2 * r**2 * rest**2)
    ) / (n - 2)
    if variance < 0:
        return None
    z = float(stats.norm.ppf((1 + confidence) / 2)) * math.sqrt(variance)
    return math.tanh(math.atanh(value) - z), math.tanh(math.atanh(value) + z)


def _notes(n: int, sd: float, upper: Limit, normal_p: float) -> tuple[str, ...]:
    notes = []
    if n < SMALL:
        reach = (upper.ci[1] - upper.ci[0]) / sd
        notes.append(
            f"Only {n} pairs: each limit of agreement is known no better than within "
            f"{reach:.1f} standard deviations of the differences."
        )
    if normal_p < 0.05:
        notes.append(
            f"The differences do not look normal (Shapiro-Wilk p = {normal_p:.2g}), which the "
            "limits assume: look at the figure."
        )
    return tuple(notes)
