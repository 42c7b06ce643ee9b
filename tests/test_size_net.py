"""The net that tells a barrel's width in mm from what is about its nozzle, on the samples."""

from __future__ import annotations

import json

import numpy as np
import pytest
from spoilt_photographs import SAMPLES, barrel_of, sample

from drawmark.vision.ends_net import end_patches
from drawmark.vision.size_net import RADII_MM, WINDOW, WRONG, at_radius, size_net

NAMES = sorted(
    p.stem for p in SAMPLES.glob("*.json") if json.loads(p.read_text("utf-8")).get("readable")
)
TENFOLD = 10 ** (1 / 3)  # in volume; barrels of one shape are wider by its cube root


def at_zero_line(name: str) -> np.ndarray:
    """Log-likelihoods of the outer radii in sample *name*."""
    gray, cylinder, _ = barrel_of(name)
    patches, seen = end_patches(
        gray, lambda p: (p[..., 0], p[..., 1]), cylinder, np.zeros(1), np.array([-1]), WINDOW
    )
    return np.asarray(size_net().log_likelihoods(patches, seen)[0])


@pytest.mark.parametrize("name", NAMES)
def test_a_barrel_of_tenfold_volume_is_less_likely(name: str) -> None:
    found, radius = at_zero_line(name), sample(name)[1]["outer_diameter_mm"] / 2
    assert at_radius(found, radius) > at_radius(found, radius * TENFOLD)
    assert at_radius(found, radius) > at_radius(found, radius / TENFOLD)


def test_most_widths_are_told_to_a_fifth() -> None:
    told = np.array([RADII_MM[at_zero_line(name).argmax()] for name in NAMES])
    true = np.array([sample(name)[1]["outer_diameter_mm"] / 2 for name in NAMES])
    assert np.mean(np.abs(np.log(told / true)) < 0.2) >= 0.8


def test_no_answer_counts_for_more_than_it_may() -> None:
    found = np.concatenate([at_zero_line(name) for name in NAMES[:4]])
    assert found.min() >= np.log(WRONG)
    assert found.max() <= np.log((1 - WRONG) * len(RADII_MM) + WRONG)


def test_what_lies_outside_the_picture_tells_nothing() -> None:
    patches = np.zeros((2, WINDOW.rows, WINDOW.columns), np.float32)
    found = size_net().log_likelihoods(patches, np.array([0.2, 1.0]))
    assert not found[0].any()
    assert found[1].any()
    assert size_net().log_likelihoods(patches[:0], np.zeros(0)).shape == (0, len(RADII_MM))


def test_between_the_radii_that_are_told_apart_it_goes_straight() -> None:
    steps = np.arange(len(RADII_MM), dtype=float)
    middle = float(np.sqrt(RADII_MM[3] * RADII_MM[4]))
    assert at_radius(steps, middle) == pytest.approx(3.5)
    assert at_radius(steps, 1.0) == 0.0
