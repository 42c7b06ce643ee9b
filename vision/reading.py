"""Photograph -> Reading.  `read_photo`, top to bottom, is the method."""

from __future__ import annotations

import os
from itertools import islice
from typing import TYPE_CHECKING, Any

import numpy as np

from ..calc.syringe import nominal_capacity_ml
from .absence import why_no_scale, without_syringe_or_glare
from .barrel import barrel_of, find_barrels
from .behind import CONE, is_turned_away, lies_behind
from .budget import budget_of
from .contents import Air, air_in_front
from .cover import lies_across
from .evidence import collect
from .extent import goes_with_barrel
from .finder_net import (
    MARGIN_BEFORE_ZERO,
    MARGIN_PAST_END,
    column_positions,
    finder_strip,
    stopper_net,
)
from .graduations import (
    CLEAR_EVIDENCE,
    Graduations,
    Prospect,
    Sight,
    find_graduations,
    look_at,
)
from .ink import by_its_ink
from .labelling import CLEAR_END, CLEAR_READ, Labelling, label_lines, reads_better_mirrored
from .model import Outcome, Reading, Reason, Refusal
from .numbered import numbered_prospects
from .photo import Photo, load_photo
from .plunger import MIN_MASS, SEEN_MASS, FiducialLine, measure_ring, peak_of
from .scales import goes_with
from .silhouette import SURE_SHARE, Silhouettes
from .sureness import (
    LEAST_RUN,
    is_as_stated,
    is_settled,
    tells_by_all,
    tells_without_numerals,
)

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from .barrel import Barrel

    Array = NDArray[Any]

BARRELS = 5  # looked at, and as many again if there is no clear comb on any
PROSPECTS = 5
OUTLINES = 2  # painted barrels that are looked at
MIN_WEIGHT = 40.0  # agreeing points on lines below which there is no comb to speak of
# ... and below which none is read: 1543 of 1550 readings, by this reader and by trials of it, had
# 75 or more; of three with less than 60 two told a wrong scale, and one was off by twice its U.
LEAST_WEIGHT = 60.0
RIVAL_SHARE = 0.45  # a second comb with this share of the first's weight is a second syringe
RIVAL_WEIGHT = 60.0
CHANCE_WEIGHT = 3.0  # in units of the root of the number of points: what chance reaches
RIVAL_SCORE = 80.0  # evidence from which another barrel is worth a fit: clutter reaches 60
CLEAR_WEIGHT = 90.0
# Painted as a barrel: a syringe in its own right if it has a scale, or lies farther from the axis,
# in radii of the barrel and its own, than the barrel's shadow does (at most 2.4).
LIKELY_SHARE, SHARE_IF_APART, APART = 0.7, 0.9, 2.0
# What lies on the axis, in radii, runs along it and is as wide is the rest of the barrel, of which
# the lines were fitted on a piece.
IN_LINE, PARALLEL, AS_WIDE = 0.5, np.cos(np.radians(8)), 1.25
MAX_TILT = np.radians(32)  # of the barrel, and of the view of the ring; no net saw steeper ones
LINES_ENOUGH = 0.9  # seen of a scale: where it is not sure all the same, lines are not what lacks
SAME_PITCH = 0.02
SAME_PLACE = 0.5  # intervals between the ends of a scale as two fits tell them, at most
# Of lattices that go with the same numerals the right one had runs of 21 to 101 lines seen, others
# up to 13 where it had 31.
RUN_AHEAD = 1.5
# Lines that were fitted beyond those that the numerals leave room for: one may be lost to chance.
MOST_SLIP = 0.8
# A fiducial line so many intervals past the last line is believed only where that is seen to be the
# last: else the stopper may hide more of the scale.
PAST_LAST = 0.5
FRAME_MARGIN_PX = 2.0
MAX_LINE_SD = 0.25  # outer radii: a fiducial line known no better than that is not seen
#: Said with a reading where fewer than two numerals are read and no capacity was stated.
NUMERALS_HARDLY_SEEN = "numerals are hardly seen: make sure that the syringe is the one named here"
#: Said where the numerals leave the scale open and it is read as that of the stated syringe.
AS_STATED = "taken to be the stated syringe: its numerals do not confirm it"
# An eye tells between which two lines the fiducial line lies: what is known no better than to three
# intervals, at 95 %, is not read.
MOST_INTERVALS = 3.0


def read_photo(
    path: str | os.PathLike[str],
    *,
    capacity_ml: float | None = None,
    interval_ml: float | None = None,
) -> Outcome:
    """Read the volume at the fiducial line in the photograph at *path*.

    Parameters
    ----------
    path : path of a JPEG, PNG, TIFF, WebP or HEIC file
    capacity_ml, interval_ml : the syringe's nominal capacity and scale interval, mL, if known

    Returns
    -------
    Reading or Refusal

    Raises
    ------
    FileNotFoundError
        If there is nothing at *path*.
    ValueError
        If *capacity_ml* or *interval_ml* is not positive.
    """
    for name, value in (("capacity_ml", capacity_ml), ("interval_ml", interval_ml)):
        if value is not None and not value > 0:
            raise ValueError(f"{name} must be positive, not {value}")
    photo = load_photo(path)
    if isinstance(photo, Reason):
        return Refusal((photo,))
    return read_pixels(photo, capacity_ml=capacity_ml, interval_ml=interval_ml)


def read_pixels(
    photo: Photo, *, capacity_ml: float | None = None, interval_ml: float | None = None
) -> Outcome:
    """As `read_photo`, for a photograph already decoded."""
    seen = Silhouettes(photo.bgr)
    photo, search, found = _searched(photo, seen)
    if isinstance(found, Reason):
        return Refusal((found,))
    if abs(found.cylinder.tilt) > MAX_TILT:
        return _refuse("tilt-too-large", photo, found)
    absent = without_syringe_or_glare(photo.gray, seen.barrels())
    if _another_syringe(photo, seen, found, glaring=absent == "glare"):
        return _refuse("several-syringes", photo, found)
    # numerals are looked for again and again only on what looks like a syringe
    looks = 1 if absent == "no-syringe" else None
    labelling = label_lines(found, interval_ml, most_looks=looks)
    stated = False
    weak = found.weight < LEAST_WEIGHT
    if labelling is None or weak or not is_settled(labelling, found, interval_ml):
        if absent is not None:
            return _refuse(absent, photo, found)
        settled = _settled_otherwise(search, (found, labelling), capacity_ml, interval_ml)
        if settled is None:
            return _refuse(_why_unlabelled(found, photo), photo, found)
        found, labelling, stated = settled
    if contradiction := _contradiction(labelling, capacity_ml):
        return _refuse("contradicts-given-syringe", photo, found, labelling, detail=contradiction)
    if not _ends_in_frame(photo, found, labelling):
        return _refuse("scale-cut-off", photo, found, labelling)
    spoilt = absent if absent == "glare" else None
    strip, x = _finder_view(photo, found, labelling)
    findings = stopper_net().look(strip)
    guess, mass = peak_of(findings.fiducial_log_probs, x)
    if mass < SEEN_MASS:
        whole = _flange_in_frame(photo, found, labelling)
        code = "plunger-not-visible" if whole else "plunger-cut-off"
        return _refuse(spoilt or code, photo, found, labelling)
    line = measure_ring(photo, found.cylinder, guess, mass, labelling.direction)
    unsure = line.mass < MIN_MASS or line.sd > MAX_LINE_SD
    if unsure or lies_across(photo.bgr, found.cylinder, line.x):
        return _refuse(spoilt or "plunger-not-visible", photo, found, labelling)
    if lies_behind(found, labelling, line) or is_turned_away(found, labelling):
        return _refuse("scale-not-visible", photo, found, labelling, line=line)
    if abs(found.cylinder.view_angle(line.x)) > MAX_TILT:
        return _refuse("tilt-too-large", photo, found, labelling, line=line)
    volume = float(labelling.value_ml(found.lattice.k(line.x)))
    hidden_ml = CONE / found.lattice.pitch * labelling.scale.interval_ml
    labelling = labelling.reaching(volume, hidden_ml)
    if not _ends_in_frame(photo, found, labelling):
        return _refuse("scale-cut-off", photo, found, labelling)
    scale = labelling.scale
    if volume > scale.largest_ml + PAST_LAST * scale.interval_ml and labelling.ends < CLEAR_END:
        return _refuse("scale-ambiguous", photo, found, labelling, line=line)
    if not goes_with_barrel(search.outlines, found, labelling):
        return _refuse("scale-ambiguous", photo, found, labelling, line=line)
    if not -0.5 * scale.interval_ml <= volume <= 1.02 * scale.largest_ml + scale.interval_ml:
        return _refuse("plunger-not-visible", photo, found, labelling, line=line)
    volume = max(volume, 0.0)
    budget = budget_of(found, labelling, line)
    air = air_in_front(findings.air_fraction, x, found, labelling, line)
    air = Air(min(air.volume_ml, volume), air.standard_uncertainty_ml, air.stretches)
    on_line = found.cylinder.project(np.array([_x(found, labelling, 0.0), line.x]), 0.0)
    zero_px, fiducial_px = photo.to_displayed(on_line)
    named = capacity_ml is not None or len(labelling.read) >= CLEAR_READ
    notes = (AS_STATED,) if stated else () if named else (NUMERALS_HARDLY_SEEN,)
    reading = Reading(
        capacity_ml=capacity_ml or float(nominal_capacity_ml(scale.largest_ml)),
        interval_ml=scale.interval_ml,
        graduated_max_ml=scale.largest_ml,
        volume_ml=volume,
        budget=budget,
        air_ml=air.volume_ml,
        air_standard_uncertainty_ml=air.standard_uncertainty_ml,
        zero_line_px=(float(zero_px[0]), float(zero_px[1])),
        fiducial_line_px=(float(fiducial_px[0]), float(fiducial_px[1])),
        evidence=collect(photo, found, labelling, line, air, notes),
    )
    if reading.expanded_uncertainty_ml > MOST_INTERVALS * scale.interval_ml:
        return _refuse(spoilt or "plunger-not-visible", photo, found, labelling, line=line)
    return reading


class _Search:
    """Barrels looked at in one photograph, each unrolled but once."""

    def __init__(self, photo: Photo, seen: Silhouettes) -> None:
        self.photo = photo
        self.outlines = seen.barrels()
        proposed = [barrel_of(outline) for outline in self.outlines[:OUTLINES]]
        self.sights = self._sights(proposed)

    def graduations(self) -> Graduations | Reason:
        """The one graduated barrel in the picture, fitted; or why there is none."""
        fitted = self._fits([s.middle for s in self.sights])
        if not any(f.weight > CLEAR_WEIGHT for f in fitted):
            # no clear scale where the net sees a barrel: combs of lines are looked for everywhere
            barrels = find_barrels(self.photo.gray, 2 * BARRELS)
            sights = self._sights(islice(barrels, BARRELS))
            prospects = [s.middle for s in sights]
            if not any(p is not None and p.score > CLEAR_EVIDENCE for p in prospects):
                # on those that the net sees, the middle has been fitted already
                prospects = [s.anywhere for s in self.sights if s.anywhere is not s.middle]
                prospects += [s.anywhere for s in (*sights, *self._sights(barrels))]
            fitted += self._fits(prospects)
        best = max(fitted, key=lambda f: f.weight, default=None)
        if best is None or best.weight < MIN_WEIGHT:
            return Reason.of(why_no_scale(self.photo.gray, self.outlines))
        for other in fitted:
            if _is_rival(other, best) and _elsewhere(best, other):
                return Reason.of("several-syringes")
        return best

    def painted(self) -> Graduations | None:
        """The likeliest barrel, fitted to lines that the net paints; ``None`` without a scale."""
        prospect = self.sights[0].in_paint if self.sights else None
        fitted = None if prospect is None else find_graduations(self.photo, prospect)
        return fitted if fitted is not None and fitted.weight >= LEAST_WEIGHT else None

    def numbered(self) -> list[Graduations]:
        """The likeliest barrel, fitted to lattices that its numerals suppose; different ones."""
        found: list[Graduations] = []
        for supposed in numbered_prospects(self.photo, self.sights[0]) if self.sights else ():
            fitted = find_graduations(self.photo, supposed.prospect)
            if fitted is None or fitted.weight < LEAST_WEIGHT:
                continue
            if abs(supposed.slip(fitted)) > MOST_SLIP:
                continue
            pitch = fitted.lattice.pitch
            if all(abs(pitch / other.lattice.pitch - 1) > SAME_PITCH for other in found):
                found.append(fitted)
        return found

    def _sights(self, barrels: Iterable[Barrel]) -> list[Sight]:
        return [s for b in barrels if (s := look_at(self.photo, b)) is not None]

    def _fits(self, prospects: Iterable[Prospect | None]) -> list[Graduations]:
        """Poses and lattices fitted to *prospects*, as far as they matter."""
        fitted: list[Graduations] = []
        there = sorted((p for p in prospects if p is not None), key=lambda p: -p.score)
        for i, prospect in enumerate(there):
            # once there is a clear fit the rest matter only as a second syringe
            clear = [f for f in fitted if f.weight > CLEAR_WEIGHT]
            if any(_covers(f, prospect) for f in clear):
                continue
            if i >= PROSPECTS or (clear and prospect.score < RIVAL_SCORE):
                break
            graduations = find_graduations(self.photo, prospect)
            if graduations is not None:
                fitted.append(graduations)
        return fitted


def _searched(photo: Photo, seen: Silhouettes) -> tuple[Photo, _Search, Graduations | Reason]:
    """The search in *photo* and what it found; in one of its channels if lines show there alone."""
    search = _Search(photo, seen)
    found = search.graduations()
    if isinstance(found, Reason) and found.code == "scale-not-visible" and search.outlines:
        coloured = by_its_ink(photo, search.outlines[0])
        if coloured is not None:
            search = _Search(coloured, seen)
            return coloured, search, search.graduations()
    return photo, search, found


def _is_comb(fitted: Graduations) -> bool:
    """True if *fitted* has the weight of a scale, and not by many points alone."""
    chance = CHANCE_WEIGHT * float(np.sqrt(len(fitted.points)))
    return fitted.weight > max(RIVAL_WEIGHT, chance)


def _is_rival(other: Graduations, best: Graduations) -> bool:
    """True if *other* is a comb too, and weighty beside *best*."""
    return _is_comb(other) and other.weight > RIVAL_SHARE * best.weight


def _covers(fitted: Graduations, prospect: Prospect) -> bool:
    """True if *prospect* lies on the barrel already fitted."""
    miss = fitted.cylinder.miss_distance(prospect.sight.barrel.centre)
    return bool(abs(float(miss)) < 1.3)


def _elsewhere(a: Graduations, b: Graduations) -> bool:
    """True if *b* lies on another barrel than *a*: its lines miss a's outline."""
    miss = np.abs(a.cylinder.miss_distance(b.points.pixels))
    return bool(np.median(miss) > 1.3)


def _another_syringe(
    photo: Photo, seen: Silhouettes, graduations: Graduations, glaring: bool
) -> bool:
    """True if the net sees another syringe beside the one that is fitted.

    Where it is not sure of one, lines like those of a scale must be there too, and no glare, which
    may divide one barrel into two.
    """
    cylinder, points = graduations.cylinder, graduations.points
    ends = cylinder.project(graduations.lattice.x(np.array([points.k.min(), points.k.max()])), 0.0)
    along = ends[1] - ends[0]
    length = float(np.hypot(*along))
    for other in seen.others(ends.mean(0), along / length, length, cylinder.radius_px):
        miss = abs(float(cylinder.miss_distance(other.centre)))
        wider = other.radius_px / cylinder.radius_px
        parallel = abs(float(other.axis @ along)) / length > PARALLEL
        if miss < IN_LINE and parallel and 1 / AS_WIDE < wider < AS_WIDE:
            continue
        apart = miss > APART + wider
        if other.share > (SHARE_IF_APART if apart else SURE_SHARE):
            return True
        if glaring or other.share < LIKELY_SHARE:
            continue
        sight = look_at(photo, barrel_of(other))
        prospect = None if sight is None else sight.middle
        if prospect is None or prospect.score <= RIVAL_SCORE:
            continue
        fitted = find_graduations(photo, prospect)
        if fitted is None:
            # so much of a barrel may lie beyond the picture's edge that no pose fits its lines
            if apart:
                return True
        elif _is_comb(fitted) and _elsewhere(graduations, fitted):
            return True
    return False


def _settled_otherwise(
    search: _Search,
    first: tuple[Graduations, Labelling | None],
    capacity_ml: float | None,
    interval_ml: float | None,
) -> tuple[Graduations, Labelling, bool] | None:
    """Graduations and labelling where the *first* ones are not sure; and if as was stated.

    By lines that a net paints, where they are worn or at the limb; by both fits together; by
    numerals that suppose lines; by the stated capacity.
    """
    painted = search.painted()
    labelling = None if painted is None else label_lines(painted, interval_ml)
    if painted is not None and labelling is not None:
        second = (painted, labelling)
        if is_settled(labelling, painted, interval_ml) or _told_twice(first, second):
            return painted, labelling, False
    at_first = first[1]
    if at_first is None or at_first.seen < LINES_ENOUGH:
        told = _told_labelling(search, interval_ml)
        if told is not None:
            return *told, False
    if capacity_ml is None or painted is None:
        return None
    told = _as_stated(first, (painted, labelling), capacity_ml, interval_ml)
    return None if told is None else (*told, True)


def _told_twice(
    first: tuple[Graduations, Labelling | None], second: tuple[Graduations, Labelling]
) -> bool:
    """True if two fits tell the same scale in the same place, each plainly."""
    one, labelling = first
    if labelling is None or labelling.scale != second[1].scale:
        return False
    if not _tell_alike((one, labelling), second):
        return False
    both = (labelling, second[1])
    told = all(map(tells_without_numerals, both)) or all(map(tells_by_all, both))
    return told and not reads_better_mirrored(*second)


def _tell_alike(
    first: tuple[Graduations, Labelling], second: tuple[Graduations, Labelling]
) -> bool:
    """True if two fits tell the same scale, however numbered, in the same place."""
    (one, labelling), (other, again) = first, second
    alike = labelling.scale.largest_ml == again.scale.largest_ml
    if not alike or labelling.scale.interval_ml != again.scale.interval_ml:
        return False
    ends_ml = np.array([0.0, again.scale.largest_ml])
    at_first, at_last = (
        g.cylinder.project(g.lattice.x(told.k(ends_ml)), 0.0)
        for g, told in ((one, labelling), (other, again))
    )
    apart = np.hypot(*(at_first - at_last).T).max()
    interval_px = np.hypot(*(at_last[1] - at_last[0])) / again.scale.intervals
    return bool(apart < SAME_PLACE * interval_px)


def _as_stated(
    first: tuple[Graduations, Labelling | None],
    second: tuple[Graduations, Labelling | None],
    capacity_ml: float,
    interval_ml: float | None,
) -> tuple[Graduations, Labelling] | None:
    """The *second* fit with the scale of a stated syringe, if both tell it alike.

    *first*, *second*: each with its labelling, for which the capacity was not asked.
    """
    told: list[tuple[Graduations, Labelling]] = []
    for graduations, at_first in (first, second):
        looks = None if at_first is None else at_first.looks
        # what the print tells by itself: neither statement may be believed against it
        free = at_first if interval_ml is None else label_lines(graduations, None, looks=looks)
        labelling = label_lines(graduations, interval_ml, capacity_ml=capacity_ml, looks=looks)
        if free is None or labelling is None or not is_as_stated(labelling, free):
            return None
        told.append((graduations, labelling))
    settled = _tell_alike(*told) and not reads_better_mirrored(*told[-1])
    return told[-1] if settled else None


def _told_labelling(
    search: _Search, interval_ml: float | None
) -> tuple[Graduations, Labelling] | None:
    """Graduations that the numerals suppose, and their labelling if it is sure.

    Of lattices that go with the same numerals that one is right of which most lines are seen side
    by side: of one too fine every second or fifth is.
    """
    labelled = [
        (graduations, labelling)
        for graduations in search.numbered()
        if (labelling := label_lines(graduations, interval_ml)) is not None
    ]
    if not labelled:
        return None
    graduations, labelling = max(labelled, key=lambda told: told[1].run)
    interval = labelling.scale.interval_ml
    rivals = [other.run for _, other in labelled if other.scale.interval_ml != interval]
    ahead = labelling.run >= max(LEAST_RUN, RUN_AHEAD * max(rivals, default=0))
    settled = ahead and is_settled(labelling, graduations, interval_ml)
    return (graduations, labelling) if settled else None


def _why_unlabelled(graduations: Graduations, photo: Photo) -> str:
    """Scale cut off by the frame, or ambiguous."""
    # most of the points: a few of them may be the desk's or the flange's
    first, last = np.percentile(graduations.points.k, [4, 96])
    ends = graduations.cylinder.project(graduations.lattice.x(np.array([first, last])), 0.0)
    height, width = photo.gray.shape
    near = 2.5 * graduations.lattice.pitch * graduations.cylinder.radius_px + 6
    x, y = ends[:, 0], ends[:, 1]
    cut = (x < near) | (y < near) | (x > width - near) | (y > height - near)
    return "scale-cut-off" if cut.any() else "scale-ambiguous"


def _contradiction(labelling: Labelling, capacity_ml: float | None) -> str:
    """What the print says against the told capacity, or nothing."""
    if capacity_ml is None:
        return ""
    largest = labelling.scale.largest_ml
    if goes_with(largest, capacity_ml):
        return ""
    return f"The scale runs to {largest:g} mL; {capacity_ml:g} mL was given."


def _x(graduations: Graduations, labelling: Labelling, value_ml: float) -> float:
    return float(graduations.lattice.x(labelling.k(value_ml)))


def _inside(photo: Photo, points: Array) -> bool:
    height, width = photo.gray.shape
    m = FRAME_MARGIN_PX
    x, y = points[..., 0], points[..., 1]
    return bool(np.all((x >= m) & (y >= m) & (x <= width - 1 - m) & (y <= height - 1 - m)))


def _ends_in_frame(photo: Photo, graduations: Graduations, labelling: Labelling) -> bool:
    """True if the zero line and the largest graduation lie in the picture."""
    ends = np.array([_x(graduations, labelling, v) for v in (0.0, labelling.scale.largest_ml)])
    return _inside(photo, graduations.cylinder.project(ends, 0.0))


def _flange_in_frame(photo: Photo, graduations: Graduations, labelling: Labelling) -> bool:
    """True if the picture goes on for one radius beyond the last line."""
    beyond = _x(graduations, labelling, labelling.scale.largest_ml) + labelling.direction * 1.0
    return _inside(photo, graduations.cylinder.project(np.array([beyond]), 0.0))


def _finder_view(
    photo: Photo, graduations: Graduations, labelling: Labelling
) -> tuple[NDArray[np.uint8], Array]:
    """Strip for the finder, volumes growing to the right, and the axial x of its columns."""
    d = labelling.direction
    start = _x(graduations, labelling, 0.0) - d * MARGIN_BEFORE_ZERO
    stop = _x(graduations, labelling, labelling.scale.largest_ml) + d * MARGIN_PAST_END
    low, high = min(start, stop), max(start, stop)
    strip = finder_strip(photo.bgr, graduations.cylinder, low, high, reverse=d < 0)
    x = column_positions(low, high)
    return strip, (x[::-1] if d < 0 else x)


def _refuse(
    code: str,
    photo: Photo,
    graduations: Graduations | None = None,
    labelling: Labelling | None = None,
    *,
    line: FiducialLine | None = None,
    detail: str = "",
) -> Refusal:
    evidence = collect(photo, graduations, labelling, line, None)
    return Refusal((Reason.of(code, detail),), evidence)
