"""Where the spread comes from: variance components of crossed and nested factors, by REML.

The model is a mean plus one random effect for each factor plus the rest.  docs/decisions.md says
why the fit is written here, and the tests what it is held against.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import linalg, optimize

from .table import StudyError

REST = "rest"
FEW_LEVELS = 6
# Standard deviation of a factor over that of the rest: where the search begins, and its range.
STARTS = (0.3, 1.5)
LARGEST_ROOT = 1e4
MOST_LEVELS = 1000  # of all factors together: the fit works with a matrix of this size


@dataclass(frozen=True)
class Component:
    """One factor's part of the variance; ``sd`` in the data's unit, ``share`` from 0 to 1.

    ``levels`` is ``None`` for the rest, which no factor explains.
    """

    factor: str
    levels: int | None
    variance: float
    share: float

    @property
    def sd(self) -> float:
        """Standard deviation that this factor alone causes."""
        return math.sqrt(self.variance)


@dataclass(frozen=True)
class Components:
    """All parts, in the order of the factors, the rest last.

    The mean and its standard error are ``None`` where each level has a mean of its own.
    """

    n: int
    mean: float | None
    mean_standard_error: float | None
    parts: tuple[Component, ...]
    converged: bool
    notes: tuple[str, ...]

    @property
    def total_sd(self) -> float:
        """Standard deviation of a single value with every factor drawn anew."""
        return math.sqrt(sum(part.variance for part in self.parts))


def nested(outer: Sequence[str], inner: Sequence[str]) -> list[str]:
    """Labels of *inner* made unique within *outer*: photograph 1 of syringe A is not that of B."""
    return [f"{a}/{b}" for a, b in zip(outer, inner, strict=True)]


@dataclass(frozen=True)
class _Fit:
    """What the fit found; ``variances`` in the order of the factors, the rest last."""

    means: np.ndarray
    mean_standard_errors: np.ndarray
    variances: tuple[float, ...]
    converged: bool


def variance_components(
    values: Sequence[float],
    factors: Mapping[str, Sequence[str]],
    levels: Sequence[str] | None = None,
) -> Components:
    """Parts of the variance of *values* that the *factors* cause.

    Values at different *levels* (targets, say) have a mean of their own each, which counts as
    fixed and not as spread.

    Raises
    ------
    StudyError
        If a factor has one level only, or one for every value (it cannot be told from the
        rest), two factors group the values alike, or there are too many levels.
    ValueError
        If a factor is not of the length of *values*.
    """
    y = np.asarray(values, float)
    coded = {name: _coded(name, labels, len(y)) for name, labels in factors.items()}
    _check_apart(coded)
    if (levels_in_all := sum(int(codes.max()) + 1 for codes in coded.values())) > MOST_LEVELS:
        raise StudyError(
            f"{levels_in_all} levels are more than this fit can handle ({MOST_LEVELS}). "
            "Take a subset, or use a program made for large mixed models."
        )
    spread = float(y.std(ddof=1))
    if spread == 0:
        raise StudyError(f"All {len(y)} values are the same: there is no variance to part.")
    # The optimiser's steps and its idea of convergence suit a spread of about 1.
    centre = float(y.mean())
    fit = _fit((y - centre) / spread, list(coded.values()), _fixed(levels, len(y)))
    variances = [variance * spread**2 for variance in fit.variances]
    whole = sum(variances)
    counts: list[int | None] = [int(codes.max()) + 1 for codes in coded.values()]
    return Components(
        n=len(y),
        mean=centre + spread * float(fit.means[0]) if levels is None else None,
        mean_standard_error=(
            spread * float(fit.mean_standard_errors[0]) if levels is None else None
        ),
        parts=tuple(
            Component(name, count, variance, variance / whole)
            for name, count, variance in zip(
                (*coded, REST), (*counts, None), variances, strict=True
            )
        ),
        converged=fit.converged,
        notes=_notes(coded, variances, whole, converged=fit.converged),
    )


def _coded(name: str, labels: Sequence[str], n: int) -> np.ndarray:
    if len(labels) != n:
        raise ValueError(f"factor {name} must have one label for each value")
    codes = np.unique(np.asarray(labels), return_inverse=True)[1]
    if codes.max() == 0:
        raise StudyError(f"Factor '{name}' has one level only: what it causes cannot be seen.")
    if codes.max() == n - 1:
        raise StudyError(
            f"Factor '{name}' is different in every row: it cannot be told from the rest. "
            "Leave it out, or measure each of its levels more than once."
        )
    return codes


def _check_apart(coded: Mapping[str, np.ndarray]) -> None:
    names = list(coded)
    for i, first in enumerate(names):
        for second in names[i + 1 :]:
            pairs = np.unique(np.stack([coded[first], coded[second]]), axis=1).shape[1]
            if pairs == coded[first].max() + 1 == coded[second].max() + 1:
                raise StudyError(
                    f"Factors '{first}' and '{second}' group the rows alike: "
                    "what they cause cannot be told apart. Leave one of them out."
                )


def _fixed(levels: Sequence[str] | None, n: int) -> np.ndarray:
    """Dummies (n, number of levels) of what has a mean of its own; one column without levels."""
    if levels is None:
        return np.ones((n, 1))
    codes = np.unique(np.asarray(levels), return_inverse=True)[1]
    if len(codes) != n:
        raise ValueError("levels must have one label for each value")
    if codes.max() + 1 >= n:
        raise StudyError("Every row is at a level of its own: nothing is measured twice.")
    return np.asarray(np.eye(int(codes.max()) + 1)[codes])


class _Likelihood:
    """Restricted likelihood of the variance ratios (factor over rest), the others profiled out.

    With Z the dummies of all factors and D their ratios, the covariance is ``I + Z D Z'`` times
    the rest; everything is done in matrices of the size of D (Woodbury's identity), which stays
    well behaved where a ratio is zero.  Patterson, H. D. and Thompson, R. (1971), Biometrika 58,
    545-554.
    """

    def __init__(self, y: np.ndarray, factors: Sequence[np.ndarray], fixed: np.ndarray) -> None:
        self.freedom = len(y) - fixed.shape[1]
        counts = [int(codes.max()) + 1 for codes in factors]
        z = np.hstack([np.eye(count)[codes] for count, codes in zip(counts, factors, strict=True)])
        self.factor_of = np.repeat(np.arange(len(factors)), counts)
        seen = np.column_stack([fixed, y])
        self.zz, self.z_seen, self.seen = z.T @ z, z.T @ seen, seen.T @ seen

    def at(self, ratios: np.ndarray) -> tuple[float, np.ndarray, np.ndarray, float]:
        """Minus twice the log likelihood (but a constant), means, their precision, the rest."""
        root = np.sqrt(ratios)[self.factor_of]
        factor = linalg.cho_factor(np.eye(len(root)) + root[:, None] * self.zz * root, lower=True)
        scaled = root[:, None] * self.z_seen
        whole = self.seen - scaled.T @ linalg.cho_solve(factor, scaled)
        precision, cross, square = whole[:-1, :-1], whole[:-1, -1], whole[-1, -1]
        means = np.linalg.solve(precision, cross)
        rest = float(square - cross @ means) / self.freedom
        deviance = (
            2 * float(np.log(np.diag(factor[0])).sum())
            + float(np.linalg.slogdet(precision)[1])
            + self.freedom * math.log(max(rest, 1e-300))
        )
        return deviance, means, precision, rest


def _fit(y: np.ndarray, factors: Sequence[np.ndarray], fixed: np.ndarray) -> _Fit:
    """The peak of the restricted likelihood, sought from several starts."""
    likelihood = _Likelihood(y, factors, fixed)
    found = [
        optimize.minimize(
            lambda roots: likelihood.at(roots**2)[0],
            np.full(len(factors), start),
            method="Powell",
            bounds=[(0.0, LARGEST_ROOT)] * len(factors),
            options={"xtol": 1e-8, "ftol": 1e-14},
        )
        for start in STARTS
    ]
    best = min(found, key=lambda result: float(result.fun))
    # a bounded search only comes near zero; take zero itself where it is as likely
    ratios = np.asarray(best.x) ** 2
    for i in np.flatnonzero(ratios < 1e-4):
        without = np.where(np.arange(len(ratios)) == i, 0.0, ratios)
        if likelihood.at(without)[0] <= likelihood.at(ratios)[0] + 1e-9:
            ratios = without
    _, means, precision, rest = likelihood.at(ratios)
    return _Fit(
        means=means,
        mean_standard_errors=np.sqrt(rest * np.diag(np.linalg.inv(precision))),
        variances=(*(float(ratio) * rest for ratio in ratios), rest),
        converged=bool(best.success),
    )


def _notes(
    coded: Mapping[str, np.ndarray], variances: Sequence[float], whole: float, *, converged: bool
) -> tuple[str, ...]:
    notes = []
    for (name, codes), variance in zip(coded.items(), variances, strict=False):
        count = int(codes.max()) + 1
        if count < FEW_LEVELS:
            notes.append(
                f"Only {count} levels of '{name}': a variance from so few is known roughly."
            )
        if variance < 1e-4 * whole:
            notes.append(f"Nothing was seen that '{name}' causes (its variance is near zero).")
    if not converged:
        notes.append("The fit did not converge: do not rely on these components.")
    return tuple(notes)
