"""`drawmark feedback`: a learner's bias and spread over time, by task and by syringe."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from .options import ADVISORY, Json, usage_error
from .record_store import RecordError, RecordStore
from .terminal import say

if TYPE_CHECKING:
    from ..calc.trend import Summary
    from .feedback_data import Feedback, Group
    from .record_store import Stored

MARKER = "drawmark feedback"  # in the page's generator line: the page is ours to replace


def feedback(
    learner: Annotated[str, typer.Argument(metavar="LEARNER", help="The pseudonym.")],
    record: Annotated[
        Path, typer.Option("--record", metavar="LAB.db", help="The record to look in.")
    ],
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="PAGE.html", help="Write a page with a plot as well."),
    ] = None,
    as_json: Json = False,
) -> None:
    """Tell a learner's bias and spread over time, by task and by syringe, from the lab's record.

    The page is one file that needs nothing from elsewhere.  A page of ours that is there is
    replaced, any other file left alone.

    Exit status: 0 done, 2 usage error, no such learner, or a file that cannot be used.
    """
    found = _records(record, learner)
    if out is not None and (problem := _page_problem(out)) is not None:
        usage_error(problem)
    from .feedback_data import feedback_of

    told = feedback_of(found[0].learner, found)
    if out is not None:
        _write_page(out, told)
    if as_json:
        typer.echo(json.dumps(told.record() | {"page": None if out is None else str(out)}))
        return
    say("\n".join(_lines(told)))
    if out is not None:
        say(f"\nPage: {out}")
    say(f"\n{ADVISORY}")


def _records(record: Path, learner: str) -> list[Stored]:
    """The learner's records; leave with a usage error if there are none."""
    try:
        with RecordStore.open(record) as store:
            found = store.records(learner=learner)
            learners = store.learners()
    except RecordError as error:
        usage_error(str(error))
    if not found:
        known = ", ".join(learners[:8]) + (", ..." if len(learners) > 8 else "")
        there = f"it has {known}" if learners else "it is empty"
        usage_error(f"'{record}' has no learner {learner!a}; {there}.")
    return found


def _page_problem(out: Path) -> str | None:
    """Why *out* is no place for the page, or ``None``."""
    if out.suffix.lower() not in (".html", ".htm"):
        return f"--out '{out}' must end in .html."
    try:
        if out.is_file():
            with out.open("rb") as file:
                if f'content="{MARKER}"'.encode() not in file.read(2000):
                    return f"--out '{out}' exists and is not a page of feedback; give a free name."
        elif out.exists() or out.is_symlink():
            return f"--out '{out}' is not an ordinary file; give another name."
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or str(error)
        return f"--out '{out}' cannot be used ({why.lower()}); give another name."
    return None


def _write_page(out: Path, told: Feedback) -> None:
    from .feedback_page import feedback_page
    from .outfile import whole_file

    try:
        with whole_file(out, replace=out.exists()) as written:
            written.write_text(feedback_page(told), encoding="utf-8")
    except OSError as error:
        why = (error.strerror or str(error)).lower()
        usage_error(f"--out '{out}' cannot be written ({why}); check its folder.")


def _lines(told: Feedback) -> list[str]:
    """What a person is told, line by line."""
    from .feedback_words import (
        ASKED,
        HOW_TO_READ,
        change_sentences,
        counts_text,
        far_off_sentence,
        share_text,
    )

    first, last = told.checks[0].recorded_at[:10], told.checks[-1].recorded_at[:10]
    lines = [f"{told.learner}   {_counted(len(told.checks))}, {first} to {last}"]
    lines.append(f"  {counts_text(told)}")
    if told.repeats:
        lines.append(f"  {told.repeats} earlier of a photograph checked again are left out")
    if (share := share_text(told)) is not None:
        lines.append(f"  {share}")
    lines += ["", "Volumes, in percent of the target", *_block(told.volumes)]
    if (far := far_off_sentence(told)) is not None:
        lines.append(f"  {far}")
    if told.strengths.summary.n or any(told.strengths.counts.values()):
        lines += ["", "Measured strengths, in percent of the target", *_block(told.strengths)]
    if told.periods:
        lines += ["", "Over time, in percent of the target"]
        if len(told.periods) > 1:
            rows = [(f"{p.first} to {p.last}", "%", p.summary, "") for p in told.periods]
            lines += _table("period", rows)
        lines += [f"  {s}" for s in change_sentences(told.change, told.volumes.summary.n)]
    for title, groups in (
        ("By task, in percent of the target", told.tasks),
        ("By syringe, in mL", told.syringes),
    ):
        if groups:
            rows = [(g.name, g.unit, g.summary, counts_text(g)) for g in groups]
            lines += ["", title, *_table("", rows)]
    if told.asked:
        lines += ["", "Asked about technique", f"  {ASKED}"]
        lines += [f"  {_counted(asked.checks)}: {asked.question}" for asked in told.asked]
    return [*lines, "", *HOW_TO_READ]


def _counted(n: int) -> str:
    return f"{n} check{'' if n == 1 else 's'}"


def _block(group: Group) -> list[str]:
    from .feedback_words import (
        amount,
        bias_sentence,
        limits,
        places_of,
        reader_amount,
        spread_sentence,
    )

    summary, unit = group.summary, group.unit
    places = places_of(summary, unit)
    rows = [("readings", str(summary.n))]
    if summary.n:
        rows.append(("bias", amount(summary.bias, unit, places, sign=True)))
    if summary.n > 1:
        rows += [
            ("  limits", limits(summary.bias_limits, unit, places, sign=True)),
            ("  with reader", limits(summary.bias_limits_with_reader, unit, places, sign=True)),
            ("spread", amount(summary.spread, unit, places)),
            ("  limits", limits(summary.spread_limits, unit, places)),
            ("  technique", limits(summary.technique_limits, unit, places)),
        ]
    if summary.n:
        rows.append(("reader", f"{reader_amount(summary, unit)} standard uncertainty"))
    sentences = [bias_sentence(summary, unit), spread_sentence(summary, unit)]
    return [
        *(f"  {name.ljust(15)}{text}" for name, text in rows),
        *(f"  {sentence}" for sentence in sentences if sentence),
    ]


def _table(heading: str, rows: list[tuple[str, str, Summary, str]]) -> list[str]:
    from .feedback_words import amount, limits, places_of, reader_amount

    table = [(heading, "n", "bias", "95 % limits", "spread", "95 % limits", "reader", "")]
    for name, unit, summary, counts in rows:
        places = places_of(summary, unit)
        shown = name if len(name) <= 36 else f"{name[:35]}…"
        table.append(
            (
                shown,
                str(summary.n),
                amount(summary.bias, unit, places, sign=True),
                limits(summary.bias_limits, unit, places, sign=True),
                amount(summary.spread, unit, places),
                limits(summary.spread_limits, unit, places),
                reader_amount(summary, unit),
                f"{counts}{'; few' if summary.few and summary.n else ''}",
            )
        )
    widths = [max(len(row[column]) for row in table) for column in range(len(table[0]))]
    return [
        "  " + "  ".join(c.ljust(w) for c, w in zip(row, widths, strict=True)).rstrip()
        for row in table
    ]
