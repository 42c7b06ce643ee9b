"""Technique: each mistake is recognised, good work is left alone, doubt stays doubt.

There is no published table of such mistakes; the model is held against its own simulation, with
geometry and scatter drawn apart from what it assumes, and against laws.
"""

from __future__ import annotations

import json
import math
from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING

import pytest
from drawn_syringe import make_reading
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate
from technique_trial import tried
from typer.testing import CliRunner

from drawmark.calc.syringe import Syringe
from drawmark.calc.technique import (
    CARELESS,
    AirLeft,
    Drawn,
    Geometry,
    Mistake,
    Scatter,
    dilution_suggestions,
    draw_mistakes,
    draw_suggestions,
    ml_per_bore_radius,
    weigh,
)
from drawmark.cli.app import app
from drawmark.cli.technique import suggest

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

TEN = Syringe(10, 12, 0.2)
MEASURED = Geometry(ring_spacing_ml=0.75, cone_height_ml=0.47)
WANTED = Drawn(4.6, 4.6, 0.025, TEN, numbered_every_ml=1, geometry=MEASURED)


def codes(drawn: Drawn, tolerance_ml: float = 0.15) -> list[str]:
    return [s.code for s in draw_suggestions(drawn, tolerance_ml)]


def at(offset_ml: float, **more: object) -> Drawn:
    return replace(WANTED, volume_ml=WANTED.target_ml + offset_ml, **more)


@pytest.mark.parametrize(
    ("code", "drawn"),
    [
        ("cone-tip", at(0.47)),
        ("rear-ring", at(-0.8)),
        ("scale-interval", at(0.2)),
        ("scale-interval", at(-0.2)),
        ("numbered-interval", at(1.0)),
        ("numbered-interval", at(-1.0)),
        ("line-value", at(0.6)),  # three lines past 4, each taken for 0.1 mL
        ("decimal-point", at(0.46 - 4.6)),
        ("air-left-in", at(0.0, air_ml=0.4, air_standard_uncertainty_ml=0.04)),
        ("extra-part", at(1.5, part_ml=1.5)),
    ],
)
def test_each_mistake_is_recognised(code: str, drawn: Drawn) -> None:
    assert codes(drawn) == [code]


def test_dead_space_where_it_can_be_seen() -> None:
    """In a 1 mL syringe of 0.01 mL lines the nozzle's air is several lines, and may be as much
    as the way to the rear ring."""
    drawn = Drawn(0.5, 0.436, 0.003, Syringe(1, 1, 0.01), numbered_every_ml=0.1)
    assert codes(drawn, 0.025) == ["dead-space"]
    alike = replace(drawn, volume_ml=0.46)
    assert sorted(codes(alike, 0.025)) == ["dead-space", "rear-ring"]


def test_the_learner_gets_a_question_and_the_instructor_the_figures() -> None:
    (found,) = draw_suggestions(at(0.47), 0.15)
    assert found.question == "Did the cone's tip, rather than the front ring, sit on the line?"
    assert found.predicted_deviation == pytest.approx(0.47)
    assert found.likelihood_ratio > 10
    assert 0.5 < found.probability < 1
    (air,) = draw_suggestions(at(0.0, air_ml=0.4, air_standard_uncertainty_ml=0.04), 0.15)
    assert "0.4 mL" in air.question
    assert air.predicted_deviation == pytest.approx(-0.4)  # of the liquid


def test_air_comes_first() -> None:
    """Air in front of a ring that is a line off: the air makes the liquid short."""
    drawn = at(0.2, air_ml=0.8, air_standard_uncertainty_ml=0.1)
    assert codes(drawn)[0] == "air-left-in"
    # more liquid than wanted is not the air's doing
    more = at(1.0, air_ml=0.3, air_standard_uncertainty_ml=0.05)
    assert codes(more) == ["numbered-interval"]
    (found,) = draw_suggestions(more, 0.15)
    assert found.predicted_deviation == pytest.approx(0.7)
    # a trace of air that may be none changes nothing
    trace = at(0.47, air_ml=0.02, air_standard_uncertainty_ml=0.02)
    assert codes(trace) == ["cone-tip"]


def test_mistakes_that_look_alike_are_alternatives() -> None:
    # a cone as high as a numbered interval
    alike = replace(at(1.0), geometry=Geometry(cone_height_ml=1.0, ring_spacing_ml=0.75))
    assert sorted(codes(alike)) == ["cone-tip", "numbered-interval"]


def test_nothing_is_said_when_there_is_nothing_to_explain() -> None:
    assert codes(at(0.0)) == []
    assert codes(at(0.14)) == []  # within the tolerance
    assert codes(at(0.47), 0.5) == []
    doubtful = replace(at(0.47), standard_uncertainty_ml=0.3)
    assert codes(doubtful) == []  # within the reading's own doubt
    assert codes(at(0.33)) == []  # between the mistakes: nothing fits


def test_nothing_is_said_when_everything_fits() -> None:
    cone = Geometry(cone_height_ml=1.0, ring_spacing_ml=0.75)
    crowd = replace(at(1.0), geometry=cone, part_ml=1.0)
    assert len(codes(crowd)) == 3
    mistakes = draw_mistakes(crowd)
    more = [*mistakes, Mistake("another", "Another?", 1.0, 1.0)]
    scatter = Scatter(0.3, -4.6, 7.4)
    assert len(weigh(1.0, 0.05, mistakes, scatter)) == 3
    assert weigh(1.0, 0.05, more, scatter) == ()


def test_what_cannot_be_is_not_considered() -> None:
    high = replace(WANTED, target_ml=11.8, volume_ml=12.0)
    assert all(m.middle < 0.3 for m in draw_mistakes(high))  # the scale ends at 12 mL
    assert not any(m.code == "numbered-interval" for m in draw_mistakes(
        replace(WANTED, numbered_every_ml=None)
    ))  # fmt: skip
    assert not any(m.code == "air-left-in" for m in draw_mistakes(WANTED))


@pytest.mark.parametrize(
    ("code", "named", "wrong"),
    [
        ("cone-tip", 0.75, 0.04),
        ("rear-ring", 0.85, 0.04),
        ("scale-interval", 0.40, 0.06),
        ("numbered-interval", 0.90, 0.04),
        ("line-value", 0.55, 0.06),
        ("decimal-point", 0.90, 0.03),
        ("air-left-in", 0.65, 0.04),
    ],
)
def test_mistakes_in_a_crowd(code: str, named: float, wrong: float) -> None:
    """Shares of 600 draws: the mistake is named, alone or among others; only others are."""
    shares = tried(code, 600)
    assert shares["alone"] + shares["among"] >= named
    assert shares["others"] <= wrong


def test_work_without_a_mistake() -> None:
    """Careful draws are asked nothing, careless ones seldom: most of theirs fit nothing."""
    assert tried("careful", 600)["others"] <= 0.01
    assert tried("careless", 600)["others"] <= 0.35


spans = st.tuples(st.floats(-2, 2), st.floats(0, 2))


@given(spans, st.floats(0.02, 0.5), st.floats(0, 0.3))
def test_a_likelihood_is_a_density(span: tuple[float, float], sd: float, own: float) -> None:
    low, width = span
    mistake = Mistake("m", "?", low, low + width, own)
    blur = math.hypot(sd, own)
    edges = [low - 9 * blur, low, low + width + 1e-9, low + width + 9 * blur]
    left = AirLeft("a", "?", 0.0, 0.0, careless=own)
    assert integrate.quad(left.likelihood, -9 * blur, 9 * blur, args=(sd,), points=[0], limit=200)[
        0
    ] == pytest.approx(1, abs=1e-6)
    area = sum(
        integrate.quad(mistake.likelihood, a, b, args=(sd,), epsabs=1e-9)[0]
        for a, b in pairwise(edges)
    )
    assert area == pytest.approx(1, abs=1e-6)


def test_the_scatter_is_a_density() -> None:
    scatter = Scatter(0.3, -4.6, 7.4, centre=0.2)
    points = [-4.6, 0.0, 0.2, 0.4, 7.4]
    area = integrate.quad(scatter.likelihood, -7, 10, args=(0.05,), points=points, limit=200)[0]
    assert area == pytest.approx(1, abs=1e-6)
    assert scatter.likelihood(0.8, 0.05) > CARELESS * 0.05  # not nothing, far out


@given(st.floats(0.05, 20), st.floats(-1.2, 1.6), st.sampled_from([0.0, 0.4]))
def test_another_unit_changes_nothing(factor: float, offset: float, air: float) -> None:
    """All volumes in another unit, the stopper's and the dead space's too: same probabilities."""
    one = at(offset, air_ml=air, air_standard_uncertainty_ml=air / 10, dead_space_ml=0.1)
    other = Drawn(
        target_ml=factor * one.target_ml,
        volume_ml=factor * one.volume_ml,
        standard_uncertainty_ml=factor * one.standard_uncertainty_ml,
        syringe=Syringe(*(factor * x for x in (10, 12, 0.2))),
        air_ml=factor * air,
        air_standard_uncertainty_ml=factor * air / 10,
        numbered_every_ml=factor * 1,
        dead_space_ml=factor * 0.1,
        geometry=Geometry(factor * 0.75, factor * 0.47),
    )
    first, second = draw_suggestions(one, 0.15), draw_suggestions(other, 0.15 * factor)
    assert [s.code for s in first] == [s.code for s in second]
    for a, b in zip(first, second, strict=True):
        assert b.probability == pytest.approx(a.probability, rel=1e-6)
        assert b.likelihood_ratio == pytest.approx(a.likelihood_ratio, rel=1e-6)
        assert b.predicted_deviation == pytest.approx(factor * a.predicted_deviation, rel=1e-6)


def test_probabilities_are_shares_of_one_whole() -> None:
    for tenths in range(-15, 16):
        found = draw_suggestions(at(tenths / 10), 0.05)
        assert 0 <= sum(s.probability for s in found) <= 1  # air is not seen in these
        ratios = [s.likelihood_ratio for s in found]
        assert ratios == sorted(ratios, reverse=True)


def test_a_dilution_with_a_part_too_much() -> None:
    """One part and nine wanted, one and ten made: 10/11 of the strength."""
    arguments = {"share": 0.1, "drug_ml": 1.0, "syringe": TEN, "relative_tolerance": 0.05}
    found = dilution_suggestions(10 / 11 - 1, 0.01, **arguments)
    assert [s.code for s in found] == ["extra-part"]
    assert dilution_suggestions(0.01, 0.01, **arguments) == ()
    assert dilution_suggestions(-0.6, 0.01, **arguments) == ()


def test_wrong_calls() -> None:
    with pytest.raises(ValueError, match="cone_height_ml"):
        Geometry(cone_height_ml=0)


def test_bores_between_the_table() -> None:
    """15.2 mm at 10 mL: a cylinder of 7.6 mm radius and height is 1.379 mL."""
    assert ml_per_bore_radius(10) == pytest.approx(math.pi * 0.76**3)
    assert ml_per_bore_radius(10) < ml_per_bore_radius(12) < ml_per_bore_radius(20)
    assert ml_per_bore_radius(0.5) == ml_per_bore_radius(1)
    assert ml_per_bore_radius(100) == ml_per_bore_radius(50)


def test_numbers_are_taken_from_the_print() -> None:
    """The drawn syringe is numbered every 2 mL."""
    found = suggest(make_reading(7.0, 0.02), 5.0, 0.25)
    assert [s.code for s in found] == ["numbered-interval"]
    assert "2 mL" in found[0].question


def test_check_asks(photo: Path, reader_says: Callable[..., None]) -> None:
    reader_says(make_reading(7.0, 0.02))
    arguments = ["check", str(photo), "--target", "5mL", "--tolerance", "5%", "--no-picture"]
    result = CliRunner().invoke(app, arguments)
    assert result.exit_code == 1
    assert "To ask: Was the count begun one number of the scale (2 mL) too high?" in result.stdout
    assert "likelihood" not in result.stdout  # figures are for the instructor
    record = json.loads(CliRunner().invoke(app, [*arguments, "--json"]).stdout)
    (suggestion,) = record["suggestions"]
    assert suggestion["code"] == "numbered-interval"
    assert suggestion["predicted_deviation_ml"] == 2.0
    assert suggestion["likelihood_ratio"] > 10
