"""How many standard deviations off a limit of agreement may be: exact factors, by normal theory.

The limit ``mean + c s`` estimates the population's ``mu + c sigma``.  Taken by itself, its exact
confidence limits come from the noncentral t distribution; taken as a pair, the two limits are a
two-sided tolerance interval.  Both: Carkeet, A. (2015), Exact parametric confidence intervals
for Bland-Altman limits of agreement, Optom Vis Sci 92, e71-e80, which builds on Odeh, R. E. and
Owen, D. B. (1980), Tables for normal tolerance limits.
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np
from scipy import optimize, special, stats


def quantile_factor(n: int, multiple: float, probability: float) -> float:
    """Factor k so that ``mean + k s`` lies above ``mu + multiple sigma`` with *probability*.

    *n* values from a normal distribution with sample mean and standard deviation.  Exact.

    >>> round(quantile_factor(10, 1.959964, 0.975), 3)
    3.379

    Raises
    ------
    ValueError
        If *n* is below 2.
    """
    if n < 2:
        raise ValueError(f"n must be at least 2, not {n}")
    root = math.sqrt(n)
    return float(stats.nct.ppf(probability, n - 1, multiple * root)) / root


def content_factor(n: int, share: float, probability: float) -> float:
    """Factor k so that ``mean ± k s`` holds at least *share* of the population.

    With the given *probability* over samples of *n* normal values.  Exact, by integration over
    the sample mean.

    Raises
    ------
    ValueError
        If *n* is below 2.
    """
    if n < 2:
        raise ValueError(f"n must be at least 2, not {n}")
    widths, weights = _half_widths(n, share)

    def probability_at(k: float) -> float:
        return float(weights @ special.chdtrc(n - 1, (n - 1) * (widths / k) ** 2))

    return float(optimize.brentq(lambda k: probability_at(k) - probability, 1e-3, 1e4, xtol=1e-10))


@cache
def _half_widths(n: int, share: float) -> tuple[np.ndarray, np.ndarray]:
    """Half-widths, sigma, that hold exactly *share* about a sample mean, with their weights.

    The mean lies z/sqrt(n) sigma off; Gauss-Legendre nodes in z, beyond 8 there is nothing left.
    """
    nodes, weights = special.roots_legendre(60)

    def half_width(shift: float) -> float:
        def lack(r: float) -> float:
            return float(special.ndtr(shift + r) - special.ndtr(shift - r)) - share

        return float(optimize.brentq(lack, 0.0, shift + 10.0, xtol=1e-12))

    z = 4.0 * (nodes + 1.0)
    widths = np.array([half_width(float(shift)) for shift in z / math.sqrt(n)])
    return widths, 8.0 * weights * stats.norm.pdf(z)
