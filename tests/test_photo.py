"""Files to pixels: orientation, focal length, and files that are none or too much."""

from __future__ import annotations

import struct
import time
import zlib
from pathlib import Path

import numpy as np
import pytest
from PIL import ExifTags, Image

from drawmark.vision.model import Reason
from drawmark.vision.photo import (
    MAX_PIXELS,
    MIN_LONG_SIDE_PX,
    WORKING_LONG_SIDE_PX,
    Photo,
    load_photo,
    photo_from_pixels,
)

#: How the stored picture is turned from the displayed one, by EXIF orientation
#: (CIPA DC-008, tag 0x0112: which side the stored first row and first column are).
STORED = {
    1: lambda a: a,
    2: lambda a: a[:, ::-1],
    3: lambda a: a[::-1, ::-1],
    4: lambda a: a[::-1],
    5: lambda a: a.transpose(1, 0, 2),
    6: lambda a: np.rot90(a, 1),
    7: lambda a: a.transpose(1, 0, 2)[::-1, ::-1],
    8: lambda a: np.rot90(a, -1),
}


def scene() -> np.ndarray:
    """A displayed picture (480, 720, 3) RGB without any symmetry; smooth, for JPEG."""
    y, x = np.mgrid[0:480, 0:720]
    return np.stack([x * 255 // 719, y * 255 // 479, (x + 2 * y) * 255 // 1677], -1).astype(
        np.uint8
    )


def save(path: Path, rgb: np.ndarray, orientation: int | None = None, focal: object = None) -> Path:
    exif = Image.Exif()
    if orientation is not None:
        exif[ExifTags.Base.Orientation] = orientation
    if focal is not None:
        exif.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.FocalLengthIn35mmFilm] = focal
    Image.fromarray(np.ascontiguousarray(rgb)).save(path, exif=exif, quality=95)
    return path


def code_of(path: Path) -> str:
    found = load_photo(path)
    assert isinstance(found, Reason)
    assert found.message
    assert found.remedy
    return found.code


@pytest.mark.parametrize("orientation", list(STORED))
@pytest.mark.parametrize("ending", ["jpg", "png", "webp", "tiff"])
def test_every_orientation_shows_the_same_picture(
    tmp_path: Path, orientation: int, ending: str
) -> None:
    displayed = scene()
    path = save(tmp_path / f"o.{ending}", STORED[orientation](displayed), orientation)
    photo = load_photo(path)
    assert isinstance(photo, Photo)
    assert photo.bgr.shape == displayed.shape
    off = np.abs(photo.bgr[..., ::-1].astype(int) - displayed)
    assert off.mean() < 3
    assert off.max() < 25


@pytest.mark.parametrize("orientation", [1, 6])
def test_the_focal_length_is_read_whatever_the_orientation(
    tmp_path: Path, orientation: int
) -> None:
    path = save(tmp_path / "f.jpg", STORED[orientation](scene()), orientation, 28)
    photo = load_photo(path)
    assert isinstance(photo, Photo)
    # 28 mm before a frame of 36 mm x 24 mm, whose sides are as those of this picture: its width
    # and its diagonal give the same
    assert photo.focal_px == pytest.approx(28 / 36 * 720, rel=1e-6)


@pytest.mark.parametrize("focal", [None, 0, 3, 5000])
def test_no_or_an_absurd_focal_length_is_none(tmp_path: Path, focal: int | None) -> None:
    photo = load_photo(save(tmp_path / "f.jpg", scene(), 1, focal))
    assert isinstance(photo, Photo)
    assert photo.focal_px is None


def test_a_large_photograph_is_worked_on_in_small_and_points_find_back() -> None:
    big = np.zeros((1000, 3680, 3), np.uint8)
    photo = photo_from_pixels(big, 35)
    assert max(photo.bgr.shape) == WORKING_LONG_SIDE_PX
    assert photo.scale == pytest.approx(2.0)
    # the centre of working pixel 0 lies between displayed pixels 0 and 1
    np.testing.assert_allclose(photo.to_displayed(np.array([0.0, 0.0])), [0.5, 0.5])
    np.testing.assert_allclose(photo.to_displayed(np.array([10.0, 3.0])), [20.5, 6.5])


def test_a_small_mark_stays_in_its_place_when_scaled() -> None:
    big = np.zeros((1500, 4000, 3), np.uint8)
    big[700:710, 2400:2410] = 255  # centre (2404.5, 704.5)
    photo = photo_from_pixels(big)
    weight = photo.gray.astype(float)
    y, x = np.mgrid[0 : weight.shape[0], 0 : weight.shape[1]]
    centre = np.array([np.sum(x * weight), np.sum(y * weight)]) / weight.sum()
    np.testing.assert_allclose(photo.to_displayed(centre), [2404.5, 704.5], atol=0.6)


def test_too_few_pixels(tmp_path: Path) -> None:
    short = save(tmp_path / "s.jpg", np.zeros((300, MIN_LONG_SIDE_PX - 1, 3), np.uint8))
    assert code_of(short) == "image-too-small"
    enough = save(tmp_path / "e.jpg", np.zeros((300, MIN_LONG_SIDE_PX, 3), np.uint8))
    assert isinstance(load_photo(enough), Photo)


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"Dear diary, this is text.\n" * 50,
        b"\xff\xd8\xff\xe0" + b"\x00" * 400,
        b"\x89PNG\r\n\x1a\n" + b"\x00" * 60,
        bytes(range(256)) * 40,
    ],
    ids=["empty", "text", "jpeg start", "png start", "bytes"],
)
def test_what_is_no_picture(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "x.jpg"
    path.write_bytes(content)
    assert code_of(path) == "not-an-image"


def test_a_folder_is_no_picture_and_nothing_is_an_exception(tmp_path: Path) -> None:
    assert code_of(tmp_path) == "not-an-image"
    with pytest.raises(FileNotFoundError):
        load_photo(tmp_path / "gone.jpg")


def test_a_photograph_cut_short_is_answered(tmp_path: Path) -> None:
    whole = save(tmp_path / "w.jpg", scene()).read_bytes()
    for share in (0.02, 0.1, 0.5, 0.9):
        path = tmp_path / "cut.jpg"
        path.write_bytes(whole[: int(len(whole) * share)])
        found = load_photo(path)
        assert isinstance(found, Photo) or found.code == "not-an-image"


def png_header(width: int, height: int) -> bytes:
    """A PNG that promises *width* x *height* pixels and brings hardly any (RFC 2083)."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        body = kind + data
        return struct.pack(">I", len(data)) + body + struct.pack(">I", zlib.crc32(body))

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", head)
        + chunk(b"IDAT", zlib.compress(b"\x00" * 1000))
        + chunk(b"IEND", b"")
    )


@pytest.mark.parametrize(("width", "height"), [(10001, 10000), (30000, 30000), (2**31 - 1, 100)])
def test_a_header_that_promises_too_much_is_refused_at_once(
    tmp_path: Path, width: int, height: int
) -> None:
    assert width * height > MAX_PIXELS
    path = tmp_path / "huge.png"
    path.write_bytes(png_header(width, height))
    start = time.process_time()
    assert code_of(path) == "image-too-large"
    assert time.process_time() - start < 1.0


@pytest.mark.parametrize("mode", ["L", "RGBA", "P", "1", "CMYK", "I;16"])
def test_other_kinds_of_pixels(tmp_path: Path, mode: str) -> None:
    if mode == "I;16":
        image = Image.fromarray(scene()[..., 0].astype(np.uint16) * 257)
    else:
        image = Image.fromarray(scene()).convert(mode)
    path = tmp_path / ("k.jpg" if mode == "CMYK" else "k.png")
    image.save(path)
    photo = load_photo(path)
    assert isinstance(photo, Photo)
    assert photo.bgr.shape == (480, 720, 3)
    assert photo.bgr.dtype == np.uint8
    assert photo.gray[:, -1].mean() > photo.gray[:, 0].mean() + 30
