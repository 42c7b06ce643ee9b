"""The guarded decision, against JCGM 106 and by its properties."""

from __future__ import annotations

import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy import integrate, stats

from drawmark.calc.decision import (
    CONFIDENCE,
    acceptance_interval,
    decide,
    probability_of_conformity,
)

u_ml = st.floats(1e-4, 2)
volume = st.floats(0, 60)
permitted = st.floats(0.01, 5)


# --- published examples ---------------------------------------------------------------------


def test_jcgm_106_zener_diode() -> None:
    # JCGM 106:2012, 7.2.2, example 1: upper limit -5.40 V, y = -5.47 V, u = 0.05 V, p = 0.92.
    # Inputs and result from memory, recomputed as Phi(1.4) = 0.91924.
    assert probability_of_conformity(-5.47, 0.05, upper=-5.40) == pytest.approx(0.92, abs=0.005)


def test_jcgm_106_viscosity_grade() -> None:
    # JCGM 106:2012, 7.4, two-sided example: 12.5 to 16.3, y = 13.6, u = 1.8, p = 0.66.
    # Inputs and result from memory, recomputed as 0.66263.
    assert probability_of_conformity(13.6, 1.8, 12.5, 16.3) == pytest.approx(0.66, abs=0.005)


def test_jcgm_106_speed_limit() -> None:
    # JCGM 106:2012, 8.3.3: u_rel = 2 %, 99.9 % sure of excess over 100 from 106.6 (used as 107).
    # From memory, recomputed as 106.588.
    threshold = 106.588
    p = probability_of_conformity(threshold, 0.02 * threshold, upper=100)
    assert 1 - p == pytest.approx(0.999, abs=2e-5)


@pytest.mark.parametrize(
    ("guard", "false_accept"),
    # ILAC-G8:09/2019, table 1 (rounded there to < 50 %, < 2.5 %, < 0.16 %) and ISO 14253-1:2017
    # (95 %); rule names from memory, numbers are tails of the normal distribution.
    [(0.0, 0.5), (2.0, 0.022750132), (1.645, 0.049984906), (3.0, 0.001349898)],
)
def test_largest_risk_at_the_acceptance_limit(guard: float, false_accept: float) -> None:
    p = probability_of_conformity(10 - guard * 0.1, 0.1, upper=10)
    assert 1 - p == pytest.approx(false_accept, rel=1e-5)


def test_guard_band_of_one_sided_95_percent() -> None:
    # With an uncertainty small against the tolerance the guard band is 1.645 u (ISO 14253-1:2017,
    # default; ILAC-G8:09/2019), from memory.
    accepted = acceptance_interval(4.75, 5.25, 0.01)
    assert accepted is not None
    assert accepted[1] == pytest.approx(5.25 - 1.645 * 0.01, abs=1e-5)
    assert accepted[0] == pytest.approx(4.75 + 1.645 * 0.01, abs=1e-5)


# --- against an independent calculation -----------------------------------------------------


@given(volume, u_ml, volume, permitted)
def test_probability_is_the_integral_of_the_density(
    value: float, u: float, target: float, half: float
) -> None:
    lower, upper = target - half, target + half
    # integrate only where there is density, so that the quadrature cannot miss a narrow peak
    a, b = max(lower, value - 9 * u), min(upper, value + 9 * u)
    expected = integrate.quad(stats.norm(value, u).pdf, a, b)[0] if a < b else 0.0
    assert probability_of_conformity(value, u, lower, upper) == pytest.approx(expected, abs=1e-7)


# --- properties -----------------------------------------------------------------------------


@given(volume, u_ml, volume, permitted)
def test_mirror_images_get_one_verdict(value: float, u: float, target: float, half: float) -> None:
    a = decide(value, u, target, half)
    b = decide(2 * target - value, u, target, half)
    assert a.probability_within == pytest.approx(b.probability_within, abs=1e-9)
    if abs(a.probability_within - CONFIDENCE) > 1e-9:
        assume(abs(a.probability_within - (1 - CONFIDENCE)) > 1e-9)
        assert a.verdict == b.verdict


@given(volume, u_ml, volume, permitted)
def test_within_exactly_inside_the_acceptance_interval(
    value: float, u: float, target: float, half: float
) -> None:
    decision = decide(value, u, target, half)
    if decision.acceptance_ml is None:
        assert decision.verdict != "within"
        return
    low, high = decision.acceptance_ml
    assert target - half <= low <= high <= target + half
    assume(min(abs(value - low), abs(value - high)) > 1e-6)
    assert (decision.verdict == "within") == (low < value < high)


@given(volume, u_ml, volume, permitted)
def test_never_within_beyond_a_limit_and_never_outside_between_them(
    value: float, u: float, target: float, half: float
) -> None:
    decision = decide(value, u, target, half)
    low, high = decision.limits_ml
    if not low <= value <= high:
        assert decision.verdict != "within"
    else:
        assert decision.verdict != "outside"


@given(u_ml, volume, permitted, st.floats(0, 5), st.floats(0, 5))
def test_further_from_the_target_is_never_likelier(
    u: float, target: float, half: float, near: float, more: float
) -> None:
    p_near = decide(target + near, u, target, half).probability_within
    p_far = decide(target + near + more, u, target, half).probability_within
    assert p_far <= p_near + 1e-12


@given(volume, volume, permitted, u_ml, st.floats(1.1, 10))
def test_more_uncertainty_never_widens_acceptance(
    value: float, target: float, half: float, u: float, factor: float
) -> None:
    sharp = acceptance_interval(target - half, target + half, u)
    blunt = acceptance_interval(target - half, target + half, u * factor)
    if blunt is not None:
        assert sharp is not None
        assert sharp[0] <= blunt[0] + 1e-9
        assert blunt[1] <= sharp[1] + 1e-9


@given(volume, u_ml, volume, permitted, st.floats(0.01, 100))
def test_the_unit_does_not_matter(
    value: float, u: float, target: float, half: float, scale: float
) -> None:
    a = probability_of_conformity(value, u, target - half, target + half)
    b = probability_of_conformity(
        value * scale, u * scale, (target - half) * scale, (target + half) * scale
    )
    assert a == pytest.approx(b, abs=1e-6)


# --- cases of their own ---------------------------------------------------------------------


def test_no_uncertainty_is_a_plain_comparison() -> None:
    assert decide(5.0, 0, 5, 0.25).verdict == "within"
    assert decide(5.2, 0, 5, 0.25).verdict == "within"
    assert decide(5.3, 0, 5, 0.25).verdict == "outside"
    assert decide(5.0, 0, 5, 0.25).acceptance_ml == (4.75, 5.25)


def test_both_tails_count() -> None:
    # On the target with T = 1.8 u: each tail 3.6 %, so one alone would pass and both do not.
    decision = decide(5, 0.1, 5, 0.18)
    assert decision.probability_within == pytest.approx(0.92814, abs=1e-5)
    assert decision.verdict == "undecided"
    assert decision.acceptance_ml is None


def test_ignorance_is_not_evidence_against() -> None:
    decision = decide(5, 100, 5, 0.25)
    assert decision.probability_within < 0.05
    assert decision.verdict == "undecided"


@pytest.mark.parametrize("bad", [0, -1, math.nan, math.inf])
def test_wrong_calls(bad: float) -> None:
    with pytest.raises(ValueError, match="tolerance_ml"):
        decide(5, 0.1, 5, bad)
    with pytest.raises(ValueError, match="standard_uncertainty"):
        decide(5, -1 if bad == 0 else -abs(bad), 5, 0.25)
    with pytest.raises(ValueError, match=r"value|target"):
        decide(math.nan, 0.1, 5, 0.25)
    with pytest.raises(ValueError, match="lower"):
        probability_of_conformity(5, 0.1, 6, 4)
