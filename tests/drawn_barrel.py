"""A syringe drawn with any print on it, right or wrong, as a cylinder or flat on paper.

The cylinder is seen through a pinhole: for every pixel the ray is met with the barrel's outside,
which carries the print, and with its bore, which carries stopper and rod. Lengths are mm.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from drawn_things import HEIGHT, INK, WIDTH, Colour, Image, box, line, sheet, write

TEXTURE = 12  # texture pixels per mm
BEFORE, AFTER = 14.0, 36.0  # barrel and rod drawn beyond the scale's ends, mm
CARD: Colour = (190, 182, 170)
DISTANCE_MM = 250.0


@dataclass(frozen=True)
class Barrel:
    """Dimensions in mm, *lines* as a share of the scale each, texts beside the numbered ones.

    ``numbered`` are indices into ``lines``, which are long there. ``plunger`` is the fiducial
    line's place as a share of the scale.
    """

    lines: Sequence[float]
    numbered: Sequence[int]
    texts: Sequence[str]
    capacity_ml: float
    interval_ml: float
    plunger: float = 0.43
    scale_mm: float = 55.1
    outer_mm: float = 17.2
    long_mm: float = 11.0
    text_mm: float = 3.2
    cone: float = 0.5  # height of the stopper's cone, in bore radii; 0 for a flat front
    mirrored_text: bool = False
    upside_down: bool = False

    @property
    def width_px(self) -> int:
        return round((BEFORE + self.scale_mm + AFTER) * TEXTURE)

    def x(self, share: float) -> float:
        """Texture column of a place on the scale."""
        return (BEFORE + share * self.scale_mm) * TEXTURE


def ten_ml(texts: Callable[[int], str] = str, **changes: object) -> Barrel:
    """10 mL in intervals of 0.5 mL, long lines at each mL; *texts* says what stands beside k mL."""
    parts: dict[str, object] = {"lines": np.linspace(0, 1, 21), "capacity_ml": 10.0}
    parts |= {"interval_ml": 0.5}
    return Barrel(
        numbered=range(0, 21, 2), texts=[texts(k) for k in range(11)], **(parts | changes)
    )  # type: ignore[arg-type]


def five_ml(texts: Callable[[int], str] = str, **changes: object) -> Barrel:
    """5 mL in intervals of 0.2 mL, long lines at each mL, on a barrel for 5 mL."""
    parts: dict[str, object] = {"scale_mm": 41.0, "outer_mm": 14.2, "long_mm": 9.0, "text_mm": 2.9}
    parts |= {"capacity_ml": 5.0, "interval_ml": 0.2}
    lines = np.linspace(0, 1, 26)
    return Barrel(
        lines, range(0, 26, 5), [texts(k) for k in range(6)], **(parts | changes)  # type: ignore[arg-type]
    )  # fmt: skip


def one_ml(texts: Callable[[int], str], **changes: object) -> Barrel:
    """1 mL in 20 intervals, ten of them numbered, on a slender barrel."""
    parts: dict[str, object] = {"scale_mm": 57.0, "outer_mm": 6.6, "long_mm": 3.4, "text_mm": 1.6}
    parts |= {"capacity_ml": 1.0, "interval_ml": 0.05}
    lines = np.linspace(0, 1, 21)
    return Barrel(
        lines, range(0, 21, 2), [texts(k) for k in range(11)], **(parts | changes)  # type: ignore[arg-type]
    )  # fmt: skip


def printed(barrel: Barrel) -> Image:
    """The print, unrolled: white where there is none. Rows run round the barrel."""
    height = round(np.pi * barrel.outer_mm * TEXTURE)
    image = sheet(barrel.width_px, height, (255, 255, 255))
    text = 0.65 * barrel.text_mm * max(map(len, barrel.texts)) + 0.6  # its extent round the barrel
    base = height / 2 + (barrel.long_mm + text) / 2 * TEXTURE
    numbered = dict(zip(barrel.numbered, barrel.texts, strict=True))
    for k, share in enumerate(barrel.lines):
        x = barrel.x(share)
        length = barrel.long_mm * (1.0 if k in numbered else 0.6) * TEXTURE
        line(image, x, base, x, base - length, 2)
        if numbered.get(k):
            beside = base - length - (text / 2 + 0.5) * TEXTURE
            _numeral(image, numbered[k], x, beside, barrel)
    return image


def _numeral(image: Image, text: str, x: float, y: float, barrel: Barrel) -> None:
    """*text* centred there, turned so that it is read with the nozzle up."""
    size = round(1.35 * barrel.text_mm * TEXTURE)
    stamp = sheet(3 * size, 2 * size, (255, 255, 255))
    write(stamp, text, 1.5 * size, size, size)
    if barrel.mirrored_text:
        stamp = stamp[:, ::-1]
    turned = np.rot90(stamp, 3 if barrel.upside_down else 1)
    top, left = round(y - turned.shape[0] / 2), round(x - turned.shape[1] / 2)
    part = image[top : top + turned.shape[0], left : left + turned.shape[1]]
    np.minimum(part, turned[: part.shape[0], : part.shape[1]], out=part)


def inside(barrel: Barrel) -> Image:
    """What the bore shows, unrolled: liquid, stopper of two rings, rod."""
    bore = 0.89 * barrel.outer_mm
    height = round(np.pi * bore * TEXTURE)
    image = sheet(barrel.width_px, height, (206, 202, 194))
    x = barrel.x(barrel.plunger)
    ring, gap = 0.09 * bore * TEXTURE, 0.24 * bore * TEXTURE
    end = x + 2 * ring + gap
    box(image, x, 0, end, height, (104, 102, 100))
    box(image, x, 0, x + ring, height, (34, 33, 32))
    box(image, x + ring + gap, 0, end, height, (34, 33, 32))
    box(image, end, 0, barrel.width_px, height, (214, 214, 212))
    for share in (0.36, 0.5, 0.64):
        line(image, end, share * height, barrel.width_px, share * height, 8, (176, 176, 174))
    return image


def _met(camera: np.ndarray, rays: np.ndarray, radius: float) -> tuple[np.ndarray, np.ndarray]:
    """Axial place and azimuth where *rays* (N, 3) first meet the cylinder about x; NaN if never."""
    a = rays[:, 1] ** 2 + rays[:, 2] ** 2
    b = camera[1] * rays[:, 1] + camera[2] * rays[:, 2]
    c = camera[1] ** 2 + camera[2] ** 2 - radius**2
    with np.errstate(invalid="ignore"):
        t = (-b - np.sqrt(b**2 - a * c)) / a
    points = camera + t[:, None] * rays
    return points[:, 0], np.arctan2(points[:, 1], points[:, 2])


def _rays(angle: float, tilt: float, focal: float) -> tuple[np.ndarray, np.ndarray]:
    """Camera's place, mm from the barrel's middle, and a ray for each pixel, (N, 3)."""
    u, v = np.meshgrid(
        (np.arange(WIDTH) - WIDTH / 2) / focal, (np.arange(HEIGHT) - HEIGHT / 2) / focal
    )
    a, t = np.radians([angle, tilt])
    along, off = u * np.cos(a) + v * np.sin(a), v * np.cos(a) - u * np.sin(a)
    rays = np.stack([along, off, -np.ones_like(along)], -1).reshape(-1, 3)
    lean = np.array([[np.cos(t), 0, -np.sin(t)], [0, 1, 0], [np.sin(t), 0, np.cos(t)]])
    return lean @ np.array([0.0, 0.0, DISTANCE_MM]), rays @ lean.T


def _seen(texture: Image, x: np.ndarray, azimuth: np.ndarray, radius: float) -> tuple[Image, Image]:
    """The colours there on the unrolled *texture*, and where there are any."""
    column = x * TEXTURE + texture.shape[1] / 2
    row = texture.shape[0] / 2 + azimuth * radius * TEXTURE
    hit = np.isfinite(column) & (column > 0) & (column < texture.shape[1] - 1)
    places = [
        np.nan_to_num(p, nan=-1.0).astype(np.float32).reshape(HEIGHT, WIDTH) for p in (column, row)
    ]
    return cv2.remap(texture, *places, cv2.INTER_LINEAR).reshape(-1, 3), hit


def _cone(barrel: Barrel, camera: np.ndarray, rays: np.ndarray) -> np.ndarray:
    """Where the stopper's cone is seen: its outline in the plane of the axis."""
    bore = 0.89 * barrel.outer_mm / 2
    points = camera + (-camera[2] / rays[:, 2])[:, None] * rays
    foot = BEFORE + barrel.plunger * barrel.scale_mm - barrel.width_px / TEXTURE / 2
    ahead, off = foot - points[:, 0], np.abs(points[:, 1]) / bore
    height = barrel.cone * bore * np.clip((1 - off) / 0.8, 0, 1)
    return (off < 1) & (ahead > -0.1) & (ahead < height)


def photographed_barrel(
    barrel: Barrel, number: int = 0, *, angle: float = 12.0, tilt: float = 3.0,
    skin: Image | None = None,
) -> Image:  # fmt: skip
    """The barrel lying on a card, seen from 250 mm above its middle; angles in degrees.

    *skin* is put round it in place of the print, unrolled as `printed` is.
    """
    rng = np.random.default_rng(number)
    focal = 0.92 * WIDTH / (barrel.width_px / TEXTURE) * DISTANCE_MM
    camera, rays = _rays(angle, tilt, focal)
    picture = np.full((len(rays), 3), CARD, np.float32)
    outer = barrel.outer_mm / 2
    within, hit = _seen(inside(barrel), *_met(camera, rays, 0.89 * outer), 0.89 * outer)
    picture[hit] = within[hit]
    picture[_cone(barrel, camera, rays)] = (40, 39, 38)
    x, azimuth = _met(camera, rays, outer)
    print_, hit = _seen(printed(barrel) if skin is None else skin, x, azimuth, outer)
    wall = 1 - 0.45 * np.abs(np.sin(azimuth)) ** 14
    picture[hit] *= print_[hit] / 255.0 * wall[hit, None]
    picture[hit] += 30 * np.exp(-(((azimuth[hit, None] - 0.9) / 0.05) ** 2))  # a lamp's reflection
    blurred = cv2.GaussianBlur(picture.reshape(HEIGHT, WIDTH, 3), (0, 0), 0.7)
    return np.clip(blurred + rng.normal(0, 1.5, blurred.shape), 0, 255).astype(np.uint8)


def on_paper(barrel: Barrel) -> Image:
    """The same, drawn flat in ink and grey: no cylinder."""
    whole = printed(barrel)
    half = round(barrel.outer_mm * TEXTURE / 2)
    middle = whole.shape[0] // 2
    flat = whole[middle - half : middle + half].copy()
    within = cv2.resize(inside(barrel), (flat.shape[1], flat.shape[0]))
    flat = np.minimum(flat, within)
    paper = sheet(flat.shape[1] + 120, flat.shape[0] + 300, (236, 238, 238))
    paper[150:-150, 60:-60] = flat
    box(paper, 58, 148, paper.shape[1] - 60, 151, INK)
    box(paper, 58, paper.shape[0] - 152, paper.shape[1] - 60, paper.shape[0] - 149, INK)
    return paper
