"""`drawmark study`: measurement error from a data file, as words, numbers and figures.

The statistics are those of `drawmark.calc.study`; here are the options, the files and the words.
"""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

import typer

from .options import Json, usage_error
from .study_files import finish, read_source, wanted_files
from .study_words import (
    agreement_lines,
    agreement_short,
    between_lines,
    component_lines,
    group_lines,
    precision_lines,
    weighed_lines,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from matplotlib.figure import Figure

    from ..calc.study.components import Components
    from ..calc.study.gravimetric import Volume
    from ..calc.study.precision import Precision
    from ..calc.study.table import Table

T = TypeVar("T")

app = typer.Typer(
    name="study",
    help="Measurement error: agreement, repeatability, and a reference volume by weighing.",
    no_args_is_help=True,
    rich_markup_mode=None,
)

Data = Annotated[
    Path, typer.Argument(metavar="DATA.csv", help="The data; its first line names the columns.")
]
Unit = Annotated[
    str | None,
    typer.Option("--unit", metavar="UNIT", help="Unit of the columns whose names end in none."),
]
By = Annotated[
    str | None,
    typer.Option("--by", metavar="COLUMN", help="Each group of this column by itself as well."),
]
Confidence = Annotated[
    float,
    typer.Option("--confidence", metavar="SHARE", help="Of the intervals; 0.95 unless given."),
]
Out = Annotated[
    Path | None,
    typer.Option("--out", metavar="FOLDER", help="Where the files go, instead of beside the data."),
]
NoFiles = Annotated[bool, typer.Option("--no-files", help="Write no files.")]
NoFigure = Annotated[bool, typer.Option("--no-figure", help="Write the numbers, but no figure.")]
Force = Annotated[bool, typer.Option("--force", help="Replace files of an earlier run.")]


@app.command(short_help="Two ways of measuring the same thing.")
def agreement(
    data: Data,
    reference: Annotated[
        str, typer.Option("--reference", metavar="COLUMN", help="The column to compare with.")
    ] = "reference_ml",
    measured: Annotated[
        str, typer.Option("--measured", metavar="COLUMN", help="The column to be compared.")
    ] = "volume_ml",
    by: By = None,
    unit: Unit = None,
    confidence: Confidence = 0.95,
    out: Out = None,
    no_files: NoFiles = False,
    no_figure: NoFigure = False,
    force: Force = False,
    as_json: Json = False,
) -> None:
    """Bland-Altman limits of agreement, proportional bias and concordance.

    The limits have exact confidence intervals (Carkeet 2015).  Each row is one pair, and the
    pairs are taken as independent of each other.

    Exit status: 0 done, 2 data or options that cannot be used.
    """
    _check_confidence(confidence)
    source = read_source(data)
    files = wanted_files(
        data, "agreement", out, no_files=no_files, no_figure=no_figure, force=force
    )
    from ..calc.study import agreement as calculation
    from ..calc.study.table import StudyError

    try:
        table = source.table
        shown_unit = _unit(unit, (reference, measured))
        first, second = table.numbers(reference), table.numbers(measured)
        groups = table.texts(by) if by is not None else None
        result = calculation.agreement(first, second, confidence=confidence)
        between = calculation.bias_between_groups(first, second, groups) if groups else None
        parts = _by_group(
            groups,
            lambda at: calculation.agreement(
                [first[i] for i in at], [second[i] for i in at], confidence=confidence
            ),
        )
    except StudyError as error:
        usage_error(str(error))
    lines = [
        f"{data.name}: '{measured}' against '{reference}', {result.n} pairs",
        *agreement_lines(result, shown_unit),
        *group_lines(by, parts, lambda part: agreement_short(part, shown_unit)),
        *between_lines(by, between),
    ]

    def figure() -> Figure:
        from .study_figures import agreement_figure

        names = (_spoken(reference), _spoken(measured))
        return agreement_figure(
            first, second, groups, result, names=names, unit=shown_unit, by=_spoken(by or "")
        )

    finish(
        source,
        files,
        "agreement",
        {
            "reference": reference,
            "measured": measured,
            "by": by,
            "unit": shown_unit,
            "confidence": confidence,
        },
        {
            "difference": "measured - reference",
            "all": result,
            "groups": parts,
            "bias_between_groups_p": between,
        },
        lines,
        {"": figure},
        as_json=as_json,
    )


@app.command(short_help="How well repeated measurements agree, and what makes them differ.")
def repeatability(
    data: Data,
    value: Annotated[
        str, typer.Option("--value", metavar="COLUMN", help="What was measured.")
    ] = "volume_ml",
    group: Annotated[
        str | None,
        typer.Option(
            "--group", metavar="COLUMN", help="Operator, syringe or laboratory (ISO 5725-2)."
        ),
    ] = None,
    factor: Annotated[
        list[str] | None,
        typer.Option(
            "--factor",
            metavar="COLUMN",
            help="A cause of variance; repeat for more. 'syringe/photo': photo within syringe.",
        ),
    ] = None,
    level: Annotated[
        str | None,
        typer.Option("--level", metavar="COLUMN", help="What was meant: each level by itself."),
    ] = None,
    reference: Annotated[
        str | None,
        typer.Option("--reference", metavar="COLUMN", help="Study value - reference instead."),
    ] = None,
    unit: Unit = None,
    confidence: Confidence = 0.95,
    out: Out = None,
    no_files: NoFiles = False,
    no_figure: NoFigure = False,
    force: Force = False,
    as_json: Json = False,
) -> None:
    """Repeatability and reproducibility by ISO 5725-2, and variance components by REML.

    --group asks for the first, --factor for the second; both may be given.

    Exit status: 0 done, 2 data or options that cannot be used.
    """
    _check_confidence(confidence)
    if group is None and not factor:
        usage_error("Give --group for ISO 5725-2, or --factor for variance components, or both.")
    source = read_source(data)
    files = wanted_files(
        data, "repeatability", out, no_files=no_files, no_figure=no_figure, force=force
    )
    from ..calc.study.components import variance_components
    from ..calc.study.precision import precision
    from ..calc.study.table import StudyError

    lines = [f"{data.name}: '{value}', {len(source.table.rows)} rows"]
    figures: dict[str, Callable[[], Figure]] = {}
    levels_found: dict[str, Precision | str] = {}
    components: Components | None = None
    try:
        table = source.table
        columns = (value,) if reference is None else (value, reference)
        shown_unit = _unit(unit, columns)
        values, name = table.numbers(value), _spoken(value)
        if reference is not None:
            values = [v - r for v, r in zip(values, table.numbers(reference), strict=True)]
            name = f"{name} − {_spoken(reference)}"
        levels = table.texts(level) if level is not None else None
        if group is not None:
            groups = table.texts(group)
            levels_found = _by_group(
                levels or ["all"] * len(values),
                lambda at: precision(
                    [values[i] for i in at], [groups[i] for i in at], confidence=confidence
                ),
            )
            if levels is None and isinstance(levels_found["all"], str):
                usage_error(levels_found["all"])
            lines += precision_lines(group, level, levels_found, shown_unit)
            for which, found in levels_found.items():
                if not isinstance(found, str):
                    at = [i for i in range(len(values)) if levels is None or levels[i] == which]
                    part = "" if levels is None else f".{_file_part(which)}"
                    figures[part] = _precision_drawing(
                        values, groups, at, found, (name, _spoken(group)), shown_unit
                    )
        if factor:
            labels = {spec: _factor(table, spec) for spec in factor}
            components = variance_components(values, labels, levels, confidence=confidence)
            lines += component_lines(components, shown_unit)
    except StudyError as error:
        usage_error(str(error))
    if components is not None:
        drawn = components

        def figure() -> Figure:
            from .study_figures import components_figure

            return components_figure(drawn, unit=shown_unit)

        figures[".components"] = figure
    finish(
        source,
        files,
        "repeatability",
        {
            "value": value,
            "group": group,
            "factor": factor or [],
            "level": level,
            "reference": reference,
            "unit": shown_unit,
            "confidence": confidence,
        },
        {"iso_5725": levels_found or None, "components": components},
        lines,
        figures,
        as_json=as_json,
    )


@app.command(short_help="The volume of weighed water, as a reference.")
def gravimetric(
    data: Data,
    u_mass: Annotated[
        str,
        typer.Option(
            "--u-mass",
            metavar="MASS",
            help="Standard uncertainty of one weighing, e.g. 0.2mg: see the certificate.",
        ),
    ],
    mass: Annotated[
        str,
        typer.Option("--mass", metavar="COLUMN", help="Mass of water; its name ends in its unit."),
    ] = "mass_g",
    temperature: Annotated[
        str, typer.Option("--temperature", metavar="COLUMN|°C", help="Of the water.")
    ] = "temperature_c",
    pressure: Annotated[
        str, typer.Option("--pressure", metavar="COLUMN|hPa", help="Of the air at the balance.")
    ] = "pressure_hpa",
    humidity: Annotated[
        str, typer.Option("--humidity", metavar="COLUMN|%", help="Relative; 50 unless given.")
    ] = "50",
    reading: Annotated[
        str | None,
        typer.Option("--reading", metavar="COLUMN", help="Readings in mL to hold against it."),
    ] = None,
    by: By = None,
    u_temperature: Annotated[
        float, typer.Option("--u-temperature", metavar="°C", help="Standard uncertainty.")
    ] = 0.2,
    u_pressure: Annotated[
        float, typer.Option("--u-pressure", metavar="hPa", help="Standard uncertainty.")
    ] = 5.0,
    u_humidity: Annotated[
        float, typer.Option("--u-humidity", metavar="%", help="Standard uncertainty.")
    ] = 10.0,
    out: Out = None,
    no_files: NoFiles = False,
    no_figure: NoFigure = False,
    force: Force = False,
    as_json: Json = False,
) -> None:
    """Volume from the mass of water, its temperature and the air pressure.

    Density by Tanaka et al. 2001, buoyancy as in ISO 8655-6, with a GUM uncertainty.  Beside the
    JSON, the data are written again with the columns reference_ml and u_reference_ml, ready for
    'drawmark study agreement'.

    Exit status: 0 done, 2 data or options that cannot be used.
    """
    u_mass_mg = _mass_mg(u_mass)
    for name, number in (
        ("--u-temperature", u_temperature),
        ("--u-pressure", u_pressure),
        ("--u-humidity", u_humidity),
    ):
        if not 0 <= number < 1e6:
            usage_error(f"{name} must not be negative, not {number:g}.")
    source = read_source(data)
    files = wanted_files(
        data, "gravimetric", out, no_files=no_files, no_figure=no_figure, force=force, csv=True
    )
    from ..calc.study.gravimetric import Doubt, against, weighed_volume
    from ..calc.study.table import StudyError, shared_unit

    doubt = Doubt(u_mass_mg, u_temperature, u_pressure, u_humidity)
    compared: dict[str, Any] = {}
    try:
        table = source.table
        in_grams = {"g": 1.0, "mg": 1e-3}.get(shared_unit((mass,)))
        if in_grams is None:
            usage_error(f"Column '{mass}' must be a mass whose name ends in '_g' or '_mg'.")
        rows = zip(
            table.rows,
            table.numbers(mass),
            _column_or_value(table, temperature, "temperature", "_c"),
            _column_or_value(table, pressure, "pressure", "_hpa"),
            _column_or_value(table, humidity, "humidity", "_percent"),
            strict=True,
        )
        weighed: list[Volume] = []
        for (line, _), m, t, p, h in rows:
            try:
                weighed.append(weighed_volume(m * in_grams, t, p, h, doubt=doubt))
            except StudyError as error:
                usage_error(f"{data.name}, line {line}: {error}")
        groups = table.texts(by) if by is not None else None
        readings: list[float] | None = None
        if reading is not None:
            if shared_unit((reading,)) != "mL":
                usage_error(f"Column '{reading}' must be in mL, its name ending in '_ml'.")
            readings = read = table.numbers(reading)
            compared = {"all": against(readings, weighed)} | _by_group(
                groups, lambda at: against([read[i] for i in at], [weighed[i] for i in at])
            )
    except StudyError as error:
        usage_error(str(error))
    lines = weighed_lines(data.name, weighed, reading, by, compared)

    def figure() -> Figure:
        from .study_figures import weighed_figure

        return weighed_figure(
            [v.volume_ml for v in weighed],
            [2 * v.standard_uncertainty_ml for v in weighed],
            readings,
            groups,
            name=_spoken(reading or ""),
            by=_spoken(by or ""),
        )

    finish(
        source,
        files,
        "gravimetric",
        {
            "mass": mass,
            "temperature": temperature,
            "pressure": pressure,
            "humidity": humidity,
            "reading": reading,
            "by": by,
            "u_mass_mg": u_mass_mg,
            "u_temperature_c": u_temperature,
            "u_pressure_hpa": u_pressure,
            "u_humidity_percent": u_humidity,
        },
        {"rows": weighed, "readings": compared or None},
        lines,
        {"": figure},
        as_json=as_json,
        csv=_with_volumes(table, weighed),
    )


def _check_confidence(confidence: float) -> None:
    if not 0.5 <= confidence < 1:
        usage_error(f"--confidence is a share from 0.5 to below 1, as in 0.95, not {confidence:g}.")


def _mass_mg(text: str) -> float:
    from ..calc.quantities import QuantityError, parse_quantity

    try:
        mass_mg = float(parse_quantity(text, "mass").to("milligram").magnitude)
    except QuantityError as error:
        usage_error(f"--u-mass: {error}")
    if mass_mg < 0:
        usage_error(f"--u-mass must not be negative, not {text}.")
    return mass_mg


def _unit(given: str | None, columns: Sequence[str]) -> str:
    from ..calc.study.table import shared_unit

    return given if given is not None else shared_unit(columns)


def _column_or_value(table: Table, text: str, what: str, ending: str) -> list[float]:
    """The column of that name, or the one number that *text* is, for every row."""
    from ..calc.study.table import StudyError

    try:
        return [float(text)] * len(table.rows)
    except ValueError:
        pass
    if text not in table.headers:
        raise StudyError(
            f"{table.name} has no column '{text}'. It has: {', '.join(table.headers)}. "
            f"Name the column with --{what}, or give one number for all rows."
        )
    if not text.lower().endswith(ending):
        raise StudyError(f"Column '{text}' must end in '{ending}', the unit that it is read in.")
    return table.numbers(text)


def _factor(table: Table, spec: str) -> list[str]:
    """Labels of a factor; ``syringe/photo`` is photo within syringe."""
    from ..calc.study.components import nested

    outer, *inner = (table.texts(part) for part in spec.split("/"))
    for labels in inner:
        outer = nested(outer, labels)
    return outer


def _by_group(
    groups: Sequence[str] | None, compute: Callable[[list[int]], T]
) -> dict[str, T | str]:
    """What *compute* makes of each group's rows; a sentence where a group has too few."""
    from ..calc.study.table import StudyError

    found: dict[str, T | str] = {}
    for name in dict.fromkeys(groups or ()):
        try:
            found[name] = compute([i for i, group in enumerate(groups or ()) if group == name])
        except StudyError as error:
            found[name] = str(error)
    return found


def _spoken(column: str) -> str:
    """A column's name as a figure says it: without its unit, blanks for underscores."""
    from ..calc.study.table import UNITS

    fitting = [ending for ending in UNITS if column.lower().endswith(ending)]
    bare = column[: -len(max(fitting, key=len))] if fitting else column
    return bare.replace("_", " ")


def _file_part(text: str) -> str:
    return "".join(c if c.isalnum() or c in ".-" else "-" for c in text)[:40]


def _with_volumes(table: Table, weighed: Sequence[Volume]) -> str:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    names = [h for h in table.headers if h not in ("reference_ml", "u_reference_ml")]
    at = [table.headers.index(name) for name in names]
    writer.writerow([*names, "reference_ml", "u_reference_ml"])
    for (_, cells), v in zip(table.rows, weighed, strict=True):
        writer.writerow(
            [*(cells[i] for i in at), f"{v.volume_ml:.6f}", f"{v.standard_uncertainty_ml:.6f}"]
        )
    return text.getvalue()


def _precision_drawing(
    values: Sequence[float],
    groups: Sequence[str],
    at: Sequence[int],
    found: Precision,
    names: tuple[str, str],
    unit: str,
) -> Callable[[], Figure]:
    def draw() -> Figure:
        from .study_figures import precision_figure

        return precision_figure(
            [values[i] for i in at],
            [groups[i] for i in at],
            found,
            name=names[0],
            unit=unit,
            by=names[1],
        )

    return draw
