"""What makes a labelling sure."""

from __future__ import annotations

import numpy as np
import pytest
from labellings import labelled

from drawmark.vision import sureness
from drawmark.vision.labelling import Labelling
from drawmark.vision.numerals import NumeralRow
from drawmark.vision.scales import Scale


def from_the_side(degrees: float) -> dict[str, object]:
    """A row of numerals at this azimuth."""
    flat = np.zeros((3, 3), np.float32)
    phi = np.radians(np.arange(-86.0, 87.0))
    return {"row": NumeralRow(flat, 0, 20.0, degrees + 86.0, 0.0, 9.0, []), "flat_phi": phi}


def by_nozzle(**changes: object) -> dict[str, object]:
    """A labelling without legible numerals that nozzle and flange speak for, changed."""
    told = {"numeral_score": 0.5, "read": (), "supporting": 1, "lines_margin": 2.0, "margin": 7.1}
    return {**told, "nozzle": 0.6, "sense": 3.1, "ends": 0.1, **changes}


@pytest.mark.parametrize(
    ("changes", "sure"),
    [
        ({}, True),
        ({"margin": 4.1}, True),
        ({"margin": 3.9}, False),
        ({"margin": 4.1, **from_the_side(65)}, False),
        ({"margin": 5.1, **from_the_side(65)}, True),
        ({"margin": 6.3, "numeral_score": 8.8, **from_the_side(74)}, False),
        ({"margin": 6.3, "numeral_score": 8.8}, True),
        ({"margin": 4.9, "numeral_score": 10.9}, False),
        ({"margin": 5.1, "numeral_score": 10.9}, True),
        ({"seen": 0.7}, False),
        ({"seen": 0.7, "supporting": 3}, True),
        ({"seen": 0.58, "supporting": 3}, False),
        ({"seen": 0.52, "supporting": 3, "run": 8}, True),
        ({"seen": 0.52, "supporting": 3, "run": 7}, False),
        ({"seen": 0.52, "supporting": 2, "run": 20}, False),
        ({"seen": 0.52, "supporting": 8, "run": 20, "against": 1.2}, False),
        ({"seen": 0.48, "supporting": 3, "run": 20}, False),
        ({"seen": 0.7, "supporting": 3, "numeral_score": 14.5}, False),
        ({"seen": 0.7, "supporting": 3, "against": 1.2}, False),
        ({"seen": 0.8}, True),
        ({"size": -6.0}, False),
        ({"read": ()}, False),
        ({"read": (), "supporting": 3}, True),
        ({"read": (), "supporting": 3, "numeral_score": 10.4}, False),
        ({"read": (), "supporting": 3, "size": -2.9}, True),
        ({"read": (), "supporting": 3, "size": -3.1}, False),
        ({"size": -3.1}, True),
        ({"read": (), "margin": 8.9, "lines_margin": -1.1}, False),
        ({"ends": -3.2}, False),
        ({"ends": 3.0, "sense": 6.0}, True),
        ({"ends": 0.2, "sense": -1.2}, False),
        ({"against": 1.5}, True),
        ({"against": 2.9}, False),
        ({"against": 2.9, "supporting": 10}, True),
        ({"against": 3.9, "supporting": 11}, False),
        ({"size": -3.0, "ends": -1.9}, False),
        ({"size": -3.0, "ends": -1.4}, True),
        ({"against": 3.9, "supporting": 8, **from_the_side(55)}, False),
        ({"against": 3.9, "supporting": 8, **from_the_side(65)}, True),
        ({"against": 3.9, "supporting": 8, **from_the_side(-65)}, True),
        ({"against": 4.2, "supporting": 8, **from_the_side(65)}, False),
        ({"against": 5.9, "supporting": 8, "margin": 10.1}, True),
        ({"against": 6.1, "supporting": 8, "margin": 10.1}, False),
        ({"against": 5.9, "supporting": 8, "margin": 9.9}, False),
        ({"against": 2.9, "supporting": 4, "margin": 10.1}, False),
        ({"against": 3.6, "supporting": 5, "margin": 10.1}, True),
        ({"against": 3.6, "supporting": 5, "margin": 10.1, "numeral_score": 14.0}, False),
        ({"numeral_score": 4.5, "read": (), "lines_margin": 7.5}, True),
        ({"numeral_score": 4.5, "read": (), "lines_margin": 6.5}, False),
        ({"numeral_score": 1.0, "read": (), "margin": 20.0, "lines_margin": 20.0}, False),
        ({"numeral_score": -6.0, "read": (), "margin": 20.0, "lines_margin": 20.0}, False),
        ({"seen": 0.3, "supporting": 4, "supposed": True}, True),
        ({"seen": 0.2, "supporting": 4, "supposed": True}, False),
        ({"seen": 0.3, "supporting": 3, "supposed": True}, False),
        ({"seen": 0.3, "supporting": 4}, False),
        (by_nozzle(), True),
        (by_nozzle(margin=6.9), False),
        (by_nozzle(nozzle=0.4), False),
        (by_nozzle(sense=2.9), False),
        (by_nozzle(ends=-0.1), False),
        (by_nozzle(seen=0.7), False),
        (by_nozzle(size=-3.1), False),
    ],
)
def test_a_labelling_is_sure_by_its_lead_and_by_what_speaks_for_it(
    changes: dict[str, object], sure: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sureness, "reads_better_mirrored", lambda *_: False)
    assert sureness.is_sure(labelled(**changes), None) is sure  # type: ignore[arg-type]


def read_whole(**changes: object) -> dict[str, object]:
    """A scale whose ends are not seen, but all numerals read and none other near; changed."""
    read = tuple((5 * n, float(n), 0.9) for n in range(1, 6))
    return {"read": read, "supporting": 5, "margin": 10.1, "ends": -3.2, **changes}


@pytest.mark.parametrize(
    ("changes", "sure"),
    [
        ({}, True),
        ({"margin": 9.9}, False),
        ({"numeral_score": 14.9}, False),
        ({"against": 1.0}, False),
        ({"size": -1.4}, False),  # of size and ends together
        # the last numeral is not read: the scale may end before it
        ({"read": tuple((5 * n, float(n), 0.9) for n in range(5))}, False),
        ({"read": ((20, 4.0, 0.9), (25, 5.0, 0.9))}, False),
    ],
)
def test_ends_need_not_be_told_where_all_numerals_are_read(
    changes: dict[str, object], sure: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sureness, "reads_better_mirrored", lambda *_: False)
    assert sureness.is_sure(labelled(**read_whole(**changes)), None) is sure  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("first", "again", "settled"),
    [
        ({}, None, True),  # two numerals are read: no other look is taken
        (by_nozzle(), {"margin": 7.0}, True),
        (by_nozzle(), {"margin": 6.9}, False),
        (by_nozzle(), {"zero_k": 1}, False),
        (by_nozzle(), {"scale": Scale(10.0, 0.4, 2.0)}, False),
        ({"read": (), "supporting": 3}, {"margin": 5.0}, True),
        ({"read": (), "supporting": 3}, {"margin": 3.9}, False),
        ({"read": (), "supporting": 3}, {"direction": -1}, False),
        ({"margin": 3.0}, None, False),
    ],
)
def test_where_no_numeral_is_read_other_magnifications_must_say_the_same(
    first: dict[str, object],
    again: dict[str, object] | None,
    settled: bool,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    looks: list[float] = []

    def label_again(_graduations: object, _interval: object, *, magnified: float) -> Labelling:
        looks.append(magnified)
        assert again is not None
        # the last look alone says something else
        last = len(looks) == len(sureness.OTHER_MAGNIFICATIONS)
        return labelled(**{**first, **(again if last else {})})

    monkeypatch.setattr(sureness, "reads_better_mirrored", lambda *_: False)
    monkeypatch.setattr(sureness, "label_lines", label_again)
    assert sureness.is_settled(labelled(**first), None, None) is settled  # type: ignore[arg-type]
    assert looks == ([] if again is None else list(sureness.OTHER_MAGNIFICATIONS))


def test_the_nozzle_is_not_enough_where_a_mirror_reads_better(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(sureness, "reads_better_mirrored", lambda *_: True)
    assert sureness.is_sure(labelled(**by_nozzle()), None) is False  # type: ignore[arg-type]


def test_lines_alone_are_not_enough_where_a_mirror_reads_better(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(sureness, "reads_better_mirrored", lambda *_: True)
    alone = labelled(numeral_score=5.0, read=(), margin=12.0, lines_margin=9.0)
    assert sureness.is_sure(alone, None) is False  # type: ignore[arg-type]
    # nor is a row in which no numeral is read for sure, nor one of two words; of three, two of them
    # read, needs no mirror
    assert sureness.is_sure(labelled(read=(), supporting=5), None) is False  # type: ignore[arg-type]
    assert sureness.is_sure(labelled(), None) is False  # type: ignore[arg-type]
    assert sureness.is_sure(labelled(supporting=3), None) is True  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("changes", "tells"),
    [
        ({}, True),
        ({"numeral_score": -3.0, "supporting": 0}, True),
        ({"margin": 2.4}, False),
        ({"lines_margin": 2.4}, False),
        ({"ends": 0.9}, False),
        ({"sense": 2.9}, False),
        ({"nozzle": 0.4}, False),
        ({"seen": 0.88}, False),
        ({"size": -2.1}, False),
    ],
)
def test_lines_ends_and_nozzle_tell_without_numerals(
    changes: dict[str, object], tells: bool
) -> None:
    told = by_nozzle(margin=2.6, lines_margin=2.6, ends=1.1)
    assert sureness.tells_without_numerals(labelled(**{**told, **changes})) is tells


@pytest.mark.parametrize(
    ("changes", "tells"),
    [
        ({}, True),
        ({"against": 4.0}, True),
        ({"margin": sureness.MARGIN_TOLD_TWICE_BY_ALL - 0.1}, False),
        ({"lines_margin": -0.1}, False),
        ({"ends": -0.6}, False),
        ({"sense": 2.9}, False),
        ({"nozzle": -0.1}, False),
        ({"seen": 0.84}, False),
        ({"size": -3.1}, False),
    ],
)
def test_all_witnesses_together_tell_with_a_greater_lead(
    changes: dict[str, object], tells: bool
) -> None:
    margin = sureness.MARGIN_TOLD_TWICE_BY_ALL + 0.1
    told = by_nozzle(margin=margin, lines_margin=0.1, ends=-0.4, nozzle=0.1, seen=0.86)
    assert sureness.tells_by_all(labelled(**{**told, **changes})) is tells


def as_stated(**changes: object) -> Labelling:
    """A labelling of a stated syringe: no numerals, but lines, ends and nozzle; changed."""
    plain = {"numeral_score": 0.0, "read": (), "supporting": 0, "margin": 4.1, "lines_margin": 4.1}
    seen = {"ends": 0.1, "sense": 3.1, "nozzle": 0.1, "seen": 0.95, "score": 10.0}
    return labelled(**{**plain, **seen, **changes})


@pytest.mark.parametrize(
    ("changes", "any_score", "enough"),
    [
        ({}, 10.0, True),
        ({}, 11.4, True),
        ({}, 11.6, False),
        ({"margin": 3.9}, 10.0, False),
        ({"lines_margin": 3.9}, 10.0, False),
        ({"ends": -0.1}, 10.0, False),
        ({"sense": 2.9}, 10.0, False),
        ({"nozzle": -0.1}, 10.0, False),
        ({"seen": 0.91}, 10.0, True),
        ({"seen": 0.89}, 10.0, False),
        ({"size": -5.1}, 10.0, False),
        ({"against": 1.9}, 10.0, True),
        ({"against": 2.1}, 10.0, False),
    ],
)
def test_a_stated_syringe_settles_what_nothing_contradicts(
    changes: dict[str, object], any_score: float, enough: bool
) -> None:
    """*any_score*: of the likeliest labelling of any syringe, against 10."""
    free = labelled(score=any_score)
    assert sureness.is_as_stated(as_stated(**changes), free) == enough
