"""Pictures as phones, cameras and editors make them: the right pixels, the right way up."""

from __future__ import annotations

import io
import os
import struct
import subprocess
import sys
import time
import zlib
from pathlib import Path

import cv2
import numpy as np
import pillow_heif
import pytest
from colour_profiles import adobe_rgb, display_p3
from PIL import ExifTags, Image, ImageCms
from test_photo import STORED, png_header, scene

from drawmark.vision.colour import to_srgb
from drawmark.vision.model import Reason
from drawmark.vision.photo import MAX_BYTES, WORKING_LONG_SIDE_PX, Photo, load_photo

pillow_heif.register_heif_opener()
SAMPLES = Path(__file__).resolve().parent.parent / "sample_images"


def rgb_of(path: Path) -> np.ndarray:
    """Pixels (H, W, 3) int, RGB, of a photograph that must be usable."""
    photo = load_photo(path)
    assert isinstance(photo, Photo), photo
    return photo.bgr[..., ::-1].astype(int)


def code_of(path: Path) -> str:
    found = load_photo(path)
    assert isinstance(found, Reason)
    return found.code


def write(path: Path, image: Image.Image, form: str | None = None, **options: object) -> Path:
    image.save(path, form, **options)
    return path


@pytest.mark.parametrize("sample", sorted(SAMPLES.glob("*.jpg")), ids=lambda p: p.stem)
def test_a_plain_jpeg_gives_the_very_pixels_of_opencv(sample: Path) -> None:
    photo = load_photo(sample)
    assert isinstance(photo, Photo)
    np.testing.assert_array_equal(photo.bgr, cv2.imread(str(sample)))


@pytest.mark.parametrize("orientation", list(STORED))
def test_a_jpeg_is_turned_as_opencv_turns_it(tmp_path: Path, orientation: int) -> None:
    exif = Image.Exif()
    exif[ExifTags.Base.Orientation] = orientation
    path = write(tmp_path / "o.jpg", Image.fromarray(scene()), exif=exif)
    np.testing.assert_array_equal(rgb_of(path), cv2.imread(str(path))[..., ::-1])


@pytest.mark.parametrize("orientation", list(STORED))
def test_heic_is_turned_once(tmp_path: Path, orientation: int) -> None:
    """Its file says twice how it lies: in its own properties, which count, and again in EXIF."""
    exif = Image.Exif()
    exif[ExifTags.Base.Orientation] = orientation
    displayed = scene()[:120, ::2]
    displayed = np.hstack([displayed, displayed[:, ::-1] // 2])
    stored = np.ascontiguousarray(STORED[orientation](displayed))
    path = write(tmp_path / "o.heic", Image.fromarray(stored), exif=exif.tobytes(), quality=95)
    if orientation > 1:
        assert any(box in path.read_bytes() for box in (b"irot", b"imir"))
    off = np.abs(rgb_of(path) - displayed)
    assert off.mean() < 3
    assert np.percentile(off, 99.9) < 25


def test_focal_length_in_heic(tmp_path: Path) -> None:
    exif = Image.Exif()
    exif.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.FocalLengthIn35mmFilm] = 26
    path = write(tmp_path / "f.heic", Image.fromarray(scene()[:64]), exif=exif.tobytes())
    photo = load_photo(path)
    assert isinstance(photo, Photo)
    assert photo.focal_px == pytest.approx(26 / 36 * 720)


@pytest.mark.parametrize("form", ["JPEG", "PNG", "TIFF", "WEBP", "HEIF"])
def test_content_counts_and_not_the_ending(tmp_path: Path, form: str) -> None:
    data = write(tmp_path / "picture", Image.fromarray(scene()[:64]), form).read_bytes()
    for ending in (".jpg", ".png", ".heic", ".txt", ""):
        (tmp_path / f"picture{ending}").write_bytes(data)
        assert np.abs(rgb_of(tmp_path / f"picture{ending}") - scene()[:64]).mean() < 4


@pytest.mark.parametrize("form", ["GIF", "BMP", "PPM", "ICO", "JPEG2000", "DDS", "SGI"])
def test_other_formats_stay_shut(tmp_path: Path, form: str) -> None:
    assert code_of(write(tmp_path / "x.jpg", Image.fromarray(scene()), form)) == "not-an-image"


@pytest.mark.parametrize("ending", [".png", ".tif"])
@pytest.mark.parametrize("grey", [True, False])
def test_sixteen_bits(tmp_path: Path, ending: str, grey: bool) -> None:
    fine = (scene()[..., 0] if grey else scene()).astype(np.uint16) * 256 + 128
    path = tmp_path / f"fine{ending}"
    assert cv2.imwrite(str(path), fine if grey else fine[..., ::-1])
    expected = np.repeat(scene()[..., :1], 3, axis=2) if grey else scene()
    assert np.abs(rgb_of(path) - expected).max() <= 1


@pytest.mark.parametrize("form", ["PNG", "TIFF", "WEBP", "HEIF"])
def test_alpha_is_laid_on_white(tmp_path: Path, form: str) -> None:
    alpha = np.zeros((64, 720), np.uint8)
    alpha[:, 200:400] = 128
    alpha[:, 400:] = 255
    picture = np.dstack([np.full((64, 720, 3), 40, np.uint8), alpha])
    options = {"WEBP": {"lossless": True, "exact": True}, "HEIF": {"quality": 95}}
    rgb = rgb_of(write(tmp_path / "a", Image.fromarray(picture), form, **options.get(form, {})))
    for columns, level in ((slice(8, 190), 255), (slice(210, 390), 147), (slice(410, 712), 40)):
        assert np.abs(rgb[:, columns] - level).max() <= 3  # 147: half of 40, half of white


def test_a_transparent_colour_of_a_palette_is_white(tmp_path: Path) -> None:
    picture = Image.fromarray(scene()).convert("P", palette=Image.Palette.ADAPTIVE, colors=8)
    index = np.asarray(picture)
    path = write(tmp_path / "p.png", picture, transparency=int(index[0, 0]))
    rgb = rgb_of(path)
    assert (rgb[index == index[0, 0]] == 255).all()
    assert (rgb[index != index[0, 0]].min(axis=1) < 255).all()


@pytest.mark.parametrize("form", ["JPEG", "TIFF"])
def test_ink_becomes_light(tmp_path: Path, form: str) -> None:
    """CMYK: no ink is white, black ink is black, cyan ink takes the red away."""
    inks = np.zeros((480, 720, 4), np.uint8)
    inks[:, 240:480, 0] = 255
    inks[:, 480:, 3] = 255
    options = {"quality": 95} if form == "JPEG" else {}
    image = Image.frombytes("CMYK", (720, 480), inks.tobytes())
    rgb = rgb_of(write(tmp_path / "c", image, form, **options))
    for column, colour in ((100, (255, 255, 255)), (360, (0, 255, 255)), (600, (0, 0, 0))):
        assert np.abs(rgb[240, column] - colour).max() <= 4


def test_pixels_that_are_no_photograph(tmp_path: Path) -> None:
    floats = Image.fromarray(scene()[..., 0].astype(np.float32))
    assert code_of(write(tmp_path / "f.tif", floats)) == "not-an-image"
    counts = Image.fromarray(scene()[..., 0].astype(np.int32) * 1000)
    assert code_of(write(tmp_path / "i.tif", counts)) == "not-an-image"


# The colour #008000 of sRGB in two wider spaces, as the reference tests for CSS Color 4 (W3C,
# web-platform-tests, css-color/display-p3-001 and a98rgb-001) have it; quoted from memory.
GREEN = (0, 128, 0)
WIDE_GREEN = {
    "p3": (display_p3, (0.21604, 0.49418, 0.13151)),
    "adobe": (adobe_rgb, (0.281363, 0.498012, 0.116746)),
}


@pytest.mark.parametrize("form", ["JPEG", "PNG", "TIFF", "WEBP", "HEIF"])
@pytest.mark.parametrize("space", list(WIDE_GREEN))
def test_a_wide_gamut_becomes_srgb(tmp_path: Path, form: str, space: str) -> None:
    make, green = WIDE_GREEN[space]
    stored = np.tile(np.round(np.array(green) * 255).astype(np.uint8), (64, 720, 1))
    options: dict[str, object] = {"icc_profile": make(), "quality": 98}
    if form == "TIFF":
        del options["quality"]
    rgb = rgb_of(write(tmp_path / "w", Image.fromarray(stored), form, **options))
    # 3 levels: the stored ones are rounded, near black where the curve is steep, and compressed
    assert np.abs(rgb - GREEN).max() <= (3 if form in ("PNG", "TIFF") else 8)
    plain = rgb_of(write(tmp_path / "q", Image.fromarray(stored), "PNG"))
    assert np.abs(plain - GREEN).max() > 30


def test_an_srgb_profile_changes_nothing(tmp_path: Path) -> None:
    icc = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    path = write(tmp_path / "s.jpg", Image.fromarray(scene()), icc_profile=icc)
    np.testing.assert_array_equal(rgb_of(path), cv2.imread(str(path))[..., ::-1])


@pytest.mark.parametrize("icc", [b"nonsense", display_p3()[:200], bytes(4000)])
def test_a_damaged_profile_is_left_out(icc: bytes) -> None:
    np.testing.assert_array_equal(to_srgb(scene(), icc), scene())
    grey = scene()[..., 0]
    np.testing.assert_array_equal(to_srgb(grey, display_p3()), np.dstack([grey] * 3))


@pytest.mark.parametrize(("form", "orientation"), [("JPEG", 1), ("JPEG", 6), ("PNG", 1)])
def test_a_mark_stays_in_its_place_in_a_large_picture(
    tmp_path: Path, form: str, orientation: int
) -> None:
    """Large ones are shrunk on the way, JPEG by its decoder; each pixel must find back."""
    stored = np.full((801, 7403, 3), 30, np.uint8)
    stored[300:340, 6400:6440] = 230  # centre (6419.5, 319.5)
    exif = Image.Exif()
    exif[ExifTags.Base.Orientation] = orientation
    path = write(tmp_path / "l", Image.fromarray(stored), form, exif=exif)
    photo = load_photo(path)
    assert isinstance(photo, Photo)
    assert max(photo.gray.shape) == WORKING_LONG_SIDE_PX
    weight = photo.gray.astype(float) - 30
    weight[weight < 20] = 0
    y, x = np.mgrid[0 : weight.shape[0], 0 : weight.shape[1]]
    centre = photo.to_displayed(np.array([np.sum(x * weight), np.sum(y * weight)]) / weight.sum())
    # displayed by turning the stored picture a quarter clockwise: x is 800 less the stored y
    expected = (6419.5, 319.5) if orientation == 1 else (800 - 319.5, 6419.5)
    # half a pixel of the working copy: its sides are whole numbers
    np.testing.assert_allclose(centre, expected, atol=0.5 * photo.scale)


def test_shrinking_in_the_decoder_gives_the_mean_of_the_pixels(tmp_path: Path) -> None:
    sample = cv2.imread(str(SAMPLES / "ten-ml-grey-stopper-blue-card.jpg"))
    large = cv2.resize(sample, None, fx=2.2, fy=2.2, interpolation=cv2.INTER_CUBIC)
    path = tmp_path / "large.jpg"
    cv2.imwrite(str(path), large, [cv2.IMWRITE_JPEG_QUALITY, 92])
    height, width = large.shape[:2]
    scale = max(height, width) / WORKING_LONG_SIDE_PX
    size = (round(width / scale), round(height / scale))
    mean = cv2.resize(cv2.imread(str(path)), size, interpolation=cv2.INTER_AREA)
    off = np.abs(rgb_of(path) - mean[..., ::-1])
    assert off.mean() < 1.0


def test_too_narrow(tmp_path: Path) -> None:
    for size in ((640, 31), (20_000, 200)):
        assert code_of(write(tmp_path / "n.png", Image.new("L", size))) == "image-too-small"
    wide = write(tmp_path / "w.png", Image.new("L", (640, 32)))
    assert isinstance(load_photo(wide), Photo)


@pytest.mark.parametrize("mode", ["RGB", "CMYK", "L"])
def test_a_jpeg_whose_data_are_damaged_is_refused(tmp_path: Path, mode: str) -> None:
    """What follows the damage would be shifted, and could be read."""
    rng = np.random.default_rng(1)
    noise = Image.fromarray(rng.integers(0, 255, (480, 720, 3), np.uint8)).convert(mode)
    data = bytearray(write(tmp_path / "d.jpg", noise).read_bytes())
    middle = len(data) // 2
    data[middle : middle + 2] = b"\xff\x40"  # no marker, and in place of some blocks
    (tmp_path / "d.jpg").write_bytes(data)
    assert code_of(tmp_path / "d.jpg") == "not-an-image"


def real_png(width: int, height: int) -> bytes:
    """A whole, valid PNG of one colour, one bit a pixel (RFC 2083)."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        body = kind + data
        return struct.pack(">I", len(data)) + body + struct.pack(">I", zlib.crc32(body))

    packer, row = zlib.compressobj(9), bytes(1 + (width + 7) // 8)
    packed = b"".join(packer.compress(row * 1000) for _ in range(height // 1000)) + packer.flush()
    head = struct.pack(">IIBBBBB", width, height, 1, 0, 0, 0, 0)
    start = b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head)
    return start + chunk(b"IDAT", packed) + chunk(b"IEND", b"")


def huge_tiff() -> bytes:
    """A header that promises 60 000 x 60 000 pixels (TIFF 6.0)."""
    entries = [(256, 60_000), (257, 60_000), (258, 8), (259, 1), (262, 1), (273, 8), (279, 100)]
    body = b"".join(struct.pack("<HHII", tag, 4, 1, value) for tag, value in entries)
    return b"II*\x00\x08\x00\x00\x00" + struct.pack("<H", len(entries)) + body + bytes(200)


def huge_jpeg() -> bytes:
    file = io.BytesIO()
    Image.new("L", (640, 640)).save(file, "JPEG")
    data = bytearray(file.getvalue())
    frame = data.find(b"\xff\xc0")
    data[frame + 5 : frame + 9] = struct.pack(">HH", 65_000, 65_000)
    return bytes(data)


def huge_webp() -> bytes:
    """The header of 16384 x 16384 pixels, the most that the format can hold (RFC 9649, 3.4)."""
    file = io.BytesIO()
    Image.new("RGB", (640, 64), "white").save(file, "WEBP", lossless=True)
    data = bytearray(file.getvalue())
    at = data.find(b"VP8L") + 9
    data[at : at + 4] = struct.pack("<I", 16383 | 16383 << 14)
    return bytes(data)


def huge_heic() -> bytes:
    file = io.BytesIO()
    Image.new("RGB", (640, 64), "white").save(file, "HEIF")
    data = bytearray(file.getvalue())
    at = data.find(b"ispe")
    data[at + 8 : at + 16] = struct.pack(">II", 32_000, 32_000)
    return bytes(data)


HUGE = {
    "png": lambda: real_png(30_000, 30_000),
    "tiff": huge_tiff,
    "jpeg": huge_jpeg,
    "webp": huge_webp,
    "heic": huge_heic,
    "png header": lambda: png_header(2**31 - 1, 2**31 - 1),
}


@pytest.mark.skipif(sys.platform != "linux", reason="asks the system for the memory used")
@pytest.mark.parametrize("kind", list(HUGE))
def test_a_huge_picture_is_refused_at_once_and_in_little_memory(tmp_path: Path, kind: str) -> None:
    """In a process of its own, with all that the reader's file side loads counted in."""
    path = tmp_path / "huge"
    path.write_bytes(HUGE[kind]())
    assert path.stat().st_size < 130_000
    code = (
        "import re, sys, time\n"
        "from pathlib import Path\n"
        "from drawmark.vision.photo import load_photo\n"
        "start = time.process_time()\n"
        "found = load_photo(sys.argv[1])\n"
        "seconds = time.process_time() - start\n"
        "peak_kb = re.search(r'VmHWM:\\s*(\\d+) kB', Path('/proc/self/status').read_text())[1]\n"
        "print(found.code, seconds, peak_kb)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(path)],
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    found, seconds, peak_kb = done.stdout.split()
    assert found == "image-too-large"
    assert float(seconds) < 1.0
    assert int(peak_kb) * 1024 < 200_000_000


def test_a_jpeg_of_endless_scans_is_refused_at_once(tmp_path: Path) -> None:
    path = write(tmp_path / "s.jpg", Image.new("L", (3000, 3000)), progressive=True)
    data = path.read_bytes()
    scan = data.rfind(b"\xff\xda")
    path.write_bytes(data[:scan] + data[scan:-2] * 2000 + data[-2:])
    start = time.process_time()
    assert code_of(path) == "not-an-image"
    assert time.process_time() - start < 2.0


def test_a_file_of_too_many_bytes_is_not_read(tmp_path: Path) -> None:
    path = tmp_path / "long.jpg"
    with path.open("wb") as file:
        file.truncate(MAX_BYTES + 1)  # takes no room on the disk
    start = time.process_time()
    assert code_of(path) == "image-too-large"
    assert time.process_time() - start < 0.5


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="pipes and devices as files")
def test_what_is_no_file_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "loop").symlink_to("loop")
    (tmp_path / "zero").symlink_to("/dev/zero")
    for name in ("pipe", "loop", "zero", "x" * 300, "nul\x00"):
        assert code_of(tmp_path / name) == "not-an-image"
    for name in ("gone", "zero/below"):
        with pytest.raises(FileNotFoundError):
            load_photo(tmp_path / name)
