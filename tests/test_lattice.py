"""The pitch of graduation lines on flat pictures drawn here."""

from __future__ import annotations

import numpy as np
import pytest

from drawmark.vision.graduations import CLEAR_EVIDENCE, DOUBTFUL_EVIDENCE
from drawmark.vision.lattice import MAX_PITCH, MIN_PERIODS, find_lattices, window_profiles

RADIUS_PX = 80.0
X = np.arange(-4, 4, 0.5 / RADIUS_PX)
PHI = np.radians(np.arange(-78, 78.5, 1.0))


def flat(
    pitch: float,
    phase: float = 0.03,
    *,
    width: float = 0.02,
    long_every: int = 5,
    noise: float = 0.05,
    missing: tuple[int, ...] = (),
    seed: int = 0,
) -> np.ndarray:
    """Short lines at -20 to 20 degrees, long ones at -20 to 50, over *noise*."""
    rng = np.random.default_rng(seed)
    picture = np.abs(rng.normal(0, noise, (len(PHI), len(X))))
    degrees = np.degrees(PHI)
    short = (degrees > -20) & (degrees < 20)
    long = (degrees > -20) & (degrees < 50)
    first = int(np.ceil((X[0] - phase) / pitch))
    for k in range(first, int((X[-1] - phase) / pitch) + 1):
        if k in missing:
            continue
        line = np.exp(-0.5 * ((X - phase - k * pitch) / width) ** 2)
        picture[long if k % long_every == 0 else short] += line
    return np.minimum(picture, 1.0).astype(np.float32)


def off_the_lines(found: object, pitch: float, phase: float) -> float:
    """Distance of the found phase from the nearest true line, in pitches."""
    return abs((found.lattice.x0 - phase) / pitch - round((found.lattice.x0 - phase) / pitch))


@pytest.mark.parametrize("pitch", [0.08, 0.13, 0.22, 0.4, 0.8])
@pytest.mark.parametrize("phase", [0.0, 0.037])
def test_the_pitch_is_found(pitch: float, phase: float) -> None:
    best = find_lattices(flat(pitch, phase, width=min(0.02, pitch / 8)), X, PHI, RADIUS_PX)[0]
    assert best.lattice.pitch == pytest.approx(pitch, rel=0.006)
    assert off_the_lines(best, pitch, phase) < 0.1
    assert best.score > CLEAR_EVIDENCE
    assert abs(best.phi) < np.radians(55)


@pytest.mark.parametrize("width", [0.006, 0.01, 0.02])
def test_thin_lines_are_not_taken_for_a_finer_comb(width: float) -> None:
    """Lines much thinner than their distance have harmonics as strong as the fundamental."""
    pitch = 0.5
    found = find_lattices(flat(pitch, width=width, long_every=1), X, PHI, RADIUS_PX)
    assert found[0].lattice.pitch == pytest.approx(pitch, rel=0.006)
    for other in found:
        if other.lattice.pitch < 0.9 * pitch:
            assert other.score < found[0].score


def test_a_stopper_that_hides_lines_does_not_change_the_pitch() -> None:
    pitch = 0.2
    hidden = flat(pitch, missing=tuple(range(-3, 6)))
    best = find_lattices(hidden, X, PHI, RADIUS_PX)[0]
    assert best.lattice.pitch == pytest.approx(pitch, rel=0.006)


@pytest.mark.parametrize("number", range(5))
def test_noise_alone_is_no_evidence(number: int) -> None:
    rng = np.random.default_rng(number)
    noise = np.abs(rng.normal(0, 0.2, (len(PHI), len(X)))).astype(np.float32)
    for candidate in find_lattices(noise, X, PHI, RADIUS_PX):
        assert candidate.score < DOUBTFUL_EVIDENCE


def test_a_few_bars_are_no_comb() -> None:
    """Fewer lines than eight on the stretch: a stopper's rings, a flange, a numeral."""
    few = find_lattices(flat(1.5, long_every=1, noise=0.02), X, PHI, RADIUS_PX)
    assert all(c.lattice.pitch <= (X[-1] - X[0]) / MIN_PERIODS * 1.01 for c in few)


def test_candidates_come_best_first_and_within_the_limits() -> None:
    found = find_lattices(flat(0.3), X, PHI, RADIUS_PX)
    assert [c.score for c in found] == sorted((c.score for c in found), reverse=True)
    assert all(0 < c.lattice.pitch <= MAX_PITCH * 1.015 for c in found)


def test_window_profiles_are_plain_means() -> None:
    picture = flat(0.3)
    width = np.radians(14)
    profiles, centres = window_profiles(picture, PHI, width)
    n = 14
    for profile, centre in zip(profiles, centres, strict=True):
        first = int(np.argmin(np.abs(PHI - (centre - width / 2))))
        np.testing.assert_allclose(profile, picture[first : first + n].mean(0), atol=1e-5)
