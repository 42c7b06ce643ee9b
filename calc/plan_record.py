"""A plan as data: saved, and read back for the checks that follow."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from .advice import ADVISORY
from .formatting import format_number
from .impossible import ImpossibleError
from .notation import concentration_number, parse_concentration, print_concentration
from .preparation import Plan, amount_text
from .quantities import QuantityError
from .syringe import Syringe

if TYPE_CHECKING:
    import pint

    from .label import Label

    Quantity = pint.Quantity[Any]

SCHEMA = 1
COVERAGE_FACTOR = 2


def as_record(plan: Plan, *, agent: str = "", label: Label | None = None) -> dict[str, Any]:
    """The machine-readable form of *plan*, ready for ``json.dumps``; volumes in mL.

    ``relative_uncertainty`` is expanded (k = 2), a fraction.  ``stages[].tolerance_ml`` is the
    permitted deviation at that stage.
    """
    value, unit = concentration_number(plan.final_concentration)
    stock_value, stock_unit = concentration_number(plan.stock)
    return {
        "schema": SCHEMA,
        "kind": plan.kind,
        "agent": agent,
        "stages": [
            {
                "stage": stage.number,
                "action": stage.action,
                "text": stage.text,
                "volume_in_syringe_ml": _round(stage.volume_in_syringe_ml),
                "check": stage.check,
                "tolerance_ml": None if stage.tolerance_ml is None else _round(stage.tolerance_ml),
                "syringe": _syringe(stage.syringe),
                "contents": {
                    "stock_ml": _round(stage.contents.stock_ml),
                    "diluent_ml": _round(stage.contents.diluent_ml),
                    "air_ml": _round(stage.contents.air_ml),
                },
            }
            for stage in plan.stages
        ],
        "draw_ml": None if plan.draw_ml is None else _round(plan.draw_ml),
        "air_to_inject_ml": _round(plan.air_to_inject_ml),
        "expel_ml": _round(plan.expel_ml),
        "final_volume_ml": _round(plan.final_volume_ml),
        "final_concentration": print_concentration(plan.final_concentration),
        "final_concentration_value": _round(value),
        "final_concentration_unit": unit,
        "final_amount": amount_text(plan),
        "nominal": plan.nominal,
        "stock_concentration": print_concentration(plan.stock),
        "stock_concentration_value": _round(stock_value),
        "stock_concentration_unit": stock_unit,
        "relative_uncertainty": float(f"{plan.relative_uncertainty:.6g}"),
        "relative_uncertainty_of": plan.uncertainty_of,
        "coverage_factor": COVERAGE_FACTOR,
        "tolerance": str(plan.tolerance),
        "relative_tolerance": float(f"{plan.relative_tolerance:.9g}"),
        "syringe": _syringe(plan.syringe),
        "warnings": [{"code": w.code, "message": w.message} for w in plan.warnings],
        "proposals": [
            {
                "kind": p.kind,
                "text": p.text,
                "relative_uncertainty": float(f"{p.relative_uncertainty:.6g}"),
                "meets_tolerance": p.meets_tolerance,
                **p.numbers,
            }
            for p in plan.proposals
        ],
        "label": [] if label is None else label.lines,
        "label_placement": None if label is None else label.placement,
        "notes": list(plan.notes),
        "cautions": list(ADVISORY),
        "advisory": True,
    }


def _round(value: float) -> float:
    return float(f"{value:.9g}")


def _syringe(syringe: Syringe) -> dict[str, float]:
    return {
        "capacity_ml": syringe.capacity_ml,
        "interval_ml": syringe.interval_ml,
        "graduated_max_ml": syringe.graduated_max_ml,
    }


@dataclass(frozen=True)
class StageTarget:
    """What a photograph of one stage is held against; volumes in mL.

    ``part_ml`` is one part of a dilution where diluent is in the syringe, else ``None``.
    """

    stage: int
    text: str
    volume_ml: float
    tolerance_ml: float
    syringe: Syringe
    part_ml: float | None = None


@dataclass(frozen=True)
class DilutionTarget:
    """What the photographs before and after a dilution are held against.

    ``share`` is the drug's part of the final content; ``relative_tolerance`` a fraction.
    """

    stock: Quantity
    concentration: Quantity
    share: float
    relative_tolerance: float
    syringe: Syringe


def load_record(text: str) -> dict[str, Any]:
    """A saved plan from its text.

    Raises
    ------
    ImpossibleError
        If the text is no plan that this version can read (``not-a-plan``).
    """
    try:
        record = json.loads(text)
    except (ValueError, RecursionError):
        record = None
    if not isinstance(record, dict) or not isinstance(record.get("stages"), list):
        raise _not_a_plan("it is not what 'drawmark plan ... --json' prints")
    if record.get("schema") != SCHEMA:
        raise _not_a_plan("it was written by another version; make the plan again")
    return record


def stage_target(record: dict[str, Any], stage: int) -> StageTarget:
    """The stage of that number (from 1) as something to check.

    Raises
    ------
    ImpossibleError
        If there is no such stage, or it shows no volume worth checking (``no-such-stage``,
        ``stage-not-checked``), or the record is damaged (``not-a-plan``).
    """
    stages = record["stages"]
    if not 1 <= stage <= len(stages):
        raise ImpossibleError(
            "no-such-stage", f"The plan has stages 1 to {len(stages)}; there is no stage {stage}."
        )
    try:
        entry = stages[stage - 1]
        if not entry["check"]:
            checked = [str(i) for i, s in enumerate(stages, 1) if s["check"]]
            raise ImpossibleError(
                "stage-not-checked",
                f"Stage {stage} leaves no volume to check; the ones that do: {', '.join(checked)}.",
            )
        return StageTarget(
            stage=stage,
            text=str(entry["text"]),
            volume_ml=_positive(entry["volume_in_syringe_ml"]),
            tolerance_ml=_positive(entry["tolerance_ml"]),
            syringe=_read_syringe(entry["syringe"]),
            part_ml=_part_ml(record, entry),
        )
    except ImpossibleError:
        raise
    except (KeyError, TypeError, ValueError, AttributeError):
        raise _not_a_plan(f"its stage {stage} is damaged") from None


def _part_ml(record: dict[str, Any], entry: dict[str, Any]) -> float | None:
    """One part of a dilution, the stock drawn, where the stage has diluent in the syringe."""
    if record.get("kind") != "dilute" or not entry["contents"]["diluent_ml"] > 0:
        return None
    return _positive(record["draw_ml"])


def dilution_target(record: dict[str, Any]) -> DilutionTarget:
    """The strength that a saved dilution is to reach.

    Raises
    ------
    ImpossibleError
        If the plan is no dilution (``not-a-dilution``) or is damaged (``not-a-plan``).
    """
    if record.get("kind") != "dilute":
        raise ImpossibleError(
            "not-a-dilution",
            "Photographs before and after measure a dilution, and this plan is none: "
            "check its stages with --stage.",
        )
    try:
        return DilutionTarget(
            stock=_read_concentration(record, "stock"),
            concentration=_read_concentration(record, "final"),
            share=_positive(record["draw_ml"]) / _positive(record["final_volume_ml"]),
            relative_tolerance=_positive(record["relative_tolerance"]),
            syringe=_read_syringe(record["syringe"]),
        )
    except (KeyError, TypeError, ValueError, QuantityError):
        raise _not_a_plan("its strengths or volumes are damaged") from None


def _read_concentration(record: dict[str, Any], which: str) -> Quantity:
    value = _positive(record[f"{which}_concentration_value"])
    return parse_concentration(f"{format_number(value, 9)} {record[f'{which}_concentration_unit']}")


def _read_syringe(entry: dict[str, Any]) -> Syringe:
    return Syringe(
        _positive(entry["capacity_ml"]),
        _positive(entry["graduated_max_ml"]),
        _positive(entry["interval_ml"]),
    )


def _positive(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise TypeError(f"not a number: {value!r}")
    if not (math.isfinite(value) and value > 0):
        raise ValueError(f"not above zero: {value!r}")
    return float(value)


def _not_a_plan(why: str) -> ImpossibleError:
    return ImpossibleError("not-a-plan", f"The plan can't be used: {why}.")
