"""The label: complete, safe to read, drawable, and clear of the marks still needed."""

from __future__ import annotations

import re
from datetime import datetime
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st
from test_notation import error_prone

from drawmark.calc.impossible import ImpossibleError
from drawmark.calc.label import CLASS_COLOURS, LONGEST_NAME, label_svg, make_label, placement
from drawmark.calc.notation import parse_amount, parse_concentration
from drawmark.calc.preparation import plan_dilute, plan_draw, plan_powder
from drawmark.calc.syringe import Syringe

WHEN = datetime(2030, 1, 31, 14, 5)
PLAN = plan_dilute(parse_concentration("0.5 mg/mL"), 10, one_in=40)
SVG = "{http://www.w3.org/2000/svg}"


def test_everything_that_has_to_be_on_it() -> None:
    label = make_label(PLAN, "Veldrane", WHEN, "AB")
    assert label.lines == [
        "Veldrane",
        "125 micrograms in 10 mL",
        "12.5 micrograms/mL",
        "Prepared 2030-01-31 14:05",
        "Initials AB  Checked ____",
        "SIMULATION ONLY",
    ]
    assert not any(error_prone(line) for line in label.lines[1:3])


def test_straight_draw_and_powder_say_what_the_syringe_holds() -> None:
    draw = plan_draw(parse_concentration("20 mg/mL"), dose=parse_amount("30 mg"))
    assert make_label(draw, "Veldrane", WHEN).content == "30 mg in 1.5 mL"
    amount, dose = parse_amount("250 mg"), parse_amount("50 mg")
    powder = plan_powder(amount, 4.8, displacement_ml=0.2, dose=dose)
    assert make_label(powder, "Veldrane", WHEN).content == "50 mg in 1 mL"
    bottle = make_label(plan_powder(amount, 5), "Veldrane", WHEN)
    assert bottle.content == "250 mg in 5 mL"
    assert bottle.strength == "50 mg/mL (nominal)"
    assert "container" in bottle.placement


def test_missing_name_leaves_room_to_write() -> None:
    assert make_label(PLAN, "", WHEN).lines[0] == "Agent: ____"


@pytest.mark.parametrize(
    ("name", "initials", "code"),
    [
        ("x" * (LONGEST_NAME + 1), "", "label-name"),
        ("a\x07b", "", "label-name"),
        ("Veldrane", "much too long", "label-initials"),
    ],
)
def test_names_that_do_not_print(name: str, initials: str, code: str) -> None:
    with pytest.raises(ImpossibleError) as caught:
        make_label(PLAN, name, WHEN, initials)
    assert caught.value.code == code


@given(st.text(st.characters(blacklist_categories=["C"]), max_size=LONGEST_NAME))
def test_any_name_makes_a_well_formed_picture_with_nothing_cut_off(name: str) -> None:
    label = make_label(PLAN, name, WHEN, "AB")
    root = ElementTree.fromstring(label_svg(label, "opioids", antagonist=True))
    drawn = "".join("".join(t.itertext()) for t in root.iter(f"{SVG}text"))
    squeezed = re.sub(r"\s", "", drawn)
    for part in (label.name, label.strength, label.content):
        assert re.sub(r"\s", "", part) in squeezed
    for text in root.iter(f"{SVG}text"):
        if "y" in text.attrib:
            assert 0 < float(text.attrib["y"]) < 15
        assert float(text.attrib["font-size"]) >= 1


def test_name_is_at_least_as_high_as_the_standard_asks() -> None:
    # ISO 26825: name at least 2.5 mm (clause excerpts); without the stripes it has the room
    for name in ("Veldrane", "Tormelin hydrochloride solution for"):
        root = ElementTree.fromstring(label_svg(make_label(PLAN, name, WHEN)))
        first = next(root.iter(f"{SVG}text"))
        assert float(first.attrib["font-size"]) >= 2.5


def test_colour_only_by_the_class_that_was_named() -> None:
    label = make_label(PLAN, "Veldrane", WHEN)
    assert not any(c.screen in label_svg(label) for c in CLASS_COLOURS.values())
    for name, colour in CLASS_COLOURS.items():
        assert colour.screen in label_svg(label, name)
    # ISO 26825:2020 by a secondary summary: names and ink numbers
    assert CLASS_COLOURS["opioids"].colour == "blue"
    assert CLASS_COLOURS["opioids"].ink == "297"
    assert CLASS_COLOURS["vasopressors"].ink == "256"


def test_class_that_does_not_exist() -> None:
    label = make_label(PLAN, "Veldrane", WHEN)
    with pytest.raises(ImpossibleError, match="not a class"):
        label_svg(label, "sweets")
    with pytest.raises(ImpossibleError, match="--drug-class"):
        label_svg(label, antagonist=True)


@pytest.mark.parametrize(
    ("syringe", "volume", "words"),
    [
        (Syringe(1, 1, 0.01), 0.5, "beyond the last line"),  # 28 mm of free scale at least
        (Syringe(1, 1, 0.01), 1, "as a flag"),  # 4.7 mm bore: no room beside the scale
        (Syringe(10, 10, 0.2), 10, "away from the scale"),
        (Syringe(10, 10, 0.2), 5, "beyond the last line"),
        (Syringe(50, 50, 1), 48, "away from the scale"),
    ],
)
def test_the_marks_still_needed_stay_free(syringe: Syringe, volume: float, words: str) -> None:
    text = placement(syringe, volume)
    assert words in text
    assert f"from 0 to {volume:g} mL" in text
