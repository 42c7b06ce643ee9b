"""Checks that follow a preparation: one stage of a saved plan, or a dilution before and after.

`drawmark check` hands over here when a plan or a pair of photographs is given.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

import typer

from ..calc.tolerance import Tolerance
from ..vision import Outcome, Reading, Refusal, as_record
from . import technique
from .options import ADVISORY, usage_error
from .photographs import read_outcomes, refusal_sentence
from .pictures import report_unwritten, write_read_picture
from .terminal import say
from .verdict import EXIT_STATUS, Verdict

if TYPE_CHECKING:
    import pint

    from ..calc.decision import Decision
    from ..calc.measured import MeasuredDilution, Seen
    from ..calc.plan_record import StageTarget
    from ..calc.technique import Suggestion
    from .record_check import Keeper

    Quantity = pint.Quantity[Any]

LARGEST_PLAN_BYTES = 5_000_000


@dataclass(frozen=True)
class Wanted:
    """What one photograph is held against; ``planned`` is the stage it comes from, if any."""

    target_ml: float
    tolerance: Tolerance
    planned: StageTarget | None = None

    def deviation_from_plan(self, outcome: Outcome) -> str | None:
        """A sentence if the photograph shows another syringe than the plan names."""
        if self.planned is None or not isinstance(outcome, Reading):
            return None
        from ..calc.choice import describe
        from ..calc.syringe import Syringe

        seen = Syringe(outcome.capacity_ml, outcome.graduated_max_ml, outcome.interval_ml)
        if seen == self.planned.syringe:
            return None
        return (
            f"the plan is for a {describe(self.planned.syringe)}, the photograph shows a "
            f"{describe(seen)}: make the plan for the syringe in hand"
        )

    def record(self, outcome: Outcome) -> dict[str, Any]:
        """What is added to the machine-readable check."""
        if self.planned is None:
            return {}
        return {
            "stage": self.planned.stage,
            "stage_text": self.planned.text,
            "note": self.deviation_from_plan(outcome),
        }


def wanted(
    target_ml: float | None, tolerance: Tolerance | None, plan: Path | None, stage: int | None
) -> Wanted:
    """Target and tolerance from what was typed, or from the stage of a plan; else leave with 2.

    A tolerance that is typed goes before the plan's.
    """
    if plan is None:
        if stage is not None:
            usage_error("--stage needs --plan, the file that the stage is in.")
        if target_ml is None:
            usage_error("--target is missing; give the volume wanted, or --plan and --stage.")
        if tolerance is None:
            usage_error("--tolerance is missing; write it as in '5%', '0.1mL' or 'iso'.")
        return Wanted(target_ml, tolerance)
    if target_ml is not None:
        usage_error("--target and --plan contradict each other; give one of them.")
    if stage is None:
        usage_error("--plan needs --stage, the number of the stage that was photographed.")
    from ..calc.impossible import ImpossibleError
    from ..calc.plan_record import stage_target

    try:
        planned = stage_target(_load(plan), stage)
    except ImpossibleError as error:
        usage_error(str(error))
    return Wanted(
        planned.volume_ml, tolerance or Tolerance("absolute", planned.tolerance_ml), planned
    )


@dataclass(frozen=True)
class Goal:
    """The strength that a dilution is to reach, from a plan or as typed."""

    stock: Quantity
    concentration: Quantity
    share: float
    relative_tolerance: float


def check_dilution(
    before: Path | None,
    after: Path | None,
    *,
    plan: Path | None,
    concentration: str | None,
    to_concentration: str | None,
    tolerance: Tolerance | None,
    include_syringe_tolerance: bool,
    capacity_ml: float | None,
    interval_ml: float | None,
    as_json: bool,
    pictures: bool,
    jobs: int | None,
    keeper: Keeper,
    debug: bool,
) -> NoReturn:
    """Measure the strength made from a photograph before and one after the drug went in.

    Prints the answer and leaves with the exit status of `check`.
    """
    if before is None or after is None:
        usage_error("--before and --after go together; give the photograph of each.")
    goal = _goal(plan, concentration, to_concentration, tolerance)
    keeper.open()
    outcomes = tuple(
        read_outcomes(
            (before, after),
            jobs=jobs,
            capacity_ml=capacity_ml,
            interval_ml=interval_ml,
            debug=debug,
        )
    )
    if pictures:
        for photo, outcome in zip((before, after), outcomes, strict=True):
            try:
                write_read_picture(photo, outcome, photo.parent)
            except Exception as error:  # the answer stands without its picture
                if debug:
                    raise
                report_unwritten(photo, error)
    first, last = outcomes
    if not (isinstance(first, Reading) and isinstance(last, Reading)):
        _print_refused((before, after), outcomes, keeper=keeper, as_json=as_json)
    from ..calc.impossible import ImpossibleError
    from ..calc.measured import measure_dilution

    try:
        drawn, real = (
            measure_dilution(_seen(first), _seen(last), capacity_errors=counted)
            for counted in (False, True)
        )
    except ImpossibleError as error:
        usage_error(str(error))
    counted = real if include_syringe_tolerance else drawn
    decision = counted.check(goal.share, goal.relative_tolerance)
    result = _Result((before, after), (first, last), goal, counted, real, decision)
    form = result.record()
    kept = keeper.keep(form, (before, after))
    lines = [*result.lines(), *keeper.line(kept)]
    typer.echo(json.dumps(form | kept)) if as_json else say("\n".join(lines))
    raise typer.Exit(keeper.status(EXIT_STATUS[decision.verdict]))


def _goal(
    plan: Path | None,
    concentration: str | None,
    to_concentration: str | None,
    tolerance: Tolerance | None,
) -> Goal:
    from ..calc.impossible import ImpossibleError
    from ..calc.plan_record import dilution_target

    relative = _percent(tolerance)
    if plan is not None:
        if concentration is not None or to_concentration is not None:
            usage_error("--plan has the strengths already; leave the other options out.")
        try:
            target = dilution_target(_load(plan))
        except ImpossibleError as error:
            usage_error(str(error))
        return Goal(
            target.stock,
            target.concentration,
            target.share,
            relative or target.relative_tolerance,
        )
    if concentration is None or to_concentration is None:
        usage_error(
            "--before and --after need --plan, or --concentration and --to-concentration: "
            "the strength of the stock and the one wanted."
        )
    if relative is None:
        usage_error("--tolerance is missing; write it as in '10%'.")
    from ..calc.concentration import stock_volume_ml
    from ..calc.notation import parse_concentration
    from ..calc.quantities import QuantityError

    try:
        stock, wished = parse_concentration(concentration), parse_concentration(to_concentration)
        share = stock_volume_ml(stock, wished, 1.0)
    except (QuantityError, ImpossibleError) as error:
        usage_error(str(error))
    return Goal(stock, wished, share, relative)


def _percent(tolerance: Tolerance | None) -> float | None:
    """The tolerance as a fraction; a strength has no other."""
    if tolerance is None:
        return None
    if tolerance.kind != "percent":
        usage_error("The tolerance of a strength is a percentage; write it as in '10%'.")
    return tolerance.value / 100


def _load(plan: Path) -> dict[str, Any]:
    from ..calc.impossible import ImpossibleError
    from ..calc.plan_record import load_record

    try:
        if plan.stat().st_size > LARGEST_PLAN_BYTES:
            usage_error(f"'{plan}' is too large to be a plan; give what 'drawmark plan' printed.")
        text = plan.read_text(encoding="utf-8")
    except FileNotFoundError:
        usage_error(f"'{plan}' does not exist; check the name of the plan.")
    except UnicodeDecodeError:
        usage_error(f"'{plan}' is not a plan; give what 'drawmark plan ... --json' printed.")
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or str(error)
        usage_error(f"'{plan}' cannot be opened ({why.lower()}); check the file.")
    try:
        return load_record(text)
    except ImpossibleError as error:
        usage_error(f"'{plan}': {error}")


def _seen(reading: Reading) -> Seen:
    """What the calculation needs of a reading: the liquid, and its budget with the air's part."""
    from ..calc.measured import Seen
    from ..calc.syringe import Syringe

    return Seen(
        reading.liquid_ml,
        (
            *((item.source, item.standard_uncertainty_ml) for item in reading.budget),
            ("air", reading.air_standard_uncertainty_ml),
        ),
        Syringe(reading.capacity_ml, reading.graduated_max_ml, reading.interval_ml),
    )


def _print_refused(
    photos: tuple[Path, Path], outcomes: tuple[Outcome, ...], *, keeper: Keeper, as_json: bool
) -> NoReturn:
    verdict: Verdict = "refused"
    readings = [as_record(str(p), o) for p, o in zip(photos, outcomes, strict=True)]
    form: dict[str, Any] = {
        "before": readings[0],
        "after": readings[1],
        "verdict": verdict,
        "probability_within": None,
        "suggestions": [],
        "advisory": True,
    }
    kept = keeper.keep(form, photos)
    if as_json:
        typer.echo(json.dumps(form | kept))
    else:
        for photo, outcome in zip(photos, outcomes, strict=True):
            if isinstance(outcome, Refusal):
                say(f"{photo} was refused. {refusal_sentence(outcome)}")
        for line in keeper.line(kept):
            say(line)
    raise typer.Exit(keeper.status(EXIT_STATUS[verdict]))


@dataclass(frozen=True)
class _Result:
    """A measured dilution against its goal.  ``real`` counts the syringe's own errors too."""

    photos: tuple[Path, Path]
    readings: tuple[Reading, Reading]
    goal: Goal
    measured: MeasuredDilution
    real: MeasuredDilution
    decision: Decision

    def _strength(self, measured: MeasuredDilution) -> tuple[float, float, str]:
        """Strength, its expanded uncertainty and their unit: that of the strength wanted."""
        from ..calc.notation import concentration_number
        from ..calc.quantities import registry

        wished, unit = concentration_number(self.goal.concentration)
        ratio = (measured.concentration(self.goal.stock) / self.goal.concentration).to(
            registry().Unit("")
        )
        value = float(ratio.magnitude) * wished
        return value, 2 * value * measured.relative_standard_uncertainty, unit

    def suggestions(self) -> tuple[Suggestion, ...]:
        """Mistakes that would explain the strength made; often none."""
        from ..calc.technique import dilution_suggestions

        share = self.goal.share
        return dilution_suggestions(
            self.measured.share / share - 1,
            self.measured.share_standard_uncertainty / share,
            share=share,
            drug_ml=share * self.measured.final_ml,
            syringe=_seen(self.readings[1]).syringe,
            relative_tolerance=self.goal.relative_tolerance,
        )

    def record(self) -> dict[str, Any]:
        """The machine-readable form; uncertainties are expanded (k = 2) where they say so."""
        from ..calc.notation import print_concentration

        value, expanded, unit = self._strength(self.measured)
        before, after = (
            as_record(str(p), r) for p, r in zip(self.photos, self.readings, strict=True)
        )
        made, real = self.measured, self.real
        return {
            "before": before,
            "after": after,
            "drug_ml": round(made.drug_ml, 6),
            "drug_expanded_uncertainty_ml": round(2 * made.drug_standard_uncertainty_ml, 6),
            "final_ml": round(made.final_ml, 6),
            "correlation": round(made.correlation, 6),
            "concentration_value": float(f"{value:.9g}"),
            "concentration_unit": unit,
            "concentration_expanded_uncertainty": float(f"{expanded:.6g}"),
            "relative_uncertainty": float(f"{2 * made.relative_standard_uncertainty:.6g}"),
            "relative_uncertainty_with_syringe": float(
                f"{2 * real.relative_standard_uncertainty:.6g}"
            ),
            "coverage_factor": 2,
            "budget": [
                {"source": source, "relative_standard_uncertainty": float(f"{u / made.share:.6g}")}
                for source, u in made.budget.items()
            ],
            "target_concentration": print_concentration(self.goal.concentration),
            "stock_concentration": print_concentration(self.goal.stock),
            "relative_tolerance": self.goal.relative_tolerance,
            "relative_deviation": round(made.share / self.goal.share - 1, 6),
            "verdict": self.decision.verdict,
            "probability_within": round(self.decision.probability_within, 6),
            "suggestions": technique.records(self.suggestions(), unit="share"),
            "advisory": True,
        }

    def lines(self) -> list[str]:
        """What a person is told."""
        from ..calc.formatting import fixed, format_measured, format_probability
        from ..calc.notation import print_concentration
        from ..calc.proposals import percent

        made = self.measured
        rows = [
            (
                "wanted",
                f"{print_concentration(self.goal.concentration)} "
                f"± {percent(self.goal.relative_tolerance)}, "
                f"from {print_concentration(self.goal.stock)}",
            ),
            *(
                (
                    name,
                    format_measured(r.liquid_ml, 2 * r.liquid_standard_uncertainty_ml)
                    + f"   {photo}",
                )
                for name, r, photo in zip(
                    ("before", "after"), self.readings, self.photos, strict=True
                )
            ),
            ("drug", format_measured(made.drug_ml, 2 * made.drug_standard_uncertainty_ml)),
            ("made", format_measured(*self._strength(made)) + " (k = 2)"),
            ("deviation", f"{fixed(100 * (made.share / self.goal.share - 1), 1, sign=True)} %"),
            (
                "conforms",
                f"with probability {format_probability(self.decision.probability_within)}",
            ),
            (
                "syringe",
                f"with its own permitted error (ISO 7886-1) the strength is known to "
                f"±{percent(2 * self.real.relative_standard_uncertainty)}",
            ),
        ]
        return [
            f"{self.decision.verdict.upper()}   measured strength",
            *(f"  {name.ljust(12)}{text}" for name, text in rows),
            *technique.told(self.suggestions()),
            f"Rule: {self.decision.rule.replace('volume', 'strength')}",
            ADVISORY,
        ]
