"""Trade notation in, forms that are hard to misread out."""

from __future__ import annotations

import doctest
import re
from contextlib import suppress

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drawmark.calc import notation
from drawmark.calc.notation import (
    AmbiguousRatioError,
    NotationError,
    amount_kind,
    concentration_number,
    parse_amount,
    parse_concentration,
    parse_molar_mass,
    parse_one_in,
    print_amount,
    print_amount_like,
    print_concentration,
    print_one_in,
    print_percent,
    safe_form,
)
from drawmark.calc.quantities import QuantityError, registry

# What must never be printed, each with who says so: ISMP list (2006) and Joint Commission "Do
# Not Use" list (2009).
ERROR_PRONE = {
    "zero after the last digit that counts": re.compile(r"\d\.\d*0(?!\d)"),
    "no zero before the point": re.compile(r"(?<!\d)\.\d"),
    "bare point": re.compile(r"\d\.(?!\d)"),
    "number joined to its unit": re.compile(r"\d[A-Za-z\N{MICRO SIGN}\N{GREEK SMALL LETTER MU}%]"),
    "U or IU for units": re.compile(r"\b(?:U|u|IU|iu)\b"),
    "micro sign, ug or mcg": re.compile(r"\N{MICRO SIGN}|\N{GREEK SMALL LETTER MU}|\bug\b|\bmcg\b"),
    "cc for mL": re.compile(r"\bcc\b"),
    "long number without commas": re.compile(r"(?<![\d.])\d{4,}"),
    "exponent": re.compile(r"\d[eE][+-]?\d"),
    "point after the unit": re.compile(r"(?:mg|mL|g|units?)\.(?!\w)"),
}


def error_prone(text: str) -> list[str]:
    return [name for name, pattern in ERROR_PRONE.items() if pattern.search(text)]


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("1.0 mg", "zero after the last digit that counts"),
        ("0.50 mg", "zero after the last digit that counts"),
        (".5 mg", "no zero before the point"),
        ("5. mg", "bare point"),
        ("10mg", "number joined to its unit"),
        ("10 U", "U or IU for units"),
        ("5 \N{GREEK SMALL LETTER MU}g", "micro sign, ug or mcg"),
        ("2 cc", "cc for mL"),
        ("100000 units", "long number without commas"),
        ("1e5 units", "exponent"),
    ],
)
def test_the_finder_knows_each_fault(text: str, fault: str) -> None:
    assert fault in error_prone(text)


def walked_numbers() -> list[float]:
    """About 6000 numbers: every scale, round ones, binary dust, and values about to round up."""
    rng = np.random.default_rng(7886)
    numbers = [float(x) for x in 10 ** rng.uniform(-7, 7, 2500)]
    numbers += [m * 10.0**e for e in range(-7, 7) for m in range(1, 100)]
    numbers += [k / 100 for k in range(1, 1001)] + [k * 0.1 for k in range(1, 400)]
    for digits in ("9.9996", "99.996", "999.96", "9999.6", "0.99996", "0.099996", "99999.6"):
        numbers.append(float(digits))
    return numbers


@pytest.mark.parametrize(
    "unit", ["nanogram", "microgram", "milligram", "gram", "activity_unit", "millimole"]
)
def test_no_error_prone_form_in_thousands_of_numbers(unit: str) -> None:
    ureg = registry()
    numbers = walked_numbers()
    assert len(numbers) > 5000
    for number in numbers:
        amount = ureg.Quantity(number, unit)
        strength = ureg.Quantity(number, f"{unit} / milliliter")
        for text in (print_amount(amount), print_concentration(strength)):
            assert not error_prone(text), (number, unit, text)


@pytest.mark.parametrize("unit", ["milligram", "activity_unit", "millimole"])
def test_what_is_printed_is_read_back(unit: str) -> None:
    ureg = registry()
    for number in walked_numbers()[::7]:
        amount = ureg.Quantity(number, unit)
        # The commas are taken out: a lone group such as 1,250 is asked about, see below.
        back = parse_amount(print_amount(amount, 9).replace(",", ""))
        assert float((back / amount).to("dimensionless").magnitude) == pytest.approx(1, rel=1e-8)


@pytest.mark.parametrize(
    ("typed", "printed"),
    [
        ("20 mg/mL", "20 mg/mL"),
        ("20mg/ml", "20 mg/mL"),
        ("20 mg per mL", "20 mg/mL"),
        ("250 mg/5 mL", "50 mg/mL"),
        ("250 mg in 5 mL", "50 mg/mL"),
        ("2 %", "20 mg/mL"),
        ("2%", "20 mg/mL"),
        ("2 % w/v", "20 mg/mL"),
        ("2 percent", "20 mg/mL"),
        ("0.9 %", "9 mg/mL"),
        ("1 in 1000", "1 mg/mL"),
        ("1 in 1,000", "1 mg/mL"),
        ("one in 10000", "0.1 mg/mL"),
        ("1 in 200000", "5 micrograms/mL"),
        ("100 units/mL", "100 units/mL"),
        ("500 IU/mL", "500 units/mL"),
        ("1 international unit/mL", "1 unit/mL"),
        ("5 \N{MICRO SIGN}g/mL", "5 micrograms/mL"),
        ("5 \N{GREEK SMALL LETTER MU}g/mL", "5 micrograms/mL"),
        ("1 g/L", "1 mg/mL"),
        ("0.5 mmol/mL", "0.5 mmol/mL"),
        ("8 mmol in 10 mL", "0.8 mmol/mL"),
        ("1 mol/L", "1 mmol/mL"),
        ("\N{FULLWIDTH DIGIT TWO}\N{FULLWIDTH DIGIT ZERO} mg/mL", "20 mg/mL"),
    ],
)
def test_strengths_of_the_trade(typed: str, printed: str) -> None:
    assert print_concentration(parse_concentration(typed)) == printed


@pytest.mark.parametrize(
    ("typed", "printed"),
    [
        ("1.0 mg", "1 mg"),
        ("1.5 million units", "1,500,000 units"),
        ("100,000 units", "100,000 units"),
        ("1,000 mg", "1,000 mg"),
        ("0.05 mg", "50 micrograms"),
        ("0.25 g", "250 mg"),
        ("12000 mg", "12 g"),
        ("1 unit", "1 unit"),
        ("500 microgrammes", "500 micrograms"),
    ],
)
def test_amounts_of_the_trade(typed: str, printed: str) -> None:
    assert print_amount(parse_amount(typed)) == printed


def test_other_ways_to_write_a_strength() -> None:
    strength = parse_concentration("1 mg/mL")
    assert print_percent(strength) == "0.1 %"
    assert print_one_in(strength) == "1 in 1,000"
    assert concentration_number(parse_concentration("0.05 mg/mL")) == (
        pytest.approx(50),
        "micrograms/mL",
    )
    assert print_amount_like(parse_amount("0.5 mg"), parse_concentration("0.05 mg/mL")) == (
        "500 micrograms"
    )


@pytest.mark.parametrize("text", ["1:1000", "1 : 1000", "1/1000", "1 to 1000", "1:1,000 w/v"])
def test_a_ratio_has_two_meanings_and_none_is_chosen(text: str) -> None:
    for parse in (parse_concentration, parse_one_in):
        if parse is parse_one_in and "w/v" in text:
            continue
        with pytest.raises(AmbiguousRatioError, match="two meanings") as caught:
            parse(text)
        assert [reading.one_in for reading in caught.value.readings] == [1000, 1001]


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("1,250 mg", "1250 or 1.250"),
        ("0,5 mg", "point"),
        ("5 gr", "grain"),
        ("5 MU", "million"),
        ("5 mEq", "charge"),
        ("5 MG", "'mg'"),
        ("5", "unit"),
        ("0 mg", "above zero"),
        ("-2 mg", "above zero"),
        ("5 mL", "volume"),
        ("2 %", "strength"),
        ("1e3 mg", "unit"),
        ("mg", "number"),
        ("", "number"),
        ("5 mg\x00", "control character"),
        ("9" * 400 + " mg", "characters"),
        ("inf mg", "number"),
    ],
)
def test_amounts_that_are_not_read(text: str, why: str) -> None:
    with pytest.raises(NotationError, match=re.escape(why)) as caught:
        parse_amount(text)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("2 % v/v", "density"),
        ("2 % w/w", "density"),
        ("1 in 1", "above 1"),
        ("1 in 0", "above 1"),
        ("20 mg", "strength"),
        ("20 mg/kg", "volume"),
        ("5 mg/0 mL", "no volume"),
        ("0 mg/mL", "above zero"),
        ("0 %", "above zero"),
        ("5 mL/mL", "volume"),
        ("5 mg/mL/h", "strength"),
        ("1 M", "strength"),
    ],
)
def test_strengths_that_are_not_read(text: str, why: str) -> None:
    with pytest.raises(NotationError, match=re.escape(why)):
        parse_concentration(text)


@pytest.mark.parametrize("text", ["1", "0.5", "0", "-3", "ten", "", "1 in 1"])
def test_dilutions_that_dilute_nothing(text: str) -> None:
    with pytest.raises(NotationError):
        parse_one_in(text)


@pytest.mark.parametrize("text", ["58.44", "58.44 g", "g/mol", "58 mL/mol", "-1 g/mol", "0 g/mol"])
def test_no_molar_mass(text: str) -> None:
    with pytest.raises(NotationError):
        parse_molar_mass(text)


@given(st.text(max_size=40))
def test_any_text_is_read_or_refused(text: str) -> None:
    for parse in (parse_amount, parse_concentration, parse_one_in, safe_form, parse_molar_mass):
        with suppress(QuantityError):  # anything else is a failure
            parse(text)


@given(
    st.decimals(min_value="0.001", max_value="9999", places=3),
    st.sampled_from(["mg", "mcg", "units", "U", "g", "mmol", "ng"]),
    st.sampled_from(["", "/mL", "/L", " per ml", "/5 mL"]),
)
def test_safe_form_is_safe_and_settled(number: object, unit: str, per: str) -> None:
    once = safe_form(f"{number} {unit}{per}")
    assert not error_prone(once)
    if "," not in once:
        assert safe_form(once) == once


def test_kinds_are_told_apart() -> None:
    kinds = [amount_kind(parse_amount(t)) for t in ("1 mg", "1 unit", "1 mmol")]
    assert kinds == ["mass", "activity", "amount of substance"]
    assert amount_kind(registry().Quantity(1, "second")) == "other"


def test_examples_in_the_docstrings_are_true() -> None:
    result = doctest.testmod(notation)
    assert result.attempted > 5
    assert result.failed == 0
