"""What is customary in print on barrels, as witnesses of the barrel's size and of its scale.

A photograph has no absolute scale, but print has: lines are some 0.2 to 0.4 mm thick and
digits some 2 to 5 mm high on *every* barrel.  Against the barrel's radius they tell a slender
barrel from a stout one, and so speak against a tenfold slip, which no count of lines betrays.
All likelihoods here are wide, because what they rest on is custom (common practice, no
source), and bounded, because print may be made otherwise.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import cv2
import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[Any]

# Thickness of graduation lines, mm, and what of it is measured: ink is not quite black and
# wears.  So a line may look much thinner than it is, but hardly thicker.  Common practice, no
# source.
LINE_MM = 0.25
LINE_LOG_SD_THINNER, LINE_LOG_SD_THICKER = 0.5, 0.3
# Lines only a few pixels apart run into one another, and worn ones are hardly there: then what is
# measured is thinner than the lines of any barrel, and says nothing of this one's size.
LOG_NOT_MEASURED = -2.3
# Height of digits, mm, grows with the square root of the radius, about: some 2 mm at a radius
# of 3.3 mm (1 mL), 4 mm at 15 mm (50 mL).  Common practice, no source.
DIGIT_MM, DIGIT_AT_RADIUS_MM, DIGIT_EXPONENT = 2.0, 3.3, 0.5
DIGIT_LOG_SD = 0.35
LOG_SIZE_MOST = -6.0
# Scale intervals in use, by the largest graduation up to which they are, mL.  Common practice,
# no source.
USUAL_INTERVALS_ML: tuple[tuple[float, tuple[float, ...]], ...] = (
    (0.5, (0.01, 0.02, 0.05)),
    (1.0, (0.01, 0.02, 0.05, 0.1)),
    (3.0, (0.05, 0.1, 0.2)),
    (6.0, (0.1, 0.2, 0.5)),
    (12.0, (0.2, 0.5, 1.0)),
    (25.0, (0.5, 1.0)),
    (35.0, (0.5, 1.0, 2.0)),
    (60.0, (1.0, 2.0)),
    (100.0, (1.0, 2.0, 5.0)),
)
USUAL_INTERVALS_PER_NUMBER = (2, 4, 5, 10, 20)
# Fewer numbers than this are printed on small barrels only.
FEWEST_NUMBERS, FEW_NUMBERS_UP_TO_ML = 4, 3.0
LOG_UNUSUAL = -3.0


def custom(largest_ml: float, interval_ml: float, numbered_ml: float) -> float:
    """Log-likelihood, 0 or `LOG_UNUSUAL`, of a printed scale among those that are made."""
    intervals = next((i for up_to, i in USUAL_INTERVALS_ML if largest_ml <= up_to + 1e-9), ())
    usual = any(abs(interval_ml - i) < 1e-9 for i in intervals)
    usual &= round(numbered_ml / interval_ml) in USUAL_INTERVALS_PER_NUMBER
    few = largest_ml / numbered_ml < FEWEST_NUMBERS - 1e-9
    return 0.0 if usual and not (few and largest_ml > FEW_NUMBERS_UP_TO_ML) else LOG_UNUSUAL


def size_of_lines(width_mm: float) -> float:
    """Log-likelihood, at most 0, of lines that look *width_mm* thick."""
    thicker = np.log(width_mm / LINE_MM)
    z = thicker / (LINE_LOG_SD_THICKER if thicker > 0 else LINE_LOG_SD_THINNER)
    return float(max(-0.5 * z * z, LOG_SIZE_MOST if thicker > 0 else LOG_NOT_MEASURED))


def size_of_digits(height_mm: float, radius_mm: float) -> float:
    """Log-likelihood, at most 0, of digits *height_mm* high on a barrel of outer *radius_mm*."""
    usual = DIGIT_MM * (radius_mm / DIGIT_AT_RADIUS_MM) ** DIGIT_EXPONENT
    z = np.log(height_mm / usual) / DIGIT_LOG_SD
    return float(max(-0.5 * z * z, LOG_SIZE_MOST))


WINDOW = np.radians(6)
OUTERMOST = np.radians(78)
LEAST_LINES = 4
GAMMA = 2.2  # grey levels to light, about


def line_width(flat: Array, x: Array, phi: Array, lines: Array, pitch: float) -> float | None:
    """Width of the printed lines in outer radii, or None where too few stand free.

    *flat* (len(phi), len(x)): grey levels of the outer surface; *lines* (K,): axial places of
    lines that are seen; *pitch*: their distance.  The width is that of an ideally black line
    that would hold back as much light: blur spreads a line but takes nothing from it, so the
    figure does not depend on sharpness.  It is the median over lines, in the second darkest of
    half-overlapping windows of azimuth.
    """
    half = min(0.5 * abs(pitch), 0.13)
    n = max(7, round(4 * half / float(x[1] - x[0])) | 1)
    offsets = np.linspace(-half, half, n)
    places = lines[:, None] + offsets
    edge = max(1, n // 7)
    light = np.asarray(cv2.pow(np.clip(flat, 1, 255) / 255.0, GAMMA))
    found = []
    for start in np.arange(-OUTERMOST, OUTERMOST - WINDOW, WINDOW / 2):
        window = (phi >= start) & (phi < start + WINDOW)
        if not window.any():
            continue
        profile = np.interp(places.ravel(), x, light[window].mean(0)).reshape(places.shape)
        before, after = profile[:, :edge].mean(1), profile[:, -edge:].mean(1)
        level = (before + after) / 2
        # a line before a stopper or at a meniscus is not to be measured
        free = (level > 0.04) & (np.abs(before - after) < 0.2 * level)
        if free.sum() < LEAST_LINES:
            continue
        held_back = (1 - profile[free] / level[free, None]).sum(1) * (offsets[1] - offsets[0])
        found.append(float(np.median(held_back)))
    if len(found) < 2:
        return None
    width = sorted(found)[-2]
    return width if width > 0 else None
