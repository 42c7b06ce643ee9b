"""What numerals say for a scale and against it."""

from __future__ import annotations

import numpy as np
import pytest

from drawmark.vision.numeral_witness import Numerals, cut_by_limb
from drawmark.vision.numerals import NumeralRow
from drawmark.vision.numerals_net import LABEL_INDEX, LABELS, NONE_LABEL
from drawmark.vision.scales import Scale


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
