"""Barrel -> Graduations: the lines as arcs on the fitted barrel, and which of them are there."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from .cylinder import Camera, Cylinder
from .lattice import LatticeCandidate, find_lattices, window_profiles
from .pose import (
    TYPICAL_FOCAL_35MM,
    Lattice,
    PoseFit,
    TickPoints,
    azimuths,
    fit_pose,
    scan_tilt,
    tick_points,
)
from .strip import Strip, cut_strip, line_strength, unwrap

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from .barrel import Barrel
    from .photo import Photo

    Array = NDArray[Any]

MIN_POINTS = 24
WALL_SD_PX = 1.2
GOOD_WEIGHT = 120.0  # agreeing points after which no other lattice is tried
MARGIN = 14  # lines looked at beyond both ends of what was fitted
SUBDIVISIONS = (10, 5, 4, 2)
MIN_SUBDIVISION_PX = 2.5
MIN_SUBDIVISION_SCORE = 0.24


@dataclass(frozen=True)
class Graduations:
    """The fitted barrel with its equally spaced lines.

    ``fit``: pose and lattice; line k stands at ``fit.lattice.x(k)``.  ``k`` (K,):
    line numbers looked at, also beyond the ends.  ``presence`` (K, W): contrast of each
    in each azimuth window.
    """

    fit: PoseFit
    strip: Strip
    lines: Array
    points: TickPoints
    k: Array
    presence: Array

    @property
    def cylinder(self) -> Cylinder:
        """Pose of the barrel."""
        return self.fit.cylinder

    @property
    def weight(self) -> float:
        """How many points agree on the lattice, chance agreement discounted.

        Points found by chance scatter evenly over the search window, so their median
        distance from the lattice is half of it.
        """
        if not len(self.points):
            return 0.0
        spread = float(np.nanmedian(np.abs(self.fit.residuals_px)))
        chance = min(0.175 * self.lattice.pitch * self.cylinder.radius_px, 1.5)
        return len(self.points) * max(0.0, 1.0 - spread / chance)

    @property
    def lattice(self) -> Lattice:
        """Positions of the lines."""
        return self.fit.lattice


@dataclass(frozen=True)
class Prospect:
    """A barrel with the lattices supposed on it, before any fit; ``score`` ranks prospects."""

    barrel: Barrel
    cylinder: Cylinder
    strip: Strip
    lines: Array
    core: float
    lattices: tuple[LatticeCandidate, ...]

    @property
    def score(self) -> float:
        """Clearness of the best lattice times the strength of the comb."""
        return max(c.score for c in self.lattices) * self.barrel.comb_score


def look_at(photo: Photo, barrel: Barrel) -> Prospect | None:
    """Tilt and lattices of *barrel*, from the unwrapped core; ``None`` if there is no lattice."""
    height, width = photo.gray.shape
    long_side = max(height, width)
    focal = photo.focal_px or TYPICAL_FOCAL_35MM / 36.0 * long_side
    camera = Camera(focal, (width - 1) / 2, (height - 1) / 2)
    radius = barrel.radius_px
    start = Cylinder(camera, (barrel.centre[0], barrel.centre[1]), barrel.angle, 0.0, 0.0, radius)
    reach = _reach(photo, barrel)
    strip = cut_strip(photo.gray, barrel.centre, barrel.angle, reach, 1.25 * radius)
    lines = line_strength(strip.gray)
    lines[~strip.inside] = 0
    # the comb is somewhere near the middle: search a core first, then all of the strip
    core = min(reach, 0.17 * long_side) / radius
    x = np.arange(-core, core, 0.5 / radius)
    tilted = scan_tilt(start, strip, lines, x[::2])
    phi = azimuths(radius)
    flat = np.minimum(unwrap(tilted, strip, lines, x, phi), 1.0)
    lattices = tuple(c for c in find_lattices(flat, x, phi, radius)[:3] if c.contrast > 0.1)
    return Prospect(barrel, tilted, strip, lines, core, lattices) if lattices else None


def find_graduations(photo: Photo, prospect: Prospect) -> Graduations | None:
    """Fit pose and lattice to the lines of *prospect*; ``None`` if they don't fit together."""
    reach = (prospect.strip.gray.shape[1] - 1) / 2 / prospect.barrel.radius_px
    best: Graduations | None = None
    for candidate in prospect.lattices:
        fitted = _fit(
            photo,
            prospect.barrel,
            prospect.cylinder,
            candidate.lattice,
            prospect.strip,
            prospect.lines,
            prospect.core,
            -reach,
            reach,
        )
        if fitted is not None and (best is None or fitted.weight > 1.2 * best.weight):
            best = fitted
        if best is not None and best.weight > GOOD_WEIGHT:
            break
    return best


def _reach(photo: Photo, barrel: Barrel) -> float:
    """Half length of a strip that covers the picture along the axis, working px."""
    height, width = photo.gray.shape
    d = np.array([np.cos(barrel.angle), np.sin(barrel.angle)])
    corners = np.array([[0, 0], [width, 0], [0, height], [width, height]], float)
    along = np.abs((corners - barrel.centre) @ d).max()
    return float(min(along, 0.62 * max(height, width)))


def _fit(
    photo: Photo,
    barrel: Barrel,
    cylinder: Cylinder,
    lattice: Lattice,
    strip: Strip,
    lines: Array,
    core: float,
    lo: float,
    hi: float,
) -> Graduations | None:
    """Alternate between looking for the lines and fitting the pose, core first."""
    long_side = max(photo.gray.shape)
    fit: PoseFit | None = None
    span_lo, span_hi = -core, core
    points = None
    for reach_px in (8.0, 4.5, 2.5, 2.5):
        k = lattice.between(span_lo, span_hi)
        if len(k) < 5:
            return None
        radius = cylinder.radius_px
        reach = max(min(0.35 * lattice.pitch, reach_px / radius), 1.2 / radius)
        points = tick_points(cylinder, strip, lines, lattice, k, reach)
        if len(points) < MIN_POINTS:
            return None
        fit = fit_pose(
            cylinder, lattice, points, barrel.walls, WALL_SD_PX, photo.focal_px, long_side
        )
        cylinder, lattice = fit.cylinder, fit.lattice
        # the fitted part grows to where lines are actually seen
        seen = _seen_extent(points, lattice)
        grow = 0.25 * (seen[1] - seen[0])
        span_lo, span_hi = max(lo, seen[0] - grow), min(hi, seen[1] + grow)
    if fit is None or points is None:
        return None
    x = np.arange(max(lo, span_lo - 2), min(hi, span_hi + 2), 0.5 / cylinder.radius_px)
    phi = azimuths(cylinder.radius_px)
    flat = np.minimum(unwrap(cylinder, strip, lines, x, phi), 1.0)
    profiles, _ = window_profiles(flat, phi)
    finer = _subdivide(profiles, x, lattice, cylinder.radius_px, seen)
    if finer > 1:
        lattice = Lattice(lattice.x0, lattice.pitch / finer)
        k = lattice.between(span_lo, span_hi)
        reach = max(0.35 * lattice.pitch, 1.2 / cylinder.radius_px)
        points = tick_points(cylinder, strip, lines, lattice, k, reach)
        if len(points) < MIN_POINTS:
            return None
        fit = fit_pose(
            cylinder, lattice, points, barrel.walls, WALL_SD_PX, photo.focal_px, long_side
        )
        cylinder, lattice = fit.cylinder, fit.lattice
        flat = np.minimum(unwrap(cylinder, strip, lines, x, phi), 1.0)
        profiles, _ = window_profiles(flat, phi)
    fit = replace(fit, lattice=lattice)
    k = lattice.between(x[0], x[-1])
    k = k[(k >= lattice.k(seen[0]) - MARGIN) & (k <= lattice.k(seen[1]) + MARGIN)]
    presence = line_contrast(profiles, x, lattice, k)
    return Graduations(fit, strip, lines, points, k, presence)


def _seen_extent(points: TickPoints, lattice: Lattice) -> tuple[float, float]:
    """Axial range (outer radii) over which lines are seen at two azimuths or more."""
    k, n = np.unique(points.k, return_counts=True)
    k = k[n >= 2]
    if len(k) < 3:
        k = np.unique(points.k)
    # isolated far finds are print or flange: keep the longest run with gaps below 8 lines
    runs = np.split(k, np.flatnonzero(np.diff(k) > 8) + 1)
    run = max(runs, key=len)
    return float(lattice.x(run[0])), float(lattice.x(run[-1]))


def _at(profiles: Array, x: Array, positions: Array) -> Array:
    """Largest of *profiles* (W, X) within one sample of *positions* (K,) -> (K, W)."""
    step = x[1] - x[0]
    i = np.clip(np.round((positions - x[0]) / step).astype(int), 1, len(x) - 2)
    return np.maximum(np.maximum(profiles[:, i - 1], profiles[:, i]), profiles[:, i + 1]).T


def line_contrast(profiles: Array, x: Array, lattice: Lattice, k: Array) -> Array:
    """How much stronger each line is than the places half-way to its neighbours, (K, W)."""
    on = _at(profiles, x, lattice.x(k))
    before = _at(profiles, x, lattice.x(k - 0.5))
    after = _at(profiles, x, lattice.x(k + 0.5))
    return on - np.maximum(before, after) * 0.8


def _subdivide(
    profiles: Array, x: Array, lattice: Lattice, radius_px: float, seen: tuple[float, float]
) -> int:
    """Into how many intervals each one of *lattice* is divided by finer lines, 1 if none.

    Long lines alone can win the first search.  Finer ones show as a lattice of their own
    in a window where the parts between the long lines are not empty.
    """
    inside = (x >= seen[0] - 0.02) & (x <= seen[1] + 0.02)
    px, pp = x[inside], profiles[:, inside]
    lines = lattice.between(px[0], px[-1])[:-1]
    coarse = line_contrast(pp, px, lattice, lines)
    reference = np.maximum(np.percentile(coarse, 70, axis=0), 0.06)
    clear = reference >= max(0.1, 0.2 * float(reference.max()))
    best, best_score = 1, MIN_SUBDIVISION_SCORE
    if not clear.any():
        return best
    for parts in SUBDIVISIONS:
        fine = Lattice(lattice.x0, lattice.pitch / parts)
        if fine.pitch * radius_px < MIN_SUBDIVISION_PX:
            continue
        between = np.concatenate([lines * parts + j for j in range(1, parts)])
        found = line_contrast(pp, px, fine, between)
        # in one window at least, most of the supposed finer lines are there, and are as
        # strong as the coarse ones in that window: reflections fill windows without lines
        score = float(np.max(np.mean(np.clip(found / reference, -0.5, 1), axis=0)[clear]))
        if score > best_score:
            best, best_score = parts, score
    return best
