#!/usr/bin/env python3
"""Make the pictures of docs/photograph.md from the sample photographs, good and bad.

    python docs/build_photographs.py              writes docs/photograph/*.jpg
    python docs/build_photographs.py --answers    reads each, in full size, and prints the answer

What spoils a photograph is put in where it would be: the truth files say where the barrel lies.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np

HERE = Path(__file__).resolve().parent
SAMPLES = HERE.parent / "sample_images"
FOLDER = HERE / "photograph"
WIDTH_PX = 560
LARGEST_BYTES = 60_000
Image = np.ndarray
GOOD = "ten-ml-grey-stopper-blue-card"


def sample(name: str = GOOD) -> tuple[Image, dict[str, Any]]:
    bgr = cv2.imread(str(SAMPLES / f"{name}.jpg"), cv2.IMREAD_COLOR)
    assert bgr is not None
    return bgr, json.loads((SAMPLES / f"{name}.json").read_text(encoding="utf-8"))


def area(facts: dict[str, Any], start: float, end: float, low: float, high: float) -> Image:
    """Corners, (4, 2) px, of a box along the barrel.

    From *start* to *end*, shares of the scale, and from *low* to *high*, outer radii to the sides.
    """
    points = facts["points"]
    zero, last = np.array(points["zero_axis"]), np.array(points["grad_max_axis"])
    run = last - zero
    along = run / np.linalg.norm(run)
    per_mm = np.linalg.norm(run) / max(t["x_mm"] for t in facts["ticks"])
    side = np.array([-along[1], along[0]]) * per_mm * facts["outer_diameter_mm"] / 2
    places = ((start, low), (end, low), (end, high), (start, high))
    return np.round([zero + run * s + side * o for s, o in places]).astype(np.int32)


def mask(picture: Image, corners: Image, soft_px: float) -> Image:
    """Soft-edged area, (H, W, 1) from 0 to 1."""
    flat = np.zeros(picture.shape[:2], np.float32)
    cv2.fillPoly(flat, [corners], 1.0, cv2.LINE_AA)
    return np.asarray(cv2.GaussianBlur(flat, (0, 0), soft_px))[..., None]


def as_bytes(picture: Image) -> Image:
    return np.clip(picture, 0, 255).astype(np.uint8)


def too_far() -> Image:
    """A quarter of the size: most of the picture is desk."""
    bgr, _ = sample()
    height, width = bgr.shape[:2]
    small = cv2.resize(bgr, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    desk = np.linspace(238, 214, height)[:, None, None] * np.array([0.97, 0.99, 1.0])
    picture = as_bytes(np.repeat(desk, width, axis=1))
    down, right = (height - small.shape[0]) // 2, (width - small.shape[1]) // 2
    picture[down : down + small.shape[0], right : right + small.shape[1]] = small
    return picture


def shaken() -> Image:
    bgr, _ = sample()
    length = 41
    smear = cv2.getRotationMatrix2D((length / 2, length / 2), 25, 1)
    kernel = np.zeros((length, length), np.float32)
    kernel[length // 2] = 1
    kernel = cv2.warpAffine(kernel, smear, (length, length))
    return np.asarray(cv2.filter2D(bgr, -1, kernel / kernel.sum()))


def tilted() -> Image:
    """The camera looks along the barrel: fifteen degrees."""
    return sample("twenty-ml-dark-grey-stopper-tilted-fifteen-degrees")[0]


def numerals_away() -> Image:
    return sample("refused-back-of-the-barrel")[0]


def glare() -> Image:
    """A lamp mirrored along the scale."""
    bgr, facts = sample()
    streak = mask(bgr, area(facts, -0.15, 1.2, -0.55, 0.3), 12)
    return as_bytes(bgr + 420 * streak)


def labelled() -> Image:
    """A paper label stuck over the scale."""
    bgr, facts = sample()
    paper = mask(bgr, area(facts, 0.08, 0.62, -1.3, 1.3), 1.5)
    label = as_bytes(bgr * (1 - paper) + np.array([225, 236, 240]) * paper)
    corners = area(facts, 0.12, 0.58, -0.9, 0.9)
    for share in (0.25, 0.5, 0.75):
        ends = [corners[0] + share * (corners[3] - corners[0]),
                corners[1] + share * (corners[2] - corners[1])]  # fmt: skip
        cv2.line(label, *(tuple(int(v) for v in e) for e in ends), (90, 80, 70), 5, cv2.LINE_AA)
    return label


def cut_off() -> Image:
    """The nozzle's end of the scale is out of the frame."""
    bgr, facts = sample()
    x = area(facts, 0.22, 0.22, 0, 0)[0][0]
    return np.ascontiguousarray(bgr[:, x:])


def shadowed() -> Image:
    """Half the scale in the photographer's shadow."""
    bgr, facts = sample()
    return as_bytes(bgr * (1 - 0.75 * mask(bgr, area(facts, -4, 0.5, -8, 8), 6)))


PICTURES: dict[str, Callable[[], Image]] = {
    "good": lambda: sample()[0],
    "good-upright": lambda: sample("two-and-a-half-ml-black-stopper-bubbles")[0],
    "too-far": too_far,
    "shaken": shaken,
    "tilted": tilted,
    "numerals-away": numerals_away,
    "glare": glare,
    "label": labelled,
    "cut-off": cut_off,
    "shadow": shadowed,
}


def write(name: str, bgr: Image) -> None:
    """As a JPEG of the page's width, at the best quality that stays small."""
    share = WIDTH_PX / max(bgr.shape[:2])
    small = cv2.resize(bgr, None, fx=share, fy=share, interpolation=cv2.INTER_AREA)
    for quality in range(90, 40, -5):
        ok, data = cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, quality])
        assert ok
        if len(data) < LARGEST_BYTES:
            (FOLDER / f"{name}.jpg").write_bytes(data.tobytes())
            return
    raise RuntimeError(f"{name} does not get small enough")


def answer(bgr: Image) -> str:
    from drawmark.vision import Reading
    from drawmark.vision.photo import photo_from_pixels
    from drawmark.vision.reading import read_pixels

    outcome = read_pixels(photo_from_pixels(bgr))
    if isinstance(outcome, Reading):
        return f"{outcome.volume_ml:.3f} ± {outcome.expanded_uncertainty_ml:.3f} mL"
    return outcome.reasons[0].code


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--answers", action="store_true", help="read each and print the answer")
    answers = parser.parse_args().answers
    FOLDER.mkdir(exist_ok=True)
    for name, make in PICTURES.items():
        bgr = make()
        write(name, bgr)
        print(f"{name}: {answer(bgr)}" if answers else name, flush=True)


if __name__ == "__main__":
    main()
