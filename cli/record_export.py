"""The record as a table for other programs: CSV, JSON Lines or Parquet."""

from __future__ import annotations

import csv
import json
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence
    from pathlib import Path

    from .record_store import Stored

# name -> kind, in the order of the columns
COLUMNS: dict[str, type] = {
    "number": int,
    "recorded_at": str,
    "learner": str,
    "task": str,
    "kind": str,
    "verdict": str,
    "target_ml": float,
    "tolerance_ml": float,
    "liquid_ml": float,
    "standard_uncertainty_ml": float,
    "deviation_ml": float,
    "relative_deviation": float,
    "relative_standard_uncertainty": float,
    "relative_tolerance": float,
    "probability_within": float,
    "capacity_ml": float,
    "interval_ml": float,
    "reasons": str,
    "photo_sha256": str,
    "program": str,
}


class MissingPackageError(Exception):
    """A package for this form is not installed; the message says how to get it."""


def row(stored: Stored) -> dict[str, Any]:
    """A record as one line of a table, with the names of `COLUMNS`."""
    entry = stored.entry
    values = {
        "number": stored.number,
        "recorded_at": stored.recorded_at,
        "learner": stored.learner,
        "task": stored.task,
        "reasons": " ".join(entry.reasons),
        "photo_sha256": " ".join(entry.photos),
    }
    return {name: values[name] if name in values else getattr(entry, name) for name in COLUMNS}


def document(stored: Stored) -> dict[str, Any]:
    """A record as JSON: the columns, and the whole check."""
    entry = stored.entry
    return row(stored) | {
        "reasons": list(entry.reasons),
        "photo_sha256": list(entry.photos),
        "check": entry.check,
        "advisory": True,
        "schema": 1,
    }


def harmless(text: str) -> str:
    """*text* as a cell that no spreadsheet takes for a formula.

    A text that begins like one gets an apostrophe in front.  Numbers never come here: -0.017 is
    data.  Source: OWASP, "CSV injection"; blanks in front do not stop every program.

    >>> harmless("=1+1"), harmless("five mL"), harmless(" @x")
    ("'=1+1", 'five mL', "' @x")
    """
    begins = text.lstrip(" ")[:1]
    return f"'{text}" if begins and begins in "=+-@\t\r\n＝＋－＠" else text


def _cell(value: Any) -> Any:
    if value is None:
        return ""
    return harmless(value) if isinstance(value, str) else value


def write_csv(path: Path, records: Iterable[Stored]) -> None:
    """Write a header and one line a record; what is not there is an empty cell."""
    with path.open("w", encoding="utf-8", newline="") as file:
        table = csv.writer(file)
        table.writerow(COLUMNS)
        table.writerows([_cell(value) for value in row(stored).values()] for stored in records)


def write_json_lines(path: Path, records: Iterable[Stored]) -> None:
    """Write one `document` a line."""
    with path.open("w", encoding="utf-8") as file:
        file.writelines(json.dumps(document(stored)) + "\n" for stored in records)


def write_parquet(path: Path, records: Sequence[Stored]) -> None:
    """Write the columns with their types, and the check as JSON text in ``check_json``.

    Raises
    ------
    MissingPackageError
        If pyarrow is not installed.
    """
    try:
        import pyarrow as pa
        from pyarrow import parquet
    except ImportError:
        raise MissingPackageError(
            "Parquet needs the package pyarrow; install it with pip install 'drawmark[parquet]', "
            "or export to .csv or .jsonl."
        ) from None
    kinds = {int: pa.int64(), str: pa.string(), float: pa.float64()}
    fields = [(name, kinds[kind]) for name, kind in COLUMNS.items()] + [("check_json", pa.string())]
    rows = [row(stored) | {"check_json": json.dumps(stored.entry.check)} for stored in records]
    parquet.write_table(pa.Table.from_pylist(rows, schema=pa.schema(fields)), path)


WRITERS: dict[str, Callable[[Path, list[Stored]], None]] = {
    ".csv": write_csv,
    ".jsonl": write_json_lines,
    ".parquet": write_parquet,
}
