"""Does the scale end here, at the nozzle or at the flange?  A small net's answer.

A comb of lines looks the same from both ends, and where lines are hidden it can be carried on
too far.  What lies beyond its ends does not: the barrel narrows to a nozzle just before the
zero line, and goes on to the flange, with a rod in it, behind the last line.  So the picture
about each supposed end is a witness for direction and place of the scale that needs no
numerals.  The weights are ``ends.onnx.gz`` beside this file, made by
``sample_images/train_ends.py``; OpenCV's ``dnn`` runs them.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np

from .weights import net_of

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from .cylinder import Cylinder

    Array = NDArray[Any]

#: Patches cut at a time.
AT_ONCE = 8
#: Size of a patch, and what it spans: to both sides of the axis, and from the supposed end
#: line into the scale and out of it, outer radii.
ROWS, COLUMNS = 24, 20
ACROSS = 1.2
INWARD, OUTWARD = 0.5, 1.5
#: What a place may be, in the order of the net's answers, and the shares in training.
NOZZLE, FLANGE, ELSEWHERE = range(3)
SHARES = np.array([0.15, 0.15, 0.7])
#: A patch of which less is in the picture says nothing.
LEAST_SEEN = 0.75
#: Outer radius to which the picture is shrunk before patches are cut, px.
RADIUS_PX = 24.0
#: The net has seen drawn barrels only: it may claim no more than that.
FLOOR = 0.02


@dataclass(frozen=True)
class Window:
    """What a patch about an end spans: from *inward* of it to *outward*, and *across* to both
    sides of the axis, outer radii; its *rows* and *columns*; and the outer radius to which the
    picture is shrunk before patches are cut, px."""

    rows: int
    columns: int
    across: float
    inward: float
    outward: float
    radius_px: float


WINDOW = Window(ROWS, COLUMNS, ACROSS, INWARD, OUTWARD, RADIUS_PX)


def end_patches(
    gray: NDArray[np.float32],
    place: Callable[[Array], tuple[Array, Array]],
    cylinder: Cylinder,
    x: Array,
    outward: Array,
    window: Window = WINDOW,
) -> tuple[NDArray[np.float32], Array]:
    """Patches (N, rows, columns) about the axial places *x* (N,), and how much of each is seen.

    Columns run in the direction *outward* (N,), +1 or -1 along the axis.  *place* takes points
    (..., 2) of *cylinder*'s picture to columns and rows of *gray*, by turning and shifting.
    """
    shrink = min(1.0, window.radius_px / cylinder.radius_px)
    size = (max(2, round(gray.shape[1] * shrink)), max(2, round(gray.shape[0] * shrink)))
    small = np.asarray(cv2.resize(gray, size, interpolation=cv2.INTER_AREA), np.float32)
    shares = np.array(size) / gray.shape[::-1]
    # twice as fine as the patch, then averaged
    along = np.linspace(-window.inward, window.outward, 2 * window.columns)
    aside = np.linspace(-window.across, window.across, 2 * window.rows)
    out = np.empty((len(x), window.rows, window.columns), np.float32)
    seen = np.empty(len(x))
    for i in range(0, len(x), AT_ONCE):
        some = slice(i, i + AT_ONCE)
        columns = x[some, None] + outward[some, None] * along
        axis = np.array(place(cylinder.project(columns, 0.0, 0.0)))
        limbs = [np.array(place(cylinder.project(columns, s * np.pi / 2))) for s in (-1, 1)]
        half = (limbs[1] - limbs[0]) / 2
        seen[some] = _seen(gray, axis, half, aside)
        at: list[NDArray[np.float32]] = []
        for middle, reach, share in zip(axis, half, shares, strict=True):
            centre = (middle + 0.5) * share - 0.5
            across = centre[:, None] + aside[:, None] * (reach * share)[:, None]
            at.append(across.reshape(-1, len(along)).astype(np.float32))
        fine = cv2.remap(small, at[0], at[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        whole = (window.columns, len(columns) * window.rows)
        patches = cv2.resize(fine, whole, interpolation=cv2.INTER_AREA)
        out[some] = patches.reshape(-1, window.rows, window.columns)
    return out, seen


def _seen(gray: Array, axis: Array, half: Array, aside: Array) -> Array:
    """How much (N,) of patches is in *gray*: points *axis* + *aside* (R,) * *half*, (2, N, C)."""
    last = np.array(gray.shape[::-1])[:, None, None] - 1
    # the picture is convex: of each column of a patch, one stretch lies in it
    with np.errstate(divide="ignore", invalid="ignore"):
        ends = np.sort([-axis / half, (last - axis) / half], axis=0)
    first, stop = ends[0].max(0), ends[1].min(0)
    rows = np.searchsorted(aside, stop, "right") - np.searchsorted(aside, first)
    return np.asarray(np.maximum(rows, 0).mean(1) / len(aside))


def normalise(patches: NDArray[np.float32]) -> NDArray[np.float32]:
    """(N, H, W) grey patches -> (N, 1, H, W), each even in level and spread."""
    out = patches - patches.mean((1, 2), keepdims=True)
    out /= out.std((1, 2), keepdims=True) + 4
    return np.asarray(out[:, None], np.float32)


class EndsNet:
    """The trained net."""

    def __init__(self) -> None:
        self._net = net_of("ends")

    def log_odds(self, patches: NDArray[np.float32], seen: Array) -> NDArray[np.float64]:
        """(N, 2) logs of how much likelier `end_patches` are at the nozzle end, at the flange
        end, than anywhere along a syringe; 0 where too little is *seen* of a patch."""
        if len(patches) == 0:
            return np.zeros((0, 2))
        self._net.setInput(normalise(patches))
        logits = np.asarray(self._net.forward(), np.float64).reshape(len(patches), 3)
        probs = np.exp(logits - logits.max(axis=1, keepdims=True))
        probs /= probs.sum(axis=1, keepdims=True)
        odds = np.log((probs[:, :2] + FLOOR) / (SHARES[:2] + FLOOR))
        return np.where((seen >= LEAST_SEEN)[:, None], odds, 0.0)


@cache
def ends_net() -> EndsNet:
    """The one net of this process, loaded at first use."""
    return EndsNet()
