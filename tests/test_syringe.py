"""Permitted errors of ISO 7886-1 and the conventions of a scale."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drawmark.calc.syringe import (
    SIZE_BANDS,
    Syringe,
    capacity_standard_uncertainty_ml,
    capacity_tolerance_ml,
    nominal_capacity_ml,
    size_band,
)

# ISO 7886-1:1993, table 1.  The first four rows rest on a public worked example (Surgical
# Materials Testing Laboratory, 2016: 4 mL from a 10 mL syringe, and the rule for 1 mL); the
# others apply the table's coefficients as remembered, not yet checked against the standard.
TABLE_1 = [
    (10, 4, 0.19),
    (1, 0.25, 0.02),
    (1, 0.5, 0.025),
    (1, 0.05, 0.016),
    (2, 0.5, 0.04),
    (3, 1, 0.065),
    (5, 2, 0.095),
    (5, 2.5, 0.1),
    (10, 5, 0.2),
    (10, 10, 0.4),
    (20, 8, 0.38),
    (20, 10, 0.4),
    (50, 20, 0.95),
    (50, 25, 1.0),
    (50, 50, 2.0),
]


@pytest.mark.parametrize(("capacity", "volume", "tolerance"), TABLE_1)
def test_permitted_error_of_table_1(capacity: float, volume: float, tolerance: float) -> None:
    assert capacity_tolerance_ml(capacity, volume) == pytest.approx(tolerance, abs=1e-9)


@pytest.mark.parametrize("capacity", [1, 2, 3, 5, 10, 20, 50])
def test_either_side_of_half_capacity_uses_its_own_rule(capacity: float) -> None:
    # The two rules meet at half capacity, so only the slopes beside it tell them apart.
    half, step = capacity / 2, capacity / 100
    band = size_band(capacity)
    at_half = capacity_tolerance_ml(capacity, half)
    below = (at_half - capacity_tolerance_ml(capacity, half - step)) / step
    above = (capacity_tolerance_ml(capacity, half + step) - at_half) / step
    assert below == pytest.approx(band.lower_slope)
    assert above == pytest.approx(band.upper_slope)
    assert above > below


@pytest.mark.parametrize(
    ("capacity", "dead_space"),
    # ISO 7886-1:1993, table 1, largest dead space; from memory of the table
    [(1, 0.07), (2, 0.07), (4.9, 0.07), (5, 0.075), (10, 0.10), (20, 0.15), (30, 0.17), (50, 0.2)],
)
def test_the_row_begins_at_its_lower_capacity(capacity: float, dead_space: float) -> None:
    assert size_band(capacity).dead_space_ml == dead_space


def test_rows_are_in_order_and_cover_every_capacity() -> None:
    edges = [band.below_ml for band in SIZE_BANDS]
    assert edges == sorted(edges)
    assert math.isinf(edges[-1])


@given(st.floats(0.1, 100), st.floats(0, 1))
def test_permitted_error_grows_with_volume(capacity: float, share: float) -> None:
    less = capacity_tolerance_ml(capacity, share * capacity * 0.9)
    more = capacity_tolerance_ml(capacity, share * capacity)
    assert 0 < less <= more * (1 + 1e-12)


def test_rectangular_density_between_the_limits() -> None:
    # JCGM 100, 4.3.7: half-width over the root of 3
    assert capacity_standard_uncertainty_ml(10, 4) == pytest.approx(0.19 / math.sqrt(3))


@pytest.mark.parametrize(
    ("last_line", "nominal"),
    # common practice, no source
    [(12, 10), (6, 5), (24, 20), (60, 50), (1, 1), (2.5, 2.5), (3, 3), (10, 10), (50, 50)],
)
def test_scale_that_runs_past_the_nominal_capacity(last_line: float, nominal: float) -> None:
    assert nominal_capacity_ml(last_line) == nominal


@pytest.mark.parametrize("bad", [0, -1, math.nan, math.inf])
def test_a_capacity_that_is_none_is_refused(bad: float) -> None:
    with pytest.raises(ValueError, match="capacity_ml"):
        size_band(bad)
    with pytest.raises(ValueError, match="capacity_ml"):
        Syringe(bad, 10, 0.5)


def test_an_interval_longer_than_the_scale_is_refused() -> None:
    with pytest.raises(ValueError, match="interval_ml"):
        Syringe(10, 10, 20)


def test_a_syringe_knows_its_own_permitted_error() -> None:
    assert Syringe(10, 12, 0.5).capacity_tolerance_ml(4) == pytest.approx(0.19)
