"""The calculation against published values; each has its source and standing in the data file.

tests/data/published.json says for every item where it comes from and whether the value was seen
in a public text or is from memory.  Each item goes through the project's own code; a new item
without a check here fails.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from scipy import integrate, optimize, stats
from uncertainties import correlated_values, correlation_matrix, ufloat, umath

from drawmark.calc.concentration import (
    alligation,
    dissolve,
    drug_first_concentration,
    ratio_outcomes,
    stock_volume_ml,
    volume_for_dose_ml,
)
from drawmark.calc.decision import probability_of_conformity
from drawmark.calc.measuring import budget, nominal, standard_uncertainty
from drawmark.calc.notation import (
    AmbiguousRatioError,
    parse_amount,
    parse_concentration,
    parse_one_in,
    safe_form,
)
from drawmark.calc.preparation import plan_dilute, plan_draw, plan_powder
from drawmark.calc.quantities import registry
from drawmark.calc.syringe import Syringe, capacity_tolerance_ml

Values = dict[str, Any]
CHECKS = json.loads((Path(__file__).parent / "data" / "published.json").read_text("utf-8"))[
    "checks"
]

ONE_ML = Syringe(1, 1, 0.01)


def mg_per_ml(value: float) -> Any:
    return registry().Quantity(value, "milligram / milliliter")


def in_mg_per_ml(concentration: Any) -> float:
    return float(concentration.to("milligram / milliliter").magnitude)


def syringe_tolerance(given: Values) -> Values:
    return {"tol_ml": capacity_tolerance_ml(given["nominal_ml"], given["expelled_ml"])}


def gum_h1(given: Values) -> Values:
    """End gauge: first-order, the project's budget gives the contributions."""
    standard = ufloat(given["l_s_nm"], given["u_ls_nm"], "standard")
    difference = ufloat(given["d_nm"], given["u_d_nm"], "comparison")
    delta_alpha = ufloat(0, given["u_delta_alpha"], "expansion")
    theta = given["theta_bar_c"]
    delta_theta = ufloat(0, given["u_delta_theta_c"], "temperature")
    length = (
        standard + difference - standard * (delta_alpha * theta + given["alpha_s"] * delta_theta)
    )
    parts = budget(length)
    contributions = [parts[k] for k in ("standard", "comparison", "expansion", "temperature")]
    uc = standard_uncertainty(length)
    nu = uc**4 / sum(c**4 / n for c, n in zip(contributions, given["dof"], strict=True))
    k99 = stats.t.ppf(0.995, math.floor(nu))
    return {
        "l_nm": nominal(length),
        "contrib_nm": contributions,
        "uc_nm": uc,
        "nu_eff": math.floor(nu),
        "k99": k99,
        "U99_nm": k99 * uc,
    }


def gum_h2(given: Values) -> Values:
    """Resistance and reactance from correlated voltage, current and phase."""
    u = (given["u_V"], given["u_I"], given["u_phi"])
    r = ((1, "r_VI", "r_Vphi"), ("r_VI", 1, "r_Iphi"), ("r_Vphi", "r_Iphi", 1))
    covariance = [
        [(given[r[i][j]] if isinstance(r[i][j], str) else 1) * u[i] * u[j] for j in range(3)]
        for i in range(3)
    ]
    volt, ampere, phi = correlated_values(
        (given["V_volt"], given["I_amp"], given["phi_rad"]), covariance
    )
    results = {
        "R": volt / ampere * umath.cos(phi),
        "X": volt / ampere * umath.sin(phi),
        "Z": volt / ampere,
    }
    found: Values = {name: nominal(value) for name, value in results.items()}
    found |= {f"u_{name}": standard_uncertainty(value) for name, value in results.items()}
    matrix = correlation_matrix(list(results.values()))
    return found | {"r_RX": matrix[0][1], "r_RZ": matrix[0][2], "r_XZ": matrix[1][2]}


def conformity(given: Values) -> Values:
    if given["kind"] == "upper":
        p = probability_of_conformity(given["y"], given["u"], upper=given["limit"])
    else:
        p = probability_of_conformity(given["y"], given["u"], given["lower"], given["upper"])
    return {"p_conform": p}


def speed_limit(given: Values) -> Values:
    """The speed from which the limit is exceeded with the wanted probability."""

    def too_likely(speed: float) -> float:
        within = probability_of_conformity(speed, given["u_rel"] * speed, upper=given["limit"])
        return within - (1 - given["p_nonconform"])

    threshold = optimize.brentq(too_likely, given["limit"], 2 * given["limit"])
    return {"threshold": threshold, "threshold_rounded_up": math.ceil(threshold)}


def joint_risk(given: Values) -> Values:
    """Consumer's and producer's risk of a process; acceptance is conformity with +-A."""
    process = stats.norm(given["process_mean"], given["u0"])
    a, t = given["A"], given["T"]

    def density(true: float, accepted: bool) -> float:
        p = probability_of_conformity(true, given["um"], -a, a)
        return float(process.pdf(true)) * (p if accepted else 1 - p)

    far = t + 10 * given["u0"]
    consumer = 2 * integrate.quad(density, t, far, args=(True,), epsabs=1e-12)[0]
    producer = integrate.quad(density, -t, t, args=(False,), epsabs=1e-12)[0]
    return {"consumer_risk_joint": consumer, "producer_risk_joint": producer}


def guard_band(given: Values) -> Values:
    """The risk of a value accepted at the guarded limit: the limit is 0, u is 1."""
    w = given["guard_in_units_of_u"]
    return {"max_specific_false_accept": 1 - probability_of_conformity(-w, 1, upper=0)}


def powder(given: Values) -> Values:
    plan = plan_powder(
        parse_amount(f"{given['mass_mg']} mg"),
        given["diluent_ml"],
        displacement_ml=given["displacement_ml"],
        dose=parse_amount(f"{given['dose_mg']} mg"),
    )
    return {
        "total_ml": plan.final_volume_ml,
        "conc_mg_ml": in_mg_per_ml(plan.final_concentration),
        "draw_ml": plan.draw_ml,
    }


def powder_ignored(given: Values) -> Values:
    amount, dose = parse_amount(f"{given['mass_mg']} mg"), parse_amount(f"{given['dose_mg']} mg")
    true = dissolve(amount, given["diluent_ml"], given["displacement_ml"])
    nominal_solution = dissolve(amount, given["diluent_ml"], None)
    ignored_ml = volume_for_dose_ml(dose, nominal_solution.concentration)
    got_mg = in_mg_per_ml(true.concentration) * ignored_ml
    return {
        "draw_correct_ml": volume_for_dose_ml(dose, true.concentration),
        "draw_if_ignored_ml": ignored_ml,
        "dose_if_ignored_mg": got_mg,
        "rel_error": got_mg / given["dose_mg"] - 1,
    }


def ratio_strength(given: Values) -> Values:
    strength = parse_concentration(given["form"])
    return {
        "mg_per_ml": in_mg_per_ml(strength),
        "mcg_per_ml": float(strength.to("microgram / milliliter").magnitude),
    }


def percent_strength(given: Values) -> Values:
    return {"mg_per_ml": in_mg_per_ml(parse_concentration(f"{given['percent_wv']} %"))}


def ratio_meaning(given: Values) -> Values:
    """Either meaning of 1:10, for a drug part of `take_ml`."""
    with pytest.raises(AmbiguousRatioError) as caught:
        parse_one_in("1:10")
    index = 0 if "total" in given["meaning"] else 1
    reading = caught.value.readings[index]
    final_ml = given["take_ml"] * reading.one_in
    outcome = ratio_outcomes((reading,), mg_per_ml(given["conc_mg_ml"]), final_ml)[0]
    assert outcome.drug_ml == pytest.approx(given["take_ml"])
    return {
        "add_ml": outcome.diluent_ml,
        "final_ml": final_ml,
        "conc_mg_ml": in_mg_per_ml(outcome.concentration),
    }


def small_dilution(given: Values) -> Values:
    one_in = given["final_ml"] / given["take_ml"]
    plan = plan_dilute(mg_per_ml(given["stock_mg_ml"]), given["final_ml"], one_in=one_in)
    assert plan.draw_ml == pytest.approx(given["take_ml"])
    return {"conc_mg_ml": in_mg_per_ml(plan.final_concentration)}


def dead_space(given: Values) -> Values:
    stock, space = mg_per_ml(given["stock_mg_ml"]), given["dead_space_ml"]
    assert space == ONE_ML.band.dead_space_ml
    made = in_mg_per_ml(
        drug_first_concentration(stock, given["marked_ml"], space, given["final_marked_ml"])
    )
    meant = given["stock_mg_ml"] * given["marked_ml"] / given["final_marked_ml"]
    actual_ml = given["final_marked_ml"] + space
    return {
        "drug_mg": made * actual_ml,
        "final_actual_ml": actual_ml,
        "conc_mg_ml": made,
        "rel_error_vs_0p1": made / meant - 1,
    }


def dilution_equation(given: Values) -> Values:
    stock, target = mg_per_ml(given["c1_mg_ml"]), mg_per_ml(given["c2_mg_ml"])
    v1 = stock_volume_ml(stock, target, given["v2_ml"])
    plan = plan_dilute(stock, given["v2_ml"], target=target)
    assert plan.draw_ml == pytest.approx(v1)
    assert plan.stages[0].action == "draw-diluent"
    return {"v1_ml": v1, "diluent_ml": plan.stages[0].volume_in_syringe_ml}


def mixture(given: Values) -> Values:
    parts = alligation(*(mg_per_ml(given[k]) for k in ("high", "low", "target")), given["final_ml"])
    return {"high_ml": parts.strong_ml, "low_ml": parts.weak_ml}


def units_to_ml(given: Values) -> Values:
    plan = plan_draw(
        parse_concentration(f"{given['units_per_ml']} units/mL"),
        dose=parse_amount(f"{given['units']} units"),
    )
    return {"ml": plan.draw_ml}


def printed_doses(given: Values) -> Values:
    return {"safe": [safe_form(text) for text in given["values"]]}


# By the longest beginning of the item's name that is listed here.
HANDLERS: dict[str, Callable[[Values], Values]] = {
    "iso7886_": syringe_tolerance,
    "gum_h1": gum_h1,
    "gum_h2": gum_h2,
    "jcgm106_": conformity,
    "jcgm106_speed": speed_limit,
    "risk_": joint_risk,
    "guard_": guard_band,
    "recon_": powder,
    "recon_ignored_error": powder_ignored,
    "ratio_": ratio_strength,
    "pct_": percent_strength,
    "dil_1_": ratio_meaning,
    "dil_0p1ml": small_dilution,
    "dil_dead_space": dead_space,
    "c1v1": dilution_equation,
    "alligation": mixture,
    "units_": units_to_ml,
    "print_doses": printed_doses,
}


def handler_of(name: str) -> Callable[[Values], Values]:
    return HANDLERS[max((k for k in HANDLERS if name.startswith(k)), key=len)]


@pytest.mark.parametrize("check", CHECKS, ids=[c["id"] for c in CHECKS])
def test_published_value(check: Values) -> None:
    found = handler_of(check["id"])(check["inputs"])
    tolerance = check["tolerance"]
    for key, expected in check["expected"].items():
        if tolerance is None:  # text, exactly
            assert found[key] == expected, check["source"]
            continue
        within = tolerance[key] if isinstance(tolerance, dict) else tolerance
        assert found[key] == pytest.approx(expected, abs=within, rel=0), (key, check["source"])


def test_every_item_says_where_it_comes_from() -> None:
    for check in CHECKS:
        assert check["source"].strip()
        assert isinstance(check["verified"], bool)
    names = [check["id"] for check in CHECKS]
    assert len(set(names)) == len(names)
    assert len(names) >= 45


def test_every_handler_has_an_item() -> None:
    used = {handler_of(check["id"]) for check in CHECKS}
    assert used == set(HANDLERS.values())
