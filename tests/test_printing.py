"""What is customary in print on barrels: thickness of lines, height of digits, scales made.

Where a check rests on custom it says so; the physics (light held back by a line does not
depend on blur) is checked against drawn lines of known width.
"""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drawmark.vision.printing import (
    GAMMA,
    LOG_NOT_MEASURED,
    LOG_SIZE_MOST,
    LOG_UNUSUAL,
    custom,
    line_width,
    size_of_digits,
    size_of_lines,
)
from drawmark.vision.scales import outer_radius_mm

#: Outer radius, mm, and length of the scale, mm, of usual barrels by capacity, mL, such that the
#: bore (1 mm of wall) holds the volume: common practice, no source.
BARRELS = {1.0: (3.3, 60.0), 2.0: (5.2, 36.0), 3.0: (5.3, 52.0), 5.0: (7.0, 44.0),
           10.0: (8.6, 55.0), 20.0: (10.9, 65.0), 50.0: (14.8, 84.0)}  # fmt: skip


def drawn(
    width_px: float,
    *,
    blur: float = 0.0,
    ink: float = 0.06,
    pitch: float = 12.0,
    noise: float = 0.0,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, float]:
    """A flat surface with lines, radius 60 px: flat, x, phi, places of lines, pitch (radii)."""
    radius, fine = 60, 20
    columns = np.arange(600 * fine) / fine
    light = np.full(columns.shape, 0.6)
    centres = 60.25 + pitch * np.arange(30)
    for c in centres:
        light[np.abs(columns - c) < width_px / 2] = 0.6 * ink
    row = light.reshape(600, fine).mean(1)[None]
    if blur:
        row = cv2.GaussianBlur(row, (0, 0), blur)
    flat = np.repeat(255 * row ** (1 / GAMMA), 180, axis=0)
    flat[:60] = 255 * 0.6 ** (1 / GAMMA)  # where there are no lines
    flat += np.random.default_rng(1).normal(0, noise, flat.shape) if noise else 0.0
    x = np.arange(600) / radius
    phi = np.radians(np.linspace(-86, 86, 180))
    # the centre of pixel 0 is at half a pixel
    return flat.astype(np.float32), x, phi, (centres - 0.5) / radius, pitch / radius


@pytest.mark.parametrize("width_px", [0.8, 1.5, 3.0])
@pytest.mark.parametrize("blur", [0.0, 0.8, 1.6])
def test_width_of_lines_does_not_depend_on_blur(width_px: float, blur: float) -> None:
    flat, x, phi, lines, pitch = drawn(width_px, blur=blur)
    got = line_width(flat, x, phi, lines, pitch)
    assert got is not None
    assert got * 60 == pytest.approx(0.94 * width_px, rel=0.12)


def test_width_of_lines_bears_noise_and_pale_ink_only_makes_it_less() -> None:
    black = line_width(*drawn(2.0, blur=0.8, noise=4.0))
    pale = line_width(*drawn(2.0, blur=0.8, ink=0.5))
    assert black is not None
    assert pale is not None
    assert black * 60 == pytest.approx(2.0, rel=0.2)
    assert 0.4 < pale / black < 0.75


def test_no_width_without_lines_that_stand_free() -> None:
    flat, x, phi, lines, pitch = drawn(2.0)
    assert line_width(flat, x, phi, lines[:3], pitch) is None
    assert line_width(np.zeros_like(flat), x, phi, lines, pitch) is None


@pytest.mark.parametrize(("capacity", "barrel"), BARRELS.items())
def test_the_radius_follows_from_volume_and_length(
    capacity: float, barrel: tuple[float, float]
) -> None:
    radius, length = barrel
    assert outer_radius_mm(capacity, length / radius) == pytest.approx(radius, rel=0.06)


@pytest.mark.parametrize("capacity", [1.0, 3.0, 5.0, 10.0])
@pytest.mark.parametrize("line_mm", [0.2, 0.25, 0.3, 0.35])
def test_thick_lines_speak_against_ten_times_the_capacity(capacity: float, line_mm: float) -> None:
    """Lines of 0.2 to 0.35 mm are printed on barrels of all sizes: common practice, no source."""
    radius, length = BARRELS[capacity]
    seen = line_mm / radius
    tenfold = outer_radius_mm(10 * capacity, length / radius)
    against = size_of_lines(seen * tenfold) - size_of_lines(seen * radius)
    assert against < -0.7
    if line_mm >= 0.3:
        assert against < -3.5


@pytest.mark.parametrize("capacity", [10.0, 20.0, 50.0])
def test_high_digits_speak_against_ten_times_low_ones_against_a_tenth(capacity: float) -> None:
    """Digits of some 2 mm on 1 mL and 4 mm on 50 mL: common practice, no source."""
    radius, length = BARRELS[capacity]
    slim_radius, slim_length = BARRELS[capacity / 10]
    tenth = outer_radius_mm(capacity / 10, length / radius)
    seen = {1.0: 2.0, 2.0: 2.4, 3.0: 2.4, 5.0: 2.9, 10.0: 3.1, 20.0: 3.5, 50.0: 4.2}
    height = seen[capacity] / radius
    assert size_of_digits(height * tenth, tenth) < size_of_digits(height * radius, radius) - 0.3
    tenfold = outer_radius_mm(capacity, slim_length / slim_radius)
    high = seen[capacity / 10] / slim_radius
    right = size_of_digits(high * slim_radius, slim_radius)
    assert size_of_digits(high * tenfold, tenfold) < right - 0.3


def test_lines_thinner_than_any_are_not_measured_and_say_little() -> None:
    assert size_of_lines(0.02) == size_of_lines(0.06) == LOG_NOT_MEASURED
    assert size_of_lines(0.9) < LOG_NOT_MEASURED  # three times as thick as any is another matter


@given(st.floats(0.01, 5), st.floats(0.3, 20), st.floats(2, 25))
def test_sizes_never_speak_for_a_scale_and_are_bounded(
    line_mm: float, digit_mm: float, radius_mm: float
) -> None:
    assert LOG_SIZE_MOST <= size_of_lines(line_mm) <= 0.0
    assert LOG_SIZE_MOST <= size_of_digits(digit_mm, radius_mm) <= 0.0


@pytest.mark.parametrize(
    "usual",
    [(1.0, 0.01, 0.1), (2.5, 0.1, 0.5), (3.0, 0.1, 0.5), (5.0, 0.2, 1.0), (6.0, 0.2, 1.0),
     (10.0, 0.2, 1.0), (10.0, 0.5, 1.0), (12.0, 0.2, 1.0), (12.0, 0.5, 2.0), (20.0, 1.0, 5.0),
     (24.0, 1.0, 5.0), (30.0, 1.0, 5.0), (50.0, 1.0, 10.0), (60.0, 1.0, 10.0), (60.0, 2.0, 10.0)],
)  # fmt: skip
def test_usual_scales_bear_no_penalty(usual: tuple[float, float, float]) -> None:
    """Common practice, no source."""
    assert custom(*usual) == 0.0


@pytest.mark.parametrize(
    "unusual",
    [(50.0, 5.0, 10.0), (60.0, 5.0, 10.0), (12.0, 0.25, 5.0), (24.0, 2.0, 10.0), (5.0, 0.05, 1.0)],
)
def test_unusual_scales_are_doubted_not_excluded(unusual: tuple[float, float, float]) -> None:
    """Common practice, no source."""
    assert custom(*unusual) == LOG_UNUSUAL
    assert -5 < LOG_UNUSUAL < 0
