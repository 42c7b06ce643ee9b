"""Pictures of things with lines and numerals that are no syringe, drawn: nothing to download.

Each is drawn flat and then photographed: laid on a desk at an angle, in perspective, with a
light that falls off, a little blur and noise. All are BGR, (H, W, 3) uint8.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np

WIDTH, HEIGHT = 1100, 800
INK = (45, 42, 40)
Colour = tuple[int, int, int]
Image = np.ndarray


def sheet(width: int, height: int, colour: Colour) -> Image:
    return np.full((height, width, 3), colour, np.uint8)


def write(image: Image, text: str, x: float, y: float, size: int, colour: Colour = INK) -> None:
    """*text* centred at (x, y), *size* px high; OpenCV's own font, the same on every machine."""
    font = cv2.FontFace("sans")
    (left, top, width, height) = cv2.getTextSize((0, 0), text, (0, 0), font, size, 500)
    at = (round(x - width / 2 - left), round(y - height / 2 - top))
    cv2.putText(image, text, at, colour, font, size, 500)


def line(
    image: Image, x0: float, y0: float, x1: float, y1: float, wide: int = 2, colour: Colour = INK
) -> None:
    """A line, ends to a sixteenth of a pixel."""
    ends = [(round(16 * x), round(16 * y)) for x, y in ((x0, y0), (x1, y1))]
    cv2.line(image, *ends, colour, wide, cv2.LINE_AA, 4)


def box(image: Image, x0: float, y0: float, x1: float, y1: float, colour: Colour) -> None:
    cv2.rectangle(image, (round(x0), round(y0)), (round(x1), round(y1)), colour, -1, cv2.LINE_AA)


def photographed(
    thing: Image,
    number: int,
    *,
    angle: float = 8,
    tilt: float = 0.06,
    desk: Colour = (186, 190, 193),
    blur: float = 0.7,
) -> Image:
    """*thing* on a desk. *number* settles the noise; *tilt* is how much one end is smaller."""
    rng = np.random.default_rng(number)
    height, width = thing.shape[:2]
    a = np.radians(angle)
    turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * [width / 2, height / 2]
    spread = np.abs(corners @ turn.T).max(axis=0)
    fill = 0.94 * min(WIDTH / 2 / spread[0], HEIGHT / 2 / spread[1])
    placed = corners @ turn.T * fill
    placed *= (1 - tilt * (placed[:, :1] + placed[:, 1:]) / WIDTH) / (1 + tilt / 2)
    placed += [WIDTH / 2, HEIGHT / 2]
    own = corners + np.array([width / 2, height / 2])
    warp = cv2.getPerspectiveTransform(own.astype(np.float32), placed.astype(np.float32))
    picture = sheet(WIDTH, HEIGHT, desk)
    laid = cv2.warpPerspective(thing, warp, (WIDTH, HEIGHT), flags=cv2.INTER_AREA)
    mask = cv2.warpPerspective(np.full((height, width), 255, np.uint8), warp, (WIDTH, HEIGHT))
    share = mask[..., None] / 255.0
    mixed = cv2.GaussianBlur(laid * share + picture * (1 - share), (0, 0), blur)
    x, y = np.meshgrid(np.linspace(-1, 1, WIDTH), np.linspace(-1, 1, HEIGHT))
    light = 1 - 0.10 * (x + 0.6 * y) - 0.06 * (x**2 + y**2)
    return np.clip(mixed * light[..., None] + rng.normal(0, 2, mixed.shape), 0, 255).astype(
        np.uint8
    )


# ---- with numerals along a scale


def ruler(
    base: Colour, *, divide: int, numbers: int, every: int = 1, inches: bool = False
) -> Image:
    """A straight rule; *divide* lines to a numbered length, numerals 0 to *numbers*."""
    image = sheet(1300, 150, base)
    step = 1200 / (numbers * divide)
    for k in range(numbers * divide + 1):
        x = 50 + k * step
        if k % divide == 0:
            length = 52
            if (k // divide) % every == 0:
                write(image, str(k // divide), x, 78, 26)
        else:
            length = 38 if k % (divide // 2) == 0 else 24
            if inches and k % (divide // 4) == 0:
                length = max(length, 32)
        line(image, x, 2, x, length)
    return image


def two_edged_ruler() -> Image:
    image = sheet(1300, 190, (120, 178, 214))
    for k in range(151):
        x = 50 + 8 * k
        line(image, x, 2, x, 46 if k % 10 == 0 else 36 if k % 5 == 0 else 26)
        if k % 10 == 0:
            write(image, str(k // 10), x, 68, 22)
    for k in range(6 * 16 + 1):
        x = 50 + 12.5 * k
        line(image, x, 188, x, 188 - (46 if k % 16 == 0 else 34 if k % 4 == 0 else 24))
        if k % 16 == 0:
            write(image, str(k // 16), x, 122, 24)
    return image


def thermometer(lowest: int, highest: int, per: int, fluid: Colour) -> Image:
    """A glass thermometer: a tube with a scale beside a thread of fluid."""
    image = sheet(1300, 130, (228, 230, 231))
    box(image, 0, 0, 1300, 5, (165, 168, 170))
    box(image, 0, 124, 1300, 129, (165, 168, 170))
    cv2.circle(image, (50, 92), 30, fluid, -1, cv2.LINE_AA)
    box(image, 60, 86, 780, 98, fluid)
    count = (highest - lowest) * per // 10
    for k in range(count + 1):
        x = 140 + 1100 * k / count
        tall = k % per == 0
        line(image, x, 84, x, 84 - (34 if tall else 26 if k % per == per // 2 else 17))
        if tall:
            write(image, str(lowest + 10 * k // per), x, 32, 24)
    return image


def measuring_cylinder() -> Image:
    """Volumes, a tube and a water level, but nothing that is drawn back."""
    image = sheet(1300, 250, (222, 222, 220))
    box(image, 0, 0, 1300, 7, (150, 150, 148))
    box(image, 0, 243, 1300, 250, (150, 150, 148))
    box(image, 0, 8, 760, 242, (214, 205, 196))
    cv2.ellipse(image, (760, 125), (16, 118), 0, 0, 360, (176, 170, 164), 3, cv2.LINE_AA)
    for k in range(51):
        x = 120 + 22 * k
        long = k % 5 == 0
        line(image, x, 90 if long else 120, x, 170 if long else 155)
        if k % 10 == 0 and k:
            write(image, str(k), x, 200, 32)
    write(image, "mL", 1255, 125, 34)
    return image


def vernier() -> Image:
    image = sheet(1300, 260, (178, 182, 184))
    for k in range(121):
        x = 50 + 10 * k
        line(image, x, 130, x, 130 - (52 if k % 10 == 0 else 40 if k % 5 == 0 else 28))
        if k % 10 == 0:
            write(image, str(k // 10), x, 56, 26)
    box(image, 300, 134, 860, 250, (200, 203, 205))
    for k in range(51):
        x = 340 + 9.8 * k
        line(image, x, 136, x, 136 + (46 if k % 5 == 0 else 28))
        if k % 5 == 0:
            write(image, str(k // 5), x, 206, 22)
    return image


def slide_rule() -> Image:
    image = sheet(1300, 200, (205, 226, 232))
    for row, top in enumerate((10, 110)):
        for n in range(10, 101):
            x = 60 + 1180 * np.log10(n / 10)
            long = n % 10 == 0
            line(image, x, top, x, top + (44 if long else 32 if n % 5 == 0 else 20))
            if long:
                write(image, str(n // 10 if n < 100 else 1), x, top + 64, 24 - 2 * row)
    return image


def protractor() -> Image:
    image = sheet(900, 520, (214, 220, 206))
    for k in range(181):
        a = np.radians(k)
        inner = 400 if k % 10 == 0 else 415 if k % 5 == 0 else 428
        point = np.array([np.cos(a), -np.sin(a)])
        line(image, *(np.array([450, 490]) + inner * point), *(np.array([450, 490]) + 445 * point))
        if k % 20 == 0:
            write(image, str(k), *(np.array([450, 490]) + 370 * point), 24)
    return image


def chart() -> Image:
    """A printed curve with an axis of evenly spaced numerals."""
    image = sheet(1100, 620, (236, 237, 238))
    line(image, 110, 40, 110, 530)
    line(image, 110, 530, 1060, 530)
    for k in range(51):
        x = 110 + 19 * k
        line(image, x, 530, x, 550 if k % 5 == 0 else 541)
        if k % 5 == 0:
            write(image, f"{k / 5:g}", x, 574, 24)
    x = np.arange(110, 1060, 3)
    y = 300 - 180 * np.sin((x - 110) / 120) * np.exp(-(x - 110) / 700)
    cv2.polylines(image, [np.stack([x, y], 1).round().astype(np.int32)], False, (60, 60, 190), 4)
    return image


def radio_dial() -> Image:
    image = sheet(1200, 260, (38, 46, 52))
    pale = (190, 214, 226)
    for k in range(101):
        x = 80 + 10.4 * k
        line(image, x, 110, x, 160 if k % 5 == 0 else 138, 2, pale)
        if k % 10 == 0:
            write(image, str(88 + 2 * k // 10), x, 80, 26, pale)
    line(image, 610, 40, 610, 220, 4, (40, 60, 220))
    return image


# ---- lines without numerals


def barcode(number: int) -> Image:
    rng = np.random.default_rng(number)
    image = sheet(1000, 420, (240, 240, 240))
    x = 60
    while x < 930:
        wide = 5 * int(rng.integers(1, 4))
        box(image, x, 40, x + wide, 330, (20, 20, 20))
        x += wide + 5 * int(rng.integers(1, 4))
    write(image, "".join(str(d) for d in rng.integers(0, 10, 13)), 500, 372, 50)
    return image


def clock_track() -> Image:
    """Even bars of two lengths with digits: a postal or ticket code."""
    image = sheet(1200, 240, (222, 230, 236))
    for k in range(81):
        x = 70 + 13.2 * k
        line(image, x, 60, x, 140 if k % 4 else 165, 4)
        if k % 8 == 0:
            write(image, str((7 * k) % 10), x, 195, 30)
    return image


def keyboard(keys: Colour, letters: Colour) -> Image:
    image = sheet(1200, 480, tuple(int(0.6 * c) for c in keys))  # type: ignore[arg-type]
    rows = ("1234567890", "QWERTYUIOP", "ASDFGHJKL;", "ZXCVBNM,./")
    for r, row in enumerate(rows):
        for k, name in enumerate(row):
            x, y = 40 + 108 * k + 24 * r, 26 + 110 * r
            box(image, x, y, x + 94, y + 94, keys)
            write(image, name, x + 30, y + 34, 34, letters)
    return image


def piano() -> Image:
    image = sheet(1200, 460, (236, 238, 238))
    for k in range(25):
        line(image, 48 * k, 0, 48 * k, 460, 3)
        if k % 7 not in (0, 3):
            box(image, 48 * k - 14, 0, 48 * k + 14, 280, (25, 25, 25))
    return image


def teeth(
    count: int, base: Colour, tooth: Colour, *, spine: float = 0.3, share: float = 0.5
) -> Image:
    """A comb: a spine and *count* teeth, *share* of the pitch wide."""
    image = sheet(1200, 340, base)
    box(image, 30, 20, 1170, 20 + 300 * spine, tooth)
    pitch = 1120 / count
    for k in range(count):
        box(image, 40 + pitch * k, 20, 40 + pitch * (k + share), 330, tooth)
    return image


def zip_fastener() -> Image:
    image = sheet(1200, 220, (92, 66, 48))
    for k in range(75):
        x = 20 + 15.6 * k
        top = 88 if k % 2 else 106
        box(image, x, top, x + 9, top + 30, (168, 196, 208))
    box(image, 860, 70, 960, 160, (140, 168, 180))
    return image


def stairs() -> Image:
    image = sheet(900, 900, (168, 170, 172))
    for k in range(26):
        y = 880 - 34 * k * (1 - 0.011 * k)
        half = 400 - 9 * k
        line(image, 450 - half, y, 450 + half, y, 5, (84, 86, 90))
        box(image, 450 - half, y + 5, 450 + half, y + 14, (206, 208, 210))
    return image


def fence() -> Image:
    image = sheet(1200, 600, (208, 188, 160))
    box(image, 0, 420, 1200, 600, (84, 132, 96))
    for k in range(30):
        x = 18 + 40 * k
        box(image, x, 120 if k % 5 else 90, x + 16, 540, (70, 92, 118))
    box(image, 0, 190, 1200, 212, (60, 82, 108))
    box(image, 0, 440, 1200, 462, (60, 82, 108))
    return image


def stripes(pitch: float, wide: int, base: Colour, ink: Colour, *, fade: bool = False) -> Image:
    """Cloth, corrugated card, radiator fins."""
    image = sheet(1200, 620, base)
    for k in range(int(1200 / pitch) + 1):
        line(image, pitch * k, 0, pitch * k, 620, wide, ink)
    if fade:
        y = np.linspace(-1, 1, 620)[:, None, None]
        image = (image * (0.55 + 0.45 * np.sqrt(1 - 0.9 * y**2))).astype(np.uint8)
    return image


def screw() -> Image:
    """A threaded rod: slanting turns on a shaded cylinder."""
    image = stripes(16, 6, (170, 172, 174), (70, 72, 76), fade=True)[:180]
    shear = np.array([[1, 0.07, 0], [0, 1, 0]], np.float32)
    return np.asarray(cv2.warpAffine(image, shear, (1200, 180), borderMode=cv2.BORDER_WRAP))


def spiral_notebook() -> Image:
    image = sheet(1100, 700, (238, 236, 232))
    for k in range(36):
        x = 40 + 29 * k
        cv2.circle(image, (x, 50), 8, (70, 70, 70), -1, cv2.LINE_AA)
        cv2.ellipse(image, (x, 26), (7, 30), 0, 0, 360, (110, 110, 112), 4, cv2.LINE_AA)
    for k in range(14):
        line(image, 30, 130 + 40 * k, 1070, 130 + 40 * k, 2, (206, 190, 170))
    return image


def graph_paper() -> Image:
    image = sheet(1100, 760, (240, 242, 242))
    for k in range(0, 1101, 14):
        wide = 3 if k % 140 == 0 else 2 if k % 70 == 0 else 1
        line(image, k, 0, k, 760, wide, (170, 150, 110))
        line(image, 0, k, 1100, k, wide, (170, 150, 110))
    return image


def music() -> Image:
    rng = np.random.default_rng(3)
    image = sheet(1100, 760, (230, 240, 244))
    for staff in range(5):
        top = 60 + 140 * staff
        for k in range(5):
            line(image, 40, top + 16 * k, 1060, top + 16 * k)
        for k in range(24):
            x, y = 90 + 40 * k, top + 8 * int(rng.integers(0, 9))
            cv2.ellipse(image, (x, y), (10, 7), -20, 0, 360, INK, -1, cv2.LINE_AA)
            line(image, x + 9, y, x + 9, y - 52)
    return image


def books() -> Image:
    rng = np.random.default_rng(8)
    image = sheet(1200, 620, (60, 80, 100))
    x = 10
    while x < 1150:
        wide = int(rng.integers(22, 40))
        box(image, x, 30 + int(rng.integers(0, 60)), x + wide - 4, 610,
            tuple(int(c) for c in rng.integers(50, 220, 3)))  # type: ignore[arg-type]  # fmt: skip
        write(image, str(int(rng.integers(1, 30))), x + wide / 2 - 2, 540, 20, (235, 235, 235))
        x += wide
    return image


def building() -> Image:
    image = sheet(1000, 700, (150, 158, 168))
    for r in range(14):
        for k in range(20):
            box(image, 30 + 48 * k, 30 + 47 * r, 62 + 48 * k, 62 + 47 * r, (92, 84, 70))
    return image


THINGS: dict[str, tuple[str, Callable[[], Image]]] = {
    # name: kind, what draws it
    "ruler-white": ("ruler", lambda: ruler((235, 235, 232), divide=10, numbers=15)),
    "ruler-wood": ("ruler", lambda: ruler((128, 182, 214), divide=10, numbers=10)),
    "ruler-steel-half-mm": ("ruler", lambda: ruler((176, 180, 182), divide=20, numbers=6)),
    "ruler-inches": ("ruler", lambda: ruler((96, 205, 232), divide=16, numbers=6, inches=True)),
    "ruler-of-fives": ("ruler", lambda: ruler((228, 228, 226), divide=2, numbers=25, every=5)),
    "ruler-two-edges": ("ruler", two_edged_ruler),
    "vernier": ("vernier", vernier),
    "slide-rule": ("slide rule", slide_rule),
    "protractor": ("protractor", protractor),
    "thermometer-red": ("thermometer", lambda: thermometer(-20, 50, 10, (50, 50, 200))),
    "thermometer-grey": ("thermometer", lambda: thermometer(0, 100, 10, (90, 90, 92))),
    "thermometer-fever": ("thermometer", lambda: thermometer(300, 420, 5, (70, 74, 76))),
    "measuring-cylinder": ("measuring cylinder", measuring_cylinder),
    "chart-axis": ("chart", chart),
    "radio-dial": ("dial", radio_dial),
    "barcode-first": ("barcode", lambda: barcode(1)),
    "barcode-second": ("barcode", lambda: barcode(2)),
    "barcode-even-bars": ("barcode", clock_track),
    "keyboard-white": ("keyboard", lambda: keyboard((224, 224, 222), (60, 60, 60))),
    "keyboard-black": ("keyboard", lambda: keyboard((46, 46, 46), (220, 220, 220))),
    "keyboard-piano": ("keyboard", piano),
    "comb-black": ("comb", lambda: teeth(60, (214, 214, 210), (40, 40, 40))),
    "comb-coarse": ("comb", lambda: teeth(32, (222, 226, 226), (60, 90, 160), spine=0.5)),
    "hair-brush": ("comb", lambda: teeth(44, (190, 200, 204), (52, 60, 80), spine=0.6, share=0.25)),
    "zip": ("zip", zip_fastener),
    "stairs": ("stairs", stairs),
    "fence": ("fence", fence),
    "cloth": ("texture", lambda: stripes(19, 7, (206, 200, 196), (110, 80, 60))),
    "corrugated-card": ("texture", lambda: stripes(23, 9, (120, 160, 186), (96, 132, 156))),
    "radiator": ("texture", lambda: stripes(27, 4, (226, 226, 224), (120, 120, 120), fade=True)),
    "screw-thread": ("texture", screw),
    "spiral-notebook": ("texture", spiral_notebook),
    "graph-paper": ("texture", graph_paper),
    "music": ("texture", music),
    "books": ("texture", books),
    "building": ("texture", building),
}  # fmt: skip


def thing(name: str) -> Image:
    """The photograph of one of `THINGS`; its angle goes with its place in the table."""
    number = list(THINGS).index(name)
    return photographed(THINGS[name][1](), number, angle=(37 * number) % 60 - 30)
