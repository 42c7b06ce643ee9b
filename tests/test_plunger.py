"""The finder's peak, and what the barrel's wall does to a ring seen through it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drawmark.vision import plunger
from drawmark.vision.cylinder import Camera, Cylinder
from drawmark.vision.edge_net import Edge
from drawmark.vision.photo import photo_from_pixels
from drawmark.vision.plunger import (
    BORE_SHARE,
    GAP,
    INDEX,
    LIMB_DEG,
    TRAILING,
    WIDTH,
    _triples,
    _two_rings,
    peak_of,
    wall_refraction,
)
from drawmark.vision.reading import MAX_LINE_SD

X = np.arange(0, 8, 1 / 24)


def belief(*peaks: tuple[float, float, float], absent: float = 0.0) -> np.ndarray:
    """Log-probabilities of Gaussians (place, sd, share) with the rest evenly spread."""
    p = np.full(len(X), 1e-9)
    for place, sd, share in peaks:
        bell = np.exp(-0.5 * ((X - place) / sd) ** 2)
        p += share * bell / bell.sum()
    return np.log(p / p.sum() * (1 - absent))


@given(st.floats(0.5, 7.5), st.floats(0.035, 0.06))
def test_a_single_peak_is_found_between_columns(place: float, sd: float) -> None:
    found, mass = peak_of(belief((place, sd, 1.0)), X)
    assert found == pytest.approx(place, abs=0.01)
    assert mass > 0.97


def test_the_volume_may_run_against_x() -> None:
    p = belief((2.3, 0.05, 1.0))
    found, mass = peak_of(p[::-1], X[::-1])
    assert found == pytest.approx(2.3, abs=0.005)
    assert mass > 0.97


def test_a_second_peak_takes_its_share_of_the_mass_but_moves_nothing() -> None:
    alone, _ = peak_of(belief((2.3, 0.045, 1.0)), X)
    found, mass = peak_of(belief((2.3, 0.045, 0.6), (5.0, 0.045, 0.4)), X)
    assert found == pytest.approx(alone, abs=1e-6)
    assert mass == pytest.approx(0.6, abs=0.02)


def test_the_higher_of_two_peaks_wins_whatever_its_side() -> None:
    for low, high in ((2.0, 5.0), (5.0, 2.0)):
        found, _ = peak_of(belief((low, 0.045, 0.35), (high, 0.045, 0.65)), X)
        assert found == pytest.approx(high, abs=0.01)


def test_what_the_net_calls_absent_is_missing_from_the_mass() -> None:
    _, mass = peak_of(belief((4.0, 0.045, 1.0), absent=0.5), X)
    assert mass == pytest.approx(0.5, abs=0.02)


def test_a_flat_belief_has_no_mass() -> None:
    _, mass = peak_of(np.full(len(X), -np.log(len(X))), X)
    assert mass < 0.06


def test_a_peak_at_the_very_end_is_no_error() -> None:
    for place in (X[0], X[-1]):
        found, mass = peak_of(belief((place, 0.045, 1.0)), X)
        assert abs(found - place) < 0.06
        assert mass > 0.9


def barrel(tilt_deg: float, angle: float = 0.4) -> Cylinder:
    """A barrel far from the camera, so that every ray has the same direction."""
    camera = Camera(400_000.0, 900.0, 700.0)
    return Cylinder(camera, (900.0, 700.0), angle, 0.0, np.radians(tilt_deg), 100.0)


@pytest.mark.parametrize("direction", [-1, 1])
def test_a_square_view_needs_no_correction(direction: int) -> None:
    assert wall_refraction(barrel(0.0), 0.0, direction) == pytest.approx(0.0, abs=1e-9)


@given(st.floats(0.5, 25), st.sampled_from([-1, 1]))
def test_the_correction_turns_with_the_view_and_with_the_scale(tilt: float, way: int) -> None:
    there = wall_refraction(barrel(tilt), 0.0, way)
    assert wall_refraction(barrel(-tilt), 0.0, way) == pytest.approx(-there, rel=1e-3)
    assert wall_refraction(barrel(tilt), 0.0, -way) == pytest.approx(-there, rel=1e-12)
    # a ray that goes on along +x meets the bore further along +x than it met the outside
    assert np.sign(there) == way


def refract(ray: np.ndarray, normal: np.ndarray, ratio: float) -> np.ndarray:
    """Snell's law for a unit *ray* against the unit *normal* that opposes it (vector form)."""
    c = -ray @ normal
    return ratio * ray + (ratio * c - np.sqrt(1 - ratio**2 * (1 - c * c))) * normal


def traced_shift(tilt: float, phi: float) -> float:
    """Axial way of a ray from the outer surface (radius 1) to the bore, by tracing it."""
    ray = np.array([np.sin(tilt), 0.0, -np.cos(tilt)])  # x along the axis, z to the camera
    start = np.array([0.0, np.sin(phi), np.cos(phi)])
    inside = refract(ray, start, 1 / INDEX)
    a = inside[1:] @ inside[1:]
    b = start[1:] @ inside[1:]
    c = start[1:] @ start[1:] - BORE_SHARE**2
    return float((-b - np.sqrt(b * b - a * c)) / a * inside[0])


@pytest.mark.parametrize("tilt_deg", [-15, -5, 2, 10, 20])
def test_the_correction_is_that_of_a_traced_ray(tilt_deg: float) -> None:
    """Against Snell's law in space, at the middle of the azimuths that are looked at."""
    tilt = np.radians(tilt_deg)
    traced = traced_shift(tilt, np.radians(np.mean(LIMB_DEG)))
    assert wall_refraction(barrel(tilt_deg), 0.0, 1) == pytest.approx(traced, rel=0.08)
    # and over all those azimuths the ray's way does not differ by more than what the budget
    # holds against the wall at ten degrees
    both = [traced_shift(tilt, np.radians(d)) for d in LIMB_DEG]
    assert abs(both[0] - both[1]) < 0.1 * abs(np.tan(tilt))


@given(st.lists(st.integers(0, 240), unique=True, max_size=30).map(sorted))
def test_every_triple_of_edges_within_reach_is_tried(edges: list[int]) -> None:
    u = -0.45 + 0.01 * np.arange(245)
    expected = [
        (a, b, c)
        for a in edges
        if TRAILING[0] < u[a] < TRAILING[1]
        for b in edges
        if u[a] + GAP[0] < u[b] < u[a] + GAP[1]
        for c in edges
        if u[b] + WIDTH[0] < u[c] < u[b] + WIDTH[1]
    ]
    found = _triples(np.array(edges, int), u)
    assert list(zip(*(each.tolist() for each in found), strict=True)) == expected


@pytest.mark.parametrize("direction", [-1, 1])
@pytest.mark.parametrize("width", [0.09, 0.14])
def test_two_dark_rings_are_found_with_their_spacing(width: float, direction: int) -> None:
    """The second ring's width, taken from the front one's trailing edge, gives the leading one."""
    radius_px, lead, spacing = 80.0, -0.03, 0.6
    picture = np.full((400, 700, 3), 190, np.uint8)
    columns = (np.arange(700) - 350.0) / radius_px * direction
    for start in (lead, lead + spacing):
        picture[:, (columns >= start) & (columns < start + width)] = 45
    # next to no perspective: lines across the barrel are straight
    cylinder = Cylinder(Camera(1e6, 349.5, 199.5), (350.0, 199.5), 0.0, 0.0, 0.0, radius_px)
    found = _two_rings(photo_from_pixels(picture), cylinder, 0.0, direction)
    assert found is not None
    assert found.lead == pytest.approx(lead, abs=1.0 / radius_px)
    assert found.spacing == pytest.approx(spacing, abs=1.0 / radius_px)


def test_where_nothing_is_printed_or_sealed_there_are_no_rings() -> None:
    plain = photo_from_pixels(np.full((400, 700, 3), 190, np.uint8))
    cylinder = Cylinder(Camera(1e6, 349.5, 199.5), (350.0, 199.5), 0.0, 0.0, 0.0, 80.0)
    assert _two_rings(plain, cylinder, 0.0, 1) is None


@pytest.mark.parametrize(("mass", "sd"), [(1.0, 0.012), (0.97, 0.09), (0.86, 0.15)])
def test_a_finder_in_doubt_widens_the_line_and_never_without_end(
    mass: float, sd: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without a second ring; the edge net's own share is small here."""
    sure = Edge(0.0, 0.0156, 1.0)
    monkeypatch.setattr(plunger, "find_edge", lambda *_: sure)
    monkeypatch.setattr(plunger, "_two_rings", lambda *_: None)
    plain = photo_from_pixels(np.full((400, 700, 3), 190, np.uint8))
    line = plunger.measure_ring(plain, barrel(0.0), 0.0, mass, 1)
    assert line.sd == pytest.approx(sd, rel=0.15)
    assert line.sd < MAX_LINE_SD
