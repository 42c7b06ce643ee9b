"""Drawing primitives for annotated pictures: text, tags and lines that show on any background.

Colours are (blue, green, red).  Points are (x, y) with pixel centres at integers.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

Colour = tuple[int, int, int]

INK: Colour = (36, 28, 24)
PAPER: Colour = (250, 248, 246)
MUTED: Colour = (116, 106, 100)

_SUBPIXEL_BITS = 4


@cache
def _font() -> cv2.FontFace:
    return cv2.FontFace("sans")  # comes with OpenCV, has ± and %


def text_size(text: str, size: int, weight: int = 400) -> tuple[int, int]:
    """Width and height in pixels of *text* at font *size*; the height does not vary with it."""
    if not text:
        return 0, size
    _, _, width, _ = cv2.getTextSize((0, 0), text, (0, 0), _font(), size, weight)
    return int(width), size


def put_text(
    image: NDArray[np.uint8],
    text: str,
    at: tuple[float, float],
    size: int,
    colour: Colour,
    weight: int = 400,
) -> None:
    """Draw *text* on *image* in place; *at* is the left end of its base line."""
    if text:
        cv2.putText(image, text, (round(at[0]), round(at[1])), colour, _font(), size, weight)


def wrap(text: str, size: int, width: float, weight: int = 400) -> list[str]:
    """*text* broken at spaces into lines no wider than *width* pixels, where words allow."""
    lines: list[str] = []
    for word in text.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and text_size(longer, size, weight)[0] <= width:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


def put_tag(
    image: NDArray[np.uint8],
    text: str,
    centre: tuple[float, float],
    size: int,
    ground: Colour,
    colour: Colour = INK,
) -> None:
    """Draw *text* on a filled box around *centre*, pushed inside *image* where it would leave."""
    width, height = text_size(text, size, 600)
    pad = max(size // 4, 3)
    half_w, half_h = width / 2 + pad, height / 2 + pad / 2
    x = float(np.clip(centre[0], half_w, max(image.shape[1] - half_w, half_w)))
    y = float(np.clip(centre[1], half_h, max(image.shape[0] - half_h, half_h)))
    corners = ((round(x - half_w), round(y - half_h)), (round(x + half_w), round(y + half_h)))
    cv2.rectangle(image, *corners, ground, -1, cv2.LINE_AA)
    put_text(image, text, (x - width / 2, y + height * 0.36), size, colour, 600)


def polyline(
    image: NDArray[np.uint8],
    points: NDArray[Any],
    colour: Colour,
    width: int,
    *,
    closed: bool = False,
    dash: float | None = None,
    rim: bool = True,
) -> None:
    """Draw an (N, 2) polyline in place over a dark rim, so that it shows on any card.

    *dash* is the length in pixels of a dash and of the gap after it; ``None`` draws it whole.
    Without *rim* it is thinner, for lines that stand close together.
    """
    points = np.asarray(points, float).reshape(-1, 2)
    points = points[np.isfinite(points).all(axis=1)]
    if len(points) < 2:
        return
    if closed:
        points = np.vstack([points, points[:1]])
    pieces = [points] if dash is None else dashes(points, dash)
    scaled = [
        np.round(np.clip(piece, -1e5, 1e5) * 2**_SUBPIXEL_BITS).astype(np.int32).reshape(-1, 1, 2)
        for piece in pieces
    ]
    for stroke, shade in ((width + 2, INK), (width, colour)) if rim else ((width, colour),):
        cv2.polylines(image, scaled, False, shade, stroke, cv2.LINE_AA, _SUBPIXEL_BITS)


def dashes(points: NDArray[Any], length: float) -> list[NDArray[Any]]:
    """Pieces of an (N, 2) polyline, each *length* pixels long, with gaps as long between."""
    steps = np.hypot(*np.diff(points, axis=0).T)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    if along[-1] <= 0:
        return []
    pieces = []
    for start in np.arange(0.0, along[-1], 2 * length):
        end = min(start + length, along[-1])
        inner = along[(along > start) & (along < end)]
        stations = np.concatenate([[start], inner, [end]])
        pieces.append(
            np.column_stack([np.interp(stations, along, points[:, axis]) for axis in (0, 1)])
        )
    return pieces


def tint(image: NDArray[np.uint8], outline: NDArray[Any], colour: Colour, share: float) -> None:
    """Lay *colour* over the inside of a closed (N, 2) *outline*, in place, covering *share*."""
    mask = np.zeros(image.shape[:2], np.uint8)
    cv2.fillPoly(mask, [np.round(np.asarray(outline, float)).astype(np.int32)], 255)
    where = mask > 0
    mixed = image[where] * (1 - share) + np.asarray(colour, float) * share
    image[where] = np.round(mixed).astype(np.uint8)


def stack(parts: Sequence[NDArray[np.uint8]]) -> NDArray[np.uint8]:
    """Pictures of one width, one below the other."""
    return np.ascontiguousarray(np.vstack(list(parts)))
