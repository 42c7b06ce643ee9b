"""Which lines are there, which are long, and where they end."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from drawmark.vision.line_witness import (
    LINE_MISSING,
    _core,
    _ends_missing,
    _long_lines,
    _nearest,
    solid_ends,
)


def test_solid_ends_bridge_a_stopper_and_drop_lone_finds() -> None:
    lines = np.zeros(80)
    lines[20:61] = 0.9
    lines[35:43] = 0.05  # the stopper
    lines[3] = lines[75] = 1.0  # shoulder and flange
    first, last = solid_ends(lines, hidden=12)
    assert first in (20, 21)
    assert last in (59, 60)


def test_solid_ends_leave_a_group_that_is_further_than_a_stopper() -> None:
    lines = np.zeros(90)
    lines[10:50] = 0.9
    lines[75:85] = 0.9  # print of another kind
    first, last = solid_ends(lines, hidden=12)
    assert first in (10, 11)
    assert last in (48, 49)


def test_solid_ends_of_few_lines_do_not_fail() -> None:
    lines = np.zeros(30)
    lines[[4, 14, 24]] = 0.8
    assert solid_ends(lines, hidden=12) == (4, 24)


def test_solid_ends_bridge_a_stopper_with_ragged_edges() -> None:
    """Beside a stopper a line has neighbours on one side only, and cone and rod hide more."""
    lines = np.zeros(60)
    lines[10:35] = 0.9
    lines[[15, 22]] = 0.4  # a cone's edge, a meniscus
    lines[17:22] = 0.1
    first, last = solid_ends(lines, hidden=6)
    assert first in (10, 11)
    assert last in (33, 34)


def test_the_core_is_the_dense_stretch_whatever_lies_about() -> None:
    """A comb of 25 lines; beyond it chance finds of like strength, one in four, to both sides."""
    rng = np.random.default_rng(7)
    strength = rng.uniform(0, 0.05, 150)
    strength[::4] += rng.uniform(0, 0.5, 38)
    strength[60:85] = rng.uniform(0.4, 0.6, 25)
    strength[70:74] = 0.05  # a stopper
    found = _core(strength)
    assert 56 <= found.start <= 61
    assert 84 <= found.stop <= 89


def test_the_core_of_nothing_is_everything() -> None:
    assert _core(np.zeros(30)) == slice(0, 30)


@pytest.mark.parametrize("every", [4, 10, 20])
def test_lines_half_way_between_numbers_may_be_as_long(every: int) -> None:
    """Numbered lines and those half-way are longer: the numbered scale is not refused for it."""
    k = np.arange(8 * every + 1)
    long = k % (every // 2) == 0
    presence = np.stack([np.full(len(k), 0.8), np.where(long, 0.8, 0.0)], axis=1)
    printed = SimpleNamespace(presence=presence)
    seen = np.ones(len(k))

    def evidence(period: int, phase: int) -> float:
        return float(_long_lines(printed, seen, k, period, phase).sum())  # type: ignore[arg-type]

    right = evidence(every, 0)
    assert right > 0
    for phase in range(1, every):
        if phase % (every // 2):
            assert evidence(every, phase) < right - 3
    # a scale with numbers at all of the long lines is likelier by them, not by much
    assert 0 < evidence(every // 2, 0) - right < 1.6 * 8 + 1e-9


def test_missing_ends_count_and_missing_middles_do_not() -> None:
    lines = np.full(40, 0.9)

    def missing(there: np.ndarray) -> float:
        return float(_ends_missing(_nearest(there >= LINE_MISSING), np.array(5), np.array(35)))

    assert missing(lines) == 0.0
    gap = lines.copy()
    gap[15:25] = 0.0
    assert missing(gap) == 0.0
    one, two, five = lines.copy(), lines.copy(), lines.copy()
    one[5] = two[5:7] = five[5:10] = 0.0
    assert 0 > missing(one) > missing(two)
    assert missing(five) == missing(two)
    both = one.copy()
    both[34] = 0.0
    assert missing(both) == pytest.approx(2 * missing(one))
