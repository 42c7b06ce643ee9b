"""The project's one pint registry, and the way from typed text to a quantity.

Quantities of two registries do not mix, so `registry` is the only place that builds one.
Inside the project, numbers are plain floats whose names carry the unit (``volume_ml``);
pint is used where a value comes in or goes out.

Text is read against a list of spellings rather than by pint's own parser: that one takes
``ML`` for a megalitre and ``5 mL * 2`` for a product, and neither is what a person typing
a volume means.
"""

from __future__ import annotations

import math
import re
from functools import cache
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pint

# What a person may type -> the unit's name in the registry, by kind of quantity.  The two
# micro signs (U+00B5 and the Greek letter U+03BC) look alike and are both in use.
SPELLINGS: dict[str, dict[str, str]] = {
    "volume": {
        **dict.fromkeys(
            ("mL", "ml", "millilitre", "millilitres", "milliliter", "milliliters", "cc", "cm3"),
            "milliliter",
        ),
        **dict.fromkeys(
            (
                "\N{MICRO SIGN}L",
                "\N{MICRO SIGN}l",
                "\N{GREEK SMALL LETTER MU}L",
                "\N{GREEK SMALL LETTER MU}l",
                "uL",
                "ul",
                "mcL",
                "microlitre",
                "microlitres",
                "microliter",
                "microliters",
            ),
            "microliter",
        ),
        **dict.fromkeys(("L", "l", "litre", "litres", "liter", "liters"), "liter"),
    },
    "mass": {
        **dict.fromkeys(("kg", "kilogram", "kilograms"), "kilogram"),
        **dict.fromkeys(("g", "gram", "grams"), "gram"),
        **dict.fromkeys(("mg", "milligram", "milligrams"), "milligram"),
        **dict.fromkeys(
            (
                "\N{MICRO SIGN}g",
                "\N{GREEK SMALL LETTER MU}g",
                "ug",
                "mcg",
                "microgram",
                "micrograms",
            ),
            "microgram",
        ),
        **dict.fromkeys(("ng", "nanogram", "nanograms"), "nanogram"),
    },
    "activity": {
        **dict.fromkeys(("unit", "units", "U", "u", "IU", "iu"), "activity_unit"),
    },
    "amount of substance": {
        **dict.fromkeys(("mol", "mole", "moles"), "mole"),
        **dict.fromkeys(("mmol", "millimole", "millimoles"), "millimole"),
        **dict.fromkeys(("umol", "micromole", "micromoles"), "micromole"),
    },
}

_EXAMPLES = {
    "volume": "5 mL",
    "mass": "20 mg",
    "activity": "100 units",
    "amount of substance": "10 mmol",
}

_NUMBER = r"(?P<number>[+-]?(?:\d+(?:\.\d*)?|\.\d+))"
_AMOUNT = re.compile(rf"\s*{_NUMBER}\s*(?P<unit>\S.*?)?\s*")


class QuantityError(ValueError):
    """Text that is not the quantity wanted; the message is one sentence to show to a person."""


@cache
def registry() -> pint.UnitRegistry[Any]:
    """The one unit registry.  Built at first use: it costs a third of a second.

    Activity units have a dimension of their own, so that they never turn into a mass: the
    factor between them belongs to a product, not to a unit system.
    """
    import pint

    ureg: pint.UnitRegistry[Any] = pint.UnitRegistry()
    ureg.define("activity_unit = [biological_activity] = units")
    return ureg


def split_amount(text: str) -> tuple[float, str]:
    """Number and unit of *text*, e.g. ``("0.5mL")`` -> ``(0.5, "mL")``; the unit may be empty.

    Raises
    ------
    QuantityError
        If there is no plain decimal number in front, or it is not finite.
    """
    match = _AMOUNT.fullmatch(text)
    if match is None or (match["unit"] or "").startswith((",", ".", "'")):
        hint = " Write the decimal point as a point." if re.search(r"\d,\d", text) else ""
        raise QuantityError(f"'{text}' does not start with a plain number.{hint}")
    number = float(match["number"])
    if not math.isfinite(number):
        raise QuantityError(f"'{text}' is not a finite number.")
    return number, match["unit"] or ""


def parse_quantity(text: str, kind: str) -> pint.Quantity[Any]:
    """The quantity of the given *kind* (a key of `SPELLINGS`) that *text* states.

    >>> parse_quantity("500 microlitres", "volume").to("mL").magnitude
    0.5

    Raises
    ------
    QuantityError
        If *text* is no number, has no unit, or a unit of another kind.
    """
    spellings = SPELLINGS[kind]
    number, unit = split_amount(text)
    if not unit:
        raise QuantityError(f"'{text}' has no unit: write it as in '{_EXAMPLES[kind]}'.")
    if unit not in spellings:
        raise QuantityError(_unknown_unit(text, unit, kind))
    return registry().Quantity(number, spellings[unit])


def _unknown_unit(text: str, unit: str, kind: str) -> str:
    for other, spellings in SPELLINGS.items():
        if unit in spellings:
            return f"'{text}' states {other} where {kind} is wanted, as in '{_EXAMPLES[kind]}'."
    near = next((s for s in SPELLINGS[kind] if s.lower() == unit.lower()), None)
    if near is not None:  # "ML" is a megalitre and "MG" a megagram: a factor of 10^9, so ask
        return f"'{unit}' in '{text}' is written '{near}' when that is what is meant."
    return (
        f"'{unit}' in '{text}' is not a known unit of {kind}: write it as in '{_EXAMPLES[kind]}'."
    )


def parse_volume(text: str) -> pint.Quantity[Any]:
    """A volume above zero from *text* such as ``5mL``, ``0.5 ml`` or ``500 microlitre``.

    Raises
    ------
    QuantityError
        If *text* is not a volume, or is zero or negative.
    """
    volume = parse_quantity(text, "volume")
    if not volume.magnitude > 0:
        raise QuantityError(f"'{text}' is not above zero.")
    return volume


def parse_volume_ml(text: str) -> float:
    """As `parse_volume`, in plain millilitres.

    >>> parse_volume_ml("500 microlitre")
    0.5
    """
    # Rounding at the picolitre takes off the binary dust of the conversion (0.5 L -> 500 mL).
    return round(float(parse_volume(text).to("milliliter").magnitude), 9)
