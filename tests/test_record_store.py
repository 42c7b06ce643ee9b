"""The lab's record as a file: what is in it stays in it, and every failure is one sentence."""

from __future__ import annotations

import sqlite3
from datetime import UTC, datetime
from pathlib import Path

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

PHOTO = "a1" * 32


@pytest.fixture
def lab(tmp_path: Path) -> Path:
    return tmp_path / "LAB.db"


def entry(deviation_ml: float = -0.017, photo: str | None = PHOTO, **more: object) -> Entry:
    check = {"verdict": "within", "deviation_ml": deviation_ml}
    return Entry("volume", "within", check, photo, deviation_ml=deviation_ml, **more)


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
