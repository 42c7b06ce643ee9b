"""Stoppers of the renderer's random scenes: what touches the bore, and where, is the truth."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

ROOT = Path(__file__).resolve().parent.parent
NUMBERS = range(60)


@pytest.fixture(scope="module")
def syringes() -> list:
    sys.path.insert(0, str(ROOT / "sample_images"))
    try:
        from renderer import scene
    finally:
        sys.path.pop(0)
    module: ModuleType = scene
    return [module.random_syringe(np.random.default_rng([7, n]))[0] for n in NUMBERS]


def area(mesh: Any) -> float:
    a, b, c = (mesh.vertices[mesh.faces[:, i]] for i in range(3))
    return float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2)


def test_the_front_reaches_the_bore_at_the_fiducial_line_and_nowhere_before(syringes: list) -> None:
    for s in syringes:
        profile = np.array(s.cone_profile(s.fiducial_x_mm))
        assert profile[-1] == pytest.approx([s.fiducial_x_mm, s.bore_mm], abs=1e-9)
        assert (profile[:-1, 1] < s.bore_mm).all()
        if s.cone_height_mm > 0:
            assert (np.diff(profile[:, 0]) > -1e-9).all()


def test_waists_begin_and_end_at_the_rings_and_stay_off_the_bore_between(syringes: list) -> None:
    for s in syringes:
        for i, (start, end) in enumerate(s._waists()):
            outline = np.array(s._waist(i, start, end))
            assert outline[0] == pytest.approx([start, s.bore_mm], abs=1e-9)
            assert outline[-1] == pytest.approx([end, s.bore_mm], abs=1e-9)
            assert (outline[1:-1, 1] < s.bore_mm + 1e-12).all()
            assert outline[:, 1].min() > 0.2 * s.bore_mm
            assert (np.diff(outline[:, 0]) > -1e-9).all()


def test_a_stopper_fits_into_the_barrel_behind_the_last_line(syringes: list) -> None:
    for s in syringes:
        assert s.bands()[-1][1] + s.tail_mm < s.flange_x_mm - s.scale_end_x_mm


def test_parts_by_what_lies_outside_are_the_whole_surface(syringes: list) -> None:
    """Cut into wet, touching and dry parts, the stopper has neither gap nor overlap."""
    for s in syringes:
        whole = replace(s, haze=1.0, contact=False).meshes(48)["stopper"]
        parts = replace(s, haze=0.5).meshes(48)
        cut = [parts[k] for k in ("stopper", "stopper_band", "stopper_dry")]
        assert sum(area(m) for m in cut) == pytest.approx(area(whole), rel=1e-9)
        # the bore has liquid or air, or a ring, at every place between nozzle and barrel's end
        assert area(cut[1]) == pytest.approx(
            sum(b - a for a, b in s.bands()) * 2 * 48 * np.sin(np.pi / 48) * s.bore_mm, rel=1e-6
        )
