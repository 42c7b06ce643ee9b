"""The barrel's nozzle end in its many shapes, and air whose surface is not square to the axis."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from .meshes import Mesh, lathe
from .syringe import Profile, Syringe


@dataclass(frozen=True)
class ShapedSyringe(Syringe):
    """A syringe whose shoulder bulges, inside and outside, and whose air may stand aslant.

    ``shoulder_power`` and ``hollow_power``: 1 is a cone, 2 a quarter of an ellipse, more is
    nearly a flat end. ``shoulder_lead_mm``: how far the outer wall goes on straight, before
    the zero line. ``hollow_extra_mm``: what the hollow is longer than the stopper's cone needs.
    ``air_tilt_deg``, ``air_tilt_phi_deg``: how much, and towards where around the axis, the
    surface of the air at the nozzle is turned; its volume is the same whatever the turn.
    """

    shoulder_power: float = 1.0
    shoulder_lead_mm: float = 0.0
    hollow_power: float = 1.0
    hollow_extra_mm: float = 0.0
    air_tilt_deg: float = 0.0
    air_tilt_phi_deg: float = 0.0

    @property
    def cone_run_mm(self) -> float:
        return super().cone_run_mm + self.hollow_extra_mm

    def inside_profile(self) -> Profile:
        tip, base, end, zero = super().inside_profile()
        return [tip, *_bulging(base, end, self.hollow_power), zero]

    def _outside_profile(self) -> Profile:
        luer_tip, luer_base = self.luer_radii_mm
        base = (self.nozzle_base_x_mm - 1.2 * self.wall_mm, luer_base)
        end = -self.shoulder_gap_mm
        straight = min(self.shoulder_lead_mm, 0.8 * (end - base[0]))
        return [
            (self.tip_x_mm, self.nozzle_bore_mm),
            (self.tip_x_mm, luer_tip - 0.15),
            (self.tip_x_mm + 0.15, luer_tip),
            *_bulging(base, (end - straight, self.outer_mm), self.shoulder_power),
            (end, self.outer_mm),
        ]

    def _barrel(self, n: int) -> tuple[list[Mesh], list[Mesh], list[Mesh]]:
        walls, air, wet = super()._barrel(n)
        walls[0] = lathe(self._outside_profile(), segments=n)
        if self.plug_mm is None or not self.air_tilt_deg:
            return walls, air, wet
        edge = self.meniscus_profile()[-1][0]
        return walls, [self._turned(m, edge) for m in air], [self._turned(m, edge) for m in wet]

    def _free_surfaces(self, n: int) -> tuple[list[Mesh], list[Mesh]]:
        fronts, bubbles = super()._free_surfaces(n)
        if self.plug_mm is not None and self.air_tilt_deg:
            fronts = [self._turned(m) for m in fronts]
        return fronts, bubbles

    def _turned(self, mesh: Mesh, only_at_x_mm: float | None = None) -> Mesh:
        """Sheared along the axis as the air's surface is, all of it or the edge at one x alone."""
        phi, slope = np.radians(self.air_tilt_phi_deg), np.tan(np.radians(self.air_tilt_deg))
        lean = slope * np.array([0.0, np.sin(phi), np.cos(phi)])
        shift = mesh.vertices @ lean
        if only_at_x_mm is not None:
            shift = np.where(np.abs(mesh.vertices[:, 0] - only_at_x_mm) < 1e-6, shift, 0)
            return replace(mesh, vertices=mesh.vertices + shift[:, None] * [1.0, 0, 0])
        normals = mesh.normals - mesh.normals[:, :1] * lean
        normals /= np.linalg.norm(normals, axis=1, keepdims=True)
        return replace(mesh, vertices=mesh.vertices + shift[:, None] * [1.0, 0, 0], normals=normals)


def _bulging(start: tuple[float, float], end: tuple[float, float], power: float) -> Profile:
    """From the nozzle's (x, r) to the wall's, bulging outwards more the greater the power."""
    if power <= 1:
        return [start, end]
    turn = np.linspace(0, np.pi / 2, 17)
    along, up = 1 - np.cos(turn) ** (2 / power), np.sin(turn) ** (2 / power)
    (x0, r0), (x1, r1) = start, end
    return [
        (float(x0 + (x1 - x0) * a), float(r0 + (r1 - r0) * u))
        for a, u in zip(along, up, strict=True)
    ]


def random_shoulder(rng: np.random.Generator, bore_radius_mm: float) -> dict[str, float]:
    """Dimensions of a shoulder, as keyword arguments of :class:`ShapedSyringe`."""
    power = float(rng.choice([1.0, rng.uniform(1.2, 2.5), rng.uniform(2.5, 6)]))
    lead = rng.uniform(0, 0.35) * bore_radius_mm if rng.random() < 0.6 else 0.0
    hollow = float(rng.uniform(1, min(power, 2.5))) if rng.random() < 0.4 else 1.0
    extra = rng.uniform(0, 0.4) * bore_radius_mm if rng.random() < 0.4 else 0.0
    return {
        "shoulder_power": power,
        "shoulder_lead_mm": float(lead),
        "hollow_power": hollow,
        "hollow_extra_mm": float(extra),
        "shoulder_gap_mm": float(rng.uniform(0.2, 0.8)),
    }
