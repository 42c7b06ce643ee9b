"""Strength, volume and dose: the arithmetic of C1 V1 = C2 V2, with units that can't be mixed up.

Volumes of mixing are taken as additive, as everywhere in the trade; the error of that is far
below what a syringe measures.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from .impossible import ImpossibleError
from .notation import RatioReading, amount_kind, print_amount, print_concentration
from .quantities import registry

if TYPE_CHECKING:
    import pint

    Quantity = pint.Quantity[Any]


def amount_in(concentration: Quantity, volume_ml: float) -> Quantity:
    """The amount of drug in *volume_ml*, in the unit that the concentration counts in."""
    amount = concentration * registry().Quantity(volume_ml, "milliliter")
    counted: Quantity = amount.to(_counted_in(concentration))
    return counted


def volume_for_dose_ml(
    dose: Quantity, concentration: Quantity, molar_mass: Quantity | None = None
) -> float:
    """The volume, mL, that holds *dose*.

    *molar_mass* (mass per amount of substance) is what takes moles to grams and back.

    Raises
    ------
    ImpossibleError
        If the two count different things (``incompatible-units``).
    """
    dose = same_kind(dose, concentration, molar_mass)
    return _ml(dose / concentration)


def same_kind(dose: Quantity, concentration: Quantity, molar_mass: Quantity | None) -> Quantity:
    """*dose* in the kind of amount that *concentration* counts in.

    Raises
    ------
    ImpossibleError
        If that takes knowledge which was not given (``incompatible-units``).
    """
    have = amount_kind(dose)
    want = amount_kind(amount_in(concentration, 1))
    if have == want:
        return dose
    if "activity" in (have, want):
        raise ImpossibleError(
            "incompatible-units",
            f"{print_amount(dose)} can't be taken from {print_concentration(concentration)}: "
            "activity units and amounts of a substance convert only by a factor of that product; "
            "state both in the same kind of unit.",
        )
    if molar_mass is None:
        raise ImpossibleError(
            "incompatible-units",
            f"{print_amount(dose)} can't be taken from {print_concentration(concentration)} "
            "without a molar mass: give --molar-mass, or state both in the same kind of unit.",
        )
    converted: Quantity = dose * molar_mass if have == "amount of substance" else dose / molar_mass
    return converted


def diluted(concentration: Quantity, one_in: float) -> Quantity:
    """The strength of one part in *one_in* parts in total."""
    weaker: Quantity = concentration / one_in
    return weaker


def stock_volume_ml(stock: Quantity, target: Quantity, final_volume_ml: float) -> float:
    """V1 of C1 V1 = C2 V2: the stock, mL, in *final_volume_ml* of strength *target*.

    Raises
    ------
    ImpossibleError
        If the two strengths count different things, or the target is not below the stock.
    """
    if amount_kind(amount_in(stock, 1)) != amount_kind(amount_in(target, 1)):
        raise ImpossibleError(
            "incompatible-units",
            f"{print_concentration(target)} can't be made from {print_concentration(stock)}: "
            "state both in the same kind of unit.",
        )
    share = float((target / stock).to("dimensionless").magnitude)
    if share > 1 + 1e-9:
        raise ImpossibleError(
            "target-above-stock",
            f"The wanted {print_concentration(target)} is stronger than the stock of "
            f"{print_concentration(stock)}: diluting can't reach it.",
        )
    if share > 1 - 1e-9:
        raise ImpossibleError(
            "target-is-stock",
            f"The wanted {print_concentration(target)} is the strength of the stock itself: "
            "there is nothing to dilute; draw it undiluted.",
        )
    return final_volume_ml * share


@dataclass(frozen=True)
class Alligation:
    """How much of a strong and a weak solution make a middling one, mL."""

    strong_ml: float
    weak_ml: float


def alligation(
    strong: Quantity, weak: Quantity, target: Quantity, final_volume_ml: float
) -> Alligation:
    """Mix *strong* and *weak* to *final_volume_ml* of *target*.

    Raises
    ------
    ImpossibleError
        If the target does not lie between the two (``target-not-between``).
    """
    high, low, want = (float(c.to(strong.units).magnitude) for c in (strong, weak, target))
    if not low <= want <= high or low == high:
        raise ImpossibleError(
            "target-not-between",
            f"{print_concentration(target)} does not lie between {print_concentration(weak)} and "
            f"{print_concentration(strong)}: no mixture of the two reaches it.",
        )
    strong_ml = final_volume_ml * (want - low) / (high - low)
    return Alligation(strong_ml, final_volume_ml - strong_ml)


def drug_first_concentration(
    stock: Quantity, marked_ml: float, dead_space_ml: float, final_marked_ml: float
) -> Quantity:
    """The strength if the drug is drawn first: its share then includes the filled nozzle.

    Both marks are read at the fiducial line; the dead space in front of the zero line is full
    of drug when the diluent comes, and is mixed in.  This is why the plans here draw the
    diluent first.
    """
    stronger: Quantity = stock * ((marked_ml + dead_space_ml) / (final_marked_ml + dead_space_ml))
    return stronger


@dataclass(frozen=True)
class RatioOutcome:
    """What one meaning of ``1:N`` would give: drug and diluent in mL, and the strength."""

    reading: RatioReading
    drug_ml: float
    diluent_ml: float
    concentration: Quantity


def ratio_outcomes(
    readings: tuple[RatioReading, ...], stock: Quantity, final_volume_ml: float
) -> tuple[RatioOutcome, ...]:
    """What each of *readings* makes of *stock* in *final_volume_ml*; none is preferred."""
    return tuple(
        RatioOutcome(
            reading,
            final_volume_ml * reading.share,
            final_volume_ml * (1 - reading.share),
            diluted(stock, reading.one_in),
        )
        for reading in readings
    )


@dataclass(frozen=True)
class Solution:
    """A dissolved powder: total volume in mL, its strength, and how well the volume is known.

    ``nominal`` is true if no displacement volume was given, so that the powder counts as
    taking up no room.
    """

    total_ml: float
    concentration: Quantity
    nominal: bool


def dissolve(amount: Quantity, diluent_ml: float, displacement_ml: float | None) -> Solution:
    """*amount* of powder dissolved in *diluent_ml* which is added to it (not made up to).

    *displacement_ml* is the room that the whole powder takes up once dissolved; it belongs to
    the product and has no default.
    """
    total_ml = diluent_ml + (displacement_ml or 0.0)
    volume = registry().Quantity(total_ml, "milliliter")
    return Solution(total_ml, amount / volume, nominal=displacement_ml is None)


# Room that 1 g of dissolved powder takes, mL: an outer bound.  Common practice, no source:
# product leaflets give about 0.5 to 1 mL for a gram; nothing dissolved is lighter than 1 g/mL
# by much.
LARGEST_DISPLACEMENT_ML_PER_GRAM = 1.0


def nominal_error_bound(amount: Quantity, diluent_ml: float) -> float | None:
    """How far, relatively, a nominal strength may be above the true one; ``None`` if unknown.

    The powder is taken to displace at most `LARGEST_DISPLACEMENT_ML_PER_GRAM` (of the drug as
    labelled: bulking agents come on top).  Only a mass has such a bound; units have none.
    """
    if amount_kind(amount) != "mass":
        return None
    grams = float(amount.to("gram").magnitude)
    return grams * LARGEST_DISPLACEMENT_ML_PER_GRAM / diluent_ml


def _counted_in(concentration: Quantity) -> str:
    for name, power in concentration.unit_items():
        if float(power.real) > 0:
            return str(name)
    raise ImpossibleError("no-strength", f"{concentration} is not an amount per volume.")


def _ml(volume: Quantity) -> float:
    # Rounding at the picolitre takes off the binary dust of the division.
    return round(float(volume.to("milliliter").magnitude), 9)
