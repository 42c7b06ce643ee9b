"""What the reader answers: a Reading, or a Refusal with its reasons.

Pixels are ``(x, y)`` of the displayed picture (EXIF orientation applied);
integer coordinates are pixel *centres*.  Volumes are millilitres at the
fiducial line, air included, unless a name says otherwise.

A poor photograph is an answer (`Refusal`); a wrong call is an exception.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from numpy.typing import NDArray

SCHEMA = 1
COVERAGE_FACTOR = 2
#: Air known no better than this share of the volume is in doubt: all of it may be liquid, or air.
AIR_IN_DOUBT = 0.25


def is_air_in_doubt(air_expanded_uncertainty_ml: float, volume_ml: float) -> bool:
    """True if air known so well in this volume may as well be liquid: see AIR_IN_DOUBT."""
    return air_expanded_uncertainty_ml > AIR_IN_DOUBT * volume_ml


# code -> (what is wrong, what to do about it); DESIGN of refusals in docs/method.md
REFUSALS: dict[str, tuple[str, str]] = {
    "not-an-image": (
        "This file is not a photograph that can be opened.",
        "Give a JPEG, PNG, TIFF, WebP or HEIC file.",
    ),
    "image-too-large": (
        "The picture has more pixels than can be handled safely.",
        "Scale it down below 100 megapixels.",
    ),
    "image-too-small": (
        "The picture has too few pixels to read a scale from.",
        "Photograph again with at least 640 pixels along the long side.",
    ),
    "no-syringe": (
        "No graduated barrel was found in the picture.",
        "Lay one syringe on a plain card and fill most of the frame with it.",
    ),
    "several-syringes": (
        "More than one graduated barrel is in the picture.",
        "Photograph one syringe at a time.",
    ),
    "scale-not-visible": (
        "A barrel was found but not enough of its graduation lines.",
        "Turn the printed scale towards the camera, and light it evenly.",
    ),
    "scale-ambiguous": (
        "The graduation lines were found, but which volume they stand for is not certain.",
        "Turn the numerals towards the camera, come closer, or state --capacity and --interval.",
    ),
    "scale-cut-off": (
        "The scale runs out of the picture.",
        "Step back until the whole barrel, from nozzle to flange, is in the frame.",
    ),
    "plunger-not-visible": (
        "The stopper's front ring could not be told from what surrounds it.",
        "Use a card of another colour and an even light, and keep the ring clear of reflections.",
    ),
    "plunger-cut-off": (
        "The stopper is outside the picture.",
        "Step back until the whole barrel, from nozzle to flange, is in the frame.",
    ),
    "too-blurred": (
        "The picture is too blurred to place a line.",
        "Hold the camera still, tap on the scale to focus, and use more light.",
    ),
    "glare": (
        "A reflection hides the scale or the stopper.",
        "Move the lamp or turn the barrel until the reflection is off the scale.",
    ),
    "tilt-too-large": (
        "The camera looks along the barrel too steeply.",
        "Hold the camera square above the middle of the barrel.",
    ),
    "contradicts-given-syringe": (
        "The print on the barrel contradicts the capacity or interval that was given.",
        "Check the syringe in hand, then --capacity and --interval.",
    ),
}


@dataclass(frozen=True)
class Reason:
    """Why a photograph was refused: a code of `REFUSALS`, a sentence, a remedy."""

    code: str
    message: str
    remedy: str

    @classmethod
    def of(cls, code: str, detail: str = "") -> Reason:
        """Build from the table; *detail* is appended to the sentence.

        Raises
        ------
        KeyError
            If *code* is not in `REFUSALS`.
        """
        message, remedy = REFUSALS[code]
        return cls(code, f"{message} {detail}".strip(), remedy)


@dataclass(frozen=True)
class BudgetItem:
    """One line of the uncertainty budget: its source and standard uncertainty, mL."""

    source: str
    standard_uncertainty_ml: float


@dataclass(frozen=True)
class TickMark:
    """A graduation line as it was found (or, with ``used`` false, predicted only).

    ``line_px`` is an (N, 2) array of pixels along the visible arc.
    """

    value_ml: float
    line_px: NDArray[Any]
    used: bool


@dataclass(frozen=True)
class NumeralMark:
    """A printed numeral: the text read, the volume it stands for, its (4, 2) outline."""

    text: str
    value_ml: float
    outline_px: NDArray[Any]


@dataclass(frozen=True)
class Evidence:
    """What the reader looked at, for the annotated picture.  Any part may be empty.

    ``walls_px``: two (N, 2) polylines.  ``fiducial_px``: (N, 2) polyline of the
    fiducial line, wall to wall on the camera's side.  ``air_px``: closed (N, 2)
    outlines of what was taken for air.  ``tilt_deg``: angle between the viewing
    ray at the ring and the plane square to the barrel, ``None`` if not measured.
    ``ring_spacing_ml``: from the front ring's leading edge to the next ring's, in mL of
    the scale, ``None`` where no second ring was found.
    """

    walls_px: tuple[NDArray[Any], ...] = ()
    ticks: tuple[TickMark, ...] = ()
    numerals: tuple[NumeralMark, ...] = ()
    fiducial_px: NDArray[Any] | None = None
    air_px: tuple[NDArray[Any], ...] = ()
    tilt_deg: float | None = None
    ring_spacing_ml: float | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Reading:
    """A volume read from a photograph, with its uncertainty.  Advisory, always."""

    capacity_ml: float
    interval_ml: float
    graduated_max_ml: float
    volume_ml: float
    budget: tuple[BudgetItem, ...]
    air_ml: float
    air_standard_uncertainty_ml: float
    zero_line_px: tuple[float, float]
    fiducial_line_px: tuple[float, float]
    evidence: Evidence = field(default_factory=Evidence, repr=False)
    status: Literal["read"] = "read"

    @property
    def standard_uncertainty_ml(self) -> float:
        """Root sum of squares of the budget, mL (JCGM 100, 5.1.2)."""
        return math.sqrt(sum(item.standard_uncertainty_ml**2 for item in self.budget))

    @property
    def expanded_uncertainty_ml(self) -> float:
        """Standard uncertainty times the coverage factor k = 2, mL."""
        return COVERAGE_FACTOR * self.standard_uncertainty_ml

    @property
    def air_expanded_uncertainty_ml(self) -> float:
        """Expanded uncertainty of the air volume, mL, k = 2."""
        return COVERAGE_FACTOR * self.air_standard_uncertainty_ml

    @property
    def air_in_doubt(self) -> bool:
        """True if air and liquid are hard to tell apart: see AIR_IN_DOUBT."""
        return is_air_in_doubt(self.air_expanded_uncertainty_ml, self.volume_ml)

    @property
    def liquid_ml(self) -> float:
        """Volume at the fiducial line less the air in front of it, mL."""
        return self.volume_ml - self.air_ml

    @property
    def liquid_standard_uncertainty_ml(self) -> float:
        """Standard uncertainty of the liquid volume, mL."""
        return math.hypot(self.standard_uncertainty_ml, self.air_standard_uncertainty_ml)


@dataclass(frozen=True)
class Refusal:
    """A photograph that is not read, and why."""

    reasons: tuple[Reason, ...]
    evidence: Evidence = field(default_factory=Evidence, repr=False)
    status: Literal["refused"] = "refused"


Outcome = Reading | Refusal


def as_record(photo: str, outcome: Outcome) -> dict[str, Any]:
    """The machine-readable form of *outcome*, schema 1, ready for ``json.dumps``."""
    if isinstance(outcome, Refusal):
        return {
            "photo": photo,
            "status": "refused",
            "reasons": [
                {"code": r.code, "message": r.message, "remedy": r.remedy} for r in outcome.reasons
            ],
            "advisory": True,
            "schema": SCHEMA,
        }
    return {
        "photo": photo,
        "status": "read",
        "reasons": [],
        "capacity_ml": outcome.capacity_ml,
        "interval_ml": outcome.interval_ml,
        "graduated_max_ml": outcome.graduated_max_ml,
        "volume_ml": round(outcome.volume_ml, 6),
        "standard_uncertainty_ml": round(outcome.standard_uncertainty_ml, 6),
        "expanded_uncertainty_ml": round(outcome.expanded_uncertainty_ml, 6),
        "coverage_factor": COVERAGE_FACTOR,
        "air_ml": round(outcome.air_ml, 6),
        "air_expanded_uncertainty_ml": round(outcome.air_expanded_uncertainty_ml, 6),
        "liquid_ml": round(outcome.liquid_ml, 6),
        "budget": [
            {
                "source": item.source,
                "standard_uncertainty_ml": round(item.standard_uncertainty_ml, 6),
            }
            for item in outcome.budget
        ],
        "zero_line_px": [round(float(c), 2) for c in outcome.zero_line_px],
        "fiducial_line_px": [round(float(c), 2) for c in outcome.fiducial_line_px],
        "advisory": True,
        "schema": SCHEMA,
    }
