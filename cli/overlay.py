"""The annotated picture: the photograph with what the reader took for what, and the answer.

From top to bottom: a banner with the answer; the photograph with walls, lines, numerals, fiducial
line and air drawn on it; a panel with a close-up at the fiducial line, a key and the figures.  A
person should see at a glance whether the software looked at the right thing, so nothing but thin
lines lies on the barrel itself and every name stands outside it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np

from ..calc.formatting import (
    decimals_for,
    fixed,
    format_amount,
    format_measured,
    format_number,
    format_probability,
)
from ..vision import Outcome, Reading
from .canvas import (
    INK,
    MUTED,
    PAPER,
    Colour,
    polyline,
    put_tag,
    put_text,
    stack,
    text_size,
    tint,
    wrap,
)
from .options import ADVISORY, AIR_DOUBTFUL

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from ..vision.photo import Photo
    from .verdict import Check

# Told apart by hue, by lightness and by the way they are drawn (whole, dashed, boxed).
LINES: Colour = (178, 190, 0)
WALLS: Colour = (255, 140, 150)
NUMERALS: Colour = (64, 196, 255)
ZERO: Colour = (255, 160, 40)
FIDUCIAL: Colour = (150, 40, 255)
AIR: Colour = (90, 225, 190)

BANNER: dict[str, tuple[str, Colour]] = {
    "within": ("WITHIN", (104, 108, 10)),
    "outside": ("OUTSIDE", (36, 52, 176)),
    "undecided": ("UNDECIDED", (20, 104, 158)),
    "refused": ("REFUSED", (92, 78, 70)),
    "read": ("READ", (120, 84, 48)),
}


_LARGEST_ZOOM = 2.5  # beyond it there is only blur to see


@dataclass(frozen=True)
class _Sizes:
    """Lengths in pixels that follow from the picture's width, to stay legible at half size."""

    width: int

    @property
    def body(self) -> int:
        return max(round(self.width * 0.0185), 11)

    @property
    def head(self) -> int:
        return round(self.body * 1.9)

    @property
    def gap(self) -> int:
        return round(self.body * 0.9)

    @property
    def thin(self) -> int:
        return max(round(self.width / 900), 2)


def annotate(photo: Photo, outcome: Outcome, check: Check | None = None) -> NDArray[np.uint8]:
    """The annotated picture, (H, W, 3) uint8, of *outcome* on *photo*; with *check*, its verdict.

    Works for a refusal too: the reason and the remedy, with whatever evidence there is.
    """
    sizes = _Sizes(photo.bgr.shape[1])
    plain, marks = _framed(photo, outcome)
    scene = plain.copy()
    _draw_evidence(scene, marks, sizes)
    closeup = _close_up(plain, marks, sizes)
    return stack(
        (_banner(outcome, check, sizes), scene, _panel(outcome, check, marks, closeup, sizes))
    )


# --- what was found, in pixels of the picture at hand ---------------------------------------


@dataclass(frozen=True)
class _Marks:
    """`Evidence` in pixels of the picture at hand, with the two points that a `Reading` adds.

    Every line has two finite points or more.  ``ticks`` are all lines in order of volume.
    """

    walls: tuple[NDArray[Any], ...]
    ticks: tuple[NDArray[Any], ...]
    used: tuple[NDArray[Any], ...]
    predicted: tuple[NDArray[Any], ...]
    zero: NDArray[Any] | None
    numerals: tuple[tuple[str, NDArray[Any]], ...]
    fiducial: NDArray[Any] | None
    air: tuple[NDArray[Any], ...]
    zero_point: NDArray[Any] | None
    fiducial_point: NDArray[Any] | None
    fiducial_text: str

    @property
    def axis(self) -> NDArray[Any] | None:
        """Unit vector along the barrel, away from the nozzle where that is known."""
        if self.zero_point is not None and self.fiducial_point is not None:
            span = self.fiducial_point - self.zero_point
            if np.hypot(*span) > 20:  # an empty syringe has the two on top of each other
                return np.asarray(span / np.hypot(*span))
        if len(self.ticks) >= 2:
            span = self.ticks[-1].mean(axis=0) - self.ticks[0].mean(axis=0)
            if np.hypot(*span) > 0:
                return np.asarray(span / np.hypot(*span))
        if self.walls:
            span = self.walls[0][-1] - self.walls[0][0]
            if np.hypot(*span) > 0:
                return np.asarray(span / np.hypot(*span))
        return None

    @property
    def barrel(self) -> tuple[NDArray[Any], float] | None:
        """A point on the barrel's middle and its width in pixels, from what there is."""
        axis = self.axis
        if axis is None:
            return None
        across = np.array([-axis[1], axis[0]])
        shapes = self.walls or self.used or self.predicted
        if not shapes:
            return None
        points = np.vstack(shapes)
        offsets = points @ across
        middle = (offsets.min() + offsets.max()) / 2
        base = points.mean(axis=0)
        return base + across * (middle - base @ across), float(np.ptp(offsets))


def _framed(photo: Photo, outcome: Outcome) -> tuple[NDArray[np.uint8], _Marks]:
    """The part of the picture that matters, at the picture's size, and the marks in its pixels.

    A syringe that was read and is small in the frame is shown larger, with a wide margin; a refused
    picture is always shown whole, because what is wrong may lie anywhere in it.
    """
    marks = _marks(outcome, 1 / photo.scale, np.zeros(2))
    shapes = [*marks.walls, *marks.ticks]
    height, width = photo.bgr.shape[:2]
    if not isinstance(outcome, Reading) or not shapes:
        return photo.bgr, marks
    points = np.vstack(shapes)
    lowest, highest = points.min(axis=0), points.max(axis=0)
    margin = 0.45 * float((highest - lowest).max())
    wanted = (highest - lowest + 2 * margin) / (width, height)
    share = float(max(wanted.max(), 1 / _LARGEST_ZOOM))
    if share > 0.8:
        return photo.bgr, marks
    size = np.maximum(np.round(np.array([width, height]) * share), 1)
    corner = np.round(np.clip((lowest + highest) / 2 - size / 2, 0, (width, height) - size))
    x, y, w, h = (int(value) for value in (*corner, *size))
    zoom = width / w
    crop = cv2.resize(
        photo.bgr[y : y + h, x : x + w],
        (width, round(h * zoom)),
        interpolation=cv2.INTER_CUBIC,
    )
    return np.asarray(crop, np.uint8), _marks(outcome, zoom / photo.scale, corner * photo.scale)


def _marks(outcome: Outcome, zoom: float, corner: NDArray[Any]) -> _Marks:
    """The marks in the pixels of a picture enlarged by *zoom* after cutting at *corner*.

    *corner* is in displayed pixels; integers are pixel centres on both sides.
    """

    def working(points: NDArray[Any] | tuple[float, float]) -> NDArray[Any]:
        return (np.asarray(points, float) + 0.5 - corner) * zoom - 0.5

    def drawable(points: NDArray[Any] | None) -> NDArray[Any] | None:
        """The finite points in working pixels, ``None`` if there is no line to draw from them."""
        if points is None:
            return None
        placed = working(np.asarray(points, float).reshape(-1, 2))
        placed = placed[np.isfinite(placed).all(axis=1)]
        return placed if len(placed) >= 2 else None

    def all_drawable(shapes: Iterable[NDArray[Any]]) -> tuple[NDArray[Any], ...]:
        return tuple(line for shape in shapes if (line := drawable(shape)) is not None)

    evidence = outcome.evidence
    by_volume = sorted(evidence.ticks, key=lambda tick: tick.value_ml)
    zero = next((tick.line_px for tick in by_volume if abs(tick.value_ml) < 1e-9), None)
    read = outcome if isinstance(outcome, Reading) else None
    return _Marks(
        walls=all_drawable(evidence.walls_px),
        ticks=all_drawable(tick.line_px for tick in by_volume),
        used=all_drawable(tick.line_px for tick in by_volume if tick.used),
        predicted=all_drawable(tick.line_px for tick in by_volume if not tick.used),
        zero=drawable(zero),
        numerals=tuple(
            (mark.text, outline)
            for mark in evidence.numerals
            if (outline := drawable(mark.outline_px)) is not None
        ),
        fiducial=drawable(evidence.fiducial_px),
        air=all_drawable(evidence.air_px),
        zero_point=None if read is None else working(read.zero_line_px),
        fiducial_point=None if read is None else working(read.fiducial_line_px),
        fiducial_text=(
            "" if read is None else format_measured(read.volume_ml, read.expanded_uncertainty_ml)
        ),
    )


# --- on the photograph ----------------------------------------------------------------------


def _draw_evidence(scene: NDArray[np.uint8], marks: _Marks, sizes: _Sizes) -> None:
    thin = sizes.thin
    for outline in marks.air:
        tint(scene, outline, AIR, 0.28)
        polyline(scene, outline, AIR, thin, closed=True)
    for wall in marks.walls:
        polyline(scene, wall, WALLS, thin)
    # Without a rim: the print itself is one, to either side of a line that was laid on it, and none
    # where the line runs on beyond the print or lies beside it.
    width = thin if _spacing(marks) > 6 * thin else 1
    for line in marks.predicted:
        polyline(scene, line, LINES, width, dash=sizes.body / 3, rim=False)
    for line in marks.used:
        polyline(scene, line, LINES, width, rim=False)
    if marks.zero is not None:
        polyline(scene, marks.zero, ZERO, thin + 2)
    if marks.fiducial is not None:
        polyline(scene, marks.fiducial, FIDUCIAL, thin + 2)
    for text, outline in marks.numerals:
        polyline(scene, outline, NUMERALS, thin, closed=True)
        put_tag(scene, text, _beside(marks, outline, sizes), sizes.body, NUMERALS)
    _name_line(scene, marks, marks.zero, marks.zero_point, "0", ZERO, sizes)
    _name_line(
        scene,
        marks,
        marks.fiducial,
        marks.fiducial_point,
        marks.fiducial_text or "fiducial line",
        FIDUCIAL,
        sizes,
        # An almost empty syringe has the two lines close together: set their names apart.
        further=2.0 * sizes.body if _crowded(marks, sizes) else 0.0,
    )


def _spacing(marks: _Marks) -> float:
    """Pixels from one graduation line to the next, on average; infinite where there is but one."""
    if len(marks.ticks) < 2:
        return float("inf")
    span = marks.ticks[-1].mean(axis=0) - marks.ticks[0].mean(axis=0)
    return float(np.hypot(*span)) / (len(marks.ticks) - 1)


def _crowded(marks: _Marks, sizes: _Sizes) -> bool:
    """Whether the names of the zero line and the fiducial line would lie on each other."""
    if marks.zero_point is None or marks.fiducial_point is None:
        return False
    apart = np.hypot(*(marks.fiducial_point - marks.zero_point))
    return bool(apart < text_size(marks.fiducial_text, sizes.body, 600)[0])


def _beside(marks: _Marks, outline: NDArray[Any], sizes: _Sizes) -> tuple[float, float]:
    """Where the name of a numeral goes: outside the barrel, on the numeral's own side."""
    centre = outline.mean(axis=0)
    axis, barrel = marks.axis, marks.barrel
    if axis is None or barrel is None:
        return float(centre[0]), float(centre[1] - np.ptp(outline[:, 1]) - sizes.body)
    across = np.array([-axis[1], axis[0]])
    side = _numeral_side(marks)
    middle, width = barrel
    offset = width / 2 + 1.6 * sizes.body
    place = centre + across * ((middle - centre) @ across + side * offset)
    return float(place[0]), float(place[1])


def _numeral_side(marks: _Marks) -> float:
    """+1 or -1: the side of the axis where most numerals stand."""
    axis, barrel = marks.axis, marks.barrel
    if axis is None or barrel is None or not marks.numerals:
        return 1.0
    across = np.array([-axis[1], axis[0]])
    offsets = [float((outline.mean(axis=0) - barrel[0]) @ across) for _, outline in marks.numerals]
    return 1.0 if np.median(offsets) >= 0 else -1.0


def _name_line(
    scene: NDArray[np.uint8],
    marks: _Marks,
    line: NDArray[Any] | None,
    point: NDArray[Any] | None,
    name: str,
    colour: Colour,
    sizes: _Sizes,
    further: float = 0.0,
) -> None:
    """A leader from a line's end to its name, on the side away from the numerals."""
    axis, barrel = marks.axis, marks.barrel
    at = point if point is not None else (None if line is None else line.mean(axis=0))
    if at is None:
        return
    if axis is None or barrel is None:
        put_tag(scene, name, (float(at[0]), float(at[1] - 2 * sizes.body)), sizes.body, colour)
        return
    across = np.array([-axis[1], axis[0]]) * -_numeral_side(marks)
    middle, width = barrel
    on_axis = at + across * ((middle - at) @ across)
    start = on_axis + across * (width / 2 + 0.4 * sizes.body)
    if line is not None:
        start = max((line[0], line[-1]), key=lambda end: float(end @ across))
        start = start + across * 0.4 * sizes.body
    reach = 2.2 * sizes.body + width * 0.1 + further
    end = start + across * reach
    polyline(scene, np.stack([start, end]), colour, sizes.thin)
    half = text_size(name, sizes.body, 600)[0] / 2 + sizes.body / 4
    push = abs(across[0]) * half + abs(across[1]) * sizes.body * 0.7
    place = end + across * push
    put_tag(
        scene,
        name,
        (float(place[0]), float(place[1])),
        sizes.body,
        colour,
        PAPER if colour == FIDUCIAL else INK,
    )


def _close_up(photo: NDArray[np.uint8], marks: _Marks, sizes: _Sizes) -> NDArray[np.uint8] | None:
    """The barrel round the fiducial line, nozzle to the left, magnified; ``None`` without one."""
    axis, barrel = marks.axis, marks.barrel
    if axis is None or barrel is None or marks.fiducial is None:
        return None
    width = round(sizes.width * 0.40)
    height = round(width * 0.72)
    across = np.array([-axis[1], axis[0]])
    target = marks.fiducial.mean(axis=0)
    span = max(barrel[1] * 1.25, 40.0)
    factor = min(height / span, 6.0)
    centre = target + across * ((barrel[0] - target) @ across)
    matrix = np.zeros((2, 3))
    matrix[0, :2], matrix[1, :2] = axis * factor, across * factor
    matrix[:, 2] = np.array([width / 2, height / 2]) - matrix[:, :2] @ centre
    view = np.asarray(
        cv2.warpAffine(
            photo,
            matrix,
            (width, height),
            flags=cv2.INTER_CUBIC if factor > 1 else cv2.INTER_AREA,
            borderMode=cv2.BORDER_REPLICATE,
        ),
        np.uint8,
    )

    def moved(points: NDArray[Any]) -> NDArray[Any]:
        return np.asarray(points @ matrix[:, :2].T + matrix[:, 2])

    room = _spacing(marks) * factor > 6 * sizes.thin
    for line in marks.used:
        polyline(view, moved(line), LINES, sizes.thin if room else 1, rim=False)
    # Dashed, so that the edge it was laid on can be seen between the dashes.
    polyline(view, moved(marks.fiducial), FIDUCIAL, sizes.thin + 1, dash=height / 22)
    return view


# --- round the photograph -------------------------------------------------------------------


def _banner(outcome: Outcome, check: Check | None, sizes: _Sizes) -> NDArray[np.uint8]:
    state = check.verdict if check is not None else outcome.status
    word, colour = BANNER[state]
    if isinstance(outcome, Reading):
        lines = [_answer(outcome, check)]
        if check is not None and check.decision is not None and check.tolerance_ml is not None:
            lines.append(
                f"wanted {format_number(check.target_ml)} ± {format_amount(check.tolerance_ml)}; "
                "conforms with probability " + format_probability(check.decision.probability_within)
            )
    else:
        lines = [outcome.reasons[0].message, outcome.reasons[0].remedy] if outcome.reasons else []
    left = text_size(word, sizes.head, 700)[0] + 3 * sizes.gap
    room = sizes.width - left - 2 * sizes.gap
    rows: list[tuple[str, int, int]] = []
    for number, line in enumerate(lines):
        size, weight = (round(sizes.body * 1.3), 600) if number == 0 else (sizes.body, 400)
        rows += [(row, size, weight) for row in wrap(line, size, room, weight)]
    height = max(
        round(sizes.head * 2.0), sum(round(size * 1.35) for _, size, _ in rows) + 2 * sizes.gap
    )
    banner = np.full((height, sizes.width, 3), PAPER, np.uint8)
    banner[:, : left - sizes.gap] = colour
    base = height / 2 + sizes.head * 0.36
    put_text(banner, word, (sizes.gap, base), sizes.head, PAPER, 700)
    y = (height - sum(round(size * 1.35) for _, size, _ in rows)) / 2
    for row, size, weight in rows:
        y += round(size * 1.35)
        put_text(banner, row, (left + sizes.gap, y - size * 0.32), size, INK, weight)
    banner[-sizes.thin * 2 :] = colour
    return banner


def _answer(reading: Reading, check: Check | None) -> str:
    if check is None:
        return f"{format_measured(reading.volume_ml, reading.expanded_uncertainty_ml)} at the line"
    expanded = 2 * reading.liquid_standard_uncertainty_ml
    return f"{format_measured(reading.liquid_ml, expanded)} of liquid"


def _panel(
    outcome: Outcome,
    check: Check | None,
    marks: _Marks,
    closeup: NDArray[np.uint8] | None,
    sizes: _Sizes,
) -> NDArray[np.uint8]:
    gap, body = sizes.gap, sizes.body
    line = round(body * 1.5)
    left = 2 * gap if closeup is None else closeup.shape[1] + 3 * gap
    room = sizes.width - left - 2 * gap
    key_rows = _key(marks)
    figures = [row for text in _figures(outcome, check) for row in wrap(text, body, room, 500)]
    caution = wrap(ADVISORY, round(body * 0.85), sizes.width - 2 * gap)
    column = (len(key_rows) + len(figures)) * line + 4 * gap
    picture = 0 if closeup is None else closeup.shape[0] + line + 2 * gap
    foot = round(len(caution) * body * 1.3) + gap
    panel = np.full((max(column, picture) + foot, sizes.width, 3), PAPER, np.uint8)
    if closeup is not None:
        h, w = closeup.shape[:2]
        panel[gap : gap + h, gap : gap + w] = closeup
        caption = "close-up at the fiducial line, nozzle to the left"
        put_text(panel, caption, (gap, gap + h + line * 0.8), round(body * 0.9), MUTED)
    y = float(gap)
    for name, colour, dashed in key_rows:
        y += line
        swatch = np.array([[left, y - body * 0.35], [left + 2.2 * body, y - body * 0.35]])
        polyline(panel, swatch, colour, sizes.thin * 3, dash=body / 3 if dashed else None)
        put_text(panel, name, (left + 3 * body, y), body, INK)
    y += gap
    for row in figures:
        y += line
        put_text(panel, row, (left, y), body, INK, 500)
    y = panel.shape[0] - foot + body * 0.9
    for row in caution:
        put_text(panel, row, (gap, y), round(body * 0.85), MUTED)
        y += body * 1.3
    return panel


def _key(marks: _Marks) -> list[tuple[str, Colour, bool]]:
    """Rows of the key: only what is on the picture, with how many of it."""
    rows: list[tuple[str, Colour, bool]] = []
    if marks.fiducial is not None or marks.fiducial_point is not None:
        rows.append(("fiducial line: front ring of the stopper", FIDUCIAL, False))
    if marks.zero is not None or marks.zero_point is not None:
        rows.append(("zero line", ZERO, False))
    if marks.used:
        rows.append((f"graduation lines found and used: {len(marks.used)}", LINES, False))
    if marks.predicted:
        rows.append((f"lines expected there, not used: {len(marks.predicted)}", LINES, True))
    if marks.numerals:
        rows.append((f"numerals read: {len(marks.numerals)}", NUMERALS, False))
    if marks.walls:
        rows.append(("barrel walls", WALLS, False))
    if marks.air:
        rows.append(("air", AIR, False))
    if not rows:
        rows.append(("nothing was found that could be drawn", MUTED, True))
    return rows


def _figures(outcome: Outcome, check: Check | None) -> list[str]:
    if not isinstance(outcome, Reading):
        further = [f"{reason.message} {reason.remedy}" for reason in outcome.reasons[1:]]
        codes = ", ".join(reason.code for reason in outcome.reasons)
        return [f"reason: {codes}", *further, *outcome.evidence.notes]
    rows = [
        f"syringe: {format_amount(outcome.capacity_ml)}, "
        f"a line every {format_amount(outcome.interval_ml)}, "
        f"last line {format_amount(outcome.graduated_max_ml)}",
    ]
    if outcome.air_ml > 0 or outcome.air_in_doubt:
        rows.append(
            "at the line "
            + format_measured(outcome.volume_ml, outcome.expanded_uncertainty_ml)
            + ", of it air "
            + format_measured(outcome.air_ml, outcome.air_expanded_uncertainty_ml)
        )
    else:
        rows.append("no air found in front of the line")
    if outcome.air_in_doubt:
        rows.append(AIR_DOUBTFUL)
    if check is not None and check.decision is not None:
        places = decimals_for(2 * check.decision.standard_uncertainty_ml)
        rows.append(
            f"deviation from target: {fixed(check.decision.deviation_ml, places, sign=True)} mL"
        )
    if outcome.evidence.tilt_deg is not None:
        rows.append(f"viewing angle at the ring: {fixed(abs(outcome.evidence.tilt_deg), 1)}°")
    return [*rows, *outcome.evidence.notes, "± is the expanded uncertainty, k = 2"]
