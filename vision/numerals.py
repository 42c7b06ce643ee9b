"""Find and read the row of numerals on a flat picture of the barrel's surface.

The flat picture has the barrel's axis along x and arc length round the barrel
along y, with equally many pixels per millimetre both ways.  All numerals of
one scale share their rotation, their height and their distance from the ends
of the lines; so what is looked for is one *row*, not single words.

1. The net slides over the picture in the four quarter turns and at a few digit
   heights (`_scan`); that costs little more than looking at each pixel once.
2. The turn, height and row that gather the most sure numerals win (`_best_row`).
3. Height, row and places are refined on exact patches (`_refine`).

The answer keeps log-probabilities over all labels, not a reading: a labelling
of the lines is scored by the sum over its numerals (`NumeralRow.score`).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cache, cached_property
from typing import TYPE_CHECKING

import cv2
import numpy as np

from .numerals_net import (
    DIGIT_HEIGHT,
    LABEL_INDEX,
    LABELS,
    NONE_LABEL,
    PATCH_HEIGHT,
    PATCH_WIDTH,
    STRIDE,
    TRAINING_SHARES,
    UNIT_LABEL,
    VALUES,
    label_of,
    numeral_net,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Array = NDArray[np.float32]

#: Digit heights looked for, in barrel radii.  The net bears +/- 25 % about each, so the
#: ladder covers 0.2 to 0.85 of the radius: 4.5 mm on a 60 mL barrel is 0.3 of its
#: radius, 2.2 mm on a 1 mL barrel 0.7 (common practice, no source).  Commonest first.
HEIGHTS_IN_RADII: tuple[float, ...] = (0.41, 0.26, 0.66)
#: No barrel is longer than this many digit heights: smaller digits are not looked for.
LONGEST_IN_DIGITS = 45
#: How often the points of a whole row are too small or too pale to be seen (from a look at
#: photographs of small barrels, no source).
POINTS_LOST = 0.1
#: How probably a numeral of the row can be read: all but spotless, spoilt by stopper and
#: glare, hardly at all.  Numerals of one row share this, so it is weighed over the whole row.
LEGIBLE = (0.95, 0.75, 0.45)
#: A numeral that can't be read is taken for none, or for any other with like odds; so is,
#: seldom, what is no numeral.  From a look at photographs, no source.
ILLEGIBLE_IS_NONE = 0.5
NOTHING_IS_ANYTHING = 0.1
#: How often a numeral can be seen whole in a row whose points, or end digits, are lost.
WHOLE_ALL_THE_SAME = 0.1
#: A row with this much support ends the search over digit heights.
ENOUGH_SUPPORT = 2.8
#: A row must hold at least so much confidence once refined: less than one sure numeral is
#: noise, grain or lines.
LEAST_SUPPORT = 1.0
#: Of rows at one look, those with less support than this share of the best one's are not refined:
#: of 137 scales read by their numerals 132 were by the best row, the others by rows with 0.43 of it
#: or more.
SUPPORT_SHARE = 0.4
#: Scales longer than this many radii are those of 1 to 3 mL, with digits high for the barrel.
SLENDER = 8.0
#: Digits of fewer pixels than this are not looked for: drawn ones can't be told apart either.
LEAST_DIGIT_PX = 5.5
_NONE = LABEL_INDEX[NONE_LABEL]
_UNIT = LABEL_INDEX[UNIT_LABEL]
# What a graduation line is taken for.
_ONES = [LABEL_INDEX[s] for s in ("1", "11", "1.1")]
_PAD_Y, _PAD_X = 14, 26


@dataclass(frozen=True)
class NumeralCandidate:
    """A place that may hold a numeral.

    box: (x0, y0, x1, y1), pixels of the flat picture, the patch that was read;
    rotation: degrees by which the flat picture is turned counter-clockwise to
    read the numeral upright; digit_height: pixels; log_probs: (len(LABELS),).
    """

    box: tuple[float, float, float, float]
    rotation: int
    digit_height: float
    log_probs: Array = field(repr=False)

    @property
    def centre(self) -> tuple[float, float]:
        """(x, y) in the flat picture."""
        return (self.box[0] + self.box[2]) / 2, (self.box[1] + self.box[3]) / 2

    @property
    def label(self) -> str:
        """The likeliest label."""
        return LABELS[int(np.argmax(self.log_probs))]


@dataclass(frozen=True)
class NumeralRow:
    """The row of numerals of one scale.

    y: azimuth coordinate of the numerals' centres, px; shift: how far they
    stand beside their lines along x, px (0 if no lines were given);
    support: sum of the confidences of the numerals found.
    """

    flat: Array = field(repr=False)
    rotation: int
    digit_height: float
    y: float
    shift: float
    support: float
    candidates: list[NumeralCandidate]

    def log_probs_at(self, columns: Sequence[float] | NDArray[np.float64]) -> Array:
        """(N, len(LABELS)) at the lines at these x, px of the flat picture."""
        xs = np.asarray(columns, np.float64) + self.shift
        return numeral_net().log_probs(self._view.patches(xs, np.full(len(xs), self.y)))

    @cached_property
    def _view(self) -> _View:
        return _View(self.flat, self.rotation, self.digit_height)

    def score(self, columns: Sequence[float], values_ml: Sequence[float]) -> float:
        """`score` of what stands at the lines at *columns*, if they carry *values_ml*."""
        return score(self.log_probs_at(columns), values_ml)


def score(log_probs: Array, values_ml: Sequence[float] | NDArray[np.float64]) -> float:
    """Log-likelihood ratio of the numerals seen, if the numbered lines carry *values_ml*.

    log_probs: (N, len(LABELS)), one row for each numbered line; the ratio is to patches with
    nothing printed on them.  Three things that the numerals of a row have in common keep the
    terms from claiming more than they know; each is summed over, not chosen: how legible the
    row is at all (`LEGIBLE`), whether decimal points can be seen in it (`POINTS_LOST`).

    Raises ValueError if the two differ in length.
    """
    if len(log_probs) != len(values_ml):
        raise ValueError("as many columns as values are needed")
    places = np.array([label_place(value) for value in values_ml], int)
    gains = gains_of_labels(log_probs)
    return combine(gains[np.arange(len(places)), places].sum(axis=0))


def combine(gains: NDArray[np.float64], cut_odds: tuple[float, float] = (0.0, 0.0)) -> float:
    """Sum over what the numerals of a row have in common; *gains* as of `numeral_gains`.

    *cut_odds*: how probably first, or last, digits of all numerals are hidden.
    """
    return float(combine_each(gains[None], cut_odds)[0])


def combine_each(
    gains: NDArray[np.float64], cut_odds: tuple[float, float] = (0.0, 0.0)
) -> NDArray[np.float64]:
    """`combine` (N,) of each of *gains* (N, len(LEGIBLE), 4)."""
    weighed = gains + row_weights(cut_odds)
    return np.asarray(np.logaddexp.reduce(weighed.reshape(len(gains), -1), axis=1))


def row_weights(cut_odds: tuple[float, float] = (0.0, 0.0)) -> NDArray[np.float64]:
    """(4,) logs of the odds of the states of a row, for each legibility; see `combine`."""
    odds = np.array([1 - POINTS_LOST - sum(cut_odds), POINTS_LOST, *cut_odds])
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(odds / len(LEGIBLE)))


def numeral_gains(log_probs: Array, value_ml: float) -> NDArray[np.float64]:
    """(len(LEGIBLE), 4) log-likelihood ratios of one patch, if its line is numbered *value_ml*.

    Down: how legible the row is; across: seen as it is; without a decimal point; first digits
    hidden; last digits hidden.  The net's probabilities over the labels' shares in training
    are likelihoods.  A numeral that is not legible looks like nothing or like anything.  A
    value without a label (none of the net's classes) can only be that.
    """
    return gains_of_labels(log_probs[None])[0, label_place(value_ml)]


def label_place(value_ml: float) -> int:
    """Where *value_ml* stands in `gains_of_labels`: its label's index, or one past the last."""
    label = label_of(value_ml)
    return LABEL_INDEX[label] if label is not None else len(LABELS)


def gains_of_labels(log_probs: Array) -> NDArray[np.float64]:
    """(N, len(LABELS) + 1, len(LEGIBLE), 4): `numeral_gains` of N patches for every label.

    The last is that of a value without a label.
    """
    likelihood = np.exp(log_probs.astype(np.float64)) / TRAINING_SHARES
    shares = _shares_of_ways()
    ways = (likelihood @ shares.reshape(-1, len(LABELS)).T).reshape(-1, len(shares), 1, 4)
    legible = np.array(LEGIBLE)[:, None]
    none = likelihood[:, _NONE, None, None, None]
    other = ILLEGIBLE_IS_NONE * none + 1 - ILLEGIBLE_IS_NONE
    nothing = (1 - NOTHING_IS_ANYTHING) * none + NOTHING_IS_ANYTHING
    return np.asarray(np.log((legible * ways + (1 - legible) * other) / nothing))


@cache
def _shares_of_ways() -> NDArray[np.float64]:
    """(len(LABELS) + 1, 4, len(LABELS)): share of each label in each way a label may look.

    What is mostly seen in parts is sometimes seen whole.
    """
    shares = np.zeros((len(LABELS) + 1, 4, len(LABELS)))
    for label, i in LABEL_INDEX.items():
        shares[i, :, i] = 1.0
        for way, parts in enumerate(_worn_forms(label), start=1):
            known = [LABEL_INDEX[p] for p in parts if p in LABEL_INDEX]
            if known:
                shares[i, way, i] = WHOLE_ALL_THE_SAME
                shares[i, way, known] += (1 - WHOLE_ALL_THE_SAME) / len(known)
    return shares


@cache
def _worn_forms(label: str | None) -> tuple[tuple[str, ...], ...]:
    """What a label may look like without its point, its first digits, or its last digits."""
    if label is None:
        return (), (), ()
    plain = (label.replace(".", "").lstrip("0"),) if "." in label else ()
    cuts = range(1, len(label))
    ends = {label[n:].lstrip(".") for n in cuts}
    starts = {label[:n].rstrip(".") for n in cuts}
    return plain, tuple(sorted(ends)), tuple(sorted(starts))


def printed_forms(label: str | None) -> set[str]:
    """What may be read where *label* is printed: itself, or worn, or cut at one side."""
    forms = {form for parts in _worn_forms(label) for form in parts if form in LABEL_INDEX}
    return forms | ({label} if label is not None else set())


class _View:
    """The flat picture turned upright and scaled so that digits are DIGIT_HEIGHT high."""

    def __init__(self, flat: Array, rotation: int, digit_height: float) -> None:
        self.quarter = rotation // 90 % 4
        self.scale = DIGIT_HEIGHT / digit_height
        self.flat_shape = flat.shape
        turned = np.ascontiguousarray(np.rot90(flat, self.quarter))
        h, w = turned.shape
        size = (max(8, round(w * self.scale)), max(8, round(h * self.scale)))
        shrink = self.scale < 1
        how = cv2.INTER_AREA if shrink else cv2.INTER_LINEAR
        picture = np.asarray(cv2.resize(turned, size, interpolation=how), np.float32)
        self.sx, self.sy = size[0] / w, size[1] / h
        pad_y = max(_PAD_Y, -(-(PATCH_HEIGHT - size[1]) // 2))
        pad_x = max(_PAD_X, -(-(PATCH_WIDTH - size[0]) // 2))
        self.pad = (pad_x, pad_y)
        self.picture = cv2.copyMakeBorder(picture, pad_y, pad_y, pad_x, pad_x, cv2.BORDER_REPLICATE)

    def inward(self, x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
        """Flat (x, y) -> (N, 2) pixels of the padded view."""
        h, w = self.flat_shape
        u, v = ((x, y), (y, w - 1 - x), (w - 1 - x, h - 1 - y), (h - 1 - y, x))[self.quarter]
        return np.stack(
            [(u + 0.5) * self.sx - 0.5 + self.pad[0], (v + 0.5) * self.sy - 0.5 + self.pad[1]], -1
        )

    def outward(self, uv: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """(N, 2) pixels of the padded view -> flat (x, y)."""
        h, w = self.flat_shape
        u = (uv[:, 0] - self.pad[0] + 0.5) / self.sx - 0.5
        v = (uv[:, 1] - self.pad[1] + 0.5) / self.sy - 0.5
        pairs = ((u, v), (w - 1 - v, u), (w - 1 - u, h - 1 - v), (v, h - 1 - u))
        return pairs[self.quarter]

    def patches(self, x: NDArray[np.float64], y: NDArray[np.float64]) -> Array:
        """(N, PATCH_HEIGHT, PATCH_WIDTH) about these flat places."""
        out = np.empty((len(x), PATCH_HEIGHT, PATCH_WIDTH), np.float32)
        for i, (u, v) in enumerate(self.inward(np.asarray(x), np.asarray(y))):
            out[i] = cv2.getRectSubPix(
                self.picture, (PATCH_WIDTH, PATCH_HEIGHT), (float(u), float(v))
            )
        return out

    def box(self, x: float, y: float) -> tuple[float, float, float, float]:
        half = np.array([PATCH_WIDTH / self.scale, PATCH_HEIGHT / self.scale]) / 2
        if self.quarter % 2:
            half = half[::-1]
        return (x - half[0], y - half[1], x + half[0], y + half[1])


@dataclass
class _Peaks:
    """Local maxima of one scan: flat places, confidences and the view they come from."""

    view: _View
    rotation: int
    digit_height: float
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    sure: NDArray[np.float64]
    labels: NDArray[np.intp]  # (N, 2) likeliest two values
    label_sure: NDArray[np.float64]  # (N, 2) their confidences


def _scan(flat: Array, rotation: int, digit_height: float) -> _Peaks:
    """Slide the net over one turn and height."""
    view = _View(flat, rotation, digit_height)
    probs = numeral_net().slide(np.asarray(view.picture, np.float32))
    numerals = probs[: min(_NONE, _UNIT)]  # the values come first
    # surest single label, discounted where the place may well hold no numeral
    sure = numerals.max(axis=0) * (1 - probs[_NONE])
    ring = cv2.dilate(sure, np.ones((3, 3), np.uint8))
    i, j = np.nonzero((sure >= ring) & (sure > 0.15))
    uv = np.stack([STRIDE * j + (PATCH_WIDTH - 1) / 2, STRIDE * i + (PATCH_HEIGHT - 1) / 2], -1)
    x, y = view.outward(uv.astype(np.float64))
    here = numerals[:, i, j].T.astype(np.float64)
    two = np.argsort(-here, axis=1)[:, :2]
    label_sure = np.take_along_axis(here, two, axis=1) * (1 - probs[_NONE, i, j])[:, None]
    return _Peaks(
        view, rotation, digit_height, x, y, sure[i, j].astype(np.float64), two, label_sure
    )


def _rows(peaks: _Peaks) -> list[tuple[float, NDArray[np.intp]]]:
    """(support, members) of bands at one azimuth, best first; no two members share a place."""
    found: dict[tuple[int, ...], float] = {}
    reach = 0.5 * peaks.digit_height
    spacing = 1.1 * peaks.digit_height
    for y0 in np.unique(np.round(peaks.y, 1)):
        near = np.flatnonzero(np.abs(peaks.y - y0) <= reach)
        kept: list[int] = []
        for k in near[np.argsort(-peaks.sure[near])]:
            if all(abs(peaks.x[k] - peaks.x[m]) > spacing for m in kept):
                kept.append(int(k))
        found[tuple(kept)] = _distinct(peaks.labels[kept, 0], peaks.sure[kept])
    likely = sorted(found, key=lambda kept: -found[kept])[:3]
    rows = [(0.25 * found[k] + _progression(peaks, np.array(k, np.intp)), np.array(k, np.intp))
            for k in likely]  # fmt: skip
    return sorted(rows, key=lambda pair: -pair[0])


def _distinct(labels: NDArray[np.intp], sure: NDArray[np.float64]) -> float:
    """Sum of confidences in which each value counts once.

    No two lines of a scale carry the same value; a comb of plain lines reads
    1, 1, 1, which so counts once and little.
    """
    best = np.zeros(len(LABELS))
    np.maximum.at(best, labels, sure)
    best[_ONES] *= 0.3
    return float(best.sum())


def _progression(peaks: _Peaks, members: NDArray[np.intp]) -> float:
    """Largest sum of confidences of members whose values lie on one straight line v(x).

    Values grow evenly from a zero line that is on the barrel; any two sure
    numerals propose a line.
    """
    members = members[np.argsort(-peaks.sure[members])][:24]
    x = np.repeat(peaks.x[members], 2)
    value = VALUES[peaks.labels[members]].ravel()
    sure = peaks.label_sure[members].ravel()
    use = sure > 0.1
    owner = np.repeat(np.arange(len(members)), 2)[use]
    x, value, sure = x[use], value[use], sure[use]
    i, j = np.triu_indices(len(x), 1)
    proper = (owner[i] != owner[j]) & (value[i] != value[j])
    i, j = i[proper], j[proper]
    if len(i) == 0:
        return 0.0
    slope = (value[j] - value[i]) / (x[j] - x[i])
    zero = x[i] - value[i] / slope  # where the line of zero would be
    width = peaks.view.flat_shape[1]
    inside = (zero > -0.15 * width) & (zero < 1.15 * width)
    slope, zero = slope[inside], zero[inside]
    off = np.abs(value[None] / slope[:, None] + zero[:, None] - x[None])  # (lines, entries) px
    fits = np.where(off < 0.6 * peaks.digit_height, sure[None], 0.0)
    best = np.zeros((len(slope), len(members)))
    for k in range(fits.shape[1]):
        np.maximum(best[:, owner[k]], fits[:, k], out=best[:, owner[k]])
    return float(best.sum(axis=1).max(initial=0.0))


def _confidence(log_probs: Array) -> NDArray[np.float64]:
    probs = np.exp(log_probs.astype(np.float64))
    best = np.delete(probs, [_NONE, _UNIT], axis=1).max(axis=1)
    return np.asarray(best * (1 - probs[:, _NONE]), np.float64)


def find_row(
    flat: Array,
    *,
    radius_px: float | None = None,
    tick_columns: Sequence[float] | NDArray[np.float64] | None = None,
    digit_heights: Sequence[float] | None = None,
) -> NumeralRow | None:
    """The row of numerals with the most support, or None where nothing looks like one.

    Arguments and errors as for `find_rows`.
    """
    rows = find_rows(
        flat, radius_px=radius_px, tick_columns=tick_columns, digit_heights=digit_heights, most=1
    )
    return rows[0] if rows else None


def find_rows(
    flat: Array,
    *,
    radius_px: float | None = None,
    tick_columns: Sequence[float] | NDArray[np.float64] | None = None,
    digit_heights: Sequence[float] | None = None,
    most: int = 3,
) -> list[NumeralRow]:
    """At most *most* rows of numerals, different in turn or place, most supported first.

    flat: (H, W) grey levels, axis along x, equal px/mm both ways; radius_px: the
    barrel's outer radius in its pixels (else H is taken to span 170 degrees);
    tick_columns: x of the graduation lines, px; digit_heights: px, if known; those below
    ``LEAST_DIGIT_PX`` are left out.
    Raises ValueError if *flat* is not two-dimensional.
    """
    if flat.ndim != 2:
        raise ValueError(f"flat must be (H, W), not {flat.shape}")
    flat = np.ascontiguousarray(flat, np.float32)
    radius = radius_px if radius_px is not None else flat.shape[0] / np.deg2rad(170)
    left, right = 0, flat.shape[1]
    order = HEIGHTS_IN_RADII
    if tick_columns is not None and len(tick_columns) > 1:
        first, last = float(np.min(tick_columns)), float(np.max(tick_columns))
        left, right = max(0, int(first - radius)), min(right, int(last + radius) + 1)
        if last - first > SLENDER * radius:
            order = tuple(sorted(order, reverse=True))
    part = flat[:, left:right]
    least = part.shape[1] / LONGEST_IN_DIGITS
    heights = digit_heights or [f * radius for f in order if f * radius >= least]
    found: list[tuple[float, _Peaks, NDArray[np.intp]]] = []
    for height in heights:
        if height < LEAST_DIGIT_PX:
            continue
        for rotation in (0, 90, 180, 270):
            peaks = _scan(part, rotation, height)
            found += [(support, peaks, members) for support, members in _rows(peaks)]
        if max((f[0] for f in found), default=0.0) >= ENOUGH_SUPPORT:
            break
    rows: list[NumeralRow] = []
    found.sort(key=lambda f: -f[0])
    for support, peaks, members in found[: 4 * most]:
        if len(rows) == most or support < SUPPORT_SHARE * found[0][0]:
            break
        # each of a row is surer than 0 and less than 1, and together they need LEAST_SUPPORT
        if len(members) <= LEAST_SUPPORT or any(_same_row(peaks, members, row) for row in rows):
            continue
        row = _refine(flat, replace(peaks, x=peaks.x + left), members, tick_columns)
        if row.support >= LEAST_SUPPORT:
            rows.append(row)
    return rows


def _same_row(peaks: _Peaks, members: NDArray[np.intp], row: NumeralRow) -> bool:
    y = float(np.average(peaks.y[members], weights=peaks.sure[members]))
    return peaks.rotation == row.rotation and abs(y - row.y) < 0.7 * row.digit_height


def _refine(
    flat: Array,
    peaks: _Peaks,
    members: NDArray[np.intp],
    tick_columns: Sequence[float] | NDArray[np.float64] | None,
) -> NumeralRow:
    """Better digit height, row and places from exact patches."""
    net = numeral_net()
    order = members[np.argsort(-peaks.sure[members])]
    x, y, sure = peaks.x[order], peaks.y[order], peaks.sure[order]
    lead = slice(0, min(6, len(x)))
    row = float(np.average(y[lead], weights=sure[lead]))

    height = peaks.digit_height
    trials = [height * f for f in (0.8, 1.0, 1.25)]
    gains = []
    for trial in trials:
        view = _View(flat, peaks.rotation, trial)
        gains.append(
            _confidence(net.log_probs(view.patches(x[lead], np.full(len(x[lead]), row)))).sum()
        )
    # weighted in logs: the net is flat near its best height
    weights = np.exp(4 * (np.array(gains) - max(gains)))
    height = float(np.exp(np.average(np.log(trials), weights=weights)))
    view = _View(flat, peaks.rotation, height)

    steps = np.array([-0.25, 0.0, 0.25]) * height
    n = len(x[lead])
    lp = net.log_probs(view.patches(np.tile(x[lead], 3), np.repeat(row + steps, n)))
    gains_y = _confidence(lp).reshape(3, n).sum(axis=1)
    row += float(np.average(steps, weights=np.exp(4 * (gains_y - gains_y.max()))))

    lp = net.log_probs(
        view.patches(np.concatenate([x + s for s in steps]), np.full(3 * len(x), row))
    )
    sure_x = _confidence(lp).reshape(3, len(x))
    weights_x = np.exp(4 * (sure_x - sure_x.max(axis=0)))
    x = x + (weights_x * steps[:, None]).sum(axis=0) / weights_x.sum(axis=0)

    shift = 0.0
    if tick_columns is not None and len(tick_columns) > 1:
        ticks = np.sort(np.asarray(tick_columns, np.float64))
        if np.median(np.diff(ticks)) > 0.9 * height:
            gap = x[:, None] - ticks[None]
            nearest = gap[np.arange(len(x)), np.abs(gap).argmin(axis=1)]
            shift = float(np.median(nearest[lead]))
            if abs(shift) < 0.12 * height:
                shift = 0.0
    lp = net.log_probs(view.patches(x, np.full(len(x), row)))
    along = np.argsort(x)
    candidates = [
        NumeralCandidate(view.box(float(x[k]), row), peaks.rotation, height, lp[k]) for k in along
    ]
    return NumeralRow(flat, peaks.rotation, height, row, shift,
                      float(_confidence(lp).sum()), candidates)  # fmt: skip


def read_numerals(
    flat: Array,
    tick_columns: Sequence[float] | NDArray[np.float64] | None = None,
    *,
    radius_px: float | None = None,
) -> list[NumeralCandidate]:
    """The numerals of the best row, from left to right; empty where none was found.

    Arguments as for `find_row`.
    """
    row = find_row(flat, radius_px=radius_px, tick_columns=tick_columns)
    return [] if row is None else row.candidates
