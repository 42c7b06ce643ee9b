"""The net that paints syringes, on the project's own photographs and their truth."""

from __future__ import annotations

import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from drawmark.vision import absence
from drawmark.vision.reading import SHARE_IF_APART
from drawmark.vision.silhouette import SURE_SHARE, Outline, Silhouettes, silhouette_net

SAMPLES = Path(__file__).resolve().parents[1] / "sample_images"
TRUTHS = {p.stem: json.loads(p.read_text()) for p in sorted(SAMPLES.glob("*.json"))}
READABLE = [name for name, truth in TRUTHS.items() if truth["readable"]]


def picture(name: str) -> np.ndarray:
    bgr = cv2.imread(str(SAMPLES / f"{name}.jpg"))
    return cv2.resize(bgr, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)


def scale_of(name: str) -> tuple[np.ndarray, np.ndarray, float, float]:
    """Middle, direction and length of the scale, and the barrel's radius, px of `picture`."""
    truth = TRUTHS[name]
    zero, end = (np.array(truth["points"][p]) / 2 for p in ("zero_axis", "nominal_axis"))
    length = np.hypot(*(end - zero))
    radius = truth["px_per_mm"] * truth["outer_diameter_mm"] / 4
    return (zero + end) / 2, (end - zero) / length, length, radius


@pytest.mark.parametrize("name", READABLE)
def test_a_barrel_is_found_where_it_lies_and_runs_from_nozzle_to_rod(name: str) -> None:
    middle, axis, _, radius = scale_of(name)
    found = Silhouettes(picture(name)).barrels()[0]
    assert found.axis @ axis > np.cos(np.radians(2.5))  # the sense included
    assert found.sense > 0.5
    assert abs((found.centre - middle) @ [-axis[1], axis[0]]) < 0.3 * radius
    assert found.radius_px == pytest.approx(radius, rel=0.2)


def test_a_barrel_is_found_whose_scale_is_turned_away() -> None:
    assert Silhouettes(picture("refused-back-of-the-barrel")).barrels()[0].share > 0.8


def test_pens_coins_and_caps_are_no_syringe() -> None:
    assert not Silhouettes(picture("refused-no-syringe")).barrels()


@pytest.mark.parametrize("name", READABLE[::3])
def test_one_syringe_is_not_two(name: str) -> None:
    others = Silhouettes(picture(name)).others(*scale_of(name))
    assert all(outline.share < SURE_SHARE for outline in others)


@pytest.mark.parametrize("other", READABLE[1::5])
def test_a_second_syringe_is_found_beside_the_first(other: str) -> None:
    first = "ten-ml-black-stopper-tilted-ten-degrees"
    left, right = picture(first), picture(other)
    height = max(left.shape[0], right.shape[0])
    pair = np.full((height, left.shape[1] + right.shape[1], 3), 128, np.uint8)
    pair[: left.shape[0], : left.shape[1]] = left
    pair[: right.shape[0], left.shape[1] :] = right
    others = Silhouettes(pair).others(*scale_of(first))
    second = max(others, key=lambda outline: outline.share)
    assert second.share > SURE_SHARE
    middle, axis, length, _ = scale_of(other)
    assert np.hypot(*(second.centre - middle - [left.shape[1], 0])) < 0.3 * length
    assert second.axis @ axis > 0.99


@pytest.mark.parametrize(
    ("first", "share"),
    [
        ("fifty-ml-grey-stopper-amber-liquid", 0.4),
        ("fifty-ml-black-stopper-air-pocket-grey-card", 0.3),
    ],
)
def test_a_thin_syringe_is_found_beside_a_thick_one(first: str, share: float) -> None:
    """From afar it is painted in pieces, or one with its shadow: it is looked at until it stays."""
    left, thin = picture(first), picture("one-ml-black-stopper-white-card")
    small = cv2.resize(thin, None, fx=share, fy=share, interpolation=cv2.INTER_AREA)
    pair = np.full((left.shape[0], left.shape[1] + small.shape[1], 3), 128, np.uint8)
    pair[:, : left.shape[1]] = left
    pair[: small.shape[0], left.shape[1] :] = small
    others = list(Silhouettes(pair).others(*scale_of(first)))
    assert max(o.share for o in others) > SHARE_IF_APART


def test_a_turned_picture_gives_a_turned_outline() -> None:
    bgr = picture(READABLE[0])
    lying = Silhouettes(bgr).barrels()[0]
    turned = Silhouettes(np.ascontiguousarray(np.rot90(bgr))).barrels()[0]
    assert turned.axis == pytest.approx([lying.axis[1], -lying.axis[0]], abs=0.04)
    x, y = lying.centre
    assert turned.centre == pytest.approx([y, bgr.shape[1] - 1 - x], abs=0.2 * lying.radius_px + 3)


def test_paint_gives_probabilities_and_wants_colour() -> None:
    painted = silhouette_net().paint(np.zeros((90, 200, 3), np.uint8))
    assert painted.shape[0] == 4
    assert painted.sum(0) == pytest.approx(1, abs=1e-5)
    with pytest.raises(ValueError, match="colour"):
        silhouette_net().paint(np.zeros((90, 200), np.uint8))


@pytest.mark.parametrize("blurred", [False, True])
@pytest.mark.parametrize("burnt_out", [0.0, 0.5])
@pytest.mark.parametrize("share", [0.5, 0.95])
def test_the_look_for_blur_is_spared_only_where_it_changes_nothing(
    share: float, burnt_out: float, blurred: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(absence, "is_blurred", lambda *_: blurred)
    monkeypatch.setattr(absence, "clipped_share", lambda *_: burnt_out)
    gray = np.zeros((300, 500), np.uint8)
    middle, axis = np.array([250.0, 150.0]), np.array([1.0, 0.0])
    barrels = [Outline(middle, axis, 300.0, 30.0, 0.9, share, True)]
    code = absence.why_no_scale(gray, barrels)
    expected = code if code in ("no-syringe", "glare") else None
    assert absence.without_syringe_or_glare(gray, barrels) == expected
