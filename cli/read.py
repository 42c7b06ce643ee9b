"""`drawmark read`: the volume in each photograph."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from ..calc.formatting import format_amount, format_measured
from ..vision import Outcome, Reading, Reason, Refusal, as_record
from .options import (
    ADVISORY,
    Capacity,
    Debug,
    Interval,
    Jobs,
    Json,
    check_syringe_options,
    photo_problem,
    usage_error,
)
from .photographs import read_outcomes, refusal_sentence
from .pictures import report_unwritten, write_read_picture

_HEADINGS = ("volume (k = 2)", "air", "liquid", "syringe")
_WIDTHS = (20, 16, 20, 16)


def read(
    photos: Annotated[list[Path], typer.Argument(metavar="PHOTO", help="One or more photos.")],
    as_json: Json = False,
    capacity: Capacity = None,
    interval: Interval = None,
    picture_dir: Annotated[
        Path | None,
        typer.Option(
            "--picture-dir", metavar="DIR", help="Write an annotated picture of each photo there."
        ),
    ] = None,
    jobs: Jobs = 1,
    debug: Debug = False,
) -> None:
    """Read the volume at the fiducial line in each photograph.

    With --json, one JSON object a line and a photograph, in the order given, as each is done.
    A photograph that cannot be read never stops the others.

    Exit status: 0 all read, 2 usage error or a photograph that does not exist, 4 at least one
    refused.
    """
    check_syringe_options(capacity, interval)
    if picture_dir is not None:
        try:
            picture_dir.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            usage_error(
                f"--picture-dir '{picture_dir}' cannot be made a folder "
                f"({(error.strerror or str(error)).lower()}); give another one."
            )
    name_width = max(len("photo"), *(len(str(photo)) for photo in photos))
    if not as_json:
        typer.echo(_row("photo", _HEADINGS, name_width))
    problems = [photo_problem(photo) for photo in photos]
    outcomes = read_outcomes(
        [photo for photo, problem in zip(photos, problems, strict=True) if problem is None],
        jobs=jobs,
        capacity_ml=capacity,
        interval_ml=interval,
        debug=debug,
    )
    missing = refused = 0
    for photo, problem in zip(photos, problems, strict=True):
        outcome: Outcome
        if problem is not None:
            missing += 1
            typer.echo(f"drawmark: {problem}", err=True)
            outcome = _missing(problem)
        else:
            outcome = next(outcomes)
            refused += isinstance(outcome, Refusal)
        if as_json:
            # echo flushes, so a program that reads along has each line as it is done
            typer.echo(json.dumps(as_record(str(photo), outcome)))
        else:
            typer.echo(_line(str(photo), outcome, name_width))
        if picture_dir is not None and problem is None:
            try:
                write_read_picture(photo, outcome, picture_dir)
            except Exception as error:
                if debug:
                    raise
                report_unwritten(photo, error)
    if not as_json:
        typer.echo(f"\n{ADVISORY}")
    raise typer.Exit(2 if missing else 4 if refused else 0)


def _missing(problem: str) -> Refusal:
    """What stands in the output for a photograph that could not even be opened."""
    sentence, _, remedy = problem.partition("; ")
    return Refusal((Reason("not-an-image", f"{sentence}.", f"{remedy[:1].upper()}{remedy[1:]}"),))


def _row(name: str, cells: tuple[str, ...], name_width: int) -> str:
    columns = "  ".join(cell.ljust(width) for cell, width in zip(cells, _WIDTHS, strict=True))
    return f"{name.ljust(name_width)}  {columns}".rstrip()


def _line(photo: str, outcome: Outcome, name_width: int) -> str:
    if not isinstance(outcome, Reading):
        return f"{photo.ljust(name_width)}  refused: {refusal_sentence(outcome)}"
    cells = (
        format_measured(outcome.volume_ml, outcome.expanded_uncertainty_ml),
        air_text(outcome),
        format_measured(outcome.liquid_ml, 2 * outcome.liquid_standard_uncertainty_ml),
        f"{format_amount(outcome.capacity_ml)} by {format_amount(outcome.interval_ml)}",
    )
    return _row(photo, cells, name_width)


def air_text(reading: Reading) -> str:
    """The air in front of the fiducial line, or that none was found."""
    if reading.air_ml <= 0:
        return "none found"
    return format_measured(reading.air_ml, reading.air_expanded_uncertainty_ml)
