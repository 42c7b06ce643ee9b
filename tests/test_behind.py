"""Print on the far side of the barrel, told by the rod that stands before it."""

from __future__ import annotations

import json
from types import SimpleNamespace

import numpy as np
import pytest
from labellings import labelled
from spoilt_photographs import SAMPLES

from drawmark.vision import reading
from drawmark.vision.behind import (
    MIDDLE,
    hidden_in_the_middle,
    is_turned_away,
    lies_behind,
)
from drawmark.vision.model import Reading, Refusal
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


@pytest.mark.parametrize(
    ("right", "numerals", "away"),
    [(0.5, 0.0, False), (0.85, 0.0, False), (0.95, 0.0, True), (0.05, 0.0, True),
     (0.95, 4.9, True), (0.95, 5.1, False)],
)  # fmt: skip
def test_lines_on_one_side_alone_need_numerals_to_be_told_by(
    right: float, numerals: float, away: bool
) -> None:
    """*right*: share of the lines at positive azimuths; what is no line does not count."""
    phi = np.radians([30.0, 60.0, -30.0, -60.0, 45.0])
    on_line = np.array([right, right, 1 - right, 1 - right, 0.0])
    seen = SimpleNamespace(fit=SimpleNamespace(on_line=on_line), points=SimpleNamespace(phi=phi))
    told = labelled(numeral_score=numerals)
    assert is_turned_away(seen, told) is away  # type: ignore[arg-type]


def test_a_scale_that_is_turned_away_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reading, "is_turned_away", lambda *_: True)
    refused = reading.read_photo(SAMPLES / f"{READABLE[0]}.jpg")
    assert isinstance(refused, Refusal)
    assert refused.reasons[0].code == "scale-not-visible"


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
