"""Which syringe: the smallest that holds the volume, and whether it measures well enough."""

from __future__ import annotations

import math
from dataclasses import dataclass

from .formatting import format_number
from .impossible import ImpossibleError
from .measuring import relative_expanded, single_volume
from .quantities import QuantityError, parse_volume_ml
from .syringe import Syringe, nominal_capacity_ml

# Sizes to choose from when none is given: nominal capacity, last line and interval, mL.
# Common practice, no source; finer than the coarsest that ISO 7886-1 permits.
CATALOGUE: tuple[Syringe, ...] = (
    Syringe(1, 1, 0.01),
    Syringe(2.5, 2.5, 0.1),
    Syringe(5, 5, 0.2),
    Syringe(10, 10, 0.2),
    Syringe(20, 20, 1),
    Syringe(50, 50, 1),
)


@dataclass(frozen=True)
class Choice:
    """A syringe for a volume.

    ``relative_error`` is the expanded uncertainty (k = 2) of *volume_ml* set by eye and
    expelled, as a fraction.  ``good_enough`` compares it with the tolerance wanted.
    """

    syringe: Syringe
    volume_ml: float
    relative_error: float
    good_enough: bool


def expected_relative_error(syringe: Syringe, volume_ml: float) -> float:
    """Expanded relative uncertainty (k = 2, a fraction) of *volume_ml* set by eye and expelled.

    From the permitted error of ISO 7886-1 and half an interval of setting, both rectangular.

    Raises
    ------
    ValueError
        If the volume is not above zero.
    """
    if not volume_ml > 0:
        raise ValueError(f"volume_ml must be above zero, not {volume_ml}")
    return relative_expanded(single_volume(syringe, volume_ml))


def assess(syringe: Syringe, volume_ml: float, relative_tolerance: float) -> Choice:
    """*syringe* for *volume_ml*, against a tolerance given as a fraction."""
    error = expected_relative_error(syringe, volume_ml)
    return Choice(syringe, volume_ml, error, error <= relative_tolerance * (1 + 1e-9))


def choose(volume_ml: float, relative_tolerance: float) -> Choice:
    """The smallest syringe of the catalogue that holds *volume_ml*.

    Raises
    ------
    ImpossibleError
        If none holds it (``no-syringe-holds-it``).
    """
    for syringe in CATALOGUE:
        if volume_ml <= syringe.graduated_max_ml * (1 + 1e-9):
            return assess(syringe, volume_ml, relative_tolerance)
    largest = CATALOGUE[-1].graduated_max_ml
    raise ImpossibleError(
        "no-syringe-holds-it",
        f"{format_number(volume_ml, 4)} mL does not fit the largest syringe known here "
        f"({format_number(largest)} mL): prepare it in parts, or name the syringe with --syringe.",
    )


def must_hold(syringe: Syringe, volume_ml: float) -> None:
    """Check that the scale of *syringe* reaches *volume_ml*.

    Raises
    ------
    ImpossibleError
        If it does not (``over-capacity``).
    """
    if volume_ml > syringe.graduated_max_ml * (1 + 1e-9):
        raise ImpossibleError(
            "over-capacity",
            f"{format_number(volume_ml, 4)} mL does not fit the {describe(syringe)}: "
            "take a larger one, or leave --syringe out to have one chosen.",
        )


def between_lines(syringe: Syringe, volume_ml: float) -> float | None:
    """The nearest line, mL, if *volume_ml* falls between two; ``None`` if it is on one."""
    lines = volume_ml / syringe.interval_ml
    nearest = round(lines)
    if abs(lines - nearest) < 1e-6 * max(1.0, lines):
        return None
    return min(max(nearest, 1) * syringe.interval_ml, syringe.graduated_max_ml)


def describe(syringe: Syringe) -> str:
    """A syringe in words: ``10 mL syringe (lines every 0.2 mL)``."""
    return (
        f"{format_number(syringe.capacity_ml)} mL syringe "
        f"(lines every {format_number(syringe.interval_ml)} mL)"
    )


def parse_syringe(text: str) -> Syringe:
    """The syringe that ``10mL/0.2mL`` names: last printed line and scale interval.

    ``12mL/0.2mL`` is the 10 mL syringe whose scale runs to 12 mL; see
    `drawmark.calc.syringe.nominal_capacity_ml`.

    Raises
    ------
    QuantityError
        If the text is not of that form, or the interval does not divide the scale.
    """
    how = "write it as in '10mL/0.2mL': last line, then the step between lines."
    last, slash, step = text.partition("/")
    if not slash:
        raise QuantityError(f"'{text}' does not name a syringe: {how}")
    try:
        last_ml, step_ml = parse_volume_ml(last), parse_volume_ml(step)
    except QuantityError as error:
        raise QuantityError(
            f"'{text}' does not name a syringe: {error} For a syringe {how}"
        ) from None
    count = last_ml / step_ml
    if count < 1 - 1e-9:
        raise QuantityError(f"'{text}' has a step that is larger than its scale: {how}")
    if not math.isclose(count, round(count), rel_tol=1e-6):
        raise QuantityError(f"'{text}' has a step that does not divide its scale evenly: {how}")
    if count > 1000:
        raise QuantityError(f"'{text}' would have {count:.0f} lines, which no barrel has: {how}")
    return Syringe(nominal_capacity_ml(last_ml), last_ml, step_ml)
