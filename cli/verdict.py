"""A reading held against a target: where the photograph's answer meets the calculation.

`calc` knows no photograph and `vision` no target, so the two are joined here.  The **liquid**
is compared (the volume at the fiducial line less the air in front of it), because that is what
was drawn up.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from ..vision import Outcome, Reading, as_record
from . import technique

if TYPE_CHECKING:
    from ..calc.decision import Decision
    from ..calc.technique import Suggestion
    from ..calc.tolerance import Tolerance

Verdict = Literal["within", "outside", "undecided", "refused"]

EXIT_STATUS: dict[Verdict, int] = {"within": 0, "outside": 1, "undecided": 3, "refused": 4}


@dataclass(frozen=True)
class Check:
    """One photograph against one target.  Volumes in mL.

    ``tolerance_ml`` is ``None`` when it depends on the syringe and the photograph was refused;
    ``decision`` is ``None`` exactly when the photograph was refused.  ``suggestions`` are
    mistakes that would explain the deviation, often none.
    """

    photo: str
    outcome: Outcome
    target_ml: float
    tolerance: Tolerance
    tolerance_ml: float | None
    decision: Decision | None
    syringe_tolerance_included: bool = False
    suggestions: tuple[Suggestion, ...] = ()

    @property
    def verdict(self) -> Verdict:
        """The answer in one word."""
        return self.decision.verdict if self.decision is not None else "refused"

    @property
    def exit_status(self) -> int:
        """0 within, 1 outside, 3 undecided, 4 refused (2 is for usage errors)."""
        return EXIT_STATUS[self.verdict]

    def record(self) -> dict[str, Any]:
        """The machine-readable form, ready for ``json.dumps``."""
        decision = self.decision
        return {
            "reading": as_record(self.photo, self.outcome),
            "target_ml": self.target_ml,
            "tolerance_ml": None if self.tolerance_ml is None else round(self.tolerance_ml, 6),
            "deviation_ml": None if decision is None else round(decision.deviation_ml, 6),
            "verdict": self.verdict,
            "probability_within": (
                None if decision is None else round(decision.probability_within, 6)
            ),
            "decision": None if decision is None else _decision_record(self, decision),
            "suggestions": technique.records(self.suggestions),
            "advisory": True,
        }


def _decision_record(check: Check, decision: Decision) -> dict[str, Any]:
    acceptance = decision.acceptance_ml
    return {
        "rule": decision.rule,
        "compared": "liquid",
        "value_ml": round(decision.value_ml, 6),
        "standard_uncertainty_ml": round(decision.standard_uncertainty_ml, 6),
        "limits_ml": [round(limit, 6) for limit in decision.limits_ml],
        "acceptance_ml": None if acceptance is None else [round(edge, 6) for edge in acceptance],
        "syringe_tolerance_included": check.syringe_tolerance_included,
    }


def check_outcome(
    photo: str,
    outcome: Outcome,
    *,
    target_ml: float,
    tolerance: Tolerance,
    include_syringe_tolerance: bool = False,
    capacity_ml: float | None = None,
    interval_ml: float | None = None,
    part_ml: float | None = None,
) -> Check:
    """Hold the reader's *outcome* for *photo* against *target_ml*.

    With *include_syringe_tolerance* the permitted error of the syringe itself (ISO 7886-1) joins
    the uncertainty, which answers "what is really in there" instead of "was it drawn to the
    mark".  *capacity_ml* and *interval_ml* are what the person stated; they give a tolerance in
    scale intervals its size when the photograph is refused.  *part_ml* is one part of a dilution
    where the photograph shows a stage of one.
    """
    from ..calc.decision import decide
    from ..calc.syringe import capacity_standard_uncertainty_ml

    if isinstance(outcome, Reading):
        capacity_ml, interval_ml = outcome.capacity_ml, outcome.interval_ml
    tolerance_ml: float | None
    try:
        tolerance_ml = tolerance.half_width_ml(
            target_ml, capacity_ml=capacity_ml, interval_ml=interval_ml
        )
    except ValueError:
        if isinstance(outcome, Reading):
            raise
        tolerance_ml = None  # says nothing that could mislead: there is no verdict either
    decision: Decision | None = None
    suggestions: tuple[Suggestion, ...] = ()
    if isinstance(outcome, Reading) and tolerance_ml is not None:
        uncertainty_ml = outcome.liquid_standard_uncertainty_ml
        if include_syringe_tolerance:
            uncertainty_ml = math.hypot(
                uncertainty_ml,
                capacity_standard_uncertainty_ml(outcome.capacity_ml, max(outcome.liquid_ml, 0.0)),
            )
        decision = decide(outcome.liquid_ml, uncertainty_ml, target_ml, tolerance_ml)
        suggestions = technique.suggest(outcome, target_ml, tolerance_ml, part_ml=part_ml)
    return Check(
        photo=photo,
        outcome=outcome,
        target_ml=target_ml,
        tolerance=tolerance,
        tolerance_ml=tolerance_ml,
        decision=decision,
        syringe_tolerance_included=include_syringe_tolerance,
        suggestions=suggestions,
    )
