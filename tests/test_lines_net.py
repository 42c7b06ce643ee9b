"""The net that paints graduation lines, on the sample photographs and on plain pictures."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
from spoilt_photographs import SAMPLES, across, axis_of, sample

from drawmark.vision.graduations import graduation_lines
from drawmark.vision.lines_net import HALF_HEIGHT, ROWS, WINDOWS, line_net, normalise
from drawmark.vision.strip import Strip, cut_strip, line_strength

NAMES = sorted(
    p.stem for p in Path(SAMPLES).glob("*.json") if json.loads(p.read_text("utf-8")).get("readable")
)


def strip_of(name: str) -> tuple[Strip, np.ndarray, np.ndarray, float]:
    """Strip along the barrel; columns and rows of places on its lines; the radius in px.

    The place is near the line's end that is nearer to the axis: a numeral may stand in its middle.
    """
    bgr, truth = sample(name)
    zero, along, per_mm, radius = axis_of(truth)
    length = max(t["x_mm"] for t in truth["ticks"]) * per_mm
    gray = bgr.mean(axis=2).astype(np.float32)
    angle = float(np.arctan2(along[1], along[0]))
    strip = cut_strip(
        gray, zero + along * length / 2, angle, length / 2 + 3 * radius, HALF_HEIGHT * radius
    )
    facing = [t for t in truth["ticks"] if t["facing"]]
    ends = np.array([t["ends"] for t in facing]) - 0.5
    aside = np.abs((ends - zero) @ across(along)).mean(0)
    near, far = ends[:, int(aside.argmin())], ends[:, int(aside.argmax())]
    columns, rows = strip.columns_rows(near + 0.12 * (far - near))
    return strip, columns, rows, radius


def about(picture: np.ndarray, columns: np.ndarray, rows: np.ndarray, reach: int) -> np.ndarray:
    """Largest of *picture* within *reach* columns of each place."""
    i = np.clip(np.round(rows).astype(int), 0, picture.shape[0] - 1)
    j = np.round(columns).astype(int)
    around = j[:, None] + np.arange(-reach, reach + 1)
    return np.asarray(picture[i[:, None], np.clip(around, 0, picture.shape[1] - 1)].max(1))


@pytest.mark.parametrize("name", NAMES)
def test_lines_are_painted_where_they_are(name: str) -> None:
    strip, columns, rows, radius = strip_of(name)
    painted = line_net().paint(strip.gray, radius)
    assert painted.shape == strip.gray.shape
    assert painted.min() >= 0
    assert painted.max() <= 1
    on = about(painted, columns, rows, 1)
    low, high = columns.min() - 1.2 * radius, columns.max() + 1.2 * radius
    beyond = [about(painted, np.full(len(rows), x), rows, 1) for x in (low, high)]
    assert np.median(on) > 0.5
    assert np.median(beyond) < 0.3 * np.median(on)


def test_most_samples_have_their_lines_painted() -> None:
    share = []
    for name in NAMES:
        strip, columns, rows, radius = strip_of(name)
        painted = line_net().paint(strip.gray, radius)
        share.append(float(np.mean(about(painted, columns, rows, 1) > 0.3)))
    assert np.median(share) > 0.9


def test_a_plain_card_has_no_lines() -> None:
    rng = np.random.default_rng(3)
    gray = np.full((100, 900), 180, np.float32) + rng.normal(0, 2, (100, 900)).astype(np.float32)
    painted = line_net().paint(gray, 40.0)
    assert painted.max() < 0.3
    assert painted.mean() < 0.02


def test_lines_keep_their_strength_and_grain_loses_it() -> None:
    rng = np.random.default_rng(4)
    gray = np.full((100, 900), 190, np.float32) + rng.normal(0, 2, (100, 900)).astype(np.float32)
    gray[:, 500:] = cv2.GaussianBlur(rng.normal(190, 60, (100, 400)).astype(np.float32), (0, 0), 1)
    lines = np.arange(60, 450, 14)
    for k, x in enumerate(lines):
        gray[20 : (62 if k % 5 == 0 else 45), x : x + 2] = 40
    strip = Strip(gray, np.array([[1.0, 0, 0], [0, 1, 0]]), np.ones(gray.shape, bool))
    measured = line_strength(gray)
    kept = graduation_lines(strip, measured, 40.0)
    on = np.zeros(gray.shape, bool)
    on[22:43, lines] = True
    grain = (measured > 0.5) & (np.arange(900) > 560)
    assert grain.sum() > 500
    assert np.median(kept[on] / measured[on]) > 0.9
    assert np.median(kept[grain] / measured[grain]) < 0.5


def test_evened_out_over_both_windows() -> None:
    """By hand: less the mean about a pixel, by the root of the mean square of what is left."""
    rng = np.random.default_rng(5)
    gray = rng.uniform(0, 255, (ROWS, 120)).astype(np.float32)
    out = normalise(gray)
    assert out.shape == (2, ROWS, 120)
    for channel, (wide, tall) in zip(out, WINDOWS, strict=True):
        padded = np.pad(gray, ((tall // 2,) * 2, (wide // 2,) * 2), mode="reflect")
        windows = np.lib.stride_tricks.sliding_window_view(padded, (tall, wide))
        high = gray - windows.mean((2, 3))
        square = np.pad(high * high, ((tall // 2,) * 2, (wide // 2,) * 2), mode="reflect")
        spread = np.lib.stride_tricks.sliding_window_view(square, (tall, wide)).mean((2, 3))
        assert channel == pytest.approx(high / (np.sqrt(spread) + 2), abs=2e-3)
