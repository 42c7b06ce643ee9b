"""Every refusal on photographs that deserve it: at least three for each code."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest
from spoilt_photographs import (
    SAMPLES,
    covered,
    cut,
    empty_desks,
    glaring,
    leaning,
    long_mm,
    mirrored,
    out_of_focus,
    sample,
    side_by_side,
    unprinted,
)

from drawmark.vision import Refusal, read_photo
from drawmark.vision.model import REFUSALS
from drawmark.vision.photo import photo_from_pixels
from drawmark.vision.reading import read_pixels

OVERDRAWN = Path(__file__).resolve().parent / "data" / "overdrawn"

TEN, FIFTY = "ten-ml-black-stopper-tilted-ten-degrees", "fifty-ml-black-stopper-black-card"
FIVE, TWENTY = "five-ml-blue-stopper-yellow-liquid", "twenty-ml-one-piece-blue-plunger"
POCKET = "fifty-ml-black-stopper-air-pocket-grey-card"
BUBBLES = "two-and-a-half-ml-black-stopper-bubbles"
BEFORE, AFTER = "dilution-before-nine-ml-of-diluent", "dilution-after-drawing-one-ml"
THREE = "three-ml-grey-stopper-pale-blue-card"

SPOILT: dict[str, list[Callable[[], np.ndarray]]] = {
    "no-syringe": [
        *(lambda n=n: list(empty_desks())[n] for n in range(3)),
        lambda: sample("refused-no-syringe")[0],
    ],
    "several-syringes": [
        lambda: side_by_side(AFTER, BEFORE),
        lambda: side_by_side(BEFORE, POCKET),
        lambda: side_by_side(POCKET, FIFTY),
    ],
    "scale-ambiguous": [lambda n=n: mirrored(n) for n in (AFTER, BEFORE, FIVE)],
    "scale-cut-off": [
        lambda n=n: cut(n, 0.3 * long_mm(n), keep_plunger=True) for n in (AFTER, BEFORE, POCKET)
    ],
    "plunger-not-visible": [lambda n=n: covered(n, 1.3, 2.5) for n in (AFTER, TWENTY, BUBBLES)],
    "too-blurred": [lambda n=n: out_of_focus(n, 13) for n in (AFTER, BEFORE, POCKET)],
    "scale-not-visible": [lambda n=n: unprinted(n) for n in (FIVE, TEN, TWENTY)],
    "glare": [lambda n=n: glaring(n) for n in (TEN, TWENTY, POCKET)],
    "tilt-too-large": [lambda n=n: leaning(n, 40) for n in (TWENTY, FIVE, THREE)],
}


@pytest.mark.parametrize(
    ("code", "number"), [(code, n) for code, made in SPOILT.items() for n in range(len(made))]
)
def test_a_spoilt_photograph_is_refused_for_what_spoils_it(code: str, number: int) -> None:
    outcome = read_pixels(photo_from_pixels(SPOILT[code][number](), None))
    assert isinstance(outcome, Refusal)
    assert outcome.reasons[0].code == code


@pytest.mark.parametrize("path", sorted(OVERDRAWN.glob("*.jpg")), ids=lambda p: p.stem)
def test_a_picture_that_ends_before_the_stopper_says_so(path: Path) -> None:
    """Drawn past the last line, and the frame ends a little behind it."""
    outcome = read_photo(path)
    assert isinstance(outcome, Refusal)
    assert outcome.reasons[0].code == "plunger-cut-off"


@pytest.mark.parametrize(("name", "capacity_ml"), [(AFTER, 1.0), (FIVE, 20.0), (TWENTY, 2.0)])
def test_a_told_capacity_against_the_print_is_contradicted(name: str, capacity_ml: float) -> None:
    outcome = read_photo(SAMPLES / f"{name}.jpg", capacity_ml=capacity_ml)
    assert isinstance(outcome, Refusal)
    assert outcome.reasons[0].code == "contradicts-given-syringe"


@pytest.mark.parametrize("content", [b"", b"not a picture", b"\xff\xd8\xff\xe0" + bytes(64)])
def test_a_file_that_is_no_picture_says_so(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "file.jpg"
    path.write_bytes(content)
    outcome = read_photo(path)
    assert isinstance(outcome, Refusal)
    assert outcome.reasons[0].code == "not-an-image"


@pytest.mark.parametrize("size", [(1, 1), (20, 900), (180, 180)])
def test_a_picture_with_too_few_pixels_says_so(tmp_path: Path, size: tuple[int, int]) -> None:
    path = tmp_path / "small.png"
    cv2.imwrite(str(path), np.full((*size, 3), 200, np.uint8))
    outcome = read_photo(path)
    assert isinstance(outcome, Refusal)
    assert outcome.reasons[0].code == "image-too-small"


def test_every_code_of_the_table_is_reached() -> None:
    """The two sizes of file and the told capacity have tests of their own above and beside."""
    elsewhere = {"not-an-image", "image-too-small", "image-too-large", "plunger-cut-off",
                 "contradicts-given-syringe"}  # fmt: skip
    assert set(SPOILT) | elsewhere == set(REFUSALS)
    assert all(len(made) >= 3 for made in SPOILT.values())
    assert len(list(OVERDRAWN.glob("*.jpg"))) >= 3
