"""From container to labelled syringe: straight draw, powder, dilution in the syringe.

Each function answers a `Plan`: the stages, the volumes, the final strength and how well it can
be known, and what a person should be warned of.  A request that can't be fulfilled is an
`ImpossibleError` with its own code.  docs/preparation.md has the method.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

from . import proposals as offer
from .advice import TAKEN_AS_STATED
from .choice import between_lines, choose, describe, expected_relative_error, must_hold
from .concentration import (
    amount_in,
    dissolve,
    nominal_error_bound,
    same_kind,
    stock_volume_ml,
    volume_for_dose_ml,
)
from .formatting import format_number
from .impossible import ImpossibleError
from .measuring import Barrel, diluted_in_barrel, relative_expanded, single_volume
from .notation import amount_kind, print_amount, print_amount_like, print_concentration
from .proposals import Proposal, percent
from .quantities import registry
from .stages import Account, Stage
from .syringe import Syringe
from .tolerance import Tolerance

if TYPE_CHECKING:
    import pint

    Quantity = pint.Quantity[Any]

# What is wanted when nobody says: +-10 % is the limit that studies of drawn-up doses use
# (Arch Dis Child 2017;102:655-659).
DEFAULT_TOLERANCE = Tolerance("percent", 10.0)

Kind = Literal["draw", "powder", "dilute"]


@dataclass(frozen=True)
class Caution:
    """A warning: something a person should know before starting: a stable code, and a sentence."""

    code: str
    message: str


@dataclass(frozen=True)
class Plan:
    """A preparation, ready to be printed, saved and checked stage by stage.

    Volumes in mL.  ``relative_uncertainty`` is expanded (k = 2), a fraction, of what
    ``uncertainty_of`` names; ``None`` if nothing is measured.  ``draw_ml`` is the drug drawn
    into the syringe, ``None`` if the plan ends with a dissolved powder in its container.
    ``amount`` is the drug in the syringe (or the container) at the end.
    """

    kind: Kind
    stages: tuple[Stage, ...]
    syringe: Syringe
    stock: Quantity
    final_concentration: Quantity
    final_volume_ml: float
    amount: Quantity
    draw_ml: float | None
    air_to_inject_ml: float
    expel_ml: float
    relative_uncertainty: float
    uncertainty_of: str
    tolerance: Tolerance
    relative_tolerance: float
    warnings: tuple[Caution, ...]
    proposals: tuple[Proposal, ...] = ()
    nominal: bool = False
    labelled: Literal["syringe", "container"] = "syringe"
    notes: tuple[str, ...] = field(default=(TAKEN_AS_STATED,))

    @property
    def last_checked(self) -> Stage:
        """The last stage that is worth a photograph."""
        return [stage for stage in self.stages if stage.check][-1]


@dataclass(frozen=True)
class Source:
    """Where the drug comes from.  ``volume_ml`` is what each container holds, if known."""

    sealed: bool
    volume_ml: float | None = None
    count: int = 1

    def must_yield(self, draw_ml: float) -> None:
        """Check that *draw_ml* is there.

        Raises
        ------
        ImpossibleError
            If the containers hold less (``container-too-small``).
        """
        if self.volume_ml is None:
            return
        if draw_ml > self.volume_ml * self.count * (1 + 1e-9):
            needed = math.ceil(draw_ml / self.volume_ml * (1 - 1e-12))
            have = (
                f"the container holds {_ml(self.volume_ml)}"
                if self.count == 1
                else f"{self.count} containers hold {_ml(self.volume_ml * self.count)}"
            )
            raise ImpossibleError(
                "container-too-small",
                f"{_ml(draw_ml)} are needed but {have}: {needed} containers would be needed "
                f"(--containers {needed}).",
            )

    def warnings(self, draw_ml: float, syringe: Syringe) -> list[Caution]:
        """What the container's content means for this draw."""
        if self.volume_ml is None:
            return []
        found = []
        needed = math.ceil(draw_ml / self.volume_ml * (1 - 1e-12))
        if needed > 1:
            found.append(
                Caution(
                    "several-containers",
                    f"The draw takes {needed} containers: check that they are the same product "
                    "and strength, and change nothing else in between.",
                )
            )
        if self.volume_ml * self.count - draw_ml < syringe.band.dead_space_ml:
            found.append(
                Caution(
                    "whole-container",
                    "The draw takes all that the container is labelled to hold, and the nozzle "
                    "and needle keep some: without an overfill the last of it will be missing.",
                )
            )
        return found


def plan_draw(
    concentration: Quantity,
    *,
    dose: Quantity | None = None,
    volume_ml: float | None = None,
    source: Source | None = None,
    syringe: Syringe | None = None,
    tolerance: Tolerance = DEFAULT_TOLERANCE,
    molar_mass: Quantity | None = None,
) -> Plan:
    """A straight draw of *dose* or of *volume_ml* (one of the two) from a container.

    From a sealed container as much air goes in as fluid comes out; into an opened one none.

    Raises
    ------
    ImpossibleError
        If the dose does not go with the strength, the container holds less, or no syringe holds it.
    ValueError
        If not exactly one of dose and volume is given.
    """
    if (dose is None) == (volume_ml is None):
        raise ValueError("give exactly one of dose and volume_ml")
    source = source or Source(sealed=True)
    if dose is not None:
        volume_ml = volume_for_dose_ml(dose, concentration, molar_mass)
    assert volume_ml is not None
    source.must_yield(volume_ml)
    syringe, relative = _settle(syringe, volume_ml, tolerance)
    account = Account(syringe)
    _book_draw(account, volume_ml, sealed=source.sealed, tolerance_ml=relative * volume_ml)
    account.note("label", "Label the syringe before it leaves the hand.")
    error = expected_relative_error(syringe, volume_ml)
    warnings = source.warnings(volume_ml, syringe)
    warnings += _line_warning(syringe, volume_ml, volume_ml)
    warnings += _flush_warning(syringe, volume_ml, relative)
    small, proposals = _straight_proposals(syringe, volume_ml, error, relative)
    return Plan(
        kind="draw",
        stages=account.stages,
        syringe=syringe,
        stock=concentration,
        final_concentration=concentration,
        final_volume_ml=volume_ml,
        amount=amount_in(concentration, volume_ml),
        draw_ml=volume_ml,
        air_to_inject_ml=volume_ml if source.sealed else 0.0,
        expel_ml=0.0,
        relative_uncertainty=error,
        uncertainty_of="amount drawn",
        tolerance=tolerance,
        relative_tolerance=relative,
        warnings=tuple(warnings + small),
        proposals=proposals,
    )


def plan_powder(
    amount: Quantity,
    diluent_ml: float,
    *,
    displacement_ml: float | None = None,
    displacement_ml_per_gram: float | None = None,
    dose: Quantity | None = None,
    syringe: Syringe | None = None,
    tolerance: Tolerance = DEFAULT_TOLERANCE,
    molar_mass: Quantity | None = None,
) -> Plan:
    """A powder dissolved in its sealed container, and a dose drawn from it.

    *diluent_ml* is added to the powder, not made up to.  The displacement volume, for the whole
    container or per gram, belongs to the product; without one the result is nominal.

    Raises
    ------
    ImpossibleError
        If the dose is more than the container holds, or the units don't go together.
    ValueError
        If both displacements are given.
    """
    if displacement_ml is not None and displacement_ml_per_gram is not None:
        raise ValueError("give displacement_ml or displacement_ml_per_gram, not both")
    if displacement_ml_per_gram is not None:
        if amount_kind(amount) != "mass":
            raise ImpossibleError(
                "displacement-per-gram-without-mass",
                f"A displacement per gram says nothing about {print_amount(amount)}: "
                "give the displacement of the whole container with --displacement.",
            )
        displacement_ml = displacement_ml_per_gram * float(amount.to("gram").magnitude)
    solution = dissolve(amount, diluent_ml, displacement_ml)
    total_ml, strength = round(solution.total_ml, 9), solution.concentration
    adder = choose(diluent_ml, 1.0).syringe if syringe is None else syringe
    if diluent_ml > adder.graduated_max_ml * (1 + 1e-9):
        adder = choose(diluent_ml, 1.0).syringe
    adding = single_volume(adder, diluent_ml)
    strength_share = diluent_ml / (adding + (displacement_ml or 0.0))
    strength_error = relative_expanded(strength_share)
    warnings = _nominal_warnings(amount, diluent_ml, solution.nominal)
    warnings += _line_warning(adder, diluent_ml, diluent_ml)

    account = Account(adder)
    relative = tolerance_share(tolerance, diluent_ml, adder)
    account.draw_diluent(
        diluent_ml,
        f"Draw {_ml(diluent_ml)} of diluent into the {describe(adder)}, clear the air, "
        "and read at the stopper's front ring.",
        relative * diluent_ml,
    )
    account.empty(
        "add-diluent",
        "Inject it into the container with the powder; let the same volume of air come out.",
    )
    account.note("dissolve", "Dissolve completely and wait until the liquid is clear.")

    if dose is None:
        account.note("label", "Label the container: it now holds a solution.")
        return Plan(
            kind="powder",
            stages=account.stages,
            syringe=adder,
            stock=strength,
            final_concentration=strength,
            final_volume_ml=total_ml,
            amount=amount,
            draw_ml=None,
            air_to_inject_ml=0.0,
            expel_ml=0.0,
            relative_uncertainty=strength_error,
            uncertainty_of="final concentration",
            tolerance=tolerance,
            relative_tolerance=relative,
            warnings=tuple(warnings),
            nominal=solution.nominal,
            labelled="container",
        )

    dose = same_kind(dose, strength, molar_mass)
    if float((dose / amount).to("dimensionless").magnitude) > 1 + 1e-9:
        raise ImpossibleError(
            "dose-above-content",
            f"The dose of {print_amount(dose)} is more than the {print_amount(amount)} in the "
            "container: reduce the dose, or prepare several containers one by one.",
        )
    dose_ml = volume_for_dose_ml(dose, strength)
    drawer, relative = _settle(syringe, dose_ml, tolerance)
    if drawer != adder:
        account.take(drawer)
    _book_draw(account, dose_ml, sealed=True, tolerance_ml=relative * dose_ml)
    account.note("label", "Label the syringe before it leaves the hand, and the container too.")
    dose_error = expected_relative_error(drawer, dose_ml)
    both = single_volume(drawer, dose_ml) * strength_share
    if drawer == adder:  # one barrel, one bore: taken as one syringe used twice
        barrel = Barrel(drawer)
        home = barrel.mark(0.0)
        both = (
            barrel.set_to(dose_ml).since(home)
            * diluent_ml
            / (barrel.set_to(diluent_ml).since(home) + (displacement_ml or 0.0))
        )
    warnings += Source(True, total_ml).warnings(dose_ml, drawer)
    warnings += _line_warning(drawer, dose_ml, dose_ml)
    warnings += _flush_warning(drawer, dose_ml, relative)
    small, proposals = _straight_proposals(drawer, dose_ml, dose_error, relative)
    return Plan(
        kind="powder",
        stages=account.stages,
        syringe=drawer,
        stock=strength,
        final_concentration=strength,
        final_volume_ml=total_ml,
        amount=dose.to(amount.units),
        draw_ml=dose_ml,
        air_to_inject_ml=dose_ml,
        expel_ml=0.0,
        relative_uncertainty=relative_expanded(both),
        uncertainty_of="amount drawn",
        tolerance=tolerance,
        relative_tolerance=relative,
        warnings=tuple(warnings + small),
        proposals=proposals,
        nominal=solution.nominal,
    )


def plan_dilute(
    stock: Quantity,
    final_volume_ml: float,
    *,
    one_in: float | None = None,
    target: Quantity | None = None,
    prefilled_ml: float | None = None,
    source: Source | None = None,
    syringe: Syringe | None = None,
    tolerance: Tolerance = DEFAULT_TOLERANCE,
) -> Plan:
    """A dilution in the syringe: diluent first, then the drug.

    "One in N" is one part in N parts in total.  Diluent goes first because the drug drawn first
    would fill the nozzle too, beyond what the marks say.  *prefilled_ml* is the diluent that
    the syringe comes with; what is too much of it is expelled, what is missing is added.

    Raises
    ------
    ImpossibleError
        If the target is not below the stock, the container holds less than needed, or the
        syringe does not hold the volume.
    ValueError
        If not exactly one of *one_in* and *target* is given, or *one_in* is not above 1.
    """
    if (one_in is None) == (target is None):
        raise ValueError("give exactly one of one_in and target")
    source = source or Source(sealed=False)
    if target is not None:
        draw_ml = stock_volume_ml(stock, target, final_volume_ml)
        one_in = final_volume_ml / draw_ml
        final_concentration = target
    else:
        assert one_in is not None
        if not one_in > 1:
            raise ValueError(f"one_in must be above 1, not {one_in}")
        draw_ml = final_volume_ml / one_in
        final_concentration = stock / one_in
    draw_ml = round(draw_ml, 9)
    start_ml = round(final_volume_ml - draw_ml, 9)
    if draw_ml <= 0 or start_ml <= 0:
        raise ImpossibleError(
            "nothing-to-measure",
            f"One part in {format_number(one_in, 6)} of {_ml(final_volume_ml)} leaves nothing that "
            "a syringe could measure: dilute in several steps.",
        )
    source.must_yield(draw_ml)
    highest = max(final_volume_ml, prefilled_ml or 0.0)
    if syringe is None:
        syringe = choose(highest, 1.0).syringe
    must_hold(syringe, final_volume_ml)
    if prefilled_ml is not None and prefilled_ml > syringe.graduated_max_ml * (1 + 1e-9):
        raise ImpossibleError(
            "prefilled-over-capacity",
            f"{_ml(prefilled_ml)} of diluent are not in a {describe(syringe)}: "
            "check --prefilled and --syringe.",
        )
    relative = tolerance_share(tolerance, draw_ml, syringe)
    # Each mark bounds the drug volume, so both get what is permitted for the drug.
    tolerance_ml = relative * draw_ml
    account = Account(syringe)
    expel_ml = _book_diluent(account, start_ml, prefilled_ml, tolerance_ml)
    air_ml = draw_ml if source.sealed else 0.0
    vent = (
        f" The container is sealed: let {_ml(draw_ml)} of air in with another syringe or a vent, "
        "not through the diluent."
        if source.sealed
        else ""
    )
    account.draw_stock(
        draw_ml,
        f"Draw in {_ml(draw_ml)} of the drug, up to the mark of {_ml(final_volume_ml)}, "
        f"and read at the stopper's front ring.{vent}",
        tolerance_ml,
        action="draw-drug",
    )
    account.note("mix", "Draw in a little air, turn the syringe over until mixed, expel the air.")
    account.note("label", "Label the syringe before it leaves the hand.")

    share = diluted_in_barrel(Barrel(syringe), start_ml, final_volume_ml)
    strength = stock * share  # a pint quantity whose number carries its uncertainty
    error = relative_expanded(strength.magnitude)
    warnings = source.warnings(draw_ml, syringe)
    warnings += _line_warning(syringe, start_ml, draw_ml)
    warnings += _line_warning(syringe, final_volume_ml, final_volume_ml)
    warnings += _dead_space_warning(syringe, final_volume_ml, relative)
    proposals: tuple[Proposal, ...] = ()
    if error > relative * (1 + 1e-9):
        warnings.append(_too_small(syringe, draw_ml, error, relative, "strength"))
        proposals = offer.worth_making(
            error,
            offer.separate_syringe(syringe, draw_ml, final_volume_ml, relative),
            offer.two_steps(syringe, one_in, final_volume_ml, relative),
        )
    return Plan(
        kind="dilute",
        stages=account.stages,
        syringe=syringe,
        stock=stock,
        final_concentration=final_concentration,
        final_volume_ml=final_volume_ml,
        amount=amount_in(stock, draw_ml),
        draw_ml=draw_ml,
        air_to_inject_ml=air_ml,
        expel_ml=expel_ml,
        relative_uncertainty=error,
        uncertainty_of="final concentration",
        tolerance=tolerance,
        relative_tolerance=relative,
        warnings=tuple(warnings),
        proposals=proposals,
    )


def tolerance_share(tolerance: Tolerance, volume_ml: float, syringe: Syringe) -> float:
    """*tolerance* at *volume_ml* in *syringe*, as a fraction of that volume."""
    half_width = tolerance.half_width_ml(
        volume_ml, capacity_ml=syringe.capacity_ml, interval_ml=syringe.interval_ml
    )
    return half_width / volume_ml


def _settle(
    syringe: Syringe | None, volume_ml: float, tolerance: Tolerance
) -> tuple[Syringe, float]:
    """The syringe given or chosen, and the tolerance as a fraction of the volume in it."""
    if syringe is None:
        syringe = choose(volume_ml, 1.0).syringe
    must_hold(syringe, volume_ml)
    return syringe, tolerance_share(tolerance, volume_ml, syringe)


def _book_draw(account: Account, volume_ml: float, *, sealed: bool, tolerance_ml: float) -> None:
    amount = _ml(volume_ml)
    if sealed:
        account.draw_air(volume_ml, f"Draw {amount} of air into the {describe(account.syringe)}.")
        account.inject_air("Inject the air into the sealed container, above the liquid.")
        how = f"Draw in {amount}"
    else:
        how = f"Draw {amount} into the {describe(account.syringe)}"
    account.draw_stock(
        volume_ml,
        f"{how}, clear the air, and read at the stopper's front ring.",
        tolerance_ml,
    )


def _book_diluent(
    account: Account, start_ml: float, prefilled_ml: float | None, tolerance_ml: float
) -> float:
    """Bring the syringe to *start_ml* of diluent; the volume expelled for it, mL."""
    if prefilled_ml is None:
        account.draw_diluent(
            start_ml,
            f"Draw {_ml(start_ml)} of diluent into the {describe(account.syringe)}, "
            "clear the air, and read at the stopper's front ring.",
            tolerance_ml,
        )
        return 0.0
    account.start_with_diluent(prefilled_ml)
    surplus_ml = round(prefilled_ml - start_ml, 9)
    if surplus_ml > 0:
        account.expel_diluent(
            surplus_ml,
            f"Clear the air, then expel {_ml(surplus_ml)} of diluent down to the mark of "
            f"{_ml(start_ml)}.",
            tolerance_ml,
        )
        return surplus_ml
    if surplus_ml < 0:
        account.draw_diluent(
            -surplus_ml,
            f"Clear the air, then draw in {_ml(-surplus_ml)} more of diluent, up to the mark of "
            f"{_ml(start_ml)}.",
            tolerance_ml,
        )
    else:
        account.note(
            "verify", f"Clear the air; the diluent stands at {_ml(start_ml)}.", tolerance_ml
        )
    return 0.0


def _straight_proposals(
    syringe: Syringe, volume_ml: float, error: float, relative: float
) -> tuple[list[Caution], tuple[Proposal, ...]]:
    if error <= relative * (1 + 1e-9):
        return [], ()
    warning = _too_small(syringe, volume_ml, error, relative, "volume")
    other = offer.in_better_syringe(syringe, volume_ml, relative)
    enough = other is not None and other.meets_tolerance
    dilution = None if enough else offer.dilute_first(volume_ml, relative)
    return [warning], offer.worth_making(error, other, dilution)


def _too_small(
    syringe: Syringe, volume_ml: float, error: float, relative: float, what: str
) -> Caution:
    if error >= 1:
        return Caution(
            "too-small-to-measure",
            f"{_ml(volume_ml)} in a {describe(syringe)} is less than that syringe can be relied "
            f"on to measure: the {what} would be as good as unknown.",
        )
    return Caution(
        "too-small-to-measure",
        f"Drawing {_ml(volume_ml)} in a {describe(syringe)} leaves the {what} known only to "
        f"±{percent(error)}, where ±{percent(relative)} is wanted.",
    )


def _line_warning(syringe: Syringe, mark_ml: float, measured_ml: float) -> list[Caution]:
    """Warn if *mark_ml* is between lines; the error is relative to *measured_ml*."""
    nearest = between_lines(syringe, mark_ml)
    if nearest is None:
        return []
    change = abs(nearest - mark_ml) / measured_ml
    return [
        Caution(
            "between-lines",
            f"{_ml(mark_ml)} is between two lines of the {describe(syringe)}; the nearest is "
            f"{_ml(nearest)}, and stopping there would change the drawn volume by "
            f"{percent(change)}.",
        )
    ]


def _flush_warning(syringe: Syringe, volume_ml: float, relative: float) -> list[Caution]:
    """The nozzle's content counts only if the syringe is flushed."""
    dead_ml = syringe.band.dead_space_ml
    if dead_ml <= relative * volume_ml:
        return []
    return [
        Caution(
            "dead-space",
            f"The nozzle keeps up to {_ml(dead_ml)} beyond the marks: flushing the syringe would "
            f"give up to {percent(dead_ml / volume_ml)} more than was measured.",
        )
    ]


def _dead_space_warning(syringe: Syringe, final_ml: float, relative: float) -> list[Caution]:
    """In a dilution the nozzle holds diluent that the marks don't show."""
    lower = syringe.band.dead_space_ml / (final_ml + syringe.band.dead_space_ml)
    if lower <= relative / 4:
        return []
    return [
        Caution(
            "dead-space",
            f"The nozzle may hold up to {_ml(syringe.band.dead_space_ml)} of diluent beyond the "
            f"marks, which would make the strength up to {percent(lower)} lower.",
        )
    ]


def _nominal_warnings(amount: Quantity, diluent_ml: float, nominal: bool) -> list[Caution]:
    if not nominal:
        return []
    bound = nominal_error_bound(amount, diluent_ml)
    if bound is None:
        per_tenth = 0.1 / (diluent_ml + 0.1)
        how = (
            f"every {_ml(0.1)} that the powder takes up makes it {percent(per_tenth)} weaker, and "
            "units don't tell how much that is"
        )
    else:
        most = registry().Quantity(bound * diluent_ml, "milliliter")
        how = (
            f"it may be up to {percent(bound / (1 + bound))} weaker, if the powder takes up "
            f"{print_amount(most)}, and bulking agents come on top"
        )
    return [
        Caution(
            "nominal-concentration",
            "No displacement volume was given, so the strength is nominal: "
            f"{how}. The leaflet has the displacement volume.",
        )
    ]


def _ml(volume_ml: float) -> str:
    return f"{format_number(volume_ml, 4)} mL"


def strength_text(plan: Plan) -> str:
    """The final strength as it is printed, marked if it is only nominal."""
    text = print_concentration(plan.final_concentration)
    return f"{text} (nominal)" if plan.nominal else text


def amount_text(plan: Plan) -> str:
    """The final amount as it is printed, in the unit that the strength is printed in."""
    return print_amount_like(plan.amount, plan.final_concentration)
