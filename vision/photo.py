"""Photo file -> Photo: pixels of the displayed picture, and the focal length if recorded."""

from __future__ import annotations

import os
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
from PIL import Image

from .colour import to_srgb
from .decoding import UndecodableError, decode, open_picture, recorded_focal_35mm
from .model import Reason

if TYPE_CHECKING:
    from numpy.typing import NDArray

MAX_PIXELS = 100_000_000
MAX_BYTES = 300_000_000
MIN_LONG_SIDE_PX = 640
# In working pixels: narrower than the narrowest barrel that can be found, nothing can be read,
# and a picture of one row is no picture.
MIN_SHORT_SIDE_PX = 32
# Work is done on a copy no larger than this: a printed line 0.2 mm wide on a barrel that
# fills the frame is then still 1.5 pixels wide, the least from which it can be told.
WORKING_LONG_SIDE_PX = 1840
HARDLY_LARGER = 1.25  # times that: pixels are hardly more than those of the working copy
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


def load_photo(path: str | os.PathLike[str]) -> Photo | Reason:
    """Decode the photograph at *path*, or say why it can't be used.

    Raises
    ------
    FileNotFoundError
        If there is nothing at *path*.
    """
    data = _read_file(path)
    if isinstance(data, Reason):
        return data
    try:
        image = open_picture(data)
    except Image.DecompressionBombError:
        return Reason.of("image-too-large")
    except UndecodableError:
        return Reason.of("not-an-image")
    long_side, short_side = max(image.size), min(image.size)
    if long_side * short_side > MAX_PIXELS:
        return Reason.of("image-too-large")
    scale = max(1.0, long_side / WORKING_LONG_SIDE_PX)
    if long_side < MIN_LONG_SIDE_PX or short_side / scale < MIN_SHORT_SIDE_PX:
        return Reason.of("image-too-small")
    focal = recorded_focal_35mm(image)
    try:
        pixels = decode(image, data, int(scale))
    except UndecodableError:
        return _DAMAGED
    # shrink first: the working copy is quicker to convert and to turn than the whole picture
    working = _shrunk(pixels.array, WORKING_LONG_SIDE_PX)
    rgb = _upright(to_srgb(working, pixels.icc), pixels.orientation)
    bgr = np.asarray(cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR), np.uint8)
    return _photo(bgr, scale, focal)


_DAMAGED = Reason(
    "not-an-image",
    "This file's picture is damaged, cut short, or of a kind that is not read.",
    "Copy the photograph from the camera again, as a JPEG, PNG, TIFF, WebP or HEIC file.",
)


def _read_file(path: str | os.PathLike[str]) -> bytes | Reason:
    """What the regular file at *path* holds, if it is not too much.

    A pipe or a device could keep us waiting or never end, so none is opened; and in case the
    file is exchanged for one at the last moment, opening does not wait either.
    """
    try:
        if not stat.S_ISREG(Path(path).stat().st_mode):
            return Reason.of("not-an-image", "It is no ordinary file.")
        flags = os.O_RDONLY | getattr(os, "O_BINARY", 0) | getattr(os, "O_NONBLOCK", 0)
        with os.fdopen(os.open(path, flags), "rb") as file:
            size = os.fstat(file.fileno()).st_size
            if size > MAX_BYTES:
                return Reason(
                    "image-too-large",
                    f"The file is larger than {MAX_BYTES // 1_000_000} MB.",
                    "Save it as JPEG.",
                )
            return file.read(size) or b""  # nothing yet, from a pipe that never was to be: None
    except (FileNotFoundError, NotADirectoryError):
        raise FileNotFoundError(path) from None
    except (OSError, ValueError) as error:  # ValueError: a name that no file can have
        why = getattr(error, "strerror", None) or str(error)
        return Reason.of("not-an-image", f"It cannot be opened ({why.lower()}).")


def _shrunk(pixels: NDArray[np.uint8], long_side: int) -> NDArray[np.uint8]:
    """*pixels* (H, W) or (H, W, C), averaged down to *long_side* if they are larger.

    A little larger, and the two nearest pixels are all that there is to average.
    """
    height, width = pixels.shape[:2]
    scale = max(height, width) / long_side
    if scale <= 1.0:
        return pixels
    size = (round(width / scale), round(height / scale))
    how = cv2.INTER_LINEAR if scale < HARDLY_LARGER else cv2.INTER_AREA
    return np.asarray(cv2.resize(pixels, size, interpolation=how), np.uint8)


# EXIF orientation -> what turns the stored picture into the displayed one (CIPA DC-008, 0x0112)
_TURNS: dict[int, tuple[bool, int | None]] = {
    # swap rows and columns first?  then flip: 0 top and bottom, 1 left and right, -1 both
    1: (False, None),
    2: (False, 1),
    3: (False, -1),
    4: (False, 0),
    5: (True, None),
    6: (True, 1),
    7: (True, -1),
    8: (True, 0),
}


def _upright(pixels: NDArray[np.uint8], orientation: int) -> NDArray[np.uint8]:
    """The displayed picture of *pixels* (H, W, 3), stored in EXIF *orientation* 1 to 8."""
    transpose, flip = _TURNS[orientation]
    if transpose:
        pixels = np.asarray(cv2.transpose(pixels), np.uint8)
    return pixels if flip is None else np.asarray(cv2.flip(pixels, flip), np.uint8)


def photo_from_pixels(bgr: NDArray[np.uint8], focal_35mm: float | None = None) -> Photo:
    """Make a `Photo` of (H, W, 3) uint8 pixels, as displayed; *focal_35mm* in mm."""
    scale = max(1.0, max(bgr.shape[:2]) / WORKING_LONG_SIDE_PX)
    return _photo(_shrunk(bgr, WORKING_LONG_SIDE_PX), scale, focal_35mm)


def _photo(bgr: NDArray[np.uint8], scale: float, focal_35mm: float | None) -> Photo:
    focal = None if focal_35mm is None else focal_35mm / FULL_FRAME_WIDTH_MM * max(bgr.shape[:2])
    gray = np.asarray(cv2.cvtColor(bgr, cv2.COLOR_BGR2GRAY), np.uint8)
    return Photo(bgr, gray, scale, focal)
