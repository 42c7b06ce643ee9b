"""The barrel's two outlines beside a stretch of its scale.  A small net's answer.

On a card of the barrel's own colour an outline is fainter than the shadow beside it, the bore's
edge inside it or the rod's.  The net looks at the picture straightened along the supposed axis
and says, for every piece of it, how probable it is that an outline runs in each row.  The weights
are ``outline.onnx`` beside this file, made by ``sample_images/train_outline.py``; OpenCV's
``dnn`` runs them.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np

from .finder_net import normalise
from .strip import sampled
from .weights import net_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from .cylinder import Cylinder

    Array = NDArray[Any]

#: Rows of a view, and the distance from the axis of its edges, supposed outer radii.
ROWS = 128
REACH = 2.0
COLUMNS_PER_RADIUS = 16
#: Columns of a view, at least and at most, and how many of them the net answers as one.
COLUMNS = (48, 208)
PIECE = 8
WINDOW = (25, 17)  # columns, rows
KNOTS_PX = 24.0
SLOPES = np.linspace(-6, 6, 13)  # rows over the whole view: the axis is nearly right
NEAR = 5  # rows about the best one that count for its standard deviation
LEAST_APART = 0.2  # outer radii: closer together they are one edge taken for both
PIECES_AS_ONE = 3.0  # neighbouring pieces see the same shadow


@dataclass(frozen=True)
class Outlines:
    """Both outlines: ``walls`` two (M, 2) arrays of pixels, at -side and +side.

    ``miss`` (2,): distances from the axis, supposed outer radii; ``sd`` (2,): their standard
    deviations; ``share`` (2,): how much of the probability lies about that place; ``evidence``:
    mean log-probability of both.
    """

    walls: tuple[Array, Array]
    miss: Array
    sd: Array
    share: Array
    evidence: float

    @property
    def inside(self) -> bool:
        """True if there is a barrel between them, and neither is at the view's edge.

        The edge stands for all that lies beyond.
        """
        apart = float(self.miss[1] - self.miss[0])
        return bool(apart > LEAST_APART and np.abs(self.miss).max() < 0.93 * REACH)


def row_places(rows: int, reach: float) -> Array:
    """Distance from the axis (rows,) of each row, signed, outer radii."""
    return (np.arange(rows) + 0.5) / rows * 2 * reach - reach


def _beside_axis(cylinder: Cylinder, x: Array, miss: Array) -> Array:
    """Pixels of points at axial *x* whose viewing rays miss the axis by *miss* (outer radii)."""
    distance = 1 / np.cos(cylinder.limb())
    aside = miss / np.sqrt(np.maximum(1 - (miss / distance) ** 2, 0.2))
    return cylinder.project(x, np.sign(aside) * np.pi / 2, np.abs(aside))


def outline_view(
    bgr: NDArray[np.uint8],
    cylinder: Cylinder,
    x_from: float,
    x_to: float,
    shape: tuple[int, int] | None = None,
    reach: float = REACH,
) -> NDArray[np.uint8]:
    """The picture beside the axis, columns from *x_from* to *x_to*, (rows, columns, 3) uint8.

    *shape*: its rows and columns, if not what the net is used to; *reach*: outer radii.
    """
    low, high = COLUMNS
    wide = int(np.clip(round((x_to - x_from) * COLUMNS_PER_RADIUS), low, high))
    rows, columns = shape or (ROWS, wide)
    length_px = (x_to - x_from) * cylinder.radius_px
    across = int(np.clip(round(2 * reach * cylinder.radius_px / rows), 1, 6))
    along = int(np.clip(round(length_px / columns), 1, 8))
    miss = row_places(rows * across, reach)
    knots = np.linspace(0, 1, 2 + int(length_px / KNOTS_PX))
    points = _beside_axis(cylinder, x_from + knots[:, None] * (x_to - x_from), miss[None, :])
    at = (np.arange(columns * along) + 0.5) / (columns * along) * (len(knots) - 1)
    fine = sampled(bgr, points[..., 0], points[..., 1], at, cv2.BORDER_REPLICATE)
    return np.asarray(cv2.resize(fine, (columns, rows), interpolation=cv2.INTER_AREA), np.uint8)


class OutlineNet:
    """The trained net."""

    def __init__(self) -> None:
        self._net = net_of("outline")

    def log_probs(self, view: NDArray[np.uint8]) -> Array:
        """Natural logs of the rows' probabilities for both outlines, (2, ROWS, W / PIECE)."""
        self._net.setInput(normalise(view, WINDOW)[None])
        out = np.asarray(self._net.forward(), np.float64)[0]
        out -= out.max(1, keepdims=True)
        return np.asarray(out - np.log(np.exp(out).sum(1, keepdims=True)))

    def look(
        self, bgr: NDArray[np.uint8], cylinder: Cylinder, x_from: float, x_to: float
    ) -> Outlines:
        """Outlines beside the stretch from *x_from* to *x_to* (outer radii) of *cylinder*."""
        view = outline_view(bgr, cylinder, x_from, x_to)
        log_probs = self.log_probs(view)
        pieces = log_probs.shape[2]
        place = (np.arange(pieces) + 0.5) * PIECE / view.shape[1] - 0.5
        walls, sds, shares, middles = [], [], [], []
        evidence = 0.0
        for one in log_probs:
            row, slope, sd, share, top = _line(np.maximum(one, -9.0), place)
            evidence += top
            middles.append((row + 0.5) / ROWS * 2 * REACH - REACH)
            miss = (row + slope * place + 0.5) / ROWS * 2 * REACH - REACH
            walls.append(_beside_axis(cylinder, x_from + (place + 0.5) * (x_to - x_from), miss))
            sds.append(sd * 2 * REACH / ROWS)
            shares.append(share)
        return Outlines(
            (walls[0], walls[1]), np.array(middles), np.array(sds), np.array(shares), evidence
        )


def _line(log_probs: Array, place: Array) -> tuple[float, float, float, float, float]:
    """Row, slope (rows over the view), sd (rows), share and log-probability of the likeliest line.

    *log_probs* (ROWS, P) of the pieces at *place* (P,), -0.5 to 0.5.
    """
    rows = np.arange(len(log_probs), dtype=float)
    totals = _shifted(log_probs, SLOPES[:, None] * place).mean(1)
    turn = int(totals.max(1).argmax())
    found, slope, best = totals[turn], float(SLOPES[turn]), float(totals[turn].max())
    weight = np.exp(PIECES_AS_ONE * (found - found.max()))
    weight /= weight.sum()
    top = int(found.argmax())
    near = slice(max(0, top - NEAR), top + NEAR + 1)
    share = float(weight[near].sum())
    row = float((weight[near] * rows[near]).sum() / share)
    sd = float(np.sqrt((weight[near] * (rows[near] - row) ** 2).sum() / share))
    return row, slope, sd, share, best


def _shifted(log_probs: Array, shift: Array) -> Array:
    """(..., P, ROWS): piece j of *log_probs* (ROWS, P) at *shift* (..., P)[..., j] rows further on.

    Straight between rows; beyond the outermost as there.
    """
    whole = np.floor(shift).astype(int)
    share = (shift - whole)[..., None]
    last = len(log_probs) - 1
    at = np.arange(last + 1) + whole[..., None]
    piece = np.arange(shift.shape[-1])[:, None]
    here, next_ = (log_probs[np.clip(at + i, 0, last), piece] for i in (0, 1))
    return np.asarray(here + share * (next_ - here))


@cache
def outline_net() -> OutlineNet:
    """The net, loaded once."""
    return OutlineNet()
