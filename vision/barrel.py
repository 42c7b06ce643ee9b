"""Where a graduated barrel may be: many short dark lines, side by side along an axis.

A clear barrel on a card has almost no contrast and the stopper may be any colour, but every
readable photograph shows a comb.  `CombMap` looks for it at all rotations; `find_walls`
then finds the outlines beside it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np

from .strip import Strip, cut_strip

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from .silhouette import Outline

    Array = NDArray[Any]

DIRECTIONS = 36
SHRINK = 3  # the comb's energy is summed over long boxes: a sixth of the size is ample
PIECES = 24
BUSIEST = 4
MIN_WIDTH_PX = 16
CELL = 2 * SHRINK  # working pixels
BAND = 40 * CELL
MARGIN = 8 * CELL  # further than any of the filters reaches
MOST_ENERGY = 0.3
BOX_WIDTH = 3  # cells
BOX_SHARE = 0.16  # box length as a share of the picture's long side


@dataclass(frozen=True)
class Comb:
    """A likely place of graduation lines: working pixel (2,), axis direction, score."""

    centre: Array
    angle: float
    score: float


@dataclass(frozen=True)
class Barrel:
    """Axis and outlines of a likely barrel, in working pixels.

    ``centre`` lies on the axis; ``angle`` is the axis direction (radians, sense unknown);
    ``walls`` are two (M, 2) arrays of pixels on the outlines at -normal and +normal;
    ``strip`` is centred on the axis.
    """

    centre: Array
    angle: float
    radius_px: float
    walls: tuple[Array, Array]


def barrel_of(outline: Outline) -> Barrel:
    """The barrel that an *outline* proposes."""
    normal = np.array([-outline.axis[1], outline.axis[0]])
    along = np.linspace(-0.45, 0.45, 6)[:, None] * outline.length_px * outline.axis
    middle, aside = outline.centre + along, outline.radius_px * normal
    angle = float(np.arctan2(outline.axis[1], outline.axis[0]))
    return Barrel(outline.centre, angle, outline.radius_px, (middle - aside, middle + aside))


@dataclass(frozen=True)
class CombMap:
    """Energy of thin dark lines, (DIRECTIONS, H, W) uint8: by direction across them, in cells.

    It is capped, so that evenly spread lines beat one strong spot: 255 stands for MOST_ENERGY.
    """

    energies: NDArray[np.uint8]

    def combs(self, most: int = 6) -> list[Comb]:
        """Likely combs, best first."""
        energies = self.energies
        height, width = energies.shape[1:]
        size = int(BOX_SHARE * max(height, width)) | 1
        side = int(np.hypot(height, width)) + 1
        found: list[Comb] = []
        for i in range(DIRECTIONS):
            angle = np.pi * i / DIRECTIONS
            # turned so that the boxes lie level: summing over them is quick then
            c, s = float(np.cos(angle)), float(np.sin(angle))
            to_level = np.array([[c, s, 0.0], [-s, c, 0.0]])
            to_level[:, 2] = side / 2 - to_level[:, :2] @ (width / 2, height / 2)
            level = cv2.warpAffine(energies[i], to_level, (side, side))
            response = cv2.boxFilter(
                level, cv2.CV_32F, (size, BOX_WIDTH), borderType=cv2.BORDER_CONSTANT
            )
            for _ in range(2):
                _, score, _, peak = cv2.minMaxLoc(response)
                centre = (np.subtract(peak, to_level[:, 2]) @ to_level[:, :2] + 0.5) * CELL
                found.append(Comb(centre, float(angle), float(score) * MOST_ENERGY / 255))
                cv2.circle(response, peak, size // 2, 0, -1)
        found.sort(key=lambda c: -c.score)
        kept: list[Comb] = []
        for comb in found:
            for other in kept:
                turn = abs((comb.angle - other.angle + np.pi / 2) % np.pi - np.pi / 2)
                near = np.hypot(*(comb.centre - other.centre)) < 0.5 * size * CELL
                if turn < np.radians(25) and near:
                    break
            else:
                kept.append(comb)
            if len(kept) == most:
                break
        return kept


def map_combs(gray: NDArray[np.uint8]) -> CombMap:
    """Where thin dark lines are in *gray* (H, W).

    A band of rows at a time: what it takes at once is a fraction of the picture.
    """
    bands = []
    for top in range(0, gray.shape[0] - CELL + 1, BAND):
        first = max(0, top - MARGIN)
        rows = min(BAND, gray.shape[0] - top) // CELL
        weight, across = _thin_lines(gray[first : top + BAND + MARGIN])
        skip = (top - first) // 2
        part = slice(skip, skip + rows * SHRINK)
        energy = _energy_by_direction(weight[part], across[part])
        bands.append((np.minimum(energy, MOST_ENERGY) * (255 / MOST_ENERGY) + 0.5).astype(np.uint8))
    return CombMap(np.concatenate(bands, axis=1))


def _thin_lines(gray: NDArray[np.uint8]) -> tuple[Array, Array]:
    """Strength of thin dark lines in *gray* (H, W), and the direction across them, halved."""
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (11, 11))
    g = gray.astype(np.float32)
    mean = cv2.blur(g, (31, 31))
    spread = np.sqrt(np.maximum(cv2.blur(g * g, (31, 31)) - mean * mean, 0))
    thin = cv2.morphologyEx(gray, cv2.MORPH_BLACKHAT, kernel) / (spread + 6.0)
    thin = _halved(np.minimum(thin, 2.0))
    smooth = cv2.GaussianBlur(g, (0, 0), 1.0)
    gx = cv2.Sobel(smooth, cv2.CV_32F, 1, 0)
    gy = cv2.Sobel(smooth, cv2.CV_32F, 0, 1)
    # the structure tensor is smooth: half the size holds it
    xx, yy, xy = (cv2.GaussianBlur(_halved(t), (0, 0), 1.0) for t in (gx * gx, gy * gy, gx * gy))
    norm = np.hypot(xx - yy, 2 * xy) + 1e-6
    return thin * norm / (xx + yy + 50.0), np.arctan2(2 * xy, xx - yy) / 2


def _halved(image: Array) -> Array:
    """*image* (H, W) at half the size, averaged."""
    size = (image.shape[1] // 2, image.shape[0] // 2)
    return np.asarray(
        cv2.resize(image[: 2 * size[1], : 2 * size[0]], size, interpolation=cv2.INTER_AREA)
    )


def _energy_by_direction(weight: Array, angle: Array) -> Array:
    """Mean of *weight* (H, W) in cells of SHRINK samples, (DIRECTIONS, H/SHRINK, W/SHRINK).

    Each pixel counts for the directions within about 20 degrees of its own *angle*.  Pixels
    are first sorted into bins of direction, so that the picture is gone through once.
    """
    h, w = weight.shape[0] // SHRINK, weight.shape[1] // SHRINK
    weight, angle = weight[: h * SHRINK, : w * SHRINK], angle[: h * SHRINK, : w * SHRINK]
    bins = np.round(angle * (DIRECTIONS / np.pi)).astype(np.int32) % DIRECTIONS
    cell = (np.arange(h * SHRINK) // SHRINK * w)[:, None] + (np.arange(w * SHRINK) // SHRINK)
    flat = np.bincount(
        (cell * DIRECTIONS + bins).ravel(), weights=weight.ravel(), minlength=h * w * DIRECTIONS
    )
    binned = (flat.reshape(h, w, DIRECTIONS) / SHRINK**2).astype(np.float32)
    turn = np.arange(DIRECTIONS) * np.pi / DIRECTIONS
    share = np.clip((np.cos(2 * turn) - 0.75) / 0.25, 0, 1).astype(np.float32)
    mixing = np.array([np.roll(share, i) for i in range(DIRECTIONS)], np.float32)
    return np.ascontiguousarray(np.moveaxis(binned @ mixing, 2, 0))


def _edges(gray: NDArray[np.float32]) -> NDArray[np.float32]:
    """Signed brightness step across the axis, in units of the local contrast."""
    across = cv2.Sobel(cv2.GaussianBlur(gray, (0, 0), 1.0), cv2.CV_32F, 0, 1) / 8
    mean = cv2.blur(gray, (41, 41))
    spread = np.sqrt(np.maximum(cv2.blur(gray * gray, (41, 41)) - mean * mean, 0))
    return np.asarray(across / (0.5 * spread + 3.0), np.float32)


def _edge_profile(edges: Array, parts: int = 6) -> Array:
    """Strength (rows,) of edges parallel to the axis; an outline may change sign on its way."""
    return np.asarray(
        np.sqrt(np.abs([part.mean(1) for part in np.array_split(edges, parts, axis=1)])).mean(0)
    )


def _refine_angle(image: Array, comb: Comb, long_side: float) -> float:
    """Turn the axis until edges along it are sharpest."""
    strip = cut_strip(image, comb.centre, comb.angle, 0.15 * long_side, 0.11 * long_side)
    edges = _edges(strip.gray)
    h, w = edges.shape

    def sharpness(turn: float) -> float:
        k = float(np.tan(turn))
        shear = np.array([[1, 0, 0], [k, 1, -k * w / 2]], np.float32)
        turned = cv2.warpAffine(edges, shear, (w, h), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
        profile = _edge_profile(turned)
        return float(np.sum(np.clip(profile - np.median(profile), 0, None) ** 3))

    scores = {float(t): sharpness(np.radians(t)) for t in np.arange(-10, 10.1, 1.0)}
    best = max(scores, key=lambda t: scores[t])
    scores |= {t: sharpness(np.radians(t)) for t in (best - 0.5, best + 0.5)}
    best = float(np.radians(max(scores, key=lambda t: scores[t])))
    return comb.angle + best


def find_walls(image: NDArray[np.uint8], comb: Comb) -> Barrel | None:
    """Outlines beside *comb*: where the texture along the axis ends and a sharp edge runs.

    ``None`` if the texture has no clear sides.
    """
    long_side = float(max(image.shape))
    angle = _refine_angle(image, comb, long_side)
    half_width = 0.16 * long_side
    strip = cut_strip(image, comb.centre, angle, 0.2 * long_side, half_width)
    edge = _edge_profile(_edges(strip.gray), 9)
    busy = _busyness(strip.gray)[-BUSIEST]
    # An outline is a sharp edge, busy on its inner side and quiet on its outer side.  A shadow's
    # edge is quiet on both, a plunger rod's busy on both.
    band = max(4, int(0.006 * long_side))
    total = np.concatenate([[0.0], np.cumsum(busy)])
    rows_at = np.arange(band + 1, len(busy) - band - 1)
    before = (total[rows_at - 1] - total[rows_at - 1 - band]) / band
    after = (total[rows_at + 2 + band] - total[rows_at + 2]) / band
    sharp = edge[rows_at] / (np.percentile(edge, 95) + 1e-6)
    top = sharp * np.clip(after - before, 0, 1.5) / (1 + np.clip(before, 0, None))
    bottom = sharp * np.clip(before - after, 0, 1.5) / (1 + np.clip(after, 0, None))
    middle = (len(busy) - 1) / 2
    upper = rows_at < middle + 4
    lower = rows_at > middle - 4
    i_top = rows_at[upper][np.argsort(-top[upper])[:40]]
    i_bottom = rows_at[lower][np.argsort(-bottom[lower])[:40]]
    inner = np.concatenate([[0.0], np.cumsum(np.clip(busy, 0, 1.0))])
    apart = i_bottom[None, :] - i_top[:, None]
    filled = (inner[i_bottom][None, :] - inner[i_top][:, None]) / np.maximum(apart, 1)
    sides = np.sqrt(top[i_top - band - 1][:, None] * bottom[i_bottom - band - 1][None, :])
    score = np.where(apart >= MIN_WIDTH_PX, sides * (0.3 + filled), 0.0)
    if not score.max(initial=0.0) > 0.0:
        return None
    first, second = divmod(int(score.argmax()), len(i_bottom))
    rows = (int(i_top[first]), int(i_bottom[second]))
    width = rows[1] - rows[0]
    walls = tuple(_trace_wall(strip, row, max(3.0, 0.05 * width)) for row in rows)
    radius = (rows[1] - rows[0]) / 2
    n = np.array([-np.sin(angle), np.cos(angle)])
    centre = comb.centre + n * ((rows[0] + rows[1]) / 2 - (strip.gray.shape[0] - 1) / 2)
    return Barrel(centre, angle, radius, (walls[0], walls[1]))


def _busyness(gray: NDArray[np.float32]) -> Array:
    """How busy each row is in each of PIECES pieces, above the card's, sorted, (PIECES, rows).

    Numerals, stopper and nozzle make even the bare side of a barrel busy; the flange is one
    piece or two.  Log scale.
    """
    along = np.abs(cv2.Sobel(cv2.GaussianBlur(gray, (0, 0), 1.2), cv2.CV_32F, 1, 0)) / 8
    along[:, :3] = along[:, -3:] = 0
    pieces = np.array([p.mean(1) for p in np.array_split(np.minimum(along, 8), PIECES, axis=1)])
    floor = np.percentile(pieces, 20, axis=1, keepdims=True)
    return np.asarray(np.sort(np.log((pieces + 0.15) / (floor + 0.15)), axis=0))


def _trace_wall(strip: Strip, row: int, reach: float) -> Array:
    """Pixels (M, 2) on the outline near *row* of *strip*: a line fitted to its edge pieces."""
    edges = np.abs(_edges(strip.gray))
    h, w = edges.shape
    lo, hi = max(1, int(row - reach)), min(h - 1, int(row + reach) + 1)
    parts = np.array_split(np.arange(w), 12)
    x = np.array([p.mean() for p in parts])
    profiles = np.array([edges[lo:hi, p].mean(1) for p in parts])
    y = lo + profiles.argmax(1)
    strength = profiles.max(1)
    slope, level = 0.0, float(row)
    for _ in range(5):
        r = y - (level + slope * (x - w / 2))
        weight = strength / (1 + (r / 1.5) ** 2) + 1e-6
        slope, level = np.polyfit(x - w / 2, y, 1, w=np.sqrt(weight))
    columns = np.linspace(0, w - 1, 6)
    fitted = level + slope * (columns - w / 2)
    m = strip.to_image
    return np.stack(
        [
            m[0, 0] * columns + m[0, 1] * fitted + m[0, 2],
            m[1, 0] * columns + m[1, 1] * fitted + m[1, 2],
        ],
        axis=-1,
    )


def find_barrels(gray: NDArray[np.uint8], most: int = 10) -> Iterator[Barrel]:
    """Likely barrels in *gray* (H, W) uint8, best comb first, one for each place.

    The outlines beside a comb are looked for when it is asked for.
    """
    kept: list[Barrel] = []
    for comb in map_combs(gray).combs(most):
        barrel = find_walls(gray, comb)
        if barrel is None or any(_same(barrel, other) for other in kept):
            continue
        kept.append(barrel)
        yield barrel


def _same(a: Barrel, b: Barrel) -> bool:
    turn = abs((a.angle - b.angle + np.pi / 2) % np.pi - np.pi / 2)
    n = np.array([-np.sin(b.angle), np.cos(b.angle)])
    aside = abs(float((a.centre - b.centre) @ n))
    alike = 0.85 < a.radius_px / b.radius_px < 1.18
    return bool(turn < np.radians(3) and aside < 0.2 * b.radius_px and alike)
