"""Bias, spread and their limits: against published tables and examples, and scipy.stats."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from drawmark.calc.trend import (
    ENOUGH,
    MOST_PERIODS,
    Summary,
    change,
    mean_half_width,
    periods,
    share_limits,
    spread_limits,
    summarise,
)

# Bland and Altman 1986, Lancet i, 307-310, table 1: first readings of the two peak flow meters,
# L/min.  Mean difference -2.1, standard deviation 38.8, 95 % limits of the mean -22.0 to 17.8.
LARGE = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
MINI = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]

# NIST/SEMATECH e-Handbook, GEAR.DAT (1.3.5.8): s = 0.0062789, n = 100; 95 % limits and, below,
# the limits of a standard deviation of 1 from n values, as printed in the documentation of
# Boost.Math, "Confidence Intervals on the Standard Deviation".
GEAR = (0.0062789, 100, 0.00551, 0.00729)
LIMITS_OF_ONE = {
    2: (0.4461, 31.9102),
    3: (0.5207, 6.2847),
    5: (0.5991, 2.8736),
    8: (0.6612, 2.0353),
    10: (0.6878, 1.8256),
    20: (0.7605, 1.4606),
    60: (0.8476, 1.2197),
    1000: (0.9580, 1.0459),
}


def test_the_mean_of_a_published_example() -> None:
    differences = [a - b for a, b in zip(LARGE, MINI, strict=True)]
    summary = summarise(differences, [0.0] * 17)
    assert summary.bias == pytest.approx(-2.1, abs=0.05)
    assert summary.spread == pytest.approx(38.8, abs=0.05)
    assert summary.bias_limits == pytest.approx((-22.0, 17.8), abs=0.06)


@pytest.mark.parametrize("n", LIMITS_OF_ONE)
def test_the_limits_of_a_spread_as_published(n: int) -> None:
    assert spread_limits(1.0, n) == pytest.approx(LIMITS_OF_ONE[n], abs=0.00006)


def test_the_limits_of_a_published_spread() -> None:
    s, n, low, high = GEAR
    assert spread_limits(s, n) == pytest.approx((low, high), abs=0.000005)


@pytest.mark.parametrize("n", [2, 5, 17, 200])
def test_the_limits_are_scipys(n: int) -> None:
    assert mean_half_width(2.0, n) == pytest.approx(
        stats.t.interval(0.95, n - 1, scale=2 / math.sqrt(n))[1]
    )
    low, high = stats.chi2.interval(0.95, n - 1)
    assert spread_limits(1.0, n) == pytest.approx(
        (math.sqrt((n - 1) / high), math.sqrt((n - 1) / low))
    )


@pytest.mark.parametrize(("count", "n"), [(0, 1), (1, 1), (0, 9), (7, 9), (9, 9), (50, 200)])
def test_the_limits_of_a_share_are_scipys(count: int, n: int) -> None:
    expected = stats.binomtest(count, n).proportion_ci(0.95, method="exact")
    assert share_limits(count, n) == pytest.approx((expected.low, expected.high))


def test_a_change_is_scipys() -> None:
    chance = np.random.default_rng(1)
    first, last = chance.normal(1, 2, 11), chance.normal(0, 1, 15)
    changed = change(summarise(first, [0.0] * 11), summarise(last, [0.0] * 15))
    expected = stats.ttest_ind(last, first, equal_var=False).confidence_interval(0.95)
    assert changed.bias_limits == pytest.approx((expected.low, expected.high))
    assert changed.bias_difference == pytest.approx(last.mean() - first.mean())
    ratio = last.std(ddof=1) / first.std(ddof=1)
    low, high = stats.f.interval(0.95, 14, 10)
    assert changed.spread_ratio == pytest.approx(ratio)
    assert changed.spread_limits == pytest.approx((ratio / high**0.5, ratio / low**0.5))


def test_the_limits_hold_what_they_promise() -> None:
    # technique with a spread of 2 and a bias of 1, readers' errors independent with u = 1
    chance = np.random.default_rng(7)
    rounds, n = 2000, 12
    held = dict.fromkeys(("bias", "spread", "technique"), 0)
    for _ in range(rounds):
        seen = summarise(1 + chance.normal(0, 2, n) + chance.normal(0, 1, n), [1.0] * n)
        for name, limits, truth in (
            ("bias", seen.bias_limits, 1.0),
            ("spread", seen.spread_limits, math.sqrt(5)),
            ("technique", seen.technique_limits, 2.0),
        ):
            assert limits is not None
            held[name] += limits[0] <= truth <= limits[1]
    # 95 % of 2000 within four standard errors, 4 * sqrt(0.05 * 0.95 / 2000) = 0.0195
    for name, count in held.items():
        assert count / rounds == pytest.approx(0.95, abs=0.0195), name


def test_an_error_common_to_all_readings_is_held_by_the_wider_limits() -> None:
    chance = np.random.default_rng(8)
    rounds, n, held, narrow = 2000, 40, 0, 0
    for _ in range(rounds):
        common = chance.normal(0, 1)
        seen = summarise(common + chance.normal(0, 2, n), [1.0] * n)
        assert seen.bias_limits is not None
        assert seen.bias_limits_with_reader is not None
        narrow += seen.bias_limits[0] <= 0 <= seen.bias_limits[1]
        held += seen.bias_limits_with_reader[0] <= 0 <= seen.bias_limits_with_reader[1]
    assert held / rounds > 0.94
    assert narrow / rounds < 0.6  # why the wider ones are needed


def test_what_cannot_be_told_apart_from_the_reader() -> None:
    summary = summarise([0.1, -0.1, 0.2, -0.2, 0.1, -0.1, 0.2, -0.2], [0.3] * 8)
    assert summary.technique == 0
    assert not summary.technique_shown
    assert not summary.biased


def test_few_values_conclude_nothing() -> None:
    assert summarise([], []) == Summary(0)
    assert summarise([1.5], [0.2]) == Summary(1, 1.5, 0.2)
    alike = summarise([5.0, 5.1] * 3, [0.01] * 6)
    assert alike.few
    assert not alike.biased
    enough = summarise([5.0, 5.1] * 4, [0.01] * 8)
    assert enough.biased
    assert enough.technique_shown


def test_all_the_same() -> None:
    summary = summarise([2.0] * 9, [0.0] * 9)
    assert summary.bias_limits == (2.0, 2.0)
    assert summary.spread_limits == (0.0, 0.0)
    changed = change(summary, summary)
    assert changed.bias_limits == (0.0, 0.0)
    assert changed.spread_ratio is None
    assert not changed.spread_changed


@given(st.integers(0, 3000))
def test_periods_are_in_order_and_leave_nobody_out(n: int) -> None:
    cut = periods(n)
    assert [i for s in cut for i in range(n)[s]] == list(range(n))
    assert len(cut) <= MOST_PERIODS
    if len(cut) > 1:
        sizes = [len(range(n)[s]) for s in cut]
        assert min(sizes) >= ENOUGH
        assert max(sizes) - min(sizes) <= 1


@pytest.mark.parametrize(
    ("deviations", "uncertainties"),
    [([1.0], []), ([math.nan], [0.1]), ([1.0], [math.inf]), ([1.0], [-0.1])],
)
def test_a_wrong_call(deviations: list[float], uncertainties: list[float]) -> None:
    with pytest.raises(ValueError, match="uncertaint"):
        summarise(deviations, uncertainties)
    with pytest.raises(ValueError, match="two values"):
        change(summarise([1.0], [0.1]), summarise([1.0, 2.0], [0.1, 0.1]))
