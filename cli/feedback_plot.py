"""Plots of the feedback page as SVG: every draw in its order, and intervals beside each other.

Written by hand, since there is little to draw: marks, bars and a few numbers.  Verdicts differ in
shape as well as in colour, so that the plot survives a black-and-white printer.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING

from ..calc.formatting import fixed, format_number

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from ..calc.trend import Interval, Summary

HEIGHT = 340.0
LEFT, RIGHT, TOP, BOTTOM = 52.0, 10.0, 14.0, 54.0  # around the drawing, px
MOST_BARS = 150  # beyond so many draws the bars of their uncertainties would only be a smear

PLOT_STYLE = """
.plot { display: block; width: 100%; height: auto; background: var(--card); }
.plot text { font: 12px system-ui, sans-serif; fill: var(--soft); }
.plot .grid { stroke: var(--rule); } .plot .zero { stroke: var(--ink); }
.plot .allowed { fill: #e7ebe4; } .plot .limits { fill: #1c2024; fill-opacity: .14; }
.plot .mean { stroke: var(--ink); stroke-width: 2.5; }
.plot .bar { stroke-width: 1; opacity: .55; }
.plot .s-within { stroke: var(--within); } .plot .s-outside { stroke: var(--outside); }
.plot .s-undecided { stroke: var(--undecided); } .plot .s-refused { stroke: var(--refused); }
.plot .f-within { fill: var(--within); } .plot .f-outside { fill: var(--outside); }
.plot .f-undecided { fill: var(--card); stroke: var(--undecided); stroke-width: 1.8; }
.plot .f-refused { fill: none; stroke: var(--refused); stroke-width: 1.8; }
.interval { display: block; width: 9rem; height: 1.4rem; }
.interval .zero { stroke: var(--ink); } .interval .wide { stroke: var(--soft); }
.interval .narrow { stroke: var(--ink); stroke-width: 5; }
.interval circle { fill: var(--card); stroke: var(--ink); stroke-width: 2; }
"""


@dataclass(frozen=True)
class Mark:
    """One check: deviation, expanded uncertainty and tolerance in percent of the target.

    A refused photograph has no deviation.  ``date`` is ``YYYY-MM-DD``.
    """

    date: str
    verdict: str
    deviation: float | None = None
    expanded: float = 0.0
    tolerance: float | None = None


@dataclass(frozen=True)
class Span:
    """A mean with its limits over the marks from *first* to *last*, both counted from 0."""

    first: int
    last: int
    summary: Summary


@dataclass(frozen=True)
class _Frame:
    """Where things are in a plot of *count* draws that is *width* px wide."""

    width: float
    count: int
    limit: float  # how far the axis reaches to either side, percent

    @property
    def slot(self) -> float:
        """Room for one draw, px."""
        return (self.width - LEFT - RIGHT) / max(self.count, 1)

    @property
    def radius(self) -> float:
        """Half the size of a mark: smaller where they are many."""
        return max(min(4.0, 0.9 * self.slot), 2.0)

    def x(self, place: float) -> float:
        """Where the draw of that place stands, px."""
        return LEFT + self.slot * (place + 0.5)

    def y(self, deviation: float) -> float:
        """Where a deviation stands, px; at the edge if it is beyond."""
        inside = max(min(deviation, self.limit), -self.limit)
        return TOP + (self.limit - inside) * (HEIGHT - TOP - BOTTOM) / (2 * self.limit)


def trend_plot(marks: Sequence[Mark], spans: Sequence[Span], *, width: float) -> str:
    """The draws of *marks* in their order, *width* px wide, as an SVG element."""
    limit, step = _range(marks)
    frame = _Frame(width, len(marks), limit)
    parts = [*_allowed(marks, frame), *_grid(step, frame), *_limits(spans, frame)]
    for place, mark in enumerate(marks):
        parts += _mark(mark, frame.x(place), frame)
    parts += [*_means(spans, frame), *_dates(marks, frame)]
    label = f"Deviation from the target of {len(marks)} checks in the order they were recorded"
    return (
        f'<svg class="plot" viewBox="0 0 {_n(width)} {_n(HEIGHT)}" role="img" '
        f'aria-label="{escape(label)}">{"".join(parts)}</svg>'
    )


def interval_plot(summary: Summary, limit: float) -> str:
    """A bias with both its limits on a line from -*limit* to *limit*, as a small SVG element."""
    wide, narrow = summary.bias_limits_with_reader, summary.bias_limits
    if summary.bias is None:
        return ""
    parts = ['<line class="zero" x1="70" x2="70" y1="0" y2="20"/>']
    for name, pair in (("wide", wide), ("narrow", narrow)):
        if pair is not None:
            low, high = (70 + 66 * max(min(edge / limit, 1), -1) for edge in pair)
            parts.append(f'<line class="{name}" x1="{_n(low)}" x2="{_n(high)}" y1="10" y2="10"/>')
    middle = 70 + 66 * max(min(summary.bias / limit, 1), -1)
    parts.append(f'<circle cx="{_n(middle)}" cy="10" r="4"/>')
    return f'<svg class="interval" viewBox="0 0 140 20" aria-hidden="true">{"".join(parts)}</svg>'


def interval_limit(summaries: Iterable[Summary]) -> float:
    """How far the line of `interval_plot` has to reach, so that most limits fit on it."""
    reaches = sorted(
        max(abs(edge) for edge in pair)
        for summary in summaries
        if (pair := summary.bias_limits_with_reader or _alone(summary)) is not None
    )
    if not reaches:
        return 1.0
    # the limits of two or three values may reach anywhere; they are cut at the end of the line
    return max(min(reaches[-1], 3 * reaches[(len(reaches) - 1) // 2]), 1e-9)


def _alone(summary: Summary) -> Interval | None:
    return None if summary.bias is None else (summary.bias, summary.bias)


def _range(marks: Sequence[Mark]) -> tuple[float, float]:
    """How far the axis reaches to either side, and between which numbers there is a line."""
    reaches = sorted(abs(m.deviation) + m.expanded for m in marks if m.deviation is not None)
    widest = 1.0
    if reaches:
        # one tenfold error must not flatten all the others; it is drawn at the edge, with its value
        usual = reaches[(3 * (len(reaches) - 1)) // 4]
        widest = min(reaches[-1], max(3 * usual, 1.0))
        allowed = [m.tolerance for m in marks if m.tolerance is not None]
        widest = max(widest, min(max(allowed, default=0.0), 2 * widest), 1.0)
    rough = widest / 4
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * k for k in (1, 2, 2.5, 5, 10) if power * k >= rough)
    return widest * 1.06, step


def _allowed(marks: Sequence[Mark], frame: _Frame) -> list[str]:
    """What was allowed at each draw, as bands behind everything; equal neighbours are one."""
    parts = []
    place = 0
    while place < len(marks):
        end = place
        while end + 1 < len(marks) and marks[end + 1].tolerance == marks[place].tolerance:
            end += 1
        tolerance = marks[place].tolerance
        if tolerance is not None:
            left, right = frame.x(place - 0.5), frame.x(end + 0.5)
            top, bottom = frame.y(tolerance), frame.y(-tolerance)
            parts.append(_rect("allowed", left, right, top, bottom))
        place = end + 1
    return parts


def _grid(step: float, frame: _Frame) -> list[str]:
    parts = []
    most = math.floor(frame.limit / step)
    for number in range(-most, most + 1):
        height = _n(frame.y(number * step))
        name = "grid" if number else "zero"
        text = f"{'+' if number > 0 else ''}{format_number(number * step)} %"
        parts.append(
            f'<line class="{name}" x1="{_n(LEFT)}" x2="{_n(frame.width - RIGHT)}" '
            f'y1="{height}" y2="{height}"/>'
            f'<text x="{_n(LEFT - 6)}" y="{height}" dy="4" text-anchor="end">{text}</text>'
        )
    return parts


def _limits(spans: Sequence[Span], frame: _Frame) -> list[str]:
    return [
        _rect(
            "limits",
            frame.x(span.first - 0.5),
            frame.x(span.last + 0.5),
            frame.y(span.summary.bias_limits[1]),
            frame.y(span.summary.bias_limits[0]),
        )
        for span in spans
        if span.summary.bias_limits is not None
    ]


def _means(spans: Sequence[Span], frame: _Frame) -> list[str]:
    parts = []
    for span in spans:
        if span.summary.bias is not None:
            left, right = (_n(frame.x(p)) for p in (span.first - 0.5, span.last + 0.5))
            y = _n(frame.y(span.summary.bias))
            parts.append(f'<line class="mean" x1="{left}" x2="{right}" y1="{y}" y2="{y}"/>')
    return parts


def _mark(mark: Mark, x: float, frame: _Frame) -> list[str]:
    if mark.deviation is None:
        return [_shape("refused", x, HEIGHT - BOTTOM + 14, frame.radius)]
    y = frame.y(mark.deviation)
    parts = []
    if frame.count <= MOST_BARS:
        top, bottom = (_n(frame.y(mark.deviation + side * mark.expanded)) for side in (1, -1))
        parts.append(
            f'<line class="bar s-{mark.verdict}" x1="{_n(x)}" x2="{_n(x)}" '
            f'y1="{top}" y2="{bottom}"/>'
        )
    parts.append(_shape(mark.verdict, x, y, frame.radius))
    if abs(mark.deviation) > frame.limit:
        text = f"{fixed(mark.deviation, 0, sign=True)} %"
        side, anchor = (1, "start") if x < LEFT + 60 else (-1, "end")
        below = 10 if mark.deviation > 0 else 0
        parts.append(
            f'<text x="{_n(x + 8 * side)}" y="{_n(y + below)}" text-anchor="{anchor}">{text}</text>'
        )
    return parts


def _shape(verdict: str, x: float, y: float, r: float = 4.0) -> str:
    """The mark of a verdict around x, y."""
    name = f'class="f-{verdict}"'
    if verdict == "within":
        return f'<circle {name} cx="{_n(x)}" cy="{_n(y)}" r="{_n(r)}"/>'
    if verdict == "outside":
        d = _n(1.4 * r)
        return f'<path {name} d="M{_n(x)} {_n(y - 1.4 * r)}l{d} {d}l-{d} {d}l-{d} -{d}z"/>'
    if verdict == "undecided":
        side = _n(1.8 * r)
        corner = f'x="{_n(x - 0.9 * r)}" y="{_n(y - 0.9 * r)}"'
        return f'<rect {name} {corner} width="{side}" height="{side}"/>'
    d = _n(2 * r)
    return f'<path {name} d="M{_n(x - r)} {_n(y - r)}l{d} {d}m0 -{d}l-{d} {d}"/>'


def legend() -> str:
    """What the marks mean, as HTML."""
    items = (
        ("within", "within"),
        ("outside", "outside"),
        ("undecided", "undecided"),
        ("refused", "refused, at the foot"),
    )
    return "".join(
        f'<span><svg class="plot key" viewBox="0 0 16 16" aria-hidden="true">'
        f"{_shape(verdict, 8, 8)}</svg>{text}</span>"
        for verdict, text in items
    )


def _dates(marks: Sequence[Mark], frame: _Frame) -> list[str]:
    """The date below the first draw of a day, as many as there is room for."""
    parts = []
    free_from = 0.0
    base = HEIGHT - BOTTOM + 42
    for place, mark in enumerate(marks):
        if place and marks[place - 1].date == mark.date:
            continue
        where = frame.x(place)
        anchor, start = "middle", where - 36
        if start < LEFT - 20:
            anchor, start = "start", where - 4
        if where + 36 > frame.width:
            anchor, start = "end", where - 72
        if start < free_from:
            continue
        free_from = start + 84
        parts.append(
            f'<line class="grid" x1="{_n(where)}" x2="{_n(where)}" y1="{_n(base - 16)}" '
            f'y2="{_n(base - 11)}"/><text x="{_n(where)}" y="{_n(base)}" '
            f'text-anchor="{anchor}">{escape(mark.date)}</text>'
        )
    return parts


def _rect(name: str, left: float, right: float, top: float, bottom: float) -> str:
    return (
        f'<rect class="{name}" x="{_n(left)}" y="{_n(top)}" width="{_n(right - left)}" '
        f'height="{_n(max(bottom - top, 0.5))}"/>'
    )


def _n(value: float) -> str:
    """A coordinate, short."""
    return f"{value:.1f}".removesuffix(".0")
