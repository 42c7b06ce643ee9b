"""Where the spread comes from: variance components of crossed and nested factors, by REML.

The model is a mean plus one random effect for each factor plus the rest.  docs/decisions.md says
why the fit is written here, and the tests what it is held against.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from .likelihood import Likelihood, best_fit, profile_interval
from .table import StudyError

REST = "rest"
FEW_LEVELS = 6
LEAST_REST = 1e-7  # of the whole variance; below, the likelihood has no peak
MOST_LEVELS = 1000  # of all factors together: the fit works with a matrix of this size


@dataclass(frozen=True)
class Component:
    """One factor's part of the variance; ``sd`` in the data's unit, ``share`` from 0 to 1.

    ``levels`` is ``None`` for the rest, which no factor explains.  ``sd_ci`` is the profile
    likelihood's interval of the standard deviation.
    """

    factor: str
    levels: int | None
    variance: float
    share: float
    sd_ci: tuple[float, float]

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
    confidence: float
    converged: bool
    notes: tuple[str, ...]

    @property
    def total_sd(self) -> float:
        """Standard deviation of a single value with every factor drawn anew."""
        return math.sqrt(sum(part.variance for part in self.parts))


def nested(outer: Sequence[str], inner: Sequence[str]) -> list[str]:
    """Labels of *inner* made unique within *outer*: photograph 1 of syringe A is not that of B."""
    return [f"{a}/{b}" for a, b in zip(outer, inner, strict=True)]


def variance_components(
    values: Sequence[float],
    factors: Mapping[str, Sequence[str]],
    levels: Sequence[str] | None = None,
    *,
    confidence: float = 0.95,
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
    fixed = _fixed(levels, coded, len(y))
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
    likelihood = Likelihood((y - centre) / spread, list(coded.values()), fixed)
    fit = best_fit(likelihood)
    if fit.variances[-1] < LEAST_REST * sum(fit.variances):
        raise StudyError(
            "Values that are alike in all factors do not differ at all: there is no scatter to "
            "hold the factors against. Are they copies, or rounded too far?"
        )
    variances = [variance * spread**2 for variance in fit.variances]
    intervals = [
        (spread * low, spread * high)
        for low, high in (
            profile_interval(likelihood, fit, i, confidence) for i in range(len(variances))
        )
    ]
    whole = sum(variances)
    counts: list[int | None] = [int(codes.max()) + 1 for codes in coded.values()]
    return Components(
        n=len(y),
        mean=centre + spread * float(fit.means[0]) if levels is None else None,
        mean_standard_error=(
            spread * float(fit.mean_standard_errors[0]) if levels is None else None
        ),
        parts=tuple(
            Component(name, count, variance, variance / whole, interval)
            for name, count, variance, interval in zip(
                (*coded, REST), (*counts, None), variances, intervals, strict=True
            )
        ),
        confidence=confidence,
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


def _fixed(levels: Sequence[str] | None, coded: Mapping[str, np.ndarray], n: int) -> np.ndarray:
    """Dummies (n, number of levels) of what has a mean of its own; one column without levels."""
    if levels is None:
        return np.ones((n, 1))
    codes = np.unique(np.asarray(levels), return_inverse=True)[1]
    if len(codes) != n:
        raise ValueError("levels must have one label for each value")
    if codes.max() + 1 >= n:
        raise StudyError("Every row is at a level of its own: nothing is measured twice.")
    for name, factor in coded.items():
        if np.unique(np.stack([codes, factor]), axis=1).shape[1] == codes.max() + 1:
            raise StudyError(
                f"Factor '{name}' is the same all through each level, and levels are not counted "
                "as spread: leave one of the two out."
            )
    return np.asarray(np.eye(int(codes.max()) + 1)[codes])


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
