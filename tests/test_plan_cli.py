"""`drawmark plan`: what it prints, what it refuses, and that it never falls over."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_notation import error_prone
from typer.testing import CliRunner

from drawmark.cli.app import app

if TYPE_CHECKING:
    from click.testing import Result

KEYS = {
    "stages",
    "draw_ml",
    "air_to_inject_ml",
    "expel_ml",
    "final_volume_ml",
    "final_concentration",
    "final_concentration_value",
    "final_concentration_unit",
    "relative_uncertainty",
    "syringe",
    "warnings",
    "label",
    "advisory",
}
DRAW = ("draw", "--concentration", "20 mg/mL", "--dose", "30 mg")
POWDER = ("powder", "--amount", "250 mg", "--diluent", "4.8 mL", "--displacement", "0.2 mL")
DILUTE = ("dilute", "--concentration", "10 mg/mL", "--one-in", "10", "--final-volume", "10 mL")


def plan(*arguments: str) -> Result:
    return CliRunner().invoke(app, ["plan", *arguments])


def record(*arguments: str) -> dict[str, Any]:
    result = plan(*arguments, "--json")
    assert result.exit_code == 0, result.output
    found: dict[str, Any] = json.loads(result.stdout)
    return found


@pytest.mark.parametrize("arguments", [DRAW, POWDER, (*POWDER, "--dose", "50 mg"), DILUTE])
def test_machine_readable_plan(arguments: tuple[str, ...]) -> None:
    found = record(*arguments)
    assert found.keys() >= KEYS
    assert found["advisory"] is True
    assert found["relative_uncertainty"] > 0
    for stage in found["stages"]:
        assert stage.keys() >= {"action", "text", "volume_in_syringe_ml", "check"}
    assert any(stage["check"] for stage in found["stages"])
    assert found["syringe"].keys() >= {"capacity_ml", "interval_ml"}


def test_the_numbers_of_each_kind() -> None:
    draw = record(*DRAW)
    assert (draw["draw_ml"], draw["air_to_inject_ml"], draw["expel_ml"]) == (1.5, 1.5, 0)
    assert draw["final_concentration"] == "20 mg/mL"
    opened = record(*DRAW, "--container", "opened")
    assert opened["air_to_inject_ml"] == 0
    powder = record(*POWDER, "--dose", "50 mg")
    assert (powder["final_volume_ml"], powder["draw_ml"]) == (5, 1)
    assert powder["final_concentration_value"] == pytest.approx(50)
    assert record(*POWDER)["draw_ml"] is None
    dilute = record(*DILUTE, "--prefilled", "10mL")
    assert (dilute["expel_ml"], dilute["draw_ml"], dilute["final_volume_ml"]) == (1, 1, 10)
    assert (dilute["final_concentration_value"], dilute["final_concentration_unit"]) == (
        1,
        "mg/mL",
    )
    assert {p["kind"] for p in dilute["proposals"]} == {"smaller-syringe", "two-step-dilution"}


def test_one_in_and_the_strength_are_one_plan() -> None:
    by_step = record(*DILUTE)
    by_strength = record(
        *("dilute", "--concentration", "1 %", "--to-concentration", "1 in 1000"),
        *("--final-volume", "10 mL"),
    )
    by_strength["relative_uncertainty"] = by_step["relative_uncertainty"]
    assert by_strength["stages"] == by_step["stages"]
    assert by_strength["final_concentration"] == by_step["final_concentration"]


def test_molar_mass() -> None:
    found = record(
        *("draw", "--concentration", "0.9 %", "--dose", "0.154 mmol"),
        *("--molar-mass", "58.44 g/mol"),
    )
    assert found["draw_ml"] == pytest.approx(1, rel=1e-3)  # 154 mmol/L


def test_printed_plan_has_stages_warnings_and_cautions() -> None:
    text = plan(*DILUTE, "--agent", "Veldrane").stdout
    assert text.startswith("Veldrane: 10 mg in 10 mL, 1 mg/mL\n")
    assert "1. Draw 9 mL of diluent" in text
    assert "[photograph: 10 ± 0.1 mL]" in text
    assert "Warning: Drawing 1 mL" in text
    assert "Better: " in text
    assert "never for a patient" in text
    assert "second person" in text
    assert "Local policy" in text
    # short: the cautions are three lines, not a wall
    assert len(text.split("its own tolerance comes on top.\n")[1].strip().splitlines()) == 3


@pytest.mark.parametrize("arguments", [DRAW, POWDER, (*POWDER, "--dose", "37 mg"), DILUTE])
def test_printed_plans_have_no_error_prone_form(arguments: tuple[str, ...]) -> None:
    text = plan(*arguments, "--agent", "Veldrane").stdout
    for line in text.splitlines():
        for sentence in re.split(r"[.:;](?:\s|$)", line):
            assert not error_prone(sentence), sentence


# --- 1:N ---------------------------------------------------------------------------------


def test_a_ratio_is_answered_with_both_meanings() -> None:
    result = plan(*DILUTE[:4], "1:10", *DILUTE[5:])
    assert result.exit_code == 2
    assert result.stdout == ""
    assert "two meanings" in result.stderr
    assert "1 part in 10 parts in total: 1 mL of drug, 9 mL of diluent, 1 mg/mL" in result.stderr
    assert "0.9091 mL of drug, 9.091 mL of diluent, 0.9091 mg/mL" in result.stderr


def test_a_ratio_is_answered_with_both_meanings_as_data() -> None:
    result = plan("draw", "--concentration", "1:1000", "--dose", "1 mg", "--json")
    assert result.exit_code == 2
    found = json.loads(result.stdout)
    assert found["status"] == "ambiguous"
    first, second = found["readings"]
    assert (first["one_in"], first["concentration"], first["draw_ml"]) == (1000, "1 mg/mL", 1)
    assert (second["one_in"], second["draw_ml"]) == (1001, pytest.approx(1.001))


@pytest.mark.parametrize(
    "arguments",
    [
        ("dilute", "--concentration", "1:1000", "--one-in", "10", "--final-volume", "10 mL"),
        ("dilute", "--concentration", "1:1000", "--one-in", "1:10", "--final-volume", "10 mL"),
        ("dilute", "--concentration", "1 %", "--one-in", "1/10", "--final-volume", "10 mL"),
        ("dilute", "--concentration", "oops", "--one-in", "1:10", "--final-volume", "10 mL"),
        (
            *("dilute", "--concentration", "1 %", "--to-concentration", "1:1000"),
            *("--final-volume", "10 mL"),
        ),
        ("draw", "--concentration", "1:1000", "--dose", "5 units"),
    ],
)
def test_nothing_is_assumed_wherever_the_ratio_stands(arguments: tuple[str, ...]) -> None:
    result = plan(*arguments)
    assert result.exit_code == 2
    assert result.stdout == ""
    assert "Traceback" not in result.stderr


# --- what can't be done ------------------------------------------------------------------

IMPOSSIBLE = {
    "more than the container holds": (*DRAW, "--container-volume", "1 mL"),
    "dose of zero": (*DRAW[:4], "0 mg"),
    "negative dose": (*DRAW[:4], "-3 mg"),
    "dose in other units": (*DRAW[:4], "30 units"),
    "moles without a molar mass": (*DRAW[:4], "3 mmol"),
    "dose without a unit": (*DRAW[:4], "30"),
    "neither dose nor volume": DRAW[:3],
    "both dose and volume": (*DRAW, "--volume", "2 mL"),
    "zero volume": (*DRAW[:3], "--volume", "0 mL"),
    "more than any syringe": (*DRAW[:3], "--volume", "2 L"),
    "more than this syringe": (*DRAW, "--syringe", "1mL/0.01mL"),
    "no syringe": (*DRAW, "--syringe", "big"),
    "no tolerance": (*DRAW, "--tolerance", "close"),
    "containers without a volume": (*DRAW, "--containers", "2"),
    "no molar mass": (*DRAW, "--molar-mass", "58"),
    "no date": (*DRAW, "--prepared", "tomorrow"),
    "no class": (*DRAW, "--drug-class", "sweets"),
    "no class for an antagonist": (*DRAW, "--antagonist"),
    "name too long": (*DRAW, "--agent", "x" * 80),
    "label in no folder": (*DRAW, "--label-file", "/nowhere/at/all/label.svg"),
    "dose above the powder": (*POWDER, "--dose", "300 mg"),
    "two displacements": (*POWDER, "--displacement-per-gram", "1 mL"),
    "grams of units": (
        *("powder", "--amount", "500 units", "--diluent", "5 mL"),
        *("--displacement-per-gram", "1 mL"),
    ),
    "amount of nothing": ("powder", "--amount", "0 g", "--diluent", "5 mL"),
    "target above the stock": (*DILUTE[:3], "--to-concentration", "5 %", *DILUTE[5:]),
    "target is the stock": (*DILUTE[:3], "--to-concentration", "1 %", *DILUTE[5:]),
    "target in other units": (*DILUTE[:3], "--to-concentration", "5 units/mL", *DILUTE[5:]),
    "one in one": (*DILUTE[:4], "1", *DILUTE[5:]),
    "neither step nor strength": (*DILUTE[:3], *DILUTE[5:]),
    "both step and strength": (*DILUTE, "--to-concentration", "1 mg/mL"),
    "too little in the ampoule": (*DILUTE, "--container-volume", "0.5 mL"),
    "prefilled beyond the scale": (*DILUTE, "--prefilled", "12 mL", "--syringe", "10mL/0.2mL"),
    "final beyond the scale": (*DILUTE[:-1], "12 mL", "--syringe", "10mL/0.2mL"),
    "nothing to measure": (*DILUTE[:4], "999999999999", *DILUTE[5:]),
}


def test_every_impossible_request_has_its_own_sentence() -> None:
    sentences: dict[str, str] = {}
    for name, arguments in IMPOSSIBLE.items():
        result = plan(*arguments)
        assert result.exit_code == 2, (name, result.output)
        assert result.stdout == "", name
        lines = result.stderr.strip().splitlines()
        assert len(lines) == 1, (name, lines)
        assert lines[0].startswith("drawmark: "), name
        assert "Traceback" not in result.output
        sentences[name] = lines[0]
    assert len(set(sentences.values())) == len(IMPOSSIBLE)


@pytest.mark.parametrize("name", ["more than the container holds", "negative dose", "no class"])
def test_refusals_are_data_too(name: str) -> None:
    result = plan(*IMPOSSIBLE[name], "--json")
    assert result.exit_code == 2
    found = json.loads(result.stdout)
    assert found["status"] == "error"
    assert found["message"] in result.stderr


@pytest.mark.parametrize("kind", ["draw", "powder", "dilute"])
def test_a_bare_call_is_a_usage_error(kind: str) -> None:
    assert plan(kind).exit_code == 2


typed = st.text(max_size=15) | st.from_regex(
    r"-?[0-9.]{1,9} ?(mg|mL|units|%|mg/mL)", fullmatch=True
)


@settings(max_examples=60, deadline=None)
@given(typed, typed, typed)
def test_whatever_is_typed_it_never_falls_over(first: str, second: str, third: str) -> None:
    for arguments in (
        ("draw", f"--concentration={first}", f"--dose={second}", f"--syringe={third}"),
        ("dilute", f"--concentration={first}", f"--one-in={second}", f"--final-volume={third}"),
        ("powder", f"--amount={first}", f"--diluent={second}", f"--dose={third}"),
    ):
        result = plan(*arguments)
        assert result.exit_code in (0, 2), (arguments, result.output)
        assert result.exception is None or isinstance(result.exception, SystemExit)


# --- the label ---------------------------------------------------------------------------


def test_label_as_text_and_as_a_picture(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    arguments = (*DRAW, "--agent", "Veldrane", "--label", "--prepared", "2030-01-31 14:05")
    first = plan(*arguments).stdout
    assert "  | 30 mg in 1.5 mL" in first
    assert "  | Prepared 2030-01-31 14:05" in first
    assert "stay free" in first
    plan(*arguments)
    # a picture that is there is never overwritten by one that nobody named
    assert sorted(p.name for p in tmp_path.iterdir()) == ["label-2.svg", "label.svg"]
    assert (tmp_path / "label.svg").read_text("utf-8").startswith("<svg ")


def test_label_goes_where_it_is_told(tmp_path: Path) -> None:
    target = tmp_path / "mine.svg"
    result = plan(*DRAW, "--label", "--label-file", str(target))
    assert f"Picture: {target}" in result.stdout
    assert target.exists()


def test_label_as_data_writes_no_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    found = record(*DRAW, "--agent", "Veldrane", "--label", "--initials", "AB")
    assert found["label"][0] == "Veldrane"
    assert found["label"][4] == "Initials AB  Checked ____"
    assert found["label_svg"].startswith("<svg ")
    assert list(tmp_path.iterdir()) == []
