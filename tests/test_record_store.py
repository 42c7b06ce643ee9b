"""The lab's record as a file: what is in it stays in it, and every failure is one sentence."""

from __future__ import annotations

import os
import sqlite3
import tempfile
import threading
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from drawmark.cli.record_store import (
    SCHEMA,
    Added,
    Entry,
    RecordError,
    RecordStore,
    pseudonym,
    task_name,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

PHOTO = "a1" * 32


@pytest.fixture
def lab(tmp_path: Path) -> Path:
    return tmp_path / "LAB.db"


def entry(deviation_ml: float = -0.017, *photos: str, **more: object) -> Entry:
    check = {"verdict": "within", "deviation_ml": deviation_ml}
    return Entry("volume", "within", check, photos or (PHOTO,), deviation_ml=deviation_ml, **more)


def test_what_is_added_comes_back_whole(lab: Path) -> None:
    given = entry(target_ml=5.0, capacity_ml=10.0, reasons=("glare", "too-blurred"), program="1.2")
    when = datetime(2026, 3, 2, 9, 30, tzinfo=UTC)
    with RecordStore.open(lab, create=True) as store:
        added = store.add(given, learner="trainee-07", task="five  of\ttarnadol", recorded_at=when)
    assert added == Added(1, new=True)
    with RecordStore.open(lab) as store:
        (stored,) = store.records()
    assert stored.entry == given
    assert (stored.learner, stored.task) == ("trainee-07", "five of tarnadol")
    assert stored.recorded_at == "2026-03-02T09:30:00Z"


def test_the_file_is_in_the_modes_promised(lab: Path) -> None:
    with RecordStore.open(lab, create=True) as store:
        connection = store._connection
        for pragma, value in {
            "journal_mode": "wal",
            "foreign_keys": 1,
            "synchronous": 2,  # FULL
            "secure_delete": 1,
            "user_version": SCHEMA,
        }.items():
            assert connection.execute(f"PRAGMA {pragma}").fetchone() == (value,), pragma
        store.add(entry(), learner="t1")
        with pytest.raises(sqlite3.IntegrityError, match="FOREIGN KEY"):
            connection.execute("UPDATE record SET learner_id = 99")
        with pytest.raises(sqlite3.IntegrityError, match="FOREIGN KEY"):
            connection.execute("DELETE FROM learner")


def test_a_pseudonym_is_one_word() -> None:
    assert pseudonym(" trainee-07 ") == "trainee-07"
    for text in ("", "Ann Other", "a@b.org", "x" * 41, "a\nb", "../x", "=1+1", "\x1b[31m"):
        with pytest.raises(RecordError, match="trainee-07"):
            pseudonym(text)


def test_a_task_is_printable() -> None:
    assert task_name("  draw\n5 mL ") == "draw 5 mL"
    assert task_name("  ") is None
    for text in ("\x1b[31mred", "x" * 201, "a\x00b"):
        with pytest.raises(RecordError, match="no name for a task"):
            task_name(text)


# --- one check, one record -------------------------------------------------------------------


def test_the_same_check_again_changes_nothing(lab: Path) -> None:
    with RecordStore.open(lab, create=True) as store:
        assert store.add(entry(), learner="t1", task="five") == Added(1, new=True)
        assert store.add(entry(), learner="T1", task=" five ") == Added(1, new=False)
        assert len(store.records()) == 1


@pytest.mark.parametrize(
    ("changed", "task"),
    [
        (entry(), "six"),
        (entry(0.1), "five"),
        (entry(-0.017, "b2" * 32), "five"),
        (replace(entry(), photos=()), "five"),
        (entry(-0.017, PHOTO, "b2" * 32), "five"),
    ],
)
def test_whatever_differs_is_a_record_of_its_own(lab: Path, changed: Entry, task: str) -> None:
    with RecordStore.open(lab, create=True) as store:
        store.add(entry(), learner="t1", task="five")
        assert store.add(changed, learner="t1", task=task).new
        assert [s.entry.photos for s in store.records()] == [(PHOTO,), changed.photos]


def test_a_photograph_of_two_learners_is_pointed_out(lab: Path) -> None:
    with RecordStore.open(lab, create=True) as store:
        assert store.add(entry(), learner="t1").also_of == ()
        assert store.add(entry(0.1, "b2" * 32, PHOTO), learner="t2").also_of == ("t1",)
        assert store.add(entry(0.2), learner="t2").also_of == ("t1",)


def test_all_or_none(lab: Path) -> None:
    with RecordStore.open(lab, create=True) as store:
        store.add(entry(0.5), learner="t1")
        broken = replace(entry(0.9), verdict="perhaps")
        with pytest.raises(RecordError, match="CHECK constraint"):
            store.add_all([(entry(), "t1", None), (broken, "t1", None)])
        with pytest.raises(RecordError, match="no pseudonym"):
            store.add_all([(entry(), "t1", None), (entry(), "not one", None)])
        assert [s.entry.deviation_ml for s in store.records()] == [0.5]


def test_records_are_found(lab: Path) -> None:
    with RecordStore.open(lab, create=True) as store:
        for day, (who, what) in enumerate([("t1", "a"), ("t2", "a"), ("t1", None)], 1):
            when = datetime(2026, 3, 10 - day, tzinfo=UTC)
            store.add(entry(day / 10), learner=who, task=what, recorded_at=when)
        assert [s.number for s in store.records()] == [3, 2, 1]  # by time, not by number
        assert [s.number for s in store.records(learner="T1")] == [3, 1]
        assert [s.number for s in store.records(learner="t1", task="a")] == [1]
        assert store.records(verdict="refused") == []
        assert [s.number for s in store.records(last=2)] == [2, 1]
        assert store.get(2) is not None
        assert store.get(4) is None
        assert store.learners() == ["t1", "t2"]


# --- deletion --------------------------------------------------------------------------------


def test_what_is_deleted_is_nowhere_any_more(lab: Path) -> None:
    photo = "c3" * 32
    with RecordStore.open(lab, create=True) as store:
        store.add(entry(0.1), learner="stays", task="kept")
        for step in range(20):
            store.add(entry(step, photo), learner="someone-leaving", task="secretive")
        assert store.delete_learner("someone-leaving") == 20
        for trace in (b"someone-leaving", b"secretive", photo.encode()):
            for file in lab.parent.iterdir():
                assert trace not in file.read_bytes(), file.name
        assert store.learners() == ["stays"]
        assert store._connection.execute("SELECT count(*) FROM record_photo").fetchone() == (1,)
        assert store.delete_learner("someone-leaving") == 0


def test_a_number_is_never_given_twice(lab: Path) -> None:
    with RecordStore.open(lab, create=True) as store:
        store.add(entry(0.1), learner="t1")
        store.add(entry(0.2), learner="t1")
        assert store.delete([2, 7]) == 1
        assert store.add(entry(0.2), learner="t1") == Added(3, new=True)
        assert store.delete([1, 3]) == 2
        assert store.learners() == []


# --- other versions --------------------------------------------------------------------------


@pytest.fixture
def old(tmp_path: Path) -> Path:
    """A record as it was when the schema had the number 1."""
    path = tmp_path / "old.db"
    script = Path(__file__).with_name("data") / "record_schema_1.sql"
    connection = sqlite3.connect(path)
    connection.executescript(script.read_text(encoding="utf-8"))
    connection.close()
    return path


def test_an_older_record_is_brought_up_to_date(old: Path) -> None:
    with RecordStore.open(old) as store:
        stored = store.records()
        for pragma, rows in {
            "user_version": [(SCHEMA,)],
            "foreign_key_check": [],
            "integrity_check": [("ok",)],
        }.items():
            assert store._connection.execute(f"PRAGMA {pragma}").fetchall() == rows
        assert [(s.number, s.learner, s.task, s.entry.verdict) for s in stored] == [
            (1, "trainee-07", "5 mL of tarnadol", "within"),
            (2, "trainee-07", None, "refused"),
            (3, "Trainee-11", "=4 mL", "outside"),
            (4, "Trainee-11", None, "undecided"),
        ]
        assert [s.entry.photos for s in stored] == [(PHOTO,), ("b2" * 32,), (PHOTO,), ()]
        assert stored[0].recorded_at == "2026-03-02T09:00:00Z"
        assert stored[0].entry.liquid_ml == 4.983
        assert stored[0].entry.check["reading"]["photo"] == f"sha256:{PHOTO}"
        assert stored[1].entry.reasons == ("glare",)
        # the old records are still known as the checks they are, and the numbers go on
        first = stored[0]
        assert not store.add(first.entry, learner=first.learner, task=first.task).new
        assert store.add(entry(), learner="trainee-07").number == 5


def test_the_tables_are_the_same_whether_made_now_or_brought_up_to_date(
    old: Path, lab: Path
) -> None:
    def tables(path: Path, *, create: bool = False) -> set[str]:
        with RecordStore.open(path, create=create) as store:
            rows = store._connection.execute("SELECT sql FROM sqlite_schema WHERE sql NOT NULL")
            return {" ".join(sql.split()) for (sql,) in rows}

    assert tables(old) == tables(lab, create=True)


def test_a_step_that_fails_leaves_the_older_record_as_it_was(
    old: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def dump() -> list[str]:
        connection = sqlite3.connect(old)
        lines = list(connection.iterdump())
        version = connection.execute("PRAGMA user_version").fetchone()
        connection.close()
        return [*lines, str(version)]

    before = dump()
    from drawmark.cli import record_store

    broken = (record_store.MIGRATIONS[0], f"{record_store.MIGRATIONS[1]}\nDROP TABLE none_such;")
    monkeypatch.setattr(record_store, "MIGRATIONS", broken)
    with pytest.raises(RecordError, match="no such table"):
        RecordStore.open(old)
    assert dump() == before


def test_a_newer_record_is_left_alone(lab: Path) -> None:
    RecordStore.open(lab, create=True).close()
    connection = sqlite3.connect(lab)
    connection.execute(f"PRAGMA user_version={SCHEMA + 1}")
    connection.close()
    with pytest.raises(RecordError, match=f"newer drawmark .schema {SCHEMA + 1}.*update"):
        RecordStore.open(lab, create=True)


def test_a_python_with_too_old_an_sqlite(lab: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sqlite3, "sqlite_version_info", (3, 36, 0))
    with pytest.raises(RecordError, match=r"needs SQLite 3\.37 or newer"):
        RecordStore.open(lab, create=True)
    assert not lab.exists()


# --- files that will not do ------------------------------------------------------------------


def test_a_file_that_is_no_database(lab: Path) -> None:
    lab.write_text("learner,volume\n" * 200)
    before = lab.read_bytes()
    with pytest.raises(RecordError, match="is not a record of drawmark"):
        RecordStore.open(lab, create=True)
    assert lab.read_bytes() == before


def test_somebody_elses_database(lab: Path) -> None:
    connection = sqlite3.connect(lab)
    connection.execute("CREATE TABLE learner (name)")
    connection.close()
    before = lab.read_bytes()
    with pytest.raises(RecordError, match="is not a record of drawmark"):
        RecordStore.open(lab, create=True)
    assert lab.read_bytes() == before


def test_an_empty_file_becomes_a_record_only_where_one_may_be_made(lab: Path) -> None:
    lab.touch()
    with pytest.raises(RecordError, match="is not a record of drawmark"):
        RecordStore.open(lab)
    RecordStore.open(lab, create=True).close()
    RecordStore.open(lab).close()


def test_no_such_file_folder_or_name(lab: Path) -> None:
    with pytest.raises(RecordError, match="does not exist; check the name"):
        RecordStore.open(lab)
    assert not lab.exists()
    with pytest.raises(RecordError, match="a folder that does not exist"):
        RecordStore.open(lab.parent / "none" / "LAB.db", create=True)
    with pytest.raises(RecordError, match="is a folder"):
        RecordStore.open(lab.parent, create=True)
    with pytest.raises(RecordError, match="no name of a file"):
        RecordStore.open(Path("a\0b"), create=True)


def test_a_name_with_characters_that_mean_something_in_an_address(tmp_path: Path) -> None:
    lab = tmp_path / "lab #1? 100%.db"
    RecordStore.open(lab, create=True).close()
    assert lab.is_file()


def test_a_damaged_record(lab: Path) -> None:
    with RecordStore.open(lab, create=True) as store:
        for step in range(200):
            store.add(entry(step), learner="t1")
    data = bytearray(lab.read_bytes())
    data[4096:] = b"\xff" * (len(data) - 4096)
    lab.write_bytes(data)
    with (
        pytest.raises(RecordError, match=r"is damaged; go back to a copy"),
        RecordStore.open(lab) as store,
    ):
        store.records()


def test_a_locked_record(lab: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("drawmark.cli.record_store.BUSY_SECONDS", 0.05)
    with RecordStore.open(lab, create=True) as store, RecordStore.open(lab) as other:
        other._connection.execute("BEGIN IMMEDIATE")
        with pytest.raises(RecordError, match="being written by another program; try again"):
            store.add(entry(), learner="t1")
        assert store.records() == []  # one who only looks need not wait
        other._connection.execute("ROLLBACK")
        assert store.add(entry(), learner="t1").new


def test_a_short_lock_is_waited_for(lab: Path) -> None:
    with RecordStore.open(lab, create=True) as store:
        other = sqlite3.connect(lab, isolation_level=None, check_same_thread=False)
        other.execute("BEGIN IMMEDIATE")
        release = threading.Timer(0.2, other.execute, ["COMMIT"])
        release.start()
        assert store.add(entry(), learner="t1").new
        release.join()
        other.close()


def test_many_at_once_make_one_record(lab: Path) -> None:
    numbers: list[int] = []

    def write(who: int) -> None:
        with RecordStore.open(lab, create=True) as store:
            numbers.extend(store.add(entry(step), learner=f"t{who}").number for step in range(5))

    threads = [threading.Thread(target=write, args=[who]) for who in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(numbers) == list(range(1, 41))


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="permissions as POSIX has them")
def test_a_folder_that_cannot_be_written_to() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        lab = folder / "LAB.db"
        with RecordStore.open(lab, create=True) as store:
            store.add(entry(), learner="t1")
        with _without_rights(folder):
            with pytest.raises(RecordError, match=r"cannot be (opened|written to).*permissions"):
                RecordStore.open(lab)
            with pytest.raises(RecordError, match=r"cannot be (opened|written to).*permissions"):
                RecordStore.open(folder / "new.db", create=True)
        with RecordStore.open(lab) as store:
            assert len(store.records()) == 1


@contextmanager
def _without_rights(folder: Path) -> Iterator[None]:
    """Nobody may write in *folder*; the superuser, whom that does not stop, becomes nobody."""
    folder.chmod(0o555)
    superuser = os.geteuid() == 0
    if superuser:
        os.seteuid(65534)
    try:
        yield
    finally:
        if superuser:
            os.seteuid(0)
        folder.chmod(0o755)
