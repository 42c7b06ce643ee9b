"""Agreement: published data to the printed digits, laws, and coverage by simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from coverage_of_limits import coverage
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from drawmark.calc.study.agreement import MULTIPLE, agreement, bias_between_groups, concordance
from drawmark.calc.study.factors import content_factor, quantile_factor
from drawmark.calc.study.table import StudyError

# Peak expiratory flow, L/min, first readings with the large and the mini meter of 17 subjects:
# Bland and Altman 1986, Lancet i, 307-310, table 1.
LARGE = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
MINI = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]

numbers = st.floats(-1e3, 1e3, allow_nan=False)


def spread_out(rows: list[tuple[float, float]]) -> bool:
    """Whether neither method, nor sum nor difference, is as good as constant."""
    a, b = np.array(rows).T
    return bool(min(np.std(x) for x in (a, b, a + b, a - b)) > 1e-2)


pairs = st.lists(st.tuples(numbers, numbers), min_size=3, max_size=8).filter(spread_out)


def test_bland_and_altman_1986() -> None:
    """Bias, standard deviation and limits as printed there, with its two standard deviations."""
    found = agreement(MINI, LARGE, multiple=2)  # large - mini
    assert found.n == 17
    assert round(found.bias, 1) == -2.1
    assert round(found.sd, 1) == 38.8
    # The paper prints -79.7 and 75.5, worked out from the rounded -2.1 and 38.8.
    assert found.lower.value == pytest.approx(-79.7, abs=0.11)
    assert found.upper.value == pytest.approx(75.5, abs=0.11)
    # "-22.0 to 17.8" and, for the limits, "-114.3 to -45.1" and "40.9 to 110.1" (the last pair
    # from memory), again from rounded values.
    assert [round(edge, 1) for edge in found.bias_ci] == [-22.0, 17.8]
    assert found.lower.ci_approximate == pytest.approx((-114.3, -45.1), abs=0.2)
    assert found.upper.ci_approximate == pytest.approx((40.9, 110.1), abs=0.2)


def test_limits_with_1_96_as_in_bland_and_altman_1999() -> None:
    """-78.10 and 73.86 L/min: quoted in the tests of several public packages."""
    found = agreement(MINI, LARGE)
    assert round(found.lower.value, 2) == -78.10
    assert round(found.upper.value, 2) == 73.86
    assert found.within_limits == 16


# Two-sided factors, 95 % confidence, for shares of 0.90, 0.95 and 0.99: Berthouex and Brown,
# Statistics for Environmental Engineers, 2nd ed., table 21.1.
TWO_SIDED = {
    4: (5.37, 6.34, 8.22),
    5: (4.29, 5.08, 6.60),
    6: (3.73, 4.42, 5.76),
    7: (3.39, 4.02, 5.24),
    8: (3.16, 3.75, 4.89),
    10: (2.86, 3.39, 4.44),
    12: (2.67, 3.17, 4.16),
    20: (2.32, 2.76, 3.62),
    25: (2.22, 2.64, 3.46),
    40: (2.06, 2.45, 3.22),
    60: (1.96, 2.34, 3.07),
}


@pytest.mark.parametrize("n", TWO_SIDED)
def test_two_sided_factors(n: int) -> None:
    for share, printed in zip((0.90, 0.95, 0.99), TWO_SIDED[n], strict=True):
        # 0.006: the table rounds, and has 3.17 for 3.175
        assert content_factor(n, share, 0.95) == pytest.approx(printed, abs=0.006)


def test_one_sided_factors() -> None:
    # NIST/SEMATECH e-Handbook, 7.2.6.3: 43 values, 90 % of them with 99 % confidence, by the
    # noncentral t distribution (1.8740, from memory; its approximation there gives 1.8752).
    assert round(quantile_factor(43, float(stats.norm.ppf(0.90)), 0.99), 4) == 1.8740
    # Hahn and Meeker, Statistical Intervals, table A.12 (from memory): n = 10 and n = 5, 95/95.
    assert round(quantile_factor(10, float(stats.norm.ppf(0.95)), 0.95), 3) == 2.911
    assert round(quantile_factor(5, float(stats.norm.ppf(0.95)), 0.95), 3) == 4.203


# Paired factors computed with pyCompare 1.5.4, an independent program after Carkeet 2015.
PAIRED = {10: (1.3914554119, 3.7706389427), 17: (1.4899916053, 3.0824098587)}


@pytest.mark.parametrize("n", PAIRED)
def test_paired_factors_against_another_program(n: int) -> None:
    found = [content_factor(n, stats.norm.cdf(1.959964) * 2 - 1, p) for p in (0.025, 0.975)]
    assert found == pytest.approx(PAIRED[n], abs=2e-6)


def test_factors_need_two_values() -> None:
    for factor in (quantile_factor, content_factor):
        with pytest.raises(ValueError, match="at least 2"):
            factor(1, 0.95, 0.95)


@pytest.mark.parametrize("n", [5, 10, 30])
def test_coverage_of_the_limits(n: int) -> None:
    """Nominal within three standard deviations of the simulation, alone and as a pair."""
    samples = 8000
    exact, _, pair = coverage(n, samples)
    assert exact == pytest.approx(0.95, abs=3 * math.sqrt(0.95 * 0.05 / samples))
    assert pair == pytest.approx(0.975, abs=3 * math.sqrt(0.975 * 0.025 / samples))


def test_the_limits_are_made_of_these_factors() -> None:
    """So that the simulation above is one of the whole calculation."""
    sample = np.random.default_rng(4).normal(0.3, 2.0, 9)
    found, mean, sd = agreement([0.0] * 9, list(sample)), sample.mean(), sample.std(ddof=1)
    k = [quantile_factor(9, MULTIPLE, p) for p in (0.025, 0.975)]
    assert found.upper.ci == pytest.approx([mean + k[0] * sd, mean + k[1] * sd])
    assert found.lower.ci == pytest.approx([mean - k[1] * sd, mean - k[0] * sd])
    outer = content_factor(9, 0.95, 0.975) * sd
    assert found.pair_outer == pytest.approx((mean - outer, mean + outer))


def test_lin_on_the_flow_data() -> None:
    """Lin 1989's formula; 0.943 is what R's epiR prints for these data (from memory)."""
    found = concordance(LARGE, MINI)
    assert found is not None
    assert found.value == pytest.approx(0.94274243, abs=1e-8)
    assert found.value == pytest.approx(found.pearson * found.bias_correction, rel=1e-12)
    assert found.pearson == pytest.approx(stats.pearsonr(LARGE, MINI).statistic, rel=1e-12)


def test_coverage_of_lins_interval() -> None:
    """A large-sample interval: 95 % within 2 % at n = 60."""
    rng, n, rho, shift = np.random.default_rng(1989), 60, 0.9, 0.3
    truth = 2 * rho / (2 + shift**2)
    held = 0
    for _ in range(1500):
        x = rng.normal(size=n)
        y = rho * x + math.sqrt(1 - rho**2) * rng.normal(size=n) + shift
        found = concordance(x, y)
        assert found is not None
        assert found.ci is not None
        held += found.ci[0] <= truth <= found.ci[1]
    assert held / 1500 == pytest.approx(0.95, abs=0.02)


@settings(max_examples=40)
@given(pairs)
def test_swapping_the_methods_flips_everything(rows: list[tuple[float, float]]) -> None:
    first, second = [a for a, _ in rows], [b for _, b in rows]
    one, other = agreement(first, second), agreement(second, first)
    near = {"rel": 1e-6, "abs": 1e-6}
    assert other.bias == pytest.approx(-one.bias, **near)
    assert other.lower.value == pytest.approx(-one.upper.value, **near)
    assert other.lower.ci == pytest.approx((-one.upper.ci[1], -one.upper.ci[0]), **near)
    assert one.concordance is not None
    assert other.concordance is not None
    assert other.concordance.value == pytest.approx(one.concordance.value, **near)
    assert one.slope is not None
    assert other.slope is not None
    assert other.slope.per_mean == pytest.approx(-one.slope.per_mean, **near)


@settings(max_examples=40)
@given(pairs, st.floats(-50, 50), st.floats(0.1, 10))
def test_shift_and_scale(rows: list[tuple[float, float]], shift: float, scale: float) -> None:
    """A constant error moves the bias and nothing else; another unit scales everything."""
    first, second = [a for a, _ in rows], [b for _, b in rows]
    one = agreement(first, second)
    near = {"rel": 1e-5, "abs": 1e-5}
    moved = agreement(first, [b + shift for b in second])
    assert moved.bias == pytest.approx(one.bias + shift, **near)
    assert moved.sd == pytest.approx(one.sd, **near)
    assert moved.upper.ci == pytest.approx([edge + shift for edge in one.upper.ci], **near)
    scaled = agreement([scale * a for a in first], [scale * b for b in second])
    assert scaled.upper.ci == pytest.approx([scale * edge for edge in one.upper.ci], **near)
    assert scaled.slope is not None
    assert one.slope is not None
    assert scaled.slope.per_mean == pytest.approx(one.slope.per_mean, **near)


def test_proportional_bias_is_seen() -> None:
    rng = np.random.default_rng(5)
    true = np.linspace(1, 10, 40)
    found = agreement(list(true), list(1.05 * true + rng.normal(0, 0.02, 40)))
    assert found.slope is not None
    assert found.slope.ci[0] < 0.05 / 1.025 < found.slope.ci[1]
    assert found.slope.p < 1e-6


def test_groups_with_a_bias_of_their_own() -> None:
    rng = np.random.default_rng(6)
    true = list(rng.uniform(1, 9, 40))
    groups = ["PQRS"[i % 4] for i in range(40)]
    alike = [t + rng.normal(0, 0.05) for t in true]
    apart = [a + 0.1 * (g == "R") for a, g in zip(alike, groups, strict=True)]
    p_alike, p_apart = (bias_between_groups(true, m, groups) for m in (alike, apart))
    assert p_alike is not None
    assert p_apart is not None
    assert p_apart < 1e-3 < p_alike
    assert bias_between_groups([1, 2], [1, 2.1], ["a", "a"]) is None
    assert bias_between_groups([1, 2], [1, 2.1], ["a", "b"]) is None


def test_small_numbers_are_called_small() -> None:
    found = agreement([1, 2, 3, 4], [1.1, 1.9, 3.2, 4.0])
    assert any("Only 4 pairs" in note for note in found.notes)
    assert not any("pairs" in note for note in agreement(MINI * 3, LARGE * 3).notes)


def test_what_cannot_be_compared() -> None:
    with pytest.raises(StudyError, match="2 pairs"):
        agreement([1, 2], [1, 2.1])
    with pytest.raises(StudyError, match="no spread"):
        agreement([1, 2, 3.3], [1.1, 2.1, 3.4])
    with pytest.raises(ValueError, match="one length"):
        agreement([1, 2, 3], [1, 2])
    assert concordance([1, 1, 1], [2, 2, 2]) is None
