"""What lies across the barrel is told from a ring: its edge goes on beside the barrel."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from drawmark.vision.cover import lies_across
from drawmark.vision.cylinder import Camera, Cylinder

WIDE, TALL, RADIUS = 900, 500, 60.0
BARREL = Cylinder(Camera(1500.0, WIDE / 2, TALL / 2), (WIDE / 2, TALL / 2), 0.0, 0.0, 0.0, RADIUS)
AT = 480  # column of the edge
X = float(BARREL.surface(np.array([[AT, TALL / 2]], float))[0][0])


def desk(seed: int = 1, grain: float = 4.0) -> np.ndarray:
    """A barrel with a stopper from AT on, on a grainy card that is darker to one side."""
    picture = np.full((TALL, WIDE, 3), 190.0) + np.linspace(-15, 15, WIDE)[None, :, None]
    top, bottom = int(TALL / 2 - RADIUS), int(TALL / 2 + RADIUS)
    picture[top:bottom] += 12
    picture[top:bottom, AT:] = 60
    noise = np.random.default_rng(seed).normal(0, grain, picture.shape)
    return np.clip(picture + noise, 0, 255).astype(np.uint8)


def covered(reach_up: float, reach_down: float, level: int = 225, grain: float = 4.0) -> np.ndarray:
    """Paper lies from AT on, so many radii to each side of the axis."""
    picture = desk(grain=grain)
    first, last = (round(TALL / 2 + r * RADIUS) for r in (-reach_up, reach_down))
    cv2.rectangle(picture, (AT, first), (AT + 200, last), (level, level, level), -1)
    return picture


def test_a_ring_ends_at_the_barrel() -> None:
    assert not lies_across(desk(), BARREL, X)


@pytest.mark.parametrize("level", [225, 160, 30])
def test_paper_goes_on_beside_it(level: int) -> None:
    assert lies_across(covered(1.8, 1.8, level), BARREL, X)


def test_what_lies_on_one_side_only_is_clutter() -> None:
    """A pen or a coin beside the barrel ends where it likes."""
    assert not lies_across(covered(-1.05, 1.8), BARREL, X)


def test_an_edge_further_off_does_not_count() -> None:
    assert not lies_across(covered(1.8, 1.8), BARREL, X - 0.5)


def test_coarse_grain_is_no_paper() -> None:
    """In it there are steps on both sides everywhere; those of paper stand out all the same."""
    assert not any(lies_across(desk(seed, grain=70.0), BARREL, X) for seed in range(20))
    assert lies_across(covered(1.8, 1.8, 10, grain=70.0), BARREL, X)
