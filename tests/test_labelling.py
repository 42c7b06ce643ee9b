"""Which volume each line stands for, and how far the scale goes on."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from labellings import labelled

from drawmark.vision.labelling import Labelling, _Hypothesis, _is_clear, _longer
from drawmark.vision.scales import Scale, scales


@pytest.mark.parametrize(
    ("changes", "clear"),
    [({}, True), ({"read": ((5, 1.0, 0.9),)}, False), ({"against": 1.1}, False),
     ({"margin": 4.9}, False), ({"numeral_score": 7.9}, False)],
)  # fmt: skip
def test_numerals_are_looked_for_again_until_they_are_read_and_agree(
    changes: dict[str, object], clear: bool
) -> None:
    assert _is_clear(labelled(**changes)) is clear


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
