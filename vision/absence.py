"""Why a photograph shows no scale: what stands in the way, so that the remedy can be named."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import cv2
import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from .silhouette import Outline

    Array = NDArray[Any]

LIKELY_SHARE = 0.72  # of a barrel that the net paints; clutter reaches 0.7
LIKELY_SENSE = 0.3
#: Of 60 photographs, those blurred beyond hope had 0.77 or more about the barrel, all others 0.53
#: or less; for the whole picture, where no barrel is seen, 0.64 and 0.49.
BLURRED_BARREL, BLURRED_PICTURE = 0.65, 0.62
WHOLE_PICTURE_SIDE = 900
CLIPPED_LEVEL = 250
#: The share of a barrel's surface that is burnt out; of 180 readable photographs two had more.
MOST_CLIPPED = 0.25


def why_no_scale(gray: NDArray[np.uint8], barrels: list[Outline]) -> str:
    """Code of `model.REFUSALS` for a picture (H, W) in which no scale was found.

    *barrels*: what is painted as barrels there, largest first.
    """
    likely = _likely(barrels)
    if is_blurred(gray, likely):
        return "too-blurred"
    if likely is None:
        return "no-syringe"
    if clipped_share(gray, likely) > MOST_CLIPPED:
        return "glare"
    return "scale-not-visible" if likely.whole else "scale-cut-off"


def without_syringe_or_glare(gray: NDArray[np.uint8], barrels: list[Outline]) -> str | None:
    """``"no-syringe"`` or ``"glare"`` where `why_no_scale` says so, else ``None``.

    Blur, dear to measure, is looked for only where it would take the place of either.
    """
    likely = _likely(barrels)
    if likely is not None and clipped_share(gray, likely) <= MOST_CLIPPED:
        return None
    code = why_no_scale(gray, barrels)
    return code if code in ("no-syringe", "glare") else None


def _likely(barrels: list[Outline]) -> Outline | None:
    """The largest that is painted like a barrel."""
    likely = (b for b in barrels if b.share > LIKELY_SHARE and b.sense > LIKELY_SENSE)
    return next(likely, None)


def is_blurred(gray: NDArray[np.uint8], barrel: Outline | None) -> bool:
    """True if no edge on the *barrel*, or in the whole picture, is sharp.

    That is so where the steepest gradients span many pixels (Crete et al., SPIE 6492, 2007).
    """
    from skimage.measure import blur_effect

    if barrel is None:
        step = max(1, round(max(gray.shape) / WHOLE_PICTURE_SIDE))
        return bool(blur_effect(gray[::step, ::step]) > BLURRED_PICTURE)
    reach = 0.5 * barrel.length_px * np.abs(barrel.axis) + 1.2 * barrel.radius_px
    first = np.maximum(0, barrel.centre - reach).astype(int)
    last = (barrel.centre + reach).astype(int)
    piece = gray[first[1] : last[1] : 2, first[0] : last[0] : 2]
    return bool(min(piece.shape) > 12 and blur_effect(piece) > BLURRED_BARREL)


def clipped_share(gray: NDArray[np.uint8], barrel: Outline) -> float:
    """Share of the *barrel*'s surface that is as bright as can be."""
    normal = np.array([-barrel.axis[1], barrel.axis[0]])
    along, aside = 0.45 * barrel.length_px * barrel.axis, 0.9 * barrel.radius_px * normal
    corners = [
        barrel.centre + a * along + b * aside for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1))
    ]
    mask = np.zeros(gray.shape, np.uint8)
    cv2.fillConvexPoly(mask, np.round(corners).astype(np.int32), 1)
    inside = gray[mask > 0]
    return float(np.mean(inside >= CLIPPED_LEVEL)) if inside.size else 0.0
