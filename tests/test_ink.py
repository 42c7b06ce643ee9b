"""Print of a colour as dark as what it stands on."""

from __future__ import annotations

import numpy as np
import pytest
from spoilt_photographs import photo_of

from drawmark.vision import reading
from drawmark.vision.ink import by_its_ink
from drawmark.vision.photo import Photo, photo_from_pixels
from drawmark.vision.silhouette import Silhouettes

FIVE = "five-ml-black-stopper-air-pocket"
RED, GREEN = 0.299, 0.587  # shares in the grey picture (ITU-R BT.601)
LEVEL = 150.0


def equally_dark(photo: Photo) -> Photo:
    """As *photo* in the red channel; the green one takes from the grey what red gives to it."""
    red = np.clip(photo.gray.astype(float), 0, 255)
    green = np.clip(LEVEL - RED / GREEN * (red - LEVEL), 0, 255)
    bgr = np.stack([np.full_like(red, LEVEL), green, red], axis=2)
    return photo_from_pixels(np.round(bgr).astype(np.uint8), None)


def test_coloured_print_is_found_in_the_channel_where_it_is_dark() -> None:
    photo = photo_of(FIVE)
    outline = Silhouettes(photo.bgr).barrels()[0]
    assert by_its_ink(photo, outline) is None  # black print is as plain in the grey picture
    same = equally_dark(photo)
    assert np.ptp(same.gray.astype(int)) < 12  # nothing to see there
    coloured = by_its_ink(same, outline)
    assert coloured is not None
    np.testing.assert_array_equal(coloured.gray, same.bgr[:, :, 2])
    np.testing.assert_array_equal(coloured.bgr, same.bgr)


def test_the_whole_search_goes_on_in_that_channel(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the grey picture shows a barrel without a scale; no other refusal is asked again."""
    photo, seen = equally_dark(photo_of(FIVE)), Silhouettes(photo_of(FIVE).bgr)
    # a picture all of one grey, as no camera takes it, is taken for a blurred one
    monkeypatch.setattr(reading, "why_no_scale", lambda *_: "scale-not-visible")
    used, search, found = reading._searched(photo, seen)
    assert isinstance(found, reading.Graduations)
    assert search.photo is used
    np.testing.assert_array_equal(used.gray, photo.bgr[:, :, 2])
    right = reading._searched(photo_of(FIVE), seen)[2]
    assert isinstance(right, reading.Graduations)
    facing = right.cylinder.project(right.lattice.x(right.k[5:-5]), 0.0)
    off = found.lattice.k(found.cylinder.surface(facing)[0])
    assert np.abs(off - np.round(off)).max() < 0.05
    monkeypatch.setattr(reading, "why_no_scale", lambda *_: "too-blurred")
    assert isinstance(reading._searched(photo, seen)[2], reading.Reason)
