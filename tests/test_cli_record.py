"""`drawmark record` and `check --record`: kept, listed, exported, deleted, never overwritten."""

from __future__ import annotations

import csv
import json
import os
import signal
import sqlite3
import subprocess
import sys
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from checks_made import check_of, refused_check
from drawn_syringe import make_reading, make_refusal
from PIL import Image
from typer.testing import CliRunner

from drawmark.cli.app import app
from drawmark.cli.record_store import RecordStore, Stored

if TYPE_CHECKING:
    from collections.abc import Callable

    from click.testing import Result

    Say = Callable[..., None]


@pytest.fixture
def lab(tmp_path: Path) -> Path:
    return tmp_path / "LAB.db"


def run(*arguments: object, **options: Any) -> Result:
    return CliRunner().invoke(app, [str(argument) for argument in arguments], **options)


def check(photo: Path, lab: Path, *more: object, learner: str = "trainee-07") -> Result:
    wanted = ("--target", "5mL", "--tolerance", "5%", "--no-picture")
    return run("check", photo, *wanted, "--record", lab, "--learner", learner, *more)


def stored(lab: Path) -> list[Stored]:
    with RecordStore.open(lab) as store:
        return store.records()


def add(lab: Path, *checks: dict[str, Any], learner: str = "t1", task: str | None = None) -> Result:
    lines = "".join(json.dumps(one) + "\n" for one in checks)
    named = () if task is None else ("--task", task)
    return run("record", "add", lab, "--learner", learner, *named, input=lines)


def sentence(result: Result) -> str:
    """The one sentence of a usage error."""
    assert result.exit_code == 2, result.output
    assert result.stdout == ""
    assert "Traceback" not in result.stderr
    (line,) = result.stderr.splitlines()
    return line


# --- a check that is recorded ----------------------------------------------------------------


@pytest.mark.parametrize(
    ("outcome", "verdict", "status"),
    [
        (make_reading(4.983, 0.021), "within", 0),
        (make_reading(5.6, 0.021), "outside", 1),
        (make_reading(5.25, 0.021), "undecided", 3),
        (make_refusal("glare"), "refused", 4),
    ],
)
def test_every_check_is_recorded(
    photo: Path, lab: Path, reader_says: Say, outcome: object, verdict: str, status: int
) -> None:
    reader_says(outcome)
    result = check(photo, lab, "--task", "five of tarnadol", "--json")
    assert result.exit_code == status
    assert json.loads(result.stdout)["record"] == 1
    assert "is a new record" in result.stderr
    (one,) = stored(lab)
    assert (one.learner, one.task, one.entry.verdict) == ("trainee-07", "five of tarnadol", verdict)
    assert one.entry.photos == (sha256(photo.read_bytes()).hexdigest(),)


def test_a_person_is_told(photo: Path, lab: Path, reader_says: Say) -> None:
    reader_says(make_reading())
    check(photo, lab)
    reader_says(make_refusal("glare"))
    result = check(photo, lab)
    assert f"Recorded in {lab} as number 2." in result.stdout
    assert "new record" not in result.stderr


def test_without_a_record_nothing_changes(photo: Path, reader_says: Say) -> None:
    reader_says(make_reading())
    result = run("check", photo, "--target", "5mL", "--tolerance", "5%", "--json", "--no-picture")
    assert "record" not in json.loads(result.stdout)
    assert [file.name for file in photo.parent.iterdir()] == [photo.name]


def test_nothing_of_place_owner_or_name_goes_in(
    photo: Path, lab: Path, reader_says: Say, tmp_path: Path
) -> None:
    folder = tmp_path / "Anna-Example-phone"
    folder.mkdir()
    named = folder / "Anna Example.jpg"
    exif = Image.Exif()
    exif[0x013B] = "Anna Example"  # artist
    exif.get_ifd(0x8825)[1] = "N"  # GPS
    exif.get_ifd(0x8825)[2] = (51.0, 28.0, 38.25)
    with Image.open(photo) as image:
        image.save(named, exif=exif)
    assert b"Anna Example" in named.read_bytes()
    reader_says(ValueError(f"cannot broadcast {named}"))  # an error that quotes the name
    assert check(named, lab).exit_code == 4
    files = b"".join(file.read_bytes() for file in lab.parent.glob("LAB.db*"))
    for trace in (b"Anna", b"Example", b"51.0", b"28.0, 38"):
        assert trace not in files
    assert stored(lab)[0].entry.reasons == ("internal-error",)


def test_a_stage_of_a_plan_and_a_dilution(photo: Path, lab: Path, reader_says: Say) -> None:
    plan = photo.with_name("plan.json")
    plan.write_text(
        run(
            *("plan", "dilute", "--concentration", "10 mg/mL", "--to-concentration", "1 mg/mL"),
            *("--final-volume", "10 mL", "--json"),
        ).stdout
    )
    after = photo.with_name("after.jpg")
    after.write_bytes(photo.read_bytes() + b"another")
    reader_says(make_reading(9.0, 0.02))
    people = ("--record", lab, "--learner", "t1", "--no-picture")
    staged = run("check", photo, "--plan", plan, "--stage", "1", *people)
    assert staged.exit_code in (0, 1, 3), staged.output
    reader_says(make_reading(9.0, 0.02), make_reading(10.0, 0.02))
    pair = ("--before", photo, "--after", after, "--plan", plan)
    done = run("check", *pair, *people, "--json")
    assert json.loads(done.stdout)["record"] == 2
    reader_says(make_reading(9.0), make_refusal("glare"))
    assert json.loads(run("check", *pair, *people, "--json").stdout)["record"] == 3
    one, two, three = (record.entry for record in stored(lab))
    assert one.check["stage"] == 1
    assert (two.kind, len(two.photos)) == ("strength", 2)
    assert two.relative_deviation is not None
    assert (three.kind, three.verdict, three.reasons) == ("strength", "refused", ("glare",))


def test_many_photographs_with_their_learners(photo: Path, lab: Path, reader_says: Say) -> None:
    other = photo.with_name("other.jpg")
    other.write_bytes(photo.read_bytes() + b"x")
    manifest = photo.with_name("day.csv")
    manifest.write_text(
        "photo,target,tolerance,learner,task\n"
        "drawn.jpg,5mL,5%,t1,first\nother.jpg,5mL,5%,,\ngone.jpg,5mL,5%,t1,\n"
    )
    reader_says(make_reading(4.983, 0.021))
    options = ("--record", lab, "--learner", "t9", "--task", "rest", "--json")
    result = run("check", "--manifest", manifest, *options)
    assert result.exit_code == 2  # one is not there
    numbers = [json.loads(line).get("record") for line in result.stdout.splitlines()]
    assert numbers == [1, 2, None]
    assert [(s.learner, s.task) for s in stored(lab)] == [("t1", "first"), ("t9", "rest")]
    # a run that was stopped can be repeated, and counts nobody twice
    run("check", "--manifest", manifest, *options)
    assert len(stored(lab)) == 2


def test_a_name_in_a_list_stops_it_before_anything_is_read(photo: Path, lab: Path) -> None:
    manifest = photo.with_name("day.csv")
    manifest.write_text("photo,target,tolerance,learner\ndrawn.jpg,5mL,5%,Anna Example\n")
    assert "no pseudonym" in sentence(run("check", "--manifest", manifest, "--record", lab))
    assert not lab.exists()


@pytest.mark.parametrize(
    ("options", "why"),
    [
        (("--learner", "t1"), "--learner and --task need --record"),
        (("--task", "five"), "--learner and --task need --record"),
        (("--record", "LAB.db"), "--record needs --learner"),
        (("--record", "LAB.db", "--learner", "Anna Example"), "never a person's name"),
        (("--record", "LAB.db", "--learner", "t1", "--task", "a\x1b[31m"), "no name for a task"),
        (("--record", "drawn.jpg", "--learner", "t1"), "is not a record of drawmark"),
        (("--record", "none/LAB.db", "--learner", "t1"), "folder that does not exist"),
    ],
)
def test_a_record_that_will_not_do_is_told_before_the_photograph_is_read(
    photo: Path, monkeypatch: pytest.MonkeyPatch, options: tuple[str, ...], why: str
) -> None:
    monkeypatch.chdir(photo.parent)
    monkeypatch.setattr("drawmark.vision.read_photo", lambda *_, **__: pytest.fail("was read"))
    before = photo.read_bytes()
    result = run("check", "drawn.jpg", "--target", "5mL", "--tolerance", "5%", *options)
    assert why in sentence(result)
    assert [file.name for file in photo.parent.iterdir()] == ["drawn.jpg"]
    assert photo.read_bytes() == before


def test_a_check_that_could_not_be_recorded_is_told_all_the_same(
    photo: Path, lab: Path, reader_says: Say, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("drawmark.cli.record_store.BUSY_SECONDS", 0.05)
    RecordStore.open(lab, create=True).close()
    reader_says(make_reading(4.983, 0.021))
    other = sqlite3.connect(lab, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    result = check(photo, lab, "--json")
    other.execute("ROLLBACK")
    other.close()
    assert result.exit_code == 2
    assert json.loads(result.stdout)["verdict"] == "within"
    assert json.loads(result.stdout)["record"] is None
    assert "was NOT recorded" in result.stderr
    assert "being written by another program" in result.stderr
    assert stored(lab) == []


# --- record add ------------------------------------------------------------------------------


def test_add_from_a_pipe_and_from_a_file(lab: Path, tmp_path: Path) -> None:
    assert "as number 1." in add(lab, check_of()).stdout
    file = tmp_path / "check.json"
    file.write_text(json.dumps(check_of(5.2), indent=2))
    result = run("record", "add", lab, file, "--learner", "t1", "--at", "2026-03-02", "--json")
    assert json.loads(result.stdout) == {"added": [2], "already_there": []}
    again = run("record", "add", lab, file, "--learner", "t1", "--json")
    assert json.loads(again.stdout) == {"added": [], "already_there": [2]}
    assert "without the photograph's hash" in again.stderr
    assert stored(lab)[0].recorded_at[:4] == "2026"
    assert [s.number for s in stored(lab)] == [2, 1]


def test_add_takes_all_or_nothing(lab: Path) -> None:
    add(lab, check_of())
    bad = check_of() | {"verdict": "fine"}
    result = add(lab, check_of(5.1), check_of(5.2), bad)
    assert "line 3" in sentence(result)
    assert "Nothing was added" in result.stderr
    assert len(stored(lab)) == 1


def test_learner_and_task_of_a_results_file(lab: Path) -> None:
    lines = [check_of() | {"learner": "t5", "task": "own"}, check_of(5.1) | {"learner": "t6"}]
    text = "".join(json.dumps(line) + "\n" for line in lines)
    assert run("record", "add", lab, input=text).exit_code == 0
    assert [(s.learner, s.task) for s in stored(lab)] == [("t5", "own"), ("t6", None)]
    assert "--learner is missing" in sentence(
        run("record", "add", lab, input=json.dumps(check_of()))
    )


def test_a_photograph_of_two_learners_is_pointed_out(photo: Path, lab: Path) -> None:
    one = check_of(photo=str(photo))
    add(lab, one)
    result = add(lab, one, learner="t2")
    assert result.exit_code == 0
    assert "recorded for t1 too" in result.stderr


@pytest.mark.parametrize(
    ("name", "content", "why"),
    [
        ("gone.json", None, "does not exist"),
        (".", None, "cannot be read"),
        ("photo.jpg", b"\xff\xd8\xff\xe0", "is not JSON"),
        ("read.jsonl", b'{"photo": "a.jpg", "status": "read"}', "a reading without a target"),
        ("empty.json", b"", "it is empty"),
    ],
)
def test_what_cannot_be_added(
    lab: Path, tmp_path: Path, name: str, content: bytes | None, why: str
) -> None:
    if content is not None:
        (tmp_path / name).write_bytes(content)
    assert why in sentence(run("record", "add", lab, tmp_path / name, "--learner", "t1"))
    assert not lab.exists()


# --- list and show ---------------------------------------------------------------------------


@pytest.fixture
def full(lab: Path) -> Path:
    """A record of three learners."""
    add(lab, check_of(5.05), check_of(4.5), task="five of tarnadol")
    add(lab, refused_check(), learner="t2")
    add(lab, check_of(5.0), learner="t3", task="=HYPERLINK(1)")
    return lab


def test_list(full: Path) -> None:
    lines = run("record", "list", full).stdout.splitlines()
    assert lines[0].split()[:4] == ["number", "recorded", "(UTC)", "learner"]
    assert "+0.050 mL" in lines[1]
    assert "five of tarnadol" in lines[1]
    assert lines[3].endswith("refused")
    assert len(lines) == 5
    assert len(run("record", "list", full, "--learner", "T1").stdout.splitlines()) == 3
    assert len(run("record", "list", full, "--last", "1").stdout.splitlines()) == 2
    task = run("record", "list", full, "--task", " five  of tarnadol", "--json")
    records = [json.loads(line) for line in task.stdout.splitlines()]
    assert [record["number"] for record in records] == [1, 2]
    assert records[0]["check"]["target_ml"] == 5.0
    assert "No record fits" in run("record", "list", full, "--learner", "nobody").stdout
    assert "--verdict is one of" in sentence(run("record", "list", full, "--verdict", "good"))


def test_show(full: Path) -> None:
    text = run("record", "show", full, "1").stdout
    assert "5.050 ± 0.040 mL (k = 2)" in text
    assert "+0.050 mL" in text
    assert "glare" in run("record", "show", full, "3").stdout
    record = json.loads(run("record", "show", full, "3", "--json").stdout)
    assert (record["learner"], record["verdict"], record["reasons"]) == ("t2", "refused", ["glare"])
    assert "no record with the number 9" in sentence(run("record", "show", full, "9"))


def test_numbers_and_names_that_no_record_can_have(full: Path) -> None:
    huge = 10**20
    assert "no record with the number" in sentence(run("record", "show", full, huge))
    assert "has no number" in sentence(run("record", "delete", full, huge, "--yes"))
    assert len(run("record", "list", full, "--last", huge).stdout.splitlines()) == 5
    assert "No record fits" in run("record", "list", full, "--learner", "\udcff").stdout
    assert "no records of" in sentence(run("record", "delete", full, "--learner", "\udcff"))
    assert "--at is a date from" in sentence(
        run("record", "add", full, "--learner", "t1", "--at", "0001-01-01", input="{}")
    )


# --- export ----------------------------------------------------------------------------------


def test_csv_is_harmless_and_numbers_stay_numbers(full: Path, tmp_path: Path) -> None:
    out = tmp_path / "out.csv"
    assert "4 records exported" in run("record", "export", full, out).stdout
    with out.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [float(row["deviation_ml"]) for row in rows if row["deviation_ml"]] == [0.05, -0.5, 0.0]
    assert rows[3]["task"] == "'=HYPERLINK(1)"
    for row in rows:
        for cell in row.values():
            if cell[:1] in tuple("=+-@\t\r"):
                float(cell)


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t=", "\r=", " =", "＝"])
def test_a_cell_that_begins_like_a_formula(start: str) -> None:
    from drawmark.cli.record_export import harmless

    assert harmless(f"{start}1+1") == f"'{start}1+1"
    assert harmless("five mL - and more") == "five mL - and more"
    assert harmless("") == ""


def test_json_lines(full: Path, tmp_path: Path) -> None:
    out = tmp_path / "out.jsonl"
    result = run("record", "export", full, out, "--learner", "t1", "--json")
    assert json.loads(result.stdout) == {"exported": 2, "file": str(out)}
    listed = run("record", "list", full, "--learner", "t1", "--json").stdout
    assert out.read_text() == listed


def test_parquet(full: Path, tmp_path: Path) -> None:
    parquet = pytest.importorskip("pyarrow.parquet")
    out = tmp_path / "out.parquet"
    assert run("record", "export", full, out).exit_code == 0
    rows = parquet.read_table(out).to_pylist()
    listed = run("record", "list", full, "--json").stdout.splitlines()
    for row, line in zip(rows, map(json.loads, listed), strict=True):
        assert row["deviation_ml"] == line["deviation_ml"]
        assert json.loads(row["check_json"]) == line["check"]
    assert rows[3]["task"] == "=HYPERLINK(1)"  # a typed column is no formula


def test_parquet_without_its_package(
    full: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    result = run("record", "export", full, tmp_path / "out.parquet")
    assert "pip install 'drawmark[parquet]'" in sentence(result)
    assert [file.name for file in tmp_path.iterdir()] == ["LAB.db"]


def test_an_export_replaces_nothing_unasked(full: Path, tmp_path: Path) -> None:
    out = tmp_path / "out.csv"
    out.write_text("somebody's")
    assert "exists and is left as it is" in sentence(run("record", "export", full, out))
    assert out.read_text() == "somebody's"
    assert run("record", "export", full, out, "--force").exit_code == 0
    assert out.read_text().startswith("number,")
    link = tmp_path / "link.csv"
    link.symlink_to(tmp_path / "nowhere.csv")
    assert "exists and is left as it is" in sentence(run("record", "export", full, link))
    assert sorted(file.name for file in tmp_path.iterdir()) == ["LAB.db", "link.csv", "out.csv"]


def test_an_export_that_fails_leaves_the_older_one(
    full: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out.csv"
    out.write_text("older")

    def full_disk(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setitem(
        __import__("drawmark.cli.record_export", fromlist=["WRITERS"]).WRITERS, ".csv", full_disk
    )
    assert "no space left" in sentence(run("record", "export", full, out, "--force"))
    assert out.read_text() == "older"
    assert sorted(file.name for file in tmp_path.iterdir()) == ["LAB.db", "out.csv"]


def test_names_that_cannot_be_exported_to(full: Path, tmp_path: Path) -> None:
    assert "must end in .csv" in sentence(run("record", "export", full, tmp_path / "out.xlsx"))
    assert "cannot be written" in sentence(run("record", "export", full, tmp_path / "no/out.csv"))
    disguised = tmp_path / "LAB.csv"
    disguised.hardlink_to(full)
    assert "is the record itself" in sentence(run("record", "export", full, disguised, "--force"))


# --- delete ----------------------------------------------------------------------------------


def test_delete_asks(full: Path) -> None:
    result = run("record", "delete", full, "1", input="n\n")
    assert result.exit_code == 1
    assert "nothing was deleted" in result.stderr
    assert run("record", "delete", full, "1", input="").exit_code == 1
    assert len(stored(full)) == 4
    result = run("record", "delete", full, "1", input="y\n")
    assert "1 record deleted." in result.stdout
    assert [s.number for s in stored(full)] == [2, 3, 4]


def test_delete_a_learner(full: Path) -> None:
    result = run("record", "delete", full, "--learner", "T1", "--yes", "--json")
    assert json.loads(result.stdout) == {"deleted": 2}
    assert {s.learner for s in stored(full)} == {"t2", "t3"}
    assert "no records of the learner 'T1'" in sentence(
        run("record", "delete", full, "--learner", "T1", "--yes")
    )


@pytest.mark.parametrize(
    ("arguments", "why"),
    [
        ((), "one of the two"),
        (("1", "--learner", "t1"), "one of the two"),
        (("1", "8", "9"), "has no numbers 8 to 9; nothing was deleted"),
    ],
)
def test_what_cannot_be_deleted(full: Path, arguments: tuple[str, ...], why: str) -> None:
    assert why in sentence(run("record", "delete", full, *arguments, "--yes"))
    assert len(stored(full)) == 4


# --- a file that will not do -----------------------------------------------------------------


@pytest.mark.parametrize(
    "command",
    [
        ("list", "{}"),
        ("show", "{}", "1"),
        ("export", "{}", "out.csv"),
        ("delete", "{}", "1", "--yes"),
    ],
)
def test_no_record_or_not_a_record(command: tuple[str, ...], tmp_path: Path) -> None:
    def on(lab: Path) -> Result:
        return run("record", *(part.format(lab) for part in command))

    assert "does not exist" in sentence(on(tmp_path / "gone.db"))
    other = tmp_path / "notes.db"
    other.write_text("notes\n" * 300)
    assert "is not a record of drawmark" in sentence(on(other))
    assert sorted(file.name for file in tmp_path.iterdir()) == ["notes.db"]


@pytest.mark.skipif(sys.platform == "win32", reason="needs SIGKILL")
def test_the_command_killed_after_its_answer(lab: Path) -> None:
    # what stands on standard output is in the file, however the program then ends
    code = (
        "import os, signal, sys; from drawmark.cli import record; tell = record._tell_added\n"
        "def tell_and_die(*a):\n"
        "    tell(*a); sys.stdout.flush(); os.kill(os.getpid(), signal.SIGKILL)\n"
        "record._tell_added = tell_and_die\n"
        "from drawmark.cli.app import main; main()"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, "record", "add", str(lab), "--learner", "t1"],
        input=json.dumps(check_of()),
        capture_output=True,
        text=True,
        check=False,
        env=os.environ,
    )
    assert done.returncode == -signal.SIGKILL
    assert "as number 1." in done.stdout
    assert [s.number for s in stored(lab)] == [1]
