"""`drawmark check`: the volume in one photograph against the volume wanted."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from ..calc.formatting import (
    decimals_for,
    fixed,
    format_amount,
    format_measured,
    format_probability,
)
from ..vision import Reading, Refusal
from .checkmany import check_many
from .items import names_several
from .options import (
    ADVISORY,
    Capacity,
    Dask,
    Debug,
    IncludeSyringeTolerance,
    Interval,
    Jobs,
    Json,
    Manifest,
    Out,
    Permitted,
    PictureDir,
    Plan,
    Recursive,
    Resume,
    Stage,
    Target,
    check_syringe_options,
    photo_problem,
    usage_error,
)
from .photographs import read_outcomes, refusal_sentence
from .pictures import picture_problem, report_unwritten, write_check_picture
from .read import air_text
from .record_check import Keeper, Learner, Record, Task
from .stagecheck import check_dilution, wanted
from .technique import told
from .terminal import say
from .verdict import Check, check_outcome

if TYPE_CHECKING:
    from ..calc.decision import Decision


def check(
    photos: Annotated[
        list[Path] | None,
        typer.Argument(metavar="PHOTO", help="The photograph; or several, a folder, a pattern."),
    ] = None,
    target: Target = None,
    permitted: Permitted = None,
    plan: Plan = None,
    stage: Stage = None,
    before: Annotated[
        Path | None,
        typer.Option("--before", metavar="PHOTO", help="Dilution: before the drug went in."),
    ] = None,
    after: Annotated[
        Path | None,
        typer.Option("--after", metavar="PHOTO", help="Dilution: after the drug went in."),
    ] = None,
    concentration: Annotated[
        str | None,
        typer.Option("--concentration", metavar="STRENGTH", help="Dilution without a plan: stock."),
    ] = None,
    to_concentration: Annotated[
        str | None,
        typer.Option("--to-concentration", metavar="STRENGTH", help="... and the one wanted."),
    ] = None,
    as_json: Json = False,
    include_syringe_tolerance: IncludeSyringeTolerance = False,
    picture: Annotated[
        Path | None,
        typer.Option(
            "--picture",
            metavar="PATH",
            help="Where the annotated picture goes, instead of NAME.check.jpg beside the photo.",
        ),
    ] = None,
    no_picture: Annotated[
        bool, typer.Option("--no-picture", help="Write no annotated picture.")
    ] = False,
    capacity: Capacity = None,
    interval: Interval = None,
    manifest: Manifest = None,
    recursive: Recursive = False,
    out: Out = None,
    resume: Resume = False,
    picture_dir: PictureDir = None,
    jobs: Jobs = None,
    dask: Dask = None,
    record: Record = None,
    learner: Learner = None,
    task: Task = None,
    debug: Debug = False,
) -> None:
    """Compare the liquid in a photographed syringe with the volume wanted.

    The liquid is what counts: air in front of the fiducial line is taken off.  Instead of a
    target, --plan and --stage take it from a saved plan.  --before and --after hold the strength
    made in the syringe against the one wanted.  Of several photographs, each gets a line, and a
    picture where --picture-dir says so.

    Exit status: 0 within, 1 outside, 2 usage error, 3 undecided, 4 refused; of several the first
    of 2, 1, 4, 3 that occurs, and 130 if Ctrl-C stopped them.  A check that could not be recorded
    gives 2 as well; it is told all the same.
    """
    check_syringe_options(capacity, interval)
    keeper = Keeper(record, learner, task)
    if before is not None or after is not None:
        if photos or manifest or target is not None or stage is not None or picture is not None:
            usage_error("--before and --after stand alone: no PHOTO, --target, --stage, --picture.")
        for name in (before, after):
            if name is not None and (missing := photo_problem(name)) is not None:
                usage_error(missing)
        check_dilution(
            before,
            after,
            plan=plan,
            concentration=concentration,
            to_concentration=to_concentration,
            tolerance=permitted,
            include_syringe_tolerance=include_syringe_tolerance,
            capacity_ml=capacity,
            interval_ml=interval,
            as_json=as_json,
            pictures=not no_picture,
            jobs=jobs,
            keeper=keeper,
            debug=debug,
        )
    if concentration is not None or to_concentration is not None:
        usage_error("--concentration and --to-concentration go with --before and --after.")
    if manifest is not None or out is not None or resume or picture_dir is not None:
        many = True
    elif not photos:
        usage_error(
            "PHOTO is missing; name the photograph, or give --manifest, or --before and --after."
        )
    else:
        many = len(photos) > 1 or names_several(photos[0])
    if many:
        if picture is not None:
            usage_error("--picture is for one photograph; for several name a --picture-dir.")
        check_many(
            photos,
            manifest,
            target_ml=target,
            tolerance=permitted,
            plan=plan,
            stage=stage,
            include_syringe_tolerance=include_syringe_tolerance,
            capacity_ml=capacity,
            interval_ml=interval,
            recursive=recursive,
            picture_dir=picture_dir,
            out=out,
            resume=resume,
            as_json=as_json,
            jobs=jobs,
            dask=dask,
            keeper=keeper,
            debug=debug,
        )
    assert photos
    photo = photos[0]
    goal = wanted(target, permitted, plan, stage)
    problem = photo_problem(photo)
    if problem is None and picture is not None:
        problem = (
            "--picture and --no-picture contradict each other; give one of them."
            if no_picture
            else picture_problem(picture)
        )
    if problem is not None:
        usage_error(problem)
    keeper.open()
    (outcome,) = read_outcomes(
        [photo], jobs=jobs, capacity_ml=capacity, interval_ml=interval, debug=debug
    )
    result = check_outcome(
        str(photo),
        outcome,
        target_ml=goal.target_ml,
        tolerance=goal.tolerance,
        include_syringe_tolerance=include_syringe_tolerance,
        capacity_ml=capacity,
        interval_ml=interval,
        part_ml=None if goal.planned is None else goal.planned.part_ml,
    )
    written: Path | None = None
    if not no_picture:
        try:
            written = write_check_picture(photo, result, picture)
        except Exception as error:  # the verdict stands without its picture
            if debug:
                raise
            report_unwritten(photo, error)
    form = result.record() | goal.record(result.outcome)
    kept = keeper.keep(form, [photo])
    if as_json:
        picture_name = None if written is None else str(written)
        typer.echo(json.dumps(form | {"picture": picture_name} | kept))
    else:
        say("\n".join(summary(result)))
        if goal.planned is not None:
            say(f"Stage {goal.planned.stage} of the plan: {goal.planned.text}")
        if (note := goal.deviation_from_plan(result.outcome)) is not None:
            say(f"Note: {note}.")
        if written is not None:
            say(f"Picture: {written}")
        for line in keeper.line(kept):
            say(line)
    raise typer.Exit(keeper.status(result.exit_status))


def summary(result: Check) -> list[str]:
    """What a person is told, line by line."""
    outcome, decision = result.outcome, result.decision
    if isinstance(outcome, Reading) and decision is not None:
        return [
            f"{result.verdict.upper()}   {result.photo}",
            *(f"  {name.ljust(12)}{text}" for name, text in _rows(result, outcome, decision)),
            *told(result.suggestions),
            f"Rule: {decision.rule}",
            ADVISORY,
        ]
    assert isinstance(outcome, Refusal)
    return [f"{result.photo} was refused. {refusal_sentence(outcome)}"]


def _rows(result: Check, reading: Reading, decision: Decision) -> list[tuple[str, str]]:
    expanded = 2 * decision.standard_uncertainty_ml
    places = decimals_for(expanded)
    percent = fixed(100 * decision.deviation_ml / decision.target_ml, 1, sign=True)
    permitted = format_amount(decision.tolerance_ml)
    if result.tolerance.kind != "absolute":
        permitted += f" ({result.tolerance})"
    rows = [
        ("target", f"{format_amount(decision.target_ml)} ± {permitted}"),
        ("liquid", f"{format_measured(decision.value_ml, expanded)} (k = 2), air taken off"),
        ("air", air_text(reading)),
        (
            "deviation",
            f"{fixed(decision.deviation_ml, places, sign=True)} mL ({percent} % of the target)",
        ),
        ("conforms", f"with probability {format_probability(decision.probability_within)}"),
        ("accepted", _acceptance(decision, places)),
        (
            "syringe",
            f"{format_amount(reading.capacity_ml)}, "
            f"a line every {format_amount(reading.interval_ml)}",
        ),
    ]
    if result.syringe_tolerance_included:
        rows.append(("includes", "the syringe's own permitted error (ISO 7886-1)"))
    rows += [("note", note) for note in reading.evidence.notes]
    if decision.target_ml > reading.graduated_max_ml:
        rows.append(("note", "the target is more than this syringe's scale can show"))
    return rows


def _acceptance(decision: Decision, places: int) -> str:
    if decision.acceptance_ml is None:
        return "no value: the reading's uncertainty is too large for this tolerance"
    low, high = (fixed(edge, places) for edge in decision.acceptance_ml)
    return f"from {low} to {high} mL, guard band taken off"
