"""The demo's page of all checked tasks.

Every piece of text goes through `html.escape`: task texts come from a file that anybody may edit.
"""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from ..calc.decision import RULE
from ..calc.formatting import (
    decimals_for,
    fixed,
    format_amount,
    format_measured,
    format_number,
    format_probability,
)
from ..vision import Reading, Refusal
from .demo import MARKER
from .options import ADVISORY
from .page import page, row, word
from .photographs import refusal_sentence

if TYPE_CHECKING:
    from collections.abc import Sequence

    from .demo import Shown

_STYLE = """
.sheets { display: grid; gap: 1.5rem; align-items: start;
  grid-template-columns: repeat(auto-fill, minmax(min(30rem, 100%), 1fr)); }
article { background: var(--card); border-top: .35rem solid var(--refused);
  padding: .9rem 1rem 1rem; }
article.is-within { border-color: var(--within); }
article.is-outside { border-color: var(--outside); }
article.is-undecided { border-color: var(--undecided); }
article header { display: flex; gap: .75rem;
  justify-content: space-between; align-items: baseline; }
article img { display: block; width: 100%; height: auto; margin: .75rem 0 0;
  background: var(--rule); }
dl { display: grid; grid-template-columns: max-content 1fr; gap: .1rem .9rem;
  margin: .6rem 0 0; }
dt { color: var(--soft); } dd { margin: 0; }
@media print {
  .sheets { display: block; }
  article { break-inside: avoid; border: 1px solid #999; margin-bottom: 1rem; }
  article img { max-height: 17cm; width: auto; max-width: 100%; margin-inline: auto; }
}
"""


def demo_page(shown: Sequence[Shown]) -> str:
    """The whole page for the checked tasks; pictures are referred to in ``pictures/``."""
    counts = dict.fromkeys(("within", "outside", "undecided", "refused"), 0)
    for item in shown:
        counts[item.check.verdict] += 1
    summary = ", ".join(f"{number} {word}" for word, number in counts.items())
    body = f"""<h1>Drawn up today at the Tarn Hollow Simulation Lab</h1>
<p>Trainees drew up invented agents; each syringe was photographed once and read by drawmark.
The lab does not exist and the photographs are renderings, so the true volume is known and
stands beside each reading.</p>
<p class="caution"><strong>{escape(ADVISORY)}</strong> A verdict here says nothing about which
agent is in the syringe, or whether the volume asked for was the right one.</p>
<h2>All syringes: {escape(summary)}</h2>
<div class="scroll"><table>
<thead><tr><th>Task</th><th>Wanted</th><th>Liquid read (k = 2)</th><th>True</th>
<th>Verdict</th></tr></thead>
<tbody>
{"".join(_table_row(number, item) for number, item in enumerate(shown, 1))}</tbody>
</table></div>
<h2>One by one</h2>
<div class="sheets">
{"".join(_sheet(number, item) for number, item in enumerate(shown, 1))}</div>
<footer>
<p>{escape(RULE)} The liquid is compared: air in front of the fiducial line is taken off. The
uncertainty is that of the photograph; the permitted error of the syringe itself is left out.</p>
<p>A refused photograph is an answer: the program would have had to guess.</p>
</footer>"""
    title = "Drawn up today: Tarn Hollow Simulation Lab"
    return page(title, body, generator=MARKER, style=_STYLE)


def _wanted(item: Shown) -> str:
    check = item.check
    if check.tolerance_ml is None:
        return f"{format_amount(check.target_ml)}, {check.tolerance}"
    return f"{format_number(check.target_ml)} ± {format_amount(check.tolerance_ml)}"


def _liquid(item: Shown) -> str:
    outcome = item.check.outcome
    if isinstance(outcome, Refusal):
        return "not read"
    return format_measured(outcome.liquid_ml, 2 * outcome.liquid_standard_uncertainty_ml)


def _truth(item: Shown) -> str:
    if item.true_liquid_ml is None:
        return "unknown"
    outcome = item.check.outcome
    places = 2
    if isinstance(outcome, Reading):
        places = decimals_for(2 * outcome.liquid_standard_uncertainty_ml)
    return f"{fixed(item.true_liquid_ml, places)} mL"


def _table_row(number: int, item: Shown) -> str:
    link = f'<a href="#s{number}">{escape(item.task.text)}</a>'
    cells = [
        ("Task", link),
        ("Wanted", f"<span>{escape(_wanted(item))}</span>"),
        ("Liquid", f"<span>{escape(_liquid(item))}</span>"),
        ("True", f"<span>{escape(_truth(item))}</span>"),
        ("Verdict", word(item.check.verdict)),
    ]
    return row(cells)


def _sheet(number: int, item: Shown) -> str:
    check = item.check
    facts = [("Wanted", _wanted(item))]
    if isinstance(check.outcome, Refusal):
        facts.append(("Refused", refusal_sentence(check.outcome)))
    elif check.decision is not None:
        places = decimals_for(2 * check.decision.standard_uncertainty_ml)
        facts += [
            ("Liquid", _liquid(item)),
            ("True", _truth(item)),
            ("Deviation", f"{fixed(check.decision.deviation_ml, places, sign=True)} mL"),
            (
                "Conforms",
                f"with probability {format_probability(check.decision.probability_within)}",
            ),
            *(("To ask", s.question) for s in check.suggestions),
        ]
    rows = "".join(f"<dt>{escape(name)}</dt><dd>{escape(text)}</dd>" for name, text in facts)
    picture = ""
    if item.picture is not None:
        source = escape(f"pictures/{item.picture.name}", quote=True)
        alt = escape(f"Annotated photograph {check.photo}: {check.verdict}", quote=True)
        picture = f'<a href="{source}"><img src="{source}" alt="{alt}" loading="lazy"></a>'
    return (
        f'<article id="s{number}" class="is-{check.verdict}"><header>'
        f"<h3>{escape(item.task.text)}</h3>{word(check.verdict)}</header>"
        f"<dl>{rows}</dl>{picture}</article>\n"
    )
