"""The barrel goes on past the last line by as much as its stopper needs, and no further."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from spoilt_photographs import photo_of

from drawmark.vision import reading
from drawmark.vision.extent import goes_with_barrel
from drawmark.vision.model import Reading, Refusal
from drawmark.vision.scales import Scale
from drawmark.vision.silhouette import Outline, Silhouettes

FIVE = "five-ml-black-stopper-air-pocket"


@cache
def seen() -> tuple[list[Outline], reading.Graduations, reading.Labelling]:
    """Outlines painted in the sample, its lines, and what they stand for."""
    photo = photo_of(FIVE)
    search = reading._Search(photo, Silhouettes(photo.bgr))
    found = search.graduations()
    assert isinstance(found, reading.Graduations)
    labelling = reading.label_lines(found, None)
    assert labelling is not None
    return search.outlines, found, labelling


@pytest.mark.parametrize(
    ("share", "goes"), [(1.0, True), (0.5, False), (0.7, False), (1.5, False), (2.0, False)]
)
def test_a_scale_ends_about_where_its_barrel_does(share: float, goes: bool) -> None:
    """*share*: largest graduation told, over the true one, with the same lines."""
    outlines, found, labelling = seen()
    right = labelling.scale
    told = replace(labelling, scale=replace(right, largest_ml=share * right.largest_ml))
    assert goes_with_barrel(outlines, found, told) is goes
    # numbered from the other end, the flange is where the nozzle should be
    last = int(labelling.k(right.largest_ml))
    turned = replace(labelling, zero_k=last, direction=-labelling.direction)
    assert not goes_with_barrel(outlines, found, turned)


def test_only_a_barrel_seen_whole_and_for_sure_speaks_against_a_scale() -> None:
    (outline, *_), found, labelling = seen()
    wrong = replace(labelling, scale=replace(labelling.scale, largest_ml=2.0))
    assert not goes_with_barrel([outline], found, wrong)
    normal = np.array([-outline.axis[1], outline.axis[0]])
    across = {"axis": normal}
    aside = {"centre": outline.centre + 0.5 * outline.radius_px * normal}
    thin = {"radius_px": 0.5 * outline.radius_px}
    for changes in ({"whole": False}, {"share": 0.7}, {"sense": 0.2}, across, aside, thin):
        other = replace(outline, **changes)  # type: ignore[arg-type]
        assert goes_with_barrel([other], found, wrong)
        assert not goes_with_barrel([other, outline], found, wrong)
    assert goes_with_barrel([], found, wrong)


def test_a_scale_that_ends_long_before_its_barrel_is_not_read(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Lines that end under the stopper, sure or not: the others may be hidden by what is behind."""
    photo = photo_of(FIVE)
    find = reading.label_lines

    def shorter(*args: object, **looks: object) -> object:
        labelling = find(*args, **looks)  # type: ignore[arg-type]
        assert isinstance(labelling, reading.Labelling)
        largest = np.ceil(outcome.volume_ml / labelling.scale.interval_ml + 0.1)
        scale = Scale(
            float(largest * labelling.scale.interval_ml),
            labelling.scale.interval_ml,
            labelling.scale.numbered_ml,
        )
        return replace(labelling, scale=scale, longer=())

    outcome = reading.read_pixels(photo)
    assert isinstance(outcome, Reading)
    monkeypatch.setattr(reading, "label_lines", shorter)
    refused = reading.read_pixels(photo)
    assert isinstance(refused, Refusal)
    assert refused.reasons[0].code == "scale-ambiguous"
    monkeypatch.setattr(reading, "goes_with_barrel", lambda *_: True)
    assert isinstance(reading.read_pixels(photo), Reading)
