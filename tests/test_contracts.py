"""The machine-readable forms: other programs run against these names and types."""

from __future__ import annotations

import json
import math

import pytest
from drawn_syringe import make_reading, make_refusal

from drawmark.calc.tolerance import parse_tolerance
from drawmark.cli.verdict import check_outcome
from drawmark.vision import as_record
from drawmark.vision.model import REFUSALS

READ_FIELDS = {
    "photo": str,
    "status": str,
    "reasons": list,
    "capacity_ml": float,
    "interval_ml": float,
    "graduated_max_ml": float,
    "volume_ml": float,
    "standard_uncertainty_ml": float,
    "expanded_uncertainty_ml": float,
    "coverage_factor": int,
    "air_ml": float,
    "air_expanded_uncertainty_ml": float,
    "liquid_ml": float,
    "budget": list,
    "zero_line_px": list,
    "fiducial_line_px": list,
    "advisory": bool,
    "schema": int,
}
CODES = {
    "not-an-image",
    "image-too-large",
    "image-too-small",
    "no-syringe",
    "several-syringes",
    "scale-not-visible",
    "scale-ambiguous",
    "scale-cut-off",
    "plunger-not-visible",
    "plunger-cut-off",
    "too-blurred",
    "glare",
    "tilt-too-large",
    "contradicts-given-syringe",
}


def through_json(record: dict[str, object]) -> dict[str, object]:
    return json.loads(json.dumps(record, allow_nan=False))


def test_a_reading() -> None:
    record = through_json(as_record("a b.jpg", make_reading(4.983, 0.021, 0.1, 0.01)))
    assert {name: type(value) for name, value in record.items()} == READ_FIELDS
    assert record["photo"] == "a b.jpg"
    assert record["status"] == "read"
    assert record["reasons"] == []
    assert record["coverage_factor"] == 2
    assert record["advisory"] is True
    assert record["schema"] == 1
    assert record["liquid_ml"] == pytest.approx(4.883)
    assert record["expanded_uncertainty_ml"] == pytest.approx(0.042)
    assert [set(item) for item in record["budget"]] == [{"source", "standard_uncertainty_ml"}] * 2
    combined = math.hypot(*(item["standard_uncertainty_ml"] for item in record["budget"]))
    assert combined == pytest.approx(record["standard_uncertainty_ml"], abs=2e-6)
    assert [len(record[name]) for name in ("zero_line_px", "fiducial_line_px")] == [2, 2]


@pytest.mark.parametrize("code", sorted(CODES))
def test_a_refusal(code: str) -> None:
    record = through_json(as_record("p.jpg", make_refusal(code)))
    assert set(record) == {"photo", "status", "reasons", "advisory", "schema"}
    assert record["status"] == "refused"
    (reason,) = record["reasons"]
    assert set(reason) == {"code", "message", "remedy"}
    assert reason["code"] == code
    assert reason["message"].endswith(".")
    assert reason["remedy"].endswith(".")


def test_the_codes_are_those_agreed() -> None:
    assert set(REFUSALS) == CODES


@pytest.mark.parametrize(
    ("volume_ml", "verdict", "exit_status"),
    [(4.98, "within", 0), (5.5, "outside", 1), (5.24, "undecided", 3)],
)
def test_a_check(volume_ml: float, verdict: str, exit_status: int) -> None:
    check = check_outcome(
        "p.jpg", make_reading(volume_ml), target_ml=5.0, tolerance=parse_tolerance("5%")
    )
    record = through_json(check.record())
    assert record["reading"] == as_record("p.jpg", make_reading(volume_ml))
    assert record["target_ml"] == 5.0
    assert record["tolerance_ml"] == pytest.approx(0.25)
    assert record["deviation_ml"] == pytest.approx(volume_ml - 5)
    assert record["verdict"] == verdict
    assert 0 <= record["probability_within"] <= 1
    assert bool(record["suggestions"]) == (verdict == "outside")
    for suggestion in record["suggestions"]:
        assert set(suggestion) == {
            "code",
            "question",
            "predicted_deviation_ml",
            "likelihood_ratio",
            "probability",
        }
    assert record["advisory"] is True
    assert "JCGM 106" in record["decision"]["rule"]
    assert record["decision"]["compared"] == "liquid"
    assert check.exit_status == exit_status


def test_a_check_of_a_refused_photograph() -> None:
    check = check_outcome(
        "p.jpg", make_refusal("glare"), target_ml=5.0, tolerance=parse_tolerance("1 interval")
    )
    record = through_json(check.record())
    assert record["verdict"] == "refused"
    assert record["reading"]["status"] == "refused"
    assert record["target_ml"] == 5.0
    for name in ("tolerance_ml", "deviation_ml", "probability_within", "decision"):
        assert record[name] is None, name
    assert check.exit_status == 4


def test_the_check_looks_at_the_liquid() -> None:
    # 5.4 mL at the line of which 0.4 mL is air: drawn to the wrong line, yet 5 mL of liquid
    check = check_outcome(
        "p.jpg", make_reading(5.4, 0.02, 0.4, 0.02), target_ml=5, tolerance=parse_tolerance("5%")
    )
    assert check.verdict == "within"
    assert check.record()["deviation_ml"] == pytest.approx(0)


def test_the_uncertainty_of_the_air_counts() -> None:
    sharp = make_reading(5.4, 0.02, 0.4, 0.0)
    vague = make_reading(5.4, 0.02, 0.4, 0.5)
    tolerance = parse_tolerance("5%")
    assert check_outcome("p", sharp, target_ml=5, tolerance=tolerance).verdict == "within"
    assert check_outcome("p", vague, target_ml=5, tolerance=tolerance).verdict == "undecided"


def test_the_syringes_own_permitted_error_is_counted_only_when_asked() -> None:
    def uncertainty(include: bool) -> float:
        check = check_outcome(
            "p",
            make_reading(4.0, 0.02),
            target_ml=4,
            tolerance=parse_tolerance("1 mL"),
            include_syringe_tolerance=include,
        )
        assert check.record()["decision"]["syringe_tolerance_included"] is include
        return check.record()["decision"]["standard_uncertainty_ml"]

    assert uncertainty(False) == pytest.approx(0.02)
    # ISO 7886-1: 0.19 mL for 4 mL from a 10 mL syringe (see test_syringe.py), rectangular
    assert uncertainty(True) == pytest.approx(math.hypot(0.02, 0.19 / math.sqrt(3)), abs=1e-6)


@pytest.mark.parametrize(
    ("text", "tolerance_ml"), [("1 interval", 0.5), ("iso", 0.2), ("0.1 mL", 0.1), ("10%", 0.5)]
)
def test_a_tolerance_takes_its_size_from_the_syringe_read(text: str, tolerance_ml: float) -> None:
    check = check_outcome("p", make_reading(), target_ml=5, tolerance=parse_tolerance(text))
    assert check.tolerance_ml == pytest.approx(tolerance_ml)
