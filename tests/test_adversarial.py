"""Pictures made to mislead: refused, or read right."""

from __future__ import annotations

import numpy as np
import pytest
from adversarial import CASES, SLOW_KINDS, Case, is_believed, is_right

from drawmark.vision.model import REFUSALS, Reading
from drawmark.vision.photo import photo_from_pixels
from drawmark.vision.reading import read_pixels


def marked(case: Case) -> object:
    marks = [pytest.mark.slow] if case.kind in SLOW_KINDS else []
    return pytest.param(case, id=case.name, marks=marks)


def test_there_are_enough_of_them_and_none_twice() -> None:
    assert len({case.name for case in CASES}) == len(CASES) >= 60
    assert len({case.kind for case in CASES}) >= 20


def test_they_are_the_same_every_time() -> None:
    for case in CASES[:: len(CASES) // 5]:
        assert np.array_equal(case.make(), case.make())


@pytest.mark.parametrize("case", [marked(case) for case in CASES])
def test_refused_or_read_right(case: Case) -> None:
    outcome = read_pixels(photo_from_pixels(case.make()))
    if not isinstance(outcome, Reading):
        assert outcome.reasons[0].code in REFUSALS
        # a wrong scale must be refused for being wrong, not because the stopper was hard to see
        assert case.kind != "wrong scale" or not is_believed(outcome)
        return
    assert is_right(outcome, case.truth), (outcome.volume_ml, outcome.graduated_max_ml, case.truth)
