"""The barrel's projection and its inverse, against OpenCV's camera model and plain geometry."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drawmark.vision.cylinder import Camera, Cylinder

X = np.linspace(-4, 4, 9)


def angles(low: float, high: float) -> st.SearchStrategy[float]:
    return st.floats(np.radians(low), np.radians(high))


@st.composite
def cameras(draw: st.DrawFn, most_k1: float = 0.03) -> Camera:
    focal = draw(st.floats(1200, 4000))
    k1 = draw(st.floats(-most_k1, most_k1))
    return Camera(focal, draw(st.floats(850, 950)), draw(st.floats(640, 720)), k1)


@st.composite
def cylinders(draw: st.DrawFn, most_k1: float = 0.03, most_tilt_deg: float = 25.0) -> Cylinder:
    """Any barrel near the middle of a picture of 1840 x 1380 pixels."""
    return Cylinder(
        draw(cameras(most_k1)),
        (draw(st.floats(700, 1140)), draw(st.floats(500, 880))),
        draw(angles(-180, 180)),
        draw(st.floats(-60, 60)),
        draw(angles(-most_tilt_deg, most_tilt_deg)),
        draw(st.floats(30, 160)),
    )


def frame(cylinder: Cylinder, origin: np.ndarray) -> np.ndarray:
    """Columns: axis, direction to the camera, side; from the pose's definition alone."""
    c, s = np.cos(cylinder.angle), np.sin(cylinder.angle)
    axis = np.array([np.cos(cylinder.tilt) * c, np.cos(cylinder.tilt) * s, np.sin(cylinder.tilt)])
    towards = -origin - axis * np.dot(-origin, axis)
    towards /= np.linalg.norm(towards)
    return np.stack([axis, towards, np.cross(axis, towards)], axis=1)


def by_opencv(cylinder: Cylinder, origin: np.ndarray, x: np.ndarray, phi: np.ndarray) -> np.ndarray:
    """The same points through cv2.projectPoints."""
    local = np.stack([x, np.cos(phi), np.sin(phi)], axis=-1)
    rotation, _ = cv2.Rodrigues(frame(cylinder, origin))
    cam = cylinder.camera
    matrix = np.array([[cam.focal, 0, cam.cx], [0, cam.focal, cam.cy], [0, 0, 1.0]])
    pixels, _ = cv2.projectPoints(
        local.reshape(-1, 1, 3), rotation, origin, matrix, np.array([cam.k1, 0, 0, 0.0])
    )
    return pixels.reshape(*x.shape, 2)


@given(cylinders(), angles(-75, 75))
def test_the_surface_gives_back_what_was_projected(cylinder: Cylinder, phi: float) -> None:
    phi *= cylinder.limb() / np.radians(80)  # on the side that the camera sees
    x, back = cylinder.surface(cylinder.project(X, phi))
    # the inverse of the distortion is a short series: 1e-4 of a radius from the picture's middle,
    # which the slope of the surface near the limb and the tilt can triple
    step = 1e-3 * cylinder.camera.focal / cylinder.radius_px * (1 if cylinder.camera.k1 else 1e-4)
    np.testing.assert_allclose(x, X, atol=step)
    np.testing.assert_allclose(back, phi, atol=4 * step)


@given(cylinders(most_k1=0.0), angles(-75, 75), st.sampled_from([0.85, 1.0, 1.2]))
def test_without_distortion_the_inverse_is_exact(c: Cylinder, phi: float, radius: float) -> None:
    phi *= c.limb(radius) / np.radians(80)
    x, back = c.surface(c.project(X, phi, radius), radius)
    np.testing.assert_allclose(x, X, atol=1e-8)
    np.testing.assert_allclose(back, phi, atol=1e-7)


@given(cylinders(most_k1=0.0), angles(-70, 70))
def test_projection_is_that_of_opencv(cylinder: Cylinder, phi: float) -> None:
    """cv2.projectPoints of an outside library, from the pose's definition."""
    cam = cylinder.camera
    n = np.array([-np.sin(cylinder.angle), np.cos(cylinder.angle)])
    foot = np.array(cylinder.anchor) + n * cylinder.offset
    origin = np.array([(foot[0] - cam.cx) / cam.focal, (foot[1] - cam.cy) / cam.focal, 1.0])
    origin *= cam.focal / cylinder.radius_px
    phis = np.full_like(X, phi)
    expected = by_opencv(cylinder, origin, X, phis)
    np.testing.assert_allclose(cylinder.project(X, phi), expected, atol=1e-6)


@given(cameras(most_k1=0.15), angles(-180, 180), angles(-25, 25), st.floats(40, 160))
def test_distorted_projection_is_that_of_opencv(
    camera: Camera, angle: float, tilt: float, radius: float
) -> None:
    """With the anchor at the principal point the pose does not depend on the distortion."""
    cylinder = Cylinder(camera, (camera.cx, camera.cy), angle, 0.0, tilt, radius)
    origin = np.array([0, 0, camera.focal / radius])
    phis = np.linspace(-1.2, 1.2, len(X))
    expected = by_opencv(cylinder, origin, X, phis)
    np.testing.assert_allclose(cylinder.project(X, phis), expected, atol=1e-6)


@pytest.mark.parametrize("k1", [-0.03, -0.01, 0.0, 0.02, 0.03])
def test_rays_undo_the_distortion_as_opencv_does(k1: float) -> None:
    camera = Camera(1800.0, 919.5, 689.5, k1)
    pixels = np.stack(np.meshgrid(np.linspace(0, 1839, 12), np.linspace(0, 1379, 9)), -1)
    matrix = np.array([[1800.0, 0, 919.5], [0, 1800.0, 689.5], [0, 0, 1]])
    undone = cv2.undistortPoints(
        pixels.reshape(-1, 1, 2),
        matrix,
        np.array([k1, 0, 0, 0.0]),
        criteria=(cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 200, 1e-13),
    )
    rays = camera.rays(pixels)
    assert np.all(rays[..., 2] == 1)
    off = np.linalg.norm(rays[..., :2].reshape(-1, 2) - undone.reshape(-1, 2), axis=1)
    assert off.max() < 5e-4  # under one pixel in the corner, and nothing in the middle
    middle = np.linalg.norm(undone.reshape(-1, 2), axis=1) < 0.3
    assert off[middle].max() < 2e-5


@given(cylinders(most_k1=0.0), st.sampled_from([-1.0, 1.0]), st.floats(0.5, 1.1))
def test_the_outline_is_where_rays_touch(c: Cylinder, side: float, radius: float) -> None:
    """At the limb the viewing ray is a tangent: it passes the axis at just the radius."""
    limb = c.limb(radius)
    assert 0 < limb < np.pi / 2
    outline = c.project(X, side * limb, radius)
    np.testing.assert_allclose(c.miss_distance(outline), side * radius, rtol=1e-9)
    inside = c.project(X, side * 0.9 * limb, radius)
    assert np.all(np.abs(c.miss_distance(inside)) < radius)


@given(cylinders(most_k1=0.0))
def test_rays_beside_the_barrel_miss_it(c: Cylinder) -> None:
    beside = c.project(X, c.limb(1.05), 1.05)
    x, phi = c.surface(beside)
    assert np.isnan(x).all()
    assert np.isnan(phi).all()


@given(cylinders(most_k1=0.0), st.floats(-3, 3), st.floats(-3, 3))
def test_miss_distance_is_that_of_two_lines(c: Cylinder, along: float, aside: float) -> None:
    """Distance of two skew lines, by minimising it: no cross product involved."""
    d = np.array([np.cos(c.angle), np.sin(c.angle)])
    n = np.array([-d[1], d[0]])
    foot = np.array(c.anchor) + n * c.offset
    pixel = foot + d * along * c.radius_px + n * aside * c.radius_px
    cam = c.camera
    ray = np.array([(pixel[0] - cam.cx) / cam.focal, (pixel[1] - cam.cy) / cam.focal, 1.0])
    origin = np.array([(foot[0] - cam.cx) / cam.focal, (foot[1] - cam.cy) / cam.focal, 1.0])
    origin *= cam.focal / c.radius_px
    axis = frame(c, origin)[:, 0]
    system = np.stack([ray, -axis], axis=1)
    _, residual, rank, _ = np.linalg.lstsq(system, origin, rcond=None)
    least = float(np.sqrt(residual[0])) if rank == 2 and len(residual) else 0.0
    miss = float(c.miss_distance(pixel))
    assert abs(miss) == pytest.approx(least, abs=1e-6)
    if abs(aside) > 0.3 and abs(c.tilt) < 0.05:
        assert np.sign(miss) == np.sign(aside)


@given(cylinders(most_k1=0.0), st.floats(-4, 4), angles(-60, 60))
def test_view_angle_is_that_of_the_ray_to_the_point(c: Cylinder, x: float, phi: float) -> None:
    ray = c.camera.rays(c.project(np.array([x]), phi))[0]
    axis = np.array(
        [np.cos(c.tilt) * np.cos(c.angle), np.cos(c.tilt) * np.sin(c.angle), np.sin(c.tilt)]
    )
    along = float(ray @ axis / np.linalg.norm(ray))
    assert c.view_angle(x, phi) == pytest.approx(np.pi / 2 - np.arccos(along), abs=1e-9)


def test_view_angle_grows_along_a_barrel_seen_squarely() -> None:
    """A barrel of radius 8 mm at 250 mm: 50 mm to the side the ray is 11 degrees off square."""
    camera = Camera(2000.0, 919.5, 689.5)
    c = Cylinder(camera, (919.5, 689.5), 0.3, 0.0, 0.0, 2000.0 * 8 / 250)
    assert c.view_angle(0.0) == pytest.approx(0.0, abs=1e-12)
    expected = np.arctan2(50, 250 - 8)
    assert c.view_angle(50 / 8) == pytest.approx(expected, abs=1e-9)
    assert c.view_angle(-50 / 8) == pytest.approx(-expected, abs=1e-9)


def test_the_ring_seen_at_ten_degrees_is_displaced_by_r_tan_tilt() -> None:
    """The parallax between print and limb, small barrel far away: R tan(tilt)."""
    camera = Camera(200_000.0, 900.0, 700.0)
    c = Cylinder(camera, (900.0, 700.0), 0.0, 0.0, np.radians(10), 100.0)
    front = c.project(np.array([0.0]), 0.0)[0, 0]
    limb = c.project(np.array([0.0]), np.radians(90))[0, 0]
    # +x recedes at a positive tilt, so the side facing the camera leans towards +x
    assert (front - limb) / (100.0 * np.cos(c.tilt)) == pytest.approx(np.tan(c.tilt), rel=2e-3)
