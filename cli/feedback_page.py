"""The page of `drawmark feedback`.

Every name goes through `html.escape`: pseudonyms and tasks are what people typed.
"""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from .feedback import MARKER
from .feedback_data import percent_deviation, percent_tolerance
from .feedback_plot import (
    MOST_BARS,
    PLOT_STYLE,
    Mark,
    Span,
    interval_limit,
    interval_plot,
    legend,
    trend_plot,
)
from .feedback_words import (
    ASKED,
    HOW_TO_READ,
    amount,
    bias_sentence,
    change_sentences,
    counts_text,
    far_off_sentence,
    limits,
    places_of,
    reader_amount,
    share_text,
    spread_sentence,
)
from .options import ADVISORY
from .page import page, row, word
from .record_words import target_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ..calc.trend import Summary
    from .feedback_data import Feedback, Group
    from .record_store import Stored

MOST_LISTED = 25
_LINES = (
    "In the tables a thick line spans the limits of the bias and a thin one those with the reader; "
    "the upright stroke is zero. A line that ends at its frame goes on."
)

_STYLE = (
    PLOT_STYLE
    + """
.figures { display: grid; gap: 1rem; margin: 1rem 0;
  grid-template-columns: repeat(auto-fit, minmax(min(15rem, 100%), 1fr)); }
.figures > div { background: var(--card); padding: .8rem 1rem; border-top: .2rem solid var(--rule);
  break-inside: avoid; }
.figures h3 { color: var(--soft); font-weight: 600; }
.figures strong { display: block; font-size: 1.7rem; line-height: 1.3; font-weight: 600; }
.figures p { margin: 0; color: var(--soft); font-size: .92rem; }
.says { font-size: 1.08rem; }
.narrow-plot { display: none; }
.legend { display: flex; flex-wrap: wrap; gap: .2rem 1.2rem; color: var(--soft);
  font-size: .92rem; margin: .4rem 0 0; }
.legend span { display: inline-flex; align-items: center; gap: .35rem; }
.plot.key { width: 1rem; height: 1rem; background: none; }
.few { color: var(--soft); font-style: italic; white-space: nowrap; }
td .task { white-space: normal; overflow-wrap: anywhere; }
h1, h2 { overflow-wrap: anywhere; }
@media screen and (max-width: 44rem) {
  .wide-plot { display: none; } .narrow-plot { display: block; }
}
@media print {
  .figures > div { border: 1px solid #999; } tr, .plot { break-inside: avoid; }
  .figures { grid-template-columns: repeat(3, 1fr); gap: .5rem; margin-right: 2px; }
  th, td { padding: .2rem .4rem; font-size: .85rem; } h2 { margin-top: 1.5rem; }
  footer { break-inside: avoid; margin-top: 1.5rem; }
  * { print-color-adjust: exact; -webkit-print-color-adjust: exact; }
}
"""
)


def feedback_page(told: Feedback) -> str:
    """The whole page."""
    first, last = told.checks[0].recorded_at[:10], told.checks[-1].recorded_at[:10]
    days = first if first == last else f"{first} to {last}"
    body = "\n".join(
        [
            f"<h1>Drawing up: {escape(told.learner)}</h1>",
            f"<p>{_counted(len(told.checks))}, {days}: {escape(counts_text(told))}."
            f"{_repeats(told)}</p>",
            f'<p class="caution"><strong>{escape(ADVISORY)}</strong> These figures are for talking '
            "about practice. They say nothing about which agent was in the syringe, and they do "
            "not certify anybody.</p>",
            _volumes(told),
            _periods(told),
            _groups("By task, in percent of the target", "Task", told.tasks),
            _groups("By syringe, in mL", "Syringe", told.syringes),
            _strengths(told),
            _asked(told),
            _checks(told.checks),
            f"<footer>{''.join(f'<p>{escape(text)}</p>' for text in (*HOW_TO_READ, _LINES))}"
            "</footer>",
        ]
    )
    return page(f"Drawing up: {told.learner}", body, generator=MARKER, style=_STYLE)


def _counted(n: int) -> str:
    return f"{n} check{'' if n == 1 else 's'}"


def _repeats(told: Feedback) -> str:
    if not told.repeats:
        return ""
    return f" {_counted(told.repeats)} of a photograph that was checked again later left out."


def _volumes(told: Feedback) -> str:
    group = told.volumes
    parts = ["<h2>All volumes, in percent of the target</h2>", _says(group)]
    for sentence in (far_off_sentence(told), share_text(told)):
        if sentence is not None:
            parts.append(f"<p>{escape(sentence)}</p>")
    parts.append(_figures(group))
    volumes = [stored for stored in told.checks if stored.entry.kind == "volume"]
    if group.summary.n:
        parts.append(_plot(volumes, told))
    return "\n".join(parts)


def _says(group: Group) -> str:
    text = (
        f"{bias_sentence(group.summary, group.unit)} {spread_sentence(group.summary, group.unit)}"
    )
    return f'<p class="says">{escape(text.strip())}</p>'


def _figures(group: Group) -> str:
    """Bias, spread and the reader as three cards."""
    summary, unit = group.summary, group.unit
    places = places_of(summary, unit)
    if summary.n == 0:
        return ""
    readings = f"{summary.n} reading{'' if summary.n == 1 else 's'}"
    bias = [readings]
    spread = [readings]
    if summary.n > 1:
        bias += [
            f"95 % limits {limits(summary.bias_limits, unit, places, sign=True)}",
            f"with the reader {limits(summary.bias_limits_with_reader, unit, places, sign=True)}",
        ]
        spread += [
            f"95 % limits {limits(summary.spread_limits, unit, places)}",
            f"technique alone {limits(summary.technique_limits, unit, places)}",
        ]
    cards = [
        ("Bias", amount(summary.bias, unit, places, sign=True), bias),
        ("Spread", amount(summary.spread, unit, places), spread),
        (
            "The reader's own",
            reader_amount(summary, unit),
            ["standard uncertainty of one reading"],
        ),
    ]
    return (
        '<div class="figures">'
        + "".join(
            f'<div><h3>{name}</h3><strong class="figure">{escape(value)}</strong>'
            + "".join(f"<p>{escape(line)}</p>" for line in lines)
            + "</div>"
            for name, value, lines in cards
        )
        + "</div>"
    )


def _plot(volumes: Sequence[Stored], told: Feedback) -> str:
    marks = [_mark(stored) for stored in volumes]
    read = [place for place, mark in enumerate(marks) if mark.deviation is not None]
    spans = []
    start = 0
    for period in told.periods:
        end = start + period.summary.n
        spans.append(Span(read[start], read[end - 1], period.summary))
        start = end
    bar = ", with a bar for its expanded uncertainty (k = 2)" if len(marks) <= MOST_BARS else ""
    wide, narrow = (trend_plot(marks, spans, width=width) for width in (880.0, 360.0))
    return (
        f'<div class="wide-plot">{wide}</div><div class="narrow-plot">{narrow}</div>'
        f'<p class="legend">{legend()}</p>'
        f"<p>Each check in its order{bar}; the pale band is what was allowed. A thick line is the "
        "mean of a period, with its 95 % limits in grey.</p>"
    )


def _mark(stored: Stored) -> Mark:
    pair = percent_deviation(stored)
    date, verdict = stored.recorded_at[:10], stored.entry.verdict
    tolerance = percent_tolerance(stored)
    if pair is None:
        return Mark(date, verdict, tolerance=tolerance)
    return Mark(date, verdict, pair[0], 2 * pair[1], tolerance)


def _periods(told: Feedback) -> str:
    sentences = "".join(
        f"<p>{escape(text)}</p>" for text in change_sentences(told.change, told.volumes.summary.n)
    )
    if told.volumes.summary.n == 0:
        return ""
    table = ""
    if len(told.periods) > 1:
        limit = interval_limit(period.summary for period in told.periods)
        table = _table(
            [
                _cells("Period", f"{p.first} to {p.last}", "%", p.summary, limit, None)
                for p in told.periods
            ],
        )
    return f"<h2>Over time</h2>\n{sentences}\n{table}"


def _groups(title: str, heading: str, groups: Sequence[Group]) -> str:
    if not groups:
        return ""
    limit = interval_limit(group.summary for group in groups)
    rows = [
        _cells(heading, group.name, group.unit, group.summary, limit, counts_text(group))
        for group in groups
    ]
    return f"<h2>{escape(title)}</h2>\n{_table(rows)}"


def _cells(
    heading: str, name: str, unit: str, summary: Summary, limit: float, counts: str | None
) -> list[tuple[str, str]]:
    places = places_of(summary, unit)
    n = f"{summary.n}" + (' <span class="few">few</span>' if summary.few and summary.n else "")
    cells = [
        (heading, f'<span class="task">{escape(name)}</span>'),
        ("Readings", f"<span>{n}</span>"),
        ("Bias", _with_limits(summary.bias, summary.bias_limits, unit, places, sign=True)),
        ("", f"<span>{interval_plot(summary, limit)}</span>"),
        ("Spread", _with_limits(summary.spread, summary.spread_limits, unit, places)),
        ("Reader", f"<span>{escape(reader_amount(summary, unit))}</span>"),
    ]
    if counts is not None:
        cells.append(("Checks", f'<span class="task">{escape(counts)}</span>'))
    return cells


def _with_limits(
    value: float | None,
    pair: tuple[float, float] | None,
    unit: str,
    places: int,
    *,
    sign: bool = False,
) -> str:
    text = f"<span>{escape(amount(value, unit, places, sign=sign))}</span>"
    if pair is not None:
        text += f' <span class="few">({escape(limits(pair, unit, places, sign=sign))})</span>'
    return f"<div>{text}</div>"


def _table(rows: Sequence[list[tuple[str, str]]]) -> str:
    names = [name for name, _ in rows[0]]
    head = "".join(f"<th>{escape(name)}</th>" for name in names)
    return (
        f'<div class="scroll"><table><thead><tr>{head}</tr></thead>'
        f"<tbody>{''.join(row(cells) for cells in rows)}</tbody></table></div>"
    )


def _strengths(told: Feedback) -> str:
    if not any(told.strengths.counts.values()):
        return ""
    return (
        "<h2>Measured strengths, in percent of the strength wanted</h2>\n"
        f"<p>{escape(counts_text(told.strengths))}.</p>\n{_says(told.strengths)}\n"
        f"{_figures(told.strengths)}"
    )


def _asked(told: Feedback) -> str:
    if not told.asked:
        return ""
    rows = [
        [
            ("Checks", f"<span>{asked.checks}</span>"),
            ("Question", f'<span class="task">{escape(asked.question)}</span>'),
        ]
        for asked in told.asked
    ]
    return f"<h2>Asked about technique</h2>\n<p>{escape(ASKED)}</p>\n{_table(rows)}"


def _checks(checks: Sequence[Stored]) -> str:
    newest = list(reversed(checks))[:MOST_LISTED]
    left = len(checks) - len(newest)
    rows = []
    for stored in newest:
        pair = percent_deviation(stored)
        deviation = "not read" if pair is None else amount(pair[0], "%", 1, sign=True)
        rows.append(
            [
                ("Number", f"<span>{stored.number}</span>"),
                ("Recorded", f"<span>{stored.recorded_at[:16].replace('T', ' ')} UTC</span>"),
                ("Task", f'<span class="task">{escape(stored.task or "no task named")}</span>'),
                ("Target", f"<span>{escape(target_text(stored) or '–')}</span>"),
                ("Deviation", f"<span>{escape(deviation)}</span>"),
                ("Verdict", word(stored.entry.verdict)),
            ]
        )
    more = f"<p>{left} older ones are in the record.</p>" if left else ""
    return f"<h2>The checks, newest first</h2>\n{_table(rows)}{more}"
