"""Photographs that must be refused, made from the sample photographs by what spoils real ones."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from drawmark.vision.cylinder import Camera, Cylinder
from drawmark.vision.photo import Photo, load_photo

SAMPLES = Path(__file__).resolve().parent.parent / "sample_images"
PAPER = (214, 216, 219)  # blue, green, red of white paper in a photograph


def sample(name: str) -> tuple[np.ndarray, dict[str, Any]]:
    """Pixels as displayed, and truth, of a sample photograph."""
    bgr = cv2.imread(str(SAMPLES / f"{name}.jpg"), cv2.IMREAD_COLOR)
    assert bgr is not None
    return bgr, json.loads((SAMPLES / f"{name}.json").read_text(encoding="utf-8"))


def photo_of(name: str) -> Photo:
    """A sample photograph as the reader decodes it."""
    photo = load_photo(SAMPLES / f"{name}.jpg")
    assert isinstance(photo, Photo)
    return photo


def axis_of(truth: dict[str, Any]) -> tuple[np.ndarray, np.ndarray, float, float]:
    """Zero line's place, unit vector towards the plunger, px per mm, outer radius in px."""
    points = truth["points"]
    zero, last = np.array(points["zero_axis"]), np.array(points["grad_max_axis"])
    long_mm = max(t["x_mm"] for t in truth["ticks"])
    length = float(np.linalg.norm(last - zero))
    per_mm = length / long_mm
    return zero, (last - zero) / length, per_mm, per_mm * truth["outer_diameter_mm"] / 2


def barrel_of(name: str) -> tuple[np.ndarray, Cylinder, float]:
    """Grey picture, cylinder whose x is 0 at the zero line, and x of the last line."""
    bgr, truth = sample(name)
    zero, along, per_mm, radius = axis_of(truth)
    height, width = bgr.shape[:2]
    camera = Camera(1.2 * max(height, width), (width - 1) / 2, (height - 1) / 2)
    angle = float(np.arctan2(along[1], along[0]))
    cylinder = Cylinder(camera, (float(zero[0]), float(zero[1])), angle, 0.0, 0.0, radius)
    last = max(t["x_mm"] for t in truth["ticks"]) * per_mm / radius
    return bgr.mean(axis=2).astype(np.float32), cylinder, last


def across(direction: np.ndarray) -> np.ndarray:
    return np.array([-direction[1], direction[0]])


def covered(name: str, before: float, behind: float) -> np.ndarray:
    """A slip of paper lies on the barrel from *before* the fiducial line to *behind* it, radii."""
    bgr, truth = sample(name)
    zero, along, per_mm, radius = axis_of(truth)
    line = zero + along * truth["fiducial_x_mm"] * per_mm
    side = 1.6 * radius * across(along)
    start, end = line - before * radius * along, line + behind * radius * along
    corners = np.array([start - side, end - side, end + side, start + side])
    cv2.fillPoly(bgr, [np.round(corners).astype(np.int32)], PAPER, cv2.LINE_AA)
    return bgr


def cut(name: str, at_mm: float, keep_plunger: bool, bgr: np.ndarray | None = None) -> np.ndarray:
    """The picture ends at this place of the scale: one side of it is kept.

    The cut is square to the picture's edges, so the barrel should lie nearly along one of them.
    """
    whole, truth = sample(name)
    bgr = whole if bgr is None else bgr
    zero, along, per_mm, _ = axis_of(truth)
    x, y = zero + along * at_mm * per_mm
    if abs(along[0]) > abs(along[1]):
        right = (along[0] > 0) == keep_plunger
        return np.ascontiguousarray(bgr[:, round(x) :] if right else bgr[:, : round(x)])
    below = (along[1] > 0) == keep_plunger
    return np.ascontiguousarray(bgr[round(y) :] if below else bgr[: round(y)])


def long_mm(name: str) -> float:
    """Length of the scale, mm."""
    return float(max(t["x_mm"] for t in sample(name)[1]["ticks"]))


def out_of_focus(name: str, sigma_px: float) -> np.ndarray:
    return np.asarray(cv2.GaussianBlur(sample(name)[0], (0, 0), sigma_px))


def mirrored(name: str) -> np.ndarray:
    return np.ascontiguousarray(sample(name)[0][:, ::-1])


def side_by_side(first: str, second: str) -> np.ndarray:
    """Two photographs as one, the narrower made as wide as the other."""
    a, b = sample(first)[0], sample(second)[0]
    if a.shape[0] > a.shape[1]:
        a = np.rot90(a)
    if b.shape[0] > b.shape[1]:
        b = np.rot90(b)
    wide = max(a.shape[1], b.shape[1])
    a, b = (cv2.resize(p, (wide, round(p.shape[0] * wide / p.shape[1]))) for p in (a, b))
    return np.ascontiguousarray(np.vstack([a, b]))


def empty_desks() -> Iterator[np.ndarray]:
    """A plain card, a card with coins and a pen, and a dark cloth."""
    rng = np.random.default_rng(11)

    def grainy(picture: np.ndarray) -> np.ndarray:
        return np.clip(picture + rng.normal(0, 2.5, picture.shape), 0, 255).astype(np.uint8)

    yield grainy(np.full((900, 1200, 3), 205.0))
    desk = np.full((900, 1200, 3), 190.0)
    for x, y, r in ((300, 240, 70), (520, 640, 90), (900, 300, 60)):
        cv2.circle(desk, (x, y), r, (70, 110, 150), -1, cv2.LINE_AA)
        cv2.circle(desk, (x, y), r - 12, (90, 130, 170), 3, cv2.LINE_AA)
    cv2.line(desk, (180, 800), (1050, 520), (110, 40, 30), 34, cv2.LINE_AA)
    yield grainy(desk)
    yield grainy(60 + 20 * rng.random((900, 1200, 1)) * np.ones(3))


def leaning(name: str, tilt_deg: float) -> np.ndarray:
    """The barrel of a sample photograph as a camera would see it that looks along it.

    Its surface is taken from the photograph and laid on a cylinder leaning by *tilt_deg*.
    """
    from drawmark.vision.cylinder import Camera, Cylinder

    bgr, truth = sample(name)
    zero, along, per_mm, radius = axis_of(truth)
    height, width = bgr.shape[:2]
    focal = truth["camera"]["f_eq_mm"] / 36 * max(height, width)
    seen = Cylinder(Camera(focal, (width - 1) / 2, (height - 1) / 2),
                    (float(zero[0]), float(zero[1])),
                    float(np.arctan2(along[1], along[0])), 0.0, 0.0, radius)  # fmt: skip
    middle = long_mm(name) / 2 * per_mm / radius
    wide, tall = 1600, 1200
    lean = Cylinder(Camera(2000.0, (wide - 1) / 2, (tall - 1) / 2),
                    ((wide - 1) / 2, (tall - 1) / 2), 0.0, 0.0, float(np.radians(tilt_deg)),
                    1.1 * radius)  # fmt: skip
    pixels = np.stack(np.meshgrid(np.arange(wide), np.arange(tall)), -1).astype(float)
    x, phi = lean.surface(pixels)
    reach = long_mm(name) * per_mm / radius / 2 + 2.5
    there = np.isfinite(x) & (np.abs(x) < reach)
    source = seen.project(np.where(there, x, 0) + middle, np.where(there, phi, 0))
    barrel = cv2.remap(bgr, source[..., 0].astype(np.float32), source[..., 1].astype(np.float32),
                       cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)  # fmt: skip
    return np.where(there[..., None], barrel, np.array(PAPER, np.uint8))


def _on_barrel(name: str) -> tuple[np.ndarray, np.ndarray, np.ndarray, float]:
    """Pixels of a sample; how far along the scale (radii) and aside (radii) each is; its end."""
    bgr, truth = sample(name)
    zero, along, per_mm, radius = axis_of(truth)
    height, width = bgr.shape[:2]
    at = np.stack(np.meshgrid(np.arange(width), np.arange(height)), -1) - zero
    return bgr, at @ along / radius, at @ across(along) / radius, long_mm(name) * per_mm / radius


def glaring(name: str) -> np.ndarray:
    """A lamp is mirrored all along the barrel, and what is printed there is burnt out."""
    bgr, x, aside, end = _on_barrel(name)
    there = (x > -0.5) & (x < end + 0.5)
    light = 900 * np.exp(-0.5 * (aside / 0.42) ** 2) * there
    return np.clip(bgr + light[..., None], 0, 255).astype(np.uint8)


def unprinted(name: str) -> np.ndarray:
    """The barrel as from behind, where nothing is printed: smeared along its axis."""
    bgr, x, aside, end = _on_barrel(name)
    _, along, _, radius = axis_of(sample(name)[1])
    half = int(1.5 * radius)
    line = np.zeros((2 * half + 1, 2 * half + 1), np.float32)
    a, b = (np.round(half + side * half * along).astype(int).tolist() for side in (-1, 1))
    cv2.line(line, a, b, 1.0, 1)
    smeared = cv2.filter2D(bgr, -1, line / line.sum())
    there = (x > -0.6) & (x < end + 0.6) & (np.abs(aside) < 0.97)
    return np.where(there[..., None], smeared, bgr)
