"""Numerals that grow evenly along the barrel."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drawmark.vision.progression import STANDS_ASIDE, progression


@given(
    step=st.sampled_from([0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0]),
    count=st.integers(3, 12),
    apart=st.floats(1.0, 4.0),
    first=st.floats(-8.0, 8.0),
    backwards=st.booleans(),
    seed=st.integers(0, 2**16),
)
def test_even_numerals_are_found_among_others(
    step: float, count: int, apart: float, first: float, backwards: bool, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    values = step * np.arange(1, count + 1)
    way = -1 if backwards else 1
    x = first + way * apart * np.arange(count)
    # one read as a number that belongs elsewhere, and one far beyond the row that is too small
    others_x, others = (
        np.array([x[0] + 0.4 * apart, x[-1] + way * 30.0]),
        np.array([values[-1], 0.05]),
    )
    order = rng.permutation(count + 2)
    sure = np.append(np.full(count, 0.9), [0.6, 0.6])[order]
    found = progression(np.append(x, others_x)[order], np.append(values, others)[order], sure)
    assert found is not None
    assert np.sort(found.values_ml) == pytest.approx(values)
    assert found.numbered_ml == pytest.approx(step)
    assert found.radii_per_ml == pytest.approx(apart / step)
    assert found.place(values) == pytest.approx(x)


def test_two_numerals_are_no_progression() -> None:
    assert progression(np.array([0.0, 3.0]), np.array([1.0, 2.0]), np.ones(2)) is None


def test_a_value_counts_once_and_the_surest_is_taken() -> None:
    x = np.array([0.0, 2.0, 4.0, 4.0 + STANDS_ASIDE / 2])
    found = progression(x, np.array([1.0, 2.0, 3.0, 3.0]), np.array([0.9, 0.9, 0.6, 0.95]))
    assert found is not None
    assert found.x.tolist() == [0.0, 2.0, x[3]]
    assert found.sure == pytest.approx(2.75)


def test_numerals_in_disorder_are_none() -> None:
    x = np.array([0.0, 2.0, 4.0, 6.0])
    assert progression(x, np.array([3.0, 1.0, 10.0, 2.0]), np.ones(4)) is None
