"""The project's own photographs, each written out so that it can be made again.

Liveries, marks, fonts and layouts are invented. Names say what a picture shows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from renderer.camera import Camera
from renderer.printing import Print
from renderer.scene import BODIES, Item, Placed, Post, Scene, fitted
from renderer.syringe import Bubble, Syringe

LONG, SHORT = 1840, 1380


def barrel(
    scale: tuple[float, float, float, float], volume_ml: float, *, bore_mm: float | None = None,
    cone: float = 0.5, **more: Any,
) -> Syringe:  # fmt: skip
    """A syringe with (nominal, last line, interval, numbered increment), drawn to a volume.

    ``cone`` is the stopper's cone as a share of the bore radius.
    """
    nominal = scale[0]
    usual, wall, behind = BODIES[nominal]
    bore = bore_mm or usual
    area = np.pi * bore**2 / 4
    r = bore / 2
    parts: dict[str, Any] = {
        "cone_height_mm": cone * r, "cone_tip_mm": 0.2 * r, "ring_mm": max(0.6, 0.09 * bore),
        "waist_mm": 0.24 * bore, "behind_mm": behind, "wall_mm": wall,
        "flange_mm": 0.45 * r + 3.5,
    }  # fmt: skip
    if more.get("plunger_style") == "one_piece":
        parts |= {"cone_height_mm": 0.5, "cone_tip_mm": 0.8 * r, "ring_mm": 0.07 * bore,
                  "waist_mm": 0.2 * bore, "waist_depth": 0.08}  # fmt: skip
    parts |= more
    return Syringe(*scale, scale_length_mm=float(1000 * nominal / area), inner_diameter_mm=bore,
                   fiducial_x_mm=float(1000 * volume_ml / area), **parts)  # fmt: skip


def photo(
    name: str, syringe: Syringe, scale: Print, *, roll: float = 0.0, lift: float = 0.0,
    tilt: float = 3.0, azimuth: float = 0.0, inplane: float = 0.0, f_eq: float = 50,
    fill: float = 0.86, portrait: bool = False, k1: float = 0.0, post: Post | None = None,
    **more: Any,
) -> Scene:  # fmt: skip
    """A scene with one syringe in the middle of the frame."""
    placed = Placed(syringe, scale, roll, lift_mm=lift)
    middle = (syringe.foremost_x_mm + syringe.thumb_x_mm) / 2
    target = placed.pose[:3, 3] + placed.pose[:3, 0] * middle
    width, height = (SHORT, LONG) if portrait else (LONG, SHORT)
    camera = Camera(width, height, f_eq, tuple(float(v) for v in target), 250.0, tilt, azimuth,
                    inplane, k1=k1)  # fmt: skip
    camera = fitted(camera, placed, fill)
    return Scene(name, (placed,), camera, post or Post(), **more)


def pen(y_mm: float, colour: tuple[float, float, float] = (0.03, 0.05, 0.30)) -> Item:
    return Item("pen", 5, y_mm, 4, colour, (138, 9))


def coin(x_mm: float, y_mm: float) -> Item:
    return Item("coin", x_mm, y_mm, 0, (0.55, 0.36, 0.22), (21, 1.8))


def cap(x_mm: float, y_mm: float, angle: float = 35) -> Item:
    return Item("cap", x_mm, y_mm, angle, (0.85, 0.30, 0.02), (28, 7))


ACROSS = Print(
    layout="base", long_mm=11, numeral_rot90=1, text_mm=2.7, font="LiberationSans-Bold.ttf"
)
ALONG = Print(layout="centre", long_mm=11, numerals="along", numeral_rot90=0, text_mm=3.0,
              font="DejaVuSans.ttf")  # fmt: skip
DOUBLE = Print(layout="double", long_mm=26, numeral_rot90=3, text_mm=3.4, font="Roboto-Medium.ttf")


def _all() -> list[Scene]:
    ml1, ml1_coarse = (1.0, 1.0, 0.01, 0.1), (1.0, 1.0, 0.05, 0.2)
    ml25, ml3 = (2.5, 2.5, 0.1, 0.5), (3.0, 3.0, 0.1, 0.5)
    ml5, ml5_half, ml6 = (5.0, 5.0, 0.2, 1.0), (5.0, 5.0, 0.5, 1.0), (5.0, 6.0, 0.2, 1.0)
    ml10, ml10_half, ml12 = (10.0, 10.0, 0.2, 2.0), (10.0, 10.0, 0.5, 1.0), (10.0, 12.0, 0.2, 2.0)
    ml20, ml24 = (20.0, 20.0, 1.0, 5.0), (20.0, 24.0, 1.0, 2.0)
    ml50, ml60 = (50.0, 50.0, 1.0, 10.0), (50.0, 60.0, 2.0, 10.0)
    fine = Print(layout="base", long_mm=5.4, medium_ratio=0.78, short_ratio=0.55, line_mm=0.17,
                 numeral_rot90=1, text_mm=1.9, numeral_gap_mm=0.5,
                 font="LiberationSansNarrow-Bold.ttf")  # fmt: skip
    fine_along = Print(layout="base", mirrored=True, long_mm=5.2, line_mm=0.22, numerals="along",
                       numeral_rot90=2, text_mm=2.1, font="FreeSansBold.ttf",
                       unit="ml")  # fmt: skip
    large = replace(DOUBLE, long_mm=36, text_mm=4.4, line_mm=0.3)
    dilution = {"bore_mm": 15.4, "stopper_colour": "black", "cone": 0.55, "rod_roll_deg": 30.0}
    dilution_print = replace(ACROSS, long_mm=14, text_mm=3.3, font="OpenSans-Semibold.ttf")
    scenes = [
        photo("one-ml-black-stopper-white-card", barrel(ml1, 0.4), fine, tilt=2, azimuth=40,
              inplane=4, fill=0.93, card_size_mm=(180, 110), desk="wood",
              post=Post(exif_focal_length=True, jpeg_quality=90)),
        photo("one-ml-dark-grey-stopper-grey-card-needle",
              barrel(ml1_coarse, 0.73, stopper_colour="dark grey", attachment="needle",
                     attachment_colour="orange", plunger_colour="natural"), fine_along,
              tilt=5, azimuth=200, inplane=38, fill=0.95, f_eq=35, card_colour="light grey",
              lighting="window", light_azimuth_deg=130),
        photo("two-and-a-half-ml-black-stopper-bubbles",
              barrel(ml25, 2.08, bubbles=(
                  Bubble(9, 20, (0.7, 0.8, 0.8)), Bubble(14.5, -25, (0.45, 0.5, 0.5)),
                  Bubble(19, 45, (0.9, 1.1, 1.1)), Bubble(24, -5, (0.35, 0.4, 0.4)),
                  Bubble(4.5, -50, (0.5, 0.55, 0.55)))),
              replace(ACROSS, long_mm=8.5, text_mm=2.5, unit="ml"), tilt=4, azimuth=310,
              inplane=92, portrait=True, lighting="window", light_azimuth_deg=20,
              card_size_mm=(150, 90), desk="slate", clutter=(coin(20, -50),)),
        photo("three-ml-grey-stopper-pale-blue-card",
              barrel(ml3, 1.72, stopper_colour="light grey", plunger_colour="pale blue"),
              replace(ALONG, long_mm=7.5, text_mm=2.6, font="Lato-Bold.ttf"), roll=7, tilt=6,
              azimuth=120, inplane=205, f_eq=28, card_colour="pale blue",
              post=Post(noise=1.2, exif_focal_length=False)),
        photo("five-ml-blue-stopper-yellow-liquid",
              barrel(ml5, 3.6, stopper_colour="blue", content="yellow", attachment="cap",
                     attachment_colour="white"),
              replace(ACROSS, mirrored=True, numeral_rot90=3, long_mm=10, font="Roboto-Regular.ttf",
                      text_mm=3.0),
              tilt=3, azimuth=75, inplane=352, lighting="ceiling", card_size_mm=(190, 100),
              desk="grey", clutter=(pen(-42),)),
        photo("five-ml-one-piece-green-plunger",
              barrel(ml5_half, 2.26, plunger_style="one_piece", stopper_colour="green",
                     plunger_colour="green"),
              replace(ALONG, layout="base", long_mm=10, numeral_rot90=0, font="FreeSans.ttf"),
              tilt=4, azimuth=0, inplane=270, portrait=True, card_colour="light grey", roll=-6,
              light_azimuth_deg=200),
        photo("five-ml-black-stopper-air-pocket",
              barrel(ml6, 4.4, plug_mm=7.5, meniscus_mm=1.1, plunger_colour="natural"),
              replace(DOUBLE, long_mm=20, text_mm=3.0), lift=35, tilt=3, azimuth=180, inplane=98,
              portrait=True, f_eq=35, lighting="window", light_azimuth_deg=320),
        photo("ten-ml-grey-stopper-blue-card",
              barrel(ml10, 6.5, stopper_colour="light grey"),
              replace(ACROSS, long_mm=14, text_mm=3.2),
              tilt=4, azimuth=250, inplane=18, card_colour="blue", card_size_mm=(230, 130),
              desk="white laminate", ambient=0.5),
        photo("ten-ml-black-stopper-tilted-ten-degrees", barrel(ml10_half, 3.25, cone=0.6),
              replace(ALONG, long_mm=15, text_mm=3.6, font="OpenSans-Regular.ttf"), tilt=10,
              azimuth=5, inplane=3, f_eq=52, card_size_mm=(210, 120), desk="green mat", k1=-0.02),
        photo("ten-ml-black-stopper-long-bubble",
              barrel(ml12, 7.9, bubbles=(Bubble(22, 8, (1.7, 7.5, 2.9)),), content="clear",
                     plunger_colour="white"),
              replace(DOUBLE, long_mm=24, text_mm=3.3), tilt=3, azimuth=60, inplane=146,
              lighting="softbox", light_azimuth_deg=120),
        photo("ten-ml-one-piece-white-plunger-black-card",
              barrel(ml10_half, 5.5, plunger_style="one_piece", stopper_colour="white",
                     plunger_colour="white"),
              replace(ACROSS, long_mm=14, text_mm=3.5, numeral_rot90=1, ink="dark blue"), tilt=5,
              azimuth=300, inplane=348, card_colour="black", card_size_mm=(240, 150),
              desk="grey", ambient=0.55),
        photo("ten-ml-brick-stopper-worn-print",
              barrel(ml10, 8.2, stopper_colour="brick", rings=3, waist_mm=2.3),
              replace(ACROSS, long_mm=13, text_mm=3.2, wear=0.42, wear_key=5, mirrored=True),
              tilt=6, azimuth=20, inplane=75, portrait=True, desk="steel", card_size_mm=(220, 120),
              clutter=(cap(-30, 52), coin(40, 55))),
        photo("twenty-ml-black-stopper-pink-liquid-kraft-card",
              barrel(ml20, 13.0, content="pink", cone=0.45),
              replace(ACROSS, long_mm=17, text_mm=4.0, spine=True, font="DejaVuSans-Bold.ttf"),
              tilt=5, azimuth=100, inplane=186, card_colour="kraft", card_size_mm=(260, 150),
              desk="dark wood", roll=-10),
        photo("twenty-ml-dark-grey-stopper-tilted-fifteen-degrees",
              barrel(ml24, 9.6, stopper_colour="dark grey", plunger_colour="pink"),
              replace(ACROSS, long_mm=17, text_mm=3.7, font="Lato-Medium.ttf"), tilt=15,
              azimuth=185, inplane=8, f_eq=35, card_size_mm=(260, 150), desk="blue",
              lighting="window", light_azimuth_deg=80),
        photo("twenty-ml-one-piece-blue-plunger",
              barrel(ml20, 17.4, plunger_style="one_piece", stopper_colour="blue",
                     plunger_colour="blue", content="clear"),
              replace(ALONG, long_mm=18, text_mm=4.2, font="RobotoCondensed-Bold.ttf", unit="ml"),
              tilt=2, azimuth=10, inplane=181, f_eq=60, roll=8, card_colour="white",
              post=Post(exif_orientation=3)),
        photo("fifty-ml-black-stopper-air-pocket-grey-card",
              barrel(ml50, 31.0, plug_mm=9.0, meniscus_mm=1.5, cone=0.55), large, lift=40, tilt=3,
              azimuth=45, inplane=94, portrait=True, card_colour="light grey", lighting="window",
              light_azimuth_deg=200, post=Post(exif_orientation=6)),
        photo("fifty-ml-grey-stopper-amber-liquid",
              barrel(ml60, 43.0, stopper_colour="light grey", content="amber",
                     plunger_colour="natural"),
              replace(ACROSS, long_mm=25, text_mm=4.6, line_mm=0.32), tilt=6, azimuth=220,
              inplane=330, f_eq=26, card_size_mm=(320, 180), desk="wood", lighting="ceiling"),
        photo("fifty-ml-black-stopper-black-card",
              barrel(ml50, 22.5, cone=0.4, plunger_colour="white"),
              replace(large, font="LiberationSans-Regular.ttf"), tilt=4, azimuth=10, inplane=2,
              card_colour="black", lighting="softbox", ambient=0.6),
        photo("dilution-before-nine-ml-of-diluent", barrel(ml12, 9.0, **dilution), dilution_print,
              roll=4, tilt=3, azimuth=30, inplane=5, card_size_mm=(230, 130), desk="blue"),
        photo("dilution-after-drawing-one-ml", barrel(ml12, 10.02, **dilution), dilution_print,
              roll=-5, tilt=4, azimuth=140, inplane=357, card_size_mm=(230, 130), desk="blue",
              card_angle_deg=-4, light_azimuth_deg=75),
    ]  # fmt: skip

    plain = barrel(ml10_half, 4.6)
    plain_print = replace(ACROSS, long_mm=14, text_mm=3.4)
    empty = photo(
        "refused-no-syringe",
        plain,
        plain_print,
        tilt=5,
        azimuth=70,
        inplane=12,
        card_size_mm=(200, 120),
        desk="wood",
        clutter=(pen(10), coin(-40, -28), cap(35, -30)),
    )
    scenes.append(replace(empty, placed=(), refuse_reason="no_syringe"))
    full = barrel(ml10_half, 8.6)
    cut = photo(
        "refused-plunger-out-of-frame",
        full,
        plain_print,
        tilt=3,
        azimuth=0,
        inplane=2,
        card_colour="light grey",
    )
    pose = cut.placed[0].pose
    near = replace(cut.camera, distance_mm=150.0)
    half_frame = near.distance_mm * LONG / 2 / near.focal_px
    at = pose[:3, 3] + pose[:3, 0] * (full.fiducial_x_mm - 4 - half_frame)
    scenes.append(
        replace(
            cut,
            camera=replace(near, target_mm=tuple(float(v) for v in at)),
            refuse_reason="cropped_plunger",
        )
    )
    scenes.append(
        replace(
            photo(
                "refused-hopeless-blur",
                barrel(ml5, 2.9),
                replace(ACROSS, long_mm=10),
                tilt=4,
                azimuth=90,
                inplane=25,
                desk="grey",
                card_size_mm=(190, 110),
                post=Post(blur_sigma_px=26, noise=1.5),
            ),
            refuse_reason="extreme_blur",
        )
    )
    scenes.append(
        replace(
            photo(
                "refused-back-of-the-barrel",
                barrel(ml20, 8.5),
                replace(ACROSS, long_mm=17, text_mm=4),
                roll=176,
                tilt=3,
                azimuth=20,
                inplane=190,
                desk="slate",
                card_size_mm=(240, 140),
            ),
            refuse_reason="back_facing",
        )
    )
    keys = {s.name: n for n, s in enumerate(scenes)}
    return [
        replace(
            s, texture_key=300 + keys[s.name], post=replace(s.post, noise_key=500 + keys[s.name])
        )
        for s in scenes
    ]


def chosen(names: Sequence[str]) -> list[Scene]:
    """The scenes of these names; "all" stands for every one. Raises ValueError on a wrong name."""
    scenes = {s.name: s for s in _all()}
    if list(names) == ["all"]:
        return list(scenes.values())
    wrong = [n for n in names if n not in scenes]
    if wrong:
        raise ValueError(
            f"no sample photograph is called {wrong[0]}; there are {', '.join(scenes)}"
        )
    return [scenes[n] for n in names]
