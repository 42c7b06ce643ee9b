"""A data file as columns: CSV text in, text and numbers out, every complaint with its line.

A number is refused rather than guessed: ``1,5`` may be one and a half or a thousands group cut
short, and a column without a unit in its name may hold anything.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

# Ending of a column's name -> the unit as it is printed.  The longest ending that fits wins.
UNITS: dict[str, str] = {
    "_ml": "mL",
    "_ul": "microlitre",
    "_microlitre": "microlitre",
    "_l": "L",
    "_l_per_min": "L/min",
    "_g": "g",
    "_mg": "mg",
    "_mm": "mm",
    "_c": "°C",
    "_hpa": "hPa",
    "_kpa": "kPa",
    "_percent": "%",
}
DELIMITERS = (",", ";", "\t")
_PLAIN = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?")


class StudyError(ValueError):
    """Data that cannot be used; the message is one or two sentences to show to a person."""


@dataclass(frozen=True)
class Table:
    """A data file: its column names, and for each row the line it ends on and its cells."""

    name: str
    headers: tuple[str, ...]
    rows: tuple[tuple[int, tuple[str, ...]], ...]

    def texts(self, column: str) -> list[str]:
        """The cells of *column*, outer blanks taken off.

        Raises
        ------
        StudyError
            If there is no such column or a cell is empty.
        """
        at = self._index(column)
        for line, cells in self.rows:
            if not cells[at]:
                raise StudyError(
                    f"{self.name}, line {line}: column '{column}' is empty. "
                    "Fill it in, or leave the whole row out."
                )
        return [cells[at] for _, cells in self.rows]

    def numbers(self, column: str) -> list[float]:
        """The cells of *column* as finite numbers.

        Raises
        ------
        StudyError
            As `texts`, and if a cell is no plain number.
        """
        texts = self.texts(column)
        return [
            _number(text, f"{self.name}, line {line}: column '{column}'")
            for (line, _), text in zip(self.rows, texts, strict=True)
        ]

    def _index(self, column: str) -> int:
        if column not in self.headers:
            raise StudyError(
                f"{self.name} has no column '{column}'. It has: {', '.join(self.headers)}."
            )
        return self.headers.index(column)


def read_table(text: str, name: str = "The file") -> Table:
    """The table in CSV *text* whose first line names the columns; *name* is for the complaints.

    Columns are parted by commas, semicolons or tabs, whichever the first line has most of.
    Empty lines are passed over.

    Raises
    ------
    StudyError
        If there is no heading, a name is missing or given twice, or a row has another number
        of cells than the heading.
    """
    first = text.removeprefix("\ufeff").lstrip("\r\n").partition("\n")[0]
    delimiter = max(DELIMITERS, key=first.count)
    reader = csv.reader(io.StringIO(text.removeprefix("\ufeff"), newline=""), delimiter=delimiter)
    headers: tuple[str, ...] | None = None
    rows: list[tuple[int, tuple[str, ...]]] = []
    try:
        for raw in reader:
            cells = tuple(cell.strip() for cell in raw)
            if not any(cells):
                continue
            if headers is None:
                headers = _checked_headers(cells, name)
            elif len(cells) != len(headers):
                raise StudyError(_wrong_width(name, reader.line_num, cells, headers, delimiter))
            else:
                rows.append((reader.line_num, cells))
    except csv.Error as error:
        raise StudyError(
            f"{name}, line {reader.line_num}: not readable as CSV ({error})."
        ) from None
    if headers is None:
        raise StudyError(f"{name} is empty. The first line names the columns.")
    if not rows:
        raise StudyError(f"{name} has a heading and no rows.")
    return Table(name, headers, tuple(rows))


def unit_of(column: str) -> str | None:
    """The unit that the *column*'s name ends in, as printed, or ``None``.

    >>> unit_of("reading_ml"), unit_of("operator")
    ('mL', None)
    """
    fitting = [ending for ending in UNITS if column.lower().endswith(ending)]
    return UNITS[max(fitting, key=len)] if fitting else None


def shared_unit(columns: Sequence[str]) -> str:
    """The one unit of all *columns*, as printed.

    Raises
    ------
    StudyError
        If a name states no unit or they differ.
    """
    units = {}
    for column in columns:
        unit = unit_of(column)
        if unit is None:
            raise StudyError(
                f"Column '{column}' does not say its unit. "
                "Let its name end in one, as in 'reading_ml', or state --unit."
            )
        units[column] = unit
    if len(set(units.values())) > 1:
        said = ", ".join(f"'{column}' in {unit}" for column, unit in units.items())
        raise StudyError(f"The columns are in different units ({said}). Bring them to one unit.")
    return next(iter(units.values()))


def _checked_headers(cells: tuple[str, ...], name: str) -> tuple[str, ...]:
    if not all(cells):
        raise StudyError(f"{name}: column {cells.index('') + 1} has no name in the first line.")
    for cell in cells:
        if cells.count(cell) > 1:
            raise StudyError(f"{name}: two columns are called '{cell}'. Give each its own name.")
    if all(_PLAIN.fullmatch(cell) for cell in cells):
        raise StudyError(f"{name}: the first line holds numbers. It has to name the columns.")
    return cells


def _wrong_width(
    name: str, line: int, cells: tuple[str, ...], headers: tuple[str, ...], delimiter: str
) -> str:
    sentence = f"{name}, line {line}: {len(cells)} cells where the heading has {len(headers)}."
    if delimiter == "," and len(cells) > len(headers):
        sentence += " If these are decimal commas, write points: 1.5, not 1,5."
    return sentence


def _number(text: str, where: str) -> float:
    if not _PLAIN.fullmatch(text):
        hint = " Write the decimal point as a point." if re.search(r"\d,\d", text) else ""
        raise StudyError(f"{where} holds '{text}', which is not a plain number.{hint}")
    number = float(text)
    if not math.isfinite(number):
        raise StudyError(f"{where} holds '{text}', which is too large to be used.")
    return number
