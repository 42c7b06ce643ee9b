"""What stands on the desk, and a scene for every number.

``random_scene(number)`` draws sizes, liveries, light and camera from ranges that ordinary
syringes and telephones show. Every name, mark and layout is invented.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from .air import with_random_air
from .camera import Camera
from .printing import FONTS, Print, span_deg
from .shoulder import ShapedSyringe, random_shoulder
from .stopper import random_stopper
from .syringe import Syringe, rotation_x

CARDS = {
    "white": (0.82, 0.82, 0.81), "light grey": (0.48, 0.48, 0.47), "pale blue": (0.42, 0.56, 0.70),
    "blue": (0.10, 0.20, 0.45), "kraft": (0.50, 0.36, 0.22), "black": (0.03, 0.03, 0.032),
    "pale green": (0.48, 0.62, 0.46),
}  # fmt: skip
DESKS = {
    "white laminate": (0.74, 0.74, 0.75), "grey": (0.33, 0.33, 0.34), "steel": (0.44, 0.45, 0.47),
    "blue": (0.10, 0.19, 0.42), "wood": (0.45, 0.28, 0.15), "dark wood": (0.15, 0.08, 0.05),
    "green mat": (0.12, 0.30, 0.20), "slate": (0.09, 0.10, 0.11),
}  # fmt: skip
STOPPERS = {
    "black": (0.018, 0.018, 0.019), "dark grey": (0.07, 0.07, 0.075),
    "light grey": (0.36, 0.37, 0.38), "blue": (0.04, 0.14, 0.42), "green": (0.05, 0.32, 0.16),
    "brick": (0.36, 0.08, 0.05), "white": (0.78, 0.78, 0.77), "natural": (0.62, 0.63, 0.62),
    "yellow": (0.72, 0.55, 0.06), "mid grey": (0.18, 0.18, 0.19), "red": (0.55, 0.04, 0.05),
    "orange": (0.75, 0.28, 0.04), "violet": (0.25, 0.12, 0.42), "brown": (0.20, 0.11, 0.06),
    "cream": (0.70, 0.64, 0.50), "teal": (0.03, 0.30, 0.33), "pink": (0.75, 0.38, 0.45),
    "navy": (0.02, 0.04, 0.13),
}  # fmt: skip
RODS = {
    "white": (0.76, 0.76, 0.76), "natural": (0.55, 0.56, 0.56), "pale blue": (0.40, 0.62, 0.80),
    "blue": (0.05, 0.18, 0.52), "green": (0.06, 0.40, 0.20), "pink": (0.80, 0.42, 0.50),
    "grey": (0.30, 0.31, 0.32), "yellow": (0.72, 0.55, 0.06),
}  # fmt: skip
CAPS = {
    "blue": (0.05, 0.20, 0.60), "orange": (0.85, 0.30, 0.02), "green": (0.05, 0.45, 0.15),
    "yellow": (0.80, 0.70, 0.05), "white": (0.75, 0.75, 0.75), "red": (0.62, 0.04, 0.04),
    "black": (0.03, 0.03, 0.03), "violet": (0.25, 0.10, 0.45),
}  # fmt: skip
#: Share of light that passes a liquid surface once; a ray through the barrel crosses two.
TINTS = {
    "clear": (1.0, 1.0, 1.0), "yellow": (0.98, 0.90, 0.45), "amber": (0.95, 0.72, 0.30),
    "pink": (0.97, 0.62, 0.70), "red": (0.90, 0.25, 0.22), "blue": (0.50, 0.72, 0.96),
    "green": (0.55, 0.92, 0.62), "brown": (0.6, 0.36, 0.16), "dark red": (0.6, 0.1, 0.1),
}  # fmt: skip
INKS = {
    "black": (0.015, 0.015, 0.016), "dark blue": (0.012, 0.03, 0.16),
    "dark grey": (0.06, 0.06, 0.06), "dark red": (0.22, 0.015, 0.02),
}  # fmt: skip
MARKS = ("", "", "", "OSTREL", "TARVANE", "VELMIST", "FOR TRAINING", "PELTRA LAB")
LIGHTS = ("softbox", "window", "ceiling", "hard")

#: Bore (mm), wall (mm), cone as a share of the bore radius, room behind the scale (mm).
BODIES = {
    1.0: (4.70, 0.85, 8.0), 2.0: (8.70, 0.85, 11.0), 2.5: (8.90, 0.90, 11.0),
    3.0: (9.00, 0.95, 11.0), 5.0: (12.4, 0.95, 13.0), 10.0: (15.2, 1.00, 14.0),
    20.0: (19.6, 1.10, 16.0), 50.0: (27.8, 1.30, 18.0), 60.0: (28.2, 1.30, 18.0),
}  # fmt: skip
#: (nominal, last line, interval, numbered increment) and how often.
SCALES = (
    (1.0, 1.0, 0.01, 0.1, 6), (1.0, 1.0, 0.01, 0.2, 5), (1.0, 1.0, 0.02, 0.1, 3),
    (1.0, 1.0, 0.05, 0.1, 3), (1.0, 1.0, 0.05, 0.2, 1),
    (2.0, 2.0, 0.1, 0.5, 3), (2.0, 2.5, 0.1, 0.5, 2), (2.0, 2.5, 0.1, 1.0, 1),
    (2.5, 2.5, 0.1, 0.5, 3), (2.5, 3.0, 0.1, 0.5, 2), (2.5, 3.0, 0.1, 1.0, 1),
    (3.0, 3.0, 0.1, 0.5, 7), (3.0, 3.0, 0.1, 1.0, 3),
    (5.0, 5.0, 0.2, 1.0, 6), (5.0, 5.0, 0.5, 1.0, 5), (5.0, 6.0, 0.2, 1.0, 4),
    (5.0, 6.0, 0.5, 1.0, 3),
    (10.0, 10.0, 0.2, 1.0, 3), (10.0, 10.0, 0.2, 2.0, 3), (10.0, 10.0, 0.5, 1.0, 4),
    (10.0, 10.0, 0.5, 2.0, 3), (10.0, 12.0, 0.2, 1.0, 2), (10.0, 12.0, 0.5, 1.0, 3),
    (10.0, 12.0, 0.5, 2.0, 3), (10.0, 12.0, 1.0, 2.0, 2), (10.0, 10.0, 1.0, 2.0, 1),
    (20.0, 20.0, 1.0, 5.0, 4), (20.0, 20.0, 1.0, 2.0, 3), (20.0, 20.0, 0.5, 5.0, 2),
    (20.0, 24.0, 0.5, 5.0, 2), (20.0, 24.0, 1.0, 2.0, 2), (20.0, 24.0, 1.0, 5.0, 3),
    (50.0, 50.0, 1.0, 10.0, 4), (50.0, 50.0, 1.0, 5.0, 4), (50.0, 60.0, 1.0, 5.0, 3),
    (50.0, 60.0, 2.0, 10.0, 2), (60.0, 60.0, 1.0, 10.0, 3), (60.0, 60.0, 2.0, 10.0, 3),
)  # fmt: skip
MOST_DEAD_SPACE = 0.06  # of the nominal capacity
REFUSALS = (
    "no_syringe", "cropped_plunger", "cropped_scale", "extreme_blur", "back_facing",
    "two_syringes",
)  # fmt: skip


@dataclass(frozen=True)
class Post:
    """What the telephone does after the light has fallen on its sensor."""

    ev: float = 0.0
    blur_sigma_px: float = 0.0
    motion_px: float = 0.0
    motion_deg: float = 0.0
    noise: float = 0.8
    sharpen: float = 0.4
    white_balance: tuple[float, float, float] = (1.0, 1.0, 1.0)
    jpeg_quality: int = 85
    exif_orientation: int = 1
    exif_focal_length: bool = True
    noise_key: int = 0


@dataclass(frozen=True)
class Item:
    """Something else on the desk: kind, place (x, y) in mm, angle, colour, size in mm."""

    kind: str  # "pen" | "coin" | "cap"
    x_mm: float
    y_mm: float
    angle_deg: float
    colour: tuple[float, float, float]
    size_mm: tuple[float, float]


@dataclass(frozen=True)
class Placed:
    """A syringe, its print and where it lies."""

    syringe: Syringe
    scale: Print
    roll_deg: float = 0.0
    y_mm: float = 0.0
    lift_mm: float = 0.0
    flip: bool = False

    @property
    def pose(self) -> np.ndarray:
        """From the syringe's frame to the world, shape (4, 4).

        Lying, the barrel rests on its flange and on its front edge, so its axis slopes.
        """
        s = self.syringe
        down = np.radians(180.0 - self.roll_deg)
        at_flange = float(s.flange_shape(np.array([down]), s.outer_mm + s.flange_mm)[0])
        slope = (at_flange - s.outer_mm) / (s.flange_x_mm + s.shoulder_gap_mm)
        angle = -np.arctan(slope)  # the flange end is the higher one
        tilt = np.eye(4)
        c, n = np.cos(angle), np.sin(angle)
        tilt[0, 0], tilt[0, 2], tilt[2, 0], tilt[2, 2] = c, n, -n, c
        pose = tilt @ rotation_x(self.roll_deg)
        middle = (s.foremost_x_mm + s.thumb_x_mm) / 2
        pose[:3, 3] = -(pose[:3, 0] * middle)
        # The front edge of the barrel touches the card.
        front = pose[:3, :3] @ np.array([-s.shoulder_gap_mm, 0, 0]) + pose[:3, 3]
        pose[2, 3] += s.outer_mm / c - front[2] + self.lift_mm + CARD_MM + 0.05
        pose[1, 3] += self.y_mm
        if self.flip:
            turn = np.diag([-1.0, -1.0, 1.0, 1.0])
            pose = turn @ pose
            pose[1, 3] = self.y_mm
        return pose


CARD_MM = 0.4


@dataclass(frozen=True)
class Scene:
    """One photograph to be made."""

    name: str
    placed: tuple[Placed, ...]
    camera: Camera
    post: Post
    card_colour: str = "white"
    card_size_mm: tuple[float, float] | None = None  # None: it fills the frame
    card_angle_deg: float = 0.0
    desk: str = "grey"
    lighting: str = "softbox"
    light_azimuth_deg: float = 60.0
    light_height_mm: float = 600.0
    light_size: float = 1.0
    ambient: float = 0.35
    clutter: tuple[Item, ...] = field(default_factory=tuple)
    texture_key: int = 0
    refuse_reason: str | None = None


def random_syringe(rng: np.random.Generator) -> tuple[Syringe, Print]:
    """An invented syringe and its print."""
    weights = np.array([s[4] for s in SCALES], float)
    # Each capacity is equally likely; within one, by weight.
    groups = {"a": (1,), "b": (2, 2.5, 3), "c": (5,), "d": (10,), "e": (20,), "f": (50, 60)}
    members = groups[str(rng.choice(list(groups)))]
    weights *= [s[0] in members for s in SCALES]
    nominal, top, step, big, _ = SCALES[rng.choice(len(SCALES), p=weights / weights.sum())]
    bore, wall, behind = BODIES[nominal]
    bore *= rng.uniform(0.95, 1.05)
    wall *= rng.uniform(0.88, 1.15)
    r = bore / 2
    area = np.pi * r * r
    scale_length = nominal * 1000 / area
    end = top / nominal * scale_length
    stopper = random_stopper(rng, float(bore), 0.72 * behind)
    lowest = max(0.04 * scale_length, 0.5)
    fiducial = float(rng.uniform(lowest, 0.985 * end))
    if rng.random() < 0.15:  # drawn to a line, as people do
        per = scale_length / nominal
        fiducial = max(round(fiducial / (step * per)), 1) * step * per
    syringe = ShapedSyringe(
        nominal, top, step, big, float(scale_length), float(bore), float(wall), fiducial,
        **stopper,
        **random_shoulder(rng, float(r)),
        nozzle_mm=float(rng.uniform(7.5, 10)), nozzle_bore_mm=float(rng.uniform(0.6, 1.0)),
        flange_mm=float(rng.uniform(0.35, 0.6) * r + 3.5),
        flange_cut_mm=float(rng.uniform(0.8, 2.4)), flange_thick_mm=float(rng.uniform(1.4, 2.4)),
        behind_mm=float(behind * rng.uniform(0.8, 1.3)), rod_roll_deg=float(rng.uniform(0, 90)),
        attachment=str(rng.choice(["none", "cap", "needle"], p=[0.66, 0.22, 0.12])),
        attachment_colour=str(rng.choice(list(CAPS))),
        content=str(rng.choice(["clear", "empty", "yellow", "amber", "pink", "milky", "red",
                                "blue", "green", "brown", "dark red"],
                               p=[0.4, 0.22, 0.07, 0.06, 0.05, 0.06, 0.04, 0.03, 0.03,
                                  0.02, 0.02])),
    )  # fmt: skip
    if syringe.dead_space_ml > MOST_DEAD_SPACE * nominal:
        syringe = replace(syringe, hollow_power=1.0, hollow_extra_mm=0.0)
    return with_random_air(syringe, rng), random_print(syringe, rng)


def random_print(syringe: Syringe, rng: np.random.Generator) -> Print:
    """A scale that suits the barrel: 90 to 220 degrees around it, numerals that fit."""
    around = 2 * np.pi * syringe.outer_mm
    rot = int(rng.choice([0, 1, 2, 3], p=[0.2, 0.32, 0.16, 0.32]))
    text = float(np.clip(0.15 * syringe.outer_mm + 1.35, 1.7, 4.6) * rng.uniform(0.85, 1.15))
    layout = str(rng.choice(["base", "centre", "double", "gap"], p=[0.5, 0.18, 0.24, 0.08]))
    wear = float(rng.uniform(0.3, 0.95)) if rng.random() < 0.12 else 0.0
    line = float(np.clip(rng.uniform(0.2, 0.36), 0.16, 0.34 * _pitch(syringe)))
    scale = Print(
        layout=layout, mirrored=bool(rng.random() < 0.5), long_mm=0.2 * around,
        medium_ratio=float(rng.uniform(0.68, 0.85)), short_ratio=float(rng.uniform(0.45, 0.62)),
        line_mm=line, spine=layout in ("base", "double") and bool(rng.random() < 0.25),
        numerals="along" if rot % 2 == 0 else "across", numeral_rot90=rot, text_mm=text,
        numeral_gap_mm=float(rng.uniform(0.4, 1.1)), font=str(rng.choice(FONTS)),
        unit=str(rng.choice(["mL", "ml"])), zero_numeral=bool(rng.random() < 0.2), wear=wear,
        wear_key=int(rng.integers(1 << 30)),
        ink=str(rng.choice(list(INKS), p=[0.78, 0.12, 0.06, 0.04])), mark=str(rng.choice(MARKS)),
    )  # fmt: skip
    wanted = float(rng.uniform(90, 220))
    for _ in range(30):  # shrink or stretch the lines until the print spans what was drawn
        spread = span_deg(syringe, scale)
        long_mm = scale.long_mm + np.radians(wanted - spread) * syringe.outer_mm
        scale = replace(scale, long_mm=float(np.clip(long_mm, 0.07 * around, 0.5 * around)))
    return scale


def _pitch(syringe: Syringe) -> float:
    return syringe.scale_interval_ml / syringe.nominal_ml * syringe.scale_length_mm


def random_scene(number: int, *, long_side: int = 1840) -> Scene:
    """The scene of this number: the same number always gives the same scene."""
    rng = np.random.default_rng([20251, number])
    refuse = str(rng.choice(REFUSALS)) if rng.random() < 0.12 else None
    syringe, scale = random_syringe(rng)
    roll = float(np.clip(rng.normal(0, 8), -40, 40))
    if rng.random() < 0.08:
        roll = float(rng.uniform(-40, 40))
    if refuse == "back_facing":
        roll = 180 + float(rng.uniform(-25, 25))
    lift = float(rng.uniform(12, 70)) if rng.random() < 0.14 else 0.0
    placed = [Placed(syringe, scale, roll, lift_mm=lift)]
    if refuse == "two_syringes":
        other, other_scale = random_syringe(rng)
        gap = syringe.outer_mm + syringe.flange_mm + other.outer_mm + other.flange_mm
        placed.append(Placed(other, other_scale, float(rng.normal(0, 15)),
                             y_mm=gap + float(rng.uniform(2, 12)),
                             flip=bool(rng.random() < 0.3)))  # fmt: skip

    length = syringe.thumb_x_mm - syringe.foremost_x_mm
    camera = random_camera(rng, placed[0], long_side, length)
    post = random_post(rng)
    if refuse == "extreme_blur":
        post = replace(post, blur_sigma_px=float(rng.uniform(11, 20)) * long_side / 1840)
    if refuse in ("cropped_plunger", "cropped_scale"):
        camera = crop(camera, placed[0], refuse, rng)
    reach = max(length, 120.0)
    size = None
    if rng.random() < 0.55:
        size = (reach * float(rng.uniform(0.95, 1.5)), reach * float(rng.uniform(0.45, 1.0)))
    lighting = str(rng.choice(LIGHTS, p=[0.38, 0.31, 0.21, 0.10]))
    items = random_clutter(rng, placed, length) if rng.random() < 0.4 else ()
    if refuse == "no_syringe":
        items = random_clutter(rng, placed, length, at_least=1)
        placed = []
    return Scene(
        f"r{number:05d}", tuple(placed), camera, post,
        card_colour=str(rng.choice(list(CARDS), p=[0.37, 0.18, 0.11, 0.07, 0.1, 0.13, 0.04])),
        card_size_mm=size,
        card_angle_deg=float(rng.normal(0, 8)), desk=str(rng.choice(list(DESKS))),
        lighting=lighting, light_azimuth_deg=float(rng.uniform(0, 360)),
        light_height_mm=float(rng.uniform(450, 900)), light_size=float(rng.uniform(0.6, 1.4)),
        ambient=float(rng.uniform(0.2, 0.6)), clutter=items,
        texture_key=int(rng.integers(1 << 30)), refuse_reason=refuse,
    )  # fmt: skip


def random_camera(
    rng: np.random.Generator, placed: Placed, long_side: int, length_mm: float
) -> Camera:
    """A hand-held camera over the syringe, most often nearly square to the card."""
    short = round(long_side * 3 / 4)
    kind = rng.random()
    tilt = abs(float(rng.normal(0, 5)))
    if kind < 0.18:
        tilt = float(rng.uniform(8, 15))
    elif kind < 0.27:
        tilt = float(rng.uniform(13, 24))
    inplane = float(rng.uniform(0, 360))
    if rng.random() < 0.5:
        inplane = float(rng.choice([0, 90, 180, 270]) + rng.normal(0, 6))
    upright = abs(np.sin(np.radians(inplane))) > 0.7
    portrait = bool(rng.random() < (0.85 if upright else 0.1))
    width, height = (short, long_side) if portrait else (long_side, short)
    f_eq = float(rng.choice([26, 28, 35, 50, 52, 60], p=[0.2, 0.12, 0.2, 0.26, 0.12, 0.1]))
    centre = placed.pose[:3, 3] + placed.pose[:3, 0] * (
        (placed.syringe.foremost_x_mm + placed.syringe.thumb_x_mm) / 2
    )
    target = centre + np.array([rng.normal(0, 0.03), rng.normal(0, 0.03), 0.0]) * length_mm
    camera = Camera(
        width, height, f_eq, tuple(float(v) for v in target), 200.0, min(tilt, 24.0),
        float(rng.uniform(0, 360)), inplane % 360, k1=float(rng.uniform(-0.03, 0.03)),
        aperture_radius_mm=float(rng.uniform(0, 1.1)) * (rng.random() < 0.6),
        focus_error_mm=float(rng.normal(0, 2.5)),
    )  # fmt: skip
    return fitted(camera, placed, float(rng.uniform(0.6, 0.97)))


def fitted(camera: Camera, placed: Placed, share: float) -> Camera:
    """The camera at the distance at which the syringe fills this share of the frame."""
    s, pose = placed.syringe, placed.pose
    reach = s.outer_mm + s.flange_mm
    ends = []
    for x, q in ((s.foremost_x_mm, s.outer_mm), (s.flange_x_mm, reach), (s.thumb_x_mm, reach)):
        for dy, dz in ((q, 0), (-q, 0), (0, q)):
            ends.append(pose[:3, 0] * x + np.array([0, dy, dz]) + pose[:3, 3])
    points = np.asarray(ends)
    half = np.array([camera.width, camera.height]) / 2
    low, high = 120.0, 470.0
    for _ in range(40):
        middle = (low + high) / 2
        trial = replace(camera, distance_mm=middle)
        filled = np.abs((trial.project(points) - camera.centre_px) / half).max()
        low, high = (middle, high) if filled > share else (low, middle)
    return replace(camera, distance_mm=float(np.clip(high, 150.0, 460.0)))


def crop(camera: Camera, placed: Placed, what: str, rng: np.random.Generator) -> Camera:
    """Aim so that the fiducial line, or the numbered scale's front half, is out of the frame."""
    s, pose = placed.syringe, placed.pose
    nearer = replace(camera, distance_mm=max(130.0, 0.75 * camera.distance_mm))
    reach = min(nearer.width, nearer.height) / 2 / nearer.focal_px * nearer.distance_mm
    if what == "cropped_plunger":  # everything behind the front ring is cut off, ring included
        x = s.fiducial_x_mm - 1.4 * reach - 2 * s.outer_mm
        if x + 2.2 * reach < 0:  # too little scale would be left: look at the rod instead
            x = s.fiducial_x_mm + s.stopper_mm + 1.3 * reach + s.outer_mm
    else:  # the scale's front is cut off
        x = max(s.fiducial_x_mm, 0.5 * s.scale_end_x_mm) + 1.3 * reach + s.outer_mm
    at = pose[:3, 0] * x + pose[:3, 3]
    return replace(nearer, target_mm=tuple(float(v) for v in at),
                   inplane_deg=float(rng.choice([0, 90, 180, 270]) + rng.normal(0, 6)))  # fmt: skip


def random_post(rng: np.random.Generator) -> Post:
    balance = 1 + rng.normal(0, 0.045, 3)
    blur = float(rng.uniform(0.4, 1.8)) if rng.random() < 0.24 else 0.0
    motion = float(rng.uniform(1.5, 5.5)) if rng.random() < 0.10 else 0.0
    return Post(
        ev=float(np.clip(rng.normal(0, 0.3), -0.8, 0.7)), blur_sigma_px=blur, motion_px=motion,
        motion_deg=float(rng.uniform(0, 180)), noise=float(rng.gamma(4, 0.22)),
        sharpen=float(rng.uniform(0, 0.8)),
        white_balance=tuple(float(v) for v in balance),
        jpeg_quality=int(rng.integers(70, 93)),
        exif_orientation=int(rng.choice([1, 3, 6, 8], p=[0.85, 0.05, 0.06, 0.04])),
        exif_focal_length=bool(rng.random() < 0.67), noise_key=int(rng.integers(1 << 30)),
    )  # fmt: skip


def random_clutter(
    rng: np.random.Generator, placed: list[Placed], length_mm: float, at_least: int = 1
) -> tuple[Item, ...]:
    """Pens, coins and caps beside the syringe, never on it."""
    items = []
    top = max(p.y_mm + p.syringe.outer_mm + p.syringe.flange_mm for p in placed) + 6
    bottom = min(p.y_mm - p.syringe.outer_mm - p.syringe.flange_mm for p in placed) - 6
    for _ in range(int(rng.integers(at_least, 4))):
        kind = str(rng.choice(["pen", "coin", "cap"], p=[0.38, 0.34, 0.28]))
        side = 1 if rng.random() < 0.5 else -1
        x = float(rng.uniform(-0.45, 0.45)) * length_mm
        if kind == "pen":
            size, colour = (float(rng.uniform(120, 145)), float(rng.uniform(7, 11))), _any(rng)
            angle, clear = float(rng.normal(0, 6)), 16.0
        elif kind == "coin":
            size, colour = (float(rng.uniform(17, 26)), float(rng.uniform(1.4, 2.2))), (0, 0, 0)
            colour = ((0.62, 0.60, 0.56), (0.55, 0.36, 0.22), (0.62, 0.52, 0.28))[rng.integers(3)]
            angle, clear = 0.0, 14.0
        else:
            size, colour = (float(rng.uniform(12, 34)), float(rng.uniform(5, 9))), _any(rng)
            angle, clear = float(rng.uniform(0, 360)), 19.0
        y = (top if side > 0 else bottom) + side * (clear + float(rng.uniform(0, 25)))
        if all(np.hypot(x - i.x_mm, y - i.y_mm) > 32 for i in items) and not (
            kind == "pen" and any(i.kind == "pen" or (i.y_mm > 0) == (y > 0) for i in items)
        ):
            items.append(Item(kind, x, float(y), angle, tuple(float(c) for c in colour), size))
    return tuple(items)


def _any(rng: np.random.Generator) -> tuple[float, float, float]:
    return list(CAPS.values())[int(rng.integers(len(CAPS)))]
