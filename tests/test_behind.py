"""Print on the far side of the barrel, told by the rod that stands before it."""

from __future__ import annotations

import json

import numpy as np
import pytest
from spoilt_photographs import SAMPLES

from drawmark.vision import reading
from drawmark.vision.behind import MIDDLE, hidden_in_the_middle, lies_behind
from drawmark.vision.model import Reading
from drawmark.vision.photo import Photo, load_photo

AZIMUTHS = np.radians(np.arange(-70, 71, 7))
LINES, OVER_ROD = np.full((6, len(AZIMUTHS)), 0.9), np.abs(AZIMUTHS) <= MIDDLE


def with_rod_before(share: float) -> np.ndarray:
    """Contrast of lines behind the stopper, of which the rod leaves a *share*."""
    lines = LINES.copy()
    lines[:, OVER_ROD] *= share
    return lines


@pytest.mark.parametrize(("share", "hidden"), [(1.0, False), (0.6, False), (0.1, True)])
def test_lines_that_end_at_the_rod_are_behind_it(share: float, hidden: bool) -> None:
    assert hidden_in_the_middle(LINES, with_rod_before(share), AZIMUTHS) is hidden


def test_print_that_does_not_reach_the_middle_tells_nothing() -> None:
    aside = with_rod_before(0.1)
    assert not hidden_in_the_middle(aside, aside, AZIMUTHS)


def test_lines_lost_everywhere_behind_the_stopper_tell_nothing() -> None:
    """A dark stretch or the scale's end: what is lost beside the rod too is not hidden by it."""
    assert not hidden_in_the_middle(LINES, 0.1 * LINES, AZIMUTHS)


READABLE = sorted(
    path.stem
    for path in SAMPLES.glob("*.json")
    if json.loads(path.read_text("utf-8")).get("readable")
)


@pytest.mark.parametrize("name", READABLE[::3])
def test_no_sample_is_taken_for_one_seen_from_behind(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = []

    def ask(*args: object) -> bool:
        asked.append(lies_behind(*args))  # type: ignore[arg-type]
        return asked[-1]

    monkeypatch.setattr(reading, "lies_behind", ask)
    photo = load_photo(SAMPLES / f"{name}.jpg")
    assert isinstance(photo, Photo)
    assert isinstance(reading.read_pixels(photo), Reading)
    assert asked == [False]


@pytest.mark.parametrize("name", READABLE[:1])
def test_what_lies_behind_is_refused(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reading, "lies_behind", lambda *_: True)
    photo = load_photo(SAMPLES / f"{name}.jpg")
    assert isinstance(photo, Photo)
    outcome = reading.read_pixels(photo)
    assert not isinstance(outcome, Reading)
    assert [reason.code for reason in outcome.reasons] == ["scale-not-visible"]
