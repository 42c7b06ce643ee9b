"""Broken files of every kind, and `drawmark read` over all of them.

    python tests/harness/broken_files.py --count 10000 --start 0

makes the files number 0 to 9999, lets the command read them in processes of their own, and
prints how many got which answer.  It ends with status 1 if any was answered with a traceback,
an internal error, the wrong number of lines, or too late.  The same number always gives the
same file, whatever else is made.
"""

from __future__ import annotations

import argparse
import io
import json
import os
import random
import shutil
import socket
import struct
import subprocess
import sys
import tempfile
import time
from collections import Counter
from functools import cache
from pathlib import Path

import numpy as np
import pillow_heif
from PIL import ExifTags, Image, ImageCms

HERE = Path(__file__).resolve().parent
COMMAND = Path(sys.executable).parent / "drawmark"
BATCH = 200
SECONDS_FOR_ONE = 30  # on a busy machine, and with the reader on what can be decoded
ALLOWED_STATUS = {0, 2, 4}

TEXTS = {
    "text": b"Dear diary, this is text.\n" * 50,
    "html": b"<!DOCTYPE html><html><body><script>alert(1)</script></body></html>",
    "svg": b'<svg xmlns="http://www.w3.org/2000/svg" width="900" height="900"/>',
    "pdf": b"%PDF-1.4\n%\xe2\xe3\xcf\xd3\n1 0 obj\n<<>>\nendobj\ntrailer\n<<>>\n%%EOF\n",
    "zip": b"PK\x05\x06" + b"\x00" * 18,
    "gzip": b"\x1f\x8b\x08\x00" + b"\x00" * 40,
    "eps": b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 900 900\nshowpage\n",
    "program": b"#!/bin/sh\nrm -rf /\n",
    "zeros": b"\x00" * 5000,
    "ones": b"\xff" * 5000,
}
NAMES = (
    "plain.jpg",
    "с рулеткой.jpg",
    "注射器.jpg",
    "👩‍🔬 1.jpg",
    "e\u0301.jpg",
    "two\nlines.jpg",
    "tab\there.jpg",
    "-dash.jpg",
    "--json.jpg",
    "=1+2.jpg",
    "<b>&amp;'\".jpg",
    "%s%n{0}.jpg",
    "[a-z]*.jpg",
    "a;b|c$(d).jpg",
    "bell\x07\x1b[31m.jpg",
    "\u202egpj.exe",
    " .jpg",
    "no ending",
    "x" * 251 + ".jpg",
    "é" * 125 + ".jpg",
    os.fsdecode(b"not utf-8 \xff\xfe.jpg"),
)


@cache
def whole_pictures() -> dict[str, bytes]:
    """Small pictures without a fault, of every format that is read, by a name for each."""
    y, x = np.mgrid[0:48, 0:640]
    comb = np.where((x % 16 < 2) & (y > 12) & (y < 36 - 12 * (x % 80 > 2)), 30, 210)
    like_a_scale = Image.fromarray(np.stack([comb, comb, comb + y // 2], -1).astype(np.uint8))
    # the reader is done with most of them soon, which leaves the time for more damage
    shade = x * y // 128
    picture = Image.fromarray(np.stack([shade, y * 5, x // 3], -1).astype(np.uint8))
    exif = Image.Exif()
    exif[ExifTags.Base.Orientation] = 6
    exif.get_ifd(ExifTags.IFD.Exif)[ExifTags.Base.FocalLengthIn35mmFilm] = 28
    icc = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    with_all = {"exif": exif.tobytes(), "icc_profile": icc}
    alpha = picture.copy()
    alpha.putalpha(Image.fromarray(shade.astype(np.uint8)))
    wide = Image.fromarray((shade * 257).astype(np.uint16))

    def saved(image: Image.Image, form: str, **options: object) -> bytes:
        file = io.BytesIO()
        image.save(file, form, **options)
        return file.getvalue()

    pillow_heif.register_heif_opener()
    return {
        "jpeg": saved(like_a_scale, "JPEG", quality=90, **with_all),
        "jpeg progressive": saved(picture, "JPEG", progressive=True, **with_all),
        "jpeg restarts": saved(picture, "JPEG", restart_marker_rows=1),
        "jpeg grey": saved(picture.convert("L"), "JPEG"),
        "jpeg cmyk": saved(picture.convert("CMYK"), "JPEG"),
        "mpo": saved(picture, "MPO", save_all=True, append_images=[picture]),
        "png": saved(picture, "PNG", **with_all),
        "png alpha": saved(alpha, "PNG"),
        "png palette": saved(picture.quantize(16), "PNG", transparency=3),
        "png 16 bit": saved(wide, "PNG"),
        "png 1 bit": saved(picture.convert("1"), "PNG"),
        "tiff": saved(picture, "TIFF", **with_all),
        "tiff lzw": saved(picture, "TIFF", compression="tiff_lzw"),
        "tiff deflate": saved(alpha, "TIFF", compression="tiff_adobe_deflate"),
        "tiff jpeg": saved(picture, "TIFF", compression="jpeg"),
        "tiff fax": saved(picture.convert("1"), "TIFF", compression="group4"),
        "tiff 16 bit": saved(wide, "TIFF"),
        "webp": saved(picture, "WEBP", quality=80, **with_all),
        "webp lossless": saved(alpha, "WEBP", lossless=True),
        "heic": saved(picture, "HEIF", quality=60, **with_all),
        "heic alpha": saved(alpha, "HEIF", quality=60),
    }


def joints(data: bytes) -> list[int]:
    """Where the parts of a picture file begin: markers, chunks and boxes, found by their look."""
    found = {0, 1, 2, 3, 4, 8, 12, 16, 24, 32, len(data) - 1, len(data) - 2}
    marks = (
        b"IHDR",
        b"IDAT",
        b"IEND",
        b"iCCP",
        b"eXIf",
        b"tRNS",
        b"PLTE",
        b"VP8 ",
        b"VP8L",
        b"VP8X",
    )
    marks += (
        b"ICCP",
        b"EXIF",
        b"ALPH",
        b"ftyp",
        b"meta",
        b"iinf",
        b"iloc",
        b"iprp",
        b"mdat",
        b"ispe",
    )
    for mark in marks:
        at = data.find(mark)
        while at >= 0:
            found |= {at - 4, at, at + 4}
            at = data.find(mark, at + 1)
    if data[:2] == b"\xff\xd8":
        found |= {
            i for i in range(len(data) - 1) if data[i] == 0xFF and data[i + 1] not in (0, 0xFF)
        }
    if data[:4] == b"II*\x00":
        directory = struct.unpack("<I", data[4:8])[0]
        found |= {directory + 2 + 12 * i for i in range(20)}
    return sorted(at for at in found if 0 <= at < len(data))


def damaged(rng: random.Random) -> tuple[str, bytes]:
    """One whole picture with one kind of damage: what was done, and the bytes."""
    kind = rng.choice(list(whole_pictures()))
    data = bytearray(whole_pictures()[kind])
    how = rng.choice(list(_DAMAGES))
    _DAMAGES[how](rng, data)
    return f"{how}, {kind}", bytes(data)


def _cut_anywhere(rng: random.Random, data: bytearray) -> None:
    del data[rng.randrange(len(data)) :]


def _cut_at_a_joint(rng: random.Random, data: bytearray) -> None:
    del data[max(0, rng.choice(joints(bytes(data))) + rng.choice((-1, 0, 0, 1, 2))) :]


def _flip(rng: random.Random, data: bytearray, end: int, most: int) -> None:
    for _ in range(rng.randint(1, most)):
        data[rng.randrange(min(end, len(data)))] ^= 1 << rng.randrange(8)


def _number_at_a_joint(rng: random.Random, data: bytearray) -> None:
    at = min(len(data) - 4, max(0, rng.choice(joints(bytes(data))) + rng.choice((-4, 2, 4, 8))))
    number = rng.choice((0, 1, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF, 0xFFFF, rng.getrandbits(32)))
    data[at : at + 4] = struct.pack(rng.choice("<>") + "I", number)


def _without_a_part(rng: random.Random, data: bytearray) -> None:
    one, other = sorted(rng.choices(joints(bytes(data)), k=2))
    del data[one:other]


def _part_twice(rng: random.Random, data: bytearray) -> None:
    one, other = sorted(rng.choices(joints(bytes(data)), k=2))
    data[other:other] = data[one:other]


def _noise(rng: random.Random, data: bytearray) -> None:
    at = rng.randrange(len(data))
    noise = rng.randbytes(rng.randint(1, 200))
    data[at : at + rng.choice((0, len(noise)))] = noise


def _two_spliced(rng: random.Random, data: bytearray) -> None:
    other = rng.choice(list(whole_pictures().values()))
    data[rng.randrange(len(data)) :] = other[rng.randrange(len(other)) :]


def _more_behind(rng: random.Random, data: bytearray) -> None:
    data += rng.choice((rng.randbytes(500), bytes(5000), bytes(data)))


_DAMAGES = {
    "cut anywhere": _cut_anywhere,
    "cut at a joint": _cut_at_a_joint,
    "one bit flipped": lambda rng, data: _flip(rng, data, len(data), 1),
    "bits flipped": lambda rng, data: _flip(rng, data, len(data), 60),
    "header bits flipped": lambda rng, data: _flip(rng, data, 300, 4),
    "number at a joint": _number_at_a_joint,
    "a part missing": _without_a_part,
    "a part twice": _part_twice,
    "noise": _noise,
    "two spliced": _two_spliced,
    "more behind": _more_behind,
}


def make(number: int, folder: Path) -> tuple[str, Path]:
    """Make broken file *number* in *folder*: what it is, and its path."""
    rng = random.Random(f"broken file {number}")
    if number % 20 == 0:
        return _not_a_file(rng, number, folder)
    ending = rng.choice((".jpg", ".JPG", ".png", ".tif", ".webp", ".heic", ".jpeg", "", ".txt"))
    name = f"{number}{ending}" if rng.random() < 0.9 else _odd_name(rng, number)
    if rng.random() < 0.06:
        what, data = rng.choice(list(TEXTS.items()))
        data = rng.choice((data, b"", rng.randbytes(rng.randint(1, 5000)), data[:3]))
    else:
        what, data = damaged(rng)
    path = folder / name
    path.write_bytes(data)
    if rng.random() < 0.02:
        path.chmod(0)  # nobody may read it, but for root
    return what, path


def _odd_name(rng: random.Random, number: int) -> str:
    name = rng.choice(NAMES)
    if len(os.fsencode(name)) < 240:
        return f"{name[:-4]}{number}{name[-4:]}" if "." in name else f"{name}{number}"
    return name


def _not_a_file(rng: random.Random, number: int, folder: Path) -> tuple[str, Path]:
    """Something else than a file, or a way to none."""
    what = rng.choice(
        (
            "pipe",
            "folder",
            "loop",
            "dangling",
            "gone",
            "too long",
            "below a file",
            "socket",
            "device",
        )
    )
    path = folder / f"{number}.jpg"
    if what == "pipe":
        os.mkfifo(path)
    elif what == "folder":
        path.mkdir()
    elif what == "loop":
        path.symlink_to(path.name)
    elif what == "dangling":
        path.symlink_to("nowhere.jpg")
    elif what == "too long":
        path = folder / ("x" * rng.choice((256, 1000, 5000)))
    elif what == "below a file":
        path.write_bytes(b"")
        path = path / "photo.jpg"
    elif what == "socket":
        here = Path.cwd()
        os.chdir(folder)  # the path of a socket may not be long
        try:
            with socket.socket(socket.AF_UNIX) as listener:
                listener.bind(path.name)
        finally:
            os.chdir(here)
    elif what == "device":
        path.symlink_to(rng.choice(("/dev/zero", "/dev/null", "/dev/full", "/dev/urandom")))
    return what, path


def read_all(paths: list[Path]) -> tuple[list[dict[str, object]], list[str]]:
    """Let the command read *paths*: its JSON lines, and what is wrong with its behaviour."""
    try:
        done = subprocess.run(
            [str(COMMAND), "read", "--json", "--", *map(str, paths)],
            capture_output=True,
            timeout=60 + SECONDS_FOR_ONE * len(paths) / 10,
            check=False,
        )
    except subprocess.TimeoutExpired:
        return [], ["no end"]
    wrong = []
    if done.returncode not in ALLOWED_STATUS:
        wrong.append(f"exit status {done.returncode}: {done.stderr[-300:]!r}")
    if b"Traceback" in done.stderr:
        wrong.append(f"traceback: {done.stderr[-600:]!r}")
    records = [json.loads(line) for line in done.stdout.splitlines()]
    if len(records) != len(paths):
        wrong.append(f"{len(records)} answers to {len(paths)} files")
    return records, wrong


def code_of(record: dict[str, object]) -> str:
    """``read``, or the code of the first reason for the refusal."""
    if record["status"] == "read":
        return "read"
    reasons = record["reasons"]
    assert isinstance(reasons, list)
    assert reasons
    return str(reasons[0]["code"])


def run(numbers: range) -> tuple[Counter[str], Counter[tuple[str, str]], list[str]]:
    """Make and read the files *numbers*: counts of codes, of (kind, code), and what is wrong."""
    codes: Counter[str] = Counter()
    by_kind: Counter[tuple[str, str]] = Counter()
    wrong: list[str] = []
    folder = Path(tempfile.mkdtemp(prefix="broken"))
    try:
        made = [make(number, folder) for number in numbers]
        records, problems = read_all([path for _, path in made])
        wrong += [f"{numbers}: {problem}" for problem in problems]
        for number, (what, path), record in zip(numbers, made, records, strict=False):
            code = code_of(record)
            codes[code] += 1
            by_kind[what, code] += 1
            if code == "internal-error":
                wrong.append(f"file {number} ({what}): {record['reasons']}")
            if record["photo"] != os.fsdecode(path):
                wrong.append(f"file {number}: the answer is for {record['photo']!r}")
    finally:
        shutil.rmtree(folder)
    return codes, by_kind, wrong


def main() -> int:
    """Run as a program."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--count", type=int, default=10_000)
    parser.add_argument("--start", type=int, default=0)
    parser.add_argument("--kinds", action="store_true", help="print counts by kind of damage too")
    given = parser.parse_args()
    started = time.monotonic()
    codes: Counter[str] = Counter()
    kinds: Counter[tuple[str, str]] = Counter()
    failures = 0
    end = given.start + given.count
    for first in range(given.start, end, BATCH):
        try:
            some, by_kind, wrong = run(range(first, min(first + BATCH, end)))
        except KeyboardInterrupt:  # what is known by now is still told
            break
        codes += some
        kinds += by_kind
        failures += len(wrong)
        for line in wrong:
            print("WRONG", line, flush=True)
        print(f"{codes.total()} answered, {time.monotonic() - started:.0f} s", flush=True)
    for code, count in codes.most_common():
        print(f"{count:6d}  {code}")
    if given.kinds:
        for (what, code), count in sorted(kinds.items()):
            print(f"{count:6d}  {what}: {code}")
    print(f"{failures} wrong")
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
