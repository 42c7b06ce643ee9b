"""The restricted likelihood of variance components: its peak, and how far it stays near it.

Patterson, H. D. and Thompson, R. (1971), Biometrika 58, 545-554.  Tuned for values whose
standard deviation is about 1: the caller scales them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import linalg, optimize, stats

# Standard deviation of a factor over that of the rest: where the search begins, and its range.
STARTS = (0.3, 1.5)
LARGEST_ROOT = 1e4
LOG_REST = (-40.0, 10.0)  # logarithm of the rest's variance, in an interval's search


@dataclass(frozen=True)
class At:
    """The likelihood at given ratios, means and rest at their best for these.

    ``deviance``: minus twice the log likelihood, but for a constant.  ``shape``: the part of it
    that does not depend on the rest.  ``precision``: of the means, over the rest's variance.
    """

    deviance: float
    shape: float
    means: np.ndarray
    precision: np.ndarray
    rest: float


class Likelihood:
    """Likelihood of the variance ratios (factor over rest) of values *y* (n,).

    *factors* are codes (n,) from 0, *fixed* the columns (n, p) of what has a mean.  With Z the
    dummies of all factors and D their ratios, the covariance is ``I + Z D Z'`` times the rest;
    everything is done in matrices of the size of D (Woodbury's identity), which stays well
    behaved where a ratio is zero.  With *restricted* false it is the plain likelihood.
    """

    def __init__(
        self,
        y: np.ndarray,
        factors: Sequence[np.ndarray],
        fixed: np.ndarray,
        *,
        restricted: bool = True,
    ) -> None:
        self.restricted = restricted
        self.freedom = len(y) - (fixed.shape[1] if restricted else 0)
        self.count = len(factors)
        counts = [int(codes.max()) + 1 for codes in factors]
        z = np.hstack([np.eye(count)[codes] for count, codes in zip(counts, factors, strict=True)])
        self.factor_of = np.repeat(np.arange(len(factors)), counts)
        seen = np.column_stack([fixed, y])
        self.zz, self.z_seen, self.seen = z.T @ z, z.T @ seen, seen.T @ seen

    def at(self, ratios: np.ndarray) -> At:
        """The likelihood at *ratios* (number of factors,), none below zero."""
        root = np.sqrt(ratios)[self.factor_of]
        factor = linalg.cho_factor(np.eye(len(root)) + root[:, None] * self.zz * root, lower=True)
        scaled = root[:, None] * self.z_seen
        whole = self.seen - scaled.T @ linalg.cho_solve(factor, scaled)
        precision, cross, square = whole[:-1, :-1], whole[:-1, -1], whole[-1, -1]
        means = np.linalg.solve(precision, cross)
        rest = max(float(square - cross @ means) / self.freedom, 1e-300)
        shape = 2 * float(np.log(np.diag(factor[0])).sum())
        if self.restricted:
            shape += float(np.linalg.slogdet(precision)[1])
        return At(shape + self.freedom * math.log(rest), shape, means, precision, rest)

    def with_rest(self, ratios: np.ndarray, rest: float) -> float:
        """The deviance at *ratios* and that variance of the *rest*, on the scale of `at`."""
        here = self.at(ratios)
        return here.shape + self.freedom * (math.log(rest) + here.rest / rest - 1)


@dataclass(frozen=True)
class Fit:
    """The peak; ``variances`` in the order of the factors, the rest last."""

    deviance: float
    means: np.ndarray
    mean_standard_errors: np.ndarray
    variances: tuple[float, ...]
    converged: bool


def best_fit(likelihood: Likelihood) -> Fit:
    """The peak of *likelihood*, sought from several starts."""
    found = [
        optimize.minimize(
            lambda roots: likelihood.at(roots**2).deviance,
            np.full(likelihood.count, start),
            method="Powell",
            bounds=[(0.0, LARGEST_ROOT)] * likelihood.count,
            options={"xtol": 1e-8, "ftol": 1e-14},
        )
        for start in STARTS
    ]
    best = min(found, key=lambda result: float(result.fun))
    # a bounded search only comes near zero; take zero itself where it is as likely
    ratios = np.asarray(best.x) ** 2
    for i in np.flatnonzero(ratios < 1e-4):
        without = np.where(np.arange(len(ratios)) == i, 0.0, ratios)
        if likelihood.at(without).deviance <= likelihood.at(ratios).deviance + 1e-9:
            ratios = without
    peak = likelihood.at(ratios)
    return Fit(
        deviance=peak.deviance,
        means=peak.means,
        mean_standard_errors=np.sqrt(peak.rest * np.diag(np.linalg.inv(peak.precision))),
        variances=(*(float(ratio) * peak.rest for ratio in ratios), peak.rest),
        converged=bool(best.success),
    )


def profile_interval(
    likelihood: Likelihood, fit: Fit, which: int, confidence: float
) -> tuple[float, float]:
    """Standard deviations of component *which* that the data do not speak against.

    Those at which the deviance, all else at its best, exceeds the peak's by less than the
    chi-squared quantile; from 0 where no variance at all is among them.  The rest is the last.
    """
    bound = float(stats.chi2.ppf(confidence, 1))
    estimate = math.sqrt(fit.variances[which])
    whole = math.sqrt(sum(fit.variances))

    def excess(sd: float) -> float:
        return _profile(likelihood, fit, which, sd) - fit.deviance - bound

    tolerance = 1e-4 * whole
    low = 0.0
    smallest = 1e-6 * whole  # the rest has no deviance at zero
    if excess(smallest) > 0:
        low = float(optimize.brentq(excess, smallest, max(estimate, 2 * smallest), xtol=tolerance))
    far = max(estimate, 0.1 * whole)
    while excess(2 * far) < 0 and far < 1e3 * whole:
        far *= 2
    if excess(2 * far) < 0:
        return low, math.inf
    return low, float(optimize.brentq(excess, max(estimate, smallest), 2 * far, xtol=tolerance))


def _profile(likelihood: Likelihood, fit: Fit, which: int, sd: float) -> float:
    """The least deviance with the standard deviation of component *which* held at *sd*."""
    rest = fit.variances[-1]
    roots = [math.sqrt(v / rest) for v in fit.variances[:-1]]
    options = {"ftol": 1e-10, "gtol": 1e-6}
    if which == likelihood.count:  # the rest itself
        free = roots

        def lack(x: np.ndarray) -> float:
            return likelihood.with_rest(np.asarray(x) ** 2, sd**2)

        bounds = [(0.0, LARGEST_ROOT)] * len(free)
    else:
        free = [math.log(rest), *(r for i, r in enumerate(roots) if i != which)]

        def lack(x: np.ndarray) -> float:
            ratio = sd**2 / math.exp(x[0])
            ratios = np.insert(np.asarray(x[1:]) ** 2, which, min(ratio, LARGEST_ROOT**2))
            return likelihood.with_rest(ratios, math.exp(x[0]))

        bounds = [LOG_REST, *[(0.0, LARGEST_ROOT)] * (len(free) - 1)]
    found = optimize.minimize(lack, free, method="L-BFGS-B", bounds=bounds, options=options)
    return float(found.fun)
