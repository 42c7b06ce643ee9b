"""Where, near the finder's place, does the front ring touch the bore?  A small net's answer.

The finder says which of the many edges is the ring, to a few hundredths of the radius.  This
net looks at the surface about that place at 64 columns per outer radius and is told the
viewing angle.  Through the liquid the contact edge itself is not seen: the cone's foot and the
ring's flank stand magnified before it, and where it lies has to be told from the shapes of
flank, ring and second ring together.  The answer is a distribution over columns, so that it
comes with a spread.  Two nets give it, trained on photographs of different generators.  Their
weights are ``edge.onnx.gz`` beside this file, made by ``sample_images/train_edge.py`` and
``join_nets.py``; OpenCV's ``dnn`` runs them.  See docs/finder.md.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np

from .finder_net import column_positions, finder_strip, normalise
from .weights import net_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from .cylinder import Cylinder

    Array = NDArray[Any]

#: Rows and columns per outer radius for which the net is trained.
ROWS = 48
COLUMNS_PER_RADIUS = 64
#: What it is shown before and behind the supposed place, outer radii.
BEFORE, BEHIND = 1.0, 1.8
COLUMNS = round((BEFORE + BEHIND) * COLUMNS_PER_RADIUS) + 1
#: Half width, outer radii, of the peak whose mean and spread are taken.
PEAK = 0.15
SLOPE_GAIN = 4.0
#: Columns and rows over which the grey channel is evened out.
WINDOW = (25, 13)


@dataclass(frozen=True)
class Edge:
    """Axial position *x* of the contact edge, its *spread* (outer radii), and the *mass*: how
    much of the net's belief lies within ``PEAK`` of its most probable column, 0 to 1."""

    x: float
    spread: float
    mass: float


class EdgeNet:
    """The trained net."""

    def __init__(self) -> None:
        self._net = net_of("edge")

    def look(self, strip_bgr: NDArray[np.uint8], slope: Array) -> Array:
        """Probability (COLUMNS,) that the contact edge lies in each column.

        *strip_bgr* (ROWS, COLUMNS, 3), volume growing to the right; *slope* (COLUMNS,):
        tangent of the viewing angle, positive where the volume grows away from the camera.
        Raises ValueError for other shapes.
        """
        if strip_bgr.ndim != 3 or strip_bgr.shape[1:] != (COLUMNS, 3):
            raise ValueError(f"the strip must be (H, {COLUMNS}, 3), not {strip_bgr.shape}")
        plane = np.broadcast_to((SLOPE_GAIN * slope).astype(np.float32), strip_bgr.shape[:2])
        seen = np.concatenate([normalise(strip_bgr, WINDOW), plane[None]])
        # the barrel has no preferred side: the strip turned over is a second look
        logits = np.zeros(COLUMNS)
        for look in (seen, seen[:, ::-1]):
            self._net.setInput(np.ascontiguousarray(look[None]))
            logits += 0.5 * np.asarray(self._net.forward(), np.float64).ravel()
        p = np.exp(logits - logits.max())
        return np.asarray(p / p.sum())


def find_edge(bgr: NDArray[np.uint8], cylinder: Cylinder, guess: float, direction: int) -> Edge:
    """The contact edge near the finder's *guess* (axial, outer radii).

    *direction* is +1 if volume grows with x, else -1.
    """
    low, high = sorted((guess - direction * BEFORE, guess + direction * BEHIND))
    strip = finder_strip(
        bgr,
        cylinder,
        low,
        high,
        reverse=direction < 0,
        columns_per_radius=COLUMNS_PER_RADIUS,
        rows=ROWS,
    )
    x = column_positions(low, high, COLUMNS_PER_RADIUS)[::direction]
    angles = [cylinder.view_angle(float(v)) for v in (x[0], x[-1])]
    slope = direction * np.linspace(np.tan(angles[0]), np.tan(angles[1]), len(x))
    return edge_of(edge_net().look(strip, slope), x)


def edge_of(probs: Array, x: Array) -> Edge:
    """Mean and spread of the main peak of *probs* (W,) over axial *x* (W,)."""
    near = np.abs(x - x[int(np.argmax(probs))]) <= PEAK
    mass = float(probs[near].sum())
    p = probs[near] / mass
    centre = float(p @ x[near])
    return Edge(centre, float(np.sqrt(p @ (x[near] - centre) ** 2)), mass)


@cache
def edge_net() -> EdgeNet:
    """The one net of this process, loaded at first use."""
    return EdgeNet()
