"""The demo's page: one HTML file that needs nothing from elsewhere, for screen, phone and print.

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
from .photographs import refusal_sentence

if TYPE_CHECKING:
    from collections.abc import Sequence

    from .demo import Shown

_STYLE = """
:root { --ink: #1c2024; --soft: #5d666e; --rule: #d9dcd6; --paper: #f8f7f3; --card: #ffffff;
  --within: #0a6c68; --outside: #b0341f; --undecided: #8f5f08; --refused: #464e5c; }
* { box-sizing: border-box; }
body { margin: 0; background: var(--paper); color: var(--ink);
  font: 1rem/1.5 Georgia, "Times New Roman", serif; }
main { max-width: 72rem; margin: 0 auto; padding: 1.5rem 1rem 4rem; }
h1 { font-size: 1.9rem; line-height: 1.2; margin: 0 0 .5rem; }
h2 { font-size: 1.25rem; margin: 2.5rem 0 .75rem; }
h3 { font-size: 1.05rem; margin: 0; }
p { max-width: 44rem; margin: .5rem 0; }
.caution { border-left: .4rem solid var(--outside); background: var(--card);
  padding: .75rem 1rem; max-width: 46rem; }
.figure, td, th, dd { font-variant-numeric: tabular-nums; }
.scroll { overflow-x: auto; }
table { border-collapse: collapse; width: 100%; background: var(--card); font-size: .95rem; }
th, td { text-align: left; padding: .45rem .7rem; border-bottom: 1px solid var(--rule);
  vertical-align: top; }
th { font-weight: 600; color: var(--soft); }
td > span { white-space: nowrap; }
a { color: inherit; text-underline-offset: .15em; }
.word { display: inline-block; color: #fff; padding: .05rem .55rem; font-weight: 700;
  font-family: system-ui, sans-serif; font-size: .82rem; letter-spacing: .03em; }
.within { background: var(--within); } .outside { background: var(--outside); }
.undecided { background: var(--undecided); } .refused { background: var(--refused); }
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
footer { margin-top: 3rem; color: var(--soft); font-size: .9rem; }
@media screen and (max-width: 44rem) {
  thead { position: absolute; left: -999rem; }
  tr { display: grid; grid-template-columns: 6.5rem 1fr; padding: .6rem .7rem;
    border-bottom: 1px solid var(--rule); }
  td { display: contents; }
  td::before { content: attr(data-name); color: var(--soft); }
  td > * { justify-self: start; }
}
@media print {
  body { background: #fff; font-size: 10pt; } main { max-width: none; padding: 0; }
  h2 { break-after: avoid; }
  .sheets { display: block; }
  article { break-inside: avoid; border: 1px solid #999; margin-bottom: 1rem; }
  article img { max-height: 17cm; width: auto; max-width: 100%; margin-inline: auto; }
  .word { color: #000; background: none; border: 1.5px solid #000; }
}
"""


def demo_page(shown: Sequence[Shown]) -> str:
    """The whole page for the checked tasks; pictures are referred to in ``pictures/``."""
    counts = dict.fromkeys(("within", "outside", "undecided", "refused"), 0)
    for item in shown:
        counts[item.check.verdict] += 1
    summary = ", ".join(f"{number} {word}" for word, number in counts.items())
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="generator" content="{MARKER}">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Drawn up today: Tarn Hollow Simulation Lab</title>
<style>{_STYLE}</style>
</head>
<body>
<main>
<h1>Drawn up today at the Tarn Hollow Simulation Lab</h1>
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
</footer>
</main>
</body>
</html>
"""


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


def _word(item: Shown) -> str:
    verdict = item.check.verdict
    return f'<span class="word {verdict}">{verdict}</span>'


def _table_row(number: int, item: Shown) -> str:
    link = f'<a href="#s{number}">{escape(item.task.text)}</a>'
    cells = [
        ("Task", link),
        ("Wanted", f"<span>{escape(_wanted(item))}</span>"),
        ("Liquid", f"<span>{escape(_liquid(item))}</span>"),
        ("True", f"<span>{escape(_truth(item))}</span>"),
        ("Verdict", _word(item)),
    ]
    # On a narrow screen a row becomes a block, and each cell needs its heading beside it.
    return "<tr>" + "".join(f'<td data-name="{n}">{cell}</td>' for n, cell in cells) + "</tr>\n"


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
        ]
    rows = "".join(f"<dt>{escape(name)}</dt><dd>{escape(text)}</dd>" for name, text in facts)
    picture = ""
    if item.picture is not None:
        source = escape(f"pictures/{item.picture.name}", quote=True)
        alt = escape(f"Annotated photograph {check.photo}: {check.verdict}", quote=True)
        picture = f'<a href="{source}"><img src="{source}" alt="{alt}" loading="lazy"></a>'
    return (
        f'<article id="s{number}" class="is-{check.verdict}"><header>'
        f"<h3>{escape(item.task.text)}</h3>{_word(item)}</header>"
        f"<dl>{rows}</dl>{picture}</article>\n"
    )
