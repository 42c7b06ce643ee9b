"""The file that answers are written to as they come, and that a stopped run goes on with.

One JSON object a line and a photograph: what ``--json`` prints, and under ``run`` what gave it,
which is the command, the program's version, the photograph's SHA-256 and the options.  A line is
on the disk before the next photograph's is begun, so that a run that is killed loses no answer.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from io import FileIO
    from pathlib import Path

    Record = dict[str, Any]


_BEGINNINGS = (b'{"photo": ', b'{"reading": ')  # by which a first line cut short is known


class ResultsError(Exception):
    """The file cannot be used or written to; the message is one sentence to show a person."""


def content_hash(photo: Path) -> str | None:
    """SHA-256 of the file's bytes, in hexadecimal; ``None`` if it is none that can be read."""
    try:
        if not photo.is_file():  # a pipe or a device may never end
            return None
        with photo.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return None


class Results:
    """Answers in a file, old and new.  `open_results` makes one."""

    def __init__(self, file: FileIO, command: str, version: str) -> None:
        self._file = file
        self._run = {"command": command, "version": version}
        self._by_name: dict[str, Record] = {}
        self._by_content: dict[str, Record] = {}

    @property
    def empty(self) -> bool:
        """Whether there is no answer yet."""
        return not self._by_name

    def find(
        self, name: str, sha256: str, options: Mapping[str, Any], people: Mapping[str, str]
    ) -> Record | None:
        """The answer for *name*, if these bytes were read under these options for these people."""
        return self._by_name.get(_key(name, sha256, options, people))

    def find_twin(self, sha256: str, options: Mapping[str, Any]) -> Record | None:
        """An answer to the same bytes under the same options, whatever name and people it had."""
        return self._by_content.get(_key(sha256, options))

    def append(self, record: Record, sha256: str | None, options: Mapping[str, Any]) -> None:
        """Write an answer and see it onto the disk.

        Raises
        ------
        ResultsError
            If that fails; the answers before it are safe.
        """
        line = record | {"run": self._run | {"sha256": sha256, "options": dict(options)}}
        data = json.dumps(line).encode() + b"\n"
        try:
            if self._file.write(data) != len(data):  # the rest would fail, and says why
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            os.fsync(self._file.fileno())
        except OSError as error:
            raise ResultsError(
                f"'{self._file.name}' cannot be written to ({(error.strerror or '?').lower()}); "
                "the answers before this one are in it: make room and go on with --resume."
            ) from None
        self.remember(line)

    def remember(self, line: Record) -> None:
        """Take up an answer as it stands in the file."""
        run = line["run"]
        record = {key: value for key, value in line.items() if key != "run"}
        people = {key: line[key] for key in ("learner", "task") if key in line}
        name = photo_of(line)
        self._by_name[_key(name, run["sha256"], run["options"], people)] = record
        self._by_content[_key(run["sha256"], run["options"])] = record


def photo_of(record: Mapping[str, Any]) -> str:
    """What the photograph of an answer of `read` or `check` is called."""
    return str(record["reading"]["photo"] if "reading" in record else record["photo"])


def _key(*parts: object) -> str:
    return json.dumps(parts, sort_keys=True)


@contextmanager
def open_results(path: Path, command: str, version: str, *, resume: bool) -> Iterator[Results]:
    """Open *path* for the answers of *command*.

    A file that is there is left alone unless *resume*; then it has to be one of the same command
    and version.  A line that was not finished when the run was stopped is dropped.

    Raises
    ------
    ResultsError
        If the file cannot be used; it is then as it was.
    """
    try:
        file = path.open("a+b", buffering=0)
    except OSError as error:
        raise ResultsError(
            f"'{path}' cannot be written to ({(error.strerror or str(error)).lower()}); "
            "give another file with --out."
        ) from None
    with file:
        _lock(file, path)
        file.seek(0)
        data = file.read()
        if data and not resume:
            raise ResultsError(
                f"'{path}' exists and is left as it is; go on with it by --resume, or give a name "
                "that is free."
            )
        results = Results(file, command, version)
        complete, lines = _lines(path, data)
        for number, line in enumerate(lines, 1):
            _accept(path, number, line, command, version)
            results.remember(line)
        file.truncate(complete)
        if data[:complete] and not data[:complete].endswith(b"\n"):
            file.write(b"\n")
        yield results


def _lines(path: Path, data: bytes) -> tuple[int, list[Record]]:
    """How many bytes of *data* are complete lines, and the lines."""
    complete = data.rfind(b"\n") + 1
    lines = [_parsed(line) for line in data[:complete].splitlines()]
    last = _parsed(data[complete:])
    if last is not None:  # complete but for its end
        lines.append(last)
        complete = len(data)
    elif not lines and not any(
        data.startswith(begin) or begin.startswith(data) for begin in _BEGINNINGS
    ):
        raise _foreign(path, 1)
    for number, line in enumerate(lines, 1):
        if line is None:
            raise _foreign(path, number)
    return complete, [line for line in lines if line is not None]


def _parsed(line: bytes) -> Record | None:
    try:
        record = json.loads(line)
        photo_of(record)
        return record if {"sha256", "options"} <= record["run"].keys() else None
    except (ValueError, KeyError, TypeError, AttributeError):
        return None


def _foreign(path: Path, number: int) -> ResultsError:
    return ResultsError(
        f"'{path}' is left as it is: its line {number} is no answer of this program; give another "
        "file with --out."
    )


def _accept(path: Path, number: int, line: Record, command: str, version: str) -> None:
    run = line["run"]
    if run.get("command") != command:
        raise ResultsError(
            f"'{path}' holds answers of 'drawmark {run.get('command')}', not of "
            f"'drawmark {command}'; give another file with --out."
        )
    if run.get("version") != version:
        raise ResultsError(
            f"'{path}', line {number} is an answer of drawmark {run.get('version')}, and this is "
            f"{version}, which may answer otherwise; start a new file with --out."
        )


def _lock(file: FileIO, path: Path) -> None:
    """Keep another run from writing to the same file, where the system can."""
    try:
        import fcntl
    except ImportError:
        return
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        raise ResultsError(
            f"another run is writing to '{path}'; wait for it, or give another file with --out."
        ) from None
    except OSError:  # a file system without locks
        return
