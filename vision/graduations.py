"""Barrel -> Graduations: the lines as arcs on the fitted barrel, and which of them are there."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np

from .cylinder import Camera, Cylinder
from .lattice import LatticeCandidate, find_lattices, window_profiles
from .lines_net import line_net
from .outline_net import Outlines, outline_net
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

CORE_SHARE = 0.17  # half length of the stretches looked at, as a share of the long side
CLEAR_EVIDENCE = 200.0  # a lattice beyond doubt: no other stretch needs to be looked at
DOUBTFUL_EVIDENCE = 60.0  # what clutter reaches
SUPPOSED_RADII = (0.6, 0.9, 1.35)  # of what was first supposed
OUTLINE_SHARE = 0.1  # half length, of the long side
TILT_STEPS = np.radians([5.0, 2.5])
REACH_PX = (8.0, 4.5, 2.5, 2.5)  # how far from its supposed place a line is looked for
REACH_SHARE = 0.35  # ... and at most as a share of the pitch
MIN_POINTS = 24
# Of 123 fits that came to a weight of 40 in the end none had less than 28 on the way, nor less than
# 2.2 times the root of the number of points.
HOPELESS_WEIGHT, HOPELESS_BY_CHANCE = 20.0, 2.0
LAST_FITS = 2
WALL_SD_PX = 1.2
MIN_STRETCH_PX = 48.0  # shorter ones say nothing about the outlines beside them
# An outline counts like this many points on lines when it lies beside the lines just fitted,
# and next to nothing as long as it is only supposed.
WALL_WEIGHT, SUPPOSED_WALL_WEIGHT = 40.0, 2.0
LEAST_SHARE, MOST_SD = 0.5, 0.06  # of the probability about one place, outer radii
WALLS_AGREE, OTHER_RADII = 0.08, (0.75, 1.25)  # if they are not as far apart as supposed
MOST_RADIUS = 0.2  # of the long side; a barrel that fills the frame has a tenth
GOOD_WEIGHT = 120.0  # agreeing points after which no other lattice is tried
LEAST_ON_LINE = 1.0  # points that a line must have, expected, to be seen
FINER_SHARE = 0.6
WHOLE = 0.06
MARGIN = 14  # lines looked at beyond both ends of what was fitted
SUBDIVISIONS = (10, 5, 4, 2)
MIN_SUBDIVISION_PX = 2.5
MIN_SUBDIVISION_SCORE = 0.24
MIN_SUBDIVISION_SHARE = 0.33  # of the finer lines that are plainly there
EMPTY_SHARE = 0.35
# How much of what is measured counts where the net paints no line, how far about one that it
# paints (outer radii), from what probability in full; and how much a painted line counts itself.
UNPAINTED_SHARE, NEAR_PAINTED, SURE_PAINTED = 0.1, 0.12, 0.18
PAINTED_SHARE = 0.5


@dataclass(frozen=True)
class Graduations:
    """The fitted barrel with its equally spaced lines.

    ``fit``: pose and lattice; line k stands at ``fit.lattice.x(k)``.  ``k`` (K,):
    line numbers looked at, also beyond the ends.  ``presence`` (K, W): contrast of each
    in each azimuth window; ``azimuths`` (W,): the windows' middles.  ``scale``: the stretch of
    the whole scale, outer radii, where that was known beforehand.
    """

    fit: PoseFit
    strip: Strip
    lines: Array
    points: TickPoints
    k: Array
    presence: Array
    azimuths: Array
    scale: tuple[float, float] | None = None

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
        return _weight(self.fit, REACH_PX[-1])

    @property
    def lattice(self) -> Lattice:
        """Positions of the lines."""
        return self.fit.lattice


@dataclass(frozen=True)
class Sight:
    """A barrel unrolled along its axis, before any lattice is supposed on it.

    ``barrel`` and ``cylinder``: as the outlines have it; ``ends``: columns, from the middle, where
    the picture begins and ends; ``core``: half length of the stretches looked at, columns;
    ``measured`` (H, W): strength of lines.
    """

    barrel: Barrel
    cylinder: Cylinder
    strip: Strip
    ends: tuple[float, float]
    core: float
    measured: Array

    @cached_property
    def middle(self) -> Prospect | None:
        """Tilt and lattices about the middle; ``None`` if there is no lattice."""
        return _lattices_about(self, 0.0, self.measured)

    @cached_property
    def anywhere(self) -> Prospect | None:
        """As ``middle``, or of the stretch along the barrel with the clearest lattice.

        The direction of the axis is known from the walls, its comb only roughly.
        """
        best = self.middle
        low, high = self.ends[0] + self.core, self.ends[1] - self.core
        n = max(1, round((high - low) / (0.7 * self.core)) + 1)
        for aside in np.linspace(low, high, n if n > 1 else 0):
            if best is not None and best.score > CLEAR_EVIDENCE:
                break
            found = _lattices_about(self, float(aside), self.measured)
            if found is not None and (best is None or found.score > best.score):
                best = found
        return best

    @cached_property
    def in_paint(self) -> Prospect | None:
        """As ``middle``, of the lines that the net paints."""
        return _lattices_about(self, 0.0, self.painted)

    @cached_property
    def painted(self) -> Array:
        """Strength of lines (H, W) where the net sees any, and what it sees itself."""
        return graduation_lines(self.strip, self.measured, self.barrel.radius_px)


@dataclass(frozen=True)
class Prospect:
    """Lattices supposed on a barrel, before any fit; ``score`` ranks prospects.

    ``lines`` (H, W): where lines are looked for at first, those of ``sight`` measured or painted;
    ``core``: the stretch looked at first, outer radii; ``scale``: that of the whole scale, where
    it is known.
    """

    sight: Sight
    cylinder: Cylinder
    lines: Array
    core: tuple[float, float]
    lattices: tuple[LatticeCandidate, ...]
    scale: tuple[float, float] | None = None

    @property
    def score(self) -> float:
        """Evidence for the best lattice."""
        return self.lattices[0].score


def look_at(photo: Photo, barrel: Barrel) -> Sight | None:
    """The *barrel* unrolled; ``None`` if its axis lies beside the picture."""
    height, width = photo.gray.shape
    long_side = max(height, width)
    focal = photo.focal_px or TYPICAL_FOCAL_35MM / 36.0 * long_side
    camera = Camera(focal, (width - 1) / 2, (height - 1) / 2)
    radius = barrel.radius_px
    start = Cylinder(camera, (barrel.centre[0], barrel.centre[1]), barrel.angle, 0.0, 0.0, radius)
    start = _within_outlines(photo, start)
    barrel = replace(barrel, centre=np.array(start.anchor), radius_px=start.radius_px)
    reach = _reach(photo, barrel)
    strip = cut_strip(photo.gray, barrel.centre, barrel.angle, reach, 1.25 * start.radius_px)
    columns = np.flatnonzero(strip.inside[strip.inside.shape[0] // 2])
    if not len(columns):
        return None
    lines = line_strength(strip.gray)
    lines[~strip.inside] = 0
    ends = columns[[0, -1]] - reach
    core = min(reach, CORE_SHARE * long_side)
    return Sight(barrel, start, strip, (float(ends[0]), float(ends[1])), core, lines)


def _lattices_about(sight: Sight, middle: float, lines: Array) -> Prospect | None:
    """Tilt and lattices on the stretch about the column *middle*, counted from the strip's."""
    start, strip, radius = sight.cylinder, sight.strip, sight.barrel.radius_px
    x = np.arange(middle - sight.core, middle + sight.core, 0.5) / radius
    tilted = scan_tilt(start, strip, lines, x)
    lattices = _lattices(tilted, strip, lines, x)
    if not lattices:
        return None
    if lattices[0].score > DOUBTFUL_EVIDENCE:
        # a stopper or numerals may have misled the scan: perspective spoils the lattice then
        for turn in TILT_STEPS:
            for sign in (-1, 1):
                other = tilted.moved(tilt=tilted.tilt + sign * turn)
                there = _lattices(other, strip, lines, x)
                if there and there[0].score > 1.05 * lattices[0].score:
                    tilted, lattices = other, there
                    break
    return Prospect(sight, tilted, lines, (float(x[0]), float(x[-1])), lattices)


def graduation_lines(strip: Strip, lines: Array, radius_px: float) -> NDArray[np.float32]:
    """*lines* (H, W), measured, where the net sees any; and what it sees where ink is worn."""
    painted = line_net().paint(strip.gray, radius_px)
    painted[~strip.inside] = 0
    near = max(3, round(NEAR_PAINTED * radius_px) | 1)
    around = cv2.dilate(painted, np.ones((near, near), np.uint8))
    gate = UNPAINTED_SHARE + (1 - UNPAINTED_SHARE) * np.clip(around / SURE_PAINTED, 0, 1)
    return np.asarray(lines * gate + PAINTED_SHARE * painted, np.float32)


def _within_outlines(photo: Photo, start: Cylinder) -> Cylinder:
    """*start* with axis and radius by the outlines beside its middle.

    What was taken for outlines may be the rod's or a shadow's: several radii are supposed, and
    the one counts whose outlines are plainest.
    """
    half_px = OUTLINE_SHARE * max(photo.gray.shape)
    looks = []
    for share in SUPPOSED_RADII:
        supposed = start.moved(radius_px=share * start.radius_px)
        half = half_px / supposed.radius_px
        found = outline_net().look(photo.bgr, supposed, -half, half)
        if found.inside:
            looks.append((found.evidence, supposed.radius_px, found.miss))
    if not looks:
        return start
    _, radius, miss = max(looks, key=lambda look: look[0])
    aside = float(miss.mean()) * radius
    n = np.array([-np.sin(start.angle), np.cos(start.angle)])
    centre = np.array(start.anchor) + aside * n
    return start.moved(
        anchor=(float(centre[0]), float(centre[1])),
        radius_px=float(miss[1] - miss[0]) / 2 * radius,
    )


def _lattices(
    cylinder: Cylinder, strip: Strip, lines: Array, x: Array
) -> tuple[LatticeCandidate, ...]:
    """Lattices supposed on the stretch *x* of *cylinder*."""
    phi = azimuths(cylinder.radius_px)
    flat = np.minimum(unwrap(cylinder, strip, lines, x, phi), 1.0)
    return tuple(find_lattices(flat, x, phi, cylinder.radius_px))


def find_graduations(photo: Photo, prospect: Prospect) -> Graduations | None:
    """Fit pose and lattice to the lines of *prospect*; ``None`` if they don't fit together."""
    best: Graduations | None = None
    tried: list[float] = []
    for candidate in prospect.lattices:
        pitch = candidate.lattice.pitch
        if best is not None and best.weight > GOOD_WEIGHT:
            # only finer lines, as plain as these, could have been missed; and not such as divide
            # those tried, or what came of them, which were looked for with the pose known
            pitch_px = pitch * prospect.cylinder.radius_px
            ratio = best.lattice.pitch * best.cylinder.radius_px / pitch_px
            whole = any(abs(r - round(r)) < WHOLE for r in (ratio, *(t / pitch for t in tried)))
            if whole or ratio < 1.4 or candidate.score < FINER_SHARE * prospect.score:
                continue
        fitted = _fit(photo, prospect, candidate.lattice)
        tried.append(pitch)
        if fitted is not None and (best is None or fitted.weight > 1.2 * best.weight):
            best = fitted
    return best


def _reach(photo: Photo, barrel: Barrel) -> float:
    """Half length of a strip that covers the picture along the axis, working px."""
    height, width = photo.gray.shape
    d = np.array([np.cos(barrel.angle), np.sin(barrel.angle)])
    corners = np.array([[0, 0], [width, 0], [0, height], [width, height]], float)
    along = np.abs((corners - barrel.centre) @ d).max()
    return float(min(along, 0.62 * max(height, width)))


def _fit(photo: Photo, prospect: Prospect, lattice: Lattice) -> Graduations | None:
    """Alternate between looking for the lines and fitting the pose, core first."""
    sight, cylinder = prospect.sight, prospect.cylinder
    barrel, strip = sight.barrel, sight.strip
    long_side = max(photo.gray.shape)
    hi = (strip.gray.shape[1] - 1) / 2 / barrel.radius_px
    lo = -hi
    span_lo, span_hi = prospect.core
    walls, wall_weight, wall_sd_px = barrel.walls, SUPPOSED_WALL_WEIGHT, WALL_SD_PX

    def fitted(
        pose: Cylinder, lattice: Lattice, k: Array, reach_px: float, lines: Array
    ) -> tuple[PoseFit, TickPoints] | None:
        """Pose and lattice by the lines *k* and the outlines as they are known by then."""
        reach = _window(lattice, reach_px, pose.radius_px)
        points = tick_points(pose, strip, lines, lattice, k, reach)
        if len(points) < MIN_POINTS:
            return None
        fit = fit_pose(
            pose, lattice, points, walls, wall_sd_px, photo.focal_px, long_side, wall_weight
        )
        return None if _is_lost(fit, long_side) else (fit, points)

    for reach_px in REACH_PX:
        k = lattice.between(span_lo, span_hi)
        if len(k) < 5:
            return None
        step = fitted(cylinder, lattice, k, reach_px, prospect.lines)
        if step is None:
            return None
        fit, points = step
        hopeless = max(HOPELESS_WEIGHT, HOPELESS_BY_CHANCE * float(np.sqrt(len(points))))
        if reach_px < REACH_PX[0] and _weight(fit, reach_px) < hopeless:
            return None
        cylinder, lattice = fit.cylinder, fit.lattice
        # the fitted part grows to where lines are actually seen
        seen = prospect.scale or _seen_extent(points, lattice, fit.on_line)
        grow = 0.25 * (seen[1] - seen[0])
        span_lo, span_hi = max(lo, seen[0] - grow), min(hi, seen[1] + grow)
        outlines = _outlines_beside(photo, cylinder, seen)
        if outlines is not None:
            (walls, sd_px), wall_weight = outlines, WALL_WEIGHT
            wall_sd_px = max(WALL_SD_PX, sd_px)
    x = np.arange(max(lo, span_lo - 2), min(hi, span_hi + 2), 0.5 / cylinder.radius_px)
    if len(x) < MIN_STRETCH_PX:
        return None
    phi = azimuths(cylinder.radius_px)
    flat = np.minimum(unwrap(cylinder, strip, prospect.lines, x, phi), 1.0)
    profiles, _ = window_profiles(flat, phi)

    def finished(lattice: Lattice) -> Graduations | None:
        """The last fits are to what is seen: beyond the scale's ends there is nothing to fit to."""
        pose, ends = cylinder, seen
        for _ in range(LAST_FITS):
            k = lattice.between(ends[0] - lattice.pitch / 2, ends[1] + lattice.pitch / 2)
            step = fitted(pose, lattice, k, REACH_PX[-1], sight.measured)
            if step is None:
                return None
            fit, points = step
            pose, lattice = fit.cylinder, fit.lattice
            ends = prospect.scale or _seen_extent(points, lattice, fit.on_line)
        flat = np.minimum(unwrap(pose, strip, sight.painted, x, phi), 1.0)
        k = lattice.between(x[0], x[-1])
        k = k[(k >= lattice.k(ends[0]) - MARGIN) & (k <= lattice.k(ends[1]) + MARGIN)]
        profiles, middles = window_profiles(flat, phi)
        presence = line_contrast(profiles, x, lattice, k)
        return Graduations(fit, strip, sight.measured, points, k, presence, middles, prospect.scale)

    # something may stand between lines here and there: finer lines are more lines that agree
    supposed = _supposed(profiles, x, lattice, cylinder.radius_px, seen)
    each = [finished(one) for one in supposed]
    return max((g for g in each if g is not None), key=lambda g: g.weight, default=None)


def _window(lattice: Lattice, reach_px: float, radius_px: float) -> float:
    """How far from its supposed place (outer radii) a line is looked for."""
    return max(min(REACH_SHARE * lattice.pitch, reach_px / radius_px), 1.2 / radius_px)


def _weight(fit: PoseFit, reach_px: float) -> float:
    """`Graduations.weight` of *fit* to points looked for within *reach_px*."""
    off = np.abs(fit.residuals_px)
    off = off[~np.isnan(off)]
    if not len(off):
        return 0.0
    spread = float(np.median(off))
    chance = min(REACH_SHARE * fit.lattice.pitch * fit.cylinder.radius_px, reach_px) / 2
    return len(off) * max(0.0, 1.0 - spread / chance)


def _is_lost(fit: PoseFit, long_side_px: int) -> bool:
    """True if no barrel looks like that."""
    unseen = bool(np.isnan(fit.residuals_px).all())
    large = fit.cylinder.radius_px > MOST_RADIUS * long_side_px
    return unseen or large or fit.lattice.pitch <= 0


def _outlines_beside(
    photo: Photo, cylinder: Cylinder, stretch: tuple[float, float]
) -> tuple[tuple[Array, Array], float] | None:
    """Outlines beside a *stretch* (outer radii) of *cylinder* and their sd, px; or no telling.

    Where they are not as far apart as supposed, other radii are supposed too: one look alone has
    taken a shadow's edge for the barrel's.
    """
    ends = cylinder.project(np.array(stretch), 0.0, 0.0)
    length = float(np.hypot(*(ends[1] - ends[0])))
    if stretch[1] <= stretch[0] or not MIN_STRETCH_PX < length < 2 * max(photo.gray.shape):
        return None

    def look(share: float) -> Outlines:
        supposed = cylinder.moved(radius_px=share * cylinder.radius_px)
        return outline_net().look(photo.bgr, supposed, stretch[0] / share, stretch[1] / share)

    best, share = look(1.0), 1.0
    if abs(float(best.miss[1] - best.miss[0]) / 2 - 1) > WALLS_AGREE:
        for other in OTHER_RADII:
            found = look(other)
            if found.inside and found.evidence > best.evidence:
                best, share = found, other
    if best.share.min() < LEAST_SHARE or best.sd.max() > MOST_SD:
        return None
    return best.walls, float(best.sd.max()) * share * cylinder.radius_px


def _seen_extent(points: TickPoints, lattice: Lattice, on_line: Array) -> tuple[float, float]:
    """Axial range (outer radii) over which lines are seen.

    *on_line* (N,): each point's probability to be on its line.  Beyond the scale's ends points
    are found by chance, but they do not lie on the lattice.
    """
    k, place = np.unique(points.k, return_inverse=True)
    k = k[np.bincount(place, on_line) >= LEAST_ON_LINE]
    if len(k) < 3:
        k = np.unique(points.k)
    # isolated far finds are print or flange: keep the longest run with gaps below 8 lines
    runs = np.split(k, np.flatnonzero(np.diff(k) > 8) + 1)
    run = max(runs, key=len)
    while len(run) > 8 and run[3] - run[0] > 5:
        run = run[1:]
    while len(run) > 8 and run[-1] - run[-4] > 5:
        run = run[:-1]
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


def _supposed(
    profiles: Array, x: Array, lattice: Lattice, radius_px: float, seen: tuple[float, float]
) -> list[Lattice]:
    """What the lines may be: *lattice*, one that divides it, or one that it divides."""
    finer = _subdivisions(profiles, x, lattice, radius_px, seen)
    divided = [Lattice(lattice.x0, lattice.pitch / parts) for parts in finer]
    # where it was two intervals and a half, every second of five lines is none
    made = [_every_other(profiles, x, one, seen) or one for one in divided or [lattice]]
    return [lattice, *made] if finer else made


def _every_other(
    profiles: Array, x: Array, lattice: Lattice, seen: tuple[float, float]
) -> Lattice | None:
    """The lattice of every second or third line, if there is nothing on the others.

    Thin lines have harmonics as strong as the fundamental, so a lattice too fine may be found.
    """
    k = lattice.between(seen[0] - 0.02, seen[1] + 0.02)
    found = line_contrast(profiles, x, lattice, k)
    for parts in (2, 3):
        if len(k) < 4 * parts:
            continue
        strength = np.array([np.clip(found[k % parts == j], 0, 1).mean(0) for j in range(parts)])
        first = int(strength.max(1).argmax())
        clear = strength[first] >= max(0.1, 0.3 * float(strength[first].max()))
        share = np.delete(strength, first, axis=0)[:, clear] / strength[first][clear]
        # elsewhere the others may meet numerals, but short lines stand where long ones do
        if clear.any() and share.max() < EMPTY_SHARE:
            return Lattice(float(lattice.x(first)), lattice.pitch * parts)
    return None


def _subdivisions(
    profiles: Array, x: Array, lattice: Lattice, radius_px: float, seen: tuple[float, float]
) -> list[int]:
    """Into how many intervals each one of *lattice* may be divided by finer lines, likeliest first.

    Long lines alone can win the first search.  Finer ones show as a lattice of their own
    in a window where the parts between the long lines are not empty.  Lines of middling length
    may hide the finest: so of what divides the likeliest again, that counts which is seen too.
    """
    inside = (x >= seen[0] - 0.02) & (x <= seen[1] + 0.02)
    if not inside.any():  # the lines that were seen lie outside of what was unwrapped
        return []
    px, pp = x[inside], profiles[:, inside]
    lines = lattice.between(px[0], px[-1])[:-1]
    if not len(lines):
        return []
    coarse = line_contrast(pp, px, lattice, lines)
    reference = np.maximum(np.percentile(coarse, 70, axis=0), 0.06)
    clear = reference >= max(0.1, 0.2 * float(reference.max()))
    if not clear.any():
        return []

    def score(parts: int, but: int = 1) -> float:
        """How plain the lines of *parts* are that are none of *but* parts."""
        fine = Lattice(lattice.x0, lattice.pitch / parts)
        if fine.pitch * radius_px < MIN_SUBDIVISION_PX:
            return -1.0
        between = [lines * parts + j for j in range(1, parts) if j * but % parts]
        # in one window at least, most of the supposed finer lines are there, and are as
        # strong as the coarse ones in that window: reflections fill windows without lines
        # ... and so are numerals, some of which stand half-way between lines
        found = (line_contrast(pp, px, fine, np.concatenate(between)) / reference)[:, clear]
        many = np.mean(found > 0.5, axis=0) > MIN_SUBDIVISION_SHARE
        return float(np.max(np.mean(np.clip(found, -0.5, 1), axis=0), where=many, initial=-1.0))

    scores = {parts: score(parts) for parts in SUBDIVISIONS}
    best = max(SUBDIVISIONS, key=scores.__getitem__)
    if scores[best] <= MIN_SUBDIVISION_SCORE:
        return []
    finest = [
        parts
        for parts in SUBDIVISIONS
        if parts > best and parts % best == 0 and score(parts, best) > MIN_SUBDIVISION_SCORE
    ]
    return [best, *finest[:1]]
