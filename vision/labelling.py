"""Graduations -> Labelling: which volume each line stands for.

Every scale that could be printed is a hypothesis: its largest graduation, interval and
numbered increment, the direction it runs in, and the line its zero falls on.  Each is
scored against what is seen: lines where it has lines and none beyond its ends, long lines
where it has long lines, and the numerals.  The best must beat every other reading of the
lines clearly; otherwise the photograph is refused as ambiguous.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from .numerals import NumeralRow, expected, find_row
from .numerals_net import LABEL_INDEX, NONE_LABEL, label_of
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
POINTS_LOST = 0.02
# A digit of every numeral may be hidden by one streak along the barrel, or lie beyond the limb
# where the row runs close to it: 10 is then read 1, in all numerals alike.
DIGIT_LOST = 0.02
DIGIT_LOST_AT_LIMB = 0.5
LIMB = np.radians(82)
# Where the first look at the numerals does not settle it, other digit heights (outer radii)
# are tried.  Looking again finds chance agreement too, so it must gain clearly.
DIGIT_HEIGHTS = (0.3, 0.36, 0.46, 0.56, 0.68, 0.24)
CLEAR_NUMERALS = 8.0
SECOND_LOOK_GAIN = 6.0
MIRROR_GAIN = 2.0
# A line behind the stopper or in glare is lost; a line beyond the end of the scale is not there.
LOG_LINE_LOST = -0.5
LOG_LINE_BEYOND = -2.0
LOG_LONG = 0.8
# The ends are long lines with nothing beside them: they are seldom lost.
LOG_END_MISSING = -3.0
# A numeral may be printed beyond the last line, so one without a line counts for less.
NUMERAL_WITHOUT_LINE = 0.3
HIDDEN_RADII = 2.2  # the stopper hides at most about this length of scale, outer radii


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
    ``numeral_score``: the numerals' share of it against their absence.
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


def slenderness(scale: Scale, length_radii: float) -> float:
    """Log-likelihood of a scale of *length_radii* outer radii for its capacity.

    Volume = bore area times length fixes the bore, with a wall of about 1 mm; the length
    in mm that follows is held against the least length of the standard.
    """
    volume_mm3 = scale.largest_ml * 1000.0
    r = (volume_mm3 / (np.pi * length_radii)) ** (1 / 3)
    for _ in range(20):
        f = np.pi * r * r * length_radii * (r + WALL_MM) - volume_mm3
        r -= f / (np.pi * length_radii * (3 * r * r + 2 * r * WALL_MM))
    length = length_radii * (r + WALL_MM)
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


def label_lines(graduations: Graduations, interval_ml: float | None) -> Labelling | None:
    """The best labelling, with its margin; ``None`` if no scale fits the lines at all."""
    k = graduations.k.astype(int)
    any_line = _any_line(graduations)
    seen = np.flatnonzero(any_line > 0.45)
    if len(seen) < 5:
        return None
    pitch = graduations.lattice.pitch
    hidden = int(HIDDEN_RADII / pitch) + 2
    first, last = _solid_ends(any_line, hidden)
    flat, x, phi = flat_picture(graduations)
    step = float(x[1] - x[0])
    columns = (graduations.lattice.x(k) - x[0]) / step
    long_scores: dict[tuple[int, int], Array] = {}
    found: list[tuple[float, Scale, int, int]] = []
    span = k[last] - k[first]
    for scale in scales(interval_ml=interval_ml):
        n = scale.intervals
        if not span - 2 <= n <= 1.35 * span + hidden:
            continue
        shape = slenderness(scale, n * pitch)
        for direction in (1, -1):
            # zero_k such that the solid lines lie on the scale, give or take one
            if direction > 0:
                zeros = range(int(k[last]) - n - 1, int(k[first]) + 2)
            else:
                zeros = range(int(k[last]) - 1, int(k[first]) + n + 2)
            for zero in zeros:
                index = (k - zero) * direction
                on = (index >= 0) & (index <= n)
                lines = float(np.sum(np.where(on, LOG_LINE_LOST * (1 - any_line), 0.0)))
                lines += _ends_missing(any_line, on) + shape
                lines += LOG_LINE_BEYOND * float(np.sum(any_line[~on] * (any_line[~on] > 0.4)))
                phase = int(zero % scale.per_number)
                key = (scale.per_number, phase)
                if key not in long_scores:
                    long_scores[key] = _long_lines(graduations, any_line, k, *key)
                lines += float(np.sum(long_scores[key][on]))
                found.append((lines, scale, zero, direction))
    if not found:
        return None
    found.sort(key=lambda f: -f[0])
    top = found[0][0]
    # the numerals are read only for labellings that the lines leave alive
    alive = [f for f in found if f[0] > top - 25.0][:400]
    ends = columns[first : last + 1]
    best: Labelling | None = None
    for row in _rows(flat, step, ends):
        if row is None and best is not None:
            continue
        numerals = _Numerals(row, columns, any_line, _cut_by_limb(row, phi))
        labelling = _best(alive, numerals, k, x, phi)
        if best is None or labelling.numeral_score > best.numeral_score + SECOND_LOOK_GAIN:
            best = labelling
        if best.numeral_score >= CLEAR_NUMERALS:
            break
    return best


def _rows(flat: Array, step: float, columns: Array) -> Iterator[NumeralRow | None]:
    """Rows of numerals on *flat*: the one found unaided, then one for each digit height."""
    for heights in (None, *([h / step] for h in DIGIT_HEIGHTS)):
        yield find_row(flat, radius_px=1.0 / step, tick_columns=columns, digit_heights=heights)


def _cut_by_limb(row: NumeralRow | None, phi: Array) -> bool:
    """True if numerals run round the barrel so close to the limb that a digit may be hidden."""
    if row is None or row.rotation % 180 == 0:
        return False
    step = float(phi[1] - phi[0])
    room = (LIMB - abs(float(phi[0]) + row.y * step)) / step
    return room < 2 * 0.62 * row.digit_height


def _best(
    alive: list[tuple[float, Scale, int, int]],
    numerals: _Numerals,
    k: Array,
    x: Array,
    phi: Array,
) -> Labelling:
    """The likeliest of *alive* with these numerals, and its lead over every other reading."""
    scored = []
    for lines, scale, zero, direction in alive:
        weight = numerals.score(k, scale, zero, direction)
        scored.append((lines + weight, weight, scale, zero, direction))
    scored.sort(key=lambda f: -f[0])
    best = scored[0]

    def same(other: tuple[float, float, Scale, int, int]) -> bool:
        return (other[2].interval_ml, other[3], other[4]) == (best[2].interval_ml, best[3], best[4])

    rivals = [f for f in scored if not same(f)]
    margin = best[0] - rivals[0][0] if rivals else np.inf
    return Labelling(
        best[2],
        int(best[3]),
        int(best[4]),
        float(best[0]),
        float(margin),
        float(best[1]),
        numerals.row,
        x,
        phi,
        numerals.read(k, best[2], best[3], best[4]),
    )


def reads_better_mirrored(graduations: Graduations, labelling: Labelling) -> bool:
    """True if the numerals agree better with *labelling* when the surface is mirrored.

    That is so in a mirrored photograph, and where the print is seen from behind.
    """
    flat, x, phi = flat_picture(graduations)
    step = float(x[1] - x[0])
    k = graduations.k.astype(int)
    columns = (graduations.lattice.x(k) - x[0]) / step
    any_line = _any_line(graduations)
    span = (labelling.value_ml(k) >= 0) & (labelling.value_ml(k) <= labelling.scale.largest_ml)
    mirrored = np.ascontiguousarray(flat[::-1])
    for row in _rows(mirrored, step, columns[span]):
        if row is None:
            continue
        numerals = _Numerals(row, columns, any_line, _cut_by_limb(row, phi))
        score = numerals.score(k, labelling.scale, labelling.zero_k, labelling.direction)
        if score > max(labelling.numeral_score, 0.0) + MIRROR_GAIN:
            return True
    return False


def flat_picture(graduations: Graduations) -> tuple[NDArray[np.float32], Array, Array]:
    """Grey levels of the outer surface, equal px along and around; axial and azimuth grids."""
    radius_px = graduations.cylinder.radius_px
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
    k = graduations.k
    used = graduations.points.k
    core = (k >= np.percentile(used, 5)) & (k <= np.percentile(used, 95))
    reference = np.percentile(presence[core], 45, axis=0)
    top = float(reference.max())
    zone = reference >= max(0.5 * top, 0.03)
    if not zone.any():
        zone = reference >= top
    scaled = presence[:, zone] / np.maximum(
        np.percentile(presence[core][:, zone], 70, axis=0), 0.05
    )
    return np.asarray(np.clip(scaled.mean(1), 0, 1))


def _solid_ends(any_line: Array, hidden: int) -> tuple[int, int]:
    """First and last index of the scale's lines: they have neighbours, and no wide gaps.

    A lone find beyond the ends is not the scale's; nor is a group of finds further away
    than *hidden* lines, the most that a stopper can cover.
    """
    there = any_line > 0.45
    support = np.convolve(there, np.ones(7), mode="same")
    solid = np.flatnonzero(there & (support >= 4))
    if len(solid) < 2:
        solid = np.flatnonzero(there)
    runs = np.split(solid, np.flatnonzero(np.diff(solid) > hidden) + 1)
    run = max(runs, key=lambda r: float(any_line[r].sum()))
    return int(run[0]), int(run[-1])


def _ends_missing(any_line: Array, on: Array) -> float:
    """Log-likelihood of end lines that are not seen, the first two at each end."""
    there = any_line[on]
    total = 0.0
    for side in (there, there[::-1]):
        missing = int(np.argmax(side >= 0.25)) if (side >= 0.25).any() else len(side)
        total += LOG_END_MISSING * min(missing, 2)
    return total


def _long_lines(
    graduations: Graduations, any_line: Array, k: Array, every: int, phase: int
) -> Array:
    """Log-likelihood (K,) that lines k = phase (mod every) are the long ones, best window."""
    presence = graduations.presence
    is_long = (k - phase) % every == 0
    there = any_line > 0.45
    if (is_long & there).sum() < 2 or (~is_long & there).sum() < 2:
        return np.zeros(len(k))
    on = np.median(presence[is_long & there], axis=0)
    off = np.percentile(presence[~is_long & there], 75, axis=0)
    gain = on - np.maximum(off, 0.0)
    w = int(np.argmax(gain))
    if gain[w] < 0.04:
        return np.asarray(np.full(len(k), -0.3 * LOG_LONG) * there)
    level = np.clip(presence[:, w] / max(float(on[w]), 0.05), 0, 1)
    evidence = np.where(is_long, level - 0.5, 0.5 - level) * 2 * LOG_LONG
    # long lines are few: a scale must not be chosen for the many short ones it predicts
    evidence = np.where(is_long, evidence * 1.5, np.minimum(evidence, 0.0))
    return np.asarray(np.where(there, evidence, 0.0))


class _Numerals:
    """Log-likelihoods of what is printed beside the lines, read once for each line."""

    def __init__(self, row: NumeralRow | None, columns: Array, any_line: Array, cut: bool) -> None:
        self.row = row
        self.digit_lost = DIGIT_LOST_AT_LIMB if cut else DIGIT_LOST
        self.columns = columns
        self.any_line = any_line
        self.cache: dict[int, Array] = {}

    def at(self, indices: list[int]) -> list[Array]:
        missing = [i for i in indices if i not in self.cache]
        if missing and self.row is not None:
            found = self.row.log_probs_at(self.columns[missing])
            self.cache.update(zip(missing, found, strict=True))
        return [self.cache[i] for i in indices]

    def score(self, k: Array, scale: Scale, zero: int, direction: int) -> float:
        """Log-likelihood ratio of the numerals of *scale* against no numerals there."""
        if self.row is None:
            return 0.0
        index = (k - zero) * direction
        lines = [
            i for i, j in enumerate(index) if 0 < j <= scale.intervals and j % scale.per_number == 0
        ]
        if not lines:
            return 0.0
        plain = lost = cut = 0.0
        for i, lp in zip(lines, self.at(lines), strict=True):
            value = float(index[i]) * scale.interval_ml
            blank = np.log(0.9 * float(np.exp(lp[LABEL_INDEX[NONE_LABEL]])) + 0.002)
            seen = expected(lp, value)
            gains = (seen, expected(lp, value, points_lost=True), _expected_cut(lp, value, seen))
            # a numeral without a line beside it counts for less
            share = NUMERAL_WITHOUT_LINE if self.any_line[i] < 0.25 else 1.0
            a, b, c = (g * share if (g := x - blank) > 0 else g for x in gains)
            plain, lost, cut = plain + a, lost + b, cut + c
        ways = (
            np.log(1 - POINTS_LOST - self.digit_lost) + plain,
            np.log(POINTS_LOST) + lost,
            np.log(self.digit_lost) + cut,
        )
        return float(np.logaddexp.reduce(ways))

    def read(
        self, k: Array, scale: Scale, zero: int, direction: int
    ) -> tuple[tuple[int, float, float], ...]:
        """(line k, value mL, probability) of numerals read as the labelling expects them."""
        if self.row is None:
            return ()
        index = (k - zero) * direction
        out = []
        for i, j in enumerate(index):
            if 0 < j <= scale.intervals and j % scale.per_number == 0:
                value = float(j) * scale.interval_ml
                lp = self.at([i])[0]
                p = float(np.exp(expected(lp, value, legible=1.0)))
                if p > 0.5:
                    out.append((int(k[i]), value, p))
        return tuple(out)


def _expected_cut(log_probs: Array, value_ml: float, seen: float) -> float:
    """Log-likelihood of a patch if some digits at one end of its numeral may be hidden."""
    label = label_of(value_ml)
    if label is None:
        return seen
    parts = {label[:n].rstrip(".") for n in range(1, len(label))}
    parts |= {label[n:].lstrip(".") for n in range(1, len(label))}
    found = sum(float(np.exp(log_probs[LABEL_INDEX[q]])) for q in parts if q in LABEL_INDEX)
    return float(np.logaddexp(seen, np.log(0.9 * found + 1e-9)))
