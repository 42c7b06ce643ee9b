"""The strength that was really made, from photographs before and after the drug went in.

The drug is the difference of two readings of one scale.  What the two share does not count
twice: the barrel's scale error multiplies the drug and the whole alike and drops out of their
ratio; the error of the zero line and of the wall (refraction) is the same in both photographs
and drops out of the difference.  docs/preparation.md derives it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from uncertainties import correlation_matrix  # type: ignore[import-untyped]

from .decision import Decision, decide
from .impossible import ImpossibleError
from .measuring import Barrel, Uncertain, budget, nominal, standard_uncertainty, variable
from .syringe import Syringe

if TYPE_CHECKING:
    import pint

    Quantity = pint.Quantity[Any]

# Sources of a reading's budget that belong to the barrel, not to the photograph: found again,
# with the same sign, in every photograph of it.  Matched as parts of the source's name.
SHARED_SOURCES = ("wall", "refraction")


@dataclass(frozen=True)
class Seen:
    """The liquid read from one photograph, mL, and its standard uncertainties by source, mL."""

    liquid_ml: float
    sources: tuple[tuple[str, float], ...]
    syringe: Syringe

    @property
    def standard_uncertainty_ml(self) -> float:
        """Root sum of squares of the sources, mL."""
        return math.sqrt(sum(u**2 for _, u in self.sources))


@dataclass(frozen=True)
class MeasuredDilution:
    """What the two photographs say.  Volumes in mL; uncertainties are standard ones.

    ``share`` is the drug's part of the final content, and ``share_standard_uncertainty`` has all
    correlations in it.  ``correlation`` is that between the two volumes.  ``budget`` gives the
    share's standard uncertainty by cause.
    """

    drug_ml: float
    drug_standard_uncertainty_ml: float
    final_ml: float
    final_standard_uncertainty_ml: float
    share: float
    share_standard_uncertainty: float
    correlation: float
    budget: dict[str, float]

    @property
    def relative_standard_uncertainty(self) -> float:
        """Of the share, and so of the strength."""
        return self.share_standard_uncertainty / self.share

    def concentration(self, stock: Quantity) -> Quantity:
        """The strength made from *stock*."""
        made: Quantity = stock * self.share
        return made

    def check(self, expected_share: float, relative_tolerance: float) -> Decision:
        """Hold the measured share against the expected one, by `drawmark.calc.decision`.

        The strength is the share times that of the stock, so the verdict is the strength's; the
        decision's numbers are shares, not volumes.
        """
        return decide(
            self.share,
            self.share_standard_uncertainty,
            expected_share,
            expected_share * relative_tolerance,
        )


def measure_dilution(
    before: Seen, after: Seen, *, capacity_errors: bool = True
) -> MeasuredDilution:
    """The drug's share from the reading *before* it was drawn in and the one *after*.

    Before, the syringe holds diluent alone.  With *capacity_errors* the permitted error of the
    barrel (ISO 7886-1) and its dead space count, which answers "what is really in there".

    Raises
    ------
    ImpossibleError
        If the photographs show different syringes (``different-syringes``) or no more liquid
        after than before (``no-drug-drawn``).
    """
    if before.syringe != after.syringe:
        raise ImpossibleError(
            "different-syringes",
            "The two photographs show different syringes "
            f"({_print(before.syringe)} before, {_print(after.syringe)} after): "
            "photograph the same one twice.",
        )
    if after.liquid_ml <= before.liquid_ml:
        raise ImpossibleError(
            "no-drug-drawn",
            f"The photograph after shows {after.liquid_ml:.2f} mL and the one before "
            f"{before.liquid_ml:.2f} mL, so nothing was drawn in: "
            "check that --before and --after are not swapped.",
        )
    barrel = Barrel(before.syringe, capacity_errors=capacity_errors)
    shared: dict[str, Uncertain] = {}
    first = barrel.mark(_reading(before, shared, "before"))
    last = barrel.mark(_reading(after, shared, "after"))
    drug = last.since(first)
    share = drug / (last.volume + barrel.dead_space)
    if min(standard_uncertainty(first.volume), standard_uncertainty(last.volume)) > 0:
        correlation = float(correlation_matrix((first.volume, last.volume))[0][1])
    else:
        correlation = 0.0
    return MeasuredDilution(
        drug_ml=nominal(drug),
        drug_standard_uncertainty_ml=standard_uncertainty(drug),
        final_ml=nominal(last.volume),
        final_standard_uncertainty_ml=standard_uncertainty(last.volume),
        share=nominal(share),
        share_standard_uncertainty=standard_uncertainty(share),
        correlation=correlation,
        budget=budget(share),
    )


def is_shared(source: str) -> bool:
    """Whether a budget item of that name repeats in every photograph of one barrel."""
    return any(part in source.lower() for part in SHARED_SOURCES)


def _reading(seen: Seen, shared: dict[str, Uncertain], which: str) -> Uncertain:
    """The liquid volume as a sum of its sources; shared ones are the same variable both times."""
    volume: Uncertain = seen.liquid_ml
    for source, u_ml in _joined(seen.sources):
        if u_ml == 0:
            continue
        if is_shared(source):
            # One standard deviate for both, scaled by what each photograph states.
            if source not in shared:
                shared[source] = variable(0, 1, f"photographs: {source}")
            volume = volume + u_ml * shared[source]
        else:
            volume = volume + variable(0, u_ml, f"photograph {which}: {source}")
    return volume


def _joined(sources: Iterable[tuple[str, float]]) -> list[tuple[str, float]]:
    joined: dict[str, float] = {}
    for source, u_ml in sources:
        joined[source] = math.hypot(joined.get(source, 0.0), u_ml)
    return list(joined.items())


def _print(syringe: Syringe) -> str:
    return f"{syringe.graduated_max_ml:g} mL by {syringe.interval_ml:g} mL"
