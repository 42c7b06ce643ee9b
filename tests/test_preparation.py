"""The preparation: accounts balance, uncertainties hold, and what can't be done is said."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from test_notation import error_prone
from uncertainties import ufloat

from drawmark.calc.choice import (
    CATALOGUE,
    between_lines,
    choose,
    expected_relative_error,
    parse_syringe,
)
from drawmark.calc.concentration import diluted, stock_volume_ml, volume_for_dose_ml
from drawmark.calc.impossible import ImpossibleError
from drawmark.calc.measuring import (
    CAPACITY_SHARE,
    Barrel,
    budget,
    diluted_in_barrel,
    relative_expanded,
    setting_uncertainty_ml,
    single_volume,
    standard_uncertainty,
)
from drawmark.calc.notation import parse_amount, parse_concentration, parse_molar_mass
from drawmark.calc.preparation import (
    Plan,
    Source,
    plan_dilute,
    plan_draw,
    plan_powder,
    strength_text,
)
from drawmark.calc.quantities import QuantityError
from drawmark.calc.stages import Account
from drawmark.calc.syringe import Syringe, capacity_standard_uncertainty_ml
from drawmark.calc.tolerance import Tolerance

TEN_ML = Syringe(10, 10, 0.2)
STOCK = parse_concentration("10 mg/mL")


def number(quantity: Any, unit: str) -> float:
    return float(quantity.to(unit).magnitude)


def codes(plan: Plan) -> set[str]:
    return {warning.code for warning in plan.warnings}


# --- straight draw -----------------------------------------------------------------------


def test_sealed_container_takes_as_much_air_as_fluid_comes_out() -> None:
    plan = plan_draw(parse_concentration("20 mg/mL"), dose=parse_amount("30 mg"))
    assert plan.draw_ml == pytest.approx(1.5)
    assert plan.air_to_inject_ml == plan.draw_ml
    assert [s.action for s in plan.stages] == ["draw-air", "inject-air", "draw", "label"]
    assert [s.volume_in_syringe_ml for s in plan.stages] == [1.5, 0, 1.5, 1.5]
    assert [s.check for s in plan.stages] == [False, False, True, False]


def test_opened_container_takes_no_air() -> None:
    plan = plan_draw(STOCK, volume_ml=2.0, source=Source(sealed=False))
    assert plan.air_to_inject_ml == 0
    assert [s.action for s in plan.stages] == ["draw", "label"]
    assert number(plan.amount, "mg") == pytest.approx(20)


def test_molar_mass_takes_moles_to_grams() -> None:
    # NaCl, 58.44 g/mol (CRC Handbook): 154 mmol in 1 L of 0.9 % w/v, common pharmacy knowledge
    volume = volume_for_dose_ml(
        parse_amount("154 mmol"), parse_concentration("0.9 %"), parse_molar_mass("58.44 g/mol")
    )
    assert volume == pytest.approx(1000, rel=1e-4)


def test_too_small_a_volume_gets_a_way_out_with_numbers() -> None:
    plan = plan_draw(parse_concentration("20 mg/mL"), dose=parse_amount("1 mg"))
    assert plan.draw_ml == pytest.approx(0.05)
    assert "too-small-to-measure" in codes(plan)
    assert "dead-space" in codes(plan)
    (proposal,) = plan.proposals
    assert proposal.kind == "dilute-first"
    assert proposal.meets_tolerance
    n = proposal.numbers
    # the proposed volume of the proposed dilution holds the dose
    assert n["draw_ml"] / n["one_in"] * 20 == pytest.approx(1)
    assert n["stock_ml"] * n["one_in"] == pytest.approx(n["made_up_to_ml"])


def test_too_large_a_syringe_gets_a_smaller_one() -> None:
    plan = plan_draw(STOCK, volume_ml=0.8, syringe=Syringe(50, 50, 1))
    (proposal,) = plan.proposals
    assert proposal.kind == "smaller-syringe"
    assert proposal.numbers["capacity_ml"] == 1
    assert proposal.relative_uncertainty < plan.relative_uncertainty / 5


# --- powder ------------------------------------------------------------------------------


def test_displacement_per_gram_is_that_of_the_whole_powder() -> None:
    amount = parse_amount("250 mg")
    whole = plan_powder(amount, 5, displacement_ml=0.2)
    per_gram = plan_powder(amount, 5, displacement_ml_per_gram=0.8)
    assert whole.final_volume_ml == per_gram.final_volume_ml == pytest.approx(5.2)
    assert not whole.nominal
    assert whole.draw_ml is None
    assert whole.labelled == "container"


def test_without_displacement_the_strength_is_nominal_and_bounded() -> None:
    plan = plan_powder(parse_amount("1 g"), 10)
    assert plan.nominal
    assert strength_text(plan) == "100 mg/mL (nominal)"
    (warning,) = [w for w in plan.warnings if w.code == "nominal-concentration"]
    assert "9.1 % weaker" in warning.message  # 1 mL displaced: 1 g in 11 mL, 1/11 less
    # the bound holds for every displacement up to 1 mL per gram
    for displacement in (0.1, 0.5, 1.0):
        true = plan_powder(parse_amount("1 g"), 10, displacement_ml=displacement)
        loss = 1 - number(true.final_concentration / plan.final_concentration, "dimensionless")
        assert 0 < loss <= 1 / 11 + 1e-12


def test_units_of_powder_have_no_bound_and_say_so() -> None:
    plan = plan_powder(parse_amount("500 units"), 5)
    (warning,) = [w for w in plan.warnings if w.code == "nominal-concentration"]
    assert "don't tell" in warning.message


def test_dose_from_the_same_syringe_shares_its_bore() -> None:
    # Diluent and dose measured in one barrel: a bore too wide makes the solution too weak and
    # the dose too large, and the two cancel; in two syringes they don't.
    same = plan_powder(
        parse_amount("100 mg"), 10, dose=parse_amount("100 mg"), syringe=TEN_ML, displacement_ml=0.0
    )
    apart = math.sqrt(2) * expected_relative_error(TEN_ML, 10)
    assert same.relative_uncertainty < 0.6 * apart


# --- dilution ----------------------------------------------------------------------------


def test_prefilled_syringe_expels_draws_and_ends() -> None:
    plan = plan_dilute(STOCK, 10, one_in=10, prefilled_ml=10)
    assert (plan.expel_ml, plan.draw_ml, plan.final_volume_ml) == (1, 1, 10)
    assert [(s.action, s.volume_in_syringe_ml) for s in plan.stages] == [
        ("expel", 9),
        ("draw-drug", 10),
        ("mix", 10),
        ("label", 10),
    ]
    assert strength_text(plan) == "1 mg/mL"


@pytest.mark.parametrize(
    ("prefilled", "action", "expelled"),
    [(None, "draw-diluent", 0), (4, "draw-diluent", 0), (5, "verify", 0), (8, "expel", 3)],
)
def test_every_start_comes_to_the_same_mark(
    prefilled: float | None, action: str, expelled: float
) -> None:
    plan = plan_dilute(STOCK, 10, one_in=2, prefilled_ml=prefilled)
    assert plan.stages[0].action == action
    assert plan.stages[0].volume_in_syringe_ml == 5
    assert plan.expel_ml == expelled
    assert plan.stages[0].check
    assert plan.stages[0].tolerance_ml == pytest.approx(0.5)  # 10 % of the drug, not of the mark


def test_diluent_goes_in_before_the_drug() -> None:
    plan = plan_dilute(STOCK, 10, one_in=4)
    assert [s.action for s in plan.stages[:2]] == ["draw-diluent", "draw-drug"]


def test_drug_is_never_thrown_away() -> None:
    account = Account(TEN_ML)
    account.draw_stock(1, "drug", 0.1)
    with pytest.raises(ValueError, match="throw drug away"):
        account.expel_diluent(0.5, "expel", 0.1)


def test_small_share_gets_two_ways_out() -> None:
    plan = plan_dilute(STOCK, 10, one_in=10)
    assert plan.relative_uncertainty > 0.2
    assert "too-small-to-measure" in codes(plan)
    kinds = {p.kind: p for p in plan.proposals}
    assert set(kinds) == {"smaller-syringe", "two-step-dilution"}
    two = kinds["two-step-dilution"].numbers
    assert two["first_one_in"] * two["second_one_in"] == pytest.approx(10)
    assert two["first_draw_ml"] * two["first_one_in"] == pytest.approx(two["first_volume_ml"])
    assert two["second_draw_ml"] * two["second_one_in"] == pytest.approx(10)
    assert two["second_draw_ml"] <= two["first_volume_ml"]
    for proposal in plan.proposals:
        assert proposal.meets_tolerance
        assert proposal.relative_uncertainty < plan.relative_uncertainty


def test_mark_between_lines_names_the_nearest() -> None:
    plan = plan_dilute(STOCK, 10, one_in=8)
    assert "between-lines" in codes(plan)  # 8.75 mL on a scale of 0.2 mL


def test_container_warnings() -> None:
    plan = plan_dilute(STOCK, 10, one_in=4, source=Source(False, 1.0, 3))
    assert "several-containers" in codes(plan)
    plan = plan_dilute(STOCK, 10, one_in=10, source=Source(False, 1.0))
    assert "whole-container" in codes(plan)


# --- what can't be done, each with a sentence of its own ------------------------------------

IMPOSSIBLE = {
    "container-too-small": lambda: plan_draw(STOCK, volume_ml=6, source=Source(True, 5)),
    "over-capacity": lambda: plan_draw(STOCK, volume_ml=11, syringe=TEN_ML),
    "no-syringe-holds-it": lambda: plan_draw(STOCK, volume_ml=80),
    "incompatible-units": lambda: plan_draw(STOCK, dose=parse_amount("5 units")),
    "target-above-stock": lambda: plan_dilute(STOCK, 10, target=parse_concentration("2 %")),
    "target-is-stock": lambda: plan_dilute(STOCK, 10, target=parse_concentration("1 %")),
    "dose-above-content": lambda: plan_powder(
        parse_amount("1 g"), 10, dose=parse_amount("1100 mg")
    ),
    "displacement-per-gram-without-mass": lambda: plan_powder(
        parse_amount("500 units"), 5, displacement_ml_per_gram=0.5
    ),
    "prefilled-over-capacity": lambda: plan_dilute(
        STOCK, 10, one_in=2, prefilled_ml=12, syringe=TEN_ML
    ),
    "nothing-to-measure": lambda: plan_dilute(STOCK, 1, one_in=1e12),
}


def test_every_impossible_request_has_its_own_sentence() -> None:
    sentences = {}
    for code, ask in IMPOSSIBLE.items():
        with pytest.raises(ImpossibleError) as caught:
            ask()
        assert caught.value.code == code
        sentences[code] = str(caught.value)
    assert len(set(sentences.values())) == len(IMPOSSIBLE)
    for sentence in sentences.values():
        assert sentence.endswith(".")
        assert "\n" not in sentence


def test_units_that_do_not_go_together() -> None:
    with pytest.raises(ImpossibleError, match="factor of that product"):
        plan_draw(parse_concentration("100 units/mL"), dose=parse_amount("5 mg"))
    with pytest.raises(ImpossibleError, match="molar mass"):
        plan_draw(STOCK, dose=parse_amount("5 mmol"))
    with pytest.raises(ImpossibleError, match="same kind"):
        plan_dilute(STOCK, 10, target=parse_concentration("1 unit/mL"))


def test_the_number_of_containers_needed_is_said() -> None:
    with pytest.raises(ImpossibleError, match="3 containers would be needed"):
        plan_draw(STOCK, volume_ml=15, source=Source(True, 5))
    plan_draw(STOCK, volume_ml=15, source=Source(True, 5, 3))


@pytest.mark.parametrize(
    "call",
    [
        lambda: plan_draw(STOCK),
        lambda: plan_draw(STOCK, volume_ml=1, dose=parse_amount("1 mg")),
        lambda: plan_dilute(STOCK, 10),
        lambda: plan_dilute(STOCK, 10, one_in=1),
        lambda: plan_powder(parse_amount("1 g"), 5, displacement_ml=1, displacement_ml_per_gram=1),
    ],
)
def test_wrong_calls(call: Any) -> None:
    with pytest.raises(ValueError, match=r"exactly one|above 1|not both"):
        call()


# --- properties --------------------------------------------------------------------------

volumes = st.floats(0.2, 50).map(lambda v: round(v, 3))
steps = st.floats(1.05, 200).map(lambda v: round(v, 3))
strengths = st.floats(0.01, 500).map(lambda v: round(v, 4))
UNITS = ("milligram / milliliter", "activity_unit / milliliter", "millimole / milliliter")


@settings(max_examples=60, deadline=None)
@given(strengths, st.sampled_from(UNITS), steps, volumes, st.none() | st.floats(0.1, 50))
def test_mass_is_conserved_over_all_stages(
    strength: float, unit: str, one_in: float, final_ml: float, prefilled_ml: float | None
) -> None:
    from drawmark.calc.quantities import registry

    stock = registry().Quantity(strength, unit)
    plan = plan_dilute(stock, final_ml, one_in=one_in, prefilled_ml=prefilled_ml)
    drawn = expelled = 0.0
    held = prefilled_ml or 0.0
    for stage in plan.stages:
        now = stage.volume_in_syringe_ml
        if stage.action == "expel":
            expelled += held - now
        else:
            drawn += now - held
        held = now
        # drug on board is what left the containers, at every stage
        assert stage.contents.stock_ml == pytest.approx(stage.stock_used_ml, abs=1e-9)
        assert now >= 0
    assert held == pytest.approx(final_ml, abs=1e-8)
    assert (prefilled_ml or 0.0) + drawn - expelled == pytest.approx(final_ml, abs=1e-8)
    assert expelled == pytest.approx(plan.expel_ml, abs=1e-8)
    in_syringe = strength * plan.stages[-1].contents.stock_ml
    assert number(plan.final_concentration, unit) * final_ml == pytest.approx(in_syringe, rel=1e-6)
    assert float(plan.amount.magnitude) == pytest.approx(in_syringe, rel=1e-6)


@settings(max_examples=60, deadline=None)
@given(strengths, steps, volumes)
def test_a_dilution_and_its_inverse(strength: float, one_in: float, final_ml: float) -> None:
    from drawmark.calc.quantities import registry

    stock = registry().Quantity(strength, "milligram / milliliter")
    weaker = diluted(stock, one_in)
    assert stock_volume_ml(stock, weaker, final_ml) * one_in == pytest.approx(final_ml)
    # going by the step and going by the strength is one plan
    by_step = plan_dilute(stock, final_ml, one_in=one_in)
    by_strength = plan_dilute(stock, final_ml, target=weaker)
    assert by_step.draw_ml == pytest.approx(by_strength.draw_ml, abs=2e-9)
    assert by_step.relative_uncertainty == pytest.approx(by_strength.relative_uncertainty, rel=1e-4)
    # two steps are one step of their product
    assert number(diluted(weaker, 3.0), "mg/mL") == pytest.approx(
        number(diluted(stock, 3.0 * one_in), "mg/mL")
    )


@settings(max_examples=60, deadline=None)
@given(strengths, st.floats(0.05, 45).map(lambda v: round(v, 3)))
def test_the_unit_typed_changes_nothing(strength: float, volume_ml: float) -> None:
    from drawmark.calc.quantities import registry

    ureg = registry()
    dose_mg = strength * volume_ml
    plans = [
        plan_draw(
            ureg.Quantity(strength * factor, f"{unit} / {per}"),
            dose=ureg.Quantity(dose_mg * other, dose_unit),
        )
        for factor, unit, per, other, dose_unit in (
            (1, "milligram", "milliliter", 1, "milligram"),
            (1000, "microgram", "milliliter", 1e-3, "gram"),
            (1, "gram", "liter", 1000, "microgram"),
        )
    ]
    for plan in plans[1:]:
        assert plan.draw_ml == pytest.approx(plans[0].draw_ml, abs=2e-9)
        assert plan.relative_uncertainty == pytest.approx(plans[0].relative_uncertainty, rel=1e-6)


@settings(max_examples=60, deadline=None)
@given(st.floats(0.02, 50))
def test_the_smallest_syringe_that_holds_it(volume_ml: float) -> None:
    chosen = choose(volume_ml, 0.1).syringe
    assert chosen.graduated_max_ml >= volume_ml * (1 - 1e-9)
    smaller = [s for s in CATALOGUE if s.capacity_ml < chosen.capacity_ml]
    assert all(s.graduated_max_ml < volume_ml for s in smaller)


@settings(max_examples=40, deadline=None)
@given(steps, volumes, st.sampled_from(["5%", "10%", "25%"]))
def test_nothing_error_prone_in_a_printed_plan(one_in: float, final_ml: float, tol: str) -> None:
    assume(final_ml / one_in > 0.01)
    tolerance = Tolerance("percent", float(tol.rstrip("%")))
    plans = (
        plan_dilute(STOCK, final_ml, one_in=one_in, tolerance=tolerance),
        plan_draw(STOCK, volume_ml=final_ml / one_in, tolerance=tolerance),
    )
    for plan in plans:
        for text in (
            *(s.text for s in plan.stages),
            *(w.message for w in plan.warnings),
            *(p.text for p in plan.proposals),
        ):
            # sentences end with a point after their unit, which is not a dose's point
            assert not error_prone(text.rstrip(".").replace("mL. ", "mL ")), text


# --- uncertainty -------------------------------------------------------------------------


def test_one_volume_has_the_limit_of_the_standard_as_a_rectangle() -> None:
    # JCGM 100, 4.3.7: half-width over root 3; ISO 7886-1: 4 mL from 10 mL, +-0.19 mL
    u = standard_uncertainty(single_volume(TEN_ML, 4))
    assert u == pytest.approx(math.hypot(0.19 / math.sqrt(3), 0.1 / math.sqrt(3)))


@pytest.mark.parametrize("syringe", CATALOGUE, ids=lambda s: f"{s.capacity_ml:g} mL")
def test_the_split_of_the_limit_agrees_with_the_limit(syringe: Syringe) -> None:
    # as the module's docstring says: -8 % to +25 % of the table's limit for one volume
    for tenth in range(1, 101):
        volume = syringe.capacity_ml * tenth / 100
        barrel = Barrel(syringe)
        split = standard_uncertainty(barrel.mark(volume).since(barrel.mark(0)))
        # the zero line is a line of its own here, as for any pair of marks
        ratio = split / capacity_standard_uncertainty_ml(syringe.capacity_ml, volume)
        assert 0.92 <= ratio <= 1.26, (volume, ratio)


def test_scale_error_cancels_in_the_share() -> None:
    barrel = Barrel(TEN_ML)
    share = diluted_in_barrel(barrel, 5, 10)
    causes = budget(share)
    assert causes.get("barrel: scale (ISO 7886-1)", 0.0) < 1e-12
    assert math.sqrt(sum(u * u for u in causes.values())) == pytest.approx(
        standard_uncertainty(share)
    )
    drug = barrel.set_to(10).since(barrel.set_to(5))
    assert budget(drug)["barrel: scale (ISO 7886-1)"] == pytest.approx(5 * 0.04 / math.sqrt(3))


def test_common_mark_is_counted_once() -> None:
    # V2 - V1 over V2, by hand (JCGM 100, 5.1.2, with x = V1/V2 the only combination left):
    # d(share) = -dV1/V2 + V1 dV2/V2^2, each mark with its line and setting, the zero in both,
    # and the dead space in the denominator
    start, final = 7.0, 10.0
    line2 = (CAPACITY_SHARE * 10) ** 2 / 6
    mark2 = line2 + setting_uncertainty_ml(TEN_ML) ** 2
    dead = TEN_ML.band.dead_space_ml / math.sqrt(3)
    by_hand = math.sqrt(
        mark2 / final**2
        + mark2 * start**2 / final**4
        + line2 * (1 / final - start / final**2) ** 2
        + (dead * (final - start) / final**2) ** 2
    )
    share = diluted_in_barrel(Barrel(TEN_ML), start, final)
    assert standard_uncertainty(share) == pytest.approx(by_hand, rel=1e-9)


@pytest.mark.parametrize(("start", "final"), [(5.0, 10.0), (7.5, 10.0), (2.0, 8.0), (9.0, 10.0)])
def test_linear_propagation_agrees_with_monte_carlo(start: float, final: float) -> None:
    # JCGM 101: distributions propagated as they are; agreement to 3 % is ample for two digits
    rng = np.random.default_rng(101)
    n = 400_000

    def box(half_width: float) -> Any:
        return rng.uniform(-half_width, half_width, n)

    band, half = TEN_ML.band, TEN_ML.interval_ml / 2
    scale = 1 + box(band.upper_slope)
    line = CAPACITY_SHARE * 10 / math.sqrt(2)
    zero = box(line)
    v1 = (start + box(half)) * scale + box(line) - zero
    v2 = (final + box(half)) * scale + box(line) - zero
    dead = box(band.dead_space_ml)
    share = (v2 - v1) / (v2 + dead)
    linear = diluted_in_barrel(Barrel(TEN_ML), start, final)
    assert standard_uncertainty(linear) == pytest.approx(float(share.std()), rel=0.03)
    assert float(share.mean()) == pytest.approx(linear.nominal_value, rel=0.01)


@pytest.mark.parametrize(
    ("one_in", "one_barrel", "own_syringe"),
    # the table of docs/preparation.md, percent, k = 2
    [(2, 4.1, 7.1), (4, 8.6, 7.9), (5, 10.9, 8.1), (10, 22.7, 7.6), (20, 46.5, 7.7)],
)
def test_figures_of_the_documentation(one_in: int, one_barrel: float, own_syringe: float) -> None:
    plan = plan_dilute(STOCK, 10, one_in=one_in, syringe=TEN_ML, tolerance=Tolerance("percent", 1))
    assert 100 * plan.relative_uncertainty == pytest.approx(one_barrel, abs=0.05)
    small = choose(10 / one_in, 1.0).syringe
    whole = single_volume(TEN_ML, 10) + Barrel(TEN_ML).dead_space
    apart = relative_expanded(single_volume(small, 10 / one_in) / whole)
    assert 100 * apart == pytest.approx(own_syringe, abs=0.05)


def test_dead_space_is_the_rms_of_a_one_sided_unknown() -> None:
    # between 0 and d with nothing else known: mean d/2, sd d/sqrt(12); about zero d/sqrt(3)
    d = TEN_ML.band.dead_space_ml
    rms = math.sqrt((d / 2) ** 2 + d**2 / 12)
    assert standard_uncertainty(Barrel(TEN_ML).dead_space) == pytest.approx(rms)


def test_a_value_of_zero_has_no_relative_uncertainty() -> None:
    with pytest.raises(ValueError, match="zero"):
        relative_expanded(ufloat(0, 1))


# --- syringes ----------------------------------------------------------------------------


def test_syringe_by_its_last_line_and_step() -> None:
    assert parse_syringe("10mL/0.2mL") == TEN_ML
    assert parse_syringe("12 mL / 0.2 mL") == Syringe(10, 12, 0.2)


@pytest.mark.parametrize(
    "text",
    ["10mL", "10/0.2", "0.2mL/10mL", "10mL/0.3mL", "10mL/", "ten/one", "0mL/0mL", "10mL/1uL"],
)
def test_no_syringe(text: str) -> None:
    with pytest.raises(QuantityError):
        parse_syringe(text)


def test_lines() -> None:
    assert between_lines(TEN_ML, 9) is None
    assert between_lines(TEN_ML, 9.13) == pytest.approx(9.2)
    assert between_lines(TEN_ML, 9.4) is None
    assert between_lines(TEN_ML, 0.6000000001) is None
    assert between_lines(TEN_ML, 0.01) == pytest.approx(0.2)
