"""The net that finds the stopper's front ring: shapes, symmetry, and photographs with truth."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
from scipy.optimize import least_squares

from drawmark.vision.cylinder import Camera, Cylinder
from drawmark.vision.finder_net import (
    COLUMNS_PER_RADIUS,
    MARGIN_BEFORE_ZERO,
    MARGIN_PAST_END,
    ROWS,
    StopperNet,
    column_positions,
    finder_strip,
    stopper_net,
)

SAMPLES = Path(__file__).parents[1] / "sample_images"
#: Photographs in the repository with a stopper of each sort; their .json files are the truth.
NAMES = (
    "five-ml-black-stopper-air-pocket",
    "five-ml-blue-stopper-yellow-liquid",
    "one-ml-black-stopper-white-card",
    "ten-ml-grey-stopper-blue-card",
)


def _posed(truth: dict) -> tuple[Cylinder, float, float]:
    """Cylinder, x of the zero line and x per mm that put the truth points where they are."""
    points, cam = truth["points"], truth["camera"]
    start, end = np.array(points["zero_axis"]), np.array(points["grad_max_axis"])
    last_mm = max(t["x_mm"] for t in truth["ticks"])
    per_mm = 2 / truth["outer_diameter_mm"]
    radius = truth["px_per_mm"] / per_mm
    facing = [t for t in truth["ticks"] if t["facing"]]
    mids = np.array([t["mid"] for t in facing])
    ticks = np.array([t["x_mm"] for t in facing])
    camera = Camera(cam["focal_px"], (truth["width"] - 1) / 2, (truth["height"] - 1) / 2, cam["k1"])
    angle = np.arctan2(*(end - start)[::-1])

    def made(p: np.ndarray) -> Cylinder:
        anchor = tuple((start + end) / 2)
        return Cylinder(camera, anchor, angle + p[0], p[1], p[2], radius * np.exp(p[3]))

    def miss(p: np.ndarray) -> np.ndarray:
        c = made(p)
        axis = c.project(p[4] + per_mm * np.array([0, last_mm]), 0.0, 0.0) - [start, end]
        along = (c.surface(mids)[0] - p[4] - per_mm * ticks) * radius
        return np.r_[axis.ravel(), np.clip(np.nan_to_num(along, nan=99), -99, 99)]

    fits = [
        least_squares(
            miss, [0, 0, tilt, 0, -last_mm * per_mm / 2], x_scale=[0.01, 1, 0.05, 0.05, 0.1]
        )
        for tilt in (-0.15, 0.0, 0.15)
    ]
    best = min(fits, key=lambda f: f.cost)
    assert np.sqrt(np.mean(best.fun**2)) < 1, "the truth does not fit a cylinder"
    return made(best.x), best.x[4], per_mm


@pytest.fixture(scope="module", params=NAMES)
def seen(request: pytest.FixtureRequest) -> tuple[dict, np.ndarray, float, float]:
    """Truth, strip, and columns of its zero line and of the true fiducial line."""
    truth = json.loads((SAMPLES / f"{request.param}.json").read_text())
    bgr = cv2.imread(str(SAMPLES / f"{request.param}.jpg"))
    cylinder, zero, per_mm = _posed(truth)
    last = zero + per_mm * max(t["x_mm"] for t in truth["ticks"])
    strip = finder_strip(bgr, cylinder, zero - MARGIN_BEFORE_ZERO, last + MARGIN_PAST_END)
    at_zero = MARGIN_BEFORE_ZERO * COLUMNS_PER_RADIUS
    line = at_zero + truth["fiducial_x_mm"] * per_mm * COLUMNS_PER_RADIUS
    return truth, strip, at_zero, line


def test_front_ring_is_found(seen) -> None:
    _, strip, _, line = seen
    found = stopper_net().look(strip)
    probs = np.exp(found.fiducial_log_probs)
    assert abs(int(probs.argmax()) - line) < 0.12 * COLUMNS_PER_RADIUS
    near = np.abs(np.arange(len(probs)) - line) < 0.15 * COLUMNS_PER_RADIUS
    assert probs[near].sum() > 0.5


def test_air_is_seen_where_it_is(seen) -> None:
    truth, strip, zero, line = seen
    pocket, bubbles = stopper_net().look(strip).air_fraction[:, int(zero) + 1 : int(line)]
    air = np.where(pocket > 0.5, 1, bubbles)
    bore_ml_per_column = (
        np.pi * (truth["inner_diameter_mm"] / 2) ** 2
        * truth["outer_diameter_mm"] / 2 / COLUMNS_PER_RADIUS / 1000
    )  # fmt: skip
    found_ml = float(air.sum() * bore_ml_per_column)
    assert found_ml == pytest.approx(truth["air_volume_ml"], abs=0.02 * truth["nominal_ml"])


def test_probabilities_add_up(seen) -> None:
    found = stopper_net().look(seen[1])
    total = float(np.exp(found.fiducial_log_probs.astype(float)).sum())
    assert total + found.absent == pytest.approx(1, abs=1e-3)
    assert ((found.air_fraction >= 0) & (found.air_fraction <= 1)).all()


def test_moves_with_the_strip(seen) -> None:
    _, strip, _, _ = seen
    cut = 9
    whole = stopper_net().look(strip).fiducial_log_probs
    short = stopper_net().look(np.ascontiguousarray(strip[:, cut:])).fiducial_log_probs
    assert abs(int(short.argmax()) + cut - int(whole.argmax())) <= 1


def test_does_not_mind_which_side_is_up(seen) -> None:
    _, strip, _, line = seen
    straight = stopper_net().look(strip)
    turned = stopper_net().look(np.ascontiguousarray(strip[::-1]))
    assert abs(int(turned.fiducial_log_probs.argmax()) - line) < 0.12 * COLUMNS_PER_RADIUS
    np.testing.assert_allclose(turned.fiducial_log_probs, straight.fiducial_log_probs, atol=1e-3)
    np.testing.assert_allclose(turned.air_fraction, straight.air_fraction, atol=1e-3)


def test_other_column_pitch(seen) -> None:
    _, strip, _, line = seen
    wide = cv2.resize(strip, (strip.shape[1] * 2, ROWS))
    found = stopper_net().look(wide, columns_per_radius=2 * COLUMNS_PER_RADIUS)
    assert len(found.fiducial_log_probs) == found.air_fraction.shape[1] == wide.shape[1]
    assert abs(int(found.fiducial_log_probs.argmax()) / 2 - line) < 0.15 * COLUMNS_PER_RADIUS
    assert np.exp(found.fiducial_log_probs).sum() + found.absent == pytest.approx(1, abs=0.1)


def test_no_barrel_no_line() -> None:
    flat = np.full((ROWS, 260, 3), 180, np.uint8)
    flat += np.random.default_rng(3).integers(0, 12, flat.shape, dtype=np.uint8)
    found = stopper_net().look(flat)
    probs = np.exp(found.fiducial_log_probs)
    assert np.convolve(probs, np.ones(5)).max() < 0.5


def test_strip_is_the_surface() -> None:
    """A mark drawn at a known place on the surface lands in its column and row."""
    camera = Camera(1500.0, 399.5, 299.5)
    cylinder = Cylinder(camera, (400.0, 300.0), 0.2, 3.0, 0.1, 60.0)
    bgr = np.full((600, 800, 3), 255, np.uint8)
    centre = cylinder.project(np.array(1.5), 0.4)
    cv2.circle(bgr, tuple(round(v * 16) for v in centre), 5 * 16, (0, 0, 0), -1, shift=4)
    strip = finder_strip(bgr, cylinder, -3.0, 3.0)
    assert strip.shape == (ROWS, len(column_positions(-3.0, 3.0)), 3)
    rows, columns = np.nonzero(strip[..., 0] < 128)
    assert column_positions(-3.0, 3.0)[columns].mean() == pytest.approx(1.5, abs=0.03)
    phi = np.linspace(-88, 88, ROWS)[rows].mean()
    assert phi == pytest.approx(np.degrees(0.4), abs=3)
    back = finder_strip(bgr, cylinder, -3.0, 3.0, reverse=True)
    assert np.array_equal(back[:, ::-1], strip)


def test_bad_input() -> None:
    net = StopperNet()
    with pytest.raises(ValueError, match="radii long"):
        net.look(np.zeros((ROWS, 40, 3), np.uint8))
    with pytest.raises(ValueError, match=r"\(H, W, 3\)"):
        net.look(np.zeros((ROWS, 100), np.uint8))
    camera = Camera(1500.0, 399.5, 299.5)
    cylinder = Cylinder(camera, (400.0, 300.0), 0.0, 0.0, 0.0, 60.0)
    with pytest.raises(ValueError, match="greater"):
        finder_strip(np.zeros((600, 800, 3), np.uint8), cylinder, 2.0, 1.0)
