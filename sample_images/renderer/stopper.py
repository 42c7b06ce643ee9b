"""Stoppers for random scenes: what sealing rings, cones and seals of ordinary plungers span.

A stopper is drawn as a set of the ``Syringe`` fields that give its shape and colour.  The ranges
are wider than what any one maker sells: a cone from flat to two thirds of the bore, straight,
domed or hollow, with or without a foot in front of the ring; one to four rings of unlike widths,
sharp or rounded; waists from a groove to half the radius; pale plastic that can be seen into.
"""

from __future__ import annotations

from typing import Any

import numpy as np

RUBBERS = {
    "black": 0.44, "dark grey": 0.07, "mid grey": 0.06, "light grey": 0.18, "blue": 0.03,
    "green": 0.02, "brick": 0.04, "red": 0.02, "brown": 0.02, "cream": 0.04, "navy": 0.02,
    "teal": 0.02, "violet": 0.01, "white": 0.03,
}  # fmt: skip
MOULDED = {
    "white": 0.25, "blue": 0.17, "green": 0.14, "natural": 0.17, "yellow": 0.04, "red": 0.03,
    "orange": 0.03, "violet": 0.03, "cream": 0.03, "teal": 0.03, "pink": 0.03,
    "light grey": 0.03, "black": 0.02,
}  # fmt: skip
RODS = {
    "white": 0.44, "natural": 0.2, "pale blue": 0.12, "blue": 0.08, "green": 0.06, "pink": 0.04,
    "grey": 0.04, "yellow": 0.02,
}  # fmt: skip
PALE = ("natural", "white", "cream", "light grey")


def random_stopper(rng: np.random.Generator, bore_mm: float, room_mm: float) -> dict[str, Any]:
    """Fields of a ``Syringe``: one stopper of a bore of *bore_mm* that is at most *room_mm* long.

    *room_mm* is measured from the fiducial line backwards.
    """
    r = bore_mm / 2
    one_piece = bool(rng.random() < 0.36)
    front = _one_piece_front(rng, r) if one_piece else _rubber_front(rng, r)
    colours = MOULDED if one_piece else RUBBERS
    colour = str(rng.choice(list(colours), p=list(colours.values())))
    rod = str(rng.choice(list(RODS), p=list(RODS.values())))
    if one_piece and rng.random() < 0.8:
        rod = colour
    return {
        "plunger_style": "one_piece" if one_piece else "rubber",
        "stopper_colour": colour,
        "plunger_colour": rod,
        "contact": bool(rng.random() < 0.8),
        "sheen": bool(rng.random() < 0.65),
        "haze": _haze(rng, colour, one_piece),
        **front,
        **_rings(rng, bore_mm, room_mm, one_piece),
        **_rod(rng, r),
    }


def _log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _rubber_front(rng: np.random.Generator, r: float) -> dict[str, Any]:
    cone, tip = r * float(rng.uniform(0.1, 0.85)), r * float(rng.uniform(0.03, 0.6))
    return _front(rng, r, cone, tip, float(rng.uniform(0.8, 0.99)))


def _one_piece_front(rng: np.random.Generator, r: float) -> dict[str, Any]:
    foot = float(rng.uniform(0.72, 0.99))
    kind = rng.random()
    if kind < 0.5:  # flat
        cone, tip = r * _log_uniform(rng, 0.002, 0.16), r * float(rng.uniform(0.6, 0.95))
    elif kind < 0.6:  # a dish within a lip
        foot = float(rng.uniform(0.85, 0.99))
        cone, tip = -r * float(rng.uniform(0.01, 0.12)), r * float(rng.uniform(0.5, 0.8))
    else:
        cone, tip = r * float(rng.uniform(0.1, 0.55)), r * float(rng.uniform(0.03, 0.7))
    return _front(rng, r, cone, tip, foot)


def _front(
    rng: np.random.Generator, r: float, cone: float, tip: float, foot: float
) -> dict[str, Any]:
    flank = None if rng.random() < 0.15 else r * _log_uniform(rng, 0.008, 0.18)
    foot = min(foot, 1 - 0.4 * (flank or 0) / r)  # steeper than the cone
    return {
        "cone_height_mm": cone,
        "cone_tip_mm": min(tip, 0.95 * foot * r),
        "cone_bulge": float(rng.normal(0, 0.4)) if rng.random() < 0.5 else 0.0,
        "flank_mm": flank,
        "foot_share": foot,
        "flank_round": bool(rng.random() < 0.55),
    }


def _rings(
    rng: np.random.Generator, bore_mm: float, room_mm: float, one_piece: bool
) -> dict[str, Any]:
    """Rings, the waists between them, and what follows the last."""
    if one_piece:
        rings = int(rng.choice([1, 2, 3, 4], p=[0.2, 0.5, 0.22, 0.08]))
        ring, waist = _log_uniform(rng, 0.012, 0.11), _log_uniform(rng, 0.04, 0.4)
        depth = _log_uniform(rng, 0.04, 0.5)
    else:
        rings = int(rng.choice([1, 2, 3, 4], p=[0.05, 0.55, 0.28, 0.12]))
        ring, waist = _log_uniform(rng, 0.025, 0.14), _log_uniform(rng, 0.06, 0.36)
        depth = _log_uniform(rng, 0.03, 0.22)
    ring, waist = max(0.12, ring * bore_mm), waist * bore_mm
    rings_as, waists_as = (1.0,) * rings, (1.0,) * (rings - 1)
    if rng.random() < 0.55:
        rings_as = tuple(_log_uniform(rng, 0.45, 2.2) for _ in rings_as)
        waists_as = tuple(_log_uniform(rng, 0.4, 1.8) for _ in waists_as)
    depths: tuple[float, ...] = ()
    if rng.random() < 0.4:
        depths = tuple(min(float(rng.uniform(0.3, 1.6)), 0.6 / depth) for _ in waists_as)
    tail = bore_mm * float(rng.uniform(0.02, 0.35)) if rng.random() < 0.45 else 0.0
    long = ring * sum(rings_as) + waist * sum(waists_as) + tail
    shrink = min(1.0, room_mm / long)
    sides = (float(rng.uniform(0.04, 0.5)), float(rng.uniform(0.04, 0.45)))
    return {
        "rings": rings,
        "ring_mm": shrink * ring,
        "waist_mm": shrink * waist,
        "ring_shares": rings_as,
        "waist_shares": waists_as,
        "waist_depth": depth,
        "waist_depths": depths,
        "waist_sides": sides if rng.random() < 0.7 else None,
        "waist_round": bool(rng.random() < 0.5),
        "wet_waists": int(rings > 1 and rng.random() < 0.08),
        "tail_mm": shrink * tail,
        "tail_share": float(rng.uniform(0.6, 0.96)),
    }


def _rod(rng: np.random.Generator, r: float) -> dict[str, Any]:
    solid = bool(rng.random() < 0.1)
    discs: tuple[tuple[float, float], ...] = ()
    if rng.random() < 0.65:
        places = np.cumsum(rng.uniform(0.0, 1.6, int(rng.integers(1, 4)))) * r
        discs = tuple((float(x), r * float(rng.uniform(0.04, 0.22))) for x in places)
    return {
        "rod_share": float(rng.uniform(0.35, 0.85) if solid else rng.uniform(0.5, 0.93)),
        "rod_solid": solid,
        "rod_discs": discs,
        "rod_disc_share": float(rng.uniform(0.7, 0.95)),
    }


def _haze(rng: np.random.Generator, colour: str, one_piece: bool) -> float:
    """How much of what meets the surface is scattered there; 1 for solid colours."""
    often = 0.03
    if one_piece:
        often = {"natural": 0.75, "white": 0.25}.get(colour, 0.15)
    if rng.random() >= often:
        return 1.0
    return float(rng.uniform(0.3 if colour in PALE else 0.55, 0.93))
