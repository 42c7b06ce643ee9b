"""Trade notations of amounts and strengths, in and out.

In: ``30 mg``, ``500 units``, ``20 mg/mL``, ``250 mg/5 mL``, ``2 %``, ``1 in 1000``.  Out: only
forms that are hard to misread.  A zero stands before the decimal point and none after the last
digit that counts, a space before the unit, commas in long numbers, and `microgram`,
`nanogram` and `units` are words.  These are the forms that the error-prone lists of ISMP
(2006) and the Joint Commission (Do Not Use list, 2009) ask for.

A percentage is weight in volume, g per 100 mL; "one in N" is 1 g in N mL.  Whatever has two
meanings (``1:1000``, ``1,250 mg``, ``%`` v/v) is not given one here: the error names them.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from .formatting import format_number
from .quantities import SPELLINGS, QuantityError, parse_quantity, registry

if TYPE_CHECKING:
    import pint

    Quantity = pint.Quantity[Any]

_SUBSTANCE = "amount of substance"
AMOUNT_KINDS = ("mass", "activity", _SUBSTANCE)

# Unit of the registry, the word printed (singular, plural), and the least number printed with
# it, smallest unit first.  Less than a gram is printed in milligrams; a volume that a syringe
# measures stays in millilitres, as its scale has them.
_LADDERS: tuple[tuple[tuple[str, str, str, float], ...], ...] = (
    (
        ("nanogram", "nanogram", "nanograms", 0),
        ("microgram", "microgram", "micrograms", 0.1),
        ("milligram", "mg", "mg", 0.1),
        ("gram", "g", "g", 1),
        ("kilogram", "kg", "kg", 1),
    ),
    (("activity_unit", "unit", "units", 0),),
    (
        ("micromole", "micromol", "micromol", 0),
        ("millimole", "mmol", "mmol", 0.1),
        ("mole", "mol", "mol", 1),
    ),
    (
        ("microliter", "microlitre", "microlitres", 0),
        ("milliliter", "mL", "mL", 0),
        ("liter", "L", "L", 1),
    ),
)
_HIGHEST = 10_000.0  # from here on the next larger unit is used, where there is one

_LONGEST = 60  # characters of an amount or strength; also keeps every number finite

SIGNIFICANT = 4  # digits of a printed amount: a fifth is finer than any syringe

# Spellings of the trade that the plain list of units leaves out.
_WORDS = (
    (re.compile(r"\binternational units?\b", re.I), "units"),
    (re.compile(r"\bi\.u\.?", re.I), "units"),
    (re.compile(r"\bmicrogrammes?\b", re.I), "micrograms"),
    (re.compile(r"\bmilligrammes?\b", re.I), "milligrams"),
    (re.compile(r"\bgrammes?\b", re.I), "grams"),
    (re.compile(r"\bmicromol\b"), "umol"),
)
_REFUSED_UNITS: dict[str, str] = {
    "gr": "'gr' is a grain to some and a gram to others: write 'g' or 'mg'.",
    "MU": "'MU' is a million units to some and a milliunit to others: write the units in full.",
    "mU": "'mU' is a milliunit to some and a million units to others: write the units in full.",
    "mEq": "Milliequivalents depend on the ion's charge: write the amount in mmol or mg.",
    "meq": "Milliequivalents depend on the ion's charge: write the amount in mmol or mg.",
    "M": "'M' may be molar or million: write 'mol/L' or the number in full.",
}

_NUMBER = r"\d+(?:\.\d+)?|\.\d+"
_PERCENT = re.compile(
    rf"(?P<n>[+-]?(?:{_NUMBER}))\s*(?:%|per ?cent)\s*(?P<basis>\(?[wv]/[wv]\)?)?", re.I
)
_ONE_IN = re.compile(rf"(?:1|one)\s+in\s+(?P<n>{_NUMBER})\s*(?P<basis>\(?[wv]/[wv]\)?)?", re.I)
_RATIO = re.compile(
    rf"(?:1|one)\s*(?::|/|to|\N{{RATIO}})\s*(?P<n>{_NUMBER})\s*(?P<basis>\(?[wv]/[wv]\)?)?", re.I
)
_PER = re.compile(r"\s*(?:/|\bper\b|\bin\b)\s*")
_GROUPED = re.compile(r"(?<![\d.,])(\d{1,3}(?:,\d{3})+)(?![\d,])")


class NotationError(QuantityError):
    """Text that is no amount or strength of the trade; the message is for the person who typed."""


@dataclass(frozen=True)
class RatioReading:
    """One of the meanings of ``1:N``: what it is called, and the share of the whole, 0 to 1."""

    meaning: str
    one_in: float

    @property
    def share(self) -> float:
        """The drug's part of the whole."""
        return 1 / self.one_in


class AmbiguousRatioError(NotationError):
    """``1:N`` was written, which has two meanings; ``readings`` has both, none is chosen."""

    def __init__(self, text: str, n: float) -> None:
        self.text = text
        self.n = n
        number, more = (group_thousands(format_number(m, 9)) for m in (n, n + 1))
        self.readings = (
            RatioReading(f"1 part in {number} parts in total", n),
            RatioReading(f"1 part added to {number} parts, {more} in total", n + 1),
        )
        super().__init__(
            f"'{text}' has two meanings: '1 in {number}' (1 part made up to {number}) and "
            f"'1 in {more}' (1 part added to {number}). Write the one that is meant."
        )


def normalise(text: str) -> str:
    """*text* with compatibility characters folded, both micro signs as ``u``, groups joined.

    ``100,000`` is read as one hundred thousand; a single group that could also be a decimal
    comma (``1,250``) is refused.

    Raises
    ------
    NotationError
        For a comma with two meanings, or a character that is no text.
    """
    if len(text) > _LONGEST:
        raise NotationError(f"An amount of more than {_LONGEST} characters is not read.")
    folded = unicodedata.normalize("NFKC", text).replace("\N{GREEK SMALL LETTER MU}", "u")
    if any(unicodedata.category(c).startswith("C") for c in folded):
        raise NotationError("The text has a control character in it: type it again.")
    for pattern, word in _WORDS:
        folded = pattern.sub(word, folded)
    folded = _GROUPED.sub(_join_group, folded)
    folded = re.sub(
        rf"({_NUMBER})\s*million\s+(?=units?\b)",
        lambda m: format_number(float(m[1]) * 1e6, 12) + " ",
        folded,
    )
    return folded.strip()


def _join_group(match: re.Match[str]) -> str:
    text = match[1]
    joined = text.replace(",", "")
    # As a decimal comma, "1,000" would have trailing zeros, which nobody means to write.
    if text.count(",") == 1 and not text.endswith(",000"):
        raise NotationError(
            f"'{text}' may be {joined} or {text.replace(',', '.')}: "
            "write it without the comma, and a decimal point as a point."
        )
    return joined


def parse_amount(text: str) -> Quantity:
    """An amount of drug above zero: a mass, activity units or an amount of substance.

    >>> print_amount(parse_amount(".5 mg"))
    '0.5 mg'

    Raises
    ------
    NotationError
        If *text* is no such amount, or is not above zero.
    """
    folded = normalise(text)
    unit = re.sub(r"^[+-]?[\d.]+\s*", "", folded)
    if unit in _REFUSED_UNITS:
        raise NotationError(_REFUSED_UNITS[unit])
    kind = next((k for k in AMOUNT_KINDS if unit in SPELLINGS[k]), "mass")
    if unit and unit.lower() == "%":
        raise NotationError(f"'{text}' is a strength; an amount is written as in '20 mg'.")
    try:
        quantity = parse_quantity(folded, kind)
    except NotationError:
        raise
    except QuantityError as error:
        raise NotationError(str(error)) from None
    if not quantity.magnitude > 0:
        raise NotationError(f"'{text}' is not above zero: an amount of drug has to be.")
    return quantity


def parse_concentration(text: str) -> Quantity:
    """A strength above zero, as an amount per volume.

    >>> print_concentration(parse_concentration("2 %"))
    '20 mg/mL'
    >>> print_concentration(parse_concentration("1 in 200,000"))
    '5 micrograms/mL'

    Raises
    ------
    AmbiguousRatioError
        For ``1:N``, which has two meanings.
    NotationError
        If *text* is no strength, or is not above zero.
    """
    folded = normalise(text)
    ureg = registry()
    if match := _PERCENT.fullmatch(folded):
        _weight_in_volume(text, match["basis"])
        return _above_zero(text, ureg.Quantity(10 * float(match["n"]), "milligram / milliliter"))
    if match := _ONE_IN.fullmatch(folded):
        _weight_in_volume(text, match["basis"])
        n = float(match["n"])
        if not n > 1:
            raise NotationError(f"'{text}' is no strength: 'one in N' needs an N above 1.")
        return ureg.Quantity(1000 / n, "milligram / milliliter")
    if match := _RATIO.fullmatch(folded):
        raise AmbiguousRatioError(folded, float(match["n"]))
    parts = _PER.split(folded)
    if len(parts) != 2:
        raise NotationError(
            f"'{text}' is not a strength: write it as in '20 mg/mL', '2 %' or '1 in 1000'."
        )
    amount, volume = parts
    if not re.match(r"[\d.]", volume):
        volume = f"1 {volume}"
    try:
        quantity = parse_amount(amount) / parse_quantity(volume, "volume")
    except ZeroDivisionError:
        raise NotationError(f"'{text}' divides by no volume at all.") from None
    except NotationError:
        raise
    except QuantityError as error:
        raise NotationError(str(error)) from None
    top = amount_kind(quantity * ureg.Quantity(1, "milliliter"))
    unit = str(parse_amount(amount).units)
    assert top in AMOUNT_KINDS  # parse_amount has seen to it
    return _above_zero(text, quantity.to(f"{unit} / milliliter"))


def _weight_in_volume(text: str, basis: str | None) -> None:
    if basis and basis.strip("()").lower() != "w/v":
        raise NotationError(
            f"'{text}' needs a density to become mg/mL: only weight in volume (w/v) is read."
        )


def _above_zero(text: str, quantity: Quantity) -> Quantity:
    if not quantity.magnitude > 0:
        raise NotationError(f"'{text}' is not above zero, and has to be.")
    return quantity


def parse_molar_mass(text: str) -> Quantity:
    """A molar mass above zero, such as ``58.44 g/mol``.

    Raises
    ------
    NotationError
        If *text* is none.
    """
    mass, slash, mole = normalise(text).partition("/")
    try:
        if not slash or mole.strip() not in ("mol", "mmol"):
            raise NotationError("no molar mass")
        molar: Quantity = parse_quantity(mass, "mass") / parse_quantity(f"1 {mole}", _SUBSTANCE)
    except QuantityError:
        raise NotationError(
            f"'{text}' is not a molar mass: write it as in '58.44 g/mol'."
        ) from None
    return _above_zero(text, molar)


def parse_one_in(text: str) -> float:
    """N of "one part in N parts in total", from ``10`` or ``1 in 10``.

    Raises
    ------
    AmbiguousRatioError
        For ``1:N``, ``1 to N`` and ``1/N``.
    NotationError
        If *text* is neither, or N is not above 1.
    """
    folded = normalise(text)
    if match := _RATIO.fullmatch(folded):
        raise AmbiguousRatioError(folded, float(match["n"]))
    match = _ONE_IN.fullmatch(folded)
    number = match["n"] if match else folded
    if not re.fullmatch(rf"[+-]?(?:{_NUMBER})", number):
        raise NotationError(f"'{text}' is not a dilution: write it as in '10' or '1 in 10'.")
    n = float(number)
    if not n > 1:
        raise NotationError(
            f"'1 in {number}' dilutes nothing: N counts all the parts, so it is above 1."
        )
    return n


def amount_kind(quantity: Quantity) -> str:
    """Which of `AMOUNT_KINDS` (or ``volume``) *quantity* is; ``"other"`` if none."""
    for kind, unit in (
        ("mass", "gram"),
        ("activity", "activity_unit"),
        ("amount of substance", "mole"),
        ("volume", "liter"),
    ):
        if quantity.check(registry().Unit(unit).dimensionality):
            return kind
    return "other"


def group_thousands(number: str) -> str:
    """Commas in the whole part of a plain decimal: ``100000`` -> ``100,000`` (ISMP)."""
    whole, point, rest = number.partition(".")
    return f"{int(whole):,}{point}{rest}"


def print_amount(quantity: Quantity, significant: int = SIGNIFICANT) -> str:
    """An amount (mass, units, substance or volume) in a form that is hard to misread.

    The unit stays as it is unless the number would become very small or very large.

    >>> print_amount(parse_amount("5 ug")), print_amount(parse_amount("100000U"))
    ('5 micrograms', '100,000 units')
    """
    number, singular, plural = _scaled(quantity, significant)
    return f"{number} {singular if number == '1' else plural}"


def print_concentration(quantity: Quantity, significant: int = SIGNIFICANT) -> str:
    """A strength per mL in a form that is hard to misread, e.g. ``5 micrograms/mL``."""
    per_ml = quantity * registry().Quantity(1, "milliliter")
    return f"{print_amount(_plain(per_ml, quantity), significant)}/mL"


def print_amount_like(amount: Quantity, concentration: Quantity) -> str:
    """*amount* in the unit that *concentration* is printed in, so that the two compare at sight.

    >>> print_amount_like(parse_amount("0.5 mg"), parse_concentration("50 micrograms/mL"))
    '500 micrograms'
    """
    per_ml = _plain(concentration * registry().Quantity(1, "milliliter"), concentration)
    return print_amount(amount.to(_rung(per_ml)[0]))


def concentration_number(quantity: Quantity) -> tuple[float, str]:
    """The number and unit that `print_concentration` shows, unrounded, for data exchange."""
    per_ml = _plain(quantity * registry().Quantity(1, "milliliter"), quantity)
    unit, _, plural, _ = _rung(per_ml)
    return float(per_ml.to(unit).magnitude), f"{plural}/mL"


def print_percent(quantity: Quantity) -> str:
    """A mass concentration as a percentage, weight in volume: ``2 %``."""
    value = quantity.to("gram / milliliter").magnitude * 100
    return f"{format_number(float(value), SIGNIFICANT)} %"


def print_one_in(quantity: Quantity) -> str:
    """A mass concentration as a ratio strength: ``1 in 1,000``."""
    n = 1 / float(quantity.to("gram / milliliter").magnitude)
    return f"1 in {group_thousands(format_number(n, SIGNIFICANT))}"


def safe_form(text: str) -> str:
    """*text* (an amount, a volume or a strength) written again so that it is hard to misread.

    >>> safe_form("10U"), safe_form("2 cc"), safe_form("1.0 mg")
    ('10 units', '2 mL', '1 mg')

    Raises
    ------
    NotationError
        If it is none of these.
    """
    folded = normalise(text)
    if re.search(r"[%/:]| in | per | to ", folded):
        return print_concentration(parse_concentration(text), 12)
    try:
        return print_amount(parse_quantity(folded, "volume"), 12)
    except QuantityError:
        return print_amount(parse_amount(text), 12)


def _plain(per_ml: Quantity, source: Quantity) -> Quantity:
    """*per_ml*, an amount whose unit may still read "milligram / mL * mL", in one plain unit.

    The unit of *source*'s numerator is kept where the ladder has it.
    """
    for ladder in _LADDERS:
        if not per_ml.check(registry().Unit(ladder[0][0]).dimensionality):
            continue
        named = next((rung for rung in ladder if rung[0] in dict(source.unit_items())), ladder[0])
        return per_ml.to(named[0])
    raise NotationError(f"{source} is not an amount per volume.")


def _rung(quantity: Quantity) -> tuple[str, str, str, float]:
    """The unit to print *quantity* in: its own while the number is handy, else the next."""
    ladder = next(
        (x for x in _LADDERS if quantity.check(registry().Unit(x[0][0]).dimensionality)), None
    )
    if ladder is None:
        raise NotationError(f"{quantity} is neither an amount nor a volume.")
    names = [rung[0] for rung in ladder]
    unit = str(quantity.units)
    at = names.index(unit) if unit in names else 0
    value = abs(float(quantity.to(names[at]).magnitude))
    # A twelfth digit of slack: 0.1 that came out of a division must not change its unit.
    while value < ladder[at][3] * (1 - 1e-12) and at > 0:
        at -= 1
        value = abs(float(quantity.to(names[at]).magnitude))
    while value >= _HIGHEST * (1 - 1e-12) and at < len(names) - 1:
        at += 1
        value = abs(float(quantity.to(names[at]).magnitude))
    return ladder[at]


def _scaled(quantity: Quantity, significant: int) -> tuple[str, str, str]:
    unit, singular, plural, _ = _rung(quantity)
    value = float(quantity.to(unit).magnitude)
    return group_thousands(format_number(value, significant)), singular, plural
