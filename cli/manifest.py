"""A list of photographs as a table: CSV with a line for each, as a spreadsheet saves it."""

from __future__ import annotations

import csv
import difflib
import io
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

from ..calc.quantities import QuantityError, parse_volume_ml
from ..calc.tolerance import parse_tolerance
from .items import Item

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

T = TypeVar("T")

COLUMNS = ("photo", "target", "tolerance", "learner", "task", "capacity", "interval")
DELIMITERS = ",;\t"
LARGEST_BYTES = 50_000_000
MOST_PROBLEMS = 20  # as many are told at once


class ManifestError(ValueError):
    """A manifest that cannot be used; the message is what to show a person, a sentence a line."""


def load_manifest(manifest: Path, defaults: Item, *, for_check: bool) -> list[Item]:
    """The photographs that *manifest* lists, in its order.

    The columns are those of `COLUMNS`, in any order; others are left alone.  Photographs are
    looked for from the manifest's folder.  What a cell leaves open comes from *defaults*, of
    which the photograph is not used.  Target and tolerance are needed, and looked at, *for_check*
    only.

    Raises
    ------
    ManifestError
        If the file cannot be read or something is wrong in it; the message names line and column.
    """
    items = []
    problems = []
    for line, row in _rows(manifest, _text(manifest)):
        try:
            items.append(_item(manifest.parent, row, defaults, for_check))
        except ValueError as error:
            problems.append(f"line {line}, {error}")
    if problems:
        more = len(problems) - MOST_PROBLEMS
        told = problems[:MOST_PROBLEMS] + ([f"and {more} more like these."] if more > 0 else [])
        raise ManifestError("\n".join(f"'{manifest}', {problem}" for problem in told))
    if not items:
        raise ManifestError(f"'{manifest}' lists no photographs; give a line for each.")
    return items


def _text(manifest: Path) -> str:
    try:
        if manifest.stat().st_size > LARGEST_BYTES:
            raise ManifestError(f"'{manifest}' is too large for a list of photographs.")
        return manifest.read_text(encoding="utf-8-sig")
    except OSError as error:
        why = (error.strerror or str(error)).lower()
        raise ManifestError(
            f"'{manifest}' cannot be read ({why}); check the name of the manifest."
        ) from None
    except UnicodeDecodeError:
        raise ManifestError(
            f"'{manifest}' is not text in UTF-8; save it as 'CSV UTF-8' in the spreadsheet."
        ) from None


def _rows(manifest: Path, text: str) -> Iterator[tuple[int, Mapping[str, str]]]:
    """Line number and cells by column of each row that is not empty."""
    head = text.partition("\n")[0]
    delimiter = max(DELIMITERS, key=head.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    try:
        names = _columns(manifest, next(reader, []))
        before = reader.line_num
        for cells in reader:
            line, before = before + 1, reader.line_num
            if not any(cell.strip() for cell in cells):
                continue
            if any(cell.strip() for cell in cells[len(names) :]):
                raise ManifestError(
                    f"'{manifest}', line {line} has more cells than the first line has columns; "
                    f'put a cell with a "{delimiter}" in it between double quotes.'
                )
            cells += [""] * (len(names) - len(cells))
            yield line, {n: c.strip() for n, c in zip(names, cells, strict=False)}
    except csv.Error as error:
        raise ManifestError(
            f"'{manifest}', line {reader.line_num} is no line of a CSV file ({error})."
        ) from None


def _columns(manifest: Path, head: list[str]) -> list[str]:
    names = [" ".join(name.split()).lower() for name in head]
    if "photo" not in names:
        raise ManifestError(
            f"'{manifest}' has no column 'photo'; name the columns in its first line: "
            f"{', '.join(COLUMNS)}."
        )
    for name in names:
        if name in COLUMNS:
            if names.count(name) > 1:
                raise ManifestError(f"'{manifest}' has the column '{name}' twice.")
        elif near := difflib.get_close_matches(name, COLUMNS, n=1, cutoff=0.75):
            # a slip would otherwise leave out a capacity or a tolerance without a word
            raise ManifestError(
                f"'{manifest}' has a column '{name}'; write '{near[0]}' if that is meant, "
                "another name if not."
            )
    return names


def _item(folder: Path, row: Mapping[str, str], defaults: Item, for_check: bool) -> Item:
    name = row["photo"]
    if not name or "\0" in name:
        raise ValueError("column 'photo': the name of the photograph is missing.")
    item = Item(
        photo=folder / name,
        name=name,
        capacity_ml=_cell(row, "capacity", parse_volume_ml, defaults.capacity_ml),
        interval_ml=_cell(row, "interval", parse_volume_ml, defaults.interval_ml),
        learner=_cell(row, "learner", str, defaults.learner),
        task=_cell(row, "task", str, defaults.task),
    )
    if for_check:
        item = replace(
            item,
            target_ml=_cell(row, "target", parse_volume_ml, defaults.target_ml),
            tolerance=_cell(row, "tolerance", parse_tolerance, defaults.tolerance),
        )
        for column, value in (("target", item.target_ml), ("tolerance", item.tolerance)):
            if value is None:
                raise ValueError(f"column '{column}' is empty; fill it, or give --{column}.")
    if (
        item.capacity_ml is not None
        and item.interval_ml is not None
        and item.interval_ml >= item.capacity_ml
    ):
        raise ValueError("column 'interval': must be smaller than the capacity; check both.")
    return item


def _cell(
    row: Mapping[str, str], column: str, parse: Callable[[str], T], default: T | None
) -> T | None:
    if not row.get(column):
        return default
    try:
        return parse(row[column])
    except QuantityError as error:
        raise ValueError(f"column '{column}': {error}") from None
