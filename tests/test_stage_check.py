"""`drawmark check` after a plan: one stage, or the strength from before and after."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from drawn_syringe import make_reading, make_refusal
from typer.testing import CliRunner

from drawmark.cli.app import app

if TYPE_CHECKING:
    from collections.abc import Callable

    from click.testing import Result

    Say = Callable[..., None]

DILUTE = ("--concentration", "10 mg/mL", "--one-in", "2", "--final-volume", "10mL")


def run(*arguments: object) -> Result:
    return CliRunner().invoke(app, [str(a) for a in arguments])


def saved_plan(folder: Path, *arguments: str, syringe: str = "10mL/0.5mL") -> Path:
    result = run("plan", *(arguments or ("dilute", *DILUTE)), "--syringe", syringe, "--json")
    assert result.exit_code == 0, result.output
    path = folder / "plan.json"
    path.write_text(result.stdout, encoding="utf-8")
    return path


@pytest.fixture
def pair(photo: Path) -> tuple[Path, Path]:
    before, after = photo.with_name("before.jpg"), photo.with_name("after.jpg")
    before.write_bytes(photo.read_bytes())
    after.write_bytes(photo.read_bytes())
    return before, after


def one_line(result: Result, words: str) -> None:
    assert result.exit_code == 2, result.output
    assert words in result.stderr
    assert len(result.stderr.strip().splitlines()) == 1
    assert "Traceback" not in result.output


# --- one stage ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("stage", "seen_ml", "verdict", "status"),
    [
        (1, 5.02, "within", 0),
        (1, 6.2, "outside", 1),
        (2, 10.0, "within", 0),
        (1, 5.5, "undecided", 3),
    ],
)
def test_stage_is_held_against_its_own_volume(
    photo: Path, reader_says: Say, stage: int, seen_ml: float, verdict: str, status: int
) -> None:
    plan = saved_plan(photo.parent)
    reader_says(make_reading(seen_ml, 0.02))
    result = run("check", photo, "--plan", plan, "--stage", stage, "--json", "--no-picture")
    record = json.loads(result.stdout)
    assert record["verdict"] == verdict
    assert result.exit_code == status
    assert record["stage"] == stage
    assert record["tolerance_ml"] == pytest.approx(0.5)  # 10 % of the 5 mL of drug
    assert record["note"] is None


def test_typed_tolerance_goes_before_the_plan(photo: Path, reader_says: Say) -> None:
    plan = saved_plan(photo.parent)
    reader_says(make_reading(5.2, 0.02))
    arguments = ("check", photo, "--plan", plan, "--stage", 1, "--no-picture")
    assert run(*arguments).exit_code == 0
    assert run(*arguments, "--tolerance", "0.1mL").exit_code == 1


def test_another_syringe_than_planned_is_said(photo: Path, reader_says: Say) -> None:
    plan = saved_plan(photo.parent, syringe="20mL/1mL")
    reader_says(make_reading(5.0, 0.02))
    result = run("check", photo, "--plan", plan, "--stage", 1, "--no-picture")
    assert "Note: the plan is for a 20 mL syringe" in result.stdout
    assert "Stage 1 of the plan" in result.stdout


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--stage", "1"), "--stage needs --plan"),
        (("--plan", "PLAN"), "--plan needs --stage"),
        (("--plan", "PLAN", "--stage", "9"), "stages 1 to 4"),
        (("--plan", "PLAN", "--stage", "0"), "stages 1 to 4"),
        (("--plan", "PLAN", "--stage", "3"), "the ones that do: 1, 2"),
        (("--plan", "PLAN", "--stage", "1", "--target", "5mL"), "contradict"),
        (("--plan", "gone.json", "--stage", "1"), "does not exist"),
        (("--target", "5mL"), "--tolerance is missing"),
        (("--tolerance", "5%"), "--target is missing"),
        (("--target", "5mL", "--tolerance", "5%", "--concentration", "2 %"), "go with --before"),
    ],
)
def test_what_does_not_go_together(photo: Path, arguments: tuple[str, ...], words: str) -> None:
    plan = saved_plan(photo.parent)
    one_line(run("check", photo, *(plan if a == "PLAN" else a for a in arguments)), words)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "not json",
        "[]",
        "{}",
        '{"stages": []}',
        '{"schema": 99, "stages": [{}]}',
        '{"schema": 1, "stages": [{}]}',
        '{"schema": 1, "stages": [7]}',
        '{"schema": 1, "stages": [{"check": true, "text": "x", "volume_in_syringe_ml": "5"}]}',
        '{"schema": 1, "stages": [{"check": true, "text": "x", "volume_in_syringe_ml": NaN}]}',
        "[" * 100_000,
    ],
)
def test_damaged_plans(photo: Path, text: str) -> None:
    plan = photo.with_name("plan.json")
    plan.write_text(text, encoding="utf-8")
    one_line(run("check", photo, "--plan", plan, "--stage", 1), "plan can't be used")


def test_a_photograph_is_no_plan(photo: Path) -> None:
    one_line(run("check", photo, "--plan", photo, "--stage", 1), "is not a plan")


# --- before and after --------------------------------------------------------------------


def test_strength_made_from_two_photographs(pair: tuple[Path, Path], reader_says: Say) -> None:
    before, after = pair
    plan = saved_plan(before.parent)
    reader_says(make_reading(5.0, 0.02), make_reading(10.1, 0.02))
    result = run(
        "check", "--before", before, "--after", after, "--plan", plan, "--json", "--no-picture"
    )
    assert result.exit_code == 0, result.output
    record: dict[str, Any] = json.loads(result.stdout)
    assert record["drug_ml"] == pytest.approx(5.1)
    assert record["concentration_value"] == pytest.approx(10 * 5.1 / 10.1)
    assert record["concentration_unit"] == "mg/mL"
    assert record["relative_deviation"] == pytest.approx(5.1 / 10.1 / 0.5 - 1, abs=1e-6)
    assert record["verdict"] == "within"
    assert record["relative_uncertainty"] < record["relative_uncertainty_with_syringe"]
    total = sum(item["relative_standard_uncertainty"] ** 2 for item in record["budget"]) ** 0.5
    assert 2 * total == pytest.approx(record["relative_uncertainty"], rel=1e-4)
    assert record["before"]["photo"] == str(before)


@pytest.mark.parametrize(
    ("start_ml", "u_ml", "verdict", "status"),
    [(5.0, 0.02, "WITHIN", 0), (3.0, 0.02, "OUTSIDE", 1), (4.5, 0.2, "UNDECIDED", 3)],
)
def test_verdicts_of_a_strength(
    pair: tuple[Path, Path],
    reader_says: Say,
    start_ml: float,
    u_ml: float,
    verdict: str,
    status: int,
) -> None:
    before, after = pair
    reader_says(make_reading(start_ml, u_ml), make_reading(10.0, u_ml))
    result = run(
        *("check", "--before", before, "--after", after, "--concentration", "1 %"),
        *("--to-concentration", "5 mg/mL", "--tolerance", "10%"),
    )
    assert result.exit_code == status, result.output
    assert result.stdout.startswith(verdict)
    assert "5 mg/mL ± 10 %, from 10 mg/mL" in result.stdout
    assert "the strength conforms" in result.stdout
    assert before.with_name("before.read.jpg").exists()


def test_the_syringe_counts_when_asked(pair: tuple[Path, Path], reader_says: Say) -> None:
    before, after = pair
    arguments = (
        *("check", "--before", before, "--after", after, "--concentration", "10 mg/mL"),
        *("--to-concentration", "1 mg/mL", "--tolerance", "10%", "--no-picture"),
    )
    reader_says(make_reading(9.0, 0.01), make_reading(10.0, 0.01))
    assert run(*arguments).exit_code == 0
    reader_says(make_reading(9.0, 0.01), make_reading(10.0, 0.01))
    assert run(*arguments, "--include-syringe-tolerance").exit_code == 3


def test_air_is_not_drug(pair: tuple[Path, Path], reader_says: Say) -> None:
    before, after = pair
    plan = saved_plan(before.parent)
    reader_says(make_reading(5.0), make_reading(10.3, 0.02, 0.3, 0.01))
    result = run(
        "check", "--before", before, "--after", after, "--plan", plan, "--json", "--no-picture"
    )
    assert json.loads(result.stdout)["drug_ml"] == pytest.approx(5.0)


def test_doubt_about_air_is_doubt_about_the_drug(pair: tuple[Path, Path], reader_says: Say) -> None:
    before, after = pair
    plan = saved_plan(before.parent)
    arguments = ("check", "--before", before, "--after", after, "--plan", plan, "--no-picture")
    found = []
    for u_air in (0.0, 0.1):
        reader_says(make_reading(5.0), make_reading(10.3, 0.02, 0.3, u_air))
        record = json.loads(run(*arguments, "--json").stdout)
        found.append(record["drug_expanded_uncertainty_ml"] / 2)
    assert found[1] ** 2 - found[0] ** 2 == pytest.approx(0.1**2, rel=1e-3)


def test_one_refused_photograph_refuses_the_pair(pair: tuple[Path, Path], reader_says: Say) -> None:
    before, after = pair
    plan = saved_plan(before.parent)
    arguments = ("check", "--before", before, "--after", after, "--plan", plan, "--no-picture")
    reader_says(make_reading(5.0), make_refusal("glare"))
    result = run(*arguments)
    assert result.exit_code == 4
    assert "after.jpg was refused" in result.stdout
    reader_says(make_reading(5.0), make_refusal("glare"))
    record = json.loads(run(*arguments, "--json").stdout)
    assert record["verdict"] == "refused"
    assert record["before"]["status"] == "read"
    assert record["after"]["status"] == "refused"


def test_swapped_photographs(pair: tuple[Path, Path], reader_says: Say) -> None:
    before, after = pair
    plan = saved_plan(before.parent)
    reader_says(make_reading(10.0), make_reading(5.0))
    arguments = ("check", "--before", before, "--after", after, "--plan", plan, "--no-picture")
    one_line(run(*arguments), "swapped")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--before", "B"), "go together"),
        (("--before", "B", "--after", "A"), "need --plan"),
        (("--before", "B", "--after", "A", "--plan", "DRAW"), "this plan is none"),
        (("--before", "B", "--after", "gone.jpg", "--plan", "PLAN"), "does not exist"),
        (("--before", "B", "--after", "A", "--plan", "PLAN", "--tolerance", "1mL"), "percentage"),
        (("--before", "B", "--after", "A", "--plan", "PLAN", "--stage", "1"), "stand alone"),
        (("B", "--before", "B", "--after", "A", "--plan", "PLAN"), "stand alone"),
        (
            (
                *("--before", "B", "--after", "A", "--concentration", "1 %"),
                *("--to-concentration", "2 %", "--tolerance", "10%"),
            ),
            "stronger than the stock",
        ),
        (
            (
                *("--before", "B", "--after", "A", "--concentration", "1:100"),
                *("--to-concentration", "2 %", "--tolerance", "10%"),
            ),
            "two meanings",
        ),
    ],
)
def test_pairs_that_do_not_go_together(
    pair: tuple[Path, Path], tmp_path_factory: Any, arguments: tuple[str, ...], words: str
) -> None:
    names = {
        "B": pair[0],
        "A": pair[1],
        "PLAN": saved_plan(pair[0].parent),
        "DRAW": saved_plan(
            tmp_path_factory.mktemp("draw"), "draw", "--concentration", "2 %", "--volume", "5mL"
        ),
    }
    one_line(run("check", *(names.get(a, a) for a in arguments)), words)
