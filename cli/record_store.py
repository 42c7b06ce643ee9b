"""The lab's record: one SQLite file that keeps every check for good.

Nothing but the standard library is needed here.  The file is in write-ahead mode with
``synchronous=FULL``: once `RecordStore.add` has returned, the record is on the disk, and a process
killed at any moment leaves a file that opens as it was before or after the change it was making.

Of a photograph the record holds the SHA-256 of its content: no file name, no place, no owner.
"""

from __future__ import annotations

import json
import sqlite3
import unicodedata
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

APPLICATION_ID = 0x44524D4B  # "DRMK": tells the record from any other SQLite file
BUSY_SECONDS = 10.0
LARGEST_NUMBER = 2**63 - 1  # of an integer in SQLite
OLDEST_SQLITE = (3, 37)  # which brought STRICT

# One script a schema version, in order; a file at version n gets the scripts from the n-th on.
# A script that was released is never edited: a change is a new script at the end.
MIGRATIONS: tuple[str, ...] = (
    """
    CREATE TABLE learner (
        id INTEGER PRIMARY KEY,
        pseudonym TEXT NOT NULL UNIQUE COLLATE NOCASE
    ) STRICT;
    CREATE TABLE record (
        id INTEGER PRIMARY KEY AUTOINCREMENT, -- a number is never given twice, not even after a
        digest TEXT NOT NULL UNIQUE,          -- deletion
        recorded_at TEXT NOT NULL,
        learner_id INTEGER NOT NULL REFERENCES learner (id),
        task TEXT,
        photo_sha256 TEXT,
        kind TEXT NOT NULL CHECK (kind IN ('volume', 'strength')),
        verdict TEXT NOT NULL CHECK (verdict IN ('within', 'outside', 'undecided', 'refused')),
        target_ml REAL,
        tolerance_ml REAL,
        liquid_ml REAL,
        standard_uncertainty_ml REAL,
        deviation_ml REAL,
        relative_deviation REAL,
        relative_standard_uncertainty REAL,
        relative_tolerance REAL,
        probability_within REAL,
        capacity_ml REAL,
        interval_ml REAL,
        reasons TEXT NOT NULL,
        program TEXT NOT NULL,
        check_json TEXT NOT NULL CHECK (json_valid(check_json))
    ) STRICT;
    CREATE INDEX record_of_learner ON record (learner_id, recorded_at);
    CREATE INDEX record_of_photo ON record (photo_sha256);
    """,
    # A strength is measured from two photographs.
    """
    CREATE TABLE record_photo (
        record_id INTEGER NOT NULL REFERENCES record (id) ON DELETE CASCADE,
        place INTEGER NOT NULL,
        sha256 TEXT NOT NULL CHECK (length(sha256) = 64),
        PRIMARY KEY (record_id, place)
    ) STRICT, WITHOUT ROWID;
    INSERT INTO record_photo SELECT id, 0, photo_sha256 FROM record WHERE photo_sha256 IS NOT NULL;
    CREATE INDEX record_photo_of_content ON record_photo (sha256);
    DROP INDEX record_of_photo;
    ALTER TABLE record DROP COLUMN photo_sha256;
    """,
)
SCHEMA = len(MIGRATIONS)


class RecordError(Exception):
    """The record cannot be used as asked; the message says why and what to do."""


@dataclass(frozen=True)
class Entry:
    """One check, as it is recorded.  Volumes in mL; ``relative_...`` as a fraction of the target.

    ``standard_uncertainty_ml`` is that of the liquid as photographed, without the syringe's own
    permitted error.  ``kind`` is ``volume``, or ``strength`` for a dilution measured from two
    photographs, which has no single volume.  ``photos`` are the SHA-256 of their contents in
    lower-case hexadecimal, in the order of the check; none where a photograph was not at hand.
    ``check`` is the whole machine-readable check, without names of files.
    """

    kind: str
    verdict: str
    check: dict[str, Any]
    photos: tuple[str, ...] = ()
    target_ml: float | None = None
    tolerance_ml: float | None = None
    liquid_ml: float | None = None
    standard_uncertainty_ml: float | None = None
    deviation_ml: float | None = None
    relative_deviation: float | None = None
    relative_standard_uncertainty: float | None = None
    relative_tolerance: float | None = None
    probability_within: float | None = None
    capacity_ml: float | None = None
    interval_ml: float | None = None
    reasons: tuple[str, ...] = ()
    program: str = ""


@dataclass(frozen=True)
class Stored:
    """A record in the file: its number, the time it was made (UTC, ISO 8601), whose it is."""

    number: int
    recorded_at: str
    learner: str
    task: str | None
    entry: Entry


@dataclass(frozen=True)
class Added:
    """What `RecordStore.add` did.

    ``new`` is false if the same check was there already.  ``also_of`` are other learners who have
    a record of one of its photographs.
    """

    number: int
    new: bool
    also_of: tuple[str, ...] = ()


_COLUMNS = (
    "kind",
    "verdict",
    "target_ml",
    "tolerance_ml",
    "liquid_ml",
    "standard_uncertainty_ml",
    "deviation_ml",
    "relative_deviation",
    "relative_standard_uncertainty",
    "relative_tolerance",
    "probability_within",
    "capacity_ml",
    "interval_ml",
    "program",
)


class RecordStore:
    """An open record.  Use it as a context manager; one a thread.

    Raises
    ------
    RecordError
        From every method, if the file cannot be used: locked, damaged, not writable, full disk.
    """

    def __init__(self, connection: sqlite3.Connection, path: Path) -> None:
        self._connection = connection
        self.path = path

    @classmethod
    def open(cls, path: Path, *, create: bool = False) -> RecordStore:
        """Open the record at *path*, bringing an older schema up to date.

        With *create* a file that does not exist yet, or is empty, becomes a new record.

        Raises
        ------
        RecordError
            If there is no such file, or it is not a record, or a newer program's.
        """
        if sqlite3.sqlite_version_info < OLDEST_SQLITE:
            raise RecordError(
                f"the record needs SQLite {'.'.join(map(str, OLDEST_SQLITE))} or newer and this "
                f"Python has {sqlite3.sqlite_version}; use a newer Python."
            )
        _check_path(path, create=create)
        with _explained(path):
            connection = sqlite3.connect(
                f"{path.absolute().as_uri()}?mode={'rwc' if create else 'rw'}",
                uri=True,
                timeout=BUSY_SECONDS,
                isolation_level=None,  # transactions are begun by hand, where they are needed
            )
            try:
                _check_kind(connection, path, create=create)
                for pragma in (
                    "journal_mode=WAL",
                    "synchronous=FULL",
                    "foreign_keys=ON",
                    "secure_delete=ON",  # what is deleted is overwritten
                ):
                    connection.execute(f"PRAGMA {pragma}")
                _migrate(connection, path)
            except BaseException:
                connection.close()
                raise
        return cls(connection, path)

    def close(self) -> None:
        """Close the file."""
        self._connection.close()

    def __enter__(self) -> RecordStore:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def add(
        self,
        entry: Entry,
        *,
        learner: str,
        task: str | None = None,
        recorded_at: datetime | None = None,
    ) -> Added:
        """Record *entry*; on return it is on the disk.  See `add_all`."""
        return self.add_all([(entry, learner, task)], recorded_at=recorded_at)[0]

    def add_all(
        self,
        entries: Sequence[tuple[Entry, str, str | None]],
        *,
        recorded_at: datetime | None = None,
    ) -> list[Added]:
        """Record entries with their learner and task: all of them, or none if one fails.

        A check that is recorded already (same learner, task, photograph and result) is left as it
        is, so that a run which was stopped can simply be repeated.

        Raises
        ------
        RecordError
            If a pseudonym or a task is none, or the file cannot be written.
        """
        when = (recorded_at or datetime.now(UTC)).astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
        named = [(entry, pseudonym(who), task_name(task)) for entry, who, task in entries]
        with self._change() as connection:
            return [_insert(connection, entry, who, task, when) for entry, who, task in named]

    def records(
        self,
        *,
        learner: str | None = None,
        task: str | None = None,
        verdict: str | None = None,
        last: int | None = None,
    ) -> list[Stored]:
        """The records that fit, oldest first; with *last*, only so many of the newest."""
        where = {"l.pseudonym": _storable(learner), "r.task": task, "r.verdict": verdict}
        given = {column: value for column, value in where.items() if value is not None}
        condition = " AND ".join(f"{column} = ?" for column in given) or "1"
        with _explained(self.path):
            rows = self._connection.execute(
                f"{_SELECT} WHERE {condition} ORDER BY r.recorded_at DESC, r.id DESC LIMIT ?",
                (*given.values(), -1 if last is None else min(last, LARGEST_NUMBER)),
            ).fetchall()
        return [_stored(row) for row in reversed(rows)]

    def get(self, number: int) -> Stored | None:
        """The record of that number, or ``None``."""
        if abs(number) > LARGEST_NUMBER:
            return None
        with _explained(self.path):
            row = self._connection.execute(f"{_SELECT} WHERE r.id = ?", (number,)).fetchone()
        return None if row is None else _stored(row)

    def learners(self) -> list[str]:
        """The pseudonyms that have records."""
        with _explained(self.path):
            rows = self._connection.execute("SELECT pseudonym FROM learner ORDER BY pseudonym")
            return [name for (name,) in rows]

    def delete(self, numbers: Sequence[int]) -> int:
        """Delete those records, and learners left without any; how many records were there."""
        with self._change() as connection:
            count = sum(
                connection.execute("DELETE FROM record WHERE id = ?", (number,)).rowcount
                for number in numbers
                if abs(number) <= LARGEST_NUMBER
            )
            _delete_unused(connection)
        self._empty_log()
        return count

    def delete_learner(self, learner: str) -> int:
        """Delete a learner with all records; how many records there were."""
        with self._change() as connection:
            count = connection.execute(
                "DELETE FROM record WHERE learner_id IN "
                "(SELECT id FROM learner WHERE pseudonym = ?)",
                (_storable(learner),),
            ).rowcount
            _delete_unused(connection)
        self._empty_log()
        return count

    @contextmanager
    def _change(self) -> Iterator[sqlite3.Connection]:
        """A transaction that is complete and on the disk when the block ends, or undone."""
        with _explained(self.path), _transaction(self._connection):
            yield self._connection

    def _empty_log(self) -> None:
        """Move the write-ahead log into the file, so that what was deleted is nowhere any more."""
        with _explained(self.path):
            self._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def pseudonym(text: str) -> str:
    """*text* as a pseudonym.

    One word: a full name or an address is what nobody should type here, and both are refused.

    Raises
    ------
    RecordError
        If it is none.
    """
    word = unicodedata.normalize("NFC", text.strip())
    if not 1 <= len(word) <= 40 or not all(c.isalnum() or c in "-_." for c in word):
        raise RecordError(
            f"{_shown(text)} is no pseudonym; use one word of up to 40 letters, digits, '-', '_' "
            "or '.', such as trainee-07, and never a person's name."
        )
    return word


def task_name(text: str | None) -> str | None:
    """*text* as the name of a task, blanks evened out; ``None`` if there is none.

    Raises
    ------
    RecordError
        If it is too long or holds what cannot be printed.
    """
    name = unicodedata.normalize("NFC", " ".join((text or "").split()))
    if len(name) > 200 or not name.isprintable():
        raise RecordError(
            f"{_shown(name)} is no name for a task; use up to 200 characters that can be printed."
        )
    return name or None


def _shown(text: str) -> str:
    """*text* in quotes, short, and harmless to a terminal."""
    return ascii(text) if len(text) <= 60 else f"{text[:57]!a}..."


def _storable(text: str | None) -> str | None:
    """*text* without what is no text at all, as bytes on a command line may be; finds nothing."""
    return None if text is None else text.encode("utf-8", "replace").decode()


def digest_of(entry: Entry, learner: str, task: str | None) -> str:
    """What makes two records the same check: SHA-256, hexadecimal."""
    photos = entry.photos if len(entry.photos) > 1 else next(iter(entry.photos), None)
    what = [learner.casefold(), task, photos, entry.check]
    return sha256(json.dumps(what, sort_keys=True).encode()).hexdigest()


_SELECT = (
    "SELECT r.id, r.recorded_at, l.pseudonym, r.task, r.reasons, r.check_json, "
    "(SELECT group_concat(sha256, ' ') FROM (SELECT sha256 FROM record_photo p "
    "WHERE p.record_id = r.id ORDER BY place)), "
    f"{', '.join(f'r.{column}' for column in _COLUMNS)} "
    "FROM record r JOIN learner l ON l.id = r.learner_id"
)


def _stored(row: tuple[Any, ...]) -> Stored:
    number, recorded_at, learner, task, reasons, check_json, photos, *values = row
    entry = Entry(
        **dict(zip(_COLUMNS, values, strict=True)),
        check=json.loads(check_json),
        photos=tuple((photos or "").split()),
        reasons=tuple(reasons.split()),
    )
    return Stored(number, recorded_at, learner, task, entry)


def _insert(
    connection: sqlite3.Connection, entry: Entry, learner: str, task: str | None, when: str
) -> Added:
    digest = digest_of(entry, learner, task)
    known = connection.execute("SELECT id FROM record WHERE digest = ?", (digest,)).fetchone()
    if known is not None:
        return Added(known[0], new=False, also_of=_others(connection, entry, learner))
    connection.execute("INSERT OR IGNORE INTO learner (pseudonym) VALUES (?)", (learner,))
    (learner_id,) = connection.execute(
        "SELECT id FROM learner WHERE pseudonym = ?", (learner,)
    ).fetchone()
    values = {
        "digest": digest,
        "recorded_at": when,
        "learner_id": learner_id,
        "task": task,
        "reasons": " ".join(entry.reasons),
        "check_json": json.dumps(entry.check, allow_nan=False),
        **{column: getattr(entry, column) for column in _COLUMNS},
    }
    cursor = connection.execute(
        f"INSERT INTO record ({', '.join(values)}) VALUES ({', '.join('?' * len(values))})",
        tuple(values.values()),
    )
    assert cursor.lastrowid is not None
    connection.executemany(
        "INSERT INTO record_photo (record_id, place, sha256) VALUES (?, ?, ?)",
        [(cursor.lastrowid, place, photo) for place, photo in enumerate(entry.photos)],
    )
    return Added(cursor.lastrowid, new=True, also_of=_others(connection, entry, learner))


def _others(connection: sqlite3.Connection, entry: Entry, learner: str) -> tuple[str, ...]:
    """Who else has a record of these photographs, which one of them cannot have drawn up."""
    rows = connection.execute(
        "SELECT DISTINCT l.pseudonym FROM record_photo p JOIN record r ON r.id = p.record_id "
        "JOIN learner l ON l.id = r.learner_id "
        f"WHERE p.sha256 IN ({', '.join('?' * len(entry.photos))}) AND l.pseudonym != ? "
        "ORDER BY 1",
        (*entry.photos, learner),
    )
    return tuple(name for (name,) in rows)


def _delete_unused(connection: sqlite3.Connection) -> None:
    connection.execute("DELETE FROM learner WHERE id NOT IN (SELECT learner_id FROM record)")


def _check_path(path: Path, *, create: bool) -> None:
    """Say in words what SQLite would only call "unable to open"."""
    if "\0" in str(path):
        raise RecordError(f"{_shown(str(path))} is no name of a file; check it.")
    try:
        if path.is_dir():
            raise RecordError(f"'{path}' is a folder; name the file of the record, as in LAB.db.")
        if not path.exists():
            if not create:
                raise RecordError(f"'{path}' does not exist; check the name of the record.")
            if not path.absolute().parent.is_dir():
                raise RecordError(f"'{path}' lies in a folder that does not exist; make it first.")
    except (OSError, ValueError) as error:
        raise RecordError(f"'{path}' cannot be opened ({error}); check the name.") from None


def _check_kind(connection: sqlite3.Connection, path: Path, *, create: bool) -> None:
    """Refuse a database that is somebody else's, before anything in it is touched."""
    # the tables first: who makes the record at this moment gives it both at once
    (tables,) = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    (application,) = connection.execute("PRAGMA application_id").fetchone()
    if application != APPLICATION_ID and (tables or application or not create):
        raise RecordError(f"'{path}' is not a record of drawmark; check its name.")


def _migrate(connection: sqlite3.Connection, path: Path) -> None:
    """Bring the file to the present schema, each step whole or not at all."""
    while (version := _version(connection)) != SCHEMA:
        if version > SCHEMA:
            raise RecordError(
                f"'{path}' was written by a newer drawmark (schema {version}, this one knows "
                f"{SCHEMA}); update drawmark to use it."
            )
        with _transaction(connection):
            if _version(connection) != version:
                continue  # another process was faster
            for statement in _statements(MIGRATIONS[version]):
                connection.execute(statement)
            connection.execute(f"PRAGMA application_id={APPLICATION_ID}")
            connection.execute(f"PRAGMA user_version={version + 1}")


def _version(connection: sqlite3.Connection) -> int:
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    return version


def _statements(script: str) -> Iterator[str]:
    """The statements of *script*, since `executescript` would end the transaction around it."""
    statement = ""
    for line in script.splitlines(keepends=True):
        statement += line
        if sqlite3.complete_statement(statement):
            yield statement
            statement = ""


@contextmanager
def _transaction(connection: sqlite3.Connection) -> Iterator[None]:
    connection.execute("BEGIN IMMEDIATE")  # takes the write lock now, and waits for it if need be
    try:
        yield
    except BaseException:
        if connection.in_transaction:  # a full disk has undone it already
            connection.execute("ROLLBACK")
        raise
    connection.execute("COMMIT")


@contextmanager
def _explained(path: Path) -> Iterator[None]:
    """What SQLite says, as a sentence for a person."""
    try:
        yield
    except sqlite3.Error as error:
        raise RecordError(f"'{path}' {_explanation(error)}") from error


def _explanation(error: sqlite3.Error) -> str:
    # the extended code has the plain one in its lowest byte
    code = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_ERROR) & 0xFF
    return {
        sqlite3.SQLITE_BUSY: "is being written by another program; try again when that is done.",
        sqlite3.SQLITE_LOCKED: "is being written by another program; try again when that is done.",
        sqlite3.SQLITE_NOTADB: "is not a record of drawmark; check its name.",
        sqlite3.SQLITE_CORRUPT: "is damaged; go back to a copy of it.",
        sqlite3.SQLITE_FULL: "could not grow, the disk is full; make room and try again.",
        sqlite3.SQLITE_READONLY: "cannot be written to; check the permissions of file and folder.",
        sqlite3.SQLITE_CANTOPEN: (
            "cannot be opened; a record needs a file and a folder that may be written to, even to "
            "be looked at: check the permissions, or work with a copy."
        ),
        sqlite3.SQLITE_PERM: "cannot be opened; check the permissions of file and folder.",
    }.get(code, f"cannot be used ({error}); check the file.")
