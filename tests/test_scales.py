"""The scales that could be printed, and how a barrel's shape goes with one."""

from __future__ import annotations

import inspect

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drawmark.vision import scales as scales_module
from drawmark.vision.scales import (
    LEAST_LENGTH_50_MM,
    LEAST_LENGTH_MM,
    MAX_LINES,
    MIN_LINES,
    Scale,
    scales,
    slenderness,
)

#: Table 1 of ISO 7886-1:1993, least length of the scale to the nominal capacity line, mm, by
#: the least capacity of the class, mL.  From memory, not compared with a copy of the standard.
TABLE_1_LENGTH_MM = {1: 57, 2: 27, 5: 36, 10: 44, 20: 52, 30: 67, 50: 75}
#: Table 1 of ISO 7886-1:1993, greatest scale interval, mL.  From memory likewise.
TABLE_1_INTERVAL_ML = {1: 0.05, 2: 0.2, 5: 0.5, 10: 1.0, 20: 2.0, 30: 2.0, 50: 5.0}


def length_radii(capacity_ml: float, length_mm: float, wall_mm: float = 1.0) -> float:
    """Length of a scale in outer radii, from its volume: bore area times length."""
    bore_mm = np.sqrt(capacity_ml * 1000 / (np.pi * length_mm))
    return length_mm / (bore_mm + wall_mm)


def scale(largest_ml: float) -> Scale:
    return Scale(largest_ml, largest_ml / 20, largest_ml / 4)


@pytest.mark.parametrize(("capacity", "length_mm"), TABLE_1_LENGTH_MM.items())
def test_the_least_lengths_are_those_of_the_table(capacity: float, length_mm: float) -> None:
    least = next((mm for below, mm in LEAST_LENGTH_MM if capacity < below), LEAST_LENGTH_50_MM)
    assert least == length_mm


def test_what_comes_from_memory_says_so() -> None:
    source = inspect.getsource(scales_module)
    comment = source[: source.index("LEAST_LENGTH_MM = ")].splitlines()[-4:]
    assert "from memory" in " ".join(comment)
    assert "ISO 7886-1:1993" in " ".join(comment)


@pytest.mark.parametrize(("capacity", "least_mm"), TABLE_1_LENGTH_MM.items())
@pytest.mark.parametrize("stretch", [1.0, 1.3, 1.6, 2.0])
def test_a_barrel_of_the_standard_is_not_penalised(
    capacity: float, least_mm: float, stretch: float
) -> None:
    seen = length_radii(capacity, stretch * least_mm)
    assert slenderness(scale(capacity), seen) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("capacity", [2.0, 2.5, 3.0, 5.0, 6.0, 10.0, 12.0])
@pytest.mark.parametrize("stretch", [1.0, 1.25, 1.5])
def test_reading_a_tenth_of_what_is_there_is_penalised(capacity: float, stretch: float) -> None:
    """A lost decimal point turned round: 10 mL read as 1 mL would need a stubby 1 mL barrel."""
    classes = [c for c in TABLE_1_LENGTH_MM if c <= capacity]
    seen = length_radii(capacity, stretch * TABLE_1_LENGTH_MM[max(classes)])
    assert slenderness(scale(capacity / 10), seen) < -4.0
    assert slenderness(scale(capacity), seen) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("capacity", [0.5, 1.0])
@pytest.mark.parametrize("stretch", [1.15, 1.5])
def test_reading_tenfold_on_a_slender_barrel_is_penalised(capacity: float, stretch: float) -> None:
    """A 1 mL barrel is far too slender for 10 mL: the accident of a lost decimal point."""
    seen = length_radii(capacity, stretch * TABLE_1_LENGTH_MM[1])
    assert slenderness(scale(10 * capacity), seen) < -4.0


@given(st.floats(0.5, 100), st.floats(0.5, 40))
def test_slenderness_never_speaks_for_a_scale(capacity: float, seen: float) -> None:
    """It may object, up to a limit; it is no evidence for one of those that fit."""
    assert -12.0 <= slenderness(scale(capacity), seen) <= 0.0


def test_slenderness_solves_the_cylinder() -> None:
    """A scale just too long or too short is where the length in millimetres says so."""
    low, high = scales_module.LENGTH_SHARE
    for capacity, least in ((5.0, 36.0), (20.0, 52.0)):
        for share, inside in ((low * 1.01, True), (low * 0.95, False), (high * 0.99, True)):
            got = slenderness(scale(capacity), length_radii(capacity, share * least))
            assert (got == 0.0) is inside
        assert slenderness(scale(capacity), length_radii(capacity, 1.05 * high * least)) < 0


def test_all_scales_are_whole() -> None:
    found = list(scales())
    assert len(found) > 100
    assert len(set(found)) == len(found)
    for s in found:
        assert s.intervals * s.interval_ml == pytest.approx(s.largest_ml, rel=1e-9)
        assert s.per_number * s.interval_ml == pytest.approx(s.numbered_ml, rel=1e-9)
        assert MIN_LINES <= s.intervals <= MAX_LINES
        assert 2 <= s.per_number <= 25


@pytest.mark.parametrize(("capacity", "interval"), TABLE_1_INTERVAL_ML.items())
def test_the_coarsest_scales_of_the_standard_are_among_them(
    capacity: float, interval: float
) -> None:
    assert any(s.largest_ml == capacity and s.interval_ml == interval for s in scales())


@pytest.mark.parametrize(
    "printed",
    [
        (1.0, 0.01, 0.1),
        (2.5, 0.1, 0.5),
        (3.0, 0.1, 0.5),
        (5.0, 0.2, 1.0),
        (6.0, 0.2, 1.0),
        (12.0, 0.2, 1.0),
        (10.0, 0.5, 1.0),
        (24.0, 1.0, 5.0),
        (60.0, 1.0, 10.0),
        (50.0, 1.0, 10.0),
    ],
)
def test_usual_scales_are_among_them(printed: tuple[float, float, float]) -> None:
    """Common practice, no source."""
    assert Scale(*printed) in set(scales())


def test_only_scales_that_go_with_what_is_stated() -> None:
    told = list(scales(interval_ml=0.2))
    assert told
    assert {s.interval_ml for s in told} == {0.2}
    # a scale may run past the nominal capacity, and none ends before it
    assert {s.largest_ml for s in scales(10.0)} == {10.0, 12.0}
    assert {s.largest_ml for s in scales(2.0)} == {2.0, 2.5}
    assert {s.largest_ml for s in scales(60.0)} == {60.0}
    both = set(scales(10.0, 0.2))
    assert both == set(scales(10.0)) & set(scales(interval_ml=0.2))
    assert not list(scales(7.0))
