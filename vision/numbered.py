"""Numerals -> Lattices: where lines must stand if the numerals are right.

Where most lines are worn, hidden or beyond the limb, no comb is plain enough to start a fit from,
while the numerals may still be read with ease.  They stand beside their lines, evenly spaced, and
say how much lies between them: so they give tilt, place and, for each interval that could be
printed with such numbers, the pitch.  What is supposed here is but a start: pose and lattice are
fitted to lines that are seen, and labelled, as any other.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from .graduations import Prospect
from .lattice import MIN_PITCH_PX, find_lattices
from .numerals import HEIGHTS_IN_RADII, find_rows
from .outline_net import outline_net
from .pose import azimuths
from .printing import USUAL_INTERVALS_PER_NUMBER
from .progression import Progression, progression_of
from .scales import scales
from .strip import unwrap

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from .cylinder import Cylinder
    from .graduations import Graduations, Sight
    from .photo import Photo

    Array = NDArray[Any]

ROWS = 2  # of numerals that are looked at
TILTS = np.radians(np.arange(-12, 12.5, 1.0))  # about what the outlines and lines have it
NUMERAL_SD, TILT_SD = 0.05, np.radians(6)  # outer radii; of what is known beforehand
LEAST_SHARE = 0.5  # of the probability about one place, for an outline
BESIDE = 0.7  # half length of what is looked at, as a share of the outline's
OUTLINE_POINTS = 0.9  # the part of an outline's length that a barrel's walls span


@dataclass(frozen=True)
class Supposed:
    """A prospect that numerals suppose: those at ``pixels`` (N, 2) stand for ``values_ml`` (N,),
    and lines are ``interval_ml`` apart."""

    prospect: Prospect
    pixels: Array
    values_ml: Array
    interval_ml: float

    def slip(self, graduations: Graduations) -> float:
        """How many more lines *graduations* have than the numerals leave room for, up to the
        greatest of them.  Lines that divide those supposed, or that skip some, are as good."""
        k = graduations.lattice.k(graduations.cylinder.surface(self.pixels)[0])
        if not np.isfinite(k).all():
            return np.inf
        per_ml = abs(float(np.polyfit(self.values_ml, k, 1)[0]))
        ratio = per_ml * self.interval_ml
        whole = max(round(ratio), 1) if ratio > 1 else 1 / max(round(1 / ratio), 1)
        return (ratio / whole - 1) * per_ml * float(self.values_ml.max())


def numbered_prospects(photo: Photo, sight: Sight) -> Iterator[Supposed]:
    """Lattices of *sight* that its numerals suppose, one for each interval."""
    middle = sight.middle
    cylinder = sight.cylinder if middle is None else middle.cylinder
    half = _half_length(sight)
    low, high = max(-half, sight.ends[0]), min(half, sight.ends[1])
    radius = cylinder.radius_px
    x = np.arange(low, high) / radius
    phi = np.arange(np.radians(-86), np.radians(86), 1 / radius)
    if len(x) < 2:
        return
    flat = unwrap(cylinder, sight.strip, sight.strip.gray, x, phi)
    heights = [h * radius for h in HEIGHTS_IN_RADII]
    for row in find_rows(flat, radius_px=radius, digit_heights=heights, most=ROWS):
        found = progression_of(row, x)
        if found is None:
            continue
        pixels = cylinder.project(found.x, float(phi[0]) + row.y / radius)
        straight = _along_outlines(photo, cylinder, found)
        tilted = straight.moved(tilt=_evenly(straight, found, pixels))
        for interval_ml in _intervals(found):
            prospect = _prospect(sight, tilted, found, pixels, interval_ml)
            if prospect is not None:
                yield Supposed(prospect, pixels, found.values_ml, interval_ml)
        return


def _prospect(
    sight: Sight, cylinder: Cylinder, found: Progression, pixels: Array, interval_ml: float
) -> Prospect | None:
    """The lattice of lines *interval_ml* apart that is plainest where the numerals stand."""
    x = cylinder.surface(pixels)[0]
    if not np.isfinite(x).all():
        return None
    radius = cylinder.radius_px
    found = replace(found, x=x)
    pitch = interval_ml * found.radii_per_ml
    if pitch * radius < MIN_PITCH_PX:
        return None
    scale = found.stretch
    stretch, around = np.arange(*scale, 0.5 / radius), azimuths(radius)
    lines = np.minimum(unwrap(cylinder, sight.strip, sight.painted, stretch, around), 1.0)
    lattices = find_lattices(lines, stretch, around, radius, near=pitch)
    if not lattices:
        return None
    return Prospect(sight, cylinder, sight.painted, scale, tuple(lattices[:1]), scale)


def _half_length(sight: Sight) -> float:
    """Half of the stretch along the axis that is looked at, columns."""
    wall = sight.barrel.walls[0]
    return BESIDE * float(np.hypot(*(wall[-1] - wall[0]))) / OUTLINE_POINTS


def _along_outlines(photo: Photo, cylinder: Cylinder, found: Progression) -> Cylinder:
    """*cylinder* with axis and radius by the outlines beside the numerals, if they are seen."""
    seen = outline_net().look(photo.bgr, cylinder, *found.stretch)
    if not seen.inside or seen.share.min() < LEAST_SHARE:
        return cylinder
    first, last = (seen.walls[0][[0, -1]] + seen.walls[1][[0, -1]]) / 2
    centre, along = (first + last) / 2, last - first
    return cylinder.moved(
        anchor=(float(centre[0]), float(centre[1])),
        angle=float(np.arctan2(along[1], along[0])),
        offset=0.0,
        radius_px=float(seen.miss[1] - seen.miss[0]) / 2 * cylinder.radius_px,
    )


def _evenly(cylinder: Cylinder, found: Progression, pixels: Array) -> float:
    """Tilt of *cylinder* for which the numerals at *pixels* (N, 2) are evenly spaced on it."""
    best, least = cylinder.tilt, np.inf
    for turn in TILTS:
        at = cylinder.moved(tilt=cylinder.tilt + float(turn)).surface(pixels)[0]
        if not np.isfinite(at).all():
            continue
        off = at - np.polyval(np.polyfit(found.values_ml, at, 1), found.values_ml)
        misfit = float(np.sum((off / NUMERAL_SD) ** 2)) + float(turn / TILT_SD) ** 2
        if misfit < least:
            best, least = cylinder.tilt + float(turn), misfit
    return best


def _intervals(found: Progression) -> list[float]:
    """Scale intervals, mL, that are printed with such numerals, widest first."""
    numbered, largest = found.numbered_ml, float(found.values_ml.max())
    return sorted(
        {
            scale.interval_ml
            for scale in scales()
            if abs(scale.numbered_ml - numbered) < 1e-6
            and scale.per_number in USUAL_INTERVALS_PER_NUMBER
            and scale.largest_ml > largest - 1e-6
        },
        reverse=True,
    )
