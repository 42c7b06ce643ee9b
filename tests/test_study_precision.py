"""Repeatability, reproducibility and variance components against published results."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drawmark.calc.study.components import nested, variance_components
from drawmark.calc.study.likelihood import Likelihood, best_fit, profile_interval
from drawmark.calc.study.precision import cochran_critical, grubbs_critical, precision
from drawmark.calc.study.table import StudyError

# Yield of dyestuff, g, five samples from each of six batches: Davies, O. L. and Goldsmith, P. L.
# (1972), Statistical Methods in Research and Production, table 6.3; in R's lme4 as Dyestuff.
DYESTUFF = {
    "A": (1545, 1440, 1440, 1520, 1580),
    "B": (1540, 1555, 1490, 1560, 1495),
    "C": (1595, 1550, 1605, 1510, 1560),
    "D": (1445, 1440, 1595, 1465, 1545),
    "E": (1595, 1630, 1515, 1635, 1625),
    "F": (1520, 1455, 1450, 1480, 1445),
}
# Simulated data whose variance between batches is estimated as zero: Box, G. E. P. and Tiao,
# G. C. (1973), Bayesian Inference in Statistical Analysis, table 5.1.4; lme4's Dyestuff2.
DYESTUFF2 = {
    "A": (7.298, 3.846, 2.434, 9.566, 7.990),
    "B": (5.220, 6.556, 0.608, 11.788, -0.892),
    "C": (0.110, 10.386, 13.434, 5.510, 8.166),
    "D": (2.212, 4.852, 7.092, 9.288, 4.980),
    "E": (0.282, 9.014, 4.458, 9.446, 7.198),
    "F": (1.722, 4.782, 8.106, 0.758, 3.758),
}
# Diameter of clear zones, mm, on 24 plates (rows) by 6 samples of penicillin (columns), crossed:
# Davies and Goldsmith 1972, table 6.6; lme4's Penicillin.
PENICILLIN = (
    "27 23 26 23 23 21/27 23 26 23 23 21/25 21 25 24 24 20/26 23 25 23 23 20/25 22 26 22 23 20/"
    "24 22 25 23 22 19/24 20 23 21 22 19/26 22 26 24 24 21/24 21 24 22 22 20/24 21 24 23 22 19/"
    "26 23 26 24 24 21/25 22 26 24 24 20/26 24 26 24 25 22/26 23 26 23 23 20/26 23 25 24 24 22/"
    "25 22 25 23 23 20/25 21 24 23 23 20/25 22 24 23 23 19/24 21 23 21 21 19/26 23 26 24 24 21/"
    "25 21 24 22 22 18/25 22 25 22 22 20/24 21 24 22 24 19/24 21 24 22 21 18"
)
# Strength of a paste, two tests from each of three casks of ten batches, nested: Davies and
# Goldsmith 1972, table 6.5; lme4's Pastes.  A line is a batch, casks a, a, b, b, c, c.
PASTES = (
    "62.8 62.6 60.1 62.3 62.7 63.1/60.0 61.4 57.5 56.9 61.1 58.9/58.7 57.5 63.9 63.1 65.4 63.7/"
    "57.1 56.4 56.9 58.6 64.7 64.5/55.1 55.1 54.7 54.2 58.8 57.5/63.4 64.9 59.3 58.1 60.5 60.0/"
    "62.5 62.6 61.0 58.7 56.9 57.7/59.2 59.4 65.2 66.0 64.8 64.1/54.8 54.8 64.0 64.0 57.7 56.8/"
    "58.3 59.3 59.2 59.2 58.9 56.6"
)
# Ten parts measured by three appraisers three times: AIAG, Measurement Systems Analysis, 4th ed.
# A line is a part: A1 A2 A3 B1 B2 B3 C1 C2 C3.
GAUGE = (
    (0.29, 0.41, 0.64, 0.08, 0.25, 0.07, 0.04, -0.11, -0.15),
    (-0.56, -0.68, -0.58, -0.47, -1.22, -0.68, -1.38, -1.13, -0.96),
    (1.34, 1.17, 1.27, 1.19, 0.94, 1.34, 0.88, 1.09, 0.67),
    (0.47, 0.5, 0.64, 0.01, 1.03, 0.2, 0.14, 0.2, 0.11),
    (-0.8, -0.92, -0.84, -0.56, -1.2, -1.28, -1.46, -1.07, -1.45),
    (0.02, -0.11, -0.21, -0.2, 0.22, 0.06, -0.29, -0.67, -0.49),
    (0.59, 0.75, 0.66, 0.47, 0.55, 0.83, 0.02, 0.01, 0.21),
    (-0.31, -0.2, -0.17, -0.63, 0.08, -0.34, -0.46, -0.56, -0.49),
    (2.26, 1.99, 2.01, 1.8, 2.12, 2.19, 1.77, 1.45, 1.87),
    (-1.36, -1.25, -1.31, -1.68, -1.62, -1.5, -1.49, -1.77, -2.16),
)


def flat(groups: dict[str, tuple[float, ...]]) -> tuple[list[float], list[str]]:
    """Values and labels, one after the other."""
    return (
        [float(v) for values in groups.values() for v in values],
        [name for name, values in groups.items() for _ in values],
    )


def rows(text: str) -> list[list[float]]:
    return [[float(v) for v in line.split()] for line in text.split("/")]


def test_dyestuff_by_iso_5725() -> None:
    """49.51 and 42.00 g, mean 1527.5 g: Bates, lme4 book, chapter 1 (REML, balanced data)."""
    found = precision(*flat(DYESTUFF))
    assert round(found.s_r, 2) == 49.51
    assert round(found.s_between, 2) == 42.00
    assert found.mean == 1527.5
    assert found.s_reproducibility == pytest.approx(math.hypot(49.5101, 42.0006), abs=1e-3)
    assert found.flags == ()
    assert found.repeatability_limit == pytest.approx(2.8 * found.s_r)


def test_dyestuff_by_reml() -> None:
    """As above, and the standard error of the mean, 19.38 g."""
    values, batch = flat(DYESTUFF)
    found = variance_components(values, {"batch": batch})
    assert [round(part.sd, 2) for part in found.parts] == [42.00, 49.51]
    assert found.mean == pytest.approx(1527.5)
    assert found.mean_standard_error == pytest.approx(19.38, abs=0.005)
    assert sum(part.share for part in found.parts) == pytest.approx(1)


def test_a_variance_of_zero() -> None:
    """Dyestuff2: 0 and 3.716, mean 5.6656 (lme4 book, chapter 1)."""
    values, batch = flat(DYESTUFF2)
    found = variance_components(values, {"batch": batch})
    assert [round(part.sd, 3) for part in found.parts] == [0.0, 3.716]
    assert found.mean == pytest.approx(5.6656, abs=5e-5)
    assert any("Nothing was seen" in note for note in found.notes)
    by_anova = precision(values, batch)
    assert by_anova.between_negative
    assert by_anova.s_between == 0
    assert by_anova.s_reproducibility == by_anova.s_r


def test_penicillin_crossed() -> None:
    """0.8467, 1.9316 and 0.5499 mm, mean 22.9722 ± 0.8086 (lme4 book, chapter 2)."""
    table = rows(PENICILLIN)
    values = [v for line in table for v in line]
    plate = [str(i) for i, line in enumerate(table) for _ in line]
    sample = [name for _ in table for name in "ABCDEF"]
    found = variance_components(values, {"plate": plate, "sample": sample})
    assert [round(part.sd, 4) for part in found.parts] == [0.8467, 1.9316, 0.5499]
    assert found.mean == pytest.approx(22.9722, abs=5e-5)
    assert found.mean_standard_error == pytest.approx(0.8086, abs=5e-5)


def test_pastes_nested() -> None:
    """2.9041 (cask in batch), 1.2874 (batch), 0.8234, mean 60.0533 ± 0.6769 (lme4 book)."""
    table = rows(PASTES)
    values = [v for line in table for v in line]
    batch = [str(i) for i, line in enumerate(table) for _ in line]
    cask = [name for _ in table for name in "aabbcc"]
    found = variance_components(values, {"cask": nested(batch, cask), "batch": batch})
    assert [round(part.sd, 4) for part in found.parts] == [2.9041, 1.2874, 0.8234]
    assert found.mean == pytest.approx(60.0533, abs=5e-5)
    assert found.mean_standard_error == pytest.approx(0.6769, abs=5e-5)


# Profile intervals of the standard deviations, 95 %, by plain likelihood, as lme4's confint prints
# them (lme4 book, from memory): factors in the order given, the rest last.
PROFILES = {
    "dyestuff": [(12.1985, 84.0631), (38.2300, 67.6577)],
    "pastes": [(2.15793, 4.05359), (0.0, 2.94659), (0.65202, 1.08545)],
}


def test_profile_intervals() -> None:
    values, batch = flat(DYESTUFF)
    table = rows(PASTES)
    strength = [v for line in table for v in line]
    delivery = [str(i) for i, line in enumerate(table) for _ in line]
    cask = nested(delivery, [name for _ in table for name in "aabbcc"])
    for name, y, factors in (
        ("dyestuff", np.array(values), [batch]),
        ("pastes", np.array(strength), [cask, delivery]),
    ):
        scale = y.std(ddof=1)
        codes = [np.unique(labels, return_inverse=True)[1] for labels in factors]
        likelihood = Likelihood(
            (y - y.mean()) / scale, codes, np.ones((len(y), 1)), restricted=False
        )
        fit = best_fit(likelihood)
        for which, printed in enumerate(PROFILES[name]):
            found = [scale * sd for sd in profile_interval(likelihood, fit, which, 0.95)]
            # lme4 interpolates along the profile: the fourth digit is not sure
            assert found == pytest.approx(printed, rel=5e-4), name


def test_intervals_by_reml_are_wider() -> None:
    """The mean's degree of freedom is counted: few batches, so the upper end lies further."""
    values, batch = flat(DYESTUFF)
    found = variance_components(values, {"batch": batch}).parts
    assert found[0].sd_ci[1] > 84.1
    assert found[0].sd_ci[0] < 42.0 < found[0].sd_ci[1]
    # the rest's own 24 degrees of freedom: the exact chi-squared interval is 38.66 to 68.88
    assert found[1].sd_ci == pytest.approx((38.66, 68.88), rel=0.02)


def test_gauge_study() -> None:
    """Variances 0.03997, 0.05146 and 1.08645; gauge 7.76 % of the variance (AIAG; Minitab)."""
    values = [v for line in GAUGE for v in line]
    part = [str(i) for i, line in enumerate(GAUGE) for _ in line]
    appraiser = [name for _ in GAUGE for name in "AAABBBCCC"]
    found = variance_components(values, {"part": part, "appraiser": appraiser})
    parts = {p.factor: p for p in found.parts}
    assert parts["rest"].variance == pytest.approx(0.03997, abs=5e-6)
    assert parts["appraiser"].variance == pytest.approx(0.05146, abs=6e-6)
    assert parts["part"].variance == pytest.approx(1.08645, abs=6e-6)
    assert round(100 * (parts["rest"].share + parts["appraiser"].share), 2) == 7.76
    assert any("Only 3 levels of 'appraiser'" in note for note in found.notes)


def test_a_level_of_its_own_is_no_spread() -> None:
    """Batches that lie 1000 g apart by intent give the same components as without."""
    values, batch = flat(DYESTUFF)
    day = [str(i % 5) for i in range(len(values))]
    apart = [v + 1000 * (b in "DEF") for v, b in zip(values, batch, strict=True)]
    level = [str(b in "DEF") for b in batch]
    one = variance_components(values, {"day": day}, level)
    other = variance_components(apart, {"day": day}, level)
    assert [p.variance for p in one.parts] == pytest.approx(
        [p.variance for p in other.parts], rel=1e-4, abs=1e-3
    )
    assert other.mean is None


# ISO 5725-2, tables 4 and 5 (from memory): Cochran for (p, n) at 5 and 1 %, Grubbs for p at 5
# and 1 %.
@pytest.mark.parametrize(
    ("p", "n", "five", "one"), [(8, 2, 0.680, 0.794), (8, 3, 0.516, 0.615), (10, 3, 0.445, 0.536)]
)
def test_cochran_table(p: int, n: int, five: float, one: float) -> None:
    assert cochran_critical(p, n, 0.05) == pytest.approx(five, abs=6e-4)
    assert cochran_critical(p, n, 0.01) == pytest.approx(one, abs=6e-4)


@pytest.mark.parametrize(("p", "five", "one"), [(8, 2.126, 2.274), (10, 2.290, 2.482)])
def test_grubbs_table(p: int, five: float, one: float) -> None:
    # 0.001: the table has 2.126 where the formula gives 2.1266
    assert grubbs_critical(p, 0.05) == pytest.approx(five, abs=1e-3)
    assert grubbs_critical(p, 0.01) == pytest.approx(one, abs=1e-3)


def test_strays_are_flagged_at_their_critical_values() -> None:
    rng = np.random.default_rng(3)
    steady = {f"lab {i}": tuple(10 + rng.normal(0, 0.1, 3)) for i in range(8)}
    assert precision(*flat(steady)).flags == ()
    wild = steady | {"lab 3": (8.5, 10.0, 11.6)}
    flags = precision(*flat(wild)).flags
    assert [(f.test, f.group, f.kind) for f in flags] == [("Cochran", "lab 3", "outlier")]
    off = steady | {"lab 5": tuple(v + 2 for v in steady["lab 5"])}
    flags = precision(*flat(off)).flags
    assert [(f.test, f.group, f.kind) for f in flags] == [("Grubbs", "lab 5", "outlier")]


def test_mandel() -> None:
    """k squared averages 1 over groups of one size, h sums to zero (ISO 5725-2, 7.3.1)."""
    groups = precision(*flat(DYESTUFF)).groups
    assert sum(g.k**2 for g in groups if g.k is not None) / 6 == pytest.approx(1)
    assert sum(g.h for g in groups if g.h is not None) == pytest.approx(0, abs=1e-12)


def test_groups_of_different_size() -> None:
    """Unbalanced: the two mean squares against scipy's one-way analysis of variance."""
    from scipy import stats

    cells = {k: v[: 2 + i % 4] for i, (k, v) in enumerate(DYESTUFF.items())}
    found = precision(*flat(cells))
    sizes = [len(v) for v in cells.values()]
    total, p = sum(sizes), len(sizes)
    n0 = (total - sum(n * n for n in sizes) / total) / (p - 1)
    f = float(stats.f_oneway(*cells.values()).statistic)
    expected = found.s_r**2 * (f - 1) / n0
    assert found.s_between**2 == pytest.approx(max(expected, 0.0), rel=1e-9)


def test_coverage_of_the_intervals() -> None:
    """s_r exact; s_R by Satterthwaite within 3 %: 8 operators, 3 results, 1500 times."""
    rng, inside, both = np.random.default_rng(5725), 0, 0
    labels = [str(i) for i in range(8) for _ in range(3)]
    for _ in range(1500):
        values = np.repeat(rng.normal(0, 0.7, 8), 3) + rng.normal(0, 1.0, 24)
        found = precision(list(values), labels)
        inside += found.s_r_ci[0] <= 1.0 <= found.s_r_ci[1]
        both += found.s_reproducibility_ci[0] <= math.hypot(1, 0.7) <= found.s_reproducibility_ci[1]
    assert inside / 1500 == pytest.approx(0.95, abs=0.017)
    assert both / 1500 == pytest.approx(0.95, abs=0.03)


@settings(max_examples=30)
@given(st.floats(-100, 100), st.floats(0.1, 10), st.randoms())
def test_shift_scale_and_order(shift: float, scale: float, random: object) -> None:
    values, batch = flat(DYESTUFF)
    one = precision(values, batch)
    order = list(range(len(values)))
    random.shuffle(order)  # type: ignore[attr-defined]
    other = precision([scale * values[i] + shift for i in order], [batch[i] for i in order])
    assert other.s_r == pytest.approx(scale * one.s_r, rel=1e-9)
    assert other.s_reproducibility == pytest.approx(scale * one.s_reproducibility, rel=1e-9)


@pytest.mark.parametrize(("shift", "scale"), [(-300.0, 0.01), (5e4, 30.0)])
def test_components_in_another_unit(shift: float, scale: float) -> None:
    values, batch = flat(DYESTUFF)
    one = variance_components(values, {"batch": batch}).parts
    backwards = [scale * v + shift for v in values[::-1]]
    other = variance_components(backwards, {"batch": batch[::-1]}).parts
    for a, b in zip(one, other, strict=True):
        assert b.sd == pytest.approx(scale * a.sd, rel=1e-5)
        assert b.sd_ci == pytest.approx([scale * edge for edge in a.sd_ci], rel=1e-3)


def test_what_cannot_be_parted() -> None:
    with pytest.raises(StudyError, match="at least two"):
        precision([1, 2], ["a", "a"])
    with pytest.raises(StudyError, match="twice"):
        precision([1, 2], ["a", "b"])
    with pytest.raises(StudyError, match="one level only"):
        variance_components([1, 2, 3], {"x": ["a"] * 3})
    with pytest.raises(StudyError, match="different in every row"):
        variance_components([1, 2, 3], {"x": ["a", "b", "c"]})
    with pytest.raises(StudyError, match="alike"):
        variance_components([1, 2, 3, 4], {"x": list("aabb"), "y": list("ccdd")})
    with pytest.raises(StudyError, match="the same"):
        variance_components([1, 1, 1, 1], {"x": list("aabb")})
    with pytest.raises(StudyError, match="copies"):
        variance_components([1, 1, 2, 2, 3, 3], {"x": list("aabbcc")})
    with pytest.raises(StudyError, match="all through each level"):
        variance_components([1, 2, 3, 4.5], {"x": list("aabb")}, ["1", "1", "2", "2"])
    with pytest.raises(ValueError, match="one length"):
        precision([1, 2], ["a"])
