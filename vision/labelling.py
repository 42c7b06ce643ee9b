"""Graduations -> Labelling: which volume each line stands for.

Every scale that could be printed is a hypothesis: its largest graduation, interval and
numbered increment, the direction it runs in, and the line its zero falls on.  Each is
scored against what is seen: lines where it has lines and none beyond its ends, long lines
where it has long lines, and the numerals.  The best must beat every other reading of the
lines clearly; otherwise the photograph is refused as ambiguous.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import chain, islice
from typing import TYPE_CHECKING, Any

import numpy as np

from . import ends_net, size_net
from .ends_net import FLANGE, NOZZLE, end_patches
from .line_witness import LINE_SEEN, Lines, lines_there, most_hidden, solid_ends
from .numeral_witness import Looks, Numerals, azimuth_of, cut_by_limb
from .printing import line_width
from .progression import progression_of
from .scales import Scale, is_multiple, scales
from .strip import unwrap

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from .graduations import Graduations
    from .numerals import NumeralRow

    Array = NDArray[Any]

CLEAR_NUMERALS, CLEAR_MARGIN = 8.0, 5.0
# Numerals read for sure, and others read as something else, from which on a row is clear and is no
# longer; with so many against it is also asked whether they agree better in a mirror.
CLEAR_READ, CLEAR_AGAINST = 2, 1.0
# Looking again finds chance agreement too, so it must gain clearly.
SECOND_LOOK_GAIN = 6.0
# Of 28 photographs whose numerals are hardly read the mirror's best agreed better by up to 9.8 by
# chance, and by 20 in one that shows the print from behind.
MIRROR_GAIN, MIRROR_BEYOND_CHANCE = 2.0, 12.0
# A scale that goes on under the stopper: how much less likely it may be, and how many intervals
# beyond the last line the fiducial line must lie for it.
LONGER_ALIVE, LONGER_FROM = 8.0, 0.5
CLEAR_END = 1.0  # log-likelihood of what is seen about both ends, from which they are plain
LINES_ALIVE, MOST_ALIVE = 25.0, 400  # log-likelihood behind the best by lines, and how many
LEAST_TOLD_SIZE = -5.0
EVENLY = 0.04  # how far numerals may say that lines are apart, off the interval supposed


@dataclass(frozen=True)
class Labelling:
    """Line k stands for ``(k - zero_k) * direction * scale.interval_ml``.

    ``score``: log-likelihood; ``margin``: lead over the best different reading of the lines;
    ``numeral_score``: the numerals' share of it against their absence; ``seen``: share of the
    scale's lines that are seen where they should be; ``size``: log-likelihood of the barrel's
    slenderness, the scale's make, and the lines' and digits' size, for this scale; ``ends``:
    log-likelihood of what is seen about both ends of the scale, against any other place, and
    ``sense``, against nozzle and flange changed over; ``supporting``: how many numerals speak for
    the labelling; ``against``: how many are read as something else, by their probabilities;
    ``longer``: scales with the same lines that go on beyond the last one, likeliest first, which
    hidden lines do not exclude; ``next_seen``: whether the line beyond the last one is seen: else
    all of theirs must lie under the stopper; ``lines_margin``: the lead without the numerals;
    ``nozzle``: log-likelihood of the barrel's width in mm, by what is seen about the nozzle;
    ``run``: how many more lines are seen than not on the stretch where that is most; ``supposed``:
    whether the lines were supposed by numerals before any was seen; ``looks``: what was seen of
    numerals on the surface.
    """

    scale: Scale
    zero_k: int
    direction: int
    score: float
    margin: float
    numeral_score: float
    row: NumeralRow | None
    flat_x: Array
    flat_phi: Array
    read: tuple[tuple[int, float, float], ...]
    seen: float = 1.0
    size: float = 0.0
    ends: float = 0.0
    sense: float = 0.0
    supporting: int = 0
    against: float = 0.0
    longer: tuple[Scale, ...] = ()
    next_seen: bool = True
    lines_margin: float = 0.0
    nozzle: float = 0.0
    run: int = 0
    supposed: bool = False
    looks: Looks | None = field(default=None, repr=False, compare=False)

    def reaching(self, volume_ml: float, hidden_ml: float = 0.0) -> Labelling:
        """This labelling, or the likeliest ``longer`` one that *volume_ml* lies on if it is beyond.

        Where the stopper hides the last lines, only its place can tell that there are any.  Those
        in the *hidden_ml* before it need not be seen at all.
        """
        past = volume_ml - LONGER_FROM * self.scale.interval_ml
        if past <= self.scale.largest_ml:
            return self
        hidden = volume_ml - self.scale.largest_ml - self.scale.interval_ml <= hidden_ml
        going_on = self.longer if self.next_seen or hidden else ()
        reaching = (scale for scale in going_on if past <= scale.largest_ml)
        return replace(self, scale=next(reaching, self.scale), longer=())

    @property
    def labels(self) -> tuple[float, int, int]:
        """What makes it a different reading of the lines."""
        return self.scale.interval_ml, self.zero_k, self.direction

    @property
    def azimuth(self) -> float:
        """Azimuth of the numerals, radians from the side that faces the camera; 0 without any."""
        return 0.0 if self.row is None else azimuth_of(self.row, self.flat_phi)

    def value_ml(self, k: Array | float) -> Array:
        """Volume at (fractional) line number(s) *k*, mL."""
        return np.asarray(
            (np.asarray(k, float) - self.zero_k) * self.direction * self.scale.interval_ml
        )

    def k(self, value_ml: Array | float) -> Array:
        """Line number(s) of volume(s), fractional."""
        return np.asarray(
            self.zero_k + self.direction * np.asarray(value_ml, float) / self.scale.interval_ml
        )


def label_lines(
    graduations: Graduations,
    interval_ml: float | None,
    *,
    capacity_ml: float | None = None,
    looks: Looks | None = None,
    magnified: float = 1.0,
    most_looks: int | None = None,
) -> Labelling | None:
    """The best labelling, with its margin; ``None`` if no scale fits the lines at all.

    *interval_ml*, *capacity_ml*: only scales that go with these; *looks*: those of another
    labelling of the same lines, if there was one; *magnified*: how many pixels of the flat
    picture, on which numerals are looked for, come to one of the photograph; *most_looks*: how
    often they are looked for, at other digit heights, if less than usual.
    """
    k = graduations.k.astype(int)
    any_line = lines_there(graduations)
    seen = np.flatnonzero(any_line > LINE_SEEN)
    if len(seen) < 5:
        return None
    pitch = graduations.lattice.pitch
    first, last = solid_ends(any_line, most_hidden(pitch))
    flat, x, phi = flat_picture(graduations, magnified)
    step = float(x[1] - x[0])
    columns = (graduations.lattice.x(k) - x[0]) / step
    with_numerals = np.zeros(len(k), bool)
    with_numerals[first : last + 1] = True
    if graduations.scale is not None:
        with_numerals |= np.isin(k, graduations.lattice.between(*graduations.scale))
    looks = looks or Looks(flat, step, columns[with_numerals])
    inside = (any_line > LINE_SEEN) & (k >= k[first]) & (k <= k[last])
    width = line_width(flat, x, phi, graduations.lattice.x(k[inside]), pitch)
    # the ends are looked at, and the numerals read, only for labellings that the lines leave alive
    lines = Lines(graduations, any_line, width)
    printed = tuple(scales(capacity_ml, interval_ml))
    found = _hypotheses(lines, (first, last), printed)
    if not found:
        return None
    alive = _with_ends(graduations, found)
    best = _best(alive, Numerals(None, columns, any_line, step, (False, False)), k, x, phi)
    for rows in islice(looks, most_looks):
        gain = SECOND_LOOK_GAIN if best.row is not None else 0.0
        for row in rows:
            numerals = Numerals(row, columns, any_line, step, cut_by_limb(row, phi))
            told = _with_ends(graduations, _told(lines, row, x, printed, alive))
            labelling = _best([*alive, *told], numerals, k, x, phi)
            if labelling.score > best.score + gain:
                best, gain = labelling, 0.0
        if _is_clear(best):
            break
    return replace(best, looks=looks, supposed=graduations.scale is not None)


def _is_clear(labelling: Labelling) -> bool:
    """True if another look at the numerals would add nothing.

    Chance reaches much with the wrong digit height; but then few are read, or others contradict.
    """
    return (
        labelling.numeral_score >= CLEAR_NUMERALS
        and labelling.margin >= CLEAR_MARGIN
        and len(labelling.read) >= CLEAR_READ
        and labelling.against < CLEAR_AGAINST
    )


@dataclass(frozen=True)
class _Hypothesis:
    """A labelling supposed; ``lines``: log-likelihood of all but the numerals, ``size`` the
    part of it that only the barrel's and the print's size have a say in."""

    scale: Scale
    zero_k: int
    direction: int
    lines: float
    radius_mm: float
    size: float
    ends: float = 0.0
    sense: float = 0.0
    nozzle: float = 0.0

    @property
    def end_places(self) -> tuple[tuple[int, int], tuple[int, int]]:
        """(line k, outward direction) of the zero line and of the last line."""
        last = self.zero_k + self.direction * self.scale.intervals
        return (self.zero_k, -self.direction), (last, self.direction)

    @property
    def labels(self) -> tuple[float, int, int]:
        """What makes it a different reading of the lines."""
        return self.scale.interval_ml, self.zero_k, self.direction


def _hypotheses(
    lines: Lines, ends: tuple[int, int], printed: tuple[Scale, ...]
) -> list[_Hypothesis]:
    """Labellings that are alive by all witnesses but ends and numerals, likeliest first.

    *ends*: first and last index of the lines; *printed*: what may be.
    """
    hidden = most_hidden(lines.graduations.lattice.pitch)
    first, last = lines.k[ends[0]], lines.k[ends[1]]
    supposed: list[tuple[Scale, int, float, float]] = []
    zeros, likelihoods = [], []
    for scale in printed:
        n = scale.intervals
        if not last - first - 2 <= n <= 1.35 * (last - first) + hidden:
            continue
        radius_mm, barrel = lines.barrel(scale)
        for direction in (1, -1):
            # zero_k such that the solid lines lie on the scale, give or take one
            low, high = (last - n - 1, first + 2) if direction > 0 else (last - 1, first + n + 2)
            zero = np.arange(int(low), int(high))
            supposed.append((scale, direction, radius_mm, barrel))
            zeros.append(zero)
            likelihoods.append(lines.log_likelihoods(scale, direction, zero) + barrel)
    if not supposed:
        return []
    which = np.repeat(np.arange(len(supposed)), [len(zero) for zero in zeros])
    zero, likelihood = np.concatenate(zeros), np.concatenate(likelihoods)
    alive = []
    for i in np.argsort(-likelihood, kind="stable")[:MOST_ALIVE]:
        if likelihood[i] > likelihood.max() - LINES_ALIVE:
            scale, direction, radius_mm, barrel = supposed[which[i]]
            alive.append(
                _Hypothesis(scale, int(zero[i]), direction, float(likelihood[i]), radius_mm, barrel)
            )
    return alive


def _told(
    lines: Lines,
    row: NumeralRow,
    x: Array,
    printed: tuple[Scale, ...],
    alive: list[_Hypothesis],
) -> list[_Hypothesis]:
    """Labellings that numerals suppose which grow evenly, other than those *alive*.

    Where most lines are worn or beyond the limb, the lines by themselves suppose shorter scales.
    *x*: axial places of the columns that *row* was found in, outer radii.
    """
    found = progression_of(row, x)
    if found is None:
        return []
    k = lines.graduations.lattice.k(found.x)
    per_ml = float(np.polyfit(found.values_ml, k, 1)[0])
    direction = 1 if per_ml > 0 else -1
    known = {(h.scale, h.zero_k, h.direction) for h in alive}
    told = []
    for scale in printed:
        if not is_multiple(found.numbered_ml, scale.numbered_ml):
            continue
        if abs(abs(per_ml) * scale.interval_ml - 1) > EVENLY:
            continue
        if scale.largest_ml < found.values_ml.max() - 1e-6:
            continue
        at_zero = np.median(k - direction * found.values_ml / scale.interval_ml)
        radius_mm, barrel = lines.barrel(scale)
        if barrel < LEAST_TOLD_SIZE:  # points lost in all numerals are told by the barrel's size
            continue
        zero = np.round(at_zero).astype(int) + np.array([-1, 0, 1])
        likelihoods = lines.log_likelihoods(scale, direction, zero) + barrel
        told += [
            _Hypothesis(scale, int(z), direction, float(likelihood), radius_mm, barrel)
            for z, likelihood in zip(zero, likelihoods, strict=True)
            if (scale, int(z), direction) not in known
        ]
    return told


def _with_ends(graduations: Graduations, found: list[_Hypothesis]) -> list[_Hypothesis]:
    """*found* with what is seen about their scales' ends, likeliest first."""
    if not found:
        return []
    places = sorted({place for h in found for place in h.end_places})
    k, way = np.array(places).T
    patches, seen = _end_patches(graduations, k, way, ends_net.WINDOW)
    odds = dict(zip(places, ends_net.ends_net().log_odds(patches, seen), strict=True))
    fronts = sorted({h.end_places[0] for h in found})
    k, way = np.array(fronts).T
    patches, seen = _end_patches(graduations, k, way, size_net.WINDOW)
    widths = dict(zip(fronts, size_net.size_net().log_likelihoods(patches, seen), strict=True))
    out = []
    for h in found:
        zero, last = h.end_places
        ends = float(odds[zero][NOZZLE] + odds[last][FLANGE])
        sense = ends - float(odds[zero][FLANGE] + odds[last][NOZZLE])
        nozzle = size_net.at_radius(widths[zero], h.radius_mm)
        lines = h.lines + ends + nozzle
        out.append(replace(h, lines=lines, ends=ends, sense=sense, nozzle=nozzle))
    return sorted(out, key=lambda h: -h.lines)


def _end_patches(
    graduations: Graduations, k: Array, way: Array, window: ends_net.Window
) -> tuple[Array, Array]:
    return end_patches(
        graduations.strip.gray,
        graduations.strip.columns_rows,
        graduations.cylinder,
        graduations.lattice.x(k),
        way,
        window,
    )


def _best(
    alive: list[_Hypothesis], numerals: Numerals, k: Array, x: Array, phi: Array
) -> Labelling:
    """The likeliest of *alive* with these numerals, and its lead over every other reading."""
    scored = _scored(alive, numerals, k)
    score, weight, best = scored[0]
    rivals = [f[0] for f in scored if f[2].labels != best.labels]
    by_lines = [h.lines for h in alive if h.labels != best.labels]
    index = (k - best.zero_k) * best.direction
    on = (index >= 0) & (index <= best.scale.intervals)
    return Labelling(
        best.scale,
        int(best.zero_k),
        int(best.direction),
        float(score),
        float(score - rivals[0]) if rivals else np.inf,
        float(weight),
        numerals.row,
        x,
        phi,
        numerals.read(k, best.scale, best.zero_k, best.direction),
        float(np.sum(numerals.any_line[on] > LINE_SEEN)) / (best.scale.intervals + 1),
        best.size + numerals.size(best.radius_mm),
        best.ends,
        best.sense,
        *numerals.witnesses(k, best.scale, best.zero_k, best.direction),
        *_longer(scored, k, numerals.any_line),
        best.lines - max(by_lines) if by_lines else np.inf,
        best.nozzle,
        _run(numerals.any_line[on] > LINE_SEEN),
    )


def _run(there: Array) -> int:
    """Most that True outnumbers False by, of any stretch of *there* (K,)."""
    total = np.concatenate([[0], np.cumsum(np.where(there, 1, -1))])
    return int((total - np.minimum.accumulate(total)).max())


def _longer(
    scored: list[tuple[float, float, _Hypothesis]], k: Array, any_line: Array
) -> tuple[tuple[Scale, ...], bool]:
    """Scales that read the lines as the best does and go on, if they are not much less likely.

    And whether the line after the best one's last is seen.  Where it is not, but a clear end is,
    there are none: an overdrawn stopper is no longer scale.
    """
    score, _, best = scored[0]
    going_on = tuple(
        h.scale
        for other, _, h in scored
        if h.labels == best.labels
        and h.scale.largest_ml > best.scale.largest_ml
        and other > score - LONGER_ALIVE
    )
    after = best.zero_k + best.direction * (best.scale.intervals + 1)
    next_seen = bool((any_line[k == after] > LINE_SEEN).any())
    return (going_on if next_seen or best.ends < CLEAR_END else ()), next_seen


def _scored(
    alive: list[_Hypothesis], numerals: Numerals, k: Array
) -> list[tuple[float, float, _Hypothesis]]:
    """(log-likelihood, the numerals' share of it, hypothesis), likeliest first."""
    weights = numerals.scores(k, [(h.scale, h.zero_k, h.direction) for h in alive]).tolist()
    scored = [
        (h.lines + numerals.size(h.radius_mm) + weight, weight, h)
        for h, weight in zip(alive, weights, strict=True)
    ]
    return sorted(scored, key=lambda f: -f[0])


def reads_better_mirrored(graduations: Graduations, labelling: Labelling) -> bool:
    """True if the numerals agree better with *labelling* when the surface is mirrored.

    That is so in a mirrored photograph, and where the print is seen from behind.
    """
    looks = labelling.looks
    if looks is None:
        raise ValueError("this labelling has no picture of the surface")
    k = graduations.k.astype(int)
    x, phi = labelling.flat_x, labelling.flat_phi
    columns = (graduations.lattice.x(k) - x[0]) / looks.step
    any_line = lines_there(graduations)
    as_labelled = (labelling.scale, labelling.zero_k, labelling.direction)

    def scores(looks: Looks) -> Iterator[float]:
        for row in chain.from_iterable(looks):
            numerals = Numerals(row, columns, any_line, looks.step, cut_by_limb(row, phi))
            yield float(numerals.scores(k, [as_labelled])[0])

    as_it_is = max(labelling.numeral_score, 0.0)
    mirrored = max(scores(looks.mirrored()), default=0.0)
    if mirrored <= as_it_is + MIRROR_GAIN:
        return False
    if mirrored > as_it_is + MIRROR_BEYOND_CHANCE:
        return True
    # the best of many looks agrees by chance too: as many are taken of the surface as it is
    return mirrored > max(scores(looks), default=0.0) + MIRROR_GAIN


def flat_picture(
    graduations: Graduations, magnified: float = 1.0
) -> tuple[NDArray[np.float32], Array, Array]:
    """Grey levels of the outer surface, equal px along and around; axial and azimuth grids.

    *magnified*: pixels to one of the photograph.
    """
    radius_px = magnified * graduations.cylinder.radius_px
    lo = float(graduations.lattice.x(graduations.k[0]))
    hi = float(graduations.lattice.x(graduations.k[-1]))
    lo, hi = min(lo, hi) - 0.8, max(lo, hi) + 0.8
    step = 1.0 / radius_px
    x = np.arange(lo, hi, step)
    phi = np.arange(np.radians(-86), np.radians(86), step)
    flat = unwrap(graduations.cylinder, graduations.strip, graduations.strip.gray, x, phi)
    return flat, x, phi
