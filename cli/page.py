"""What the pages have in common: one HTML file each, for screen, phone and print.

Nothing comes from elsewhere: no font, script, style or picture that is not in the page or beside
it.  Every piece of text that is not ours goes through `html.escape`.
"""

from __future__ import annotations

from html import escape

STYLE = """
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
  .word { color: #000; background: none; border: 1.5px solid #000; }
}
"""


def page(title: str, body: str, *, generator: str, style: str = "") -> str:
    """A whole page.  *title* is text, *body* and *style* are HTML and CSS made by the caller."""
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="generator" content="{escape(generator)}">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{escape(title)}</title>
<style>{STYLE}{style}</style>
</head>
<body>
<main>
{body}
</main>
</body>
</html>
"""


def row(cells: list[tuple[str, str]]) -> str:
    """A row of a table, from the name of each column and the HTML of its cell.

    On a narrow screen a row becomes a block, and each cell needs its heading beside it.
    """
    inside = "".join(f'<td data-name="{escape(name)}">{cell}</td>' for name, cell in cells)
    return f"<tr>{inside}</tr>\n"


def word(verdict: str) -> str:
    """A verdict as a label."""
    return f'<span class="word {verdict}">{verdict}</span>'
