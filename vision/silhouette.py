"""Where syringes lie in a picture: nozzle, barrel and rod, painted by a small net.

Nothing is measured here.  The net finds what shows no comb of lines: a faint or fine scale, a
second syringe, one whose scale is turned away; and it tells which end of a barrel the nozzle is
at.  Trained on rendered pictures only, by ``sample_images/train_silhouette.py``; OpenCV's
``dnn`` runs it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np

from .weights import net_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    Array = NDArray[Any]

LONG_SIDE = 384
NOZZLE, BARREL, ROD = 1, 2, 3
SIZE_STEP = 16  # the net halves its picture four times
LIKELY = 0.5
LEAST_CELLS = 24  # painted cells of half a net's pixel that a barrel must have
MIDDLE = 0.6  # of the barrel's length, over which its width is taken
ENDS_REACH = 3.0  # radii beyond an end in which nozzle or rod are looked for
CORRIDOR = 1.8  # radii aside of the axis
#: How many times more a painted cell of the nozzle tells than one of the rod, which is larger.
NOZZLE_WEIGHT = 3.0
BEYOND = 4.0  # radii
BESIDE = 1.4  # radii: the barrel's shadow and flange, and errors of its place
LEAST_CROP = 32  # pixels
#: From close by second syringes had shares of 0.95 or more, but for thin ones beside thick ones
#: (0.89 and 0.90); of what is none shadows beside a thin barrel had the most, 0.91.
SURE_SHARE, SURE_SENSE, SAME_LENGTH = 0.93, 0.9, (0.6, 1.6)
MOST_LOOKS = 4


@dataclass(frozen=True)
class Outline:
    """One barrel as the net paints it, in pixels of the picture that was given.

    centre: (2,) on the axis, midway; axis: (2,) unit vector, towards the rod if that could be
    told; length_px, radius_px; sense: 1 if all that is painted beyond the ends is on the side
    where it should be, 0 if there is no telling; share: mean probability of the painted cells;
    whole: False if it touches the picture's edge.
    """

    centre: Array
    axis: Array
    length_px: float
    radius_px: float
    sense: float
    share: float
    whole: bool

    @property
    def area_px(self) -> float:
        """Pixels covered."""
        return 2 * self.radius_px * self.length_px


class Silhouettes:
    """What the net paints in one picture, (H, W, 3)."""

    def __init__(self, bgr: NDArray[np.uint8]) -> None:
        self._bgr = bgr
        self._painted = silhouette_net().paint(bgr)
        self._barrels: list[Outline] | None = None

    def barrels(self) -> list[Outline]:
        """Barrels seen, largest first, as they are painted from close by."""
        if self._barrels is None:
            found = _outlines(self._painted, _scale(self._bgr, self._painted))
            self._barrels = sorted((self._close(far) for far in found), key=lambda o: -o.area_px)
        return self._barrels

    def _close(self, far: Outline) -> Outline:
        """*far* looked at again where it fills the net's picture, if it is still one there."""
        for near in self._look_again(far, None):
            if _alike(near, far):
                # of either look the ends may lie outside: both have a say in the sense
                agree = float(np.sign(near.axis @ far.axis))
                sense = (near.sense + agree * far.sense) / 2
                return replace(near, axis=near.axis if sense >= 0 else -near.axis, sense=abs(sense))
        return far

    def others(
        self, centre: Array, axis: Array, length_px: float, radius_px: float
    ) -> Iterator[Outline]:
        """What is painted like a syringe and is not the one about *centre*.

        *centre*, *axis*: (2,) of the known scale, and its *length_px*; *radius_px*: the
        barrel's outer radius.  What is painted beside it is looked at again from close by, until
        it stays as it is: a syringe is then painted whole, with its nozzle and its rod, and what
        passed for one from afar (pens, caps, shadows) is not, or is so with less than SURE_SHARE.
        """
        reach = np.array([length_px + BEYOND * radius_px, BESIDE * radius_px])
        known = (np.asarray(centre), np.asarray(axis), reach)
        painted = _without(self._painted, _scale(self._bgr, self._painted), np.zeros(2), known)
        for far in _outlines(painted, _scale(self._bgr, painted)):
            near = self._closest(far, known)
            if near is not None and near.sense > SURE_SENSE:
                yield near

    def _closest(self, far: Outline, known: tuple[Array, Array, Array]) -> Outline | None:
        """*far* as it is painted from so close by that another look leaves it as it is.

        From afar a thin barrel is painted in pieces, or one with its shadow.
        """
        outline = far
        for look in range(MOST_LOOKS):
            there = [o for o in self._look_again(outline, known) if _in_place(o, outline)]
            if not there:
                return None
            near = max(there, key=lambda o: o.area_px)
            if look > 0 and _alike(near, outline):
                return near
            outline = near
        return None

    def _look_again(self, far: Outline, known: tuple[Array, Array, Array] | None) -> list[Outline]:
        """Barrels painted in the piece of the picture about *far*, none on the *known* one."""
        height, width = self._bgr.shape[:2]
        half = 0.75 * far.length_px + 3 * far.radius_px + 20
        corner = np.maximum(0, far.centre - half).astype(int)
        stop = np.minimum([width, height], far.centre + half).astype(int)
        if (stop - corner).min() < LEAST_CROP:
            return []
        piece = self._bgr[corner[1] : stop[1], corner[0] : stop[0]]
        painted = silhouette_net().paint(piece)
        scale = _scale(piece, painted)
        if known is not None:
            painted = _without(painted, scale, corner, known)
        found = _outlines(painted, scale)
        return [replace(outline, centre=outline.centre + corner) for outline in found]


def _alike(near: Outline, far: Outline) -> bool:
    """True if both are of one barrel."""
    low, high = SAME_LENGTH
    away = float(np.hypot(*(near.centre - far.centre)))
    return low < near.length_px / far.length_px < high and away < 0.3 * far.length_px


def _in_place(near: Outline, far: Outline) -> bool:
    """True if one may be a piece of the other."""
    away = float(np.hypot(*(near.centre - far.centre)))
    return away < 0.3 * max(near.length_px, far.length_px)


def _without(
    painted: Array, scale: Array, corner: Array, known: tuple[Array, Array, Array]
) -> Array:
    """*painted* with nothing where the *known* barrel lies; *corner*: of the piece.

    Of its rod too, some may pass for barrel: the scale's length is left out at either end.
    """
    centre, axis, reach = known
    at = _places(painted, scale)
    frame = np.stack([axis, np.array([-axis[1], axis[0]])], 1)
    off = np.abs((at + corner - centre) @ frame)
    rest = painted.copy()
    rest[:, np.all(off < reach, axis=-1)] = np.array([1, 0, 0, 0])[:, None]
    return rest


def _scale(bgr: NDArray[np.uint8], painted: Array) -> Array:
    """Pixels of *bgr* for each cell of *painted*, (2,) along x and y."""
    return np.array(bgr.shape[1::-1]) / np.array(painted.shape[:0:-1])


def _outlines(painted: Array, scale: Array) -> list[Outline]:
    """Barrels in *painted* (4, h, w); *scale* (2,): pixels for each cell."""
    mask = (painted[BARREL] > LIKELY).astype(np.uint8)
    count, parts, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
    found = []
    for i in range(1, count):
        if stats[i, cv2.CC_STAT_AREA] >= LEAST_CELLS:
            outline = _outline(painted, parts == i, scale)
            if outline is not None:
                found.append(outline)
    return sorted(found, key=lambda o: -o.area_px)


def _outline(painted: Array, part: Array, scale: Array) -> Outline | None:
    """The barrel painted in *part* (h, w); *scale* (2,): pixels for each cell."""
    at = _places(painted, scale)[part]
    middle = at.mean(0)
    spread, axes = np.linalg.eigh(np.cov((at - middle).T))
    axis = axes[:, 1]
    # of a short piece the longest way need not be the axis: the ends' colours tell
    if spread[1] < 2.0 * spread[0]:
        towards = _pull(painted, middle, np.sqrt(12 * spread[1]), scale)
        size = float(np.hypot(*towards))
        if size > 0:
            axis = towards / size
    normal = np.array([-axis[1], axis[0]])
    along, aside = (at - middle) @ axis, (at - middle) @ normal
    low, high = np.percentile(along, [1, 99])
    length = float(high - low)
    inner = np.abs(along - (low + high) / 2) < MIDDLE * length / 2
    if inner.sum() < 8 or length <= 0:
        return None
    # by area: a mask's outermost cells are the least sure ones
    cell = float(np.prod(scale))
    radius = float(inner.sum()) * cell / (MIDDLE * length) / 2
    centre = middle + axis * (low + high) / 2 + normal * float(np.median(aside[inner]))
    sense = _sense(painted, centre, axis, length, radius, scale)
    whole = not any(side.any() for side in (part[0], part[-1], part[:, 0], part[:, -1]))
    return Outline(centre, axis if sense >= 0 else -axis, length, radius, abs(sense),
                   float(painted[BARREL][part].mean()), whole)  # fmt: skip


def _places(painted: Array, scale: Array) -> Array:
    """Pixels (h, w, 2) of the cells."""
    height, width = painted.shape[1:]
    x, y = np.meshgrid(np.arange(width), np.arange(height))
    return np.asarray((np.stack([x, y], -1) + 0.5) * scale - 0.5)


def _towards_rod(painted: Array) -> Array:
    """What speaks in each cell (h, w) for the rod's side, and against the nozzle's."""
    return np.asarray(painted[ROD] - NOZZLE_WEIGHT * painted[NOZZLE])


def _pull(painted: Array, middle: Array, reach: float, scale: Array) -> Array:
    """Direction (2,) from nozzle to rod about *middle*."""
    away = _places(painted, scale) - middle
    near = np.hypot(away[..., 0], away[..., 1]) < reach
    return np.asarray((_towards_rod(painted)[near][:, None] * away[near]).sum(0))


def _sense(
    painted: Array, centre: Array, axis: Array, length: float, radius: float, scale: Array
) -> float:
    """From 1, rod beyond the end that *axis* points to and nozzle before the other, to -1."""
    at = _places(painted, scale)
    along = (at - centre) @ axis
    aside = (at - centre) @ np.array([-axis[1], axis[0]])
    beyond = np.abs(along) - 0.4 * length
    near = (beyond > 0) & (beyond < 0.1 * length + ENDS_REACH * radius)
    near &= np.abs(aside) < CORRIDOR * radius
    says = _towards_rod(painted)[near] * np.sign(along[near])
    total = float(np.abs(says).sum())
    cells = radius**2 / float(np.prod(scale))
    return float(says.sum()) / max(total, 0.5 * cells, 1.0)


class SilhouetteNet:
    """The trained net."""

    def __init__(self) -> None:
        self._net = net_of("silhouette")

    def paint(self, bgr: NDArray[np.uint8]) -> NDArray[np.float32]:
        """(4, h, w) probabilities of nothing, nozzle, barrel and rod.

        Cells are about twice as wide as pixels of the picture shrunk to LONG_SIDE.
        Raises ValueError for anything but (H, W, 3).
        """
        if bgr.ndim != 3 or bgr.shape[2] != 3:
            raise ValueError(f"a colour picture (H, W, 3) is needed, not {bgr.shape}")
        share = LONG_SIDE / max(bgr.shape[:2])
        height, width = (
            max(SIZE_STEP, round(n * share / SIZE_STEP) * SIZE_STEP) for n in bgr.shape[:2]
        )
        small = cv2.resize(bgr, (width, height), interpolation=cv2.INTER_AREA)
        self._net.setInput(np.ascontiguousarray(small.transpose(2, 0, 1)[None], np.float32))
        logits = np.asarray(self._net.forward()[0], np.float32)
        odds = np.exp(logits - logits.max(0))
        return np.asarray(odds / odds.sum(0), np.float32)


@cache
def silhouette_net() -> SilhouetteNet:
    """The one net of this process, loaded at first use."""
    return SilhouetteNet()
