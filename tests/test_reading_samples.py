"""The whole reader on the sample photographs, whose volumes are known by geometry."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from drawmark.vision import Outcome, Reading, Refusal, read_photo, reading
from drawmark.vision.model import REFUSALS
from drawmark.vision.photo import photo_from_pixels
from drawmark.vision.reading import read_pixels

SAMPLES = Path(__file__).resolve().parent.parent / "sample_images"
TRUTH: dict[str, dict[str, Any]] = {
    p.stem: json.loads(p.read_text(encoding="utf-8"))
    for p in sorted(SAMPLES.glob("*.json"))
    if p.with_suffix(".jpg").exists()
}
READABLE = [name for name, truth in TRUTH.items() if truth["readable"]]
UNREADABLE = [name for name, truth in TRUTH.items() if not truth["readable"]]
#: What may be said of each photograph that can't be read.
SENSIBLE = {
    "refused-no-syringe": {"no-syringe"},
    "refused-plunger-out-of-frame": {"plunger-cut-off", "scale-cut-off"},
    "refused-hopeless-blur": {"too-blurred", "no-syringe"},
    "refused-back-of-the-barrel": {"scale-not-visible", "scale-ambiguous"},
}
GROSS_INTERVALS = 2.0
INTERVAL_STRETCH = 1.5  # |error| / U, U being the expanded uncertainty with k = 2


@pytest.fixture(scope="session")
def outcomes() -> dict[str, Outcome]:
    """Every sample photograph, read once."""
    return {name: read_photo(SAMPLES / f"{name}.jpg") for name in TRUTH}


def reading_of(outcomes: dict[str, Outcome], name: str) -> Reading:
    outcome = outcomes[name]
    if isinstance(outcome, Refusal):
        pytest.skip(f"refused: {outcome.reasons[0].code}")
    return outcome


def displayed(name: str) -> tuple[np.ndarray, float | None]:
    """Pixels and focal length (35 mm equivalent) of a sample photograph."""
    bgr = cv2.imread(str(SAMPLES / f"{name}.jpg"), cv2.IMREAD_COLOR)
    assert bgr is not None
    return bgr, TRUTH[name]["exif_focal_length_35mm"]


def test_there_is_something_to_read() -> None:
    assert len(READABLE) >= 16
    assert set(UNREADABLE) == set(SENSIBLE)


def test_most_are_read(outcomes: dict[str, Outcome]) -> None:
    assert sum(outcomes[name].status == "read" for name in READABLE) >= 12


@pytest.mark.parametrize("name", READABLE)
def test_what_is_read_is_right(outcomes: dict[str, Outcome], name: str) -> None:
    reading, truth = reading_of(outcomes, name), TRUTH[name]
    error = reading.volume_ml - truth["true_volume_ml"]
    assert abs(error) <= GROSS_INTERVALS * truth["scale_interval_ml"]
    assert abs(error) <= INTERVAL_STRETCH * reading.expanded_uncertainty_ml


@pytest.mark.parametrize("name", READABLE)
def test_the_scale_is_that_of_the_barrel(outcomes: dict[str, Outcome], name: str) -> None:
    reading, truth = reading_of(outcomes, name), TRUTH[name]
    assert reading.graduated_max_ml == truth["graduated_max_ml"]
    assert reading.interval_ml == truth["scale_interval_ml"]
    assert reading.capacity_ml == truth["nominal_ml"]


@pytest.mark.parametrize("name", READABLE)
def test_the_zero_line_is_where_it_is_in_the_picture(
    outcomes: dict[str, Outcome], name: str
) -> None:
    """Along the barrel, in scale intervals; the truth counts pixels from the pixel's corner."""
    reading, truth = reading_of(outcomes, name), TRUTH[name]
    axis = np.subtract(truth["points"]["nominal_axis"], truth["points"]["zero_axis"])
    length_px = float(np.linalg.norm(axis))
    interval_px = length_px * truth["scale_interval_ml"] / truth["nominal_ml"]
    expected = np.array(truth["points"]["zero_line"]) - 0.5
    off = (np.array(reading.zero_line_px) - expected) @ axis / length_px
    assert abs(float(off)) < max(0.4 * interval_px, 2.5)


@pytest.mark.parametrize("name", READABLE)
def test_an_uncertainty_is_worth_having(outcomes: dict[str, Outcome], name: str) -> None:
    """The interval must not hold by being wide: U within 5 % of the capacity, and not nothing."""
    reading = reading_of(outcomes, name)
    assert 0.001 * reading.capacity_ml < reading.expanded_uncertainty_ml
    assert reading.expanded_uncertainty_ml < 0.05 * reading.capacity_ml
    sources = [item.source for item in reading.budget]
    assert len(set(sources)) == len(sources) >= 5
    assert all(item.standard_uncertainty_ml > 0 for item in reading.budget)


def test_intervals_hold_as_often_as_they_say(outcomes: dict[str, Outcome]) -> None:
    """19 of 20 within U; one more may be outside by chance."""
    ratios = [
        abs(o.volume_ml - TRUTH[name]["true_volume_ml"]) / o.expanded_uncertainty_ml
        for name in READABLE
        if isinstance(o := outcomes[name], Reading)
    ]
    assert np.mean(np.array(ratios) <= 1.0) >= 0.9


@pytest.mark.parametrize("name", UNREADABLE)
def test_what_cannot_be_read_is_refused(outcomes: dict[str, Outcome], name: str) -> None:
    outcome = outcomes[name]
    assert isinstance(outcome, Refusal)
    assert outcome.reasons[0].code in SENSIBLE[name]
    assert outcome.reasons[0].message.endswith(".")
    assert outcome.reasons[0].remedy
    assert {r.code for r in outcome.reasons} <= set(REFUSALS)


@pytest.mark.parametrize("turns", [1, 2])
def test_a_turned_photograph_gives_the_same_volume(
    outcomes: dict[str, Outcome], turns: int
) -> None:
    name = "five-ml-blue-stopper-yellow-liquid"
    upright = reading_of(outcomes, name)
    bgr, focal = displayed(name)
    turned = read_pixels(photo_from_pixels(np.ascontiguousarray(np.rot90(bgr, turns)), focal))
    assert isinstance(turned, Reading)
    assert turned.graduated_max_ml == upright.graduated_max_ml
    assert turned.volume_ml == pytest.approx(
        upright.volume_ml, abs=0.5 * upright.expanded_uncertainty_ml
    )


@pytest.mark.parametrize(
    "name", ["five-ml-blue-stopper-yellow-liquid", "ten-ml-grey-stopper-blue-card"]
)
def test_a_mirrored_photograph_is_refused_or_read_right(name: str) -> None:
    """Its numerals are no numerals: a selfie camera's picture must not be read on lines alone."""
    bgr, focal = displayed(name)
    outcome = read_pixels(photo_from_pixels(np.ascontiguousarray(bgr[:, ::-1]), focal))
    if isinstance(outcome, Reading):
        error = outcome.volume_ml - TRUTH[name]["true_volume_ml"]
        assert abs(error) <= INTERVAL_STRETCH * outcome.expanded_uncertainty_ml
        assert outcome.graduated_max_ml == TRUTH[name]["graduated_max_ml"]


def test_what_is_known_no_better_than_to_some_intervals_is_not_read(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    path = SAMPLES / "five-ml-blue-stopper-yellow-liquid.jpg"
    read = read_photo(path)
    assert isinstance(read, Reading)
    share = read.expanded_uncertainty_ml / read.interval_ml
    assert share < reading.MOST_INTERVALS
    monkeypatch.setattr(reading, "MOST_INTERVALS", 0.99 * share)
    refused = read_photo(path)
    assert isinstance(refused, Refusal)
    assert refused.reasons[0].code == "plunger-not-visible"


def test_a_told_capacity_that_the_print_contradicts_is_refused() -> None:
    outcome = read_photo(SAMPLES / "five-ml-blue-stopper-yellow-liquid.jpg", capacity_ml=20.0)
    assert isinstance(outcome, Refusal)
    assert outcome.reasons[0].code in {"contradicts-given-syringe", "scale-ambiguous"}


@pytest.mark.parametrize("name", ["capacity_ml", "interval_ml"])
@pytest.mark.parametrize("value", [0.0, -5.0, float("nan")])
def test_impossible_syringes_are_wrong_calls(name: str, value: float) -> None:
    told = {name: value}
    with pytest.raises(ValueError, match=name):
        read_photo(SAMPLES / f"{READABLE[0]}.jpg", **told)


def test_a_missing_file_is_a_wrong_call(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        read_photo(tmp_path / "none.jpg")


def test_a_text_file_is_an_answer(tmp_path: Path) -> None:
    path = tmp_path / "text.jpg"
    path.write_text("This is no photograph.", encoding="utf-8")
    outcome = read_photo(path)
    assert isinstance(outcome, Refusal)
    assert outcome.reasons[0].code == "not-an-image"


@pytest.mark.parametrize("level", [0, 128, 255])
def test_an_empty_picture_has_no_syringe(level: int) -> None:
    outcome = read_pixels(photo_from_pixels(np.full((900, 1200, 3), level, np.uint8)))
    assert isinstance(outcome, Refusal)
    assert outcome.reasons[0].code in {"no-syringe", "too-blurred"}


def test_noise_has_no_syringe() -> None:
    rng = np.random.default_rng(4)
    noise = rng.integers(0, 256, (900, 1200, 3), np.uint8)
    assert isinstance(read_pixels(photo_from_pixels(noise)), Refusal)
