"""What a learner is asked about a deviation, and what the instructor gets to see of it.

The model is `drawmark.calc.technique`; here a reading is turned into what it needs.
"""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ..calc.technique import Geometry, Suggestion
    from ..vision import Reading


def suggest(
    reading: Reading,
    target_ml: float,
    tolerance_ml: float,
    *,
    part_ml: float | None = None,
    geometry: Geometry | None = None,
) -> tuple[Suggestion, ...]:
    """Mistakes that would explain the deviation of the liquid from *target_ml*; often none.

    *part_ml* is one part of a dilution where the photograph shows a stage of one; *geometry*
    the lengths measured on this stopper, by default those that the reading holds.
    """
    from ..calc.syringe import Syringe
    from ..calc.technique import Drawn, Geometry, draw_suggestions

    return draw_suggestions(
        Drawn(
            target_ml=target_ml,
            volume_ml=reading.volume_ml,
            standard_uncertainty_ml=reading.standard_uncertainty_ml,
            syringe=Syringe(reading.capacity_ml, reading.graduated_max_ml, reading.interval_ml),
            air_ml=max(reading.air_ml, 0.0),
            air_standard_uncertainty_ml=reading.air_standard_uncertainty_ml,
            numbered_every_ml=_numbered_every_ml(reading),
            part_ml=part_ml,
            geometry=geometry or Geometry(ring_spacing_ml=reading.evidence.ring_spacing_ml),
        ),
        tolerance_ml,
    )


def _numbered_every_ml(reading: Reading) -> float | None:
    """Step between numbered lines, from the numerals that were read; the zero line counts."""
    values = sorted({0.0, *(mark.value_ml for mark in reading.evidence.numerals)})
    steps = [b - a for a, b in pairwise(values) if b - a > 1e-9]
    return min(steps) if len(steps) > 1 else None


def records(suggestions: Sequence[Suggestion], unit: str = "ml") -> list[dict[str, Any]]:
    """The machine-readable form, with the figures for the instructor."""
    key = "predicted_deviation_ml" if unit == "ml" else "predicted_relative_deviation"
    return [
        {
            "code": s.code,
            "question": s.question,
            key: round(s.predicted_deviation, 6),
            "likelihood_ratio": float(f"{s.likelihood_ratio:.3g}"),
            "probability": round(s.probability, 3),
        }
        for s in suggestions
    ]


def told(suggestions: Sequence[Suggestion]) -> list[str]:
    """The questions to the learner, without figures; empty if there are none."""
    if not suggestions:
        return []
    if len(suggestions) == 1:
        return [f"To ask: {suggestions[0].question}"]
    return [
        "To ask, as the photograph does not tell which:",
        *(f"  - {s.question}" for s in suggestions),
    ]
