"""`drawmark check --record`: every check goes into the lab's record before it is told."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any
from weakref import finalize

import typer

from .options import usage_error
from .record_store import RecordError, RecordStore, pseudonym, task_name
from .terminal import say

if TYPE_CHECKING:
    from collections.abc import Sequence

    from .record_store import Added

Record = Annotated[
    Path | None,
    typer.Option("--record", metavar="LAB.db", help="Keep the check in this record; see 'record'."),
]
Learner = Annotated[
    str | None,
    typer.Option(
        "--learner", metavar="ID", help="Whose check it is: a pseudonym such as trainee-07."
    ),
]
Task = Annotated[
    str | None,
    typer.Option("--task", metavar="NAME", help="What was practised, in the lab's own words."),
]


class Keeper:
    """Puts checks into a record, or does nothing if none is wanted.

    A check that could not be recorded is told all the same, with a sentence on standard error, and
    `status` makes sure that no script takes it for recorded.
    """

    def __init__(self, path: Path | None, learner: str | None, task: str | None) -> None:
        if path is None and (learner is not None or task is not None):
            usage_error("--learner and --task need --record, the file to keep the check in.")
        self._path = path
        self._learner = learner
        self._task = task
        self._store: RecordStore | None = None
        self._failed = False

    def open(self, people: Sequence[tuple[str | None, str | None]] = ((None, None),)) -> None:
        """Open the record; leave with a usage error if that fails or somebody has no pseudonym.

        To be called before anything is read, since a lab will not want to read it twice.  *people*
        are learner and task of each photograph where a list has them, which go before those given.
        """
        if self._path is None:
            return
        try:
            for learner, task in people:
                self._named(learner, task)
            new = not self._path.exists()
            self._store = RecordStore.open(self._path, create=True)
            # closed with the command's last use of it, at the latest when the program ends
            finalize(self, self._store.close)
        except RecordError as error:
            usage_error(str(error))
        if new:
            say(f"drawmark: '{self._path}' is a new record.", err=True)

    def _named(self, learner: str | None, task: str | None) -> tuple[str, str | None]:
        learner = learner or self._learner
        if learner is None:
            raise RecordError("--record needs --learner, the pseudonym of whose check it is.")
        return pseudonym(learner), task_name(task or self._task)

    def keep(
        self,
        check: dict[str, Any],
        photos: Sequence[Path],
        learner: str | None = None,
        task: str | None = None,
    ) -> dict[str, int | None]:
        """Record *check*, the machine-readable form, of *photos*.

        Returns what is added to that form: ``record``, the number it got or had, ``None`` if it
        could not be recorded; nothing if no record is wanted.
        """
        if self._store is None:
            return {}
        from importlib.metadata import version

        from .record_entry import NotACheckError, entry_from_check
        from .results import content_hash

        try:
            who, what = self._named(learner, task)
            entry = entry_from_check(
                check, [content_hash(photo) for photo in photos], program=version("drawmark")
            )
            added = self._store.add(entry, learner=who, task=what)
        except (RecordError, NotACheckError) as error:
            self._failed = True
            names = " and ".join(f"'{photo}'" for photo in photos)
            say(f"drawmark: the check of {names} was NOT recorded: {error}", err=True)
            return {"record": None}
        point_out_others(added, who)
        return {"record": added.number}

    def status(self, status: int) -> int:
        """The exit status: *status*, unless a check could not be recorded."""
        return 2 if self._failed else status

    def line(self, kept: dict[str, int | None]) -> list[str]:
        """What a person is told of what `keep` returned."""
        number = kept.get("record")
        return [] if number is None else [f"Recorded in {self._path} as number {number}."]


def point_out_others(added: Added, learner: str) -> None:
    """Say on standard error that a photograph is recorded for somebody else too."""
    if added.also_of:
        say(
            f"drawmark: number {added.number}, of {learner}, has a photograph that is recorded for "
            f"{', '.join(added.also_of)} too; if that is a mistake, delete the wrong one.",
            err=True,
        )
