"""`drawmark demo`: the main job on the sample photographs, told as a morning in an invented lab."""

from __future__ import annotations

import csv
import json
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ..calc.formatting import format_amount, format_measured, format_number
from ..calc.quantities import QuantityError, parse_volume_ml
from ..calc.tolerance import Tolerance, parse_tolerance
from ..vision import Outcome, Reading, Refusal
from .options import ADVISORY, Debug, jobs_option, usage_error
from .photographs import read_outcomes, usable_cpus
from .terminal import say

if TYPE_CHECKING:
    from .verdict import Check

LIST_NAME = "demo.csv"
LIST_COLUMNS = ("photo", "target", "tolerance", "task")
PAGE_NAME = "index.html"
MARKER = "drawmark demo"  # in the page's generator line: the folder is ours to replace


@dataclass(frozen=True)
class Task:
    """One line of the demo's list: a photograph and what was to be drawn up."""

    photo: Path
    target_ml: float
    tolerance: Tolerance
    text: str


@dataclass(frozen=True)
class Shown:
    """A checked task, its annotated picture and, for a rendered photograph, the truth in mL."""

    task: Task
    check: Check
    picture: Path | None
    true_liquid_ml: float | None


def demo(
    out: Annotated[
        Path, typer.Option("--out", metavar="DIR", help="Where the page and pictures go.")
    ] = Path("drawmark-demo"),
    photos: Annotated[
        Path | None,
        typer.Option("--photos", metavar="DIR", help="The folder sample_images of the source."),
    ] = None,
    jobs: Annotated[
        int | None,
        jobs_option(
            "Read so many photographs at once, with one core each, instead of one for each "
            "processor."
        ),
    ] = None,
    debug: Debug = False,
) -> None:
    """Check the sample photographs and write a page of the results.

    Exit status: 0 done, 2 usage error or no sample photographs, 4 not one photograph was read.
    """
    folder = photos if photos is not None else find_samples()
    if folder is None:
        usage_error(
            "the sample photographs are not here; run this in the source folder, or name its "
            "folder sample_images with --photos."
        )
    try:
        tasks = load_tasks(folder)
    except (OSError, ValueError) as error:
        usage_error(f"'{folder}' holds no usable {LIST_NAME} with sample photographs ({error}).")
    problem = _prepare(out)
    if problem is not None:
        usage_error(problem)

    say("Tarn Hollow Simulation Lab, an invented place: what the trainees drew up today.\n")
    widths = (max(len(task.photo.name) for task in tasks), 18, 20)
    say(_row(("photo", "target", "liquid (k = 2)", "verdict"), widths))
    started = time.monotonic()
    shown = []
    outcomes = read_outcomes(
        [task.photo for task in tasks], jobs=jobs or usable_cpus(), debug=debug
    )
    for task, outcome in zip(tasks, outcomes, strict=True):
        shown.append(_show(task, outcome, out, debug))
        say(_row(_cells(shown[-1]), widths))
    from .report import demo_page

    page = out / PAGE_NAME
    page.write_text(demo_page(shown), encoding="utf-8")
    seconds = time.monotonic() - started
    say(f"\n{len(shown)} photographs in {seconds:.0f} s; ± is the expanded uncertainty.")
    say(f"\nThe page with all pictures: {page.resolve()}")
    say(f"\n{ADVISORY}")
    raise typer.Exit(0 if any(isinstance(s.check.outcome, Reading) for s in shown) else 4)


def find_samples() -> Path | None:
    """The source's ``sample_images``: at or above the working folder, or beside this package."""
    here = Path.cwd().resolve()
    for folder in (here, *here.parents, Path(__file__).resolve().parent.parent):
        for candidate in (folder / "sample_images", folder):
            if (candidate / LIST_NAME).is_file():
                return candidate
    return None


def load_tasks(folder: Path) -> list[Task]:
    """The tasks of the demo's list in *folder*, in its order.

    Raises
    ------
    OSError
        If the list cannot be read.
    ValueError
        If a column or a photograph is missing, or a target or tolerance is not one; the message
        names the line.
    """
    with (folder / LIST_NAME).open(newline="", encoding="utf-8") as file:
        rows = csv.DictReader(file)
        missing = [name for name in LIST_COLUMNS if name not in (rows.fieldnames or ())]
        if missing:
            raise ValueError(f"column {missing[0]} is missing")
        tasks = []
        for row in rows:
            photo = folder / (row["photo"] or "")
            if not photo.is_file():
                raise ValueError(f"line {rows.line_num}: photograph '{row['photo']}' is missing")
            try:
                target, permitted = (
                    parse_volume_ml(row["target"]),
                    parse_tolerance(row["tolerance"]),
                )
            except (QuantityError, TypeError) as error:
                raise ValueError(f"line {rows.line_num}: {error}") from None
            tasks.append(Task(photo, target, permitted, row["task"] or ""))
    if not tasks:
        raise ValueError("it is empty")
    return tasks


def _prepare(out: Path) -> str | None:
    """Make *out* an empty place for the page, or say why it cannot be one."""
    try:
        if out.is_dir() and any(out.iterdir()):
            page = out / PAGE_NAME
            if not page.is_file() or MARKER not in page.read_text(encoding="utf-8")[:2000]:
                return f"'{out}' holds other files; give an empty or new folder with --out."
            for picture in (out / "pictures").glob("*.check*.jpg"):
                picture.unlink()
        (out / "pictures").mkdir(parents=True, exist_ok=True)
    except (OSError, UnicodeDecodeError) as error:
        return f"'{out}' cannot be written to ({error}); give another folder with --out."
    return None


def _show(task: Task, outcome: Outcome, out: Path, debug: bool) -> Shown:
    from .pictures import free_name, report_unwritten, write_check_picture
    from .verdict import check_outcome

    check = check_outcome(
        task.photo.name,
        outcome,
        target_ml=task.target_ml,
        tolerance=task.tolerance,
    )
    picture = None
    try:
        name = free_name(out / "pictures", task.photo.stem, "check")
        picture = write_check_picture(task.photo, check, name)
    except Exception as error:
        if debug:
            raise
        report_unwritten(task.photo, error)
    return Shown(task, check, picture, _true_liquid_ml(task.photo))


def _true_liquid_ml(photo: Path) -> float | None:
    """The liquid that a rendered photograph was made with, from the truth file beside it, mL."""
    try:
        truth = json.loads(photo.with_suffix(".json").read_text(encoding="utf-8"))
        return float(truth["true_volume_ml"]) - float(truth.get("air_volume_ml") or 0.0)
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None


def _row(cells: tuple[str, ...], widths: tuple[int, ...]) -> str:
    padded = [cell.ljust(width) for cell, width in zip(cells, widths, strict=False)]
    return "  ".join([*padded, *cells[len(widths) :]]).rstrip()


def _cells(shown: Shown) -> tuple[str, ...]:
    check = shown.check
    target = format_amount(check.target_ml)
    if check.tolerance_ml is not None:
        target = f"{format_number(check.target_ml)} ± {format_amount(check.tolerance_ml)}"
    outcome = check.outcome
    if isinstance(outcome, Refusal):
        codes = ", ".join(reason.code for reason in outcome.reasons)
        return (shown.task.photo.name, target, "-", f"refused: {codes}")
    liquid = format_measured(outcome.liquid_ml, 2 * outcome.liquid_standard_uncertainty_ml)
    return (shown.task.photo.name, target, liquid, check.verdict)
