"""The net that tells the nozzle's end of a scale from the flange's, on the sample photographs."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from spoilt_photographs import SAMPLES, barrel_of

from drawmark.vision.ends_net import (
    COLUMNS,
    FLANGE,
    FLOOR,
    NOZZLE,
    ROWS,
    SHARES,
    _seen,
    end_patches,
    ends_net,
    normalise,
)

NAMES = sorted(
    p.stem for p in Path(SAMPLES).glob("*.json") if json.loads(p.read_text("utf-8")).get("readable")
)


def odds(name: str, x: list[float], outward: list[int]) -> np.ndarray:
    gray, cylinder, _ = barrel_of(name)
    patches, seen = end_patches(
        gray, lambda p: (p[..., 0], p[..., 1]), cylinder, np.array(x), np.array(outward)
    )
    return ends_net().log_odds(patches, seen)


def test_there_are_samples() -> None:
    assert len(NAMES) >= 8


@pytest.mark.parametrize("name", NAMES)
def test_nozzle_and_flange_are_told_apart(name: str) -> None:
    _, _, last = barrel_of(name)
    zero_end, far_end = odds(name, [0.0, last], [-1, 1])
    assert zero_end[NOZZLE] + far_end[FLANGE] > 1.0 + zero_end[FLANGE] + far_end[NOZZLE]


@pytest.mark.parametrize("name", NAMES)
def test_the_middle_of_a_barrel_is_no_nozzle_end(name: str) -> None:
    _, _, last = barrel_of(name)
    assert odds(name, [0.4 * last, 0.6 * last], [-1, -1])[:, NOZZLE].max() < 0


def test_the_odds_are_bounded() -> None:
    rng = np.random.default_rng(2)
    patches = rng.uniform(0, 255, (50, ROWS, COLUMNS)).astype(np.float32)
    got = ends_net().log_odds(patches, np.ones(50))
    low, high = np.log(FLOOR / (SHARES[0] + FLOOR)), np.log((1 + FLOOR) / (SHARES[0] + FLOOR))
    assert got.shape == (50, 2)
    assert low - 1e-9 <= got.min()
    assert got.max() <= high + 1e-9


def test_what_is_not_in_the_picture_says_nothing() -> None:
    gray, cylinder, last = barrel_of(NAMES[0])
    patches, seen = end_patches(
        gray, lambda p: (p[..., 0] - 2 * gray.shape[1], p[..., 1]), cylinder, np.array([last]),
        np.array([1]),
    )  # fmt: skip
    assert seen[0] == 0
    assert not ends_net().log_odds(patches, seen).any()


def test_of_a_patch_as_much_is_seen_as_lies_in_the_picture() -> None:
    """Counted point by point; patches in the picture, across an edge or a corner, and outside."""
    rng = np.random.default_rng(5)
    gray, aside = np.zeros((60, 90)), np.linspace(-1.2, 1.2, 48)
    axis = rng.uniform(-30, 110, (2, 40, 1)) + np.linspace(0, 25, 40) * rng.normal(size=(2, 40, 1))
    half = rng.normal(0, 12, (2, 40, 1)) + rng.normal(0, 0.5, (2, 40, 40))
    half[0, :5] = 0.0
    x, y = axis[:, :, None] + aside[:, None] * half[:, :, None]
    counted = ((x >= 0) & (x <= 89) & (y >= 0) & (y <= 59)).mean((1, 2))
    assert 0 < np.sum(counted == 0) < 40
    assert np.any(counted == 1)
    np.testing.assert_allclose(_seen(gray, axis, half, aside), counted, atol=1e-12)


def test_no_patches_no_odds() -> None:
    none = np.zeros((0, ROWS, COLUMNS), np.float32)
    assert ends_net().log_odds(none, np.zeros(0)).shape == (0, 2)


def test_the_level_does_not_matter_and_contrast_hardly() -> None:
    gray, cylinder, last = barrel_of(NAMES[0])
    patches, _ = end_patches(
        gray, lambda p: (p[..., 0], p[..., 1]), cylinder, np.array([0.0, last]), np.array([-1, 1])
    )
    np.testing.assert_allclose(normalise(40 + patches), normalise(patches), atol=1e-4)
    np.testing.assert_allclose(normalise(2 * patches), normalise(patches), rtol=0.2, atol=0.01)
