"""Bytes of a picture file -> its pixels, by the libraries that know the format.

`open_picture` reads the header only, so that a caller can turn a picture away by its size
before any pixel is decoded.  `decode` then gives the pixels, shrunk by a whole factor where
fewer will do: averaged, or for JPEG in the decoder's own transform, which is quickest.
"""

from __future__ import annotations

import io
import warnings
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import simplejpeg
from PIL import ExifTags, Image

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

# What cameras, phones and editors write.  Other formats that Pillow knows stay shut: each
# parser is one more that broken files get at.
FORMATS = ("JPEG", "PNG", "TIFF", "WEBP")
# A progressive JPEG goes over its picture once a scan; a made-up one with thousands of scans
# would take minutes.  Cameras and editors use about ten.
MAX_SCANNED_PIXELS = 2_000_000_000
BAND_PIXELS = 2_000_000  # converted at a time, which bounds the memory beside the picture itself
# Pillow's names of kinds of pixels
_SIXTEEN_BIT = ("I;16", "I;16L", "I;16B", "I;16N")
_PLAIN = ("L", "RGB", "CMYK")


class UndecodableError(ValueError):
    """The bytes are no picture of a known format, or their data are damaged; says which."""


@dataclass(frozen=True)
class Pixels:
    """Pixels as stored: neither turned upright nor converted to sRGB yet.

    ``array`` is uint8, (H, W) grey, (H, W, 3) RGB or (H, W, 4) CMYK; ``icc`` the colour
    profile they are meant in, ``None`` for sRGB; ``orientation`` EXIF's, 1 to 8.
    """

    array: NDArray[np.uint8]
    icc: bytes | None
    orientation: int


def open_picture(data: bytes) -> Image.Image:
    """The picture in *data* with its header read: ``size``, ``mode``, EXIF, no pixel yet.

    Raises
    ------
    UndecodableError
        If *data* is not of one of `FORMATS`, nor HEIF.
    PIL.Image.DecompressionBombError
        If the header promises more pixels than Pillow opens at all.
    """
    formats: tuple[str, ...] = FORMATS
    if data[4:8] == b"ftyp":
        _register_heif()
        formats = ("HEIF",)
    try:
        with _quiet():
            return Image.open(io.BytesIO(data), formats=formats)
    except Image.DecompressionBombError:
        raise
    except Exception as error:  # whatever a parser stumbles over, it is no picture to us
        raise UndecodableError("no known format") from error


@contextmanager
def _quiet() -> Iterator[None]:
    """Pillow's warnings about odd metadata are nothing that a person could do anything about."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield


def _register_heif() -> None:
    """Let Pillow open HEIF.  Only when such a file comes: the library takes time to load."""
    from pillow_heif import register_heif_opener

    register_heif_opener(thumbnails=False, depth_images=False, aux_images=False)


def recorded_focal_35mm(image: Image.Image) -> float | None:
    """EXIF FocalLengthIn35mmFilm, mm, if it is there and plausible for a camera."""
    try:
        with _quiet():
            exif = image.getexif().get_ifd(ExifTags.IFD.Exif)
        value = exif.get(ExifTags.Base.FocalLengthIn35mmFilm)
        focal = float(value) if value else None
    except Exception:  # any damage in EXIF only costs us the hint
        return None
    return focal if focal is not None and 8.0 <= focal <= 400.0 else None


def decode(image: Image.Image, data: bytes, factor: int) -> Pixels:
    """Decode what `open_picture` opened from *data*, up to *factor* times smaller.

    Alpha is laid on white, 16 bits become 8, a palette its colours.

    Raises
    ------
    UndecodableError
        If the data are damaged or cut short, or hold no photograph's pixels (e.g. floats).
    """
    icc = image.info.get("icc_profile") or None
    if image.format in ("JPEG", "MPO"):
        if data.count(b"\xff\xda") * image.width * image.height > MAX_SCANNED_PIXELS:
            raise UndecodableError("too many scans")
        return Pixels(_decode_jpeg(image, data, factor), icc, _orientation(image))
    if image.mode == "I" and image.format != "PNG":  # in PNG, an older name of 16 bits
        raise UndecodableError("pixels of 32 bits")
    try:
        with _quiet():
            image.load()
            array = np.concatenate([_plain(b, factor) for b in _bands(image, factor)])
        array = _trimmed(array, image, factor)
    except UndecodableError:
        raise
    except Exception as error:
        raise UndecodableError("damaged data") from error
    # asked for after loading only: by then TIFF and HEIF are upright, and no longer say they aren't
    return Pixels(array, icc, _orientation(image))


def _decode_jpeg(image: Image.Image, data: bytes, factor: int) -> NDArray[np.uint8]:
    """As in `Pixels`.  Strict: a flipped bit can shift all that follows, and that could be read.

    The decoder itself shrinks by 2, 4 or 8, as far as *factor* allows; the rest is the caller's.
    """
    by = max(n for n in (1, 2, 4, 8) if n <= factor)
    kind = "CMYK" if image.mode == "CMYK" else "GRAY" if image.mode == "L" else "RGB"
    try:
        array = simplejpeg.decode_jpeg(
            data, kind, min_width=-(-image.width // by), min_height=-(-image.height // by)
        )
    except ValueError as error:
        raise UndecodableError("damaged data") from error
    if kind == "CMYK" and "adobe" in image.info:
        array = 255 - array  # Adobe's programs store the paper that shines through, not the ink
    return _trimmed(np.asarray(array.squeeze(), np.uint8), image, by)


def _trimmed(array: NDArray[np.uint8], image: Image.Image, factor: int) -> NDArray[np.uint8]:
    """*array* without the last row or column where less than half of it lies in the picture.

    Shrinking rounds up, and what is too much would shift a picture that is turned afterwards.
    """
    return array[: round(image.height / factor), : round(image.width / factor)]


def _orientation(image: Image.Image) -> int:
    try:
        with _quiet():
            value = int(image.getexif().get(ExifTags.Base.Orientation, 1))
    except Exception:  # damaged EXIF: as if there were none
        return 1
    return value if 1 <= value <= 8 else 1


def _bands(image: Image.Image, factor: int) -> Iterator[Image.Image]:
    """*image* in bands from top to bottom, each a multiple of *factor* high but the last."""
    rows = max(1, BAND_PIXELS // (image.width * factor)) * factor
    for top in range(0, image.height, rows):
        yield image.crop((0, top, image.width, min(top + rows, image.height)))


def _plain(band: Image.Image, factor: int) -> NDArray[np.uint8]:
    """Grey, RGB or CMYK of *band*, averaged over cells of *factor* pixels, as in `Pixels`."""
    if band.mode in (*_SIXTEEN_BIT, "I"):
        wide = np.asarray(band, np.uint32)
        band = Image.fromarray(((wide * 255 + 32767) // 65535).astype(np.uint8))
    elif band.has_transparency_data:
        white = Image.new("RGBA", band.size, "white")
        white.alpha_composite(band.convert("RGBA"))
        band = white.convert("RGB")
    elif band.mode == "1":
        band = band.convert("L")
    elif band.mode in ("P", "YCbCr", "RGBX"):
        band = band.convert("RGB")
    if band.mode not in _PLAIN:
        raise UndecodableError(f"pixels of the kind {band.mode}")
    return np.asarray(band.reduce(factor) if factor > 1 else band, np.uint8)
