"""What the lines of a barrel say of a labelling: which are there, and which of them are long."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from .printing import custom, size_of_lines
from .scales import Scale, outer_radius_mm, slenderness

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from .graduations import Graduations

    Array = NDArray[Any]

LINE_SEEN, LINE_MISSING = 0.45, 0.25
# A line behind the stopper or in glare is lost; a line beyond the end of the scale is not there.
LOG_LINE_LOST = -0.5
LOG_LINE_BEYOND = -2.0
LOG_LONG = 0.8
# With so many intervals to a number, lines half-way between numbers may be longer than others.
LEAST_WITH_MIDDLE = 4
MIDDLE_SHARE = 0.25
# The ends are long lines with nothing beside them: they are seldom lost.
LOG_END_MISSING = -3.0
HIDDEN_RADII = 3.0  # stopper, cone and rod's end hide at most about this length, outer radii


class Lines:
    """What the lines say of labellings: all of their likelihood but ends and numerals.

    *width*: the lines' thickness, outer radii, or none.
    """

    def __init__(self, graduations: Graduations, any_line: Array, width: float | None) -> None:
        self.graduations, self.any_line, self.width = graduations, any_line, width
        self.k = graduations.k.astype(int)
        # a scale lies on a run of lines: what speaks for it there is a difference of two sums
        self.lost = _sums_before(LOG_LINE_LOST * (1 - any_line))
        self.beyond = _sums_before(LOG_LINE_BEYOND * any_line * (any_line > 0.4))
        self.around = _nearest(any_line >= LINE_MISSING)
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
        lines = self.lost[stop] - self.lost[start] + _ends_missing(self.around, start, stop)
        lines += self.beyond[-1] - (self.beyond[stop] - self.beyond[start])
        long_lines = self.long_lines[per]
        lines += long_lines[zero % per, stop] - long_lines[zero % per, start]
        return np.asarray(lines)


def _sums_before(values: Array) -> Array:
    """(K + 1,) sums of *values* (K,) before each place, and of all of them."""
    return np.concatenate([[0.0], np.cumsum(values)])


def most_hidden(pitch: float) -> int:
    """Lines that a stopper may cover at most."""
    return int(HIDDEN_RADII / pitch) + 2


def lines_there(graduations: Graduations) -> Array:
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


def solid_ends(any_line: Array, hidden: int) -> tuple[int, int]:
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


def _nearest(there: Array) -> tuple[Array, Array]:
    """Of each place between lines *there* (K,): the last index before and the first after it."""
    places = np.arange(len(there))
    before = np.maximum.accumulate(np.where(there, places, -1))
    after = np.minimum.accumulate(np.where(there, places, len(there))[::-1])[::-1]
    return np.append(-1, before), np.append(after, len(there))


def _ends_missing(around: tuple[Array, Array], start: Array, stop: Array) -> Array:
    """Log-likelihood of end lines that are not seen, the first two at each end.

    Of lines from *start* up to but not *stop*, indices of any one shape; *around*: of `_nearest`.
    """
    last_before, next_from = around
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
