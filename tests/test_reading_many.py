"""Many photographs at once, in processes of their own: order, refusals, and a process that dies."""

from __future__ import annotations

import json
import os
from typing import TYPE_CHECKING

import pytest
from typer.testing import CliRunner

from drawmark.cli import photographs
from drawmark.cli.app import app
from drawmark.cli.photographs import read_outcomes
from drawmark.vision import Outcome, Reason, Refusal

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def files(tmp_path: Path) -> list[Path]:
    """Five files that are no photographs, one of them named like an annotated picture."""
    paths = [tmp_path / name for name in ("a.jpg", "b.jpg", "c.check.jpg", "d.jpg", "e.jpg")]
    for path in paths:
        path.write_text("These are notes.\n")
    return paths


def test_the_same_answers_in_the_same_order_as_one_by_one(files: list[Path]) -> None:
    one_by_one = list(read_outcomes(files))
    assert list(read_outcomes(files, jobs=2)) == one_by_one
    assert "annotated" in one_by_one[2].reasons[0].message  # they differ, so the order shows


def test_json_lines_keep_the_order_given(files: list[Path], tmp_path: Path) -> None:
    photos = [files[0], tmp_path / "gone.jpg", *files[1:]]
    result = CliRunner().invoke(app, ["read", "--json", "--jobs", "3", *map(str, photos)])
    assert result.exit_code == 2
    lines = [json.loads(line) for line in result.stdout.splitlines()]
    assert [line["photo"] for line in lines] == [str(photo) for photo in photos]
    assert "does not exist" in lines[1]["reasons"][0]["message"]
    assert "annotated" in lines[3]["reasons"][0]["message"]


@pytest.mark.parametrize("jobs", ["0", "-1", "many"])
def test_a_number_of_jobs_that_cannot_be(files: list[Path], jobs: str) -> None:
    result = CliRunner().invoke(app, ["read", str(files[0]), "--jobs", jobs])
    assert result.exit_code == 2
    assert "--jobs" in result.stderr


def dies_on_b(photo: Path, **_: object) -> Outcome:
    """Stands in for the reader, in the processes too."""
    if photo.name == "b.jpg":
        os._exit(9)
    return Refusal((Reason("no-syringe", photo.name, "."),))


def test_a_process_that_dies_takes_no_other_photograph_with_it(
    files: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(photographs, "read_outcome", dies_on_b)
    reasons = [outcome.reasons[0] for outcome in read_outcomes(files, jobs=2)]
    assert [reason.code for reason in reasons] == [
        "no-syringe",
        "internal-error",
        *["no-syringe"] * 3,
    ]
    assert [reason.message for reason in reasons[2:]] == ["c.check.jpg", "d.jpg", "e.jpg"]
