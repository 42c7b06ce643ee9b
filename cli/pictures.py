"""Where an annotated picture goes, and that nothing already there is lost by it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from .terminal import say

if TYPE_CHECKING:
    from ..vision import Outcome
    from .verdict import Check

JPEG = (".jpg", ".jpeg")
SUFFIXES = (*JPEG, ".png")
JPEG_QUALITY = 82  # to look at, not to measure in


def picture_problem(picture: Path) -> str | None:
    """Why *picture*, as a person named it, is no place to write to, or ``None``."""
    if picture.suffix.lower() not in SUFFIXES:
        return f"--picture '{picture}' must end in .jpg or .png."
    if picture.exists() or picture.is_symlink():
        return f"--picture '{picture}' exists and is left as it is; give a name that is free."
    if not picture.parent.is_dir():
        return f"--picture '{picture}' lies in a folder that does not exist; make it first."
    return None


def free_name(folder: Path, stem: str, kind: str) -> Path:
    """A name not yet taken: ``STEM.KIND.jpg``, or ``STEM.KIND-2.jpg`` and so on."""
    picture = folder / f"{stem}.{kind}.jpg"
    number = 2
    while picture.exists() or picture.is_symlink():
        picture = folder / f"{stem}.{kind}-{number}.jpg"
        number += 1
    return picture


def write_check_picture(photo: Path, check: Check, picture: Path | None = None) -> Path | None:
    """Write the annotated picture of *check* and return where; ``None`` if there is no picture.

    Without *picture* it lies beside the photograph under a free name.  A file that cannot be
    decoded has no picture to annotate.

    Raises
    ------
    OSError
        If the file cannot be written.
    """
    return _write(
        photo, check.outcome, check, picture or free_name(photo.parent, photo.stem, "check")
    )


def write_read_picture(photo: Path, outcome: Outcome, folder: Path) -> Path | None:
    """Write the annotated picture of *outcome* into *folder*; else as `write_check_picture`."""
    return _write(photo, outcome, None, free_name(folder, photo.stem, "read"))


def _write(photo: Path, outcome: Outcome, check: Check | None, picture: Path) -> Path | None:
    import cv2

    from ..vision.photo import Photo, load_photo
    from .overlay import annotate

    loaded = load_photo(photo)
    if not isinstance(loaded, Photo):
        return None
    suffix = picture.suffix.lower()
    # OpenCV warns of a quality where there is none, on the terminal
    how = [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY] if suffix in JPEG else []
    done, data = cv2.imencode(suffix, annotate(loaded, outcome, check), how)
    if not done:
        raise OSError("the picture could not be encoded")
    with picture.open("xb") as file:  # x: even a file that appeared just now is not overwritten
        file.write(data.tobytes())
    return picture


def report_unwritten(photo: Path, error: Exception) -> None:
    """Say on standard error that the answer stands but its picture could not be written."""
    why = getattr(error, "strerror", None) or f"{type(error).__name__}: {error}"
    say(f"drawmark: no annotated picture of '{photo}' was written ({why}).", err=True)
