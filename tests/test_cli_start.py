"""The command itself: it starts at once, says what it is, and loads nothing it does not need."""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
from importlib.metadata import version
from pathlib import Path

import pytest

if sys.platform != "win32":
    import resource

COMMAND = Path(sys.executable).parent / "drawmark"
HEAVY = ("cv2", "numpy", "scipy", "skimage", "pint")


def run(*arguments: str, **options: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [str(COMMAND), *arguments], capture_output=True, text=True, check=False, **options
    )


def test_version() -> None:
    done = run("--version")
    assert (done.returncode, done.stdout) == (0, f"drawmark {version('drawmark')}\n")


def test_help_says_what_it_is_and_what_there_is() -> None:
    done = run("--help")
    assert done.returncode == 0
    assert "never for a real patient" in " ".join(done.stdout.split())
    for command in ("plan", "read", "check", "record", "feedback", "study", "watch", "demo"):
        assert f"  {command} " in done.stdout


@pytest.mark.skipif(sys.platform == "win32", reason="asks the system for the time computed")
def test_help_is_quick() -> None:
    """At most half again what its command line library alone needs, in time computed."""

    def seconds(*command: str) -> float:
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run(command, stdout=subprocess.DEVNULL, check=True)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime

    run("--help")  # the first run may still compile modules
    pairs = [
        (seconds(str(COMMAND), "--help"), seconds(sys.executable, "-c", "import typer"))
        for _ in range(7)
    ]
    ours, theirs = (statistics.median(column) for column in zip(*pairs, strict=True))
    assert ours <= 1.5 * theirs


@pytest.mark.parametrize("module", HEAVY)
def test_start_loads_nothing_heavy(module: str) -> None:
    code = f"import sys, drawmark.cli.app; sys.exit({module!r} in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_exit_statuses_are_in_the_help() -> None:
    assert "0 within, 1 outside, 2 usage error, 3 undecided, 4 refused" in " ".join(
        run("check", "--help").stdout.split()
    )
    assert "Exit status: 0 all read" in run("read", "--help").stdout


@pytest.mark.parametrize("arguments", [("nonsense",), ("check",), ("read",), ("read", "--what")])
def test_a_wrong_call_is_a_usage_error(arguments: tuple[str, ...]) -> None:
    done = run(*arguments)
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert done.stdout == ""


def test_a_terminal_without_the_characters_is_no_reason_to_stop(tmp_path: Path) -> None:
    missing = tmp_path / "zażółć.jpg"
    environment = {**os.environ, "PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"}
    done = run("read", str(missing), env=environment)
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
