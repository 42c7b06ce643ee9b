"""Many photographs at once, in processes of their own: order, refusals, and a process that dies."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from typer.testing import CliRunner

from drawmark.cli import photographs
from drawmark.cli.app import app
from drawmark.cli.photographs import read_outcomes
from drawmark.vision import Outcome, Reason, Refusal

if TYPE_CHECKING:
    from collections.abc import Iterator

ALGEBRA = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
TO_CHECK = ("--target", "5mL", "--tolerance", "5%", "--json")


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


def dies_unless_in(parent: int, photo: Path, **_: object) -> Outcome:
    """Stands in for the reader, and lives on in the process *parent* only, to tell of it."""
    if os.getpid() != parent:
        os._exit(9)
    return Refusal((Reason("no-syringe", f"{photo.name} was read in the parent", "."),))


@pytest.mark.parametrize(
    "command",
    [
        ["read", "--json", "{a}"],
        ["check", *TO_CHECK, "{a}"],
        ["check", *TO_CHECK, "--picture-dir", "{pictures}", "{a}"],
        ["read", "--json", "{gone}", "{a}"],  # the only one that is there
    ],
)
def test_a_single_photograph_that_kills_its_process_does_not_end_the_run(
    files: list[Path], monkeypatch: pytest.MonkeyPatch, command: list[str]
) -> None:
    monkeypatch.setattr(photographs, "read_outcome", partial(dies_unless_in, os.getpid()))
    names = {"a": files[0], "gone": files[0].parent / "gone.jpg", "pictures": files[0].parent / "p"}
    given = [word.format(**names) for word in command]
    result = CliRunner().invoke(app, [*given, "--jobs", "2"])
    answer = json.loads(result.stdout.splitlines()[-1])
    (reason,) = answer.get("reading", answer)["reasons"]
    assert reason["code"] == "internal-error"
    assert "exit code" in reason["message"]


# --- threads --------------------------------------------------------------------------------


@pytest.fixture
def three_threads(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """OpenCV with three threads, whatever this machine has, and nothing said to the others."""
    import cv2

    before = cv2.getNumThreads()
    cv2.setNumThreads(3)
    for name in ALGEBRA:
        monkeypatch.delenv(name, raising=False)
    yield
    assert cv2.getNumThreads() == 3  # put back, whatever was done
    assert not any(name in os.environ for name in ALGEBRA)
    cv2.setNumThreads(before)


COMMANDS = {
    "read": ["read", "--json", "{a}"],
    "read several": ["read", "--json", "{a}", "{b}"],
    "check": ["check", *TO_CHECK, "--no-picture", "{a}"],
    "check several": ["check", *TO_CHECK, "{a}", "{b}"],
    "check a dilution": [
        *("check", "--before", "{a}", "--after", "{b}", "--no-picture", "--tolerance", "10%"),
        *("--concentration", "10 mg/mL", "--to-concentration", "1 mg/mL"),
    ],
    "watch": ["watch", "{folder}", "--existing", "--every", "0.01", "--stop-after", "0.3"],
}


def threads_told(
    command: list[str], files: list[Path], monkeypatch: pytest.MonkeyPatch
) -> set[str]:
    """What OpenCV and the linear algebra are told of threads while *command* reads here."""
    import cv2

    seen = set()

    def read(photo: Path, **_: object) -> Outcome:
        told = (os.environ.get(name, "-") for name in ALGEBRA)
        seen.add(" ".join([str(cv2.getNumThreads()), *told]))
        return Refusal((Reason("no-syringe", photo.name, "."),))

    monkeypatch.setattr(photographs, "read_outcome", read)
    names = {"a": files[0], "b": files[1], "folder": files[0].parent}
    CliRunner().invoke(app, [word.format(**names) for word in command])
    return seen


@pytest.mark.usefixtures("three_threads")
@pytest.mark.parametrize("command", COMMANDS.values(), ids=COMMANDS)
def test_one_job_keeps_to_one_thread_if_it_is_said(
    files: list[Path], monkeypatch: pytest.MonkeyPatch, command: list[str]
) -> None:
    assert threads_told([*command, "--jobs", "1"], files, monkeypatch) == {"1 1 1 1"}
    assert threads_told(command, files, monkeypatch) == {"3 - - -"}


@pytest.mark.usefixtures("three_threads")
def test_one_job_of_the_demo_keeps_to_one_thread(
    files: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    files[0].with_name("demo.csv").write_text("photo,target,tolerance,task\na.jpg,5mL,5%,first\n")
    command = ["demo", "--photos", "{folder}", "--out", "{folder}/out", "--jobs", "1"]
    assert threads_told(command, files, monkeypatch) == {"1 1 1 1"}


COUNT_THREADS = """
import sys
from drawmark.cli import photographs
from drawmark.cli.app import app
from drawmark.vision import Reason, Refusal

def read(photo, **_):
    import os
    import numpy, scipy.linalg
    return Refusal((Reason("no-syringe", str(len(os.listdir("/proc/self/task"))), "."),))

photographs.read_outcome = read
app(sys.argv[1:])
"""


@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="looks into /proc")
def test_linear_algebra_is_told_before_it_is_loaded(files: list[Path]) -> None:
    # by the target, whose parser loads numpy
    command = ["check", *TO_CHECK, "--no-picture", str(files[0]), "--jobs", "1"]
    done = subprocess.run(
        [sys.executable, "-c", COUNT_THREADS, *command], capture_output=True, check=False
    )
    (reason,) = json.loads(done.stdout)["reading"]["reasons"]
    assert reason["message"] == "1"
