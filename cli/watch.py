"""`drawmark watch`: each new photograph in a folder, as it comes."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from .batch import Batch, Form, interruptible, results_file
from .checkmany import CheckForm
from .items import Item
from .options import (
    Capacity,
    Debug,
    IncludeSyringeTolerance,
    Interval,
    Jobs,
    Json,
    Out,
    Permitted,
    PictureDir,
    Plan,
    Recursive,
    Resume,
    Stage,
    Target,
    check_syringe_options,
    make_picture_dir,
    usage_error,
)
from .read import ReadForm
from .record_check import Keeper, Learner, Record, Task
from .results import content_hash
from .stagecheck import wanted
from .terminal import say

if TYPE_CHECKING:
    from collections.abc import Iterator

    from .arrivals import Arrivals
    from .results import Results

NAME_WIDTH = 36  # of the table's first column: what will come is not known


def watch(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Where photographs arrive.")],
    target: Target = None,
    permitted: Permitted = None,
    plan: Plan = None,
    stage: Stage = None,
    include_syringe_tolerance: IncludeSyringeTolerance = False,
    record: Record = None,
    learner: Learner = None,
    task: Task = None,
    existing: Annotated[
        bool, typer.Option("--existing", help="Also the photographs that are there already.")
    ] = False,
    recursive: Recursive = False,
    as_json: Json = False,
    out: Out = None,
    resume: Resume = False,
    capacity: Capacity = None,
    interval: Interval = None,
    picture_dir: PictureDir = None,
    jobs: Jobs = None,
    every: Annotated[
        float,
        typer.Option("--every", metavar="SECONDS", min=0.01, max=3600, help="How often to look."),
    ] = 1.0,
    stop_after: Annotated[
        float | None,
        typer.Option(
            "--stop-after", metavar="SECONDS", min=0, help="End when none came for so long."
        ),
    ] = None,
    debug: Debug = False,
) -> None:
    """Read each new photograph in a folder once it is there in full; check it, given a target.

    Ctrl-C ends it, with the counts.  A photograph that comes twice, under whatever names, is
    answered once.  With --existing, --out and --resume it takes up where it was stopped.

    Exit status, for all that came: as of read, or as of check for several photographs.
    """
    check_syringe_options(capacity, interval)
    known = Item(capacity_ml=capacity, interval_ml=interval)
    form: Form = ReadForm(picture_dir, debug=debug)
    if any(given is not None for given in (target, permitted, plan, stage)):
        goal = wanted(target, permitted, plan, stage)
        known = Item(
            capacity_ml=capacity,
            interval_ml=interval,
            target_ml=goal.target_ml,
            tolerance=goal.tolerance,
        )
        form = CheckForm(
            goal, picture_dir, include_syringe_tolerance=include_syringe_tolerance, debug=debug
        )
    elif record is not None:
        usage_error("--record keeps checks; give --target and --tolerance, or --plan and --stage.")
    keeper = Keeper(record, learner, task)
    from .arrivals import Arrivals

    try:
        arrivals = Arrivals(folder, recursive=recursive, existing=existing)
    except OSError as error:
        usage_error(
            f"'{folder}' is no folder that can be watched "
            f"({(error.strerror or str(error)).lower()}); check its name."
        )
    keeper.open()
    make_picture_dir(picture_dir)
    with results_file(out, form.command, resume=resume) as results:
        batch = Batch(
            form,
            results=results,
            as_json=as_json,
            jobs=jobs,
            width=NAME_WIDTH,
            keeper=keeper,
            debug=debug,
        )
        seen: set[str] = set()
        batch.head()
        try:
            with interruptible():
                for photos in _rounds(arrivals, folder, every, stop_after):
                    items = [replace(known, photo=photo, name=str(photo)) for photo in photos]
                    batch.run(_new(items, form, results, seen))
        except KeyboardInterrupt:
            say("", err=True)  # the terminal has written ^C
        batch.foot(counts=True)
    raise typer.Exit(batch.exit_status)


def _rounds(
    arrivals: Arrivals, folder: Path, every: float, stop_after: float | None
) -> Iterator[list[Path]]:
    """The photographs that have come, look by look."""
    last = time.monotonic()
    reachable = True
    while True:
        photos: list[Path] = []
        try:
            photos = arrivals.look()
            reachable = True
        except OSError as error:  # a drive of the network comes and goes
            if reachable:
                why = (error.strerror or str(error)).lower()
                say(
                    f"drawmark: '{folder}' cannot be listed at present ({why}); waiting for it.",
                    err=True,
                )
            reachable = False
        if photos:
            yield photos
        if photos or arrivals.under_way:
            last = time.monotonic()
        if stop_after is not None and time.monotonic() - last >= stop_after:
            return
        time.sleep(every)


def _new(items: list[Item], form: Form, results: Results | None, seen: set[str]) -> list[Item]:
    """Those of *items* whose bytes have not been answered, neither here nor in the results."""
    new = []
    for item in items:
        sha256 = content_hash(item.photo)
        if sha256 is not None:
            if sha256 in seen:
                say(
                    f"drawmark: '{item.photo}' is a photograph that was answered already; "
                    "not read again.",
                    err=True,
                )
                continue
            seen.add(sha256)
            if results is not None and results.find_twin(sha256, form.options(item)) is not None:
                continue
        elif not item.photo.exists():  # renamed or taken away just now
            continue
        new.append(item)
    return new
