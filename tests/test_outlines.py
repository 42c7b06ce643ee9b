"""Outlines, points on thick lines and lattices too fine, on pictures drawn here."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from drawmark.vision.barrel import MOST_ENERGY, find_barrels, map_combs
from drawmark.vision.cylinder import Camera, Cylinder
from drawmark.vision.graduations import (
    _outlines_beside,
    _subdivisions,
    _supposed,
    find_graduations,
    look_at,
)
from drawmark.vision.outline_net import REACH, Outlines, _shifted, outline_net
from drawmark.vision.photo import photo_from_pixels
from drawmark.vision.pose import Lattice

WIDTH, HEIGHT = 1200, 800
MIDDLE_Y, RADIUS = 400.0, 60.0


def drawn(
    pitch: float = 15.0, thickness: int = 3, shadow: bool = False, seed: int = 0
) -> np.ndarray:
    """A barrel along x on a light card: lines at 300, 300 + pitch, ...; every fifth is long."""
    rng = np.random.default_rng(seed)
    picture = np.full((HEIGHT, WIDTH), 205.0)
    y = np.arange(HEIGHT)[:, None] - MIDDLE_Y
    x = np.arange(WIDTH)[None, :]
    inside = (np.abs(y) < RADIUS) & (x > 250) & (x < 1000)
    if shadow:
        beside = (y >= RADIUS) & (y < RADIUS + 40) & (x > 250) & (x < 1000)
        picture -= np.where(beside, 50.0 * np.exp(-np.maximum(y - RADIUS, 0) / 15), 0.0)
    picture[inside] = 190.0
    picture[(np.abs(np.abs(y) - RADIUS) < 1.5) & (x > 250) & (x < 1000)] = 150.0
    picture[(np.abs(y) < 0.93 * RADIUS) & (x > 640) & (x < 700)] = 40.0  # a stopper
    for k in range(41):
        at = round(300 + k * pitch)
        half = thickness // 2
        reach = 40 if k % 5 == 0 else 20
        rows = slice(round(MIDDLE_Y - 20), round(MIDDLE_Y + reach))
        picture[rows, at - half : at - half + thickness] = 30.0
        if k % 5 == 0:  # something like a numeral
            picture[round(MIDDLE_Y - 50) : round(MIDDLE_Y - 28), at - 6 : at + 7 : 3] = 40.0
    return np.clip(picture + rng.normal(0, 2, picture.shape), 0, 255).astype(np.uint8)


def seen_as(radius_px: float) -> Cylinder:
    """The drawn barrel, as one might suppose it: five pixels aside, of another radius."""
    camera = Camera(1500.0, (WIDTH - 1) / 2, (HEIGHT - 1) / 2)
    return Cylinder(camera, (600.0, MIDDLE_Y + 5), 0.0, 0.0, 0.0, radius_px)


def colour(gray: np.ndarray) -> np.ndarray:
    return np.repeat(gray[:, :, None], 3, axis=2)


@pytest.mark.parametrize("supposed", [45.0, 60.0, 80.0])
@pytest.mark.parametrize("shadow", [False, True])
def test_outlines_are_found_from_a_poor_guess(supposed: float, shadow: bool) -> None:
    reach = 300 / supposed
    found = outline_net().look(colour(drawn(shadow=shadow)), seen_as(supposed), -reach, reach)
    for wall, side in zip(found.walls, (-1, 1), strict=True):
        np.testing.assert_allclose(wall[:, 1], MIDDLE_Y + side * RADIUS, atol=3.0)
    assert found.share.min() > 0.9
    assert found.sd.max() < 0.05


@pytest.mark.parametrize("level", [60, 120, 200])
def test_a_bare_card_has_no_sure_outlines(level: int) -> None:
    rng = np.random.default_rng(1)
    card = np.clip(level + rng.normal(0, 2, (HEIGHT, WIDTH)), 0, 255).astype(np.uint8)
    found = outline_net().look(colour(card), seen_as(60.0), -5.0, 5.0)
    assert found.sd.max() > 0.06


def test_combs_are_found_band_by_band_as_at_once() -> None:
    """Sums over whole pictures: where bands meet there is no seam."""
    picture = drawn()
    whole = map_combs(picture)
    shifted = map_combs(picture[60:])  # ten cells less, so that the bands lie elsewhere
    inner = np.s_[:, 12:-12, 12:-12]
    a = whole.energies[:, 10:][inner].astype(float) * MOST_ENERGY / 255
    b = shifted.energies[inner].astype(float) * MOST_ENERGY / 255
    assert a.max() > 0.1
    np.testing.assert_allclose(a, b, atol=0.003)


def test_the_best_comb_lies_on_the_scale() -> None:
    best = map_combs(drawn()).combs(1)[0]
    assert abs(best.centre[1] - MIDDLE_Y) < RADIUS
    assert 300 < best.centre[0] < 900
    assert np.sin(best.angle) == pytest.approx(0, abs=0.1)


@pytest.mark.parametrize("thickness", [1, 5])
def test_thick_lines_are_met_in_their_middle(thickness: int) -> None:
    """The scale must not stand aside of the print by a part of the line's width."""
    photo = photo_from_pixels(np.repeat(drawn(thickness=thickness)[:, :, None], 3, axis=2))
    sights = [s for b in find_barrels(photo.gray, 3) if (s := look_at(photo, b)) is not None]
    prospects = [s.middle for s in sights if s.middle is not None]
    fitted = find_graduations(photo, max(prospects, key=lambda p: p.score))
    assert fitted is not None
    pixels = np.stack([300 + 15.0 * np.arange(0, 41, 5), np.full(9, MIDDLE_Y)], axis=-1)
    k = fitted.lattice.k(fitted.cylinder.surface(pixels)[0])
    assert abs(abs(k[-1] - k[0]) - 40) < 0.12
    off_px = (k - np.round(k)) * 15.0
    assert np.abs(np.mean(off_px)) < 0.3
    assert np.abs(off_px).max() < 1.0


def test_an_outline_out_of_the_view_is_told_from_one_inside() -> None:
    """Where a rod is taken for the barrel, its own outlines lie beyond the view."""
    narrow, right = (
        outline_net().look(colour(drawn()), seen_as(radius), -300 / radius, 300 / radius)
        for radius in (24.0, 60.0)
    )
    assert not narrow.inside
    assert right.inside
    assert right.miss == pytest.approx([-65 / 60, 55 / 60], abs=0.05)


def test_the_look_at_a_barrel_starts_from_its_outlines() -> None:
    """The shadow's edge and the bore's may be taken first: the net tells them from the barrel's."""
    photo = photo_from_pixels(colour(drawn(shadow=True)))
    for wrong in (0.7, 1.5):
        first = next(find_barrels(photo.gray, 3))
        sight = look_at(photo, replace(first, radius_px=wrong * RADIUS))
        assert sight is not None
        assert sight.cylinder.radius_px == pytest.approx(RADIUS, rel=0.05)


def test_numerals_half_way_between_lines_are_no_finer_lines() -> None:
    """In every fourth gap something stands: a finer scale has a line in each."""
    rng = np.random.default_rng(2)
    x = np.arange(-4, 4, 0.01)
    profiles = np.clip(rng.normal(0, 0.02, (5, len(x))), 0, 1)
    for k in range(-12, 13):
        profiles[:, np.abs(x - 0.3 * k) < 0.012] = 0.8
        if k % 4 == 0:
            profiles[4, np.abs(x - 0.3 * (k + 0.5)) < 0.012] = 0.8
    lattice, ends = Lattice(0.0, 0.3), (-3.6, 3.6)
    assert _subdivisions(profiles, x, lattice, 60.0, ends) == []
    for k in range(-12, 12):
        profiles[2, np.abs(x - 0.3 * (k + 0.5)) < 0.012] = 0.6
    assert _subdivisions(profiles, x, lattice, 60.0, ends) == [2]


def test_lines_of_middling_length_do_not_hide_the_finest() -> None:
    """Long lines every ten, middling ones every five: in the window of all lines each is there."""
    rng = np.random.default_rng(3)
    x = np.arange(-4, 4, 0.01)
    profiles = np.clip(rng.normal(0, 0.02, (5, len(x))), 0, 1)
    for j in range(-36, 37):
        for window in range(1 + 2 * (j % 5 == 0) + 2 * (j % 10 == 0)):
            strength = 0.9 if j % 10 == 0 else 0.6 if j % 5 == 0 else 0.3
            profiles[window, np.abs(x - 0.1 * j) < 0.012] = strength
    lattice, ends = Lattice(0.0, 1.0), (-3.6, 3.6)
    assert _subdivisions(profiles, x, lattice, 60.0, ends) == [2, 10]
    assert _subdivisions(profiles, x, lattice, 20.0, ends) == [2]  # too few pixels between


@pytest.mark.parametrize(
    ("first", "pitches"), [(0.2, [0.2]), (0.1, [0.2]), (0.5, [0.5, 0.2]), (1.0, [1.0, 0.2])]
)
def test_lines_are_found_from_lattices_that_miss_them(first: float, pitches: list[float]) -> None:
    """*first*: true, too fine, of two intervals and a half, of long lines alone."""
    rng = np.random.default_rng(4)
    x = np.arange(-4, 4, 0.01)
    profiles = np.clip(rng.normal(0, 0.02, (5, len(x))), 0, 1)
    for k in range(-18, 19):
        profiles[: 5 if k % 5 == 0 else 3, np.abs(x - 0.2 * k) < 0.012] = 0.8
    found = _supposed(profiles, x, Lattice(0.0, first), 60.0, (-3.6, 3.6))
    assert [lattice.pitch for lattice in found] == pytest.approx(pitches)
    off = found[-1].x0 / 0.2
    assert abs(off - round(off)) < 0.05


@pytest.mark.parametrize(
    ("miss", "inside"),
    [((-1.0, 1.0), True), ((-0.1, 0.05), False), ((0.4, 0.2), False), ((-1.0, REACH), False)],
)
def test_outlines_enclose_a_barrel(miss: tuple[float, float], inside: bool) -> None:
    nothing = np.zeros((2, 2))
    found = Outlines((nothing, nothing), np.array(miss), np.zeros(2), np.ones(2), 0.0)
    assert found.inside is inside


def test_the_outlines_beside_a_fit_survive_a_radius_half_as_large_again() -> None:
    """One look from there may take the shadow's edge; looks from other radii tell it."""
    picture = drawn(shadow=True)
    photo = photo_from_pixels(colour(picture))
    for supposed in (RADIUS, 1.5 * RADIUS):
        found = _outlines_beside(photo, seen_as(supposed), (-300 / supposed, 300 / supposed))
        assert found is not None
        (upper, lower), sd_px = found
        assert np.mean(lower[:, 1]) - np.mean(upper[:, 1]) == pytest.approx(2 * RADIUS, abs=5)
        assert sd_px < 4


def test_pieces_are_shifted_by_any_number_of_rows() -> None:
    """As by `numpy.interp`, piece by piece: straight between rows, level beyond the outermost."""
    rng = np.random.default_rng(6)
    pieces, rows = rng.normal(0, 3, (40, 7)), np.arange(40.0)
    shift = np.array([0.0, 0.25, -0.75, 3.0, -6.4, 45.5, -45.5])
    expected = [np.interp(rows + by, rows, pieces[:, j]) for j, by in enumerate(shift)]
    np.testing.assert_allclose(_shifted(pieces, shift), expected, atol=1e-12)
