"""Outlines, points on thick lines and lattices too fine, on pictures drawn here."""

from __future__ import annotations

import numpy as np
import pytest

from drawmark.vision.barrel import find_barrels
from drawmark.vision.graduations import find_graduations, look_at
from drawmark.vision.photo import photo_from_pixels

WIDTH, HEIGHT = 1200, 800
MIDDLE_Y, RADIUS = 400.0, 60.0


def drawn(
    pitch: float = 15.0, thickness: int = 3, shadow: bool = False, seed: int = 0
) -> np.ndarray:
    """A barrel along x on a light card: lines at 300, 300 + pitch, ...; every fifth is long."""
    rng = np.random.default_rng(seed)
    picture = np.full((HEIGHT, WIDTH), 205.0)
    y = np.arange(HEIGHT)[:, None] - MIDDLE_Y
    x = np.arange(WIDTH)[None, :]
    inside = (np.abs(y) < RADIUS) & (x > 250) & (x < 1000)
    if shadow:
        beside = (y >= RADIUS) & (y < RADIUS + 40) & (x > 250) & (x < 1000)
        picture -= np.where(beside, 50.0 * np.exp(-np.maximum(y - RADIUS, 0) / 15), 0.0)
    picture[inside] = 190.0
    picture[(np.abs(np.abs(y) - RADIUS) < 1.5) & (x > 250) & (x < 1000)] = 150.0
    picture[(np.abs(y) < 0.93 * RADIUS) & (x > 640) & (x < 700)] = 40.0  # a stopper
    for k in range(41):
        at = round(300 + k * pitch)
        half = thickness // 2
        reach = 40 if k % 5 == 0 else 20
        rows = slice(round(MIDDLE_Y - 20), round(MIDDLE_Y + reach))
        picture[rows, at - half : at - half + thickness] = 30.0
        if k % 5 == 0:  # something like a numeral
            picture[round(MIDDLE_Y - 50) : round(MIDDLE_Y - 28), at - 6 : at + 7 : 3] = 40.0
    return np.clip(picture + rng.normal(0, 2, picture.shape), 0, 255).astype(np.uint8)


@pytest.mark.parametrize("thickness", [1, 5])
def test_thick_lines_are_met_in_their_middle(thickness: int) -> None:
    """The scale must not stand aside of the print by a part of the line's width."""
    photo = photo_from_pixels(np.repeat(drawn(thickness=thickness)[:, :, None], 3, axis=2))
    prospects = [p for b in find_barrels(photo.gray, 3) if (p := look_at(photo, b)) is not None]
    fitted = find_graduations(photo, max(prospects, key=lambda p: p.score))
    assert fitted is not None
    pixels = np.stack([300 + 15.0 * np.arange(0, 41, 5), np.full(9, MIDDLE_Y)], axis=-1)
    k = fitted.lattice.k(fitted.cylinder.surface(pixels)[0])
    assert abs(abs(k[-1] - k[0]) - 40) < 0.12
    off_px = (k - np.round(k)) * 15.0
    assert np.abs(np.mean(off_px)) < 0.3
    assert np.abs(off_px).max() < 1.0
