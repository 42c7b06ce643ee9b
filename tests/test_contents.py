"""What the finder says of air, made into what a syringe can hold."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drawmark.vision.contents import FULL_SHARE, SHOULDER, STRAY_SHARE, air_columns

PER_RADIUS = 24.0


def columns(n: int, *stretches: tuple[int, int, float]) -> np.ndarray:
    """*n* columns of liquid with stretches (from, to, share) of air."""
    p = np.full(n, 0.001)
    for a, b, share in stretches:
        p[a:b] = share
    return p


def test_an_empty_barrel_is_all_air_though_numerals_hide_some_of_it() -> None:
    p = columns(200, (0, 200, 0.99), (60, 75, 0.2))
    air, doubtful = air_columns(p, PER_RADIUS)
    assert air.sum() == 200
    assert doubtful == 0


@given(st.integers(15, 120))
def test_a_pocket_ends_where_its_surface_is(end: int) -> None:
    air, doubtful = air_columns(columns(200, (0, end, 0.97)), PER_RADIUS)
    assert air.sum() == pytest.approx(end, abs=0.5)
    assert doubtful < 1


def test_a_pocket_no_longer_than_the_shoulder_is_in_doubt() -> None:
    short = int(SHOULDER * PER_RADIUS) - 2
    air, doubtful = air_columns(columns(200, (0, short, 0.98)), PER_RADIUS)
    assert air.sum() == 0
    assert 2 * doubtful >= short


def test_a_bubble_counts_by_its_share_of_the_section() -> None:
    air, _ = air_columns(columns(200, (80, 110, 0.08)), PER_RADIUS)
    assert air.sum() == pytest.approx(30 * 0.08)


def test_what_is_neither_full_nor_empty_is_in_doubt_between_both() -> None:
    n = 200
    some = int((STRAY_SHARE + 0.15) * n)
    air, doubtful = air_columns(columns(n, (90, 90 + some, 0.95)), PER_RADIUS)
    low, high = air.sum() - 2 * doubtful, air.sum() + 2 * doubtful
    assert low <= 0
    assert high >= FULL_SHARE * n


def test_liquid_holds_no_air_and_no_columns_none() -> None:
    air, doubtful = air_columns(columns(150), PER_RADIUS)
    assert air.sum() == 0
    assert doubtful == 0
    air, doubtful = air_columns(np.zeros(0), PER_RADIUS)
    assert len(air) == 0
    assert doubtful == 0


@given(st.lists(st.floats(0, 1), min_size=1, max_size=150))
def test_never_more_air_than_there_is_room(shares: list[float]) -> None:
    air, doubtful = air_columns(np.array(shares), PER_RADIUS)
    assert 0 <= air.sum() <= len(shares)
    assert 0 <= doubtful <= len(shares)
