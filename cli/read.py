"""`drawmark read`: the volume in each photograph."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from ..calc.formatting import format_amount, format_measured
from ..vision import Outcome, Reading, as_record
from ..vision.model import is_air_in_doubt
from .batch import answer_all
from .items import Item, find_items
from .options import (
    AIR_DOUBTFUL,
    Capacity,
    Dask,
    Debug,
    Interval,
    Jobs,
    Json,
    Manifest,
    Out,
    PictureDir,
    Recursive,
    Resume,
    check_syringe_options,
    make_picture_dir,
)
from .photographs import reasons_sentence
from .pictures import report_unwritten, write_read_picture

if TYPE_CHECKING:
    Record = dict[str, Any]

_HEADINGS = ("volume (k = 2)", "air", "liquid", "syringe")
_WIDTHS = (20, 16, 20, 16)


def read(
    photos: Annotated[
        list[Path] | None,
        typer.Argument(metavar="PHOTO", help="Photos, folders of photos, or patterns."),
    ] = None,
    manifest: Manifest = None,
    recursive: Recursive = False,
    as_json: Json = False,
    out: Out = None,
    resume: Resume = False,
    capacity: Capacity = None,
    interval: Interval = None,
    picture_dir: PictureDir = None,
    jobs: Jobs = None,
    dask: Dask = None,
    debug: Debug = False,
) -> None:
    """Read the volume at the fiducial line in each photograph.

    With --json, one JSON object a line and a photograph, in the order given.  A photograph that
    cannot be read never stops the others.

    Exit status: 0 all read, 2 usage error or a photograph that does not exist, 4 at least one
    refused, 130 stopped by Ctrl-C.
    """
    check_syringe_options(capacity, interval)
    known = Item(capacity_ml=capacity, interval_ml=interval)
    items = find_items(photos, manifest, known, recursive=recursive, for_check=False)
    make_picture_dir(picture_dir)
    answer_all(
        ReadForm(picture_dir, debug=debug),
        items,
        out=out,
        resume=resume,
        as_json=as_json,
        jobs=jobs,
        dask=dask,
        debug=debug,
    )


class ReadForm:
    """Answers of `drawmark read`; see `batch.Form`."""

    command = "read"

    def __init__(self, picture_dir: Path | None, *, debug: bool) -> None:
        self._picture_dir = picture_dir
        self._debug = debug

    def options(self, item: Item) -> Record:
        return {"capacity_ml": item.capacity_ml, "interval_ml": item.interval_ml}

    def answer(self, item: Item, outcome: Outcome, *, there: bool) -> Record:
        if self._picture_dir is not None and there:
            try:
                write_read_picture(item.photo, outcome, self._picture_dir)
            except Exception as error:  # the answer stands without its picture
                if self._debug:
                    raise
                report_unwritten(item.photo, error)
        return as_record(item.name, outcome) | item.people()

    def renamed(self, record: Record, item: Item) -> Record:
        bare = {key: value for key, value in record.items() if key not in ("learner", "task")}
        return bare | {"photo": item.name} | item.people()

    def heading(self, width: int) -> str:
        return _row("photo", _HEADINGS, width)

    def row(self, record: Record, width: int) -> str:
        photo: str = record["photo"]
        if record["status"] != "read":
            return f"{photo.ljust(width)}  refused: {reasons_sentence(record['reasons'])}"
        air_expanded_ml = record["air_expanded_uncertainty_ml"]
        liquid_expanded_ml = math.hypot(record["expanded_uncertainty_ml"], air_expanded_ml)
        cells = (
            format_measured(record["volume_ml"], record["expanded_uncertainty_ml"]),
            _air(record["air_ml"], air_expanded_ml, record["volume_ml"]),
            format_measured(record["liquid_ml"], liquid_expanded_ml),
            f"{format_amount(record['capacity_ml'])} by {format_amount(record['interval_ml'])}",
        )
        return _row(photo, cells, width)

    def word(self, record: Record) -> str:
        return str(record["status"])

    def status(self, record: Record) -> int:
        return 0 if record["status"] == "read" else 4


def _row(name: str, cells: tuple[str, ...], name_width: int) -> str:
    columns = "  ".join(cell.ljust(width) for cell, width in zip(cells, _WIDTHS, strict=True))
    return f"{name.ljust(name_width)}  {columns}".rstrip()


def air_text(reading: Reading) -> str:
    """The air in front of the fiducial line, or that none was found; and if it is in doubt."""
    found = _air(reading.air_ml, reading.air_expanded_uncertainty_ml, reading.volume_ml)
    return f"{found}; {AIR_DOUBTFUL}" if reading.air_in_doubt else found


def _air(air_ml: float, expanded_uncertainty_ml: float, volume_ml: float) -> str:
    if air_ml > 0 or is_air_in_doubt(expanded_uncertainty_ml, volume_ml):
        return format_measured(air_ml, expanded_uncertainty_ml)
    return "none found"
