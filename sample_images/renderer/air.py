"""Air in a syringe, drawn at random: a pocket at the nozzle, one long bubble, or several small."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from .shoulder import ShapedSyringe
from .syringe import Bubble


def with_random_air(syringe: ShapedSyringe, rng: np.random.Generator) -> ShapedSyringe:
    """The same syringe, with or without air in it."""
    room = syringe.fiducial_x_mm - max(syringe.cone_height_mm, 0.0) - 1.0
    kind = str(rng.choice(["none", "plug", "bubbles", "long"], p=[0.34, 0.26, 0.12, 0.28]))
    if syringe.content == "empty" or room < 2.0 or kind == "none":
        return syringe
    if kind == "plug":
        return _pocket(syringe, room, rng)
    found: list[Bubble] = []
    if kind == "long":
        found.append(_long(syringe.bore_mm, room, rng))
    for _ in range(int(rng.integers(0, 5) if kind == "long" else rng.integers(2, 14))):
        small = _small(syringe.bore_mm, room, rng)
        if small is not None and all(_apart(small, b, syringe.bore_mm) for b in found):
            found.append(small)
    return replace(syringe, bubbles=tuple(found))


def _pocket(syringe: ShapedSyringe, room: float, rng: np.random.Generator) -> ShapedSyringe:
    r = syringe.bore_mm
    meniscus = float(np.clip(rng.uniform(0.0, 0.3) * r, 0.02, 2.2))
    far = 0.9 * room if rng.random() < 0.3 else min(0.45 * room, 22.0)
    if rng.random() < 0.4:  # little more than the shoulder holds
        far = min(far, r)
    tilt = float(np.clip(abs(rng.normal(0, 9)), 0, 30)) if rng.random() < 0.4 else 0.0
    slant = r * np.tan(np.radians(tilt))
    least = meniscus + slant + 0.1
    at = float(rng.uniform(least, max(least + 0.3, far)))
    if at + slant > room - 0.5:
        return syringe
    return replace(
        syringe, plug_mm=at, meniscus_mm=meniscus, air_tilt_deg=tilt,
        air_tilt_phi_deg=float(rng.normal(0, 60)),
    )  # fmt: skip


def _long(r: float, room: float, rng: np.random.Generator) -> Bubble:
    radial = float(rng.uniform(0.14, 0.42) * r)
    across = float(min(rng.uniform(1.1, 2.4) * radial, 0.62 * r))
    stretch = float(np.exp(rng.uniform(np.log(1.6), np.log(7.5))))
    along = float(min(stretch * radial, 0.5 * room - 0.4))
    middle = float(rng.uniform(along + 0.3, room - along - 0.1))
    return Bubble(middle, float(rng.normal(0, 25)), (radial, along, across))


def _small(r: float, room: float, rng: np.random.Generator) -> Bubble | None:
    size = float(np.clip(rng.lognormal(np.log(0.09 * r), 0.5), 0.15, 0.25 * r))
    size = min(size, 0.5 * room - 0.3)
    low, high = size + 0.3, room - size - 0.1
    if low >= high:
        return None
    x, phi = float(rng.uniform(low, high)), float(rng.uniform(-100, 100))
    return Bubble(x, phi, (size * float(rng.uniform(0.65, 1)), size, size))


def _apart(one: Bubble, other: Bubble, r: float) -> bool:
    """Whether there is liquid between the two."""
    away = np.hypot(one.x_mm - other.x_mm, np.radians(one.phi_deg - other.phi_deg) * r)
    return bool(away > 1.2 * (max(one.semi_axes_mm) + max(other.semi_axes_mm)) + 0.1)
