"""The strength made, from readings before and after: what cancels, and what does not."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drawmark.calc.impossible import ImpossibleError
from drawmark.calc.measured import Seen, is_shared, measure_dilution
from drawmark.calc.measuring import CAPACITY_SHARE
from drawmark.calc.notation import parse_concentration, print_concentration
from drawmark.calc.syringe import Syringe

TEN_ML = Syringe(10, 10, 0.2)
OWN = (("tick fit", 0.006), ("fiducial edge", 0.01), ("image blur", 0.004))
WALL = ("wall thickness and refraction", 0.02)


def seen(liquid_ml: float, *sources: tuple[str, float]) -> Seen:
    return Seen(liquid_ml, sources or (*OWN, WALL), TEN_ML)


def test_strength_from_two_readings() -> None:
    made = measure_dilution(seen(9.02), seen(10.05))
    assert made.drug_ml == pytest.approx(1.03)
    assert made.share == pytest.approx(1.03 / 10.05)
    strength = made.concentration(parse_concentration("10 mg/mL"))
    assert print_concentration(strength) == "1.025 mg/mL"


def test_without_the_barrel_only_the_photographs_count() -> None:
    # by hand: share = 1 - V1/V2; own sources independent, the wall's the same in both
    v1, v2 = 8.0, 10.0
    own2, wall = sum(u * u for _, u in OWN), WALL[1]
    by_hand = math.sqrt(own2 / v2**2 + own2 * v1**2 / v2**4 + (wall * (-1 / v2 + v1 / v2**2)) ** 2)
    made = measure_dilution(seen(v1), seen(v2), capacity_errors=False)
    assert made.share_standard_uncertainty == pytest.approx(by_hand, rel=1e-9)
    # the wall drops out of the drug volume altogether
    assert made.drug_standard_uncertainty_ml == pytest.approx(math.sqrt(2 * own2), rel=1e-9)
    total2 = own2 + wall**2
    assert made.correlation == pytest.approx(wall**2 / total2, rel=1e-9)


def test_treating_the_readings_as_independent_would_be_wrong() -> None:
    made = measure_dilution(seen(5.0), seen(10.0))
    # independent: u(share)^2 = (V1/V2)^2 (r1^2 + r2^2), with the same single uncertainties
    u1 = u2 = made.final_standard_uncertainty_ml
    independent = 0.5 * math.hypot(u1 / 5, u2 / 10)
    assert made.correlation > 0.5
    assert made.share_standard_uncertainty < 0.8 * independent


def test_scale_error_is_in_the_drug_and_not_in_the_share() -> None:
    made = measure_dilution(seen(5.0), seen(10.0))
    assert made.budget.get("barrel: scale (ISO 7886-1)", 0.0) < 1e-12
    assert made.drug_standard_uncertainty_ml > 5 * 0.04 / math.sqrt(3)
    total = math.sqrt(sum(u * u for u in made.budget.values()))
    assert total == pytest.approx(made.share_standard_uncertainty)


def test_monte_carlo_agrees() -> None:
    # JCGM 101: each cause drawn once and used wherever it acts
    rng = np.random.default_rng(7)
    n = 400_000

    def box(half_width: float) -> Any:
        return rng.uniform(-half_width, half_width, n)

    line = CAPACITY_SHARE * 10 / math.sqrt(2)
    own = math.sqrt(sum(u * u for _, u in OWN))
    scale, zero, wall = 1 + box(0.04), box(line), rng.normal(0, WALL[1], n)
    before = (8 + rng.normal(0, own, n) + wall) * scale + box(line) - zero
    after = (10 + rng.normal(0, own, n) + wall) * scale + box(line) - zero
    share = (after - before) / (after + box(TEN_ML.band.dead_space_ml))
    made = measure_dilution(seen(8.0), seen(10.0))
    assert made.share_standard_uncertainty == pytest.approx(float(share.std()), rel=0.02)


@given(st.floats(0.5, 9.0), st.floats(0.3, 5.0), st.floats(0.5, 2.0))
def test_verdict_follows_the_share(before: float, drug: float, factor: float) -> None:
    made = measure_dilution(seen(before), seen(before + drug), capacity_errors=False)
    decision = made.check(made.share * factor, 0.1)
    assert decision.deviation_ml == pytest.approx(made.share * (1 - factor), abs=1e-9)
    far = abs(1 - factor) / factor
    if decision.verdict == "within":
        assert far < 0.1
    if decision.verdict == "outside":
        assert far > 0.1


def test_sharp_photographs_of_a_right_and_a_wrong_dilution() -> None:
    right = measure_dilution(seen(5.0), seen(10.0), capacity_errors=False)
    wrong = measure_dilution(seen(4.0), seen(10.0), capacity_errors=False)
    assert right.check(0.5, 0.05).verdict == "within"
    assert wrong.check(0.5, 0.05).verdict == "outside"


def test_sources_that_belong_to_the_barrel() -> None:
    assert is_shared("wall thickness and refraction")
    assert is_shared("Refraction")
    assert not is_shared("tick fit")


@pytest.mark.parametrize(
    ("before", "after", "code"),
    [
        (seen(9.0), Seen(10.0, OWN, Syringe(20, 20, 1)), "different-syringes"),
        (seen(10.0), seen(9.0), "no-drug-drawn"),
        (seen(9.0), seen(9.0), "no-drug-drawn"),
    ],
)
def test_pairs_that_measure_nothing(before: Seen, after: Seen, code: str) -> None:
    with pytest.raises(ImpossibleError) as caught:
        measure_dilution(before, after)
    assert caught.value.code == code
