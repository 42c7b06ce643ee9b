"""Shoulders of many shapes and slanting pockets: geometry against integrals done another way."""

from __future__ import annotations

import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

FOLDER = Path(__file__).resolve().parent.parent / "sample_images"


@pytest.fixture(scope="module")
def shoulder() -> ModuleType:
    sys.path.insert(0, str(FOLDER))
    try:
        import renderer.shoulder
    finally:
        sys.path.remove(str(FOLDER))
    return renderer.shoulder


def made(shoulder: ModuleType, **changed: float) -> object:
    """A 10 mL syringe with a pocket of air."""
    given = {
        "plug_mm": 12.0, "meniscus_mm": 1.2, "cone_height_mm": 3.0, "shoulder_power": 2.0,
        "shoulder_lead_mm": 1.5, "hollow_power": 1.8, "hollow_extra_mm": 1.0, **changed,
    }  # fmt: skip
    return shoulder.ShapedSyringe(10.0, 10.0, 0.5, 2.0, 55.0, 15.2, 1.0, 33.0, **given)


@pytest.mark.parametrize("tilt", [5.0, 20.0, 30.0])
def test_a_slanting_surface_holds_the_same_air(shoulder: ModuleType, tilt: float) -> None:
    square, slanting = made(shoulder), made(shoulder, air_tilt_deg=tilt, air_tilt_phi_deg=40.0)
    columns = []
    for syringe in (square, slanting):
        front = syringe._free_surfaces(512)[0][0]
        a, b, c = (front.vertices[front.faces[:, k]] for k in range(3))
        facing = np.cross(b - a, c - a)[:, 0] / 2  # area as seen along the axis
        columns.append(abs(float((facing * (a + b + c)[:, 0] / 3).sum())))
    assert columns[1] == pytest.approx(columns[0], rel=1e-4)


def test_a_slanting_surface_meets_the_bore_all_around(shoulder: ModuleType) -> None:
    syringe = made(shoulder, air_tilt_deg=25.0, air_tilt_phi_deg=-30.0)
    _, air, wet = syringe._barrel(64)
    front = syringe._free_surfaces(64)[0][0]

    def rim(mesh: object) -> set[tuple[float, ...]]:
        on_bore = np.abs(np.hypot(*mesh.vertices[:, 1:].T) - syringe.bore_mm) < 1e-6
        return {tuple(v) for v in np.round(mesh.vertices[on_bore], 6).tolist()}

    edge = rim(front)
    assert len(edge) >= 64
    assert edge <= rim(air[-1])
    assert edge <= rim(wet[0])


def test_its_normals_stand_on_it(shoulder: ModuleType) -> None:
    front = made(shoulder, air_tilt_deg=25.0)._free_surfaces(256)[0][0]
    a, b, c = (front.vertices[front.faces[:, k]] for k in range(3))
    flat = np.cross(b - a, c - a)
    flat /= np.linalg.norm(flat, axis=1, keepdims=True)
    shaded = front.normals[front.faces].mean(1)
    assert np.median(np.abs((flat * shaded).sum(1))) > 0.995


@pytest.mark.parametrize("power", [1.0, 1.7, 4.0])
def test_the_wall_of_the_shoulder_is_nowhere_thin(shoulder: ModuleType, power: float) -> None:
    syringe = made(shoulder, shoulder_power=power, hollow_power=min(power, 1.8))
    outside = np.array(syringe._outside_profile()[3:])
    inside = np.array(syringe.inside_profile()[1:-1])
    between = np.interp(inside[:, 0], outside[:, 0], outside[:, 1]) - inside[:, 1]
    assert between.min() > 0.5


def test_a_fuller_hollow_holds_what_the_integral_says(shoulder: ModuleType) -> None:
    """With power 2 the hollow is part of an ellipsoid; its volume in closed form."""
    syringe = made(shoulder, hollow_power=2.0)
    length, small = syringe.cone_run_mm, syringe.nozzle_bore_mm
    grown = syringe.bore_mm - small
    # integral of pi (s + g sqrt(1 - u^2))^2 over u from 0 to 1, times the length
    exact = np.pi * length * (small**2 + small * grown * np.pi / 2 + grown**2 * 2 / 3)
    points = np.array(syringe.inside_profile()[1:-1])
    x, r = points.T
    turned = np.pi * np.sum(np.diff(x) * (r[1:] ** 2 + r[1:] * r[:-1] + r[:-1] ** 2) / 3)
    assert turned == pytest.approx(exact, rel=5e-3)
