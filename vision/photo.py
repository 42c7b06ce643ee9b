"""Photo file -> Photo: pixels of the displayed picture, and the focal length if recorded."""

from __future__ import annotations

import io
import os
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
from PIL import ExifTags, Image, UnidentifiedImageError

from .model import Reason

if TYPE_CHECKING:
    from numpy.typing import NDArray

MAX_PIXELS = 100_000_000
MAX_BYTES = 300_000_000
MIN_LONG_SIDE_PX = 640
# Work is done on a copy no larger than this: a printed line 0.2 mm wide on a barrel that
# fills the frame is then still 1.5 pixels wide, the least from which it can be told.
WORKING_LONG_SIDE_PX = 1840
# "35 mm equivalent" taken against the frame's 36 mm width.  CIPA's definition compares
# diagonals, which is 4 % longer on a 4:3 picture; makers differ, and the prior covers both.
FULL_FRAME_WIDTH_MM = 36.0


@dataclass(frozen=True)
class Photo:
    """A decoded photograph, EXIF orientation applied.

    ``bgr`` is (H, W, 3) uint8 at working size, ``gray`` (H, W) uint8; one working
    pixel is ``scale`` pixels of the displayed picture.  ``focal_px`` is the focal
    length in working pixels from EXIF's 35 mm equivalent, ``None`` where absent.
    """

    bgr: NDArray[np.uint8]
    gray: NDArray[np.uint8]
    scale: float
    focal_px: float | None

    def to_displayed(self, points: NDArray[Any]) -> NDArray[Any]:
        """Working pixels (..., 2) to pixels of the displayed picture (pixel centres)."""
        return (np.asarray(points, float) + 0.5) * self.scale - 0.5


def _focal_35mm(image: Image.Image) -> float | None:
    """EXIF FocalLengthIn35mmFilm, mm, if it is there and plausible for a camera."""
    try:
        value = image.getexif().get_ifd(ExifTags.IFD.Exif).get(ExifTags.Base.FocalLengthIn35mmFilm)
        focal = float(value) if value else None
    except Exception:  # any damage in EXIF only costs us the hint
        return None
    return focal if focal is not None and 8.0 <= focal <= 400.0 else None


def load_photo(path: str | os.PathLike[str]) -> Photo | Reason:
    """Decode the photograph at *path*, or say why it can't be used.

    Raises
    ------
    FileNotFoundError
        If there is nothing at *path*.
    """
    path = Path(path)
    if not path.exists():
        raise FileNotFoundError(path)
    if not path.is_file():
        return Reason.of("not-an-image")
    try:
        if path.stat().st_size > MAX_BYTES:
            return Reason.of("image-too-large")
        data = path.read_bytes()
    except OSError:
        return Reason.of("not-an-image")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            # Pillow reads the header only: size and EXIF are known before any pixel is decoded.
            with Image.open(io.BytesIO(data)) as header:
                width, height = header.size
                focal = _focal_35mm(header)
    except Image.DecompressionBombError:
        return Reason.of("image-too-large")
    except (UnidentifiedImageError, OSError, ValueError, SyntaxError):
        return Reason.of("not-an-image")
    except Exception:  # a parser's surprise is still not an image
        return Reason.of("not-an-image")
    if width * height > MAX_PIXELS:
        return Reason.of("image-too-large")
    if max(width, height) < MIN_LONG_SIDE_PX:
        return Reason.of("image-too-small")
    try:
        bgr = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    except cv2.error:
        bgr = None
    if bgr is None:
        return Reason.of("not-an-image")
    return photo_from_pixels(np.asarray(bgr, np.uint8), focal)


def photo_from_pixels(bgr: NDArray[np.uint8], focal_35mm: float | None = None) -> Photo:
    """Make a `Photo` of (H, W, 3) uint8 pixels, as displayed; *focal_35mm* in mm."""
    long_side = max(bgr.shape[:2])
    scale = max(1.0, long_side / WORKING_LONG_SIDE_PX)
    if scale > 1.0:
        size = (round(bgr.shape[1] / scale), round(bgr.shape[0] / scale))
        bgr = np.asarray(cv2.resize(bgr, size, interpolation=cv2.INTER_AREA), np.uint8)
    focal = None if focal_35mm is None else focal_35mm / FULL_FRAME_WIDTH_MM * max(bgr.shape[:2])
    gray = np.asarray(cv2.cvtColor(bgr, cv2.COLOR_BGR2GRAY), np.uint8)
    return Photo(bgr, gray, scale, focal)
