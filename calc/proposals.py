"""What to do instead when a volume is too small for its syringe: with numbers and their doubt."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from .choice import CATALOGUE, between_lines, choose, describe
from .formatting import format_number
from .measuring import Barrel, Uncertain, diluted_in_barrel, relative_expanded, single_volume
from .syringe import Syringe

# Dilution steps that people make: round, and not so large that the step itself is the problem.
ROUND_STEPS = (2.0, 2.5, 4.0, 5.0, 8.0, 10.0, 20.0, 25.0, 40.0, 50.0, 100.0)


@dataclass(frozen=True)
class Proposal:
    """Another way to the same result.

    ``relative_uncertainty`` is expanded (k = 2), a fraction, of the same quantity as the plan's;
    ``meets_tolerance`` compares it with what was wanted.  ``numbers`` are the volumes in mL
    (and dimensionless "one in" steps) by name.
    """

    kind: str
    text: str
    relative_uncertainty: float
    meets_tolerance: bool
    numbers: dict[str, float]


def better_syringe(syringe: Syringe, volume_ml: float) -> Syringe | None:
    """The catalogue's best for *volume_ml* if it is better than *syringe* by a tenth or more."""
    now = relative_expanded(single_volume(syringe, volume_ml))
    fitting = [s for s in CATALOGUE if s.graduated_max_ml >= volume_ml * (1 - 1e-9)]
    if not fitting:
        return None
    best = min(fitting, key=lambda s: relative_expanded(single_volume(s, volume_ml)))
    return best if relative_expanded(single_volume(best, volume_ml)) < 0.9 * now else None


def separate_syringe(
    syringe: Syringe, draw_ml: float, final_ml: float, relative_tolerance: float
) -> Proposal | None:
    """Measure the drug in a smaller syringe of its own, and inject it into the diluent."""
    small = choose(draw_ml, relative_tolerance).syringe
    if small.capacity_ml >= syringe.capacity_ml:
        return None
    final = single_volume(syringe, final_ml) + Barrel(syringe).dead_space
    error = relative_expanded(single_volume(small, draw_ml) / final)
    text = (
        f"Measure the {_n(draw_ml)} mL of drug in a {describe(small)} and inject it into "
        f"{_n(final_ml - draw_ml)} mL of diluent, made up to {_n(final_ml)} mL: "
        f"strength known to ±{percent(error)}."
    )
    return Proposal(
        "smaller-syringe",
        text,
        error,
        error <= relative_tolerance,
        {
            "capacity_ml": small.capacity_ml,
            "interval_ml": small.interval_ml,
            "draw_ml": draw_ml,
            "diluent_ml": round(final_ml - draw_ml, 9),
            "final_volume_ml": final_ml,
        },
    )


@dataclass(frozen=True)
class _Step:
    """*draw_ml* made up to *final_ml* in *maker*; drawn there, or in *small* if that is better."""

    draw_ml: float
    final_ml: float
    maker: Syringe
    small: Syringe | None
    share: Uncertain

    @property
    def on_lines(self) -> bool:
        if self.small is not None:
            return _on_lines(self.small, self.draw_ml) and _on_lines(self.maker, self.final_ml)
        return _on_lines(self.maker, self.final_ml - self.draw_ml, self.final_ml)

    def words(self, of: str) -> str:
        where = f", measured in a {describe(self.small)}," if self.small is not None else ""
        return (
            f"{_n(self.draw_ml)} mL of {of}{where} made up to {_n(self.final_ml)} mL in a "
            f"{describe(self.maker)}"
        )


def _step(maker: Syringe, draw_ml: float, final_ml: float) -> _Step:
    barrel = Barrel(maker)
    share = diluted_in_barrel(barrel, final_ml - draw_ml, final_ml)
    small = choose(draw_ml, 1.0).syringe
    if small.capacity_ml < maker.capacity_ml:
        whole = single_volume(maker, final_ml) + barrel.dead_space
        apart = single_volume(small, draw_ml) / whole
        if relative_expanded(apart) < relative_expanded(share):
            return _Step(draw_ml, final_ml, maker, small, apart)
    return _Step(draw_ml, final_ml, maker, None, share)


def two_steps(
    syringe: Syringe, one_in: float, final_ml: float, relative_tolerance: float
) -> Proposal | None:
    """Dilute twice, so that no step is small.

    Each step is drawn in one barrel, or its drug in a smaller syringe where that is better.
    Among round first steps: those that meet the tolerance, then those whose volumes all fall on
    lines, then the one that wastes least drug, or where none meets it, the most certain one.
    """
    best: tuple[tuple[bool, bool, float, float], float, _Step, _Step] | None = None
    for first, made_ml, maker in _first_steps(syringe, one_in, final_ml):
        one = _step(maker, made_ml / first, made_ml)
        two = _step(syringe, final_ml * first / one_in, final_ml)
        error = relative_expanded(one.share * two.share)
        meets = error <= relative_tolerance
        on_lines = one.on_lines and two.on_lines
        rank = (not meets, not on_lines, made_ml if meets else 0.0, error)
        if best is None or rank < best[0]:
            best = (rank, first, one, two)
    if best is None:
        return None
    (_, _, _, error), first, one, two = best
    second = one_in / first
    text = (
        f"Dilute in two steps: {one.words('drug')} (1 in {_n(first)}); then "
        f"{two.words('that')} (1 in {_n(second)}): strength known to ±{percent(error)}. "
        "Label the first dilution too."
    )
    return Proposal(
        "two-step-dilution",
        text,
        error,
        error <= relative_tolerance,
        {
            "first_one_in": first,
            "first_draw_ml": round(one.draw_ml, 9),
            "first_volume_ml": one.final_ml,
            "first_capacity_ml": one.maker.capacity_ml,
            "second_one_in": round(second, 9),
            "second_draw_ml": round(two.draw_ml, 9),
            "final_volume_ml": final_ml,
        },
    )


def _first_steps(
    syringe: Syringe, one_in: float, final_ml: float
) -> Iterator[tuple[float, float, Syringe]]:
    """First step, volume made in it (mL), syringe it is made in."""
    for first in ROUND_STEPS:
        if one_in / first < 1.5:
            continue
        for maker in CATALOGUE:
            made_ml = maker.capacity_ml
            if made_ml > max(syringe.capacity_ml, 1.0):
                break
            if made_ml >= final_ml * first / one_in * (1 - 1e-9):
                yield first, made_ml, maker


def dilute_first(volume_ml: float, relative_tolerance: float) -> Proposal | None:
    """For a straight draw of *volume_ml*: dilute the stock, and draw more of the weaker one.

    The stock for it is measured in a syringe of its own.  Ranked as in `two_steps`.
    """
    best: tuple[tuple[bool, bool, float, float], float, Syringe, Syringe, Syringe] | None = None
    for one_in in ROUND_STEPS:
        dose_ml = volume_ml * one_in
        for maker in CATALOGUE:
            stock_ml = maker.capacity_ml / one_in
            if dose_ml > maker.capacity_ml or stock_ml < volume_ml:
                continue
            small, drawer = (choose(v, relative_tolerance).syringe for v in (stock_ml, dose_ml))
            final = single_volume(maker, maker.capacity_ml) + Barrel(maker).dead_space
            given = single_volume(small, stock_ml) / final * single_volume(drawer, dose_ml)
            error = relative_expanded(given)
            meets = error <= relative_tolerance
            on_lines = _on_lines(small, stock_ml) and _on_lines(drawer, dose_ml)
            rank = (not meets, not on_lines, maker.capacity_ml if meets else 0.0, error)
            if best is None or rank < best[0]:
                best = (rank, one_in, maker, small, drawer)
    if best is None:
        return None
    (_, _, _, error), one_in, maker, small, drawer = best
    stock_ml, dose_ml = maker.capacity_ml / one_in, volume_ml * one_in
    text = (
        f"Dilute first: {_n(stock_ml)} mL of it, measured in a {describe(small)}, made up to "
        f"{_n(maker.capacity_ml)} mL (1 in {_n(one_in)}); {_n(dose_ml)} mL of that, drawn in a "
        f"{describe(drawer)}, holds the same amount, known to ±{percent(error)}."
    )
    return Proposal(
        "dilute-first",
        text,
        error,
        error <= relative_tolerance,
        {
            "one_in": one_in,
            "stock_ml": round(stock_ml, 9),
            "made_up_to_ml": maker.capacity_ml,
            "draw_ml": round(dose_ml, 9),
        },
    )


def in_better_syringe(
    syringe: Syringe, volume_ml: float, relative_tolerance: float
) -> Proposal | None:
    """For a straight draw: the same volume in the syringe that measures it best."""
    better = better_syringe(syringe, volume_ml)
    if better is None:
        return None
    error = relative_expanded(single_volume(better, volume_ml))
    return Proposal(
        "smaller-syringe" if better.capacity_ml < syringe.capacity_ml else "other-syringe",
        f"Take a {describe(better)}: {_n(volume_ml)} mL is known to ±{percent(error)} there.",
        error,
        error <= relative_tolerance,
        {"capacity_ml": better.capacity_ml, "interval_ml": better.interval_ml},
    )


def percent(fraction: float) -> str:
    """A relative uncertainty to two digits, as in ``7.5 %``."""
    return f"{format_number(100 * fraction, 2)} %"


def worth_making(error: float, *found: Proposal | None) -> tuple[Proposal, ...]:
    """Those of *found* that are clearly better than *error*, best first.

    Where one meets the tolerance, those that don't are left out.
    """
    better = [p for p in found if p is not None and p.relative_uncertainty < 0.9 * error]
    if any(p.meets_tolerance for p in better):
        better = [p for p in better if p.meets_tolerance]
    return tuple(sorted(better, key=lambda p: p.relative_uncertainty))


def _on_lines(syringe: Syringe, *volumes_ml: float) -> bool:
    return all(between_lines(syringe, v) is None for v in volumes_ml)


def _n(volume_ml: float) -> str:
    return format_number(volume_ml, 4) if math.isfinite(volume_ml) else "?"
