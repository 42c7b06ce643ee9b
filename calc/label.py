"""The label of a prepared syringe or container: its lines, its picture, and where it goes.

The layout is this project's own.  Colour comes in only if a person names a class of drug: it
is then the one that ISO 26825:2020 assigns to the class, and it never stands for the name.
Colour names and ink numbers: a secondary summary of the standard; the screen colours are
approximations from memory, so a printed label is to be made with the inks.
"""

from __future__ import annotations

import math
import unicodedata
from dataclasses import dataclass
from datetime import datetime
from xml.sax.saxutils import escape

from .formatting import format_number
from .impossible import ImpossibleError
from .preparation import Plan, amount_text, strength_text
from .syringe import Syringe

LONGEST_NAME = 36  # characters that fit in two lines of the smallest lettering
WIDTH_MM, HEIGHT_MM = 40.0, 15.0  # the largest of the 25-40 x 10-15 mm of ISO 26825


@dataclass(frozen=True)
class ClassColour:
    """Colour of a class of drugs: its name and ink number, and an approximation for a screen."""

    colour: str
    ink: str
    screen: str


# ISO 26825:2020 as a secondary summary gives it.
CLASS_COLOURS: dict[str, ClassColour] = {
    "anti-emetics": ClassColour("salmon", "156", "#efbe7d"),
    "anticholinergics": ClassColour("green", "367", "#a4d65e"),
    "benzodiazepines": ClassColour("orange", "151", "#ff8200"),
    "induction agents": ClassColour("yellow", "process yellow", "#ffed00"),
    "local anaesthetics": ClassColour("grey", "401", "#afa9a0"),
    "opioids": ClassColour("blue", "297", "#71c5e8"),
    "muscle relaxants": ClassColour("warm red", "warm red", "#f9423a"),
    "vasopressors": ClassColour("violet", "256", "#d6a5c9"),
}


@dataclass(frozen=True)
class Label:
    """What is written on it.  ``lines`` is the whole text, top to bottom."""

    name: str
    strength: str
    content: str
    prepared: str
    initials: str
    placement: str

    @property
    def lines(self) -> list[str]:
        """The label as text."""
        return [
            self.name,
            self.content,
            self.strength,
            f"Prepared {self.prepared}",
            f"Initials {self.initials or '____'}  Checked ____",
            "SIMULATION ONLY",
        ]


def make_label(plan: Plan, agent: str, prepared: datetime, initials: str = "") -> Label:
    """The label for what *plan* ends with.

    Raises
    ------
    ImpossibleError
        If the name or the initials can't be printed legibly (``label-name``, ``label-initials``).
    """
    name = _printable(agent, "label-name", "--agent", LONGEST_NAME) or "Agent: ____"
    signed = _printable(initials, "label-initials", "--initials", 6)
    in_syringe = plan.labelled == "syringe"
    volume_ml = plan.final_volume_ml
    if in_syringe and plan.draw_ml is not None and plan.kind != "dilute":
        volume_ml = plan.draw_ml
    return Label(
        name=name,
        strength=strength_text(plan),
        content=f"{amount_text(plan)} in {format_number(volume_ml, 4)} mL",
        prepared=f"{prepared:%Y-%m-%d %H:%M}",
        initials=signed,
        placement=(
            placement(plan.syringe, volume_ml)
            if in_syringe
            else "Stick the label on the container, clear of the maker's own label."
        ),
    )


def _printable(text: str, code: str, option: str, longest: int) -> str:
    text = " ".join(unicodedata.normalize("NFC", text).split())
    if any(unicodedata.category(c)[0] == "C" for c in text):
        raise ImpossibleError(code, f"{option} has characters that can't be printed: retype it.")
    if len(text) > longest:
        raise ImpossibleError(
            code,
            f"{option} is {len(text)} characters long and a label holds {longest} legibly: "
            "shorten it.",
        )
    return text


# Shortest scale to the nominal line, mm, by nominal capacity below (mL): ISO 7886-1:1993
# table 1, from memory.  Real scales are longer, so what is said of room holds for them.
_SHORTEST_SCALE_MM = ((2, 57), (5, 27), (10, 36), (20, 44), (30, 52), (50, 67), (math.inf, 75))


def placement(syringe: Syringe, volume_ml: float) -> str:
    """Where the label goes so that the marks from 0 to *volume_ml* can still be read.

    From the shortest scale that ISO 7886-1 permits follow the widest bore and the room beyond
    the last mark that is needed.
    """
    scale_mm = next(mm for below, mm in _SHORTEST_SCALE_MM if syringe.capacity_ml < below)
    needed = f"the marks from 0 to {format_number(volume_ml, 4)} mL"
    room_mm = (syringe.graduated_max_ml - volume_ml) * scale_mm / syringe.capacity_ml
    if room_mm >= HEIGHT_MM:
        return f"Stick the label around the barrel beyond the last line needed: {needed} stay free."
    bore_mm = math.sqrt(4 * syringe.capacity_ml * 1000 / (math.pi * scale_mm))
    # The scale with its numerals takes up to half of the way round, the label its height.
    if math.pi * (bore_mm + 2) >= 3 * HEIGHT_MM:
        return (
            "Stick the label lengthwise on the side away from the scale, edge clear of the "
            f"lines: {needed} stay free."
        )
    return (
        "The barrel is too thin for a label beside the scale: stick it as a flag at the flange "
        f"end, so that {needed} stay free."
    )


def label_svg(label: Label, drug_class: str | None = None, *, antagonist: bool = False) -> str:
    """The label as an SVG picture, 40 mm by 15 mm.

    *drug_class* is a key of `CLASS_COLOURS`; an *antagonist* has the class colour with white
    diagonal stripes along the top.

    Raises
    ------
    ImpossibleError
        If there is no such class (``unknown-class``), or an antagonist without a class.
    """
    if drug_class is not None and drug_class not in CLASS_COLOURS:
        raise ImpossibleError(
            "unknown-class",
            f"'{drug_class}' is not a class of ISO 26825: take one of "
            f"{', '.join(CLASS_COLOURS)}, or none.",
        )
    if antagonist and drug_class is None:
        raise ImpossibleError(
            "antagonist-without-class",
            "An antagonist is striped in the colour of its class: name it with --drug-class.",
        )
    ground = CLASS_COLOURS[drug_class].screen if drug_class is not None else "#ffffff"
    top = 3.0 if antagonist else 0.0  # the stripes take the upper fifth
    body = _text_body(label, top)
    stripes = _stripes(ground, top) if antagonist else ""
    title = escape(", ".join(label.lines))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH_MM:g}mm" height="{HEIGHT_MM:g}mm" '
        f'viewBox="0 0 {WIDTH_MM:g} {HEIGHT_MM:g}" role="img">'
        f"<title>{title}</title>"
        f'<rect x="0.15" y="0.15" width="39.7" height="14.7" rx="0.8" fill="{ground}" '
        f'stroke="#000" stroke-width="0.3"/>{stripes}'
        f'<g font-family="Arial, Helvetica, sans-serif" fill="#000">{body}</g></svg>\n'
    )


def _stripes(ground: str, height: float) -> str:
    """White stripes 1 mm wide, 1 mm apart, at 45 degrees from lower left to upper right."""
    across = math.sqrt(2)  # width along the label of a stripe that is 1 mm wide across
    count = math.ceil((WIDTH_MM + height) / (2 * across))
    corners = " ".join(
        f"M{x:.3f} {height:g}l{across:.3f} 0l{height:g} -{height:g}l-{across:.3f} 0z"
        for x in (2 * across * i - height for i in range(count + 1))
    )
    return (
        '<clipPath id="c"><rect x="0.3" y="0.3" width="39.4" height="14.4" rx="0.65"/></clipPath>'
        f'<path d="{corners}" fill="#fff" clip-path="url(#c)"/>'
        f'<line x1="0.3" y1="{height:g}" x2="39.7" y2="{height:g}" stroke="{ground}" '
        'stroke-width="0.2"/>'
    )


def _text_body(label: Label, top: float) -> str:
    room = HEIGHT_MM - top
    inner = WIDTH_MM - 5.6  # the strip at the right edge says what the label is for
    rows = 4 if _fits(label.name, 3.4, inner) or _fits(label.name, 2.5, inner) else 5
    step = (room - 1.4) / rows
    parts = []
    y = top + 0.4

    def put(text: str, size: float, *, bold: bool = False, x: float = 1.2) -> None:
        weight = ' font-weight="700"' if bold else ""
        parts.append(
            f'<text x="{x:g}" y="{y:.2f}" font-size="{size:.2f}"{weight}>{escape(text)}</text>'
        )

    size = next((s for s in (3.4, 3.0, 2.7, 2.5) if _fits(label.name, s, inner)), 2.5)
    for line in _name_lines(label.name, size, inner):
        y += step
        put(line, min(size, step * 0.95), bold=True)
    y += step
    put(label.strength, min(_largest(label.strength, 3.2, inner), step * 0.95), bold=True)
    y += step
    put(label.content, min(_largest(label.content, 2.4, inner), step * 0.9))
    y += step
    foot = f"{label.prepared}   by {label.initials or '____'}  check ____"
    put(foot, min(_largest(foot, 1.9, inner), step * 0.9))
    middle = top + room / 2
    parts.append(
        f'<line x1="36" y1="{top + 1:g}" x2="36" y2="14" stroke="#000" stroke-width="0.15"/>'
        f'<text transform="translate(37.6 {middle:.2f}) rotate(-90)" text-anchor="middle" '
        f'font-size="{min(1.5, room / 9):.2f}" letter-spacing="0.05">'
        f'<tspan x="0" dy="0">SIMULATION</tspan><tspan x="0" dy="1.6">ONLY</tspan></text>'
    )
    return "".join(parts)


def _name_lines(name: str, size: float, inner: float) -> list[str]:
    if _fits(name, size, inner):
        return [name]
    words, first = name.split(" "), ""
    while words and _fits(f"{first} {words[0]}".strip(), size, inner):
        first = f"{first} {words.pop(0)}".strip()
    rest = " ".join(words)
    if not first or not _fits(rest, size, inner):  # one long word: cut where it must be
        middle = (len(name) + 1) // 2
        first, rest = name[:middle], name[middle:]
    return [first, rest]


def _fits(text: str, size: float, inner: float) -> bool:
    return _width(text, size) <= inner


def _largest(text: str, size: float, inner: float) -> float:
    return min(size, size * inner / max(_width(text, size), 1e-9))


def _width(text: str, size: float) -> float:
    """An upper estimate of a line's width, mm: bold sans letters average under 0.62 em."""
    return sum(1.0 if unicodedata.east_asian_width(c) in "WF" else 0.62 for c in text) * size
