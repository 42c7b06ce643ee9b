"""`drawmark record`: the lab's log of checks, one file."""

from __future__ import annotations

import json
import sys
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from .options import Json, usage_error
from .record_check import point_out_others
from .record_store import RecordError, RecordStore, Stored, task_name
from .record_words import deviation_text, target_text
from .terminal import say

if TYPE_CHECKING:
    from collections.abc import Iterator

    from .record_entry import Imported
    from .record_store import Added

LARGEST_INPUT_BYTES = 200_000_000
EARLIEST_YEAR = 1980  # older ones are slips of the finger
_HEADINGS = ("number", "recorded (UTC)", "learner", "task", "target", "deviation", "verdict")

app = typer.Typer(
    name="record",
    help="The lab's record of checks: one file, whose learners go by pseudonyms.",
    short_help="The lab's record of checks.",
    no_args_is_help=True,
    rich_markup_mode=None,
)

Lab = Annotated[Path, typer.Argument(metavar="LAB.db", help="The file of the record.")]
OfLearner = Annotated[
    str | None, typer.Option("--learner", metavar="ID", help="Only this learner's.")
]
OfTask = Annotated[str | None, typer.Option("--task", metavar="NAME", help="Only of this task.")]


@app.command(short_help="Add checks that were printed as JSON.")
def add(
    lab: Lab,
    checks: Annotated[
        Path | None,
        typer.Argument(metavar="FILE", help="What 'check --json' printed; standard input if none."),
    ] = None,
    learner: Annotated[
        str | None, typer.Option("--learner", metavar="ID", help="Whose they are: a pseudonym.")
    ] = None,
    task: Annotated[
        str | None, typer.Option("--task", metavar="NAME", help="What was practised.")
    ] = None,
    at: Annotated[
        datetime | None,
        typer.Option(
            "--at",
            formats=["%Y-%m-%d", "%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S"],
            metavar="DATE",
            help="When they were made, in local time, if not now.",
        ),
    ] = None,
    as_json: Json = False,
) -> None:
    """Add checks to the record, which is made if there is none: all that FILE holds, or none.

    FILE is one object, or one a line, as 'check --json' and 'check --out' write them.  Learner and
    task are taken from each object if it has them and they are not given here.  A check that is
    recorded already is left as it is.

    Exit status: 0 done, 2 usage error, or a file or record that cannot be used; nothing was added.
    """
    if at is not None and at.year < EARLIEST_YEAR:
        usage_error(f"--at is a date from {EARLIEST_YEAR} on; write it as in 2026-03-02T14:30.")
    found = _read_checks(checks)
    entries = []
    for one in found:
        if (who := learner or one.learner) is None:
            usage_error("--learner is missing; give the pseudonym of whose checks these are.")
        entries.append((one.entry, who, task or one.task))
    when = None if at is None else at.astimezone(UTC)
    with _open(lab, create=True) as store:
        added = store.add_all(entries, recorded_at=when)
    for (_, who, _), one_added in zip(entries, added, strict=True):
        point_out_others(one_added, who)
    bare = sum(not one.entry.photos for one in found)
    if bare:
        say(
            f"drawmark: {bare} of {len(found)} without the photograph's hash, since it was not "
            "found under the name in the check.",
            err=True,
        )
    _tell_added(added, lab, as_json)


def _read_checks(source: Path | None) -> list[Imported]:
    from .record_entry import NotACheckError, imported

    from_stdin = source is None or str(source) == "-"
    name = "standard input" if source is None or from_stdin else f"'{source}'"
    try:
        if source is None or from_stdin:
            data = sys.stdin.buffer.read(LARGEST_INPUT_BYTES + 1)
        else:
            with source.open("rb") as file:
                data = file.read(LARGEST_INPUT_BYTES + 1)
        if len(data) > LARGEST_INPUT_BYTES:
            usage_error(f"{name} is too large; add it in pieces.")
        return imported(data.decode("utf-8-sig"), Path())
    except UnicodeDecodeError:
        usage_error(f"{name} is not JSON; give what 'drawmark check --json' printed.")
    except NotACheckError as error:
        usage_error(f"{name} holds no check that can be recorded: {error}. Nothing was added.")
    except FileNotFoundError:
        usage_error(f"{name} does not exist; check the name.")
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or str(error)
        usage_error(f"{name} cannot be read ({why.lower()}); check the file.")


def _tell_added(added: list[Added], lab: Path, as_json: bool) -> None:
    new = [one.number for one in added if one.new]
    known = [one.number for one in added if not one.new]
    if as_json:
        typer.echo(json.dumps({"added": new, "already_there": known}))
        return
    if new:
        say(f"Recorded in {lab} as {_numbers(new)}.")
    if known:
        say(f"{len(known)} recorded already, as {_numbers(known)}.")


def _numbers(numbers: list[int]) -> str:
    """Numbers in few words.

    >>> _numbers([3]), _numbers([3, 4, 5]), _numbers([3, 5])
    ('number 3', 'numbers 3 to 5', 'numbers 3, 5')
    """
    if len(numbers) == 1:
        return f"number {numbers[0]}"
    if numbers == list(range(numbers[0], numbers[-1] + 1)):
        return f"numbers {numbers[0]} to {numbers[-1]}"
    shown = ", ".join(map(str, numbers[:10]))
    return f"numbers {shown}" + (" and others" if len(numbers) > 10 else "")


@app.command(name="list", short_help="One line a check.")
def list_records(
    lab: Lab,
    learner: OfLearner = None,
    task: OfTask = None,
    verdict: Annotated[
        str | None,
        typer.Option("--verdict", metavar="WORD", help="Only within, outside, undecided, refused."),
    ] = None,
    last: Annotated[
        int | None, typer.Option("--last", metavar="N", min=1, help="Only the N newest.")
    ] = None,
    as_json: Json = False,
) -> None:
    """List the record, oldest first.  With --json, one object a line, the check in it.

    Exit status: 0 done, 2 usage error or a record that cannot be used.
    """
    from .record_entry import VERDICTS
    from .record_export import document

    if verdict is not None and verdict not in VERDICTS:
        usage_error(f"--verdict is one of {', '.join(VERDICTS)}.")
    with _open(lab) as store:
        found = store.records(learner=learner, task=_task(task), verdict=verdict, last=last)
    if as_json:
        for stored in found:
            typer.echo(json.dumps(document(stored)))
        return
    if not found:
        say("No record fits." if learner or task or verdict else "The record is empty.")
        return
    rows = [_HEADINGS, *(_cells(stored) for stored in found)]
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    for row in rows:
        say("  ".join(c.ljust(w) for c, w in zip(row, widths, strict=True)).rstrip())


def _cells(stored: Stored) -> tuple[str, ...]:
    task = stored.task or ""
    return (
        str(stored.number),
        stored.recorded_at[:16].replace("T", " "),
        stored.learner,
        task if len(task) <= 32 else f"{task[:31]}…",
        target_text(stored),
        deviation_text(stored),
        stored.entry.verdict,
    )


@app.command(short_help="Everything about one check.")
def show(
    lab: Lab,
    number: Annotated[int, typer.Argument(metavar="NUMBER", help="As 'list' shows it.")],
    as_json: Json = False,
) -> None:
    """Show one record; with --json as an object, the whole check in it.

    Exit status: 0 done, 2 usage error or no such record.
    """
    from .record_export import document

    with _open(lab) as store:
        stored = store.get(number)
    if stored is None:
        usage_error(f"'{lab}' has no record with the number {number}; 'record list' shows them.")
    if as_json:
        typer.echo(json.dumps(document(stored)))
        return
    for name, text in _facts(stored):
        say(f"{name.ljust(12)}{text}")


def _facts(stored: Stored) -> list[tuple[str, str]]:
    from ..calc.formatting import format_amount, format_measured, format_probability

    entry = stored.entry
    facts = [
        ("number", str(stored.number)),
        ("recorded", f"{stored.recorded_at[:16].replace('T', ' ')} UTC"),
        ("learner", stored.learner),
        ("task", stored.task or "none named"),
        ("verdict", entry.verdict),
        ("target", target_text(stored) or "none"),
    ]
    if entry.liquid_ml is not None and entry.standard_uncertainty_ml is not None:
        liquid = format_measured(entry.liquid_ml, 2 * entry.standard_uncertainty_ml)
        facts.append(("liquid", f"{liquid} (k = 2)"))
    if deviation := deviation_text(stored):
        facts.append(("deviation", deviation))
    if entry.probability_within is not None:
        probability = format_probability(entry.probability_within)
        facts.append(("conforms", f"with probability {probability}"))
    if entry.capacity_ml is not None and entry.interval_ml is not None:
        syringe = f"{format_amount(entry.capacity_ml)} by {format_amount(entry.interval_ml)}"
        facts.append(("syringe", syringe))
    if entry.reasons:
        facts.append(("refused for", ", ".join(entry.reasons)))
    facts += [("photograph", f"SHA-256 {photo}") for photo in entry.photos]
    facts.append(("read by", f"drawmark {entry.program}" if entry.program else "unknown version"))
    return facts


@app.command(short_help="A table for other programs: CSV, JSON Lines, Parquet.")
def export(
    lab: Lab,
    out: Annotated[
        Path, typer.Argument(metavar="OUT", help="A name ending in .csv, .jsonl or .parquet.")
    ],
    learner: OfLearner = None,
    task: OfTask = None,
    force: Annotated[bool, typer.Option("--force", help="Replace OUT if it is there.")] = False,
    as_json: Json = False,
) -> None:
    """Export the record, or a part of it, oldest first.  A file that is there is left alone.

    Exit status: 0 done, 2 usage error, or a record or file that cannot be used.
    """
    from .outfile import whole_file
    from .record_export import WRITERS, MissingPackageError

    write = WRITERS.get(out.suffix.lower())
    if write is None:
        usage_error(f"'{out}' must end in {', '.join(WRITERS)}, which says the form.")
    if _same_file(out, lab):
        usage_error(f"'{out}' is the record itself; give another name.")
    with _open(lab) as store:
        found = store.records(learner=learner, task=_task(task))
    try:
        with whole_file(out, replace=force) as written:
            write(written, found)
    except MissingPackageError as error:
        usage_error(str(error))
    except FileExistsError:
        usage_error(f"'{out}' exists and is left as it is; give a free name, or --force.")
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or str(error)
        usage_error(f"'{out}' cannot be written ({why.lower()}); check its folder.")
    if as_json:
        typer.echo(json.dumps({"exported": len(found), "file": str(out)}))
    else:
        say(f"{len(found)} record{'' if len(found) == 1 else 's'} exported to {out}.")


def _same_file(one: Path, other: Path) -> bool:
    try:
        return one.samefile(other)
    except (OSError, ValueError):
        return False


@app.command(short_help="Delete checks, or a learner with all of them.")
def delete(
    lab: Lab,
    numbers: Annotated[
        list[int] | None, typer.Argument(metavar="NUMBER...", help="The records to delete.")
    ] = None,
    learner: Annotated[
        str | None, typer.Option("--learner", metavar="ID", help="This learner, with all records.")
    ] = None,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask.")] = False,
    as_json: Json = False,
) -> None:
    """Delete records for good; what they held is overwritten in the file.

    Exports and copies of the file are not touched.

    Exit status: 0 done, 1 not confirmed and nothing deleted, 2 usage error, a number or learner
    that is not there, or a record that cannot be used; nothing was deleted.
    """
    if (learner is None) == (not numbers):
        usage_error("Give the numbers of the records to delete, or --learner, one of the two.")
    with _open(lab) as store:
        if learner is not None:
            doomed = [stored.number for stored in store.records(learner=learner)]
            if not doomed:
                usage_error(f"'{lab}' has no records of the learner {learner!a}.")
            what = f"the learner {learner} with {_counted(len(doomed))}"
        else:
            doomed = sorted(set(numbers or ()))
            missing = [number for number in doomed if store.get(number) is None]
            if missing:
                usage_error(f"'{lab}' has no {_numbers(missing)}; nothing was deleted.")
            what = _counted(len(doomed))
        if not yes:
            _ask(f"Delete {what} from {lab} for good?")
        count = store.delete_learner(learner) if learner is not None else store.delete(doomed)
    if as_json:
        typer.echo(json.dumps({"deleted": count}))
    else:
        say(f"{_counted(count)} deleted.")


def _counted(count: int) -> str:
    return f"{count} record{'' if count == 1 else 's'}"


def _ask(question: str) -> None:
    """Go on only if a person says yes."""
    try:
        agreed = typer.confirm(question, err=True)
    except typer.Abort:
        say("", err=True)
        agreed = False
    if not agreed:
        say("drawmark: nothing was deleted; --yes answers for you.", err=True)
        raise typer.Exit(1)


def _task(text: str | None) -> str | None:
    """A task as it is stored, so that it is found however its blanks were typed."""
    return None if text is None else task_name(text)


@contextmanager
def _open(lab: Path, *, create: bool = False) -> Iterator[RecordStore]:
    """The record; whatever goes wrong with it becomes a usage error."""
    try:
        new = create and not lab.exists()
        with RecordStore.open(lab, create=create) as store:
            if new:
                say(f"drawmark: '{lab}' is a new record.", err=True)
            yield store
    except RecordError as error:
        usage_error(str(error))
