"""Options that several commands share, and the parsers behind them.

A parser turns what was typed into a plain number, or into a usage error (exit status 2)
whose sentence comes from `drawmark.calc`.
"""

from __future__ import annotations

import stat
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NoReturn, TypeVar

import typer

from ..calc.quantities import QuantityError, parse_volume_ml
from ..calc.tolerance import Tolerance, parse_tolerance
from .terminal import say
from .threads import algebra_in_one_thread

if TYPE_CHECKING:
    from collections.abc import Callable

T = TypeVar("T")

AIR_DOUBTFUL = "air and liquid are hard to tell apart here: look for yourself"
ADVISORY = (
    "Advisory: for simulation, practice and measurement research, never for a real patient. "
    "Local policy, a second person's check and licensed practice go first."
)


def usage_error(sentence: str) -> NoReturn:
    """Print one sentence to standard error and leave with exit status 2."""
    say(f"drawmark: {sentence}", err=True)
    raise typer.Exit(2)


def _or_bad_parameter(parse: Callable[[str], T], text: str) -> T:
    try:
        return parse(text)
    except QuantityError as error:
        raise typer.BadParameter(str(error)) from None


def volume_ml(text: str) -> float:
    """Typed volume -> mL, or a usage error."""
    return _or_bad_parameter(parse_volume_ml, text)


def tolerance(text: str) -> Tolerance:
    """Typed tolerance -> `Tolerance`, or a usage error."""
    return _or_bad_parameter(parse_tolerance, text)


def settle_threads(ctx: typer.Context, jobs: int | None) -> int | None:
    """What ``--jobs 1`` asks of linear algebra, before another option's parser loads any."""
    if jobs == 1:
        ctx.with_resource(algebra_in_one_thread())
    return jobs


Target = Annotated[
    float | None,
    typer.Option("--target", parser=volume_ml, metavar="VOLUME", help="Wanted, e.g. 5mL."),
]
Permitted = Annotated[
    Tolerance | None,
    typer.Option(
        "--tolerance",
        parser=tolerance,
        metavar="TOLERANCE",
        help="Permitted deviation: 5%, 0.1mL, '1 interval', or iso for that of ISO 7886-1.",
    ),
]
Plan = Annotated[
    Path | None,
    typer.Option("--plan", metavar="FILE", help="What 'drawmark plan ... --json' printed."),
]
Stage = Annotated[
    int | None,
    typer.Option("--stage", metavar="K", help="The stage of the plan in the photograph."),
]
IncludeSyringeTolerance = Annotated[
    bool,
    typer.Option(
        "--include-syringe-tolerance",
        help="Count the syringe's own permitted error (ISO 7886-1): not 'was it drawn to the "
        "mark' but 'what is really in there'.",
    ),
]
Capacity = Annotated[
    float | None,
    typer.Option(
        "--capacity",
        parser=volume_ml,
        metavar="VOLUME",
        help="Nominal capacity of the syringe, e.g. 10mL, when you know it.",
    ),
]
Interval = Annotated[
    float | None,
    typer.Option(
        "--interval",
        parser=volume_ml,
        metavar="VOLUME",
        help="Volume between neighbouring lines, e.g. 0.2mL, when you know it.",
    ),
]


def jobs_option(help: str) -> Any:
    """The option ``--jobs``; *help* says what happens without it, too."""
    return typer.Option(
        "--jobs",
        metavar="N",
        min=1,
        max=256,
        callback=settle_threads,
        is_eager=True,
        help=help,
    )


Jobs = Annotated[
    int | None,
    jobs_option(
        "Read so many photographs at once, with one core each; without it one at a time, as "
        "quickly as it can be."
    ),
]
Dask = Annotated[
    str | None,
    typer.Option(
        "--dask",
        metavar="ADDRESS",
        help="Read on a Dask cluster, e.g. tcp://10.0.0.5:8786, instead of --jobs here.",
    ),
]
Manifest = Annotated[
    Path | None,
    typer.Option(
        "--manifest",
        metavar="FILE.csv",
        help="A list instead of PHOTO: columns photo, target, tolerance, learner, task, capacity, "
        "interval.",
    ),
]
Recursive = Annotated[bool, typer.Option("--recursive", help="Of a folder, the folders in it too.")]
Out = Annotated[
    Path | None,
    typer.Option(
        "--out",
        metavar="FILE.jsonl",
        help="Write each answer there as it comes, one JSON object a line, beside printing it.",
    ),
]
Resume = Annotated[
    bool,
    typer.Option("--resume", help="Go on with --out: what is answered there is not read again."),
]
PictureDir = Annotated[
    Path | None,
    typer.Option(
        "--picture-dir", metavar="DIR", help="Write an annotated picture of each photo there."
    ),
]
Json = Annotated[bool, typer.Option("--json", help="Print JSON for another program to read.")]
Debug = Annotated[
    bool,
    typer.Option("--debug", help="Stop with a traceback at an error inside the program."),
]


def check_syringe_options(capacity_ml: float | None, interval_ml: float | None) -> None:
    """Leave with a usage error if the two contradict each other."""
    if capacity_ml is not None and interval_ml is not None and interval_ml >= capacity_ml:
        usage_error("--interval must be smaller than --capacity; check both.")


def make_picture_dir(picture_dir: Path | None) -> None:
    """Make the folder for annotated pictures, or leave with a usage error."""
    if picture_dir is None:
        return
    try:
        picture_dir.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        usage_error(
            f"--picture-dir '{picture_dir}' cannot be made a folder "
            f"({(error.strerror or str(error)).lower()}); give another one."
        )


def photo_problem(photo: Path) -> str | None:
    """Why *photo* cannot be opened at all, as one sentence, or ``None``.

    What the file holds is not looked at: that is the reader's business, and its answer a refusal.
    """
    try:
        mode = photo.stat().st_mode
        if stat.S_ISDIR(mode):
            return f"'{photo}' is a folder; give the photographs in it by name."
        if not stat.S_ISREG(mode):  # opening a pipe would wait for somebody to write
            return f"'{photo}' is a pipe or a device; give a photograph's file."
        with photo.open("rb"):
            return None
    except FileNotFoundError:
        return f"'{photo}' does not exist; check the name of the photograph."
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or str(error)
        return f"'{photo}' cannot be opened ({why.lower()}); check the file and its permissions."
