"""What a row of numerals says of a labelling, and the looks that rows are found by."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np

from .line_witness import LINE_MISSING
from .numerals import (
    ENOUGH_SUPPORT,
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
from .printing import size_of_digits

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from .scales import Scale

    Array = NDArray[Any]

# A digit of every numeral may be hidden by one streak along the barrel, or lie beyond the limb
# where the row runs close to it: 10 is then read 1, in all numerals alike.
DIGIT_LOST = 0.02
DIGIT_LOST_AT_LIMB = 0.5
LIMB = np.radians(82)
# Where the first look at the numerals does not settle it, other digit heights (outer radii)
# are tried.
ROWS_AT_A_LOOK = 3
DIGIT_HEIGHTS = (0.3, 0.36, 0.46, 0.56, 0.68, 0.2)
# A numeral speaks for a labelling if it is so much likelier than a bare line (natural log), and
# against it if it is read as something else, more probably than not.
SPEAKS_FOR = 1.0
READ_AS_ELSE = 0.5
# A numeral may be printed beyond the last line, so one without a line counts for less.
NUMERAL_WITHOUT_LINE = 0.3


class Looks:
    """Rows of numerals on a flat picture of a barrel: the best found unaided, then some of each
    digit height.  Each look is dear, and taken but once."""

    def __init__(self, flat: NDArray[np.float32], step: float, columns: Array) -> None:
        self.flat, self.step, self.columns = flat, step, columns
        self._taken: list[list[NumeralRow]] = []

    def __iter__(self) -> Iterator[list[NumeralRow]]:
        heights: list[list[float] | None] = [None, *([h / self.step] for h in DIGIT_HEIGHTS)]
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

    def mirrored(self) -> Looks:
        """The same surface in a mirror."""
        return Looks(np.ascontiguousarray(self.flat[::-1]), self.step, self.columns)


def azimuth_of(row: NumeralRow, phi: Array) -> float:
    """Azimuth of *row*, radians, on a flat picture whose rows lie at *phi* (H,), radians."""
    return float(phi[0]) + row.y * float(phi[1] - phi[0])


def cut_by_limb(row: NumeralRow, phi: Array) -> tuple[bool, bool]:
    """Whether the limb may hide the first digits of numerals, and the last ones.

    That is so where numerals run round the barrel and start or end so close to the limb that
    there is no room for two digits more.
    """
    if row.rotation % 180 == 0:
        return False, False
    step = float(phi[1] - phi[0])
    azimuth = azimuth_of(row, phi)
    needed = 2 * 0.62 * row.digit_height * step
    low, high = azimuth + LIMB < needed, LIMB - azimuth < needed
    # turned counter-clockwise by 90 degrees, what lay at large azimuth ends the word
    return (low, high) if row.rotation % 360 == 90 else (high, low)


@cache
def _numbered(scale: Scale) -> tuple[Array, Array]:
    """Intervals from zero to each numbered line, (M,), and `label_place` of its number, (M,)."""
    intervals = np.arange(scale.per_number, scale.intervals + 1, scale.per_number)
    values = [round(float(n) * scale.interval_ml, 6) for n in intervals]
    return intervals, np.array([label_place(value) for value in values], int)


class Numerals:
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
