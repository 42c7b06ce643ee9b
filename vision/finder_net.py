"""Where on the barrel is the stopper's front ring, and where is air?  A small net's answer.

The net looks at the barrel's unwrapped outer surface (columns along the axis, volume
growing to the right, rows around the barrel) and says, for every column, how probable it
is that the fiducial line lies there, and what fraction of the bore is air.  It knows which
edge is meant; where exactly that edge lies is for a finer measurement to say.  The weights,
of two nets whose mean it is, are ``finder.onnx.gz`` beside this file, made by
``sample_images/train_finder.py``; OpenCV's ``dnn`` runs them.  See docs/finder.md.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

import cv2
import numpy as np

from .weights import net_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from .cylinder import Cylinder

#: Rows of a strip, and the azimuth of the first and last row, radians.
ROWS = 72
PHI_LIMIT = float(np.radians(88))
#: Columns per outer radius for which the net is trained; it answers for every second one.
COLUMNS_PER_RADIUS = 48
#: How much of the surroundings of the scale the net was trained on, outer radii.
MARGIN_BEFORE_ZERO = 1.0
MARGIN_PAST_END = 1.5
#: Window (columns, rows) over which the fourth channel is evened out.
WINDOW = (49, 19)
#: Least columns of a strip, at COLUMNS_PER_RADIUS.
MIN_COLUMNS = 96


@dataclass(frozen=True)
class Findings:
    """What the net says of a strip, per column (W,).

    ``fiducial_log_probs``: natural log of the probability that the front ring's contact
    edge, near the two limbs, lies in this column.  The probabilities add up to no more
    than 1; the rest, ``absent``, is that there is no such edge in the strip or that it can't
    be told.  ``air_fraction`` (2, W): how probable it is that a pocket of air fills the bore
    here, and the part of the section that bubbles take, both 0..1; meaningful between the
    zero line and the fiducial line only.
    """

    fiducial_log_probs: NDArray[np.float32]
    air_fraction: NDArray[np.float32]
    absent: float


def row_angles(rows: int = ROWS) -> NDArray[np.float64]:
    """Azimuth (rows,) of each row of a strip, radians."""
    return np.linspace(-PHI_LIMIT, PHI_LIMIT, rows)


def column_positions(
    x_from: float, x_to: float, columns_per_radius: float = COLUMNS_PER_RADIUS
) -> NDArray[np.float64]:
    """Axial position (W,) of each column before any reversal, outer radii, increasing."""
    columns = max(2, round((x_to - x_from) * columns_per_radius) + 1)
    return x_from + np.arange(columns) / columns_per_radius


def finder_strip(
    bgr: NDArray[np.uint8],
    cylinder: Cylinder,
    x_from: float,
    x_to: float,
    reverse: bool = False,
    columns_per_radius: float = COLUMNS_PER_RADIUS,
    rows: int = ROWS,
) -> NDArray[np.uint8]:
    """The barrel's outer surface from *x_from* to *x_to* (outer radii), (rows, W, 3) uint8.

    Column j is at ``column_positions(x_from, x_to, columns_per_radius)[j]``, or at its
    mirror, [W - 1 - j], with *reverse*; set that where the cylinder's x decreases with
    volume.  Large pictures are averaged, not skipped.  Beyond the picture its border is
    repeated.  Raises ValueError if *bgr* is not (H, W, 3) or ``x_to <= x_from``.
    """
    if bgr.ndim != 3 or bgr.shape[2] != 3:
        raise ValueError(f"the picture must be (H, W, 3), not {bgr.shape}")
    if not x_to > x_from:
        raise ValueError(f"x_to ({x_to}) must be greater than x_from ({x_from})")
    x = column_positions(x_from, x_to, columns_per_radius)
    phi = row_angles(rows)
    fold = int(np.clip(round(cylinder.radius_px / columns_per_radius / 1.5), 1, 6))
    # the fine grid's cells halve, third... each coarse cell about its centre
    within = (np.arange(fold) - (fold - 1) / 2) / fold
    fine_x = (x[:, None] + within / columns_per_radius).ravel()
    fine_phi = np.clip((phi[:, None] + within * (phi[1] - phi[0])).ravel(), -PHI_LIMIT, PHI_LIMIT)
    # a near camera does not see as far round as PHI_LIMIT: keep to what it sees
    limit = min(PHI_LIMIT, cylinder.limb() - 0.01)
    points = cylinder.project(fine_x[None, :], fine_phi[:, None] * (limit / PHI_LIMIT))
    strip = cv2.remap(
        bgr,
        points[..., 0].astype(np.float32),
        points[..., 1].astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )
    if fold > 1:
        strip = cv2.resize(strip, (len(x), rows), interpolation=cv2.INTER_AREA)
    return np.ascontiguousarray(strip[:, ::-1] if reverse else strip)


def normalise(
    strip_bgr: NDArray[np.uint8], window: tuple[int, int] = WINDOW
) -> NDArray[np.float32]:
    """Strip (H, W, 3) -> the net's four channels (4, H, W).

    Three are the colours, less their means over the strip and by their common spread; the
    fourth is the grey picture evened out over *window* (columns, rows).
    """
    colour = np.asarray(strip_bgr, np.float32)
    centred = colour - colour.mean((0, 1))
    centred /= np.sqrt(np.mean(centred * centred)) + 4
    grey = colour @ np.array([0.114, 0.587, 0.299], np.float32)
    high = grey - cv2.blur(grey, window, borderType=cv2.BORDER_REFLECT_101)
    spread = cv2.blur(high * high, window, borderType=cv2.BORDER_REFLECT_101)
    even = high / (np.sqrt(np.maximum(spread, 0)) + 3)
    return np.concatenate([centred.transpose(2, 0, 1), even[None]]).astype(np.float32)


class StopperNet:
    """The trained net."""

    def __init__(self) -> None:
        self._net = net_of("finder")

    def look(
        self, strip_bgr: NDArray[np.uint8], columns_per_radius: float = COLUMNS_PER_RADIUS
    ) -> Findings:
        """What is seen on a strip (H, W, 3) made by :func:`finder_strip`.

        A strip at another *columns_per_radius* is resampled and the answer given for its own
        columns.  Raises ValueError unless it is (H, W, 3) and at least 2 radii long.
        """
        if strip_bgr.ndim != 3 or strip_bgr.shape[2] != 3:
            raise ValueError(f"the strip must be (H, W, 3), not {strip_bgr.shape}")
        width = strip_bgr.shape[1]
        scale = COLUMNS_PER_RADIUS / columns_per_radius
        columns = round(width * scale)
        if columns < MIN_COLUMNS:
            raise ValueError(
                f"the strip must be at least {MIN_COLUMNS / COLUMNS_PER_RADIUS:g} radii long, "
                f"not {width / columns_per_radius:.2f}"
            )
        seen = strip_bgr
        if seen.shape[:2] != (ROWS, columns):
            seen = np.asarray(
                cv2.resize(seen, (columns, ROWS), interpolation=cv2.INTER_AREA), np.uint8
            )
        # the barrel has no preferred side: the strip turned over is a second look
        channels = normalise(seen)
        out = np.mean([self._answer(look) for look in (channels, channels[:, ::-1])], axis=0)
        log_probs, absent = _log_softmax_with_absent(out[0])
        pocket = 1 / (1 + np.exp(-np.clip(out[1], -30, 30)))
        # from every second column of the strip looked at to those of the strip given
        at = ((np.arange(width) + 0.5) * (columns / width) - 0.5) / 2
        answered = np.arange(out.shape[1])
        probs, *air = (np.interp(at, answered, y) for y in (np.exp(log_probs), pocket, out[2]))
        log_probs = np.log(probs * (columns / width / 2))
        fraction = np.clip(np.stack(air), 0, 1).astype(np.float32)
        return Findings(log_probs.astype(np.float32), fraction, absent)

    def _answer(self, channels: NDArray[np.float32]) -> NDArray[np.float64]:
        """(3, W / 2): logits of fiducial line and pocket, bubbles' share, of (4, ROWS, W)."""
        self._net.setInput(np.ascontiguousarray(channels[None]))
        return np.asarray(self._net.forward(), np.float64)[0]


# The net can be certain and wrong: this share of the probability is spread evenly.
_FLOOR = 0.003


def _log_softmax_with_absent(
    logits: NDArray[np.float64],
) -> tuple[NDArray[np.float64], float]:
    """Logs of the columns' probabilities, and the probability of none, whose logit is 0."""
    top = max(float(logits.max()), 0.0)
    weights = np.exp(logits - top)
    none = float(np.exp(-top))
    total = float(weights.sum()) + none
    probs = (1 - _FLOOR) * weights / total + _FLOOR / (len(logits) + 1)
    return np.log(probs), 1.0 - float(probs.sum())


@cache
def stopper_net() -> StopperNet:
    """The one net of this process, loaded at first use."""
    return StopperNet()
