"""How quick and how large the program is, as ratios that mean the same on every machine.

    python tests/harness/benchmark.py [--only help memory read jobs] [--times 20]

Photographs are a sample scaled up to 12 and 48 megapixels and saved as JPEG.  What is compared
runs in turns, so that a busy machine slows both; the figure is the ratio of the medians.
"""

from __future__ import annotations

import argparse
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

SAMPLES = Path(__file__).resolve().parent.parent.parent / "sample_images"
COMMAND = str(Path(sys.executable).parent / "drawmark")
SAMPLE = SAMPLES / "ten-ml-black-stopper-tilted-ten-degrees.jpg"
MEGAPIXELS = {12: (4032, 3024), 48: (8064, 6048)}
PEAK = (
    "import re, sys\n"
    "from pathlib import Path\n"
    "def peak():\n"
    "    return int(re.search(r'VmHWM:\\s*(\\d+)', Path('/proc/self/status').read_text())[1])\n"
    "from drawmark.vision.reading import load_photo, read_pixels\n"
    "loaded = peak()\n"
    "photo = load_photo(sys.argv[1])\n"
    "decoded = peak()\n"
    "read_pixels(photo)\n"
    "print(loaded, decoded, peak())\n"
)


def photograph(folder: Path, megapixels: int) -> Path:
    """The sample in that size, with the noise of a sensor, as JPEG."""
    path = folder / f"{megapixels}.jpg"
    if not path.exists():
        sample = cv2.imread(str(SAMPLE))
        large = cv2.resize(sample, MEGAPIXELS[megapixels], interpolation=cv2.INTER_CUBIC)
        noise = np.zeros(large.shape, np.int16)
        cv2.setRNGSeed(1)
        cv2.randn(noise, 0, 4)
        noisy = np.clip(large + noise, 0, 255).astype(np.uint8)
        cv2.imwrite(str(path), noisy, [cv2.IMWRITE_JPEG_QUALITY, 92])
    return path


def seconds(act: Callable[[], object]) -> float:
    """How long *act* takes."""
    start = time.perf_counter()
    act()
    return time.perf_counter() - start


def in_turns(one: Callable[[], object], other: Callable[[], object], times: int) -> str:
    """Medians of the times that both take, in turns after one run of each, and their ratio."""
    one()
    other()
    pairs = [(seconds(one), seconds(other)) for _ in range(times)]
    first, second = (statistics.median(column) for column in zip(*pairs, strict=True))
    return f"{first:.3f} s to {second:.3f} s = {first / second:.2f}"


def run(*command: str) -> None:
    """Run *command* and forget what it prints."""
    subprocess.run(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=False)


def help_ratio(times: int) -> None:
    """The help, against nothing but its library."""
    ratio = in_turns(
        lambda: run(COMMAND, "--help"), lambda: run(sys.executable, "-c", "import typer"), times
    )
    print(f"help: drawmark --help to python -c 'import typer': {ratio} (goal 1.5)", flush=True)


def memory_ratio(folder: Path) -> None:
    """The most memory that reading takes, against the decoded photograph."""
    for megapixels, (width, height) in MEGAPIXELS.items():
        path = str(photograph(folder, megapixels))
        done = subprocess.run(
            [sys.executable, "-c", PEAK, path], capture_output=True, text=True, check=True
        )
        loaded, decoded, peak = (int(word) * 1024 for word in done.stdout.split())
        photo = width * height * 3
        print(
            f"memory: {megapixels} megapixels, {photo / 1e6:.0f} MB decoded: libraries "
            f"{loaded / 1e6:.0f} MB, with the file decoded {decoded / 1e6:.0f} MB, "
            f"read {peak / 1e6:.0f} MB = {peak / photo:.2f} (goal 6)",
            flush=True,
        )


def read_ratio(folder: Path, times: int) -> None:
    """Reading a photograph, against nothing but decoding it, in one process."""
    from drawmark.vision import read_photo

    path = photograph(folder, 12)
    ratio = in_turns(lambda: read_photo(path), lambda: cv2.imread(str(path)), times)
    print(f"read: 12 megapixels, to cv2.imread: {ratio} (goal 4)", flush=True)
    from drawmark.vision.photo import load_photo

    ratio = in_turns(lambda: load_photo(path), lambda: cv2.imread(str(path)), times)
    print(f"read: of this the file's side, to cv2.imread: {ratio}", flush=True)


def jobs_ratio(folder: Path, times: int) -> None:
    """One job against two, on the sample photographs, and on these four times over.

    By whole commands, as a user runs them: what starting takes weighs less in the longer list.
    """
    samples = sorted(SAMPLES.glob("*.jpg"))
    longer = [folder / f"{turn}-{path.name}" for turn in range(4) for path in samples]
    for number, copy in enumerate(longer):
        shutil.copyfile(samples[number % len(samples)], copy)
    lists = {
        f"the {len(samples)} samples": samples,
        f"the samples four times over, {len(longer)} photographs": longer,
    }
    for what, paths in lists.items():
        names = [str(path) for path in paths]
        ratio = in_turns(
            lambda names=names: run(COMMAND, "read", "--json", "--jobs", "1", *names),
            lambda names=names: run(COMMAND, "read", "--json", "--jobs", "2", *names),
            times,
        )
        print(f"jobs: --jobs 1 to --jobs 2, {what}: {ratio} (goal 1.8)", flush=True)


def main() -> None:
    """Run as a program."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parts = ("help", "memory", "read", "jobs")
    parser.add_argument("--only", nargs="+", choices=parts, default=parts)
    parser.add_argument("--times", type=int, default=20)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        if "help" in given.only:
            help_ratio(given.times)
        if "memory" in given.only:
            memory_ratio(folder)
        if "read" in given.only:
            read_ratio(folder, given.times)
        if "jobs" in given.only:
            jobs_ratio(folder, max(1, given.times // 10))


if __name__ == "__main__":
    main()
