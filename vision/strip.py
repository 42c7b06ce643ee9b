"""A straightened strip of the photograph along a supposed barrel axis, and its dark lines."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from .cylinder import Cylinder

    Array = NDArray[Any]


KNOT_PX = 24.0


@dataclass(frozen=True)
class Strip:
    """Pixels sampled along an axis: column = distance along it, row = distance across.

    ``to_image`` is the (2, 3) affine map from (column, row) to working pixels (x, y);
    it is a rotation and a shift, so lengths are working pixels in both frames.
    """

    gray: NDArray[np.float32]
    to_image: Array
    inside: NDArray[np.bool_]

    @property
    def from_image(self) -> Array:
        """The (2, 3) inverse of ``to_image``."""
        return cv2.invertAffineTransform(self.to_image)

    def columns_rows(self, points: Array) -> tuple[Array, Array]:
        """Strip coordinates, each (...), of working pixels (..., 2)."""
        m = self.from_image
        x, y = points[..., 0], points[..., 1]
        return m[0, 0] * x + m[0, 1] * y + m[0, 2], m[1, 0] * x + m[1, 1] * y + m[1, 2]


def cut_strip(
    image: Array, centre: Array, angle: float, half_length: float, half_width: float
) -> Strip:
    """Strip of *image* (H, W) about *centre*, axis at *angle* radians, sizes in working px."""
    d = np.array([np.cos(angle), np.sin(angle)])
    n = np.array([-d[1], d[0]])
    size = (int(2 * half_length) + 1, int(2 * half_width) + 1)
    o = np.asarray(centre) - d * half_length - n * half_width
    m = np.array([[d[0], n[0], o[0]], [d[1], n[1], o[1]]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    strip = cv2.warpAffine(image, m, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
    h, w = image.shape[:2]
    along, across = np.arange(size[0], dtype=np.float32), np.arange(size[1], dtype=np.float32)
    x = (m[0, 0] * along + m[0, 2])[None, :] + (m[0, 1] * across)[:, None]
    y = (m[1, 0] * along + m[1, 2])[None, :] + (m[1, 1] * across)[:, None]
    inside = (np.abs(x - (w - 1) / 2) <= (w - 1) / 2) & (np.abs(y - (h - 1) / 2) <= (h - 1) / 2)
    return Strip(np.asarray(strip, np.float32), m, inside)


def line_strength(gray: NDArray[np.float32]) -> NDArray[np.float32]:
    """How much darker each pixel is than *both* its neighbourhoods along the axis, (H, W).

    In units of the local contrast, so that faint ink in flat light counts like strong ink
    beside a dark stopper.  A step (stopper edge, shadow) scores nothing: one of its sides
    is dark.  Distances of 2, 3 and 5 px cover lines about 1 to 6 px wide.
    """
    smooth = cv2.GaussianBlur(gray, (0, 0), 0.8)
    out = np.zeros_like(gray)
    for d in (2, 3, 5):
        ahead, behind = np.roll(smooth, -d, 1), np.roll(smooth, d, 1)
        np.maximum(out, np.minimum(ahead, behind) - smooth, out=out)
    out[:, :6] = out[:, -6:] = 0
    mean = cv2.blur(gray, (41, 41))
    spread = np.sqrt(np.maximum(cv2.blur(gray * gray, (41, 41)) - mean * mean, 0))
    return np.asarray(np.clip(out, 0, None) / (0.7 * spread + 4.0), np.float32)


def sampled(
    image: Array, columns: Array, rows: Array, at: Array, border: int = cv2.BORDER_CONSTANT
) -> Array:
    """*image* (H, W, ...) at *columns* and *rows* (K, P) of evenly spaced knots: (P, X, ...).

    *at* (X,): fractional numbers of knots; between these it goes straight.  *border*: what
    OpenCV takes for the pixels beyond the picture, 0 unless said otherwise.
    """
    # whole rows of memory are copied for each place, which is quicker than single numbers
    to_column, to_row = (_between(c.astype(np.float32), at) for c in (columns, rows))
    flat = cv2.remap(image, to_column, to_row, cv2.INTER_LINEAR, borderMode=border, borderValue=0)
    return np.asarray(cv2.transpose(flat))


def _between(knots: NDArray[np.float32], at: Array) -> NDArray[np.float32]:
    """Values (X, P) at fractional numbers *at* (X,) of evenly spaced *knots* (K, P)."""
    i = np.clip(at.astype(int), 0, len(knots) - 2)
    share = (at - i).astype(np.float32)[:, None]
    here, ahead = knots[i], knots[i + 1]
    here *= 1 - share
    ahead *= share
    here += ahead
    return here


def unwrap(
    cylinder: Cylinder,
    strip: Strip,
    image: NDArray[np.float32],
    x: Array,
    phi: Array,
    radius: float = 1.0,
) -> NDArray[np.float32]:
    """*image* (same frame as ``strip.gray``) on the cylinder's surface, (len(phi), len(x)).

    Perspective is smooth: the projection is computed at KNOT_PX and straight between.
    """
    knots = np.linspace(x[0], x[-1], 2 + int(abs(x[-1] - x[0]) * cylinder.radius_px / KNOT_PX))
    points = cylinder.project(knots[:, None], phi[None, :], radius)
    at = (x - knots[0]) / (knots[1] - knots[0])
    return np.asarray(sampled(image, *strip.columns_rows(points), at), np.float32)
