"""Graduations -> Labelling: which volume each line stands for.

Every scale that could be printed is a hypothesis: its largest graduation, interval and
numbered increment, the direction it runs in, and the line its zero falls on.  Each is
scored against what is seen: lines where it has lines and none beyond its ends, long lines
where it has long lines, and the numerals.  The best must beat every other reading of the
lines clearly; otherwise the photograph is refused as ambiguous.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cache
from itertools import chain, islice, pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from . import ends_net, size_net
from .ends_net import FLANGE, NOZZLE, end_patches
from .numerals import (
    ENOUGH_SUPPORT,
    LEAST_DIGIT_PX,
    LEGIBLE,
    NumeralRow,
    combine_each,
    find_rows,
    gains_of_labels,
    label_place,
    printed_forms,
    row_weights,
)
from .numerals_net import LABEL_INDEX, LABELS, NONE_LABEL, UNIT_LABEL, label_of
from .printing import custom, line_width, size_of_digits, size_of_lines
from .progression import progression_of
from .strip import unwrap

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from .graduations import Graduations

    Array = NDArray[Any]

# What is printed on barrels: common practice, no source; intervals are at most those of
# ISO 7886-1:1993 table 1, largest graduations at or somewhat beyond the nominal capacity.
LARGEST_ML: tuple[float, ...] = (
    *(0.5, 1.0, 2.0, 2.5, 3.0, 5.0, 6.0, 10.0, 12.0),
    *(20.0, 24.0, 25.0, 30.0, 35.0, 50.0, 60.0, 100.0),
)
INTERVALS_ML = (0.01, 0.02, 0.05, 0.1, 0.2, 0.25, 0.5, 1.0, 2.0, 5.0)
NUMBERED_ML = (0.05, 0.1, 0.2, 0.25, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0)
MIN_LINES, MAX_LINES = 8, 120
MARGIN_TO_ACCEPT = 3.0  # natural log units: 20 to 1
# A digit of every numeral may be hidden by one streak along the barrel, or lie beyond the limb
# where the row runs close to it: 10 is then read 1, in all numerals alike.
DIGIT_LOST = 0.02
DIGIT_LOST_AT_LIMB = 0.5
LIMB = np.radians(82)
# Where the first look at the numerals does not settle it, other digit heights (outer radii)
# are tried.  Looking again finds chance agreement too, so it must gain clearly.
ROWS_AT_A_LOOK = 3
DIGIT_HEIGHTS = (0.3, 0.36, 0.46, 0.56, 0.68, 0.2)
CLEAR_NUMERALS, CLEAR_MARGIN = 8.0, 5.0
CLEAR_READ, CLEAR_AGAINST = 2, 1.0
SECOND_LOOK_GAIN = 6.0
# Of 28 photographs whose numerals are hardly read the mirror's best agreed better by up to 9.8 by
# chance, and by 20 in one that shows the print from behind.
MIRROR_GAIN, MIRROR_BEYOND_CHANCE = 2.0, 12.0
LINE_SEEN, LINE_MISSING = 0.45, 0.25
# A scale that goes on under the stopper: how much less likely it may be, and how many intervals
# beyond the last line the fiducial line must lie for it.
LONGER_ALIVE, LONGER_FROM = 8.0, 0.5
CLEAR_END = 1.0  # log-likelihood of what is seen about both ends, from which they are plain
LINES_ALIVE, MOST_ALIVE = 25.0, 400  # log-likelihood behind the best by lines, and how many
# A numeral speaks for a labelling if it is so much likelier than a bare line (natural log), and
# against it if it is read as something else, more probably than not.
SPEAKS_FOR = 1.0
READ_AS_ELSE = 0.5
# A line behind the stopper or in glare is lost; a line beyond the end of the scale is not there.
LOG_LINE_LOST = -0.5
LOG_LINE_BEYOND = -2.0
LOG_LONG = 0.8
# With so many intervals to a number, lines half-way between numbers may be longer than others.
LEAST_WITH_MIDDLE = 4
MIDDLE_SHARE = 0.25
# The ends are long lines with nothing beside them: they are seldom lost.
LOG_END_MISSING = -3.0
# A numeral may be printed beyond the last line, so one without a line counts for less.
NUMERAL_WITHOUT_LINE = 0.3
LEAST_TOLD_SIZE = -5.0
EVENLY = 0.04  # how far numerals may say that lines are apart, off the interval supposed
HIDDEN_RADII = 3.0  # stopper, cone and rod's end hide at most about this length, outer radii


@dataclass(frozen=True)
class Scale:
    """A printed scale: from 0 to ``largest_ml``, a line every ``interval_ml``."""

    largest_ml: float
    interval_ml: float
    numbered_ml: float

    @property
    def intervals(self) -> int:
        """Number of scale intervals from zero to the largest graduation."""
        return round(self.largest_ml / self.interval_ml)

    @property
    def per_number(self) -> int:
        """Scale intervals between numbered lines."""
        return round(self.numbered_ml / self.interval_ml)


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
    hidden lines do not exclude; ``unseen``: the same, where neither a line beyond the last one nor
    an end of the scale is seen; ``lines_margin``: the lead without the numerals; ``nozzle``:
    log-likelihood of the barrel's width in mm, by what is seen about the nozzle; ``run``: how many
    more lines are seen than not on the stretch where that is most; ``supposed``: whether the lines
    were supposed by numerals before any was seen; ``looks``: what was seen of numerals on the
    surface.
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
    unseen: tuple[Scale, ...] = ()
    lines_margin: float = 0.0
    nozzle: float = 0.0
    run: int = 0
    supposed: bool = False
    looks: _Looks | None = field(default=None, repr=False, compare=False)

    def reaching(self, volume_ml: float, hidden_ml: float = 0.0) -> Labelling:
        """This labelling, or the likeliest ``longer`` one that *volume_ml* lies on if it is beyond.

        Where the stopper hides the last lines, only its place can tell that there are any.  Those
        in the *hidden_ml* before it need not be seen at all.
        """
        past = volume_ml - LONGER_FROM * self.scale.interval_ml
        if past <= self.scale.largest_ml:
            return self
        hidden = volume_ml - self.scale.largest_ml - self.scale.interval_ml <= hidden_ml
        going_on = self.longer or (self.unseen if hidden else ())
        reaching = (scale for scale in going_on if past <= scale.largest_ml)
        return replace(self, scale=next(reaching, self.scale), longer=(), unseen=())

    @property
    def labels(self) -> tuple[float, int, int]:
        """What makes it a different reading of the lines."""
        return self.scale.interval_ml, self.zero_k, self.direction

    @property
    def azimuth(self) -> float:
        """Azimuth of the numerals, radians from the side that faces the camera; 0 without any."""
        return 0.0 if self.row is None else _azimuth(self.row, self.flat_phi)

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


# Least scale length to the nominal capacity, mm, by nominal capacity (ISO 7886-1:1993 table 1,
# from memory).  Real barrels are up to about twice as long; much longer or shorter ones for
# their capacity are not made, so the barrel's slenderness witnesses against a tenfold slip.
LEAST_LENGTH_MM = ((2.0, 57.0), (5.0, 27.0), (10.0, 36.0), (20.0, 44.0), (30.0, 52.0), (50.0, 67.0))
LEAST_LENGTH_50_MM = 75.0
LENGTH_SHARE = (0.85, 2.1)
WALL_MM = 1.0
LOG_LENGTH = -4.0  # for each quarter beyond the range, at most LOG_LENGTH_MOST
LOG_LENGTH_MOST = -12.0


def outer_radius_mm(largest_ml: float, length_radii: float) -> float:
    """Outer radius, mm, of a barrel of which *length_radii* radii hold *largest_ml*.

    Volume = bore area times length, with a wall of about 1 mm.
    """
    volume_mm3 = largest_ml * 1000.0
    r = (volume_mm3 / (np.pi * length_radii)) ** (1 / 3)
    for _ in range(20):
        f = np.pi * r * r * length_radii * (r + WALL_MM) - volume_mm3
        r -= f / (np.pi * length_radii * (3 * r * r + 2 * r * WALL_MM))
    return float(r + WALL_MM)


def slenderness(scale: Scale, length_radii: float) -> float:
    """Log-likelihood of a scale of *length_radii* outer radii for its capacity.

    The length in mm that follows from its volume is held against the least length of the
    standard.
    """
    length = length_radii * outer_radius_mm(scale.largest_ml, length_radii)
    least = next((mm for below, mm in LEAST_LENGTH_MM if scale.largest_ml < below), None)
    ratio = length / (least or LEAST_LENGTH_50_MM)
    low, high = LENGTH_SHARE
    beyond = max(np.log(ratio / high), np.log(low / ratio), 0.0)
    return float(max(LOG_LENGTH * beyond / np.log(1.25), LOG_LENGTH_MOST))


def _is_multiple(a: float, b: float) -> bool:
    return abs(a / b - round(a / b)) < 1e-6


def scales(capacity_ml: float | None = None, interval_ml: float | None = None) -> Iterator[Scale]:
    """All scales that could be printed; a told interval restricts them.

    A told capacity does not: a scale may run past the nominal capacity.
    """
    for largest in LARGEST_ML:
        for interval in INTERVALS_ML:
            if interval_ml is not None and abs(interval - interval_ml) > 1e-9:
                continue
            if not _is_multiple(largest, interval):
                continue
            if not MIN_LINES <= round(largest / interval) <= MAX_LINES:
                continue
            for numbered in NUMBERED_ML:
                per = numbered / interval
                fits = _is_multiple(numbered, interval) and 2 <= round(per) <= 25
                if fits and largest / numbered >= 2:
                    yield Scale(largest, interval, numbered)


def label_lines(
    graduations: Graduations,
    interval_ml: float | None,
    *,
    magnified: float = 1.0,
    most_looks: int | None = None,
) -> Labelling | None:
    """The best labelling, with its margin; ``None`` if no scale fits the lines at all.

    *magnified*: how many pixels of the flat picture, on which numerals are looked for, come to one
    of the photograph; *most_looks*: how often they are looked for, at other digit heights, if
    less than usual.
    """
    k = graduations.k.astype(int)
    any_line = _any_line(graduations)
    seen = np.flatnonzero(any_line > LINE_SEEN)
    if len(seen) < 5:
        return None
    pitch = graduations.lattice.pitch
    first, last = _solid_ends(any_line, _hidden(pitch))
    flat, x, phi = flat_picture(graduations, magnified)
    step = float(x[1] - x[0])
    columns = (graduations.lattice.x(k) - x[0]) / step
    with_numerals = np.zeros(len(k), bool)
    with_numerals[first : last + 1] = True
    if graduations.scale is not None:
        with_numerals |= np.isin(k, graduations.lattice.between(*graduations.scale))
    looks = _Looks(flat, step, columns[with_numerals])
    inside = (any_line > LINE_SEEN) & (k >= k[first]) & (k <= k[last])
    width = line_width(flat, x, phi, graduations.lattice.x(k[inside]), pitch)
    # the ends are looked at, and the numerals read, only for labellings that the lines leave alive
    lines = _Lines(graduations, any_line, width)
    found = _hypotheses(lines, (first, last), interval_ml)
    if not found:
        return None
    alive = _with_ends(graduations, found)
    best = _best(alive, _Numerals(None, columns, any_line, step, (False, False)), k, x, phi)
    for rows in islice(looks, most_looks):
        gain = SECOND_LOOK_GAIN if best.row is not None else 0.0
        for row in rows:
            numerals = _Numerals(row, columns, any_line, step, _cut_by_limb(row, phi))
            told = _with_ends(graduations, _told(lines, row, x, interval_ml, alive))
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


class _Lines:
    """What the lines say of labellings: all of their likelihood but ends and numerals.

    *width*: the lines' thickness, outer radii, or none.
    """

    def __init__(self, graduations: Graduations, any_line: Array, width: float | None) -> None:
        self.graduations, self.any_line, self.width = graduations, any_line, width
        self.k = graduations.k.astype(int)
        # a scale lies on a run of lines: what speaks for it there is a difference of two sums
        self.lost = _sums_before(LOG_LINE_LOST * (1 - any_line))
        self.beyond = _sums_before(LOG_LINE_BEYOND * any_line * (any_line > 0.4))
        self.long_lines: dict[int, Array] = {}  # by lines per number: for each phase

    def barrel(self, scale: Scale) -> tuple[float, float]:
        """Outer radius, mm, and log-likelihood of a barrel with this scale for its size."""
        length = scale.intervals * self.graduations.lattice.pitch
        radius_mm = outer_radius_mm(scale.largest_ml, length)
        barrel = slenderness(scale, length)
        barrel += custom(scale.largest_ml, scale.interval_ml, scale.numbered_ml)
        barrel += size_of_lines(self.width * radius_mm) if self.width is not None else 0.0
        return radius_mm, barrel

    def log_likelihoods(self, scale: Scale, direction: int, zero: Array) -> Array:
        """(N,) of *scale* with its zero at each of the lines *zero* (N,)."""
        k, n, per = self.k, scale.intervals, scale.per_number
        if per not in self.long_lines:
            evidence = [
                _long_lines(self.graduations, self.any_line, k, per, phase) for phase in range(per)
            ]
            self.long_lines[per] = np.array([_sums_before(e) for e in evidence])
        lowest = zero if direction > 0 else zero - n
        start, stop = np.searchsorted(k, lowest), np.searchsorted(k, lowest + n, "right")
        lines = self.lost[stop] - self.lost[start] + _ends_missing(self.any_line, start, stop)
        lines += self.beyond[-1] - (self.beyond[stop] - self.beyond[start])
        long_lines = self.long_lines[per]
        lines += long_lines[zero % per, stop] - long_lines[zero % per, start]
        return np.asarray(lines)


def _hypotheses(
    lines: _Lines, ends: tuple[int, int], interval_ml: float | None
) -> list[_Hypothesis]:
    """Labellings that are alive by all witnesses but ends and numerals, likeliest first.

    *ends*: first and last index of the lines.
    """
    hidden = _hidden(lines.graduations.lattice.pitch)
    first, last = lines.k[ends[0]], lines.k[ends[1]]
    supposed: list[tuple[Scale, int, float, float]] = []
    zeros, likelihoods = [], []
    for scale in scales(interval_ml=interval_ml):
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
    lines: _Lines,
    row: NumeralRow,
    x: Array,
    interval_ml: float | None,
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
    for scale in scales(interval_ml=interval_ml):
        if not _is_multiple(found.numbered_ml, scale.numbered_ml):
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


def _sums_before(values: Array) -> Array:
    """(K + 1,) sums of *values* (K,) before each place, and of all of them."""
    return np.concatenate([[0.0], np.cumsum(values)])


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


def _hidden(pitch: float) -> int:
    """Lines that a stopper may cover at most."""
    return int(HIDDEN_RADII / pitch) + 2


class _Looks:
    """Rows of numerals on a flat picture of a barrel: the best found unaided, then some of each
    digit height.  Each look is dear, and taken but once."""

    def __init__(self, flat: NDArray[np.float32], step: float, columns: Array) -> None:
        self.flat, self.step, self.columns = flat, step, columns
        self._taken: list[list[NumeralRow]] = []

    def __iter__(self) -> Iterator[list[NumeralRow]]:
        usual = (h / self.step for h in DIGIT_HEIGHTS)
        heights: list[list[float] | None] = [None, *([h] for h in usual if h >= LEAST_DIGIT_PX)]
        for look, digit_heights in enumerate(heights):
            if look == len(self._taken):
                rows = find_rows(
                    self.flat,
                    radius_px=1.0 / self.step,
                    tick_columns=self.columns,
                    digit_heights=digit_heights,
                    most=ROWS_AT_A_LOOK,
                )
                self._taken.append(rows)
            yield self._taken[look]

    def mirrored(self) -> _Looks:
        """The same surface in a mirror."""
        return _Looks(np.ascontiguousarray(self.flat[::-1]), self.step, self.columns)


def _azimuth(row: NumeralRow, phi: Array) -> float:
    return float(phi[0]) + row.y * float(phi[1] - phi[0])


def _cut_by_limb(row: NumeralRow, phi: Array) -> tuple[bool, bool]:
    """Whether the limb may hide the first digits of numerals, and the last ones.

    That is so where numerals run round the barrel and start or end so close to the limb that
    there is no room for two digits more.
    """
    if row.rotation % 180 == 0:
        return False, False
    step = float(phi[1] - phi[0])
    azimuth = _azimuth(row, phi)
    needed = 2 * 0.62 * row.digit_height * step
    low, high = azimuth + LIMB < needed, LIMB - azimuth < needed
    # turned counter-clockwise by 90 degrees, what lay at large azimuth ends the word
    return (low, high) if row.rotation % 360 == 90 else (high, low)


def _best(
    alive: list[_Hypothesis], numerals: _Numerals, k: Array, x: Array, phi: Array
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
) -> tuple[tuple[Scale, ...], tuple[Scale, ...]]:
    """Scales that read the lines as the best does and go on, if they are not much less likely.

    They are `Labelling.longer` where the line after the best one's last is seen, and
    `Labelling.unseen` where it is not, nor a clear end: an overdrawn stopper is no longer scale.
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
    if (any_line[k == after] > LINE_SEEN).any():
        return going_on, ()
    return (), going_on if best.ends < CLEAR_END else ()


def _scored(
    alive: list[_Hypothesis], numerals: _Numerals, k: Array
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
    any_line = _any_line(graduations)
    as_labelled = (labelling.scale, labelling.zero_k, labelling.direction)

    def scores(looks: _Looks) -> Iterator[float]:
        for row in chain.from_iterable(looks):
            numerals = _Numerals(row, columns, any_line, looks.step, _cut_by_limb(row, phi))
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


def _any_line(graduations: Graduations) -> Array:
    """How surely each line is there, (K,) in 0..1, in the windows where all lines run."""
    presence = graduations.presence
    core = _core(np.clip(presence, 0, 1).mean(1))
    reference = np.percentile(presence[core], 45, axis=0)
    top = float(reference.max())
    zone = reference >= max(0.5 * top, 0.03)
    if not zone.any():
        zone = reference >= top
    scaled = presence[:, zone] / np.maximum(
        np.percentile(presence[core][:, zone], 70, axis=0), 0.05
    )
    return np.asarray(np.clip(scaled.mean(1), 0, 1))


def _core(strength: Array) -> slice:
    """The stretch of lines that stands out most: strong within, weak beyond its ends.

    Chance finds on rod, needle or desk are scattered; the scale is one dense stretch.
    """
    gain = strength - 0.4 * float(np.percentile(strength, 85))
    total = np.concatenate([[0.0], np.cumsum(gain)])
    lowest = np.minimum.accumulate(total)
    stop = int(np.argmax(total - lowest))
    start = int(np.argmin(total[: stop + 1]))
    return slice(start, stop) if stop - start >= 5 else slice(0, len(strength))


def _solid_ends(any_line: Array, hidden: int) -> tuple[int, int]:
    """First and last index of the scale's lines: they have neighbours, and no wide gaps.

    A lone find beyond the ends is not the scale's; nor is a group of finds further away
    than *hidden* lines, the most that a stopper can cover.
    """
    there = any_line > LINE_SEEN
    support = np.convolve(there, np.ones(7), mode="same")
    solid = np.flatnonzero(there & (support >= 4))
    if len(solid) < 2:
        solid = np.flatnonzero(there)
    apart = [_gap(there, i, j) > hidden for i, j in pairwise(solid.tolist())]
    runs = np.split(solid, np.flatnonzero(apart) + 1)
    run = max(runs, key=lambda r: float(any_line[r].sum()))
    return int(run[0]), int(run[-1])


def _gap(there: Array, i: int, j: int) -> int:
    """Lines missing between *i* and *j*, apart from those that go on from either side.

    Beside a gap a line has neighbours on one side only and so may not count as solid.
    """
    while j - i > 1 and there[i + 1 : i + 3].any():
        i += 1
    while j - i > 1 and there[j - 2 : j].any():
        j -= 1
    return j - i - 1


def _ends_missing(any_line: Array, start: Array, stop: Array) -> Array:
    """Log-likelihood of end lines that are not seen, the first two at each end.

    Of lines from *start* up to but not *stop*, indices of *any_line* (K,), of any one shape.
    """
    there = any_line >= LINE_MISSING
    places = np.arange(len(there))
    before = np.maximum.accumulate(np.where(there, places, -1))
    after = np.minimum.accumulate(np.where(there, places, len(there))[::-1])[::-1]
    last_before, next_from = np.append(-1, before), np.append(after, len(there))
    at_start = np.minimum(next_from[start], stop) - start
    at_stop = stop - 1 - np.maximum(last_before[stop], start - 1)
    return np.asarray(LOG_END_MISSING * (np.minimum(at_start, 2) + np.minimum(at_stop, 2)))


def _long_lines(
    graduations: Graduations, any_line: Array, k: Array, every: int, phase: int
) -> Array:
    """Log-likelihood (K,) that lines k = phase (mod every) are the long ones, best window."""
    presence = graduations.presence
    place = (k - phase) % every
    is_long = place == 0
    # half-way between numbers a line may be nearly as long as a numbered one
    is_middle = place * 2 == every if every >= LEAST_WITH_MIDDLE else np.zeros(len(k), bool)
    is_short = ~(is_long | is_middle)
    there = any_line > LINE_SEEN
    if (is_long & there).sum() < 2 or (is_short & there).sum() < 2:
        return np.zeros(len(k))
    on = np.median(presence[is_long & there], axis=0)
    off = np.percentile(presence[is_short & there], 75, axis=0)
    gain = on - np.maximum(off, 0.0)
    w = int(np.argmax(gain))
    if gain[w] < 0.04:
        return np.asarray(np.full(len(k), -0.3 * LOG_LONG) * there)
    level = np.clip(presence[:, w] / max(float(on[w]), 0.05), 0, 1)
    evidence = np.where(is_long, level - 0.5, 0.5 - level) * 2 * LOG_LONG
    # long lines are few: a scale must not be chosen for the many short ones it predicts
    evidence = np.where(is_long, evidence * 1.5, np.minimum(evidence, 0.0))
    evidence = np.where(is_middle, MIDDLE_SHARE * evidence, evidence)
    return np.asarray(np.where(there, evidence, 0.0))


@cache
def _numbered(scale: Scale) -> tuple[Array, Array]:
    """Intervals from zero to each numbered line, (M,), and `label_place` of its number, (M,)."""
    intervals = np.arange(scale.per_number, scale.intervals + 1, scale.per_number)
    values = [round(float(n) * scale.interval_ml, 6) for n in intervals]
    return intervals, np.array([label_place(value) for value in values], int)


class _Numerals:
    """Log-likelihoods of what is printed beside the lines, read once for each line."""

    def __init__(
        self,
        row: NumeralRow | None,
        columns: Array,
        any_line: Array,
        step: float,
        cut: tuple[bool, bool],
    ) -> None:
        self.row = row
        self.step = step
        first, last = (DIGIT_LOST_AT_LIMB / (1 + all(cut)) if c else DIGIT_LOST for c in cut)
        self.digits_lost = (first, last)
        self.columns = columns
        self.any_line = any_line
        self.is_read = np.zeros(len(columns), bool)
        self.log_probs = np.zeros((len(columns), len(LABELS)), np.float32)
        # by line and `label_place` of the number supposed there
        self.gains = np.zeros((len(columns), len(LABELS) + 1, len(LEGIBLE), 4))

    def at(self, lines: Array) -> Array:
        """(N, len(LABELS)) log-probabilities of what is printed at these lines (N,)."""
        wanted = np.zeros(len(self.columns), bool)
        wanted[lines] = True
        missing = np.flatnonzero(wanted & ~self.is_read)
        if len(missing) and self.row is not None:
            self.log_probs[missing] = self.row.log_probs_at(self.columns[missing])
            gains = gains_of_labels(self.log_probs[missing])
            # a numeral without a line beside it counts for less
            alone = self.any_line[missing] < LINE_MISSING
            share = np.where(alone, NUMERAL_WITHOUT_LINE, 1.0)[:, None, None, None]
            self.gains[missing] = np.where(gains > 0, share * gains, gains)
            self.is_read[missing] = True
        return self.log_probs[lines]

    def size(self, radius_mm: float) -> float:
        """Log-likelihood of the digits' height on a barrel of *radius_mm*."""
        if self.row is None or self.row.support < ENOUGH_SUPPORT:
            return 0.0
        return size_of_digits(self.row.digit_height * self.step * radius_mm, radius_mm)

    def scores(self, k: Array, supposed: list[tuple[Scale, int, int]]) -> Array:
        """Log-likelihood ratio of the numerals against no numerals there, (H,).

        *supposed*: H of scale, line of zero and direction.
        """
        if self.row is None:
            return np.zeros(len(supposed))
        found = [self._numbered_lines(k, *labelling) for labelling in supposed]
        lines = np.concatenate([lines for lines, _ in found])
        self.at(lines)
        gains = self.gains[lines, np.concatenate([labels for _, labels in found])]
        count = np.array([len(lines) for lines, _ in found])
        some, first = count > 0, np.cumsum(count) - count
        total = np.zeros((len(supposed), *gains.shape[1:]))
        if some.any():
            total[some] = np.add.reduceat(gains, first[some], axis=0)
        return combine_each(total, self.digits_lost)

    def witnesses(self, k: Array, scale: Scale, zero: int, direction: int) -> tuple[int, float]:
        """How many different words speak for *scale*, and how many numerals against it.

        For it: in the one state of the row (legibility, points or digits lost) that explains all
        of them best.
        """
        if self.row is None:
            return 0, 0.0
        lines, labels = self._numbered_lines(k, scale, zero, direction)
        # no number is looked for at the zero line, but another one there speaks against
        everywhere = np.concatenate([np.flatnonzero(k == zero), lines])
        all_probs = np.exp(self.at(everywhere))
        gains = self.gains[lines, labels]
        total = gains.sum(0) + row_weights(self.digits_lost)
        legible, way = divmod(int(np.argmax(total)), total.shape[1])
        speaks = np.zeros(len(everywhere), bool)
        speaks[len(everywhere) - len(lines) :] = gains[:, legible, way] > SPEAKS_FOR
        speaking, against = set(), 0.0
        for i, probs, for_it in zip(everywhere, all_probs, speaks, strict=True):
            value_ml = float((k[i] - zero) * direction) * scale.interval_ml
            expected = printed_forms(label_of(round(value_ml, 6)))
            best = int(np.argmax(probs))
            if probs[best] > READ_AS_ELSE and LABELS[best] not in (
                *expected,
                NONE_LABEL,
                UNIT_LABEL,
            ):
                against += float(probs[best])
            # a value that the net has no word for cannot speak
            if expected and for_it:
                speaking.add(max(expected, key=lambda form: probs[LABEL_INDEX[form]]))
        return len(speaking), against

    def _numbered_lines(
        self, k: Array, scale: Scale, zero: int, direction: int
    ) -> tuple[Array, Array]:
        """Indices of the numbered lines (N,), and `label_place` of their numbers (N,)."""
        intervals, labels = _numbered(scale)
        at = zero + direction * intervals
        index = np.minimum(np.searchsorted(k, at), len(k) - 1)
        there = k[index] == at
        return index[there], labels[there]

    def read(
        self, k: Array, scale: Scale, zero: int, direction: int
    ) -> tuple[tuple[int, float, float], ...]:
        """(line k, value mL, probability) of numerals read as the labelling expects them."""
        if self.row is None:
            return ()
        lines, labels = self._numbered_lines(k, scale, zero, direction)
        out = []
        for i, label, log_probs in zip(lines, labels, self.at(lines), strict=True):
            p = float(np.exp(log_probs[label])) if label < len(LABELS) else 0.0
            if p > 0.5:
                value = float((k[i] - zero) * direction) * scale.interval_ml
                out.append((int(k[i]), value, p))
        return tuple(sorted(out))
