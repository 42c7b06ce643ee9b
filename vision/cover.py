"""Does something lie across the barrel where its ring seems to be?

A slip of paper, a finger or a strap that covers the stopper ends in an edge square to the barrel,
as a ring does.  But a ring ends at the barrel's outlines, and such an edge goes on beside them.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import cv2
import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from .cylinder import Cylinder

    Array = NDArray[Any]

BESIDE = (1.12, 1.4)  # outer radii from the axis
ROWS = 6
REACH = 0.12  # how far from the ring such an edge may lie, outer radii
LEVEL = 0.14  # length of the stretches that are held against each other
# Grey levels, on both sides of the barrel; in 417 photographs nothing beside a ring reached 4.3.
# Where the ground is grainy there are such steps everywhere: it must be so much greater than they.
LEAST_STEP, ABOVE_GRAIN = 7.0, 3.0
GRAIN_REACH = 1.0  # how far from the ring the ground is looked at for grain, outer radii
APART = 0.08  # between the places of the two, outer radii


def lies_across(bgr: NDArray[np.uint8], cylinder: Cylinder, x: float) -> bool:
    """True if an edge near the axial position *x* goes on beside the barrel, on both sides."""
    places = []
    for side in (-1.0, 1.0):
        steps, at = _steps_beside(bgr, cylinder, x, side)
        near = np.abs(at - x) <= REACH
        i = int(np.argmax(np.where(near, steps, 0.0)))
        if steps[i] <= max(LEAST_STEP, ABOVE_GRAIN * float(np.median(steps[~near]))):
            return False
        places.append(float(at[i]))
    return abs(places[0] - places[1]) < APART


def _steps_beside(
    bgr: NDArray[np.uint8], cylinder: Cylinder, x: float, side: float
) -> tuple[Array, Array]:
    """Steps (S,) about *x* on one *side* of the barrel, grey levels, and where they are (S,)."""
    step = 1.0 / cylinder.radius_px
    n = max(2, round(LEVEL / step))
    reach = max(1, round(REACH / step)) + max(1, round(GRAIN_REACH / step))
    u = x + step * np.arange(-reach - n, reach + n + 1)
    away = np.linspace(*BESIDE, ROWS)
    points = np.stack([cylinder.project(u, side * np.pi / 2, r) for r in away]).astype(np.float32)
    rows = cv2.remap(
        bgr,
        points[..., 0],
        points[..., 1],
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    colours = rows.astype(np.float32).mean(0)
    total = np.vstack([np.zeros(3), np.cumsum(colours, axis=0)])
    middle = np.arange(n, len(u) - n)
    before = (total[middle] - total[middle - n]) / n
    after = (total[middle + n] - total[middle]) / n
    return np.linalg.norm(after - before, axis=1) / np.sqrt(3), u[middle]
