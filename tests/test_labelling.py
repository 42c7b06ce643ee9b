"""Which volume each line stands for: the scales supposed, and what speaks for each."""

from __future__ import annotations

import inspect
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drawmark.vision import scales as scales_module
from drawmark.vision import sureness
from drawmark.vision.labelling import Labelling, _Hypothesis, _is_clear, _longer
from drawmark.vision.line_witness import _core, _ends_missing, _long_lines, solid_ends
from drawmark.vision.numeral_witness import Numerals, cut_by_limb
from drawmark.vision.numerals import NumeralRow
from drawmark.vision.numerals_net import LABEL_INDEX, LABELS, NONE_LABEL
from drawmark.vision.scales import (
    LEAST_LENGTH_50_MM,
    LEAST_LENGTH_MM,
    MAX_LINES,
    MIN_LINES,
    Scale,
    scales,
    slenderness,
)

#: Table 1 of ISO 7886-1:1993, least length of the scale to the nominal capacity line, mm, by
#: the least capacity of the class, mL.  From memory, not compared with a copy of the standard.
TABLE_1_LENGTH_MM = {1: 57, 2: 27, 5: 36, 10: 44, 20: 52, 30: 67, 50: 75}
#: Table 1 of ISO 7886-1:1993, greatest scale interval, mL.  From memory likewise.
TABLE_1_INTERVAL_ML = {1: 0.05, 2: 0.2, 5: 0.5, 10: 1.0, 20: 2.0, 30: 2.0, 50: 5.0}


def length_radii(capacity_ml: float, length_mm: float, wall_mm: float = 1.0) -> float:
    """Length of a scale in outer radii, from its volume: bore area times length."""
    bore_mm = np.sqrt(capacity_ml * 1000 / (np.pi * length_mm))
    return length_mm / (bore_mm + wall_mm)


def scale(largest_ml: float) -> Scale:
    return Scale(largest_ml, largest_ml / 20, largest_ml / 4)


@pytest.mark.parametrize(("capacity", "length_mm"), TABLE_1_LENGTH_MM.items())
def test_the_least_lengths_are_those_of_the_table(capacity: float, length_mm: float) -> None:
    least = next((mm for below, mm in LEAST_LENGTH_MM if capacity < below), LEAST_LENGTH_50_MM)
    assert least == length_mm


def test_what_comes_from_memory_says_so() -> None:
    source = inspect.getsource(scales_module)
    comment = source[: source.index("LEAST_LENGTH_MM = ")].splitlines()[-4:]
    assert "from memory" in " ".join(comment)
    assert "ISO 7886-1:1993" in " ".join(comment)


@pytest.mark.parametrize(("capacity", "least_mm"), TABLE_1_LENGTH_MM.items())
@pytest.mark.parametrize("stretch", [1.0, 1.3, 1.6, 2.0])
def test_a_barrel_of_the_standard_is_not_penalised(
    capacity: float, least_mm: float, stretch: float
) -> None:
    seen = length_radii(capacity, stretch * least_mm)
    assert slenderness(scale(capacity), seen) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("capacity", [2.0, 2.5, 3.0, 5.0, 6.0, 10.0, 12.0])
@pytest.mark.parametrize("stretch", [1.0, 1.25, 1.5])
def test_reading_a_tenth_of_what_is_there_is_penalised(capacity: float, stretch: float) -> None:
    """A lost decimal point turned round: 10 mL read as 1 mL would need a stubby 1 mL barrel."""
    classes = [c for c in TABLE_1_LENGTH_MM if c <= capacity]
    seen = length_radii(capacity, stretch * TABLE_1_LENGTH_MM[max(classes)])
    assert slenderness(scale(capacity / 10), seen) < -4.0
    assert slenderness(scale(capacity), seen) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("capacity", [0.5, 1.0])
@pytest.mark.parametrize("stretch", [1.15, 1.5])
def test_reading_tenfold_on_a_slender_barrel_is_penalised(capacity: float, stretch: float) -> None:
    """A 1 mL barrel is far too slender for 10 mL: the accident of a lost decimal point."""
    seen = length_radii(capacity, stretch * TABLE_1_LENGTH_MM[1])
    assert slenderness(scale(10 * capacity), seen) < -4.0


@given(st.floats(0.5, 100), st.floats(0.5, 40))
def test_slenderness_never_speaks_for_a_scale(capacity: float, seen: float) -> None:
    """It may object, up to a limit; it is no evidence for one of those that fit."""
    assert -12.0 <= slenderness(scale(capacity), seen) <= 0.0


def test_slenderness_solves_the_cylinder() -> None:
    """A scale just too long or too short is where the length in millimetres says so."""
    low, high = scales_module.LENGTH_SHARE
    for capacity, least in ((5.0, 36.0), (20.0, 52.0)):
        for share, inside in ((low * 1.01, True), (low * 0.95, False), (high * 0.99, True)):
            got = slenderness(scale(capacity), length_radii(capacity, share * least))
            assert (got == 0.0) is inside
        assert slenderness(scale(capacity), length_radii(capacity, 1.05 * high * least)) < 0


def test_all_scales_are_whole() -> None:
    found = list(scales())
    assert len(found) > 100
    assert len(set(found)) == len(found)
    for s in found:
        assert s.intervals * s.interval_ml == pytest.approx(s.largest_ml, rel=1e-9)
        assert s.per_number * s.interval_ml == pytest.approx(s.numbered_ml, rel=1e-9)
        assert MIN_LINES <= s.intervals <= MAX_LINES
        assert 2 <= s.per_number <= 25


@pytest.mark.parametrize(("capacity", "interval"), TABLE_1_INTERVAL_ML.items())
def test_the_coarsest_scales_of_the_standard_are_among_them(
    capacity: float, interval: float
) -> None:
    assert any(s.largest_ml == capacity and s.interval_ml == interval for s in scales())


@pytest.mark.parametrize(
    "printed",
    [
        (1.0, 0.01, 0.1),
        (2.5, 0.1, 0.5),
        (3.0, 0.1, 0.5),
        (5.0, 0.2, 1.0),
        (6.0, 0.2, 1.0),
        (12.0, 0.2, 1.0),
        (10.0, 0.5, 1.0),
        (24.0, 1.0, 5.0),
        (60.0, 1.0, 10.0),
        (50.0, 1.0, 10.0),
    ],
)
def test_usual_scales_are_among_them(printed: tuple[float, float, float]) -> None:
    """Common practice, no source."""
    assert Scale(*printed) in set(scales())


def test_a_told_interval_restricts_and_a_told_capacity_does_not() -> None:
    told = list(scales(interval_ml=0.2))
    assert told
    assert {s.interval_ml for s in told} == {0.2}
    assert set(scales(10.0)) == set(scales())


def test_solid_ends_bridge_a_stopper_and_drop_lone_finds() -> None:
    lines = np.zeros(80)
    lines[20:61] = 0.9
    lines[35:43] = 0.05  # the stopper
    lines[3] = lines[75] = 1.0  # shoulder and flange
    first, last = solid_ends(lines, hidden=12)
    assert first in (20, 21)
    assert last in (59, 60)


def test_solid_ends_leave_a_group_that_is_further_than_a_stopper() -> None:
    lines = np.zeros(90)
    lines[10:50] = 0.9
    lines[75:85] = 0.9  # print of another kind
    first, last = solid_ends(lines, hidden=12)
    assert first in (10, 11)
    assert last in (48, 49)


def test_solid_ends_of_few_lines_do_not_fail() -> None:
    lines = np.zeros(30)
    lines[[4, 14, 24]] = 0.8
    assert solid_ends(lines, hidden=12) == (4, 24)


def test_solid_ends_bridge_a_stopper_with_ragged_edges() -> None:
    """Beside a stopper a line has neighbours on one side only, and cone and rod hide more."""
    lines = np.zeros(60)
    lines[10:35] = 0.9
    lines[[15, 22]] = 0.4  # a cone's edge, a meniscus
    lines[17:22] = 0.1
    first, last = solid_ends(lines, hidden=6)
    assert first in (10, 11)
    assert last in (33, 34)


def test_the_core_is_the_dense_stretch_whatever_lies_about() -> None:
    """A comb of 25 lines; beyond it chance finds of like strength, one in four, to both sides."""
    rng = np.random.default_rng(7)
    strength = rng.uniform(0, 0.05, 150)
    strength[::4] += rng.uniform(0, 0.5, 38)
    strength[60:85] = rng.uniform(0.4, 0.6, 25)
    strength[70:74] = 0.05  # a stopper
    found = _core(strength)
    assert 56 <= found.start <= 61
    assert 84 <= found.stop <= 89


def test_the_core_of_nothing_is_everything() -> None:
    assert _core(np.zeros(30)) == slice(0, 30)


def row_at(azimuth_deg: float, rotation: int) -> tuple[NumeralRow, np.ndarray]:
    """A row of digits 0.4 radii high on a flat picture of 60 px to a radius."""
    phi = np.radians(-86) + np.arange(180) / 60
    y = (np.radians(azimuth_deg) - phi[0]) * 60
    return NumeralRow(np.zeros((180, 400), np.float32), rotation, 24.0, y, 0.0, 3.0, []), phi


@pytest.mark.parametrize(
    ("azimuth", "rotation", "hidden"),
    [(0, 90, (False, False)), (70, 90, (False, True)), (-70, 90, (True, False)),
     (70, 270, (True, False)), (-70, 270, (False, True)), (70, 0, (False, False)),
     (-70, 180, (False, False))],
)  # fmt: skip
def test_the_limb_hides_the_end_of_a_word_or_its_beginning(
    azimuth: float, rotation: int, hidden: tuple[bool, bool]
) -> None:
    """Geometry: turned by 90 degrees counter-clockwise, a word runs towards +phi."""
    assert cut_by_limb(*row_at(azimuth, rotation)) == hidden


def from_the_side(degrees: float) -> dict[str, object]:
    """A row of numerals at this azimuth."""
    flat = np.zeros((3, 3), np.float32)
    phi = np.radians(np.arange(-86.0, 87.0))
    return {"row": NumeralRow(flat, 0, 20.0, degrees + 86.0, 0.0, 9.0, []), "flat_phi": phi}


def labelled(**changes: object) -> Labelling:
    sure = Labelling(Scale(5.0, 0.2, 1.0), 0, 1, 20.0, 9.0, 15.0, None, np.zeros(2), np.zeros(2),
                     ((5, 1.0, 0.9), (10, 2.0, 0.9)), 0.9, supporting=2)  # fmt: skip
    return replace(sure, **changes)  # type: ignore[arg-type]


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
    ],
)
def test_a_labelling_is_sure_by_its_lead_and_by_what_speaks_for_it(
    changes: dict[str, object], sure: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sureness, "reads_better_mirrored", lambda *_: False)
    assert sureness.is_sure(labelled(**changes), None) is sure  # type: ignore[arg-type]


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
    ("changes", "clear"),
    [({}, True), ({"read": ((5, 1.0, 0.9),)}, False), ({"against": 1.1}, False),
     ({"margin": 4.9}, False), ({"numeral_score": 7.9}, False)],
)  # fmt: skip
def test_numerals_are_looked_for_again_until_they_are_read_and_agree(
    changes: dict[str, object], clear: bool
) -> None:
    assert _is_clear(labelled(**changes)) is clear


class PrintedRow:
    """A row of which every tenth line carries one of *texts*, each read with probability *p*."""

    def __init__(self, texts: list[str], p: float = 0.95) -> None:
        self.texts, self.p = texts, p

    def log_probs_at(self, columns: np.ndarray) -> np.ndarray:
        out = np.full((len(columns), len(LABELS)), 1e-5)
        for probs, column in zip(out, columns, strict=True):
            text = self.texts[int(column) // 10] if int(column) % 10 == 0 else NONE_LABEL
            probs[LABEL_INDEX[text]] = self.p
            probs[LABEL_INDEX[NONE_LABEL]] += 1 - self.p
        return np.log(out)


def witnesses(texts: list[str], scale: Scale, zero: int = 0, length: int = 51) -> tuple[int, float]:
    k = np.arange(length)
    row = PrintedRow(texts)
    numerals = Numerals(row, k, np.ones(length), 1.0, (False, True))  # type: ignore[arg-type]
    return numerals.witnesses(k, scale, zero, 1)


def test_numerals_speak_for_a_scale_and_against_it() -> None:
    five = Scale(5.0, 0.1, 1.0)
    speaking, against = witnesses(["0", "1", "2", "3", "4", "5"], five)
    assert (speaking, against) == (5, 0.0)
    # ones that are lines: the same word five times is no row of numerals
    teens = Scale(15.0, 0.1, 1.0)
    ones = ["0", *map(str, range(1, 10)), *["1"] * 6]
    assert witnesses([NONE_LABEL] * 10 + ones[10:], teens, length=151)[0] == 1
    speaking, against = witnesses(["0", "1", "2", "4", "5", "6"], five)
    assert speaking == 2
    assert against == pytest.approx(2.85, abs=0.01)
    # the first line is no zero line
    assert witnesses(["1", "2", "3", "4", "5", "6"], five, zero=-10)[1] == 0.0
    assert witnesses(["1", "2", "3", "4", "5", "6"], five)[1] == pytest.approx(5.7, abs=0.02)


def test_a_lost_point_speaks_for_a_scale_only_in_the_whole_row() -> None:
    half = Scale(0.5, 0.01, 0.1)
    assert witnesses([NONE_LABEL, "1", "2", "3", "4", "5"], half) == (5, 0.0)
    # four with their point, one without: that one does not speak for it, nor against
    assert witnesses([NONE_LABEL, "0.1", "0.2", "3", "0.4", "0.5"], half) == (4, 0.0)


def test_a_scale_goes_on_where_the_stopper_is_beyond_its_last_line() -> None:
    longer = (Scale(12.0, 0.2, 1.0), Scale(6.0, 0.2, 1.0))
    five = labelled(longer=longer)
    assert five.reaching(4.9) is five
    assert five.reaching(5.09) is five  # no more than the reading's error
    assert five.reaching(5.5).scale == longer[0]  # the likeliest of those that reach
    assert five.reaching(11.0).scale == longer[0]
    assert five.reaching(30.0).scale == five.scale
    assert labelled().reaching(5.5).scale == five.scale
    on = five.reaching(5.5)
    assert float(on.value_ml(13)) == float(five.value_ml(13))


def test_a_scale_may_go_on_unseen_only_as_far_as_the_stopper_hides_it() -> None:
    six = Scale(6.0, 0.2, 1.0)
    five = labelled(longer=(six,), next_seen=False)
    # the next line, 5.2 mL, lies 0.5 mL before the fiducial line
    assert five.reaching(5.7, 0.6).scale == six
    assert five.reaching(5.7, 0.4).scale == five.scale
    assert five.reaching(5.09, 0.6) is five
    assert five.reaching(5.7, 0.6).longer == ()


def test_an_overdrawn_stopper_is_no_longer_scale() -> None:
    """Where neither the line after the last nor an end is seen a scale may go on, hidden."""
    five = _Hypothesis(Scale(5.0, 0.2, 1.0), 3, 1, 20.0, 6.0, 0.0)
    six = replace(five, scale=Scale(6.0, 0.2, 1.0), lines=15.0)
    far = replace(five, scale=Scale(10.0, 0.2, 1.0), lines=9.0)
    other = replace(six, zero_k=4)
    scored = [(h.lines, 0.0, h) for h in (five, six, other, far)]
    k = np.arange(-5, 45)
    lines = ((k >= 3) & (k <= 28)).astype(float)  # none after the last one
    assert _longer(scored, k, lines) == ((six.scale,), False)
    with_end = replace(five, ends=1.2)
    ended = [(h.lines, 0.0, h) for h in (with_end, six, other, far)]
    assert _longer(ended, k, lines) == ((), False)
    longer, next_seen = _longer(ended, k, lines)
    assert labelled(longer=longer, next_seen=next_seen).reaching(5.5, 1.0).scale.largest_ml == 5.0
    lines[k == 29] = 0.6
    assert _longer(scored, k, lines) == ((six.scale,), True)
    assert _longer(ended, k, lines) == ((six.scale,), True)


@pytest.mark.parametrize("every", [4, 10, 20])
def test_lines_half_way_between_numbers_may_be_as_long(every: int) -> None:
    """Numbered lines and those half-way are longer: the numbered scale is not refused for it."""
    k = np.arange(8 * every + 1)
    long = k % (every // 2) == 0
    presence = np.stack([np.full(len(k), 0.8), np.where(long, 0.8, 0.0)], axis=1)
    printed = SimpleNamespace(presence=presence)
    seen = np.ones(len(k))

    def evidence(period: int, phase: int) -> float:
        return float(_long_lines(printed, seen, k, period, phase).sum())  # type: ignore[arg-type]

    right = evidence(every, 0)
    assert right > 0
    for phase in range(1, every):
        if phase % (every // 2):
            assert evidence(every, phase) < right - 3
    # a scale with numbers at all of the long lines is likelier by them, not by much
    assert 0 < evidence(every // 2, 0) - right < 1.6 * 8 + 1e-9


def test_missing_ends_count_and_missing_middles_do_not() -> None:
    lines = np.full(40, 0.9)

    def missing(there: np.ndarray) -> float:
        return float(_ends_missing(there, np.array(5), np.array(35)))

    assert missing(lines) == 0.0
    gap = lines.copy()
    gap[15:25] = 0.0
    assert missing(gap) == 0.0
    one, two, five = lines.copy(), lines.copy(), lines.copy()
    one[5] = two[5:7] = five[5:10] = 0.0
    assert 0 > missing(one) > missing(two)
    assert missing(five) == missing(two)
    both = one.copy()
    both[34] = 0.0
    assert missing(both) == pytest.approx(2 * missing(one))


@given(
    st.integers(-50, 50),
    st.sampled_from([-1, 1]),
    st.sampled_from(sorted(scales(), key=lambda s: (s.largest_ml, s.interval_ml, s.numbered_ml))),
    st.floats(0, 1),
)
def test_volumes_and_line_numbers_are_inverse(
    zero: int, direction: int, printed: Scale, share: float
) -> None:
    found = Labelling(printed, zero, direction, 0.0, 0.0, 0.0, None, np.zeros(2), np.zeros(2), ())
    volume = share * printed.largest_ml
    assert float(found.value_ml(found.k(volume))) == pytest.approx(volume, abs=1e-9)
    assert float(found.value_ml(zero)) == 0.0
    assert float(found.value_ml(zero + direction)) == pytest.approx(printed.interval_ml)
