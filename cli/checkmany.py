"""`drawmark check` over many photographs: a verdict each, in the order given."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NoReturn

from ..calc.formatting import (
    decimals_for,
    fixed,
    format_amount,
    format_measured,
    format_number,
    format_probability,
)
from .batch import answer_all
from .items import Item, find_items
from .options import make_picture_dir
from .photographs import reasons_sentence
from .pictures import free_name, report_unwritten, write_check_picture
from .stagecheck import wanted
from .verdict import EXIT_STATUS, Check, check_outcome

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from ..calc.tolerance import Tolerance
    from ..vision import Outcome
    from .record_check import Keeper
    from .stagecheck import Wanted

    Record = dict[str, Any]

_HEADINGS = ("verdict", "target", "liquid (k = 2)", "deviation", "conforms")
_WIDTHS = (9, 18, 20, 10, 8)


def check_many(
    photos: Sequence[Path] | None,
    manifest: Path | None,
    *,
    target_ml: float | None,
    tolerance: Tolerance | None,
    plan: Path | None,
    stage: int | None,
    include_syringe_tolerance: bool,
    capacity_ml: float | None,
    interval_ml: float | None,
    recursive: bool,
    picture_dir: Path | None,
    out: Path | None,
    resume: bool,
    as_json: bool,
    jobs: int | None,
    dask: str | None,
    keeper: Keeper,
    debug: bool,
) -> NoReturn:
    """Check *photos*, or what *manifest* lists, and leave with the exit status for all.

    Target and tolerance are those of the manifest, where it has them; then what was given.
    """
    goal = None
    if manifest is None or plan is not None or stage is not None:
        goal = wanted(target_ml, tolerance, plan, stage)
        target_ml, tolerance = goal.target_ml, goal.tolerance
    known = Item(
        capacity_ml=capacity_ml, interval_ml=interval_ml, target_ml=target_ml, tolerance=tolerance
    )
    items = find_items(photos, manifest, known, recursive=recursive, for_check=True)
    keeper.open([(item.learner, item.task) for item in items])
    make_picture_dir(picture_dir)
    form = CheckForm(
        goal, picture_dir, include_syringe_tolerance=include_syringe_tolerance, debug=debug
    )
    answer_all(
        form,
        items,
        out=out,
        resume=resume,
        as_json=as_json,
        jobs=jobs,
        dask=dask,
        keeper=keeper,
        debug=debug,
    )


class CheckForm:
    """Answers of `drawmark check` for many photographs; see `batch.Form`.

    *goal* is the stage of a plan that all of them show, if they do.
    """

    command = "check"

    def __init__(
        self,
        goal: Wanted | None,
        picture_dir: Path | None,
        *,
        include_syringe_tolerance: bool,
        debug: bool,
    ) -> None:
        self._goal = goal
        self._picture_dir = picture_dir
        self._include_syringe_tolerance = include_syringe_tolerance
        self._debug = debug

    def options(self, item: Item) -> Record:
        planned = None if self._goal is None else self._goal.planned
        return {
            "capacity_ml": item.capacity_ml,
            "interval_ml": item.interval_ml,
            "target_ml": item.target_ml,
            "tolerance": str(item.tolerance),
            "include_syringe_tolerance": self._include_syringe_tolerance,
            "stage": None if planned is None else planned.stage,
        }

    def answer(self, item: Item, outcome: Outcome, *, there: bool) -> Record:
        assert item.target_ml is not None
        assert item.tolerance is not None
        check = check_outcome(
            item.name,
            outcome,
            target_ml=item.target_ml,
            tolerance=item.tolerance,
            include_syringe_tolerance=self._include_syringe_tolerance,
            capacity_ml=item.capacity_ml,
            interval_ml=item.interval_ml,
        )
        planned = {} if self._goal is None else self._goal.record(outcome)
        picture = self._write_picture(item.photo, check) if there else None
        return check.record() | planned | {"picture": picture} | item.people()

    def _write_picture(self, photo: Path, check: Check) -> str | None:
        if self._picture_dir is None:
            return None
        try:
            name = free_name(self._picture_dir, photo.stem, "check")
            written = write_check_picture(photo, check, name)
        except Exception as error:  # the verdict stands without its picture
            if self._debug:
                raise
            report_unwritten(photo, error)
            return None
        return None if written is None else str(written)

    def renamed(self, record: Record, item: Item) -> Record:
        bare = {key: value for key, value in record.items() if key not in ("learner", "task")}
        return bare | {"reading": record["reading"] | {"photo": item.name}} | item.people()

    def heading(self, width: int) -> str:
        return _row("photo", _HEADINGS, width)

    def row(self, record: Record, width: int) -> str:
        reading, decision = record["reading"], record["decision"]
        if decision is None:
            return (
                f"{reading['photo'].ljust(width)}  refused: {reasons_sentence(reading['reasons'])}"
            )
        expanded_ml = 2 * decision["standard_uncertainty_ml"]
        cells = (
            record["verdict"],
            f"{format_number(record['target_ml'])} ± {format_amount(record['tolerance_ml'])}",
            format_measured(decision["value_ml"], expanded_ml),
            f"{fixed(record['deviation_ml'], decimals_for(expanded_ml), sign=True)} mL",
            format_probability(record["probability_within"]),
        )
        return _row(reading["photo"], cells, width)

    def word(self, record: Record) -> str:
        return str(record["verdict"])

    def status(self, record: Record) -> int:
        return EXIT_STATUS[record["verdict"]]


def _row(name: str, cells: tuple[str, ...], name_width: int) -> str:
    columns = "  ".join(cell.ljust(width) for cell, width in zip(cells, _WIDTHS, strict=True))
    return f"{name.ljust(name_width)}  {columns}".rstrip()
