"""What the finder says of air, made into what a syringe can hold."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drawmark.vision.contents import FULL_SHARE, SHOULDER, air_columns

PER_RADIUS = 48.0


def columns(n: int, *stretches: tuple[int, int, float], bubbles: float = 0.0) -> np.ndarray:
    """*n* columns of liquid with stretches (from, to, probability) of a pocket, or of bubbles."""
    told = np.full((2, n), 0.001)
    told[1] = 0
    for a, b, share in stretches:
        told[1 if bubbles else 0, a:b] = bubbles or share
    return told


def test_an_empty_barrel_is_all_air_though_numerals_hide_some_of_it() -> None:
    told = columns(400, (0, 400, 0.999), (120, 150, 0.2))
    air, doubtful = air_columns(told, PER_RADIUS)
    assert air.sum() == 400
    assert doubtful < 8


@given(st.integers(8, 300))
def test_a_pocket_ends_where_its_surface_is(end: int) -> None:
    air, doubtful = air_columns(columns(400, (0, end, 0.998)), PER_RADIUS)
    assert air.sum() == pytest.approx(end, abs=0.5)
    assert doubtful < 0.1 * end + 0.3 * PER_RADIUS  # a short one's being there is in doubt


def test_a_pocket_no_longer_than_the_shoulder_is_none() -> None:
    short = int(SHOULDER * PER_RADIUS)
    assert air_columns(columns(400, (0, short, 0.98)), PER_RADIUS)[0].sum() == 0
    assert air_columns(columns(400, (0, short + 1, 0.98)), PER_RADIUS)[0].sum() == short + 1


def test_a_bubble_counts_by_its_share_of_the_section() -> None:
    air, doubtful = air_columns(columns(400, (160, 220, 1), bubbles=0.08), PER_RADIUS)
    assert air.sum() == pytest.approx(60 * 0.08)
    assert 0 < doubtful < air.sum()


def test_a_long_bubble_is_not_thin_so_that_a_thin_one_is_doubt_alone() -> None:
    long = int(1.5 * PER_RADIUS)
    sure = air_columns(columns(400), PER_RADIUS)[1]
    air, doubtful = air_columns(columns(400, (160, 160 + long, 1), bubbles=0.06), PER_RADIUS)
    assert air.sum() == 0
    assert 2 * doubtful > long * 0.06 > 2 * sure
    short = long // 2
    air, _ = air_columns(columns(400, (160, 160 + short, 1), bubbles=0.06), PER_RADIUS)
    assert air.sum() == pytest.approx(short * 0.06)
    air, _ = air_columns(columns(400, (160, 160 + long, 1), bubbles=0.15), PER_RADIUS)
    assert air.sum() == pytest.approx(long * 0.15)


def test_bubbles_are_not_counted_again_within_a_pocket() -> None:
    told = columns(400, (0, 200, 0.98))
    told[1, 100:300] = 0.1
    assert air_columns(told, PER_RADIUS)[0].sum() == pytest.approx(200 + 100 * 0.1)


def test_what_is_neither_full_nor_empty_is_in_doubt_between_both() -> None:
    n = 300
    air, doubtful = air_columns(columns(n, (0, n, 0.5)), PER_RADIUS)
    low, high = air.sum() - 2 * doubtful, air.sum() + 2 * doubtful
    assert low <= 0
    assert high >= FULL_SHARE * n


@pytest.mark.parametrize("share", [0.03, 0.1, 0.9, 0.97])
def test_a_net_that_is_nowhere_sure_may_be_wrong_altogether(share: float) -> None:
    n = 300
    air, doubtful = air_columns(columns(n, (0, n, share)), PER_RADIUS)
    assert air.sum() in (0, n)
    assert 2 * doubtful >= n  # the other one is within its interval
    sure = 0.998 if share > 0.5 else 0.002
    air, doubtful = air_columns(columns(n, (0, n, sure)), PER_RADIUS)
    assert air.sum() in (0, n)
    assert 2 * doubtful < 0.1 * n


def test_air_that_hangs_in_the_liquid_is_doubt() -> None:
    sure = air_columns(columns(400), PER_RADIUS)[1]
    air, doubtful = air_columns(columns(400, (200, 320, 0.95)), PER_RADIUS)
    assert air.sum() == 0
    assert doubtful > sure


def test_liquid_holds_no_air_and_no_columns_none() -> None:
    air, doubtful = air_columns(columns(300), PER_RADIUS)
    assert air.sum() == 0
    assert doubtful < 0.2 * PER_RADIUS
    air, doubtful = air_columns(np.zeros((2, 0)), PER_RADIUS)
    assert len(air) == 0
    assert doubtful == 0


@given(st.lists(st.tuples(st.floats(0, 1), st.floats(0, 1)), min_size=1, max_size=150))
def test_never_more_air_than_there_is_room(told: list[tuple[float, float]]) -> None:
    air, doubtful = air_columns(np.array(told).T, PER_RADIUS)
    assert 0 <= air.sum() <= len(told)
    assert 0 <= doubtful <= len(told)
