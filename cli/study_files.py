"""The files of a study: the data with its fingerprint going in, numbers and figures coming out.

Nothing is overwritten unless told to, and a file is there whole or not at all.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
import math
import os
import platform
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import typer

from .options import ADVISORY, usage_error
from .terminal import say

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from matplotlib.figure import Figure

    from ..calc.study.table import Table

SCHEMA = 1
LARGEST_BYTES = 20_000_000
FIGURE_KINDS = ("svg", "png")


@dataclasses.dataclass(frozen=True)
class Source:
    """The data file, as it was read, and its fingerprint."""

    path: Path
    table: Table
    sha256: str


@dataclasses.dataclass(frozen=True)
class Files:
    """Which files are wanted, and where."""

    folder: Path
    stem: str
    kinds: tuple[str, ...]
    force: bool

    def path(self, kind: str, part: str = "") -> Path:
        return self.folder / f"{self.stem}{part}.{kind}"


def read_source(data: Path) -> Source:
    from ..calc.study.table import StudyError, read_table

    try:
        if data.is_dir():
            usage_error(f"'{data}' is a folder; name the data file in it.")
        if data.stat().st_size > LARGEST_BYTES:
            usage_error(f"'{data}' is larger than 20 MB; is it the data file?")
        raw = data.read_bytes()
        return Source(data, read_table(raw.decode(), data.name), hashlib.sha256(raw).hexdigest())
    except FileNotFoundError:
        usage_error(f"'{data}' does not exist; check the name of the data file.")
    except UnicodeDecodeError:
        usage_error(f"'{data}' is not UTF-8 text; save it as CSV in UTF-8.")
    except StudyError as error:
        usage_error(str(error))
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or str(error)
        usage_error(f"'{data}' cannot be opened ({why.lower()}); check the file.")


def wanted_files(
    data: Path,
    kind: str,
    out: Path | None,
    *,
    no_files: bool,
    no_figure: bool,
    force: bool,
    csv: bool = False,
) -> Files:
    """What to write and where; leaves with a usage error when that cannot work."""
    if no_files and (out is not None or force):
        usage_error("--no-files contradicts --out and --force; leave one of them out.")
    if no_files:
        return Files(data.parent, "", (), force)
    kinds = ("json", *(("csv",) if csv else ()), *(() if no_figure else FIGURE_KINDS))
    if not no_figure:
        from importlib.util import find_spec

        if find_spec("matplotlib") is None:
            usage_error(
                "Figures need matplotlib: pip install 'drawmark[study]', or give --no-figure."
            )
    folder = data.parent if out is None else out
    return Files(folder, f"{data.stem}.{kind}", kinds, force)


def finish(
    source: Source,
    files: Files,
    kind: str,
    options: Mapping[str, Any],
    result: Mapping[str, Any],
    lines: Sequence[str],
    figures: Mapping[str, Callable[[], Figure]],
    *,
    as_json: bool,
    csv: str = "",
) -> NoReturn:
    """Write the files, print the answer, leave with 0."""
    record = {
        "schema": SCHEMA,
        "kind": kind,
        "data": {
            "file": source.path.name,
            "sha256": source.sha256,
            "rows": len(source.table.rows),
        },
        "options": dict(options),
        "packages": _packages(drawn=any(k in files.kinds for k in FIGURE_KINDS)),
        "result": _plain(result),
        "advisory": True,
    }
    text = json.dumps(record, indent=2, ensure_ascii=False) + "\n"
    wanted: dict[Path, bytes] = {}
    if "json" in files.kinds:
        wanted[files.path("json")] = text.encode()
    if "csv" in files.kinds:
        wanted[files.path("csv")] = csv.encode()
    drawn = [k for k in files.kinds if k in FIGURE_KINDS]
    places = [files.path(k, part) for part in figures for k in drawn]
    _refuse_taken([*wanted, *places], force=files.force)
    if wanted:
        _make_folder(files.folder)
    if drawn:
        from .study_figures import rendered

        for part, draw in figures.items():
            for k, content in rendered(draw).items():
                wanted[files.path(k, part)] = content
    for path, content in wanted.items():
        _write(path, content, force=files.force)
    if as_json:
        typer.echo(text, nl=False)
    else:
        say("\n".join(lines))
        for path in wanted:
            say(f"Written: {path}")
        say(ADVISORY)
    raise typer.Exit(0)


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        usage_error(f"'{folder}' cannot be made a folder ({(error.strerror or '').lower()}).")


def _refuse_taken(paths: Sequence[Path], *, force: bool) -> None:
    taken = [path for path in paths if path.exists()]
    if taken and not force:
        usage_error(
            f"'{taken[0]}' exists already; give --force to replace it, or --out for another folder."
        )


def _write(path: Path, content: bytes, *, force: bool) -> None:
    """The whole file or none: a run that is stopped leaves no half of one."""
    temporary = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        try:
            with temporary.open("xb") as file:
                file.write(content)
            if force:
                temporary.replace(path)
            else:
                os.link(temporary, path)  # fails where a file has come up meanwhile
        finally:
            temporary.unlink(missing_ok=True)
    except OSError as error:
        usage_error(f"'{path}' cannot be written ({(error.strerror or str(error)).lower()}).")


def _packages(*, drawn: bool) -> dict[str, str]:
    from importlib.metadata import version

    names = ["drawmark", "numpy", "scipy", "uncertainties", *(["matplotlib"] if drawn else [])]
    return {"python": platform.python_version()} | {name: version(name) for name in names}


def _plain(value: Any) -> Any:
    """Dataclasses as objects, numbers to nine digits: enough to compare, and no binary dust."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: _plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, float):
        return float(f"{value:.9g}") if math.isfinite(value) else None  # JSON has no infinity
    return value
