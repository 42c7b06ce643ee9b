"""`drawmark plan`: what to draw, how, and how well it can be known.

Amounts are text with units; every parser's error is one sentence and exit status 2.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal, NoReturn, TypeVar

import typer

from ..calc.advice import ADVISORY as CAUTIONS
from .options import Json
from .terminal import say

if TYPE_CHECKING:
    from ..calc.label import Label
    from ..calc.notation import AmbiguousRatioError
    from ..calc.preparation import Plan, Source
    from ..calc.syringe import Syringe
    from ..calc.tolerance import Tolerance

T = TypeVar("T")

app = typer.Typer(
    name="plan",
    help="Work out what to draw, stage by stage, and how well it can be known.",
    no_args_is_help=True,
    rich_markup_mode=None,
)

SyringeOption = Annotated[
    str | None,
    typer.Option(
        "--syringe",
        metavar="LAST/STEP",
        help="Last line and step of the scale, e.g. 10mL/0.2mL; else the smallest that holds it.",
    ),
]
ToleranceOption = Annotated[
    str,
    typer.Option(
        "--tolerance",
        metavar="TOLERANCE",
        help="Wanted: 5%, 0.1mL, '1 interval', or iso for that of ISO 7886-1.",
    ),
]
Agent = Annotated[str, typer.Option("--agent", metavar="NAME", help="What the drug is called.")]
WithLabel = Annotated[
    bool, typer.Option("--label", help="Print the label, and make a picture of it (SVG).")
]
LabelFile = Annotated[
    Path | None,
    typer.Option("--label-file", metavar="PATH", help="Where the SVG goes, instead of label.svg."),
]
Initials = Annotated[str, typer.Option("--initials", metavar="XY", help="Who prepares it.")]
Prepared = Annotated[
    str | None,
    typer.Option("--prepared", metavar="WHEN", help="Date and time on the label; else now."),
]
DrugClass = Annotated[
    str | None,
    typer.Option("--drug-class", metavar="CLASS", help="Colour the label as ISO 26825 does."),
]
Antagonist = Annotated[
    bool, typer.Option("--antagonist", help="Striped, as ISO 26825 marks antagonists.")
]
Concentration = Annotated[
    str,
    typer.Option(
        "--concentration", metavar="STRENGTH", help="E.g. '20 mg/mL', '2 %', '1 in 1000'."
    ),
]
ContainerVolume = Annotated[
    str | None,
    typer.Option("--container-volume", metavar="VOLUME", help="What one container holds."),
]
Containers = Annotated[
    int, typer.Option("--containers", metavar="N", min=1, max=1000, help="How many there are.")
]
Container = Annotated[
    Literal["sealed", "opened"] | None,
    typer.Option("--container", help="A sealed vial takes air for fluid; an opened ampoule not."),
]
MolarMass = Annotated[
    str | None,
    typer.Option("--molar-mass", metavar="MASS", help="In g/mol, to go between mmol and mg."),
]


@dataclass(frozen=True)
class _Output:
    """How the answer is to be given: what the common options said."""

    as_json: bool
    agent: str
    with_label: bool
    label_file: Path | None
    initials: str
    prepared: str | None
    drug_class: str | None
    antagonist: bool


@app.command()
def draw(
    concentration: Concentration,
    dose: Annotated[
        str | None, typer.Option("--dose", metavar="AMOUNT", help="E.g. '30 mg' or '500 units'.")
    ] = None,
    volume: Annotated[
        str | None, typer.Option("--volume", metavar="VOLUME", help="Instead of a dose.")
    ] = None,
    container: Container = None,
    container_volume: ContainerVolume = None,
    containers: Containers = 1,
    molar_mass: MolarMass = None,
    syringe: SyringeOption = None,
    tolerance: ToleranceOption = "10%",
    agent: Agent = "",
    label: WithLabel = False,
    label_file: LabelFile = None,
    initials: Initials = "",
    prepared: Prepared = None,
    drug_class: DrugClass = None,
    antagonist: Antagonist = False,
    as_json: Json = False,
) -> None:
    """Draw a dose, or a volume, straight from its container.

    Exit status: 0 planned, 2 something in the request is wrong.
    """
    out = _Output(as_json, agent, label, label_file, initials, prepared, drug_class, antagonist)

    def make() -> Plan:
        from ..calc.notation import parse_amount, parse_concentration
        from ..calc.preparation import plan_draw
        from ..calc.quantities import parse_volume_ml

        if dose is None and volume is None:
            _refuse(out, "no-dose", "Nothing says how much to draw: give --dose or --volume.")
        if dose is not None and volume is not None:
            _refuse(out, "dose-and-volume", "--dose and --volume exclude each other; give one.")
        wanted_dose = None if dose is None else _option("--dose", parse_amount, dose)
        wanted_ml = None if volume is None else _option("--volume", parse_volume_ml, volume)
        return plan_draw(
            _option("--concentration", parse_concentration, concentration),
            dose=wanted_dose,
            volume_ml=wanted_ml,
            source=_source(container or "sealed", container_volume, containers),
            syringe=_syringe(syringe),
            tolerance=_tolerance(tolerance),
            molar_mass=_molar_mass(molar_mass),
        )

    def ask(error: AmbiguousRatioError) -> list[dict[str, Any]]:
        return _strength_meanings(error, dose, molar_mass)

    _answer(out, make, ask)


@app.command()
def powder(
    amount: Annotated[
        str, typer.Option("--amount", metavar="AMOUNT", help="Drug in the container, e.g. '1 g'.")
    ],
    diluent: Annotated[
        str, typer.Option("--diluent", metavar="VOLUME", help="Added to the powder, e.g. '10 mL'.")
    ],
    displacement: Annotated[
        str | None,
        typer.Option(
            "--displacement", metavar="VOLUME", help="Room the whole powder takes up, dissolved."
        ),
    ] = None,
    displacement_per_gram: Annotated[
        str | None,
        typer.Option(
            "--displacement-per-gram", metavar="VOLUME", help="Room that 1 g of it takes up."
        ),
    ] = None,
    dose: Annotated[
        str | None, typer.Option("--dose", metavar="AMOUNT", help="To draw from the solution.")
    ] = None,
    molar_mass: MolarMass = None,
    syringe: SyringeOption = None,
    tolerance: ToleranceOption = "10%",
    agent: Agent = "",
    label: WithLabel = False,
    label_file: LabelFile = None,
    initials: Initials = "",
    prepared: Prepared = None,
    drug_class: DrugClass = None,
    antagonist: Antagonist = False,
    as_json: Json = False,
) -> None:
    """Dissolve a powder in its container, and draw a dose from it.

    Exit status: 0 planned, 2 something in the request is wrong.
    """
    out = _Output(as_json, agent, label, label_file, initials, prepared, drug_class, antagonist)

    def make() -> Plan:
        from ..calc.notation import parse_amount
        from ..calc.preparation import plan_powder
        from ..calc.quantities import parse_volume_ml

        if displacement is not None and displacement_per_gram is not None:
            _refuse(
                out,
                "two-displacements",
                "--displacement and --displacement-per-gram exclude each other; give one of them.",
            )
        per_gram = (displacement_per_gram or "").removesuffix("/g").removesuffix(" per gram")
        return plan_powder(
            _option("--amount", parse_amount, amount),
            _option("--diluent", parse_volume_ml, diluent),
            displacement_ml=(
                None
                if displacement is None
                else _option("--displacement", parse_volume_ml, displacement)
            ),
            displacement_ml_per_gram=(
                None
                if displacement_per_gram is None
                else _option("--displacement-per-gram", parse_volume_ml, per_gram)
            ),
            dose=None if dose is None else _option("--dose", parse_amount, dose),
            syringe=_syringe(syringe),
            tolerance=_tolerance(tolerance),
            molar_mass=_molar_mass(molar_mass),
        )

    _answer(out, make)


@app.command()
def dilute(
    concentration: Concentration,
    final_volume: Annotated[
        str, typer.Option("--final-volume", metavar="VOLUME", help="In the syringe at the end.")
    ],
    one_in: Annotated[
        str | None,
        typer.Option("--one-in", metavar="N", help="One part in N parts in total, e.g. 10."),
    ] = None,
    to_concentration: Annotated[
        str | None,
        typer.Option("--to-concentration", metavar="STRENGTH", help="Instead of --one-in."),
    ] = None,
    prefilled: Annotated[
        str | None,
        typer.Option("--prefilled", metavar="VOLUME", help="Diluent the syringe comes with."),
    ] = None,
    container: Container = None,
    container_volume: ContainerVolume = None,
    containers: Containers = 1,
    syringe: SyringeOption = None,
    tolerance: ToleranceOption = "10%",
    agent: Agent = "",
    label: WithLabel = False,
    label_file: LabelFile = None,
    initials: Initials = "",
    prepared: Prepared = None,
    drug_class: DrugClass = None,
    antagonist: Antagonist = False,
    as_json: Json = False,
) -> None:
    """Dilute in the syringe, from an empty one or from one that comes filled with diluent.

    Exit status: 0 planned, 2 something in the request is wrong.
    """
    out = _Output(as_json, agent, label, label_file, initials, prepared, drug_class, antagonist)

    def make() -> Plan:
        from ..calc.notation import parse_concentration, parse_one_in
        from ..calc.preparation import plan_dilute
        from ..calc.quantities import parse_volume_ml

        if one_in is None and to_concentration is None:
            _refuse(
                out,
                "no-dilution",
                "Nothing says how far to dilute: give --one-in or --to-concentration.",
            )
        if one_in is not None and to_concentration is not None:
            _refuse(
                out,
                "two-dilutions",
                "--one-in and --to-concentration exclude each other; give one.",
            )
        return plan_dilute(
            _option("--concentration", parse_concentration, concentration),
            _option("--final-volume", parse_volume_ml, final_volume),
            one_in=None if one_in is None else _option("--one-in", parse_one_in, one_in),
            target=(
                None
                if to_concentration is None
                else _option("--to-concentration", parse_concentration, to_concentration)
            ),
            prefilled_ml=(
                None if prefilled is None else _option("--prefilled", parse_volume_ml, prefilled)
            ),
            source=_source(container or "opened", container_volume, containers),
            syringe=_syringe(syringe),
            tolerance=_tolerance(tolerance),
        )

    def ask(error: AmbiguousRatioError) -> list[dict[str, Any]]:
        if one_in is None or ":" not in concentration + one_in:
            return _strength_meanings(error, None, None)
        return _dilution_meanings(error, concentration, final_volume)

    _answer(out, make, ask)


def _answer(
    out: _Output,
    make: Callable[[], Plan],
    ask: Callable[[AmbiguousRatioError], list[dict[str, Any]]] | None = None,
) -> None:
    """Make the plan and print it; or say in one sentence why there is none, and leave with 2."""
    from ..calc.impossible import ImpossibleError
    from ..calc.notation import AmbiguousRatioError
    from ..calc.quantities import QuantityError

    try:
        plan = make()
        label = _label(out, plan)
        svg = _picture(out, label)
    except AmbiguousRatioError as error:
        meanings = ask(error) if ask is not None else _strength_meanings(error, None, None)
        _ask(out, error, meanings)
    except ImpossibleError as error:
        _refuse(out, error.code, str(error))
    except QuantityError as error:
        _refuse(out, "not-understood", str(error))
    written = _write_picture(out, svg)
    if out.as_json:
        from ..calc.plan_record import as_record

        record = as_record(plan, agent=out.agent, label=label)
        if out.with_label:
            record["label_svg"] = svg
        typer.echo(json.dumps(record, ensure_ascii=False))
        return
    lines = _text(plan, out.agent)
    if out.with_label:
        lines += ["", "Label:", *(f"  | {line}" for line in label.lines), f"  {label.placement}"]
        if written is not None:
            lines.append(f"  Picture: {written}")
    lines += ["", *CAUTIONS]
    say("\n".join(lines))


def _text(plan: Plan, agent: str) -> list[str]:
    """What a person reads: the result, the stages, what to know before starting."""
    from ..calc.choice import describe
    from ..calc.formatting import format_number
    from ..calc.preparation import amount_text, strength_text
    from ..calc.proposals import percent

    name = f"{agent.strip()}: " if agent.strip() else ""
    end_ml = plan.draw_ml if plan.kind != "dilute" and plan.draw_ml else plan.final_volume_ml
    doubt = (
        f"±{percent(plan.relative_uncertainty)} (k = 2)"
        if plan.relative_uncertainty < 1
        else "as good as unknown"
    )
    lines = [
        f"{name}{amount_text(plan)} in {format_number(end_ml, 4)} mL, {strength_text(plan)}",
        f"Syringe: {describe(plan.syringe)}; {plan.uncertainty_of}: {doubt}, "
        f"wanted ±{percent(plan.relative_tolerance)}",
        "",
    ]
    for stage in plan.stages:
        mark = (
            f"   [photograph: {format_number(stage.volume_in_syringe_ml, 4)} "
            f"± {format_number(stage.tolerance_ml, 2)} mL]"
            if stage.tolerance_ml is not None
            else ""
        )
        lines.append(f"{stage.number:>2}. {stage.text}{mark}")
    if plan.warnings:
        lines += ["", *(f"Warning: {w.message}" for w in plan.warnings)]
    if plan.proposals:
        lines.append("")
        for p in plan.proposals:
            lines.append(f"{'Better' if p.meets_tolerance else 'Better, but not enough'}: {p.text}")
    return [*lines, "", *plan.notes]


def _option(name: str, parse: Callable[[str], T], text: str) -> T:
    """Parse *text*; the error's sentence says which option it was."""
    from ..calc.notation import AmbiguousRatioError
    from ..calc.quantities import QuantityError

    try:
        return parse(text)
    except AmbiguousRatioError:
        raise
    except QuantityError as error:
        raise QuantityError(f"{name}: {error}") from None


def _syringe(text: str | None) -> Syringe | None:
    from ..calc.choice import parse_syringe

    return None if text is None else _option("--syringe", parse_syringe, text)


def _tolerance(text: str) -> Tolerance:
    from ..calc.tolerance import parse_tolerance

    return _option("--tolerance", parse_tolerance, text)


def _source(container: str, volume: str | None, count: int) -> Source:
    from ..calc.preparation import Source
    from ..calc.quantities import QuantityError, parse_volume_ml

    if volume is None:
        if count != 1:
            raise QuantityError("--containers needs --container-volume, what one of them holds.")
        return Source(container == "sealed")
    return Source(
        container == "sealed", _option("--container-volume", parse_volume_ml, volume), count
    )


def _molar_mass(text: str | None) -> Any:
    if text is None:
        return None
    from ..calc.notation import parse_molar_mass

    return _option("--molar-mass", parse_molar_mass, text)


def _strength_meanings(
    error: AmbiguousRatioError, dose: str | None, molar_mass: str | None
) -> list[dict[str, Any]]:
    """What each meaning of a strength ``1:N`` is, and the volume for the dose."""
    from ..calc.concentration import volume_for_dose_ml
    from ..calc.impossible import ImpossibleError
    from ..calc.notation import parse_amount, parse_concentration, print_concentration
    from ..calc.quantities import QuantityError

    meanings = []
    for reading in error.readings:
        strength = parse_concentration(f"1 in {reading.one_in:.9g}")
        entry: dict[str, Any] = {
            "meaning": reading.meaning,
            "one_in": reading.one_in,
            "concentration": print_concentration(strength),
        }
        if dose is not None:
            # The ratio comes first; what is wrong with the dose is heard of once that is settled.
            with suppress(ImpossibleError, QuantityError):
                entry["draw_ml"] = volume_for_dose_ml(
                    parse_amount(dose), strength, _molar_mass(molar_mass)
                )
        meanings.append(entry)
    return meanings


def _dilution_meanings(
    error: AmbiguousRatioError, concentration: str, final_volume: str
) -> list[dict[str, Any]]:
    """What each meaning of a dilution ``1:N`` draws and gives."""
    from ..calc.concentration import ratio_outcomes
    from ..calc.notation import AmbiguousRatioError as Ambiguous
    from ..calc.notation import parse_concentration, print_concentration
    from ..calc.quantities import QuantityError, parse_volume_ml

    try:
        stock, final_ml = parse_concentration(concentration), parse_volume_ml(final_volume)
    except Ambiguous as first:  # the strength has two meanings itself: that is asked first
        return _strength_meanings(first, None, None)
    except QuantityError:
        return [{"meaning": r.meaning, "one_in": r.one_in} for r in error.readings]
    return [
        {
            "meaning": outcome.reading.meaning,
            "one_in": outcome.reading.one_in,
            "draw_ml": round(outcome.drug_ml, 9),
            "diluent_ml": round(outcome.diluent_ml, 9),
            "concentration": print_concentration(outcome.concentration),
        }
        for outcome in ratio_outcomes(error.readings, stock, final_ml)
    ]


def _ask(out: _Output, error: AmbiguousRatioError, meanings: list[dict[str, Any]]) -> NoReturn:
    """Say both meanings and what each would give; assume nothing; leave with 2."""
    from ..calc.formatting import format_number

    if out.as_json:
        typer.echo(
            json.dumps(
                {
                    "status": "ambiguous",
                    "code": "ambiguous-ratio",
                    "message": str(error),
                    "readings": meanings,
                    "advisory": True,
                }
            )
        )
    lines = [f"drawmark: {error}"]
    for entry in meanings:
        parts = []
        if "draw_ml" in entry:
            parts.append(f"{format_number(entry['draw_ml'], 4)} mL of drug")
        if "diluent_ml" in entry:
            parts.append(f"{format_number(entry['diluent_ml'], 4)} mL of diluent")
        if "concentration" in entry:
            parts.append(entry["concentration"])
        lines.append(f"  {entry['meaning']}: {', '.join(parts) or '?'}")
    say("\n".join(lines), err=True)
    raise typer.Exit(2)


def _refuse(out: _Output, code: str, sentence: str) -> NoReturn:
    """One sentence to standard error, the same as JSON where that was asked for; leave with 2."""
    if out.as_json:
        typer.echo(
            json.dumps({"status": "error", "code": code, "message": sentence, "advisory": True})
        )
    say(f"drawmark: {sentence}", err=True)
    raise typer.Exit(2)


def _label(out: _Output, plan: Plan) -> Label:
    from datetime import datetime

    from ..calc.impossible import ImpossibleError
    from ..calc.label import make_label

    when = datetime.now()
    if out.prepared is not None:
        try:
            when = datetime.fromisoformat(out.prepared)
        except ValueError:
            raise ImpossibleError(
                "prepared",
                f"--prepared '{out.prepared}' is no date and time: write it as in "
                "'2030-01-31 14:05'.",
            ) from None
    return make_label(plan, out.agent, when, out.initials)


def _picture(out: _Output, label: Label) -> str:
    from ..calc.label import label_svg

    return label_svg(label, out.drug_class, antagonist=out.antagonist)


def _write_picture(out: _Output, svg: str) -> Path | None:
    """Write the SVG where it was wanted, and never over a file that is there."""
    path = out.label_file
    try:
        if path is not None:
            with path.open("x", encoding="utf-8") as file:
                file.write(svg)
            return path
        if not out.with_label or out.as_json:
            return None
        for number in range(1, 1000):
            path = Path("label.svg" if number == 1 else f"label-{number}.svg")
            try:
                with path.open("x", encoding="utf-8") as file:
                    file.write(svg)
            except FileExistsError:
                continue
            return path
    except OSError as error:
        where = path if path is not None else "label.svg"
        _refuse(
            out,
            "label-not-written",
            f"The label can't be written to '{where}' ({(error.strerror or str(error)).lower()}): "
            "name another place with --label-file.",
        )
    return None
