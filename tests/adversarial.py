"""Pictures made to mislead: each must be refused, or read right where there is a right answer.

`CASES` lists them. All are drawn or made from the sample photographs, the same every time, and
small enough for a test: nothing here is kept as a file.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial

import cv2
import numpy as np
from drawn_barrel import TEXTURE, Barrel, five_ml, on_paper, one_ml, photographed_barrel, ten_ml
from drawn_things import THINGS, Image, line, photographed, sheet, thing, write
from spoilt_photographs import across, axis_of, mirrored, sample, side_by_side

from drawmark.vision import Outcome, Reading

WIDTH_PX = 1150
GREY = "ten-ml-grey-stopper-blue-card"
BLACK = "dilution-before-nine-ml-of-diluent"
TWENTY = "twenty-ml-black-stopper-pink-liquid-kraft-card"
FIVE, FIFTY = "five-ml-blue-stopper-yellow-liquid", "fifty-ml-black-stopper-black-card"


@dataclass(frozen=True)
class Truth:
    """Volume at the fiducial line, scale interval and last line, mL."""

    volume_ml: float
    interval_ml: float
    largest_ml: float


@dataclass(frozen=True)
class Case:
    """A picture by name; without *truth* nothing in it may be read."""

    name: str
    kind: str
    make: Callable[[], Image]
    truth: Truth | None = None


#: As for the sample photographs: gross beyond so many intervals, and so many times U (k = 2).
GROSS_INTERVALS, STRETCH = 2.0, 1.5


def is_right(reading: Reading, truth: Truth | None) -> bool:
    """True if the reading is that of *truth*; where there is none, nothing is right."""
    if truth is None or reading.graduated_max_ml != truth.largest_ml:
        return False
    error = abs(reading.volume_ml - truth.volume_ml)
    return error <= min(
        GROSS_INTERVALS * truth.interval_ml, STRETCH * reading.expanded_uncertainty_ml
    )


def is_believed(outcome: Outcome) -> bool:
    """True if the lines were given volumes, whatever else the photograph was refused for."""
    return any(np.isfinite(tick.value_ml) for tick in outcome.evidence.ticks)


def smaller(bgr: Image) -> Image:
    """As narrow as a test can do with."""
    share = WIDTH_PX / bgr.shape[1]
    return np.asarray(cv2.resize(bgr, None, fx=share, fy=share, interpolation=cv2.INTER_AREA))


# ---- a scale that is wrong, on a barrel like any other


def _geometric(ratio: float) -> np.ndarray:
    """21 lines from 0 to 1, each step *ratio* times the one before."""
    steps = ratio ** np.arange(20)
    return np.concatenate([[0], np.cumsum(steps) / steps.sum()])


def _shuffled(k: int) -> str:
    return ("0", "7", "2", "9", "4", "1", "10", "3", "8", "5", "6")[k]


WRONG_SCALES: dict[str, Callable[[], Barrel]] = {
    "tenfold-on-ten-ml": lambda: ten_ml(lambda k: str(10 * k)),
    "tenth-on-ten-ml": lambda: ten_ml(lambda k: f"{k / 10:g}"),
    "tenfold-on-five-ml": lambda: five_ml(lambda k: str(10 * k)),
    "tenth-on-five-ml": lambda: five_ml(lambda k: f"{k / 10:g}"),
    "units-on-one-ml": lambda: one_ml(lambda k: str(10 * k)),
    "tenfold-on-one-ml": lambda: one_ml(str),
    "numeral-skipped": lambda: ten_ml(lambda k: str(k if k < 4 else k + 1)),
    "numerals-skipped-twice": lambda: ten_ml(lambda k: str(k + (k > 2) + (k > 6))),
    "numeral-twice": lambda: ten_ml(lambda k: str(k if k < 5 else k - 1)),
    "doubling": lambda: ten_ml(lambda k: str(2**k if k else 0)),
    "squares": lambda: ten_ml(lambda k: str(k * k)),
    "threes": lambda: ten_ml(lambda k: str(3 * k)),
    "sevens": lambda: five_ml(lambda k: str(7 * k)),
    "degrees": lambda: ten_ml(lambda k: str(32 + 18 * k)),
    "starts-at-one": lambda: ten_ml(lambda k: str(k + 1)),
    "starts-at-three": lambda: five_ml(lambda k: str(k + 3)),
    "from-the-other-end-ten-ml": lambda: ten_ml(lambda k: str(10 - k), plunger=0.25),
    "from-the-other-end-five-ml": lambda: five_ml(lambda k: str(5 - k), plunger=0.25),
    "from-the-middle": lambda: ten_ml(lambda k: str(abs(k - 5))),
    "shuffled": lambda: ten_ml(_shuffled),
    "all-the-same": lambda: ten_ml(lambda _: "5"),
    "letters": lambda: ten_ml(lambda k: "ABCDEFGHIJK"[k]),
    "mirrored-numerals": lambda: ten_ml(mirrored_text=True),
    "spaces-growing": lambda: ten_ml(lines=_geometric(1.06)),
    "spaces-shrinking": lambda: ten_ml(lines=_geometric(0.92)),
    "two-spacings": lambda: ten_ml(
        lines=np.concatenate([np.linspace(0, 0.35, 11), np.linspace(0.35, 1, 11)[1:]])
    ),
}


# ---- the sample photographs, spoilt


def truth_of(name: str) -> Truth:
    facts = sample(name)[1]
    return Truth(facts["true_volume_ml"], facts["scale_interval_ml"], facts["graduated_max_ml"])


def _mask(name: str, start: float, end: float, low: float, high: float, soft_px: float) -> Image:
    """Soft-edged box along the scale, (H, W, 1) from 0 to 1.

    *start* and *end* are shares of the scale, *low* and *high* outer radii to its sides.
    """
    bgr, facts = sample(name)
    zero, along, per_mm, radius = axis_of(facts)
    whole = per_mm * max(t["x_mm"] for t in facts["ticks"])
    side = radius * across(along)
    corners = [
        zero + along * whole * s + side * o
        for s, o in ((start, low), (end, low), (end, high), (start, high))
    ]
    mask = np.zeros(bgr.shape[:2], np.float32)
    cv2.fillPoly(mask, [np.round(corners).astype(np.int32)], 1.0, cv2.LINE_AA)
    return np.asarray(cv2.GaussianBlur(mask, (0, 0), soft_px))[..., None]


def _byte(picture: np.ndarray) -> Image:
    return np.clip(picture, 0, 255).astype(np.uint8)


def half_in_shadow(name: str) -> Image:
    """Something stands in the light: half the scale has a quarter of it."""
    return _byte(sample(name)[0] * (1 - 0.75 * _mask(name, -3, 0.5, -6, 6, 3)))


def shadow_along(name: str) -> Image:
    """A shadow's edge lies along the barrel."""
    return _byte(sample(name)[0] * (1 - 0.7 * _mask(name, -3, 4, -9, 0.1, 5)))


def glare(name: str) -> Image:
    """A lamp's reflection along the middle of the barrel burns the print out."""
    return _byte(sample(name)[0] + 400 * _mask(name, -0.1, 1.1, -0.12, 0.12, 5))


def glare_spot(name: str) -> Image:
    """The flash, mirrored in the barrel."""
    return _byte(sample(name)[0] + 500 * _mask(name, 0.25, 0.45, -0.8, 0.8, 25))


def hand_over_numerals(name: str, start: float = 0.1, end: float = 0.75) -> Image:
    """A finger of the colour of skin lies over half the barrel and most of the scale."""
    bgr, _ = sample(name)
    mask = np.maximum(_mask(name, start, end, 0.05, 3.2, 5), _mask(name, start, end, -3.2, -0.9, 5))
    rows = np.linspace(0, 9, bgr.shape[0])[:, None, None]
    skin = np.array([128, 158, 206]) * (0.9 + 0.1 * np.sin(3 * rows))
    return _byte(bgr * (1 - mask) + skin * mask)


def hand_round_barrel(name: str) -> Image:
    """Fingers close round the first half of the scale."""
    mask = _mask(name, -0.2, 0.5, -2.5, 2.5, 5)
    return _byte(sample(name)[0] * (1 - mask) + np.array([120, 150, 200]) * mask)


def on_a_screen(name: str) -> Image:
    """The photograph shown on a screen and photographed again: stripes of three colours, moire."""
    bgr = smaller(sample(name)[0]).astype(np.float32)
    height, width = bgr.shape[:2]
    x, y = np.meshgrid(np.arange(width), np.arange(height))
    for channel in range(3):
        bgr[..., channel] *= 0.8 + 0.2 * np.cos(2 * np.pi * (x * 0.347 + y * 0.008 + channel / 3))
    bgr *= (0.85 + 0.15 * np.cos(2 * np.pi * (y * 0.331 - x * 0.006)))[..., None]
    return _byte(bgr * 1.1)


def as_halftone(name: str) -> Image:
    """Printed in dots on paper, lying on a desk."""
    bgr = smaller(sample(name)[0]).astype(np.float32)
    height, width = bgr.shape[:2]
    x, y = np.meshgrid(np.arange(width), np.arange(height))
    dots = 26 * (np.cos(1.9 * (x + y)) + np.cos(1.9 * (x - y)))
    return photographed(_byte(bgr + dots[..., None]), 5, angle=9, blur=1.0)


def negative(name: str) -> Image:
    return np.asarray(255 - sample(name)[0])


def turned(name: str, by: int) -> Image:
    return np.ascontiguousarray(np.rot90(sample(name)[0], by))


def _stretched(name: str) -> Image:
    """A third wider than high, as a careless page layout does."""
    return np.asarray(cv2.resize(sample(name)[0], None, fx=1.0, fy=0.75))


def coarse_jpeg(name: str) -> Image:
    ok, data = cv2.imencode(".jpg", smaller(sample(name)[0]), [cv2.IMWRITE_JPEG_QUALITY, 12])
    assert ok
    return np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR))


def red_light(name: str) -> Image:
    return _byte(sample(name)[0] * [0.15, 0.25, 1.0])


SPOILT: dict[str, tuple[str, tuple[str, ...], Callable[[str], Image]]] = {
    "shadow-over-half": ("shadow", (GREY, BLACK, FIVE), half_in_shadow),
    "shadow-along": ("shadow", (GREY, TWENTY), shadow_along),
    "glare-streak": ("glare", (GREY, BLACK, TWENTY), glare),
    "glare-spot": ("glare", (GREY, FIVE), glare_spot),
    "hand-over-numerals": ("hand", (GREY, BLACK, TWENTY), hand_over_numerals),
    "hand-round-barrel": ("hand", (GREY, FIFTY), hand_round_barrel),
    "screen": ("screen", (GREY, BLACK, FIFTY), on_a_screen),
    "halftone": ("printed picture", (GREY, TWENTY), as_halftone),
    "upside-down": ("turned", (GREY, FIVE), partial(turned, by=2)),
    "on-end": ("turned", (BLACK,), partial(turned, by=1)),
    "negative": ("colours", (GREY, TWENTY), negative),
    "red-light": ("colours", (BLACK,), red_light),
    "stretched": ("colours", (GREY,), _stretched),
    "coarse-jpeg": ("colours", (GREY, FIVE), coarse_jpeg),
}


# ---- round a cylinder that is no barrel


def wrapped_tape(round_it: bool) -> Image:
    """A tape measure on a bottle: along it, or round it."""
    bottle = ten_ml(outer_mm=26.0, plunger=9.0)
    length, turn = bottle.width_px, round(np.pi * bottle.outer_mm * TEXTURE)
    skin = sheet(length, turn, (150, 190, 160))
    run = turn if round_it else length
    tape = sheet(run, 14 * TEXTURE, (170, 232, 240))
    for k in range(run // TEXTURE + 1):
        x = k * TEXTURE
        tall = 7.0 if k % 10 == 0 else 5.0 if k % 5 == 0 else 3.5
        line(tape, x, 0, x, tall * TEXTURE, 3)
        if k % 10 == 5:
            write(tape, str(20 + k // 10), x, 10 * TEXTURE, 4 * TEXTURE)
    if round_it:
        tape = np.rot90(tape)
    top, left = ((skin.shape[i] - tape.shape[i]) // 2 for i in (0, 1))
    skin[top : top + tape.shape[0], left : left + tape.shape[1]] = tape
    return photographed_barrel(bottle, 4, angle=-17, skin=skin)


def two_barrels() -> Image:
    """Two drawn barrels on one card."""
    upper = photographed_barrel(ten_ml(plunger=0.3), 7, angle=3)
    lower = photographed_barrel(five_ml(plunger=0.8), 8, angle=-3)
    return np.vstack([upper[180:-180], lower[180:-180]])


def _drawn(barrel: Callable[[], Barrel], number: int) -> Image:
    return photographed_barrel(barrel(), number, angle=(53 * number) % 70 - 35)


def _on_paper(barrel: Callable[[], Barrel], number: int) -> Image:
    return photographed(on_paper(barrel()), number, angle=(31 * number) % 40 - 20)


def _mirrored_ten_ml() -> Image:
    return np.ascontiguousarray(_drawn(ten_ml, 44)[:, ::-1])


def _small(make: Callable[[str], Image], name: str) -> Image:
    return smaller(make(name))


#: Drawn with the right scale: what shows that a wrong one is refused for being wrong.
RIGHT_SCALES: dict[str, Callable[[], Barrel]] = {
    "ten-ml": ten_ml,
    "five-ml": partial(five_ml, plunger=0.52),
    "one-ml": partial(one_ml, lambda k: f"{k / 10:g}", plunger=0.47),
    "flat-stopper-ten-ml": partial(ten_ml, cone=0.0),
    "flat-stopper-five-ml": partial(five_ml, cone=0.0),
    "upside-down-numerals": partial(ten_ml, upside_down=True),
}


def _truth_of_drawn(barrel: Barrel) -> Truth | None:
    """What the barrel holds, whatever is printed beside its lines; none if they are uneven."""
    if np.ptp(np.diff(barrel.lines)) > 1e-9:
        return None
    return Truth(barrel.plunger * barrel.capacity_ml, barrel.interval_ml, barrel.capacity_ml)


def _cases() -> Iterator[Case]:
    for name, (kind, _) in THINGS.items():
        yield Case(name, kind, partial(thing, name))
    for way, round_it in (("along", False), ("round", True)):
        yield Case(f"tape-{way}-bottle", "tape measure", partial(wrapped_tape, round_it))
    for place, (name, barrel) in enumerate(WRONG_SCALES.items()):
        truth = _truth_of_drawn(barrel())
        yield Case(f"wrong-scale-{name}", "wrong scale", partial(_drawn, barrel, place), truth)
        if place % 4 == 0:
            make = partial(_on_paper, barrel, place)
            yield Case(f"paper-{name}", "wrong scale on paper", make, truth)
    for place, (name, barrel) in enumerate(RIGHT_SCALES.items()):
        truth = _truth_of_drawn(barrel())
        yield Case(f"right-scale-{name}", "right scale", partial(_drawn, barrel, place + 40), truth)
    for name in ("ten-ml", "five-ml"):
        make = partial(_on_paper, RIGHT_SCALES[name], 3)
        yield Case(f"paper-{name}", "drawn on paper", make, _truth_of_drawn(RIGHT_SCALES[name]()))
    for what, (kind, names, make) in SPOILT.items():
        for name in names:
            yield Case(f"{what}-{name}", kind, partial(_small, make, name), truth_of(name))
    for name in (GREY, BLACK, FIVE):
        # a mirror changes no volume: refused or read right, like the others
        yield Case(f"mirrored-{name}", "mirrored", partial(_small, mirrored, name), truth_of(name))
    yield Case("mirrored-ten-ml", "mirrored", _mirrored_ten_ml, _truth_of_drawn(ten_ml()))
    yield Case("two-photographs", "two syringes", lambda: smaller(side_by_side(GREY, FIVE)))
    yield Case("two-of-a-kind", "two syringes", lambda: smaller(side_by_side(BLACK, BLACK)))
    yield Case("two-barrels", "two syringes", two_barrels)


CASES: tuple[Case, ...] = tuple(_cases())

#: What takes most of the time, for `-m 'not slow'`: things that are no syringe at all.
SLOW_KINDS = {kind for kind, _ in THINGS.values()} | {"colours", "turned", "printed picture"}
