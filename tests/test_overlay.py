"""The annotated picture: it shows what the reader took for what, where the reader said it is."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import cv2
import numpy as np
import pytest
from drawn_syringe import HEIGHT, WIDTH, make_reading, make_refusal

from drawmark.calc.tolerance import parse_tolerance
from drawmark.cli.canvas import PAPER, dashes, text_size, wrap
from drawmark.cli.overlay import AIR, FIDUCIAL, LINES, NUMERALS, WALLS, ZERO, annotate
from drawmark.cli.verdict import check_outcome
from drawmark.vision import Evidence, Outcome, Reading
from drawmark.vision.photo import load_photo, photo_from_pixels

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray


def annotated(photo: Path, outcome: Outcome) -> NDArray[np.uint8]:
    check = check_outcome("p", outcome, target_ml=5, tolerance=parse_tolerance("5%"))
    return annotate(load_photo(photo), outcome, check)


def where(picture: NDArray[np.uint8], colour: tuple[int, int, int]) -> NDArray[np.int64]:
    """(N, 2) array of x, y of pixels of about this colour: thin lines are smoothed."""
    return np.argwhere((np.abs(picture.astype(int) - colour) < 40).all(axis=2))[:, ::-1]


@pytest.mark.parametrize("colour", [FIDUCIAL, ZERO, LINES, NUMERALS, WALLS, AIR])
def test_every_kind_of_evidence_is_drawn_and_in_the_key(
    photo: Path, colour: tuple[int, int, int]
) -> None:
    picture = annotated(photo, make_reading(5.0, air_ml=0.5, air_standard_uncertainty_ml=0.1))
    rows = where(picture, colour)[:, 1]
    panel_top = np.flatnonzero((picture[:, 2] == PAPER).all(axis=1))
    panel_top = panel_top[panel_top > HEIGHT].min()
    assert (rows < panel_top).any()
    assert (rows > panel_top).any()


def test_the_fiducial_line_stands_where_the_reading_says(photo: Path) -> None:
    reading = make_reading(5.0)
    picture = annotated(photo, reading)
    banner = np.flatnonzero((picture[:, 5] == picture[5, 5]).all(axis=1) == False)[0]  # noqa: E712
    points = where(picture, FIDUCIAL)
    inside = points[(points[:, 1] > banner + 345) & (points[:, 1] < banner + 455)]
    assert len(inside) > 80
    assert np.median(inside[:, 0]) == pytest.approx(reading.fiducial_line_px[0], abs=1.0)


def test_a_large_photograph_is_drawn_in_its_own_pixels(photo: Path) -> None:
    # the reader's pixels are those of the full picture, the drawing is made on a smaller copy
    image = cv2.imread(str(photo))
    large = photo_from_pixels(cv2.resize(image, None, fx=3, fy=3))
    assert large.scale > 1.5
    reading = make_reading(5.0)

    def tripled(points: object) -> NDArray[np.float64]:
        return (np.asarray(points, float) + 0.5) * 3 - 0.5

    evidence = Evidence(
        walls_px=tuple(tripled(wall) for wall in reading.evidence.walls_px),
        fiducial_px=tripled(reading.evidence.fiducial_px),
    )
    grown = replace(
        reading,
        zero_line_px=tuple(tripled(reading.zero_line_px)),
        fiducial_line_px=tuple(tripled(reading.fiducial_line_px)),
        evidence=evidence,
    )
    picture = annotate(large, grown)
    assert picture.shape[1] == large.bgr.shape[1]
    points = where(picture, FIDUCIAL)
    factor = large.bgr.shape[1] / WIDTH
    line = points[(points[:, 1] > 400 * factor) & (points[:, 1] < 500 * factor)]
    assert np.median(line[:, 0]) == pytest.approx((600 + 0.5) * factor - 0.5, abs=1.5)


def test_a_syringe_small_in_the_frame_is_shown_larger(photo: Path) -> None:
    image = cv2.imread(str(photo))
    frame = np.full((HEIGHT * 3, WIDTH * 3, 3), 200, np.uint8)
    frame[HEIGHT : 2 * HEIGHT, WIDTH : 2 * WIDTH] = image
    reading = make_reading(5.0)
    shift = np.array([WIDTH, HEIGHT], float)
    moved = replace(
        reading,
        zero_line_px=tuple(shift + reading.zero_line_px),
        fiducial_line_px=tuple(shift + reading.fiducial_line_px),
        evidence=Evidence(
            walls_px=tuple(wall + shift for wall in reading.evidence.walls_px),
            fiducial_px=reading.evidence.fiducial_px + shift,
        ),
    )
    loaded = photo_from_pixels(frame)
    picture = annotate(loaded, moved)
    assert picture.shape[1] == loaded.bgr.shape[1]
    walls = where(picture, WALLS)
    top = walls[walls[:, 1] < picture.shape[0] * 0.6]
    plain_length = 780 / loaded.scale
    assert np.ptp(top[:, 0]) > 1.2 * plain_length


@pytest.mark.parametrize("code", ["no-syringe", "too-blurred", "scale-ambiguous"])
def test_a_refusal_with_no_evidence_is_a_picture_too(photo: Path, code: str) -> None:
    picture = annotated(photo, make_refusal(code))
    assert picture.shape[1] == WIDTH
    assert picture.shape[0] > HEIGHT
    assert len(where(picture, FIDUCIAL)) == 0


def test_a_refusal_shows_what_evidence_there_is(photo: Path) -> None:
    evidence = replace(make_reading().evidence, fiducial_px=None)
    picture = annotated(photo, replace(make_refusal("plunger-not-visible"), evidence=evidence))
    assert len(where(picture, LINES)) > 100
    assert len(where(picture, FIDUCIAL)) == 0


@pytest.mark.parametrize(
    "evidence",
    [
        Evidence(),
        Evidence(fiducial_px=np.array([[600.0, 300.0], [600.0, 500.0]])),
        Evidence(walls_px=(np.zeros((0, 2)),)),
        Evidence(fiducial_px=np.full((2, 2), np.nan)),
        Evidence(air_px=(np.array([[1e6, 1e6], [1e6, 2e6], [2e6, 2e6]]),)),
    ],
)
def test_thin_evidence_is_no_reason_to_fail(photo: Path, evidence: Evidence) -> None:
    assert annotated(photo, replace(make_reading(), evidence=evidence)).shape[1] == WIDTH


@pytest.mark.parametrize("volume_ml", [0.0, 0.1, 9.9])
def test_lines_close_to_the_ends(photo: Path, volume_ml: float) -> None:
    reading: Reading = make_reading(volume_ml)
    assert len(where(annotated(photo, reading), FIDUCIAL)) > 100


def test_text_is_broken_where_it_fits() -> None:
    text = "The stopper's front ring could not be told from what surrounds it."
    lines = wrap(text, 20, 200)
    assert " ".join(lines) == text
    assert len(lines) > 1
    assert all(text_size(line, 20)[0] <= 200 for line in lines)


def test_dashes_cover_half_of_a_line() -> None:
    pieces = dashes(np.array([[0.0, 0], [60, 0], [60, 40]]), 10)
    assert len(pieces) == 5
    assert sum(np.hypot(*np.diff(piece, axis=0).T).sum() for piece in pieces) == pytest.approx(50)
    assert dashes(np.zeros((2, 2)), 10) == []
