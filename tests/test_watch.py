"""`drawmark watch`: every photograph once, and none before it is there in full."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
import pytest
from drawn_syringe import make_reading, make_refusal
from typer.testing import CliRunner

from drawmark.cli.app import app
from drawmark.cli.arrivals import LOOKS_UNCHANGED, LOOKS_UNDECODABLE, Arrivals

if TYPE_CHECKING:
    from collections.abc import Callable

    from click.testing import Result

    Say = Callable[..., None]


def picture(shade: int) -> bytes:
    """A JPEG that the reader opens; each *shade* has bytes of its own."""
    pixels = np.full((480, 640, 3), shade, np.uint8)
    cv2.circle(pixels, (300, 200), 100 + shade, (255, 255, 255), -1)
    return cv2.imencode(".jpg", pixels)[1].tobytes()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    folder = tmp_path / "in"
    folder.mkdir()
    return folder


def looks(arrivals: Arrivals, count: int) -> list[str]:
    return [photo.name for _ in range(count) for photo in arrivals.look()]


# --- when a photograph is there -------------------------------------------------------------


def test_a_photograph_has_to_lie_still(folder: Path) -> None:
    arrivals = Arrivals(folder)
    (folder / "a.jpg").write_bytes(picture(1))
    assert looks(arrivals, LOOKS_UNCHANGED) == []
    assert arrivals.under_way
    assert looks(arrivals, 1) == ["a.jpg"]
    assert not arrivals.under_way
    assert looks(arrivals, 100) == []


def test_a_copy_that_grows_is_waited_for(folder: Path) -> None:
    arrivals = Arrivals(folder)
    data = picture(1)
    arrived: list[str] = []
    for end in range(0, len(data), 1 + len(data) // 8):
        (folder / "a.jpg").write_bytes(data[:end])
        arrived += looks(arrivals, 1)
    assert arrived == []
    (folder / "a.jpg").write_bytes(data)
    assert looks(arrivals, LOOKS_UNCHANGED + 1) == ["a.jpg"]


def test_a_copy_that_halts_is_waited_for_and_not_for_ever(folder: Path) -> None:
    arrivals = Arrivals(folder)
    data = picture(1)
    (folder / "a.jpg").write_bytes(data[: len(data) // 2])
    assert looks(arrivals, LOOKS_UNDECODABLE - 1) == []
    (folder / "a.jpg").write_bytes(data)
    assert looks(arrivals, LOOKS_UNCHANGED + 1) == ["a.jpg"]
    (folder / "b.jpg").write_bytes(data[: len(data) // 2])
    assert looks(arrivals, LOOKS_UNDECODABLE + 1) == ["b.jpg"]


def test_written_elsewhere_and_renamed(folder: Path) -> None:
    arrivals = Arrivals(folder)
    (folder / ".a.jpg.tmp").write_bytes(picture(1))
    (folder / "b.jpg.part").write_bytes(picture(2))
    assert looks(arrivals, 5) == []
    (folder / ".a.jpg.tmp").rename(folder / "a.jpg")
    (folder / "b.jpg.part").rename(folder / "b.jpg")
    assert looks(arrivals, LOOKS_UNCHANGED + 1) == ["a.jpg", "b.jpg"]


def test_those_already_there(folder: Path) -> None:
    (folder / "old.jpg").write_bytes(picture(1))
    assert looks(Arrivals(folder), 5) == []
    assert looks(Arrivals(folder, existing=True), 5) == ["old.jpg"]


def test_one_half_there_at_the_start_is_new(folder: Path) -> None:
    data = picture(1)
    (folder / "a.jpg").write_bytes(data[:100])
    arrivals = Arrivals(folder)
    (folder / "a.jpg").write_bytes(data)
    assert looks(arrivals, 5) == ["a.jpg"]


def test_one_that_is_replaced_is_new(folder: Path) -> None:
    arrivals = Arrivals(folder)
    (folder / "a.jpg").write_bytes(picture(1))
    assert looks(arrivals, 5) == ["a.jpg"]
    (folder / "new").write_bytes(picture(2))
    (folder / "new").replace(folder / "a.jpg")
    assert looks(arrivals, 5) == ["a.jpg"]


def test_other_files_are_none_of_our_business(folder: Path) -> None:
    arrivals = Arrivals(folder)
    for name in ("a.txt", "a.check.jpg", ".a.jpg"):
        (folder / name).write_bytes(picture(1))
    (folder / "deeper.jpg").mkdir()
    (folder / "deeper.jpg" / "a.jpg").write_bytes(picture(1))
    assert looks(arrivals, 5) == []
    assert looks(Arrivals(folder, recursive=True, existing=True), 5) == ["a.jpg"]


# --- the command ----------------------------------------------------------------------------


def watch(folder: Path, *arguments: object) -> Result:
    options = ["--every", "0.01", "--stop-after", "0.05", "--existing", *map(str, arguments)]
    return CliRunner().invoke(app, ["watch", str(folder), *options])


def names(text: str) -> list[str]:
    records: list[dict[str, Any]] = [json.loads(line) for line in text.splitlines()]
    return [Path(record.get("reading", record)["photo"]).name for record in records]


def test_what_came_is_read(folder: Path, reader_says: Say) -> None:
    for n in (2, 10, 1):
        (folder / f"s{n}.jpg").write_bytes(picture(n))
    reader_says(make_reading(4.983, 0.021))
    result = watch(folder)
    assert result.exit_code == 0
    rows = result.stdout.splitlines()
    assert [Path(row.split()[0]).name for row in rows[1:4]] == ["s1.jpg", "s2.jpg", "s10.jpg"]
    assert "4.983 ± 0.042 mL" in rows[1]
    assert rows[-2] == "3 photographs: 3 read."
    again = watch(folder, "--json")
    assert names(again.stdout) == ["s1.jpg", "s2.jpg", "s10.jpg"]
    assert again.stderr == "drawmark: 3 photographs: 3 read.\n"


def test_what_came_is_checked_given_a_target(folder: Path, reader_says: Say) -> None:
    (folder / "a.jpg").write_bytes(picture(1))
    (folder / "b.jpg").write_bytes(picture(2))
    reader_says(make_reading(5.0, 0.02), make_reading(6.0, 0.02))
    result = watch(folder, "--target", "5mL", "--tolerance", "5%", "--json")
    assert result.exit_code == 1
    verdicts = [json.loads(line)["verdict"] for line in result.stdout.splitlines()]
    assert verdicts == ["within", "outside"]


def test_a_file_that_is_no_photograph_is_answered_and_the_watch_goes_on(
    folder: Path, reader_says: Say
) -> None:
    (folder / "bad.jpg").write_bytes(b"nothing")
    (folder / "good.jpg").write_bytes(picture(1))
    reader_says(make_reading(), make_refusal("not-an-image"))
    result = watch(folder, "--json")
    assert result.exit_code == 4
    assert names(result.stdout) == ["good.jpg", "bad.jpg"]  # the bad one is waited for


def test_the_same_photograph_twice_is_answered_once(folder: Path, reader_says: Say) -> None:
    (folder / "a.jpg").write_bytes(picture(1))
    (folder / "copy.jpg").write_bytes(picture(1))
    reader_says(make_reading())
    result = watch(folder, "--json")
    assert names(result.stdout) == ["a.jpg"]
    assert "copy.jpg" in result.stderr


def test_it_takes_up_where_it_was_stopped(folder: Path, tmp_path: Path, reader_says: Say) -> None:
    out = tmp_path / "o.jsonl"
    (folder / "a.jpg").write_bytes(picture(1))
    reader_says(make_reading())
    watch(folder, "--out", out)
    (folder / "b.jpg").write_bytes(picture(2))
    assert watch(folder, "--out", out).exit_code == 2  # not silently over what is there
    result = watch(folder, "--out", out, "--resume", "--json")
    assert names(result.stdout) == ["b.jpg"]
    assert names(out.read_text()) == ["a.jpg", "b.jpg"]
    # and a later reading of the whole folder has it all from there
    reader_says(RuntimeError("it was to read nothing"))
    later = CliRunner().invoke(app, ["read", str(folder), "--out", str(out), "--resume"])
    assert later.exit_code == 0


def test_a_folder_that_goes_away_and_comes_back(folder: Path, reader_says: Say) -> None:
    reader_says(make_reading())
    away = folder.with_name("away")

    def move() -> None:
        time.sleep(0.3)
        folder.rename(away)
        time.sleep(0.3)
        away.rename(folder)
        (folder / "a.jpg").write_bytes(picture(1))

    mover = threading.Thread(target=move)
    mover.start()
    shown = CliRunner().invoke(
        app, ["watch", str(folder), "--every", "0.01", "--stop-after", "1", "--json"]
    )
    mover.join()
    assert names(shown.stdout) == ["a.jpg"]
    assert shown.stderr.count("cannot be listed") == 1


@pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
def test_ctrl_c_ends_it_with_the_counts(folder: Path, how: int, tmp_path: Path) -> None:
    out = tmp_path / "o.jsonl"
    command = [str(Path(sys.executable).parent / "drawmark"), "watch", str(folder)]
    process = subprocess.Popen(
        [*command, "--every", "0.02", "--existing", "--out", str(out)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    shutil.copyfile(
        Path(__file__).parent.parent / "sample_images/refused-no-syringe.jpg", folder / "a.jpg"
    )
    assert process.stdout is not None
    assert process.stdout.readline().startswith("photo")
    assert "refused: No graduated barrel was found" in process.stdout.readline()
    process.send_signal(how)
    stdout, stderr = process.communicate(timeout=30)
    assert process.returncode == 4
    assert names(out.read_text()) == ["a.jpg"]
    assert "never for a real patient" in stdout.splitlines()[-1]
    assert "Traceback" not in stderr
