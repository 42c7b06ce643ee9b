"""Scale -> FiducialLine: where the stopper's front sealing ring touches the wall.

The finder says which of the many edges is the ring, the edge net where its contact edge lies.
A second measurement, without any learning, says how far to believe that.  On the fitted
cylinder a ring is one axial position at every azimuth, so what the camera's tilt displaces in
the picture is put right by the fit and not by a factor.

The front ring's leading edge itself is the worst place to measure: through the liquid one
looks *into* the barrel, and the ring's rounded flank and the cone's foot are seen magnified
in front of it (a black stopper reads 1 to 4 % low).  But its trailing edge, and both edges of
the second ring, border on the dry gap behind it, where total reflection at the bore shows
exactly what touches the wall.  The rings of one stopper are mostly alike, so

    leading edge = trailing edge of the front ring - width of the second ring.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np

from .edge_net import find_edge

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from .cylinder import Cylinder
    from .photo import Photo

    Array = NDArray[Any]

# Azimuths looked at, degrees: nearer the middle the cone shows, further out the outline's blur.
LIMB_DEG = (68.0, 84.0)
ROWS = 10
BEFORE, BEHIND = 0.45, 2.0  # outer radii looked at before and behind the supposed place
TRAILING = (-0.12, 0.45)  # where the front ring's trailing edge may be, from the finder's place
GAP = (0.12, 1.3)  # length of the dry gap between the rings, outer radii
WIDTH = (0.04, 0.26)  # width of a ring, outer radii
USUAL_WIDTH, USUAL_WIDTH_SD = 0.11, 0.05
# Standard uncertainty of the edge net's place, outer radii: at least so much, and so much for
# what its answer is broader than the bell it was taught; more where the two-ring measurement
# does not bear it out.  From photographs made for this project that no net was trained on; see
# docs/uncertainty.md.
LEAST_SD = 0.0065
TAUGHT_SPREAD = 0.0156
SPREAD_GAIN = 1.45
BORNE_OUT = 0.02  # outer radii between the two measurements
NOT_BORNE_OUT = 1.32
#: Where no second ring is found the stopper is most often a one-piece seal.  They differ more
#: from make to make than rubber does: of another renderer's, two in fifteen lay outside 1.32.
LONE = 1.7
# Outer radii per unit of mass that the edge net's peak misses: what it misses lies at the next ring
# or the cone's foot.  Of 12 photographs with less than 0.92 in the peak none was off by more than
# what comes of it.
EDGE_DOUBT = 0.35
SURE_MASS = 0.99  # a finder less sure than this has seen no stopper like it
# The same for the finder.  Where no second ring speaks it may be a covered stopper's edge.  Of 313
# photographs in which it was as sure as SEEN_MASS none had it wrong by more than 0.25 outer radii.
DOUBT, DOUBT_ALONE, MOST_DOUBT = 1.0, 4.5, 0.15
PRIOR_SD = 0.07
MIN_RINGS_SCORE = 1.0
MASS_WINDOW = 0.2  # outer radii about the peak that should hold the finder's belief
# A finder less sure than this was wrong as often as right (by 0.15 outer radii or more in 2 of 4
# photographs of 317 below it, 4 of 313 above); the edge net's own belief is about the form of one
# edge, and less will do.
SEEN_MASS, MIN_MASS = 0.85, 0.7
# Refraction at the limb: typical bore over outer radius, and the index of polypropylene
# (about 1.49; common handbook value, from memory).
BORE_SHARE = 0.89
INDEX = 1.49


@dataclass(frozen=True)
class FiducialLine:
    """Axial position of the ring's leading contact edge, outer radii, and its doubts.

    ``x``: position; ``sd``: standard uncertainty, outer radii; ``mass``: the edge net's
    belief within reach of its peak, 0 to 1; ``rings``: score of the two-ring measurement, 0
    where it found nothing and the net's position stands alone; ``spacing``: from one ring to
    the next, outer radii, NaN where no second ring was found.
    """

    x: float
    sd: float
    mass: float
    rings: float
    spacing: float = float("nan")


def peak_of(log_probs: Array, x: Array) -> tuple[float, float]:
    """Position and mass of the finder's peak; *log_probs* (W,) over axial *x* (W,)."""
    p = np.exp(np.asarray(log_probs, float))
    step = float(abs(x[1] - x[0]))
    n = max(1, round(MASS_WINDOW / step))
    window = np.convolve(p, np.ones(2 * n + 1), mode="same")
    i = int(np.argmax(np.convolve(p, np.ones(3), mode="same")))
    near = slice(max(0, i - n), i + n + 1)
    return float(p[near] @ x[near] / p[near].sum()), float(window[i])


def measure_ring(
    photo: Photo, cylinder: Cylinder, guess: float, mass: float, direction: int
) -> FiducialLine:
    """Measure the ring near the finder's *guess* (axial, outer radii), of belief *mass*.

    *direction* is +1 if volume grows with x, else -1.
    """
    edge = find_edge(photo.bgr, cylinder, guess, direction)
    broader = np.sqrt(max(edge.spread**2 - TAUGHT_SPREAD**2, 0.0))
    own = np.linalg.norm([LEAST_SD, SPREAD_GAIN * broader, EDGE_DOUBT * (1 - edge.mass)])
    found = _two_rings(photo, cylinder, guess, direction)
    if found is not None and found.score < MIN_RINGS_SCORE:
        found = None
    missing = max(0.0, SURE_MASS - mass)
    if found is None:
        sd = float(np.hypot(LONE * own, min(DOUBT_ALONE * missing, MOST_DOUBT)))
        return FiducialLine(edge.x, sd, edge.mass, 0.0)
    measured = guess + direction * (found.lead + wall_refraction(cylinder, guess, direction))
    if abs(measured - edge.x) > BORNE_OUT:
        own *= NOT_BORNE_OUT
    sd = float(np.hypot(own, min(DOUBT * missing, MOST_DOUBT)))
    return FiducialLine(edge.x, sd, edge.mass, found.score, found.spacing)


def wall_refraction(cylinder: Cylinder, x: float, direction: int) -> float:
    """Axial shift, outer radii towards the plunger, from the outer surface to the bore.

    A ray that meets the outer surface near the limb is bent into the wall, meets the bore a
    little further round, and has moved along the axis meanwhile.  In the section square to the
    axis the product of index and least distance is conserved (Bouguer).
    """
    angle = cylinder.view_angle(x) * direction
    miss = np.sin(np.radians(np.mean(LIMB_DEG)))
    turn = np.arcsin(miss / (INDEX * BORE_SHARE)) - np.arcsin(miss / INDEX)
    chord = np.sqrt(1 + BORE_SHARE**2 - 2 * BORE_SHARE * np.cos(turn))
    return float(chord * np.tan(angle) / INDEX)


def _limb_profile(photo: Photo, cylinder: Cylinder, x: Array) -> Array:
    """Mean colours (X, 6) along the axis beside both limbs: three channels for each side."""
    sides = []
    for side in (-1.0, 1.0):
        phi = np.radians(np.linspace(*LIMB_DEG, ROWS)) * side
        points = cylinder.project(x[None, :], phi[:, None]).astype(np.float32)
        rows = cv2.remap(
            photo.bgr,
            points[..., 0],
            points[..., 1],
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        sides.append(rows.astype(np.float32).mean(0))
    profile = np.ascontiguousarray(np.concatenate(sides, axis=1).T)
    return np.asarray(cv2.GaussianBlur(profile, (0, 0), sigmaX=1.2, sigmaY=0.01).T)


@dataclass(frozen=True)
class _Rings:
    """A pair of rings: how clear it is, its leading edge from the finder's place, and the
    distance to the next ring, both outer radii towards the plunger."""

    score: float
    lead: float
    spacing: float


def _two_rings(photo: Photo, cylinder: Cylinder, guess: float, direction: int) -> _Rings | None:
    """The best pair of rings near *guess*.

    Tries every triple of edges as (trailing edge of the front ring, leading and trailing edge
    of the second): the rings must have one colour, and it must differ from the gap's and from
    what is behind.
    """
    step = 0.5 / cylinder.radius_px
    u = np.arange(-BEFORE, BEHIND, step)
    colours = _limb_profile(photo, cylinder, guess + direction * u)
    steep = np.linalg.norm(np.gradient(colours, axis=0), axis=1) / np.sqrt(2)
    total = np.vstack([np.zeros(colours.shape[1]), np.cumsum(colours, axis=0)])
    squares = np.concatenate([[0.0], np.cumsum((colours**2).sum(1))])

    inner = steep[1:-1]
    edges = 1 + np.flatnonzero(
        (inner >= steep[:-2]) & (inner > steep[2:]) & (inner > 0.12 * np.percentile(steep, 95))
    )
    a, b, c = _triples(edges, u)
    w = c - b
    whole = (a - w >= 1) & (c + 6 < len(u))
    a, b, c, w = a[whole], b[whole], c[whole], w[whole]
    if not len(a):
        return None

    def mean(start: Array, stop: Array) -> Array:
        return np.asarray((total[stop] - total[start]) / (stop - start)[:, None])

    def apart(m: Array, n: Array) -> Array:
        return np.asarray(np.sqrt(((m - n) ** 2).sum(1)) / np.sqrt(2))

    gap_from, gap_to = a + 2, np.maximum(b - 1, a + 3)
    gap = mean(gap_from, gap_to)
    unrest = (squares[gap_to] - squares[gap_from]) / (gap_to - gap_from) - (gap**2).sum(1)
    front = mean(a - w + 1, np.maximum(a - 1, a - w + 2))
    second = mean(b + 1, np.maximum(c, b + 2))
    behind = mean(c + 2, np.minimum(c + 2 + np.maximum(w, 6), len(u) - 1))
    contrast = np.minimum(apart(front, gap), apart(second, gap))
    contrast = np.minimum(contrast, apart(second, behind))
    sharp = 0.25 * np.minimum(np.minimum(steep[a], steep[b]), np.minimum(steep[c], 25.0))
    score = contrast - apart(front, second) + sharp
    score -= 0.5 * np.sqrt(np.maximum(unrest, 0.0) / 2)
    lead = u[a] - w * step
    score = score / 12.0 - 0.5 * (lead / PRIOR_SD) ** 2
    score -= 0.5 * ((w * step - USUAL_WIDTH) / USUAL_WIDTH_SD) ** 2
    i = int(np.argmax(score))
    return _Rings(float(score[i]), float(lead[i]), float(u[b[i]] - lead[i]))


def _triples(edges: Array, u: Array) -> tuple[Array, Array, Array]:
    """Indices into *u* of all (trailing, next leading, next trailing) *edges*, each (T,)."""
    at = u[edges]

    def after(first: Array, reach: tuple[float, float]) -> tuple[Array, Array]:
        """Which of *first*, and the edge within *reach* behind it: all such pairs."""
        away = at[None, :]
        there = (away > u[first, None] + reach[0]) & (away < u[first, None] + reach[1])
        which, edge = np.nonzero(there)
        return which, edges[edge]

    a = edges[(at > TRAILING[0]) & (at < TRAILING[1])]
    of, b = after(a, GAP)
    a = a[of]
    of, c = after(b, WIDTH)
    return a[of], b[of], c
