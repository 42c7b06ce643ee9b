"""Photo -> Photo in whose grey levels coloured print shows.

Blue lines on amber liquid may be no darker than it in the grey picture, in which all channels
have a say, and stand out in the red channel alone.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from .barrel import barrel_of
from .graduations import CLEAR_EVIDENCE, look_at

if TYPE_CHECKING:
    from .photo import Photo
    from .silhouette import Outline

PLAINER = 2.0  # times the evidence for lines in the grey picture: lines in one channel alone


def by_its_ink(photo: Photo, outline: Outline) -> Photo | None:
    """*photo* with that channel for its grey in which lines on the barrel are plainest.

    ``None`` where they are nowhere beyond doubt, or not much plainer than in the grey picture.
    """
    plainest, best = max(CLEAR_EVIDENCE, PLAINER * _evidence(photo, outline)), None
    for channel in range(3):
        seen = replace(photo, gray=np.ascontiguousarray(photo.bgr[:, :, channel]))
        evidence = _evidence(seen, outline)
        if evidence > plainest:
            plainest, best = evidence, seen
    return best


def _evidence(photo: Photo, outline: Outline) -> float:
    """For a lattice of lines about the middle of the barrel."""
    sight = look_at(photo, barrel_of(outline))
    prospect = None if sight is None else sight.middle
    return 0.0 if prospect is None else prospect.score
