"""Four ways to state a tolerance."""

from __future__ import annotations

import pytest

from drawmark.calc.quantities import QuantityError
from drawmark.calc.tolerance import Tolerance, parse_tolerance


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("5%", Tolerance("percent", 5)),
        ("2.5 %", Tolerance("percent", 2.5)),
        ("±5 %", Tolerance("percent", 5)),
        ("5 percent", Tolerance("percent", 5)),
        ("0.1 mL", Tolerance("absolute", 0.1)),
        ("100 microlitres", Tolerance("absolute", 0.1)),
        ("1 interval", Tolerance("intervals", 1)),
        ("0.5 scale intervals", Tolerance("intervals", 0.5)),
        ("iso", Tolerance("iso")),
        ("ISO 7886-1", Tolerance("iso")),
    ],
)
def test_as_people_type_it(text: str, expected: Tolerance) -> None:
    assert parse_tolerance(text) == expected


@pytest.mark.parametrize("text", ["5", "", "%", "0%", "-5 %", "0 mL", "5 mg", "tight", "5 %%"])
def test_anything_else_is_refused_with_the_ways_to_write_it(text: str) -> None:
    with pytest.raises(QuantityError, match=r"write '5%', '0\.1 mL', '1 interval' or 'iso'"):
        parse_tolerance(text)


def test_half_width() -> None:
    assert Tolerance("percent", 5).half_width_ml(5) == pytest.approx(0.25)
    assert Tolerance("absolute", 0.1).half_width_ml(5) == 0.1
    assert Tolerance("intervals", 0.5).half_width_ml(5, interval_ml=0.2) == pytest.approx(0.1)
    # ISO 7886-1:1993, table 1; see test_syringe.py for the source
    assert Tolerance("iso").half_width_ml(4, capacity_ml=10) == pytest.approx(0.19)


@pytest.mark.parametrize("kind", ["intervals", "iso"])
def test_what_depends_on_the_syringe_needs_it(kind: str) -> None:
    tolerance = parse_tolerance("iso" if kind == "iso" else "1 interval")
    assert tolerance.needs_syringe
    with pytest.raises(ValueError, match="needed"):
        tolerance.half_width_ml(5)


def test_wrong_calls() -> None:
    with pytest.raises(ValueError, match="above zero"):
        Tolerance("percent", 0)
    with pytest.raises(ValueError, match="target_ml"):
        Tolerance("percent", 5).half_width_ml(0)


def test_in_words() -> None:
    assert str(parse_tolerance("5%")) == "5 % of the target"
    assert str(parse_tolerance("1 interval")) == "1 scale interval"
    assert str(parse_tolerance("2 intervals")) == "2 scale intervals"
    assert str(parse_tolerance("0.1 mL")) == "0.1 mL"
    assert "ISO 7886-1" in str(parse_tolerance("iso"))
