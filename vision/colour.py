"""Pixels meant in some colour profile -> the same colours in sRGB, by LittleCMS."""

from __future__ import annotations

import io
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from PIL import Image

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from PIL.ImageCms import ImageCmsTransform

# A profile that moves no colour by more is sRGB under one of its many names, and the pixels
# stay as they are.
SAME_LEVELS = 2
_SPACES = {"L": "GRAY", "RGB": "RGB", "CMYK": "CMYK"}  # Pillow's name: that of ICC.1


def to_srgb(pixels: NDArray[np.uint8], icc: bytes | None) -> NDArray[np.uint8]:
    """(H, W, 3) sRGB of *pixels*: (H, W) grey, (H, W, 3) RGB or (H, W, 4) CMYK, uint8.

    *icc* is the profile they are meant in.  Without one, or where it is damaged or of another
    kind of pixels, RGB and grey are taken for sRGB, and CMYK is converted by its plain formula.
    """
    mode = "L" if pixels.ndim == 2 else "CMYK" if pixels.shape[2] == 4 else "RGB"
    transform = None if icc is None else _transform(icc, mode)
    if transform is None and mode == "RGB":
        return pixels
    image = Image.frombytes(mode, pixels.shape[1::-1], pixels.tobytes())
    converted = image.convert("RGB") if transform is None else transform.apply(image)
    return np.array(converted, np.uint8)


@lru_cache(maxsize=16)
def _transform(icc: bytes, mode: str) -> ImageCmsTransform | None:
    """The way from *icc* to sRGB for pixels of *mode*; ``None`` if there is none, or no need."""
    from PIL import ImageCms

    try:
        profile = ImageCms.ImageCmsProfile(io.BytesIO(icc))
        if profile.profile.xcolor_space.strip() != _SPACES[mode]:
            return None
        # black point compensation: a print's black becomes a screen's, and stays darkest
        transform = ImageCms.buildTransform(
            profile,
            ImageCms.createProfile("sRGB"),
            mode,
            "RGB",
            renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
            flags=ImageCms.Flags.BLACKPOINTCOMPENSATION,
        )
    except (ImageCms.PyCMSError, OSError, ValueError, TypeError):
        return None
    return None if mode == "RGB" and _changes_nothing(transform) else transform


def _changes_nothing(transform: ImageCmsTransform) -> bool:
    """True if every colour of a lattice over the RGB cube stays in its place."""
    steps = np.linspace(0, 255, 9).round().astype(np.uint8)
    colours = np.stack(np.meshgrid(steps, steps, steps), -1).reshape(27, 27, 3)
    image = Image.frombytes("RGB", (27, 27), colours.tobytes())
    moved = np.asarray(transform.apply(image), int) - colours
    return bool(np.abs(moved).max() <= SAME_LEVELS)
