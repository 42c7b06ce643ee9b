"""The scale on the outer wall: where each line stands, and its ink as a picture.

The picture covers the whole outer wall: columns along x, rows around it. Lines are painted by
exact coverage, so a line's middle is where the truth says, not at the nearest picture element.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

from .syringe import Syringe

#: Fonts from Debian packages (fonts-dejavu-core, fonts-liberation, fonts-freefont-ttf,
#: fonts-lato, fonts-open-sans, fonts-roboto-unhinted); none is part of this project.
FONTS = (
    "DejaVuSans.ttf", "DejaVuSans-Bold.ttf", "LiberationSans-Regular.ttf",
    "LiberationSans-Bold.ttf", "LiberationSansNarrow-Regular.ttf", "LiberationSansNarrow-Bold.ttf",
    "FreeSans.ttf", "FreeSansBold.ttf", "Lato-Regular.ttf", "Lato-Medium.ttf", "Lato-Bold.ttf",
    "OpenSans-Regular.ttf", "OpenSans-Semibold.ttf", "OpenSans-CondBold.ttf",
    "Roboto-Regular.ttf", "Roboto-Medium.ttf", "RobotoCondensed-Regular.ttf",
    "RobotoCondensed-Bold.ttf",
)  # fmt: skip
PACKAGES = (
    "fonts-dejavu-core fonts-liberation fonts-freefont-ttf fonts-lato fonts-open-sans "
    "fonts-roboto-unhinted"
)
FONT_FOLDERS = ("/usr/share/fonts", "/usr/local/share/fonts")


@dataclass(frozen=True)
class Print:
    """How the scale is printed. Lengths in mm on the wall, angles in degrees around it."""

    layout: str = "base"  # "base" | "centre" | "double" | "gap"
    mirrored: bool = False
    long_mm: float = 8.0
    medium_ratio: float = 0.75
    short_ratio: float = 0.55
    line_mm: float = 0.28
    spine: bool = False
    numerals: str = "across"  # how they read: "across" the barrel or "along" it
    numeral_rot90: int = 1
    text_mm: float = 3.0
    numeral_gap_mm: float = 0.8
    font: str = "DejaVuSans.ttf"
    unit: str = "mL"
    zero_numeral: bool = False
    wear: float = 0.0
    wear_key: int = 0
    ink: str = "black"
    mark: str = ""


@dataclass(frozen=True)
class Tick:
    """One line: its value, its place along the barrel and the angles it spans."""

    value_ml: float
    kind: str  # "long" | "medium" | "short"
    x_mm: float
    arcs_deg: tuple[tuple[float, float], ...]


def ticks(syringe: Syringe, scale: Print) -> list[Tick]:
    """Every line from zero to the last, in order."""
    step, big = syringe.scale_interval_ml, syringe.numbered_increment_ml
    per_ml = syringe.scale_length_mm / syringe.nominal_ml
    count = round(syringe.graduated_max_ml / step)
    lengths = {
        "long": scale.long_mm,
        "medium": scale.long_mm * scale.medium_ratio,
        "short": scale.long_mm * scale.short_ratio,
    }
    found = []
    for i in range(count + 1):
        value = round(i * step, 6)
        if _multiple(value, big) or i == count:
            kind = "long"
        elif big / step >= 4 and _multiple(value, big / 2):
            kind = "medium"
        else:
            kind = "short"
        found.append(Tick(value, kind, value * per_ml, _arcs(syringe, scale, lengths[kind])))
    return found


def numbered(syringe: Syringe, scale: Print) -> list[float]:
    """The values that carry a numeral, in mL."""
    big = syringe.numbered_increment_ml
    first = 0 if scale.zero_numeral else 1
    count = int(round(syringe.graduated_max_ml / big + 1e-6, 6))
    return [round(i * big, 6) for i in range(first, count + 1)]


def _multiple(value: float, of: float) -> bool:
    return abs(value / of - round(value / of)) < 1e-6


def _deg(syringe: Syringe, arc_mm: float) -> float:
    return float(np.degrees(arc_mm / syringe.outer_mm))


def _text_band_mm(syringe: Syringe, scale: Print) -> float:
    """Room for the numerals around the barrel, in mm."""
    if scale.numeral_rot90 % 2 == 0:
        return scale.text_mm * 0.8
    widest = max(len(label(v)) for v in numbered(syringe, scale))
    return scale.text_mm * 0.52 * widest


def _arcs(syringe: Syringe, scale: Print, length: float) -> tuple[tuple[float, float], ...]:
    """Angles of a line of this length; the whole scale is centred on angle zero."""
    band = _text_band_mm(syringe, scale)
    full = scale.long_mm + scale.numeral_gap_mm + band
    if scale.layout == "base":
        spans = [(-full / 2, -full / 2 + length)]
    elif scale.layout == "centre":
        middle = -full / 2 + scale.long_mm / 2
        spans = [(middle - length / 2, middle + length / 2)]
    elif scale.layout == "double":
        inner = band / 2 + scale.numeral_gap_mm
        spans = [(-inner - length / 2, -inner), (inner, inner + length / 2)]
    else:  # "gap": one line with the numeral set into long ones only
        spans = [(-length / 2, length / 2)]
    sign = -1.0 if scale.mirrored else 1.0
    turned = [tuple(sorted((sign * a, sign * b))) for a, b in spans]
    return tuple((_deg(syringe, a), _deg(syringe, b)) for a, b in turned)


def numeral_angle_deg(syringe: Syringe, scale: Print) -> float:
    """The angle around the barrel at which the numerals are centred."""
    if scale.layout == "double":
        return 0.0
    band = _text_band_mm(syringe, scale)
    sign = -1.0 if scale.mirrored else 1.0
    if scale.layout == "gap":
        return _deg(syringe, sign * (scale.long_mm / 2 + scale.numeral_gap_mm + band / 2))
    full = scale.long_mm + scale.numeral_gap_mm + band
    return _deg(syringe, sign * (full - band) / 2)


def span_deg(syringe: Syringe, scale: Print) -> float:
    """Angle around the barrel that lines and numerals take up together."""
    angles = [a for t in ticks(syringe, scale) for arc in t.arcs_deg for a in arc]
    middle, half = numeral_angle_deg(syringe, scale), _text_band_mm(syringe, scale) / 2
    angles += [middle - _deg(syringe, half), middle + _deg(syringe, half)]
    return max(angles) - min(angles)


def label(value_ml: float) -> str:
    """The numeral as printed."""
    return f"{value_ml:g}"


def ink_alpha(syringe: Syringe, scale: Print, *, limit_px: int = 4096) -> np.ndarray:
    """Ink on the whole outer wall, 0 to 1, shape (around, along).

    Row 0 is angle -180° and column 0 the front end of the printed cylinder.
    """
    start, end = syringe.print_start_x_mm, syringe.flange_x_mm
    around_mm = 2 * np.pi * syringe.outer_mm
    per_mm = min(60.0, limit_px / max(end - start, around_mm))
    columns, rows = round((end - start) * per_mm), round(around_mm * per_mm)
    alpha = np.zeros((rows, columns), np.float32)

    def column(x_mm: float) -> float:
        return (x_mm - start) / (end - start) * columns

    def row(angle_deg: float) -> float:
        return (angle_deg / 360 + 0.5) * rows

    def bar(x0: float, x1: float, a0: float, a1: float) -> None:
        along = _coverage(column(x0), column(x1), columns)
        across = _coverage(row(a0), row(a1), rows)
        c, r = np.flatnonzero(along), np.flatnonzero(across)
        if len(c) and len(r):
            patch = alpha[r[0] : r[-1] + 1, c[0] : c[-1] + 1]
            np.maximum(patch, np.outer(across[r], along[c]), out=patch)

    half = scale.line_mm / 2
    lines = ticks(syringe, scale)
    for tick in lines:
        for a0, a1 in tick.arcs_deg:
            bar(tick.x_mm - half, tick.x_mm + half, a0, a1)
    if scale.spine:
        for a0, a1 in lines[0].arcs_deg:
            edge = a0 if (scale.layout == "base") != scale.mirrored else a1
            if scale.layout == "double":
                edge = a1 if a1 < 0 else a0
            w = _deg(syringe, half)
            bar(lines[0].x_mm - half, lines[-1].x_mm + half, edge - w, edge + w)

    per_ml = syringe.scale_length_mm / syringe.nominal_ml
    room_mm = syringe.numbered_increment_ml * per_ml
    angle = numeral_angle_deg(syringe, scale)
    numerals = [(label(v), v * per_ml) for v in numbered(syringe, scale)]
    font_mm = scale.text_mm
    if scale.numeral_rot90 % 2 == 0:  # along: the widest must fit between two numbered lines
        widest = max(len(text) for text, _ in numerals)
        font_mm = min(font_mm, 0.86 * room_mm / (0.56 * widest))
    else:
        font_mm = min(font_mm, 0.86 * room_mm)
    for text, x in numerals:
        _paste(
            alpha,
            _text(text, scale.font, font_mm * per_mm, scale.numeral_rot90),
            column(x),
            row(angle),
        )
    last = numerals[-1][1]
    shift = max(0.75 * font_mm + 1.0, 0.62 * font_mm * len(numerals[-1][0]) / 2 + font_mm)
    unit_x = min(max(last, lines[-1].x_mm) + shift, end - font_mm)
    _paste(alpha, _text(scale.unit, scale.font, font_mm * per_mm, scale.numeral_rot90),
           column(unit_x), row(angle))  # fmt: skip
    if scale.mark:
        opposite = _deg(syringe, -np.sign(angle or 1) * 0.25 * around_mm)
        _paste(
            alpha,
            _text(scale.mark, scale.font, 0.8 * font_mm * per_mm, 0),
            column(0.55 * lines[-1].x_mm),
            row(np.clip(opposite * 1.9, -175, 175)),
        )
    if scale.wear > 0:
        alpha *= _wear(alpha.shape, scale.wear, scale.wear_key)
    return alpha


def _coverage(low: float, high: float, count: int) -> np.ndarray:
    """How much of each unit cell the interval covers."""
    edges = np.clip(np.arange(count + 1, dtype=np.float64), low, high)
    return np.diff(edges).astype(np.float32)


@lru_cache(maxsize=64)
def font_path(name: str) -> str:
    """The font file of this name; raises FileNotFoundError saying which packages hold it."""
    extra = os.environ.get("DRAWMARK_FONT_FOLDER")
    for folder in ([extra] if extra else []) + list(FONT_FOLDERS):
        for path in sorted(Path(folder).rglob(name)):
            return str(path)
    raise FileNotFoundError(
        f"font {name} not found: install the Debian packages {PACKAGES}, "
        "or name a folder that holds it in DRAWMARK_FONT_FOLDER"
    )


def _text(text: str, font: str, height_px: float, turns: int) -> np.ndarray:
    """A word as coverage, turned by quarter turns; digits are about ``height_px`` * 0.72 high.

    Rows run with the angle, which increases upwards as seen from outside, so the upright
    picture is flipped before it is turned.
    """
    from PIL import Image, ImageDraw, ImageFont

    face = ImageFont.truetype(font_path(font), max(8, round(height_px)))
    left, top, right, bottom = face.getbbox(text)
    image = Image.new("L", (int(right - left) + 4, int(bottom - top) + 4), 0)
    ImageDraw.Draw(image).text((2 - left, 2 - top), text, fill=255, font=face)
    return np.rot90(np.flipud(np.asarray(image, np.float32) / 255), turns)


def _paste(alpha: np.ndarray, patch: np.ndarray, column: float, row: float) -> None:
    r0, c0 = round(row - patch.shape[0] / 2), round(column - patch.shape[1] / 2)
    rows = np.arange(r0, r0 + patch.shape[0]) % alpha.shape[0]
    inside = (np.arange(c0, c0 + patch.shape[1]) >= 0) & (
        np.arange(c0, c0 + patch.shape[1]) < alpha.shape[1]
    )
    columns = np.arange(c0, c0 + patch.shape[1])[inside]
    view = np.ix_(rows, columns)
    alpha[view] = np.maximum(alpha[view], patch[:, inside])


def _wear(shape: tuple[int, int], amount: float, key: int) -> np.ndarray:
    """Rubbed-off ink: patches fade together, specks go altogether."""
    rng = np.random.default_rng(key)
    patches = value_noise(shape, 5, rng)
    specks = value_noise(shape, 220, rng)
    keep = 1 - amount * np.clip(2.2 * (patches - 0.35), 0, 1)
    return (keep * (specks > 0.55 * amount * patches)).astype(np.float32)


def value_noise(shape: tuple[int, int], cells: int, rng: np.random.Generator) -> np.ndarray:
    """Smooth random field between 0 and 1 with about ``cells`` blobs along its longer side."""
    longest = max(shape)
    rows = max(2, round(cells * shape[0] / longest) + 1)
    columns = max(2, round(cells * shape[1] / longest) + 1)
    grid = rng.random((rows, columns)).astype(np.float32)
    return _stretch(_stretch(grid, shape[0], 0), shape[1], 1)


def _stretch(field: np.ndarray, count: int, axis: int) -> np.ndarray:
    at = np.linspace(0, field.shape[axis] - 1, count)
    low = np.minimum(at.astype(int), field.shape[axis] - 2)
    t = at - low
    t = t * t * (3 - 2 * t)
    weight = t[:, None] if axis == 0 else t[None, :]
    return np.take(field, low, axis) * (1 - weight) + np.take(field, low + 1, axis) * weight
