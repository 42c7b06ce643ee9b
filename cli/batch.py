"""Many photographs, one answer each: read in any order, told in the order given.

What `read`, `check` and `watch` have in common.  Answers that the results file holds are taken
from there; the other photographs are read by as many processes as wanted, and each answer is in
the file before the next is waited for.
"""

from __future__ import annotations

import json
import signal
import threading
from collections import Counter
from contextlib import contextmanager
from importlib.util import find_spec
from typing import TYPE_CHECKING, Any, NoReturn, Protocol

import typer

from ..vision import Outcome, Reason, Refusal
from .options import ADVISORY, photo_problem, usage_error
from .photographs import Task, enough_jobs, outcomes_as_done
from .progress import Progress
from .results import ResultsError, content_hash, open_results
from .terminal import say

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from .items import Item
    from .record_check import Keeper
    from .results import Results

    Record = dict[str, Any]

# Which exit status stands for several: a photograph that is not there, then the plainest finding.
_WORST_FIRST = (2, 1, 4, 3)
INTERRUPTED = 130  # 128 + SIGINT, as a shell has it


class Form(Protocol):
    """What a command makes of the reader's answers.  Its records are what ``--json`` prints."""

    command: str

    def options(self, item: Item) -> Record:
        """All that the answer depends on beside the photograph, ready for ``json.dumps``."""

    def answer(self, item: Item, outcome: Outcome, *, there: bool) -> Record:
        """The record for *item*, which is a file that is *there* or one that could not be opened.

        Writes the annotated picture too, if one is wanted.
        """

    def renamed(self, record: Record, item: Item) -> Record:
        """The answer *record*, to the same bytes under the same options, as that for *item*."""

    def heading(self, width: int) -> str:
        """The first line of a table whose first column has *width* characters."""

    def row(self, record: Record, width: int) -> str:
        """A line of that table."""

    def word(self, record: Record) -> str:
        """The answer in one word, to be counted."""

    def status(self, record: Record) -> int:
        """The exit status that this answer alone gives."""


class Batch:
    """Answers to photographs, printed and written down, with their counts and exit status."""

    def __init__(
        self,
        form: Form,
        *,
        results: Results | None = None,
        as_json: bool = False,
        jobs: int | None = None,
        dask: str | None = None,
        width: int = 0,
        keeper: Keeper | None = None,
        debug: bool = False,
    ) -> None:
        self._form = form
        self._keeper = keeper
        self._results = results
        self._as_json = as_json
        self._jobs = jobs
        self._dask = dask
        self._width = max(width, len("photo"))
        self._debug = debug
        self._statuses: set[int] = set()
        self._words: Counter[str] = Counter()
        self._answered_before = 0

    @property
    def exit_status(self) -> int:
        """That of all answers so far."""
        return next((status for status in _WORST_FIRST if status in self._statuses), 0)

    @property
    def summary(self) -> str:
        """How many answers of which kind, on one line."""
        count = self._words.total()
        text = f"{count} photograph{'' if count == 1 else 's'}"
        if self._words:
            text += ": " + ", ".join(f"{n} {word}" for word, n in self._words.most_common())
        if self._answered_before:
            text += f"; {self._answered_before} of them answered before"
        return f"{text}."

    def head(self) -> None:
        """Print what stands above the table."""
        if not self._as_json:
            say(self._form.heading(self._width))

    def foot(self, *, counts: bool = False) -> None:
        """Print what stands below the table; the counts of several answers, or whenever asked."""
        if self._as_json:
            if counts:
                say(f"drawmark: {self.summary}", err=True)
            return
        if counts or self._words.total() > 1:
            say(f"\n{self.summary}\n{ADVISORY}")
        else:
            say(f"\n{ADVISORY}")

    def run(self, items: Sequence[Item]) -> None:
        """Answer *items*.

        Raises
        ------
        ResultsError
            If an answer cannot be written to the results file.
        OSError
            If the cluster that is to read cannot be reached.
        """
        known = self._from_results(items)
        self._answered_before += len(known)
        for record in known.values():
            self._count(record)
        todo = [number for number in range(len(items)) if number not in known]
        with Progress(len(todo)) as progress:
            coming = progress.along(self._read(items, todo))
            for number, record in enumerate(_in_order(len(items), known, coming)):
                row = None if self._as_json else self._form.row(record, self._width)
                record = record | self._keep(items[number], record)
                with progress.aside():  # both flush: a program may read along
                    typer.echo(json.dumps(record)) if row is None else say(row)

    def _count(self, record: Record) -> None:
        """Take an answer into the counts, before it can be lost to an interruption."""
        self._statuses.add(self._form.status(record))
        self._words[self._form.word(record)] += 1

    def _keep(self, item: Item, record: Record) -> Record:
        """Put the answer into the lab's record, if one is wanted and there was a photograph."""
        if self._keeper is None or photo_problem(item.photo) is not None:
            return {}
        kept = self._keeper.keep(record, [item.photo], item.learner, item.task)
        self._statuses.add(self._keeper.status(0))
        return kept

    def _from_results(self, items: Sequence[Item]) -> dict[int, Record]:
        """By number, the answers that the results file holds, or that follow from one of them."""
        if self._results is None or self._results.empty:
            return {}
        answers = {}
        for number, item in enumerate(items):
            options, sha256 = self._form.options(item), content_hash(item.photo)
            if sha256 is None:
                continue
            record = self._results.find(item.name, sha256, options, item.people())
            if record is None and (twin := self._results.find_twin(sha256, options)) is not None:
                record = self._form.renamed(twin, item)
                self._results.append(record, sha256, options)
            if record is not None:
                answers[number] = record
        return answers

    def _read(self, items: Sequence[Item], todo: Sequence[int]) -> Iterator[tuple[int, Record]]:
        """``(number, record)`` of the items *todo*, as each is there, written to the results."""
        there = []
        for number in todo:
            problem = photo_problem(items[number].photo)
            if problem is None:
                there.append(number)
                continue
            say(f"drawmark: {problem}", err=True)
            self._statuses.add(2)
            record = self._form.answer(items[number], _missing(problem), there=False)
            self._count(record)
            yield number, record
        sums: dict[int, str | None] = {}

        def tasks() -> Iterator[Task]:
            for number in there:
                item = items[number]
                if self._results is not None:
                    # before it is read, so that a file which changes meanwhile is read again
                    sums[number] = content_hash(item.photo)
                yield Task(item.photo, item.capacity_ml, item.interval_ml)

        jobs = enough_jobs(self._jobs, len(there))
        for place, outcome in outcomes_as_done(tasks(), jobs, dask=self._dask, debug=self._debug):
            number = there[place]
            record = self._form.answer(items[number], outcome, there=True)
            self._count(record)
            if self._results is not None:
                self._results.append(record, sums[number], self._form.options(items[number]))
            yield number, record


def answer_all(
    form: Form,
    items: Sequence[Item],
    *,
    out: Path | None,
    resume: bool,
    as_json: bool,
    jobs: int | None,
    dask: str | None,
    keeper: Keeper | None = None,
    debug: bool,
) -> NoReturn:
    """Answer *items* on standard output and in *out*, and leave with the exit status for all."""
    if dask is not None and find_spec("distributed") is None:
        usage_error("--dask needs the package distributed; install drawmark[dask].")
    with results_file(out, form.command, resume=resume) as results:
        width = max(len(item.name) for item in items)
        batch = Batch(
            form,
            results=results,
            as_json=as_json,
            jobs=jobs,
            dask=dask,
            width=width,
            keeper=keeper,
            debug=debug,
        )
        batch.head()
        try:
            with interruptible():
                batch.run(items)
        except KeyboardInterrupt:
            safe = "" if out is None else f" The answers are in '{out}'; go on with --resume."
            say(f"\ndrawmark: stopped after {batch.summary}{safe}", err=True)
            raise typer.Exit(INTERRUPTED) from None
        except OSError as error:
            if dask is None or debug:
                raise
            usage_error(f"the Dask cluster '{dask}' cannot be used ({error}); check its address.")
        batch.foot()
    raise typer.Exit(batch.exit_status)


@contextmanager
def interruptible() -> Iterator[None]:
    """Let the system's plea to end (SIGTERM) do what Ctrl-C does."""
    if threading.current_thread() is not threading.main_thread():  # no other may
        yield
        return
    before = signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


@contextmanager
def results_file(out: Path | None, command: str, *, resume: bool) -> Iterator[Results | None]:
    """The results file *out*, if one is wanted; what is wrong with it becomes a usage error."""
    if out is None:
        if resume:
            usage_error("--resume needs --out, the file to go on with.")
        yield None
        return
    from importlib.metadata import version

    try:
        with open_results(out, command, version("drawmark"), resume=resume) as results:
            yield results
    except ResultsError as error:
        usage_error(str(error))


def _missing(problem: str) -> Refusal:
    """What stands in the output for a photograph that could not even be opened."""
    sentence, _, remedy = problem.partition("; ")
    return Refusal((Reason("not-an-image", f"{sentence}.", f"{remedy[:1].upper()}{remedy[1:]}"),))


def _in_order(
    count: int, known: dict[int, Record], coming: Iterator[tuple[int, Record]]
) -> Iterator[Record]:
    """The records numbered from 0 to *count*, each when all before it are there."""
    for due in range(count):
        while due not in known:
            number, record = next(coming)
            known[number] = record
        yield known.pop(due)
