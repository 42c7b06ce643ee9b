"""`read` and `check` over folders and manifests, stopped and gone on with."""

from __future__ import annotations

import csv
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from drawn_syringe import make_reading, make_refusal
from PIL import Image
from typer.testing import CliRunner

from drawmark.cli import photographs
from drawmark.cli.app import app
from drawmark.vision import Outcome, Reason, Refusal

if TYPE_CHECKING:
    from collections.abc import Callable

    from click.testing import Result

    Say = Callable[..., None]

COMMAND = Path(sys.executable).parent / "drawmark"
SAMPLES = Path(__file__).resolve().parent.parent / "sample_images"
posix = pytest.mark.skipif(os.name != "posix", reason="signals and terminals of POSIX")


def drawmark(*arguments: object) -> Result:
    return CliRunner().invoke(app, list(map(str, arguments)))


def objects(text: str) -> list[dict[str, Any]]:
    return [json.loads(line) for line in text.splitlines()]


def counting(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """A reader that refuses all, and the names of what it was given."""
    names: list[str] = []

    def read_photo(path: Path, **_: object) -> Outcome:
        names.append(path.name)
        return Refusal((Reason("no-syringe", f"Nothing in {path.name}.", "Look again."),))

    monkeypatch.setattr("drawmark.vision.read_photo", read_photo)
    return names


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Three files of different bytes, which sort by number."""
    folder = tmp_path / "photos"
    folder.mkdir()
    for name in ("s1.jpg", "s2.jpg", "s10.jpg"):
        (folder / name).write_text(name)
    return folder


# --- what is read ---------------------------------------------------------------------------


def test_a_folder(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    names = counting(monkeypatch)
    result = drawmark("read", "--json", folder)
    assert result.exit_code == 4
    assert [Path(line["photo"]) for line in objects(result.stdout)] == [
        folder / name for name in ("s1.jpg", "s2.jpg", "s10.jpg")
    ]
    assert names == ["s1.jpg", "s2.jpg", "s10.jpg"]


def test_a_manifest_brings_syringe_and_people(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    given: list[object] = []

    def read_photo(path: Path, **options: object) -> Outcome:
        given.append((path, options))
        return make_reading()

    monkeypatch.setattr("drawmark.vision.read_photo", read_photo)
    manifest = folder.parent / "list.csv"
    manifest.write_text(
        "photo,learner,task,capacity,interval\n"
        "photos/s2.jpg,heron,first,10mL,\n"
        "photos/s1.jpg,,,,0.5 mL\n"
    )
    result = drawmark("read", "--json", "--manifest", manifest, "--capacity", "20mL")
    assert result.exit_code == 0
    first, second = objects(result.stdout)
    assert (first["photo"], first["learner"], first["task"]) == ("photos/s2.jpg", "heron", "first")
    assert "learner" not in second
    assert given == [
        (folder / "s2.jpg", {"capacity_ml": 10.0, "interval_ml": None}),
        (folder / "s1.jpg", {"capacity_ml": 20.0, "interval_ml": 0.5}),
    ]


def test_nothing_is_read_when_a_line_of_the_manifest_is_wrong(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    names = counting(monkeypatch)
    manifest = folder / "list.csv"
    manifest.write_text("photo,target,tolerance\ns1.jpg,5mL,5%\ns2.jpg,5,5%\n")
    result = drawmark("check", "--manifest", manifest, "--out", folder / "o.jsonl")
    assert result.exit_code == 2
    assert result.stdout == ""
    assert "line 3, column 'target'" in result.stderr
    assert names == []
    assert not (folder / "o.jsonl").exists()


@pytest.mark.parametrize(
    "arguments",
    [
        ("read", "s1.jpg", "--manifest", "list.csv"),
        ("read", "s1.jpg", "--resume"),
        ("read", "--manifest", "gone.csv"),
        ("check", "s1.jpg", "s2.jpg", "--tolerance", "5%"),
        ("check", ".", "--target", "5mL"),
        ("check", ".", "--target", "5mL", "--tolerance", "5%", "--picture", "x.jpg"),
        ("check", "--manifest", "list.csv", "--before", "s1.jpg", "--after", "s2.jpg"),
        ("check", "--manifest", "list.csv", "--stage", "1"),
        ("watch", "gone"),
        ("watch", ".", "--target", "5mL"),
        ("watch", ".", "--resume"),
    ],
)
def test_calls_that_cannot_be_meant(
    folder: Path, monkeypatch: pytest.MonkeyPatch, arguments: tuple[str, ...]
) -> None:
    monkeypatch.chdir(folder)
    Path("list.csv").write_text("photo,target,tolerance\ns1.jpg,5mL,5%\n")
    result = drawmark(*arguments)
    assert result.exit_code == 2
    assert result.stdout == ""
    assert len(result.stderr.splitlines()) == 1


# --- check ----------------------------------------------------------------------------------


def check_list(folder: Path, *outcomes: object, say: Say, json_too: bool = True) -> Result:
    say(*outcomes)
    with (folder / "list.csv").open("w", newline="", encoding="utf-8") as file:
        rows = [(f"s{n}.jpg", "5mL", "5%", "heron") for n in (1, 2, 10)[: len(outcomes)]]
        csv.writer(file).writerows([("photo", "target", "tolerance", "learner"), *rows])
    flags = ["--json"] if json_too else []
    return drawmark("check", "--manifest", folder / "list.csv", *flags)


@pytest.mark.parametrize(
    ("volumes", "status"),
    [
        ((5.0, 5.0), 0),
        ((5.0, 6.0), 1),
        ((5.0, 5.25), 3),
        ((5.0, None), 4),
        ((5.25, None), 4),
        ((None, 6.0), 1),
    ],
)
def test_one_exit_status_for_several_verdicts(
    folder: Path, reader_says: Say, volumes: tuple[float | None, ...], status: int
) -> None:
    outcomes = [make_refusal() if v is None else make_reading(v, 0.02) for v in volumes]
    assert check_list(folder, *outcomes, say=reader_says).exit_code == status


def test_each_check_is_the_object_of_a_single_one(folder: Path, reader_says: Say) -> None:
    result = check_list(folder, make_reading(5.1), make_reading(6.0), say=reader_says)
    first, second = objects(result.stdout)
    reader_says(make_reading(5.1))
    single = drawmark(
        "check", folder / "s1.jpg", "--target", "5mL", "--tolerance", "5%", "--json", "--no-picture"
    )
    (alone,) = objects(single.stdout)
    alone["reading"]["photo"] = "s1.jpg"
    assert first == alone | {"learner": "heron"}
    assert second["verdict"] == "outside"


def test_verdicts_as_a_table(folder: Path, reader_says: Say) -> None:
    outcomes = (make_reading(5.1, 0.02), make_refusal("glare"), make_reading(6.0, 0.02))
    text = check_list(folder, *outcomes, say=reader_says, json_too=False).stdout
    head, first, second, third, _, counts, advisory = text.splitlines()
    assert head.split()[:2] == ["photo", "verdict"]
    told = "s1.jpg within 5 ± 0.25 mL 5.100 ± 0.040 mL +0.100 mL > 99.9 %"
    assert " ".join(first.split()) == told
    assert "refused: A reflection hides" in second
    assert "outside" in third
    assert counts == "3 photographs: 1 within, 1 refused, 1 outside."
    assert "never for a real patient" in advisory


def test_a_missing_photograph_outranks_the_verdicts(folder: Path, reader_says: Say) -> None:
    reader_says(make_reading(6.0))
    result = drawmark(
        "check", folder / "gone.jpg", folder / "s1.jpg", "--target", "5mL", "--tolerance", "5%"
    )
    assert result.exit_code == 2
    assert "does not exist" in result.stderr
    assert "outside" in result.stdout


def test_pictures_of_checks_go_where_told(photo: Path, tmp_path: Path, reader_says: Say) -> None:
    reader_says(make_reading(5.0))
    second = photo.with_name("second.jpg")
    shutil.copy(photo, second)
    options = ("--target", "5mL", "--tolerance", "5%", "--json", "--picture-dir", tmp_path / "p")
    result = drawmark("check", photo, second, *options)
    pictures = [line["picture"] for line in objects(result.stdout)]
    assert pictures == [str(tmp_path / "p" / f"{n}.check.jpg") for n in ("drawn", "second")]
    assert all(Path(picture).is_file() for picture in pictures)
    assert sorted(path.name for path in tmp_path.glob("*.jpg")) == ["drawn.jpg", "second.jpg"]


# --- going on -------------------------------------------------------------------------------


def test_what_was_answered_is_not_read_again(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    names = counting(monkeypatch)
    out = folder.parent / "o.jsonl"
    drawmark("read", folder / "s2.jpg", "--out", out)
    first = drawmark("read", folder, "--out", out, "--json")
    assert first.exit_code == 2  # not silently, in whatever way
    assert names == ["s2.jpg"]
    result = drawmark("read", folder, "--out", out, "--resume", "--json")
    assert names == ["s2.jpg", "s1.jpg", "s10.jpg"]
    assert result.exit_code == 4
    assert [Path(line["photo"]).name for line in objects(result.stdout)] == [
        "s1.jpg", "s2.jpg", "s10.jpg",
    ]  # fmt: skip
    again = drawmark("read", folder, "--out", out, "--resume", "--json")
    assert len(names) == 3
    assert (again.stdout, again.exit_code) == (result.stdout, result.exit_code)
    assert "3 of them answered before" in drawmark("read", folder, "--out", out, "--resume").stdout


def test_what_changed_since_is_read_again(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    names = counting(monkeypatch)
    out = folder.parent / "o.jsonl"
    drawmark("read", folder, "--out", out)
    names.clear()
    (folder / "s2.jpg").write_text("retaken")
    drawmark("read", folder, "--out", out, "--resume")
    assert names == ["s2.jpg"]
    names.clear()
    drawmark("read", folder, "--out", out, "--resume", "--capacity", "10mL")
    assert names == ["s1.jpg", "s2.jpg", "s10.jpg"]


def test_a_photograph_under_another_name_is_answered_but_not_read(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    names = counting(monkeypatch)
    out = folder.parent / "o.jsonl"
    drawmark("read", folder, "--out", out)
    names.clear()
    (folder / "s2.jpg").rename(folder / "t.jpg")
    result = drawmark("read", folder / "t.jpg", "--out", out, "--resume", "--json")
    assert names == []
    assert objects(result.stdout)[0]["photo"] == str(folder / "t.jpg")
    assert [Path(line["photo"]).name for line in objects(out.read_text())][-1] == "t.jpg"


def test_a_photograph_that_was_missing_is_read_when_it_is_there(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    names = counting(monkeypatch)
    out = folder.parent / "o.jsonl"
    late = folder / "late.jpg"
    drawmark("read", folder / "s1.jpg", late, "--out", out)
    assert len(objects(out.read_text())) == 1
    late.write_text("here")
    drawmark("read", folder / "s1.jpg", late, "--out", out, "--resume")
    assert names == ["s1.jpg", "late.jpg"]


def test_ctrl_c_says_how_to_go_on(folder: Path, reader_says: Say) -> None:
    class Stop(KeyboardInterrupt, Exception):
        """What the fixture raises, and the command takes for Ctrl-C."""

    reader_says(make_reading(), Stop())
    result = drawmark("read", folder, "--out", folder / "o.jsonl", "--debug")
    assert result.exit_code == 130
    assert "1 photograph: 1 read" in result.stderr
    assert "--resume" in result.stderr
    assert len(objects((folder / "o.jsonl").read_text())) == 1


# 500 photographs, small enough that the reader answers each at once: what is tried here is that
# none is lost or read twice, not what is read.
COUNT = 500
CHILD = """
import sys
import drawmark.vision as vision
read = vision.read_photo
def logged(path, **options):
    with open(sys.argv[1], "a") as log:
        print(path.name, file=log)
    return read(path, **options)
vision.read_photo = logged
from drawmark.cli.app import app
app(sys.argv[2:])
"""


@pytest.fixture(scope="module")
def five_hundred(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A manifest of 500 crops of a sample photograph, in an order of its own."""
    folder = tmp_path_factory.mktemp("many")
    with Image.open(next(iter(sorted(SAMPLES.glob("*.jpg"))))) as sample:
        for n in range(COUNT):
            left, top = 20 * (n % 25), 15 * (n // 25)
            sample.crop((left, top, left + 160, top + 120)).save(folder / f"p{n}.jpg")
    manifest = folder / "list.csv"
    with manifest.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(["photo", "target", "tolerance", "learner"])
        for n in range(COUNT):
            writer.writerow([f"p{7 * n % COUNT}.jpg", "5 mL", "5%", f"trainee-{n % 20}"])
    assert len({path.read_bytes() for path in folder.glob("*.jpg")}) == COUNT
    return manifest


def lines_of(path: Path) -> list[str]:
    return path.read_text().splitlines() if path.exists() else []


def stopped_at(command: list[str], out: Path, lines: int, how: int) -> None:
    """Run *command* and send it the signal *how* when *out* has so many *lines*."""
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    deadline = time.monotonic() + 60
    while len(lines_of(out)) < lines and process.poll() is None and time.monotonic() < deadline:
        time.sleep(0.005)
    process.send_signal(how)
    process.wait()
    assert lines <= len(lines_of(out)) < COUNT, "it was not stopped in the middle"


@posix
def test_five_hundred_stopped_in_the_middle_none_read_twice_none_lost(
    five_hundred: Path, tmp_path: Path
) -> None:
    out, log = tmp_path / "o.jsonl", tmp_path / "log"
    command = [sys.executable, "-c", CHILD, str(log)]
    command += ["check", "--manifest", str(five_hundred), "--json"]
    command += ["--out", str(out), "--resume"]
    answered: list[str] = []
    for lines, how in ((150, signal.SIGKILL), (300, signal.SIGINT), (COUNT, None)):
        log.unlink(missing_ok=True)
        if how is not None:
            stopped_at(command, out, lines, how)
        else:
            done = subprocess.run(command, capture_output=True, check=False)
        assert not set(lines_of(log)) & set(answered), "read again"
        assert len(set(lines_of(log))) == len(lines_of(log))
        complete = out.read_bytes().rpartition(b"\n")[0].decode()
        answered = [line["reading"]["photo"] for line in objects(complete)]
    assert done.returncode == 4
    given = [f"p{7 * n % COUNT}.jpg" for n in range(COUNT)]
    assert answered == given
    told = objects(done.stdout.decode())
    assert [line["reading"]["photo"] for line in told] == given
    assert Counter(line["learner"] for line in told) == {f"trainee-{n}": 25 for n in range(20)}
    assert all(line["reading"]["reasons"][0]["code"] == "image-too-small" for line in told)


@posix
def test_the_same_in_two_processes(five_hundred: Path, tmp_path: Path) -> None:
    out = tmp_path / "o.jsonl"
    command = [str(COMMAND), "read", "--manifest", str(five_hundred), "--json", "--jobs", "2"]
    command += ["--out", str(out), "--resume"]
    stopped_at(command, out, 200, signal.SIGKILL)
    before = out.read_bytes().rpartition(b"\n")[0].splitlines()
    done = subprocess.run(command, capture_output=True, check=False)
    assert done.returncode == 4
    lines = out.read_bytes().splitlines()
    assert lines[: len(before)] == before
    assert sorted(line["photo"] for line in map(json.loads, lines)) == sorted(
        f"p{n}.jpg" for n in range(COUNT)
    )
    assert [line["photo"] for line in objects(done.stdout.decode())] == [
        f"p{7 * n % COUNT}.jpg" for n in range(COUNT)
    ]


# --- processes ------------------------------------------------------------------------------


def kills_itself_on_s2(photo: Path, **_: object) -> Outcome:
    """Stands in for the reader, in the processes too."""
    if photo.name == "s2.jpg":
        os.kill(os.getpid(), signal.SIGKILL)
    return Refusal((Reason("no-syringe", photo.name, "."),))


@posix
def test_the_answer_says_that_a_process_was_killed(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(photographs, "read_outcome", kills_itself_on_s2)
    result = drawmark("read", folder, "--jobs", "2", "--json", "--out", folder / "o.jsonl")
    assert result.exit_code == 4
    first, second, third = (line["reasons"][0] for line in objects(result.stdout))
    assert (first["message"], third["message"]) == ("s1.jpg", "s10.jpg")
    assert second["code"] == "internal-error"
    assert "SIGKILL" in second["message"]
    assert "memory" in second["message"]
    assert len(objects((folder / "o.jsonl").read_text())) == 3


def threads(photo: Path, **_: object) -> Outcome:
    """Stands in for the reader: how many threads OpenCV and the linear algebra may use."""
    import cv2

    seen = [str(cv2.getNumThreads()), os.environ["OPENBLAS_NUM_THREADS"]]
    return Refusal((Reason("no-syringe", ",".join([*seen, os.environ["OMP_NUM_THREADS"]]), "."),))


def test_each_process_computes_with_one_thread(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(photographs, "read_outcome", threads)
    result = drawmark("read", folder, "--jobs", "2", "--json")
    assert {line["reasons"][0]["message"] for line in objects(result.stdout)} == {"1,1,1"}


# --- the bar --------------------------------------------------------------------------------


def in_a_terminal(arguments: list[str], *, stdout_too: bool) -> tuple[str, str]:
    """What the command shows on a terminal, and what comes through the pipe, if any."""
    import pty

    master, slave = pty.openpty()
    process = subprocess.Popen(
        [str(COMMAND), *arguments],
        stdout=slave if stdout_too else subprocess.PIPE,
        stderr=slave,
        env={**os.environ, "TERM": "xterm", "COLUMNS": "100"},
    )
    os.close(slave)
    shown = b""
    while True:
        try:
            piece = os.read(master, 65536)
        except OSError:  # how Linux tells the end
            break
        if not piece:
            break
        shown += piece
    os.close(master)
    piped = process.stdout.read() if process.stdout is not None else b""
    process.wait()
    if process.stdout is not None:
        process.stdout.close()
    return shown.decode(), piped.decode()


@posix
def test_a_bar_at_a_terminal_and_only_there(folder: Path) -> None:
    shown, piped = in_a_terminal(["read", "--json", str(folder)], stdout_too=False)
    assert "reading" in shown
    assert "3/3" in shown
    assert len(objects(piped)) == 3
    quiet = drawmark("read", "--json", folder)
    assert quiet.stdout == piped
    assert quiet.stderr == ""


@posix
def test_rows_and_bar_do_not_run_into_each_other(folder: Path) -> None:
    shown, _ = in_a_terminal(["read", "--json", str(folder)], stdout_too=True)
    rows = [line for line in shown.splitlines() if '"photo"' in line]
    assert len(rows) == 3
    # after the bar is wiped off its line, an answer has that line for itself
    assert all(json.loads(row.rpartition("\x1b[K")[2]) for row in rows)
