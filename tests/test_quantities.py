"""Typed text to quantities, and quantities to text that is hard to misread."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drawmark.calc.formatting import (
    decimals_for,
    fixed,
    format_amount,
    format_measured,
    format_number,
    format_probability,
)
from drawmark.calc.quantities import (
    QuantityError,
    parse_quantity,
    parse_volume,
    parse_volume_ml,
    registry,
)


@pytest.mark.parametrize(
    ("text", "volume_ml"),
    [
        ("5mL", 5),
        ("5 mL", 5),
        ("0.5ml", 0.5),
        (".5 mL", 0.5),
        ("500 microlitre", 0.5),
        ("500 µL", 0.5),
        ("500 μL", 0.5),  # the Greek letter
        ("0.002 L", 2),
        ("2 cc", 2),
        ("  10 millilitres ", 10),
    ],
)
def test_a_volume_as_people_type_it(text: str, volume_ml: float) -> None:
    assert parse_volume_ml(text) == volume_ml


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("5", "no unit"),
        ("mL", "plain number"),
        ("", "plain number"),
        ("five mL", "plain number"),
        ("0,5 mL", "decimal point"),
        ("1,000 mL", "plain number"),
        ("5 ML", "written 'mL'"),
        ("5 mg", "states mass"),
        ("5 units", "states activity"),
        ("0 mL", "above zero"),
        ("-5 mL", "above zero"),
        ("nan mL", "plain number"),
        ("inf mL", "plain number"),
        ("1e3 mL", "not a known unit"),
        ("5 mL * 2", "not a known unit"),
        ("5 parsec", "not a known unit"),
    ],
)
def test_a_text_that_is_no_volume_is_refused_in_one_sentence(text: str, says: str) -> None:
    with pytest.raises(QuantityError, match=re.escape(says)):
        parse_volume(text)


def test_a_number_too_long_for_a_float_is_not_finite() -> None:
    with pytest.raises(QuantityError, match="finite"):
        parse_volume("9" * 400 + " mL")


def test_one_registry_for_all() -> None:
    assert registry() is registry()
    total = parse_volume("0.5 mL") + parse_volume("500 microlitres")
    assert total.to("mL").magnitude == pytest.approx(1.0)


def test_activity_never_becomes_mass() -> None:
    import pint

    with pytest.raises(pint.DimensionalityError):
        parse_quantity("100 units", "activity").to("milligram")


@given(st.integers(1, 10**7))
def test_microlitres_and_millilitres_agree(microlitres: int) -> None:
    assert parse_volume_ml(f"{microlitres} microlitres") == pytest.approx(
        parse_volume_ml(f"{microlitres / 1000:.3f} mL"), abs=1e-9
    )


# Forms to avoid: trailing zero, missing leading zero, number joined to its unit.  ISMP list of
# error-prone abbreviations and Joint Commission "Do Not Use" list.
@pytest.mark.parametrize(
    ("value", "text"),
    [(5.0, "5 mL"), (0.5, "0.5 mL"), (0.1 + 0.2, "0.3 mL"), (100, "100 mL"), (0, "0 mL")],
)
def test_an_amount_to_prepare(value: float, text: str) -> None:
    assert format_amount(value) == text


@given(st.floats(1e-6, 1e6))
def test_no_amount_has_a_form_to_avoid(value: float) -> None:
    text = format_number(value)
    assert re.fullmatch(r"(0|[1-9]\d*)(\.\d*[1-9])?", text)
    assert float(text) == pytest.approx(value, rel=1e-5)


def test_a_measured_result_keeps_the_zeros_that_show_its_precision() -> None:
    # the Joint Commission list excepts measured values from its rule on trailing zeros
    assert format_measured(5.0, 0.042) == "5.000 ± 0.042 mL"
    assert format_measured(4.98312, 0.0421) == "4.983 ± 0.042 mL"
    assert format_measured(20.04, 0.35) == "20.04 ± 0.35 mL"
    assert format_measured(49.9, 12.0) == "50 ± 12 mL"


@given(st.floats(1e-5, 99))
def test_two_digits_of_uncertainty(uncertainty: float) -> None:
    shown = f"{uncertainty:.{decimals_for(uncertainty)}f}"
    assert len(shown.replace(".", "").lstrip("0")) == 2 or uncertainty < 1e-5


def test_a_small_negative_number_is_not_minus_zero() -> None:
    assert fixed(-0.0004, 2) == "0.00"
    assert fixed(-0.0004, 2, sign=True) == "+0.00"
    assert fixed(-0.4, 2, sign=True) == "-0.40"
    assert format_number(-1e-12, 6) != "-0"


def test_a_probability_never_rounds_doubt_away() -> None:
    assert format_probability(0.99999) == "> 99.9 %"
    assert format_probability(0.00001) == "< 0.1 %"
    assert format_probability(0.5) == "50.0 %"
