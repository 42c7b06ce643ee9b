"""The net that measures the contact edge: its answer's form, and the peak taken from it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drawmark.vision.edge_net import COLUMNS, COLUMNS_PER_RADIUS, ROWS, edge_net, edge_of

X = np.arange(COLUMNS) / COLUMNS_PER_RADIUS


def bell(place: float, sd: float) -> np.ndarray:
    p = np.exp(-0.5 * ((X - place) / sd) ** 2) + 1e-12
    return p / p.sum()


@given(st.floats(0.3, 2.4), st.floats(0.012, 0.04))
def test_a_bell_is_found_between_columns_with_its_spread(place: float, sd: float) -> None:
    edge = edge_of(bell(place, sd), X)
    assert edge.x == pytest.approx(place, abs=0.004)
    assert edge.spread == pytest.approx(sd, rel=0.12)
    assert edge.mass > 0.99


def test_a_second_bell_takes_mass_and_moves_nothing() -> None:
    alone = edge_of(bell(0.8, 0.02), X)
    two = edge_of(0.6 * bell(0.8, 0.02) + 0.4 * bell(1.6, 0.02), X)
    assert two.x == pytest.approx(alone.x, abs=1e-6)
    assert two.mass == pytest.approx(0.6, abs=0.01)


def test_the_columns_may_run_against_x() -> None:
    p = bell(0.8, 0.02)
    assert edge_of(p[::-1], X[::-1]).x == pytest.approx(edge_of(p, X).x, abs=1e-9)


def test_the_answer_is_a_distribution_and_the_same_turned_over() -> None:
    rng = np.random.default_rng(3)
    strip = rng.integers(0, 255, (ROWS, COLUMNS, 3), dtype=np.uint8)
    slope = np.linspace(-0.1, 0.2, COLUMNS)
    p = edge_net().look(strip, slope)
    assert p.shape == (COLUMNS,)
    assert p.sum() == pytest.approx(1)
    np.testing.assert_allclose(edge_net().look(strip[::-1], slope), p, atol=1e-5)


def test_another_shape_is_a_mistake_of_the_caller() -> None:
    with pytest.raises(ValueError, match="strip must be"):
        edge_net().look(np.zeros((ROWS, 100, 3), np.uint8), np.zeros(100))
