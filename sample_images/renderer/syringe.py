"""One syringe: its dimensions, its volumes by geometry, and its surfaces.

A barrel of clear plastic, a stopper that touches the bore with its sealing rings, and what is
between them and the nozzle. Volume is defined as the standard defines it: bore area times the
distance from the zero line to the leading edge of the front ring's contact with the bore.

Where three substances meet, each surface is given to exactly one pair of them: the bore is
split at the contact edges, so a ray never crosses two coincident surfaces.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field

import numpy as np

from .meshes import Mesh, box, ellipsoid, joined, lathe

Profile = list[tuple[float, float]]


@dataclass(frozen=True)
class Bubble:
    """Air on the inside of the wall: centre at ``x_mm`` and angle ``phi_deg`` (0 = printed
    side), half axes (radial, axial, tangential) in mm, all of it inside the liquid."""

    x_mm: float
    phi_deg: float
    semi_axes_mm: tuple[float, float, float]
    gap_mm: float = 0.04

    @property
    def volume_ml(self) -> float:
        a, b, c = self.semi_axes_mm
        return 4 / 3 * np.pi * a * b * c / 1000


@dataclass(frozen=True)
class Syringe:
    """Everything that fixes one syringe's shape, in mm, mL and degrees."""

    nominal_ml: float
    graduated_max_ml: float
    scale_interval_ml: float
    numbered_increment_ml: float
    scale_length_mm: float
    inner_diameter_mm: float
    wall_mm: float
    fiducial_x_mm: float
    plunger_style: str = "rubber"  # "rubber" | "one_piece"
    stopper_colour: str = "black"
    plunger_colour: str = "white"
    rings: int = 2
    cone_height_mm: float = 4.0
    cone_tip_mm: float = 0.6
    ring_mm: float = 1.2
    waist_mm: float = 2.6
    waist_depth: float = 0.13
    # Widths of the rings and of the waists between them, as shares of the two above; rings of
    # one stopper are alike unless these say otherwise.
    ring_shares: tuple[float, ...] = ()
    waist_shares: tuple[float, ...] = ()
    # The front ring's flank: radius of the cone's foot as a share of the bore radius, axial
    # length from there to the contact edge (None: a short bevel), and whether it is a rounded
    # lip rather than a straight slope.
    foot_share: float = 0.97
    flank_mm: float | None = None
    flank_round: bool = False
    # How far the cone bulges beyond (or, below 0, stays behind) a straight one, share of the way.
    cone_bulge: float = 0.0
    # Of each waist, the share that its two sides take, and whether they leave the bore as a
    # rounded ring does; depth of each waist where they are unlike (shares of ``waist_depth``).
    waist_sides: tuple[float, float] | None = None
    waist_round: bool = False
    waist_depths: tuple[float, ...] = ()
    wet_waists: int = 0  # so many waists, from the front, are filled with liquid
    # Body behind the last ring, narrower than the bore.
    tail_mm: float = 0.0
    tail_share: float = 0.9
    contact: bool = False  # rings so close to the bore that they have no gloss there
    sheen: bool = True  # in liquid as glossy as in air, as under a film of air or oil
    haze: float = 1.0  # share of what meets the stopper's surface that does not pass into it
    shoulder_gap_mm: float = 0.3
    nozzle_mm: float = 9.0
    nozzle_bore_mm: float = 0.8
    # Outer radius of the nozzle's tip, from where it widens by 3 in 100; none: as its bore has it.
    luer_mm: float | None = None
    collar_mm: float | None = None  # outer radius of a locking collar around the nozzle, if any
    flange_mm: float = 6.0
    flange_cut_mm: float = 2.0
    flange_thick_mm: float = 2.0
    behind_mm: float = 14.0
    rod_roll_deg: float = 20.0
    rod_share: float = 0.8  # half width of the rod's plates, of the bore radius
    rod_solid: bool = False  # a round bar rather than crossed plates
    # Discs on the rod: distance behind the stopper and thickness in mm; none: one against the
    # stopper and one half way.
    rod_discs: tuple[tuple[float, float], ...] = ()
    rod_disc_share: float = 0.9
    attachment: str = "none"  # "none" | "cap" | "needle"
    attachment_colour: str = "blue"
    attachment_girth: float = 1.0
    content: str = "clear"  # "clear" | "empty" | "milky" | a tint
    plug_mm: float | None = None  # where the air at the nozzle ends, on the axis
    meniscus_mm: float = 0.8
    bubbles: tuple[Bubble, ...] = field(default_factory=tuple)

    # --- lengths -----------------------------------------------------------------------
    @property
    def bore_mm(self) -> float:
        """Inner radius."""
        return self.inner_diameter_mm / 2

    @property
    def outer_mm(self) -> float:
        """Outer radius."""
        return self.bore_mm + self.wall_mm

    @property
    def cone_run_mm(self) -> float:
        """Length of the shoulder's inside; slightly more than the cone that comes to it."""
        # The shoulder clears the cone's tip and foot when the contact edge is at the zero line.
        needs = [
            (-x - self.shoulder_gap_mm) / (self.bore_mm - radius)
            for x, radius in self.cone_profile(0.0)[: 15 if self.cone_bulge else 3]
            if radius < self.bore_mm
        ]
        slope = self.cone_height_mm / max(self.bore_mm - self.cone_tip_mm, 1e-6)
        return max(1.05 * max(slope, *needs) * (self.bore_mm - self.nozzle_bore_mm), 0.25)

    @property
    def nozzle_base_x_mm(self) -> float:
        return -self.shoulder_gap_mm - self.cone_run_mm

    @property
    def tip_x_mm(self) -> float:
        return self.nozzle_base_x_mm - self.nozzle_mm

    @property
    def scale_end_x_mm(self) -> float:
        return self.graduated_max_ml / self.nominal_ml * self.scale_length_mm

    @property
    def flange_x_mm(self) -> float:
        return self.scale_end_x_mm + self.behind_mm

    @property
    def end_x_mm(self) -> float:
        return self.flange_x_mm + self.flange_thick_mm + 0.8

    @property
    def stopper_mm(self) -> float:
        """Length of the stopper from the front ring's leading edge backwards."""
        return self.bands()[-1][1] + 0.25 + self.tail_mm

    @property
    def luer_radii_mm(self) -> tuple[float, float]:
        """Outer radius of the nozzle at its tip and at its base."""
        if self.luer_mm is None:
            return self.nozzle_bore_mm + 1.0, self.nozzle_bore_mm + 1.25
        return self.luer_mm, self.luer_mm + 0.03 * self.nozzle_mm

    def bands(self) -> list[tuple[float, float]]:
        """Where the rings touch the bore, as (start, end) in mm from the fiducial line."""
        rings = self.ring_shares or (1.0,) * self.rings
        waists = (*(self.waist_shares or (1.0,) * (self.rings - 1)), 0.0)
        found, x = [], 0.0
        for ring, waist in zip(rings, waists, strict=True):
            found.append((x, x + ring * self.ring_mm))
            x = found[-1][1] + waist * self.waist_mm
        return found

    @property
    def thumb_x_mm(self) -> float:
        return self.fiducial_x_mm + self.end_x_mm + 7.0

    # --- volumes -----------------------------------------------------------------------
    @property
    def area_mm2(self) -> float:
        return np.pi * self.bore_mm**2

    @property
    def true_volume_ml(self) -> float:
        """Bore area times the distance from zero line to fiducial line."""
        return self.area_mm2 * self.fiducial_x_mm / 1000

    def inside_profile(self) -> Profile:
        """The hollow from the nozzle's tip to the zero line, as (x, r)."""
        return [
            (self.tip_x_mm, self.nozzle_bore_mm),
            (self.nozzle_base_x_mm, self.nozzle_bore_mm),
            (-self.shoulder_gap_mm, self.bore_mm),
            (0.0, self.bore_mm),
        ]

    def cone_profile(self, at_x_mm: float) -> Profile:
        """The stopper's front from the axis to the contact edge at ``at_x_mm``."""
        h, r = self.cone_height_mm, self.bore_mm
        front = [(at_x_mm - h, 0.0), (at_x_mm - h, self.cone_tip_mm)]
        if h <= 0:  # a dish within a lip
            return [*front, (at_x_mm, self.foot_share * r), (at_x_mm, r)]
        if self.flank_mm is None:
            edge = min(0.12 * self.wall_mm + 0.05, 0.3 * h)
            bevel = [(edge, 0.97), (0.4 * edge, 0.99), (0.0, 1.0)]
            return [*front, *((at_x_mm - back, share * r) for back, share in bevel)]
        way = np.linspace(0, 1, 9) if self.flank_round else np.array([0.0, 1.0])
        # a lip bulges like a quarter of an ellipse; a slope is straight
        rise = np.sqrt(1 - (1 - way) ** 2) if self.flank_round else way
        flank = min(self.flank_mm, 0.8 * h)
        if self.cone_bulge:
            front += self._bulge(at_x_mm, h, flank)
        for along, up in zip(way, rise, strict=True):
            share = self.foot_share + (1 - self.foot_share) * float(up)
            front.append((at_x_mm - flank * (1 - float(along)), share * r))
        return front

    def _bulge(self, at_x_mm: float, height: float, flank: float) -> Profile:
        """Points of a domed (or hollowed) cone between its tip and its foot."""
        tip, foot = self.cone_tip_mm, self.foot_share * self.bore_mm
        way = np.linspace(0, 1, 14)[1:-1]
        back = height + (flank - height) * way
        radius = tip + (foot - tip) * way ** float(np.exp(-self.cone_bulge))
        # no dome so full that the shoulder it fits into would be a long one
        radius = np.minimum(radius, self.bore_mm - np.maximum(back - self.shoulder_gap_mm, 0) / 1.3)
        return [(at_x_mm - b, float(q)) for b, q in zip(back, radius, strict=True)]

    @property
    def dead_space_ml(self) -> float:
        """What stays in nozzle and shoulder when the front ring stands on the zero line."""
        return (_turned_volume(self.inside_profile()) - _turned_volume(self.cone_profile(0))) / 1000

    def meniscus_profile(self) -> Profile:
        """Air-liquid surface of the plug, from the axis to the wall; liquid climbs the wall."""
        if self.plug_mm is None:
            raise ValueError("this syringe has no air at the nozzle")
        r = np.linspace(0, self.bore_mm, 40)
        reach = max(0.45 * self.bore_mm, 1.0) if self.bore_mm < 4 else 2.2
        rise = np.exp((r - self.bore_mm) / reach)
        rise = (rise - rise[0]) / (rise[-1] - rise[0])
        return [(self.plug_mm - self.meniscus_mm * s, q) for s, q in zip(rise, r, strict=True)]

    @property
    def air_total_ml(self) -> float:
        """All air in front of the stopper, nozzle included."""
        if self.content == "empty":
            return self.true_volume_ml + self.dead_space_ml
        total = sum(b.volume_ml for b in self.bubbles)
        if self.plug_mm is not None:
            surface = self.meniscus_profile()
            hollow = [*self.inside_profile()[:-1], (surface[-1][0], self.bore_mm)]
            total += (_turned_volume(hollow) + _turned_volume(surface[::-1])) / 1000
        return total

    @property
    def air_volume_ml(self) -> float:
        """Air as part of the volume at the fiducial line: the dead space is not counted."""
        if self.content == "empty":
            return self.true_volume_ml
        if self.plug_mm is not None:
            return self.air_total_ml - self.dead_space_ml
        return self.air_total_ml

    @property
    def liquid_volume_ml(self) -> float:
        return self.true_volume_ml - self.air_volume_ml

    # --- surfaces ----------------------------------------------------------------------
    def meshes(self, segments: int = 256) -> dict[str, Mesh]:
        """Surfaces by what they separate.

        ``print`` outer wall with the scale (texture coordinates), ``wall_air`` plastic
        outwards to air and ``bore_air`` air inside plastic, ``bore_liquid`` liquid inside
        plastic, ``liquid_air`` liquid with air outside, ``air_liquid`` air with liquid outside,
        ``stopper`` (its rings and dry parts may come apart, as ``stopper_band`` and
        ``stopper_dry``), ``rod``, ``cap``, ``steel``.
        """
        out: dict[str, Mesh] = {}
        walls, bore_air, bore_liquid = self._barrel(segments)
        out["print"] = lathe(
            [(self.print_start_x_mm, self.outer_mm), (self.flange_x_mm, self.outer_mm)],
            segments=2 * segments,
            with_uv=True,
        )
        out["wall_air"] = joined(walls)
        out["bore_air"] = joined(bore_air)
        if bore_liquid:
            out["bore_liquid"] = joined(bore_liquid)
            fronts, bubbles = self._free_surfaces(segments)
            out["liquid_air"] = joined(fronts)
            if bubbles:
                out["air_liquid"] = joined(bubbles)
        out.update(self._stopper(segments))
        out["rod"] = self._rod()
        out.update(self._attachment(segments))
        return out

    @property
    def print_start_x_mm(self) -> float:
        return -self.shoulder_gap_mm

    def _barrel(self, n: int) -> tuple[list[Mesh], list[Mesh], list[Mesh]]:
        g, ro, r = self.shoulder_gap_mm, self.outer_mm, self.bore_mm
        luer_tip, luer_base = self.luer_radii_mm
        outside: Profile = [
            (self.tip_x_mm, self.nozzle_bore_mm),
            (self.tip_x_mm, luer_tip - 0.15),
            (self.tip_x_mm + 0.15, luer_tip),
            (self.nozzle_base_x_mm - 1.2 * self.wall_mm, luer_base),
            (-g, ro),
        ]
        fx, ft, rf = self.flange_x_mm, self.flange_thick_mm, ro + self.flange_mm
        bevel = min(0.35, ft / 4)
        flange: Profile = [
            (fx, ro), (fx, rf - bevel), (fx + bevel, rf), (fx + ft - bevel, rf),
            (fx + ft, rf - bevel), (fx + ft, ro), (self.end_x_mm, ro), (self.end_x_mm, r),
        ]  # fmt: skip
        walls = [
            lathe(outside, segments=n),
            lathe(flange, segments=n, shape=self.flange_shape),
        ]
        if self.collar_mm is not None:
            walls.append(lathe(self._collar(self.collar_mm), segments=n))
        inside = [*self.inside_profile()[:-1]]
        lead = self.fiducial_x_mm
        waists: list[Profile] = [[(start, r), (end, r)] for start, end in self._waists()]
        flooded = 0 if self.content == "empty" else self.wet_waists
        behind = waists[flooded:]
        behind.append([(lead + self.bands()[-1][1], r), (self.end_x_mm, r)])
        air = [lathe(p, segments=n) for p in behind]
        if self.content == "empty":
            air.append(lathe([*inside, (lead, r)], segments=n))
            return walls, air, []
        wet_from: Profile = inside
        if self.plug_mm is not None:
            edge = self.meniscus_profile()[-1]
            air.append(lathe([*inside, edge], segments=n))
            wet_from = [edge]
        else:
            start = (self.tip_x_mm + 0.3, self.nozzle_bore_mm)
            air.append(lathe([inside[0], start], segments=n))
            wet_from = [start, *inside[1:]]
        wet = [[*wet_from, (lead, r)], *waists[:flooded]]
        return walls, air, [lathe(p, segments=n) for p in wet]

    def _collar(self, outer_mm: float) -> Profile:
        """A tube about the nozzle, which looks out of it by a quarter of its length."""
        base = self.nozzle_base_x_mm - 1.2 * self.wall_mm - 0.05
        front, inner = self.tip_x_mm + 0.25 * self.nozzle_mm, outer_mm - 0.8
        return [(front, inner), (front, outer_mm), (base, outer_mm), (base, inner), (front, inner)]

    def flange_shape(self, phi: np.ndarray, r: float) -> np.ndarray:
        """Radius of the flange at each angle: a disc with two sides cut off along y."""
        cut = self.outer_mm + self.flange_cut_mm
        if r <= self.outer_mm + 1e-6:
            return np.full_like(phi, r)
        # A smooth minimum, so that the cut side has no tangent jump for the shading to show.
        side = cut / np.maximum(np.abs(np.cos(phi)), 1e-3)
        return (r**-8.0 + side**-8.0) ** (-1 / 8)

    def _waists(self) -> list[tuple[float, float]]:
        """Stretches of bore between the sealing rings, as (start, end) in mm."""
        lead = self.fiducial_x_mm
        return [(lead + a[1], lead + b[0]) for a, b in itertools.pairwise(self.bands())]

    def _stopper(self, n: int) -> dict[str, Mesh]:
        r, lead = self.bore_mm, self.fiducial_x_mm
        end = lead + self.bands()[-1][1]
        tail: Profile = [(end, r)]
        if self.tail_mm:
            tail += [(end + 0.1, self.tail_share * r), (end + self.tail_mm, self.tail_share * r)]
        back = lead + self.stopper_mm
        tail += [(back, min(0.95, self.tail_share) * r if self.tail_mm else 0.95 * r), (back, 0.0)]
        front = self.cone_profile(lead)
        waists = [self._waist(i, *ends) for i, ends in enumerate(self._waists())]
        if self.haze >= 1 and not self.contact:
            whole = [*front, *itertools.chain.from_iterable(waists), *tail]
            return {"stopper": lathe(whole, segments=n)}
        # what differs by what lies outside it
        flooded = 0 if self.content == "empty" else self.wet_waists
        bands = [lathe([(lead + a, r), (lead + b, r)], segments=n) for a, b in self.bands()]
        return {
            "stopper": joined([lathe(p, segments=n) for p in (front, *waists[:flooded])]),
            "stopper_band": joined(bands),
            "stopper_dry": joined([lathe(p, segments=n) for p in (*waists[flooded:], tail)]),
        }

    def _waist(self, number: int, start: float, end: float) -> Profile:
        """Outline of the stopper between two rings, from contact edge to contact edge."""
        r = self.bore_mm
        share = self.waist_depths[number] if self.waist_depths else 1.0
        low = (1 - self.waist_depth * share) * r
        if self.waist_sides is None:
            ease = min(0.35, 0.3 * (end - start))
            side = [(start, r), (start + 0.3 * ease, (r + low) / 2), (start + ease, low)]
            return [*side, (end - ease, low), (end - 0.3 * ease, (r + low) / 2), (end, r)]
        way = np.linspace(0, 1, 9) if self.waist_round else np.array([0.0, 1.0])
        # a rounded ring leaves the bore along it, a plain one at a slope
        fall = 1 - np.sqrt(1 - way**2) if self.waist_round else way
        down, up = (s * (end - start) for s in self.waist_sides)
        radius = r - (r - low) * fall
        side = [(start + down * w, q) for w, q in zip(way, radius, strict=True)]
        return [*side, *((end - up * w, q) for w, q in zip(way[::-1], radius[::-1], strict=True))]

    def _free_surfaces(self, n: int) -> tuple[list[Mesh], list[Mesh]]:
        if self.plug_mm is not None:
            fronts = [lathe(self.meniscus_profile(), segments=n)]
        else:
            x, r = self.tip_x_mm + 0.3, self.nozzle_bore_mm
            fronts = [lathe([(x, 0.0), (x, r)], segments=n)]
        bubbles = []
        for b in self.bubbles:
            phi = np.radians(b.phi_deg)
            radial = np.array([0.0, np.sin(phi), np.cos(phi)])
            tangent = np.array([0.0, np.cos(phi), -np.sin(phi)])
            a, along, across = b.semi_axes_mm
            # The flattest place is where the ellipsoid's own curvature meets the bore's: sit
            # deep enough that the sides stay inside as well.
            depth = self.bore_mm - b.gap_mm - _reach(a, across, self.bore_mm - b.gap_mm)
            bubbles.append(
                ellipsoid(
                    np.array([b.x_mm, 0, 0]) + depth * radial,
                    [a * radial, along * np.array([1.0, 0, 0]), across * tangent],
                )
            )
        return fronts, bubbles

    def _rod(self) -> Mesh:
        r, start = self.bore_mm, self.fiducial_x_mm + self.stopper_mm
        end = self.thumb_x_mm
        half, thick = self.rod_share * r, min(max(0.16 * r, 0.5), 0.95)
        if self.rod_solid:
            bar = [(start, 0.0), (start, half), (end, half), (end, 0.0)]
            parts = [lathe(bar, segments=128)]
        else:
            plates = [
                box((start, -half, -thick), (end, half, thick)),
                box((start, -thick, -half), (end, thick, half)),
            ]
            turn = rotation_x(self.rod_roll_deg)
            parts = [p.moved(turn) for p in plates]
        discs = self.rod_discs or ((-0.02, 1.0), (0.42 * (end - start), 0.9))
        for behind, thick in discs:
            parts.append(_disc(start + behind, thick, self.rod_disc_share * r))
        parts.append(_disc(end, max(1.6, 0.16 * r), self.outer_mm + 0.45 * self.flange_mm, 0.4))
        return joined(parts)

    def _attachment(self, n: int) -> dict[str, Mesh]:
        if self.attachment == "none":
            return {}
        base = self.nozzle_base_x_mm - 1.2 * self.wall_mm - 0.3
        r0 = (self.luer_radii_mm[1] + 0.2) * self.attachment_girth
        if self.attachment == "cap":
            length = self.nozzle_mm + 5
            profile = [
                (base - length, 0.0), (base - length, 0.62 * r0 + 0.2),
                (base - 6, r0 + 0.1), (base - 2.2, r0 + 0.3), (base - 2.2, r0 + 0.75),
                (base, r0 + 0.75), (base, r0),
            ]  # fmt: skip
            return {"cap": lathe(profile, segments=96)}
        hub = [
            (self.tip_x_mm - 6, 0.0), (self.tip_x_mm - 6, 0.7), (self.tip_x_mm - 2, 1.1),
            (self.tip_x_mm - 0.5, r0 - 0.3), (base - 0.8, r0), (base - 0.8, r0 + 0.6),
            (base, r0 + 0.6), (base, r0),
        ]  # fmt: skip
        needle = [
            (self.tip_x_mm - 36, 0.0),
            (self.tip_x_mm - 34.8, 0.33),
            (self.tip_x_mm - 5, 0.35),
        ]
        return {"cap": lathe(hub, segments=96), "steel": lathe(needle, segments=48)}

    @property
    def foremost_x_mm(self) -> float:
        if self.attachment == "needle":
            return self.tip_x_mm - 36
        if self.attachment == "cap":
            return self.nozzle_base_x_mm - 1.2 * self.wall_mm - 0.3 - self.nozzle_mm - 5
        return self.tip_x_mm


def rotation_x(angle_deg: float) -> np.ndarray:
    """Turn about x, shape (4, 4); a positive angle carries z towards -y."""
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    pose = np.eye(4)
    pose[1:3, 1:3] = [[c, -s], [s, c]]
    return pose


def _reach(radial: float, across: float, bore: float) -> float:
    """How far outwards from its centre an ellipse must be kept so that it fits the bore."""
    t = np.linspace(0, np.pi / 2, 400)
    need = np.sqrt(np.maximum(bore**2 - (across * np.sin(t)) ** 2, 0)) - radial * np.cos(t)
    return float(bore - need.min())


def _disc(x: float, thick: float, radius: float, bevel: float = 0.1) -> Mesh:
    profile = [
        (x, 0.0), (x, radius - bevel), (x + bevel, radius), (x + thick - bevel, radius),
        (x + thick, radius - bevel), (x + thick, 0.0),
    ]  # fmt: skip
    return lathe(profile, segments=128)


def _turned_volume(profile: Profile) -> float:
    """Signed volume in mm³ under a turned profile, ∫ πr² dx, exact for straight pieces."""
    total = 0.0
    for (x0, r0), (x1, r1) in itertools.pairwise(profile):
        total += np.pi * (x1 - x0) * (r0 * r0 + r0 * r1 + r1 * r1) / 3
    return float(total)
