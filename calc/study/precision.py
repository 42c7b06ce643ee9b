"""Repeatability and reproducibility by ISO 5725-2, with its flags for stray values.

One factor (there the laboratory, here also an operator, a syringe or a day) and several results
in each of its groups: s_r is the spread within, s_L the spread between, s_R the two together.
Formulas: ISO 5725-2:1994, 7.4, for groups of any size; Mandel's h and k, Cochran's and Grubbs's
test, 7.3.  The critical values are computed, not taken from the standard's tables.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from .table import StudyError

STRAGGLER, OUTLIER = 0.05, 0.01  # ISO 5725-2, 7.3.2.1: questionable, and statistical outlier
LIMIT_FACTOR = 2.8  # repeatability limit r = 2.8 s_r (ISO 5725-6, 4.1)
FEWEST_GROUPS = 2
FEW_GROUPS = 8  # ISO 5725-1, 6.3.4: from memory, 8 to 15 laboratories are the usual choice

Interval = tuple[float, float]


@dataclass(frozen=True)
class Group:
    """One laboratory, operator or syringe.

    ``h`` and ``k`` are Mandel's consistency statistics, ``None`` where they are not defined.
    """

    name: str
    n: int
    mean: float
    sd: float | None
    h: float | None
    k: float | None


@dataclass(frozen=True)
class Flag:
    """A value worth a second look: ``straggler`` beyond 5 %, ``outlier`` beyond 1 %."""

    test: str
    group: str
    statistic: float
    p: float

    @property
    def kind(self) -> str:
        """The word of ISO 5725-2 for it."""
        return "outlier" if self.p < OUTLIER else "straggler"


@dataclass(frozen=True)
class Precision:
    """Precision at one level; standard deviations in the data's unit.

    ``sr_ci`` is exact (chi-squared), ``s_reproducibility_ci`` Satterthwaite's approximation.
    ``between_negative`` says that the variance between groups came out below zero and was set
    to zero, as ISO 5725-2, 7.4.5.3, has it.
    """

    n: int
    mean: float
    groups: tuple[Group, ...]
    s_r: float
    s_r_ci: Interval
    s_between: float
    s_reproducibility: float
    s_reproducibility_ci: Interval
    between_negative: bool
    confidence: float
    flags: tuple[Flag, ...]
    notes: tuple[str, ...]

    @property
    def repeatability_limit(self) -> float:
        """What two results of one group differ by at most, 19 times out of 20."""
        return LIMIT_FACTOR * self.s_r

    @property
    def reproducibility_limit(self) -> float:
        """What two results of different groups differ by at most, 19 times out of 20."""
        return LIMIT_FACTOR * self.s_reproducibility


def precision(
    values: Sequence[float], groups: Sequence[str], *, confidence: float = 0.95
) -> Precision:
    """Precision of *values*, each found in the group of that place in *groups*.

    Raises
    ------
    StudyError
        If there are fewer than two groups, or no group has two results.
    ValueError
        If the two are not of one length.
    """
    if len(values) != len(groups):
        raise ValueError("values and groups must be of one length")
    names = list(dict.fromkeys(groups))
    cells = {
        name: np.array([v for v, g in zip(values, groups, strict=True) if g == name], float)
        for name in names
    }
    total, p = len(values), len(names)
    if p < FEWEST_GROUPS:
        raise StudyError(f"{p} group: repeatability and reproducibility need at least two.")
    if total <= p:
        raise StudyError(
            "No group has two results, so what repeats within a group cannot be told from what "
            "differs between groups. Measure at least some of them twice."
        )
    sizes = np.array([len(cell) for cell in cells.values()])
    means = np.array([cell.mean() for cell in cells.values()])
    mean = float(np.concatenate(list(cells.values())).mean())
    within = float(sum(((cell - cell.mean()) ** 2).sum() for cell in cells.values())) / (total - p)
    between = float((sizes * (means - mean) ** 2).sum()) / (p - 1)
    size = float(total - (sizes**2).sum() / total) / (p - 1)
    excess = (between - within) / size
    pooled = within + max(excess, 0.0)
    alpha = (1 - confidence) / 2
    return Precision(
        n=total,
        mean=mean,
        groups=_groups(cells, means, mean, within),
        s_r=math.sqrt(within),
        s_r_ci=_chi_interval(within, total - p, alpha),
        s_between=math.sqrt(max(excess, 0.0)),
        s_reproducibility=math.sqrt(pooled),
        s_reproducibility_ci=_chi_interval(
            pooled, _effective_freedom(within, between, size, total, p), alpha
        ),
        between_negative=excess < 0,
        confidence=confidence,
        flags=(*_cochran(cells), *_grubbs(names, means)),
        notes=_notes(p, total - p, excess),
    )


def _effective_freedom(within: float, between: float, size: float, total: int, p: int) -> float:
    """Welch-Satterthwaite for between/size + (1 - 1/size) within (JCGM 100, G.4)."""
    if between <= within:  # the variance between is taken as zero: one pooled variance is left
        return total - 1
    parts = (between / size, (1 - 1 / size) * within)
    weights = parts[0] ** 2 / (p - 1) + parts[1] ** 2 / (total - p)
    return (parts[0] + parts[1]) ** 2 / weights


def _chi_interval(variance: float, freedom: float, alpha: float) -> Interval:
    low, high = stats.chi2.ppf([1 - alpha, alpha], freedom)
    return math.sqrt(variance * freedom / low), math.sqrt(variance * freedom / high)


def _groups(
    cells: dict[str, np.ndarray], means: np.ndarray, mean: float, within: float
) -> tuple[Group, ...]:
    spread = float(means.std(ddof=1)) if len(means) > 2 else 0.0
    centre = float(means.mean())
    found = []
    for name, cell in cells.items():
        sd = float(cell.std(ddof=1)) if len(cell) > 1 else None
        found.append(
            Group(
                name=name,
                n=len(cell),
                mean=float(cell.mean()),
                sd=sd,
                h=(float(cell.mean()) - centre) / spread if spread > 0 else None,
                k=None if sd is None or within == 0 else sd / math.sqrt(within),
            )
        )
    return tuple(found)


def cochran_critical(p: int, n: int, level: float) -> float:
    """Largest share of the variances that one of *p* groups of *n* results may have.

    One-sided at *level*; the Bonferroni form by the F distribution, which is what the table of
    ISO 5725-2 holds to three digits.
    """
    f = float(stats.f.isf(level / p, n - 1, (p - 1) * (n - 1)))
    return f / (f + p - 1)


def grubbs_critical(p: int, level: float) -> float:
    """Largest distance of one of *p* means from all, in standard deviations.

    Two-sided at *level*, as ISO 5725-2 tabulates it.
    """
    t2 = float(stats.t.isf(level / (2 * p), p - 2)) ** 2
    return (p - 1) / math.sqrt(p) * math.sqrt(t2 / (p - 2 + t2))


def _cochran(cells: dict[str, np.ndarray]) -> list[Flag]:
    """Cochran's test needs groups of one size; with others it is left out."""
    sizes = {len(cell) for cell in cells.values()}
    p, n = len(cells), next(iter(sizes))
    if len(sizes) > 1 or n < 2:
        return []
    variances = {name: float(cell.var(ddof=1)) for name, cell in cells.items()}
    whole = sum(variances.values())
    if whole == 0:
        return []
    worst = max(variances, key=variances.__getitem__)
    c = variances[worst] / whole
    ratio = math.inf if c == 1 else c * (p - 1) / (1 - c)
    probability = min(1.0, p * float(stats.f.sf(ratio, n - 1, (p - 1) * (n - 1))))
    return [Flag("Cochran", worst, c, probability)] if probability < STRAGGLER else []


def _grubbs(names: list[str], means: np.ndarray) -> list[Flag]:
    p, sd = len(means), float(means.std(ddof=1))
    if p < 3 or sd == 0:
        return []
    distances = np.abs(means - means.mean()) / sd
    at = int(distances.argmax())
    g = float(distances[at])
    # the statistic cannot exceed (p - 1)/sqrt(p); at that bound its t value has no limit
    room = (p - 1) ** 2 / p - g**2
    t = math.inf if room <= 0 else g * math.sqrt((p - 2) / room)
    probability = min(1.0, 2 * p * float(stats.t.sf(t, p - 2)))
    return [Flag("Grubbs", names[at], g, probability)] if probability < STRAGGLER else []


def _notes(p: int, freedom: int, excess: float) -> tuple[str, ...]:
    notes = []
    if p < FEW_GROUPS:
        notes.append(
            f"Only {p} groups: the spread between them, and so reproducibility, is known roughly."
        )
    if freedom < 10:
        notes.append(
            f"Only {freedom} degree{'s' * (freedom != 1)} of freedom for repeatability: "
            "see its interval."
        )
    if excess < 0:
        notes.append(
            "The variance between groups came out below zero and is taken as zero "
            "(ISO 5725-2, 7.4.5.3): nothing was seen between them."
        )
    return tuple(notes)
