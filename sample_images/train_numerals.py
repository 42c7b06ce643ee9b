"""Train vision/numerals.onnx on drawn numerals.

    python sample_images/train_numerals.py --minutes 20

    python sample_images/train_numerals.py --pack RENDERS... --flats flats.npz
    python sample_images/train_numerals.py --flats flats.npz --share 0.2 --minutes 20

Needs the extra ``train`` (torch, onnx, pillow) and sans-serif fonts in
/usr/share/fonts; see docs/numerals.md for the packages that the committed
weights were trained with.  Numerals, lines, stoppers, bubbles, streaks, wear
and the way through the camera and back are all drawn here; with ``--flats`` a
share of the patches is cut from unwrapped renders (`render.py`) with truth.
"""

from __future__ import annotations

import argparse
import json
import lzma
import multiprocessing as mp
import pickle
import queue
import time
from pathlib import Path

import cv2
import numpy as np
from half_floats import store_half

from drawmark.vision.numerals_net import (
    DIGIT_HEIGHT,
    LABEL_INDEX,
    LABELS,
    NONE_LABEL,
    PATCH_HEIGHT,
    PATCH_WIDTH,
    TRAINING_SHARES,
    UNIT_LABEL,
    WINDOWS,
    normalise,
)

MARGIN = 24  # surroundings drawn about a patch, px: a multiple of the net's stride
H, W = PATCH_HEIGHT + 2 * MARGIN, PATCH_WIDTH + 2 * MARGIN
BANK_CAP = 44.0  # digit height in the glyph bank, px
PAD = 16  # margin around a word in the bank, px
MOST_AZIMUTH = np.radians(86)  # of what is unwrapped, by the reader too
MOST_PACKED_PX = 22.0  # digit height in packed flat pictures, px
FEW_PLACES = 40  # labels found in fewer places are more often drawn
FONT_ROOT = Path("/usr/share/fonts")
# Families by the start of their file name: plain sans-serif faces such as are printed on barrels.
TRAIN_FONTS = (
    "DejaVuSans-", "DejaVuSans.", "DejaVuSansCondensed", "LiberationSans", "FreeSans",
    "Roboto-", "RobotoCondensed-", "Lato-", "Cantarell-", "Cabin", "Karla-", "Play",
    "OpenDin", "NimbusSans", "Mplus1-", "mplus-1", "mplus-2", "manrope", "Junction", "Dosis-",
    "Quicksand", "FiraCode", "millimetre", "URWGothic",
)  # fmt: skip
HELD_OUT_FONTS = ("OpenSans-", "Inter-", "ClearSans-", "Carlito-", "Hack-")
UNWANTED = ("italic", "oblique", "thin", "hairline", "extralight", "ultralight", "black", "heavy",
            "alternates", "-it.", "mono")  # fmt: skip
OTHER_WORDS = (
    "STERILE", "Single use", "LOT", "REF", "EXP", "2025", "LATEX", "PP", "CE", "ISO", "IIR",
    "luer", "lock", "13", "17", "19", "21", "23", "26", "27", "28", "32", "33", "37", "42",
    "48", "52", "70", "80", "90", "100", "110", "150", "U-100", "units", "IU", "cc", "0.01",
    "0.02", "A", "M", "S", "E", "L", "T", "N", "H", "V", "W", "X", "R", "B", "K", "tt", "oo",
    "+", "-", "=", "|", "II", "III", ".", "..", "/", "\u2192", "m", "Made in", "Fr", "6%", "G",
)  # fmt: skip


def forms_of(label: str) -> list[str]:
    """The ways a value is printed; doubles make a form more frequent."""
    if label == UNIT_LABEL:
        return ["mL", "ml", "mL", "ml", "ML"]
    if "." in label:
        head, tail = label.split(".")
        out = [label] * 6 + [label.replace(".", ",")]
        if len(tail) == 1:
            out += [label + "0"]
        if head == "0":
            out += ["." + tail] * 4
        return out
    value = int(label)
    return [label] * 8 + ([f"{label}.0"] * 2 + [f"{label}.00"] if value <= 6 else [])


def find_fonts(prefixes: tuple[str, ...]) -> list[Path]:
    paths = []
    for path in sorted(FONT_ROOT.rglob("*")):
        name = path.name
        if path.suffix.lower() not in (".ttf", ".otf") or not name.startswith(prefixes):
            continue
        if any(word in name.lower() for word in UNWANTED):
            continue
        paths.append(path)
    return list({p.name: p for p in paths}.values())


class GlyphBank:
    """Single characters of many fonts with advances and kerning; words are set from them."""

    def __init__(self, faces: list[dict]) -> None:
        self.faces = faces
        self._cache: dict[tuple[int, str, int], np.ndarray] = {}

    def __len__(self) -> int:
        return len(self.faces)

    @classmethod
    def draw(cls, fonts: list[Path]) -> GlyphBank:
        from PIL import Image, ImageDraw, ImageFont

        texts = [f for s in LABELS if s != NONE_LABEL for f in forms_of(s)] + list(OTHER_WORDS)
        chars = sorted({c for t in texts for c in t})
        pairs = sorted({t[i : i + 2] for t in texts for i in range(len(t) - 1)})
        faces = []
        for path in fonts:
            probe = ImageFont.truetype(str(path), 100).getbbox("0")
            if probe[3] - probe[1] < 40:
                continue
            font = ImageFont.truetype(str(path), round(100 * BANK_CAP / (probe[3] - probe[1])))
            zero = font.getbbox("0", anchor="ls")
            base = PAD + BANK_CAP / 2 - (zero[1] + zero[3]) / 2
            glyphs = {}
            for c in chars:
                width = int(font.getlength(c)) + 2 * PAD
                image = Image.new("L", (width, int(BANK_CAP) + 2 * PAD), 0)
                ImageDraw.Draw(image).text((PAD, base), c, fill=255, font=font, anchor="ls")
                glyphs[c] = np.asarray(image)
            advance = {c: font.getlength(c) for c in chars}
            kern = {p: font.getlength(p) - advance[p[0]] - advance[p[1]] for p in pairs}
            faces.append({"name": path.name, "glyphs": glyphs, "advance": advance, "kern": kern})
        return cls(faces)

    def word(self, font: int, text: str, tracking: int) -> np.ndarray:
        """Ink 0..255, centred on the digits' height, with a margin of PAD px around."""
        key = (font, text, tracking)
        if key not in self._cache:
            face = self.faces[font]
            x = 0.0
            starts = []
            for i, c in enumerate(text):
                starts.append(round(x))
                x += face["advance"][c] + tracking + face["kern"].get(text[i : i + 2], 0.0)
            ink = np.zeros((int(BANK_CAP) + 2 * PAD, round(x) + 2 * PAD + 30), np.uint8)
            for c, at in zip(text, starts, strict=True):
                glyph = face["glyphs"][c]
                part = ink[:, max(at, 0) : max(at, 0) + glyph.shape[1]]
                np.maximum(part, glyph[:, : part.shape[1]], out=part)
            columns = np.flatnonzero(ink.max(axis=0) > 100)
            if len(columns):
                ink = ink[:, max(columns[0] - PAD, 0) : columns[-1] + PAD + 1]
            self._cache[key] = np.ascontiguousarray(cv2.GaussianBlur(ink, (0, 0), 0.8))
        return self._cache[key]


def get_banks(path: Path | None) -> tuple[GlyphBank, GlyphBank]:
    """Banks of the fonts to train on and of those held out; kept in a file if one is named."""
    if path is not None and path.exists():
        with lzma.open(path) as file:
            train, held = pickle.load(file)
        return GlyphBank(train), GlyphBank(held)
    train, held = (GlyphBank.draw(find_fonts(f)) for f in (TRAIN_FONTS, HELD_OUT_FONTS))
    if path is not None:
        with lzma.open(path, "wb") as file:
            pickle.dump((train.faces, held.faces), file)
    return train, held


class Drawer:
    """Draws one patch at a time; every number here is in patch pixels (digit height 20)."""

    def __init__(self, bank: GlyphBank, random_seed: int) -> None:
        self.rng = np.random.default_rng(random_seed)
        self.bank = bank
        self.weights = TRAINING_SHARES
        self.numerals = [s for s in LABELS if s not in (UNIT_LABEL, NONE_LABEL)]

    # -- pieces -------------------------------------------------------------------------------

    def _style(self) -> dict[str, float]:
        r = self.rng
        return {
            "font": int(r.integers(len(self.bank))),
            "tracking": int(r.choice([0, 0, 0, 0, -2, 2, 4, 7])),
            "stretch": float(r.uniform(0.8, 1.25)) if r.random() < 0.4 else 1.0,
            "spread": float(r.uniform(-1.5, 2.5)) if r.random() < 0.35 else 0.0,
        }

    def _place(self, canvas, word, style, centre, scale, angle, shear, quarter=0) -> float:
        """Lay one word's ink on the canvas; returns its width there, px."""
        ink = self.bank.word(style["font"], word, style["tracking"])
        if style["spread"] > 0.4:
            k = 2 * round(style["spread"]) + 1
            ink = cv2.dilate(ink, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (k, k)))
        elif style["spread"] < -0.6:
            ink = cv2.erode(ink, np.ones((2, 2), np.uint8))
        h, w = ink.shape
        sx, sy = scale * style["stretch"], scale
        c, s = np.cos(angle), np.sin(angle)
        a = np.array([[c, -s], [s, c]]) @ np.array([[1, shear], [0, 1]]) @ np.diag([sx, sy])
        q = [np.eye(2), [[0, -1], [1, 0]], [[-1, 0], [0, -1]], [[0, 1], [-1, 0]]][quarter]
        a = np.asarray(q) @ a
        m = np.c_[a, np.asarray(centre) - a @ [(w - 1) / 2, (h - 1) / 2]]
        warped = cv2.warpAffine(ink, m, (W, H), flags=cv2.INTER_LINEAR)
        np.maximum(canvas, warped, out=canvas)
        return (w - 2 * PAD) * sx

    def _lines(self, canvas, beside: float, many: bool) -> None:
        """Graduation lines: a column of them, all vertical or all horizontal."""
        r = self.rng
        layer = np.zeros_like(canvas)
        pitch = r.uniform(4, 40) if many else r.uniform(8, 60)
        thick = r.uniform(0.8, 2.6)
        offset = r.uniform(0, pitch)
        vertical = r.random() < 0.5
        length = r.uniform(10, 60)
        # lines stand off one side of the word, at a distance from its centre
        start = beside
        shift = 4
        one = 1 << shift
        span = W if vertical else H
        for i in range(14):
            p = offset + i * pitch
            if p > span:
                break
            extent = length * (1.0 if r.random() < 0.4 else 0.6)
            if vertical:
                a, b = (p, start), (p, start + np.sign(start - H / 2 + 1e-6) * extent)
            else:
                a, b = (start, p), (start + np.sign(start - W / 2 + 1e-6) * extent, p)
            cv2.line(layer, (round(a[0] * one), round(a[1] * one)),
                     (round(b[0] * one), round(b[1] * one)), 255, max(1, round(thick)),
                     cv2.LINE_AA, shift)  # fmt: skip
        if r.random() < 0.3:  # base line joining them
            far = round(start + np.sign(start - H / 2 + 1e-6) * (0 if r.random() < 0.5 else length))
            p1, p2 = ((0, far), (W, far)) if vertical else ((far, 0), (far, H))
            cv2.line(layer, p1, p2, 255, max(1, round(thick)), cv2.LINE_AA)
        if thick < 1.4:
            layer = (layer * r.uniform(0.6, 1)).astype(np.uint8)
        angle = r.uniform(-3, 3)
        m = cv2.getRotationMatrix2D((W / 2, H / 2), angle, 1)
        np.maximum(canvas, cv2.warpAffine(layer, m, (W, H)), out=canvas)

    def _comb(self, canvas) -> None:
        """Graduation lines in the middle, as high as digits: what passes for 1, 11, 1.1."""
        r = self.rng
        vertical = r.random() < 0.75
        span, across = (W, H) if vertical else (H, W)
        long = r.uniform(8, 34)
        short = long * r.choice([0.5, 0.6, 0.75, 1.0])
        every = int(r.choice([1, 2, 5, 10]))
        pitch = r.uniform(3, 45)
        thick = r.uniform(0.6, 4.5)
        start = across / 2 + r.choice([-1, 1]) * r.uniform(-0.1, 0.75) * long
        away = float(np.sign(across / 2 - start) or 1)
        first = span / 2 + r.uniform(-0.5, 0.5) * pitch - pitch * int(r.integers(0, 8))
        layer = np.zeros_like(canvas)
        one = 16
        for i in range(40):
            p = first + i * pitch
            if p > span + 5:
                break
            if r.random() < 0.04:
                continue
            end = start + away * (long if i % every == 0 else short)
            a, b = ((p, start), (p, end)) if vertical else ((start, p), (end, p))
            half = thick / 2
            low, high = np.minimum(a, b), np.maximum(a, b)
            grow = np.array([half, 0]) if vertical else np.array([0, half])
            corners = [tuple(round(float(v) * one) for v in q) for q in (low - grow, high + grow)]
            cv2.rectangle(layer, corners[0], corners[1], 255, -1, cv2.LINE_AA, 4)
        if r.random() < 0.35:
            q = round(start)
            p1, p2 = ((0, q), (W, q)) if vertical else ((q, 0), (q, H))
            cv2.line(layer, p1, p2, 255, max(1, round(thick)), cv2.LINE_AA)
        m = cv2.getRotationMatrix2D((W / 2, H / 2), r.normal(0, 2.5), 1)
        np.maximum(canvas, cv2.warpAffine(layer, m, (W, H)), out=canvas)

    def _background(self) -> np.ndarray:
        r = self.rng
        yy, xx = _YY, _XX
        level = r.uniform(90, 245)
        g = level + (r.normal(0, 0.35, 2) @ np.array([xx.ravel(), yy.ravel()])).reshape(H, W)
        if r.random() < 0.5:  # soft blotches: card, liquid, shadow
            coarse = r.normal(0, r.uniform(2, 18), (4, 6)).astype(np.float32)
            g = g + cv2.resize(coarse, (W, H), interpolation=cv2.INTER_CUBIC)
        if r.random() < 0.42:  # edges and bands: rod, meniscus, walls, streak of light, stopper
            for _ in range(int(r.integers(1, 4))):
                theta = r.choice([0.0, np.pi / 2]) + r.normal(0, 0.06)
                d = (xx - W / 2) * np.cos(theta) + (yy - H / 2) * np.sin(theta)
                if r.random() < 0.5:
                    d = d + r.normal(0, 0.004) * ((xx - W / 2) * np.sin(theta)) ** 2
                half = r.uniform(1.5, 8) if r.random() < 0.5 else r.uniform(8, 60)
                at = r.uniform(-45, 45)
                soft = r.uniform(0.4, 3)
                edge = 0.5 * (np.tanh((d - at + half) / soft) - np.tanh((d - at - half) / soft))
                if r.random() < 0.3:  # black stopper and its rings
                    g = g * (1 - edge) + edge * r.uniform(8, 60)
                elif r.random() < 0.3:
                    g = g * (1 - edge) + edge * r.uniform(190, 255)
                else:
                    g = g + edge * r.normal(0, 40)
        if r.random() < 0.3:  # grain (frosted wall, card)
            g = g + r.normal(0, r.uniform(1, 10), (H, W))
        return np.clip(g, 4, 255).astype(np.float32)

    def _bubble(self, picture) -> None:
        r = self.rng
        axes = (round(r.uniform(3, 30)), round(r.uniform(3, 20)))
        centre = (round(r.uniform(-5, W + 5)), round(r.uniform(-5, H + 5)))
        for grow, shade in ((0, r.uniform(20, 140)), (-1.5, r.uniform(180, 255))):
            size = (max(1, round(axes[0] + grow)), max(1, round(axes[1] + grow)))
            layer = np.zeros((H, W), np.float32)
            cv2.ellipse(layer, centre, size, r.uniform(0, 180), 0, 360, float(r.uniform(0.3, 1)),
                        1, cv2.LINE_AA)  # fmt: skip
            picture *= 1 - layer
            picture += layer * shade

    def _wear(self) -> np.ndarray:
        """What is left of the ink, (H, W) in 0..1: faded patches, specks and scratches."""
        return worn(self.rng, (H, W))

    # -- one patch ----------------------------------------------------------------------------

    def patch(self) -> tuple[np.ndarray, int]:
        """A (H, W) uint8 patch with its surroundings, and the index of its label."""
        r = self.rng
        label = LABELS[r.choice(len(LABELS), p=self.weights)]
        canvas = np.zeros((H, W), np.uint8)
        style = self._style()
        scale = DIGIT_HEIGHT / BANK_CAP * float(np.exp(r.uniform(np.log(0.77), np.log(1.28))))
        angle = np.deg2rad(np.clip(r.normal(0, 3.5), -9, 9))
        shear = np.clip(r.normal(0, 0.07), -0.2, 0.2)
        hidden = 0.0
        kind = "numeral"
        centre = np.array([W / 2 - 0.5, H / 2 - 0.5])
        width = 0.0
        text = ""
        if label != NONE_LABEL:
            text = str(r.choice(forms_of(label)))
            shift = r.uniform(-1, 1, 2) * [5, 4.5]
            width = self._place(canvas, text, style, centre + shift, scale, angle, shear)
        else:
            kind = str(r.choice(
                ["blank", "lines", "comb", "off", "rotated", "word", "scale", "between"],
                p=[0.1, 0.13, 0.12, 0.24, 0.17, 0.1, 0.06, 0.08],
            ))  # fmt: skip
            text = str(r.choice(forms_of(str(r.choice(self.numerals)))))
            if kind == "off":
                ink = self.bank.word(style["font"], text, style["tracking"])
                half = (ink.shape[1] - 2 * PAD) * scale * style["stretch"] / 2
                least = 8.5 if len(text) > 1 else 11.5
                if r.random() < 0.62:
                    dx = r.choice([-1, 1]) * r.uniform(least, max(half + 14, least + 4))
                    dy = r.normal(0, 3)
                else:
                    dx = r.normal(0, 6)
                    dy = r.choice([-1, 1]) * r.uniform(9.5, 26)
                off = np.array([dx, dy])
                width = self._place(canvas, text, style, centre + off, scale, angle, shear)
                centre = centre + off
            elif kind == "comb":
                self._comb(canvas)
            elif kind == "rotated":
                quarter = int(r.choice([1, 3, 2]))
                if quarter == 2 and set(text) <= set("01689.,"):
                    quarter = 1
                if quarter != 2 and set(text) <= set("0.,"):
                    quarter = 2
                    text = "7"
                self._place(canvas, text, style, centre + r.normal(0, 3, 2), scale, angle, shear,
                            quarter)  # fmt: skip
            elif kind == "word":
                word = str(r.choice(OTHER_WORDS))
                self._place(canvas, word, style, centre + r.normal(0, 4, 2), scale, angle, shear)
            elif kind == "scale":
                factor = r.uniform(0.3, 0.5) if r.random() < 0.5 else r.uniform(1.8, 3)
                self._place(canvas, text, style, centre + r.normal(0, 4, 2), scale * factor, angle,
                            shear)  # fmt: skip
            elif kind == "between":
                gap = r.uniform(2, 10)
                for side in (-1, 1):
                    t = str(r.choice(self.numerals))
                    ink = self.bank.word(style["font"], t, style["tracking"])
                    half = (ink.shape[1] - 2 * PAD) * scale * style["stretch"] / 2
                    off = np.array([side * (half + gap), 0.0])
                    self._place(canvas, t, style, centre + off, scale, angle, shear)
        if kind in ("numeral", "off") and r.random() < 0.4:  # neighbours in the same row or column
            row = r.random() < 0.55
            gap = r.uniform(9, 50)
            for side in (-1, 1) if r.random() < 0.6 else (int(r.choice([-1, 1])),):
                t = str(r.choice(forms_of(str(r.choice([*self.numerals, UNIT_LABEL])))))
                ink = self.bank.word(style["font"], t, style["tracking"])
                half = (ink.shape[1] - 2 * PAD) * scale * style["stretch"] / 2
                d = (
                    np.array([side * (width / 2 + half + gap), 0.0])
                    if row
                    else np.array([0.0, side * (1.35 * BANK_CAP * scale + gap - 9)])
                )
                self._place(canvas, t, style, centre + d, scale, angle, shear)
        if kind == "lines" or (kind not in ("blank", "comb") and r.random() < 0.45):
            if kind == "lines":
                beside = r.uniform(-10, 50)
            else:
                away = r.uniform(0.52, 1.3)
                beside = (
                    H / 2 + r.choice([-1, 1]) * away * BANK_CAP * scale
                    if r.random() < 0.5
                    else W / 2 + r.choice([-1, 1]) * (width / 2 + r.uniform(-1, 14))
                )
            self._lines(canvas, beside, many=r.random() < 0.4)

        picture = self._background()
        ink = canvas.astype(np.float32) / 255
        if r.random() < 0.3:
            ink = ink * self._wear()
        strength = r.uniform(0.3, 1.0) if r.random() < 0.6 else r.uniform(0.85, 1)
        shade = r.uniform(5, 70)
        ink = ink * strength
        if r.random() < 0.03:
            shade = 255.0
        picture = picture * (1 - ink) + shade * ink
        if r.random() < 0.12:
            self._bubble(picture)
        if r.random() < 0.14:  # a streak of light over print and all
            across = r.random() < 0.5
            at, half = r.uniform(0, W if across else H), r.uniform(0.8, 7)
            d = (_XX if across else _YY) - at
            picture = picture + r.uniform(30, 200) * np.exp(-0.5 * (d / half) ** 2)

        # The edge of the barrel: what lies behind it is smeared out.
        if r.random() < 0.13:
            side = int(r.integers(4))
            extent = width if side < 2 else BANK_CAP * scale
            middle = centre[0] if side < 2 else centre[1]
            hidden = r.uniform(-0.3, 0.9)
            if label != NONE_LABEL and 0.33 < hidden < 0.7:
                hidden = r.uniform(-0.3, 0.33)
            cut = extent * (0.5 - hidden)
            at = round(middle + cut) if side in (0, 2) else round(middle - cut)
            size = W if side < 2 else H
            at = int(np.clip(at, 2, size - 3))
            if side == 0:
                picture[:, at:] = picture[:, at : at + 1]
            elif side == 1:
                picture[:, :at] = picture[:, at : at + 1]
            elif side == 2:
                picture[at:] = picture[at : at + 1]
            else:
                picture[:at] = picture[at : at + 1]
            if hidden > 0.6 and label != NONE_LABEL:
                label = NONE_LABEL

        half = np.array([width, BANK_CAP * scale]) / 2 if label != NONE_LABEL else np.zeros(2)
        return self._photograph(picture, half), LABEL_INDEX[label]

    def _photograph(self, picture: np.ndarray, half: np.ndarray) -> np.ndarray:
        """The patch as printed on a barrel, photographed and unwrapped again.

        *half*: the word's half width and half height, px.
        """
        r = self.rng
        round_rows = r.random() < 0.5  # which way runs round the barrel
        if not round_rows:
            picture = np.ascontiguousarray(picture.T)
        flat = self._photographed(picture, float(half[int(round_rows)]))
        return flat if round_rows else np.ascontiguousarray(flat.T)

    def _photographed(self, picture: np.ndarray, half: float) -> np.ndarray:
        """Rows of *picture* run round the barrel: lens, sensor, file, and the way back.

        *half*: how far the word reaches from its middle along the rows, px.  Towards the limb
        few pixels of the photograph make many of the flat picture; blur and noise are stretched
        with them.  The way back is with a barrel slightly misplaced.
        """
        r = self.rng
        h, w = picture.shape
        digit_px = float(np.exp(r.uniform(np.log(7), np.log(40))))
        share = digit_px / DIGIT_HEIGHT  # pixels of the photograph for one of the patch
        along = min(share, 1.0)
        radius = DIGIT_HEIGHT / r.uniform(0.22, 0.7)
        azimuth = np.radians(r.uniform(0, 60) if r.random() < 0.63 else r.uniform(55, 84))
        # a digit is less than three pixels wide beyond: nothing is left to read
        azimuth = min(azimuth, np.arccos(min(1.0, 2.5 / digit_px)))
        # of a word cut off by the limb at least two thirds are left
        azimuth = max(min(azimuth, MOST_AZIMUTH - 0.34 * half / radius), 0) * r.choice([-1, 1])
        rows = np.arange(h) - (h - 1) / 2
        turn = np.clip(azimuth + rows / radius, -MOST_AZIMUTH, MOST_AZIMUTH)
        u = radius * share * np.sin(turn)
        first = float(np.floor(u[0])) - 3 + r.random()
        count = int(u[-1] - first) + 5
        fine = 3 if share < 1.5 else 2
        at = first + (np.arange(count * fine) - (fine - 1) / 2) / fine
        sine = at / (radius * share)
        back = (np.arcsin(np.clip(sine, -1, 1)) - azimuth) * radius + (h - 1) / 2
        narrow = picture
        if along < 1:
            size = (max(8, round(w * along)), h)
            narrow = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
            along = size[0] / w
        seen = _rows_at(narrow, back)
        beyond = np.abs(sine) > 1
        if beyond.any():
            seen[beyond] = r.uniform(10, 250)
        seen = seen.reshape(count, fine, -1).mean(axis=1)

        soft = r.uniform(0.3, 1.1)
        if r.random() < 0.15:
            soft = float(np.hypot(soft, r.uniform(0, 0.16 * digit_px)))
        seen = cv2.GaussianBlur(seen, (0, 0), sigmaX=soft * along / share + 1e-3, sigmaY=soft)
        if r.random() < 0.1:  # hand movement
            n = int(r.integers(3, 8))
            kernel = np.zeros((n, n), np.float32)
            t = r.uniform(0, np.pi)
            c = (n - 1) / 2
            cv2.line(kernel, (round(c - c * np.cos(t)), round(c - c * np.sin(t))),
                     (round(c + c * np.cos(t)), round(c + c * np.sin(t))), 1.0)  # fmt: skip
            seen = cv2.filter2D(seen, -1, kernel / kernel.sum())
        if r.random() < 0.15:
            seen = seen + glitter(r, seen.shape)
        seen = _developed(r, seen, most_noise=7.0)

        # unwrapped with a barrel somewhat too thick or thin and beside its place
        wrong = 1 + r.normal(0, 0.015)
        shift = radius * share * (np.sin(azimuth) * (1 - wrong))
        turn = np.clip(azimuth + rows / radius, -MOST_AZIMUTH, MOST_AZIMUTH)
        rows_px = (radius * share * wrong * np.sin(turn) + shift - first).astype(np.float32)
        columns_px = ((np.arange(w) + 0.5) * along - 0.5).astype(np.float32)
        map_x, map_y = np.meshgrid(columns_px, rows_px)
        how = cv2.INTER_LINEAR if r.random() < 0.8 else cv2.INTER_CUBIC
        return cv2.remap(seen, map_x, map_y, how, borderMode=cv2.BORDER_REPLICATE)


def _rows_at(picture: np.ndarray, rows: np.ndarray) -> np.ndarray:
    """*picture* at fractional *rows*, straight between."""
    at = np.clip(rows, 0, len(picture) - 1.001)
    low = at.astype(int)
    share = (at - low).astype(np.float32)[:, None]
    return picture[low] * (1 - share) + picture[low + 1] * share


def _developed(r: np.random.Generator, seen: np.ndarray, *, most_noise: float) -> np.ndarray:
    """Exposure, sharpening, noise and JPEG; grey levels to uint8."""
    seen = seen * r.uniform(0.4, 1.1) + r.uniform(-10, 25)
    if r.random() < 0.3:
        soft = cv2.GaussianBlur(seen, (0, 0), 1.0)
        seen = seen + r.uniform(0.2, 1.0) * (seen - soft)
    seen = seen + r.normal(0, 1, seen.shape) * np.exp(r.uniform(np.log(0.5), np.log(most_noise)))
    seen = np.clip(seen, 0, 255).astype(np.uint8)
    if r.random() < 0.5:
        quality = [cv2.IMWRITE_JPEG_QUALITY, int(r.integers(55, 96))]
        seen = cv2.imdecode(cv2.imencode(".jpg", seen, quality)[1], cv2.IMREAD_GRAYSCALE)
    return seen


def glitter(r: np.random.Generator, shape: tuple[int, int]) -> np.ndarray:
    """Grains of light (H, W) to be added to a photograph, grey levels.

    As where light falls through liquid or rough plastic: some a tenth as bright as others, of one
    to three pixels, on one stretch of the barrel or along one side of it.
    """
    h, w = shape
    grains = (r.random(shape) < np.exp(r.uniform(np.log(0.004), np.log(0.3)))).astype(np.float32)
    grains *= np.minimum(r.exponential(1.0, shape).astype(np.float32), 3.0)
    soft = float(r.uniform(0.35, 1.2))
    grains = cv2.GaussianBlur(grains, (0, 0), soft) * (1 + 4 * soft * soft)
    if r.random() < 0.5:  # it ends somewhere
        along = r.random() < 0.5
        place = np.arange(w if along else h, dtype=np.float32)
        edge = 1 / (1 + np.exp(np.clip((place - r.uniform(0, len(place))) * r.choice([-2, 2]),
                                       -30, 30)))  # fmt: skip
        grains *= edge[None] if along else edge[:, None]
    return np.asarray(grains * r.uniform(20, 220), np.float32)


def worn(r: np.random.Generator, shape: tuple[int, int]) -> np.ndarray:
    """What is left of worn ink, 0..1: faded patches, specks that are gone, scratches."""
    h, w = shape
    keep = np.ones(shape, np.float32)
    kind = r.random()
    if kind < 0.7:  # patches some digits wide fade together
        cells = (int(r.integers(3, 9)), int(r.integers(4, 14)))
        patches = cv2.resize(
            r.random(cells).astype(np.float32), (w, h), interpolation=cv2.INTER_CUBIC
        )
        keep *= 1 - r.uniform(0.3, 1.0) * np.clip(2.2 * (patches - r.uniform(0.1, 0.6)), 0, 1)
    if kind > 0.4:  # specks of half a stroke to two strokes
        size = r.uniform(1.2, 5)
        cells = (max(4, round(h / size)), max(4, round(w / size)))
        specks = cv2.resize(
            r.random(cells).astype(np.float32), (w, h), interpolation=cv2.INTER_CUBIC
        )
        gone = np.clip((r.uniform(0.1, 0.55) - specks) / 0.08, 0, 1)
        keep *= 1 - r.uniform(0.5, 1.0) * gone
    if r.random() < 0.3:
        scratches = np.zeros(shape, np.uint8)
        tilt = r.uniform(0, np.pi)
        for _ in range(int(r.integers(1, 14))):
            a = tilt + r.normal(0, 0.3)
            x, y, half = r.uniform(0, w), r.uniform(0, h), r.uniform(6, 60)
            ends = [(round(16 * (x + s * half * np.cos(a))), round(16 * (y + s * half * np.sin(a))))
                    for s in (-1, 1)]  # fmt: skip
            cv2.line(scratches, *ends, 255, int(r.integers(1, 4)), cv2.LINE_AA, 4)
        keep *= 1 - r.uniform(0.4, 1.0) * scratches.astype(np.float32) / 255
    return np.clip(keep, 0, 1)


class Flats:
    """Unwrapped pictures of rendered barrels (`pack`), from which patches are cut at random."""

    def __init__(self, path: Path, held_out: bool, random_seed: int) -> None:
        self.rng = np.random.default_rng(random_seed)
        data = np.load(path)
        webp = data["webp"]
        self.use = np.flatnonzero(data["held_out"] == held_out)
        ends = np.cumsum(data["sizes"])
        self.pictures = {
            int(i): cv2.imdecode(webp[ends[i] - data["sizes"][i] : ends[i]], 0) for i in self.use
        }
        self.low, self.step = float(data["phi_low"]), data["phi_step"]
        self.quarter, self.height = data["quarter"], data["digit_height"]
        keep = np.isin(data["word_flat"], self.use)
        self.word_flat, self.word_xy = data["word_flat"][keep], data["word_xy"][keep]
        self.word_label = data["word_label"][keep]
        # what may be read: neither beyond the limb nor over the picture's edge
        able = data["word_readable"][keep]
        self.by_label = [np.flatnonzero(able & (self.word_label == k)) for k in range(len(LABELS))]

    def patch(self) -> tuple[np.ndarray, int] | None:
        """As `Drawer.patch`; None where too few places are there for the label drawn."""
        r = self.rng
        label = int(r.choice(len(LABELS), p=TRAINING_SHARES))
        factor = float(np.exp(r.uniform(np.log(0.77), np.log(1.28))))
        if LABELS[label] != NONE_LABEL:
            places = self.by_label[label]
            if r.random() > len(places) / FEW_PLACES:
                return None
            word = int(r.choice(places))
            flat = int(self.word_flat[word])
            x, y = self.word_xy[word]
            shift = r.uniform(-1, 1, 2) * [5, 4.5]
            return self._augmented(self._cut(flat, x, y, self.quarter[flat], factor, shift)), label
        while True:
            flat = int(r.choice(self.use))
            h, w = self.pictures[flat].shape
            words = np.flatnonzero(self.word_flat == flat)
            row = self.word_xy[words[0], 1]
            x = r.uniform(0, w)
            y = row + r.normal(0, 0.7 * self.height[flat]) if r.random() < 0.6 else r.uniform(0, h)
            quarter = self.quarter[flat] if r.random() < 0.55 else r.integers(4)
            if r.random() < 0.1:
                factor *= r.choice([0.4, 2.0])
            if quarter % 2 == self.quarter[flat] % 2:
                off = (
                    np.abs(self.word_xy[words] - [x, y]) * DIGIT_HEIGHT / self.height[flat] * factor
                )
                dx, dy = off.T if quarter % 2 == 0 else off.T[::-1]
                if ((dx < 11) & (dy < 11)).any():
                    continue
            cut = self._cut(flat, x, y, quarter, factor, np.zeros(2))
            return self._augmented(cut), label

    def _cut(self, flat, x, y, quarter, factor, shift) -> np.ndarray:
        """(H, W) about (x, y), turned upright, with a barrel somewhat too thick or thin."""
        r = self.rng
        picture = self.pictures[flat]
        angle, shear = np.deg2rad(np.clip(r.normal(0, 2), -6, 6)), r.normal(0, 0.04)
        c, s = np.cos(angle), np.sin(angle)
        m = np.array([[c, -s], [s, c]]) @ [[1, shear], [0, 1]] @ np.diag([r.normal(1, 0.05), 1])
        m *= self.height[flat] / (DIGIT_HEIGHT * factor)
        p, q = _XX - (W - 1) / 2 - shift[0], _YY - (H - 1) / 2 - shift[1]
        u, v = m[0, 0] * p + m[0, 1] * q, m[1, 0] * p + m[1, 1] * q
        dx, dy = ((u, v), (-v, u), (-u, -v), (v, -u))[int(quarter) % 4]
        step = self.step[flat]
        middle = self.low + y * step
        wrong = 1 + r.normal(0, 0.02)
        sine = (
            np.sin(middle)
            + (np.sin(np.clip(middle + dy * step, -1.5, 1.5)) - np.sin(middle)) * wrong
        )
        rows = (np.arcsin(np.clip(sine, -0.999, 0.999)) - self.low) / step
        columns, rows = (x + dx).astype(np.float32), rows.astype(np.float32)
        cut = cv2.remap(picture, columns, rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        return cut.astype(np.float32)

    def _augmented(self, picture: np.ndarray) -> np.ndarray:
        """More wear, light, blur and noise than was rendered."""
        r = self.rng
        if r.random() < 0.2:
            bare = cv2.morphologyEx(picture, cv2.MORPH_CLOSE, np.ones((9, 9), np.uint8))
            picture = bare + (picture - bare) * worn(r, (H, W))
        if r.random() < 0.15:
            fade = r.uniform(0.3, 1)
            bare = cv2.morphologyEx(picture, cv2.MORPH_CLOSE, np.ones((9, 9), np.uint8))
            picture = bare + (picture - bare) * fade
        if r.random() < 0.2:  # a band of light or shade, a stopper's edge
            d = (_XX if r.random() < 0.5 else _YY) - r.uniform(0, W)
            half, soft = r.uniform(1, 20), r.uniform(0.5, 3)
            band = 0.5 * (np.tanh((d + half) / soft) - np.tanh((d - half) / soft))
            if r.random() < 0.5:
                picture = picture + band * r.normal(0, 60)
            else:
                picture = picture * (1 - band * r.uniform(0.3, 0.9))
        if r.random() < 0.12:
            share = r.uniform(0.4, 1)
            grains = glitter(r, (round(H * share), round(W * share)))
            picture = picture + cv2.resize(grains, (W, H), interpolation=cv2.INTER_LINEAR)
        if r.random() < 0.3:  # fewer pixels
            share = r.uniform(0.4, 1)
            small = cv2.resize(picture, None, fx=share, fy=share, interpolation=cv2.INTER_AREA)
            picture = cv2.resize(small, (W, H), interpolation=cv2.INTER_LINEAR)
        if r.random() < 0.2:
            blur = r.uniform(0.3, 1.8, 2)
            picture = cv2.GaussianBlur(picture, (0, 0), sigmaX=blur[0], sigmaY=blur[1])
        if r.random() < 0.25:  # noise that was unwrapped with the rest
            k = int(r.integers(1, 6)), int(r.integers(1, 6))
            noise = r.normal(0, 1, (H // k[0] + 1, W // k[1] + 1)).astype(np.float32)
            picture = picture + r.uniform(1, 9) * cv2.resize(noise, (W, H))
        return _developed(r, np.clip(picture, 0, 255), most_noise=5.0)


def unwrapped(path: Path) -> dict | None:
    """The flat picture of the rendered photograph with truth *path*; None if it can't serve.

    What the file of :func:`pack` keeps of it, but for the number of the picture.
    """
    from train_finder import scale_mm, truth_cylinder

    cv2.setNumThreads(1)
    truth = json.loads(path.read_text())
    if truth.get("syringe_count") != 1 or not truth["readable"]:
        return None
    shown = truth["scale_print"]
    azimuth = -np.radians(truth["numerals_angle_to_camera_deg"])
    if abs(azimuth) > np.radians(90):
        return None
    fit = truth_cylinder(truth)
    if fit is None or fit[3] > 1:
        return None
    cylinder, zero, per_mm, _ = fit
    most = int(truth["graduated_max_ml"] / truth["numbered_increment_ml"] + 1e-6)
    values = np.arange(not shown["zero_numeral"], most + 1) * truth["numbered_increment_ml"]
    texts = [f"{v:g}" for v in values]
    mm_per_ml = scale_mm(truth) / truth["graduated_max_ml"]
    room = 0.86 * mm_per_ml * truth["numbered_increment_ml"]
    along = shown["numeral_rot90"] % 2 == 0
    font = min(shown["text_mm"], room / (0.56 * max(map(len, texts))) if along else room)
    digit = 0.72 * font * per_mm  # outer radii
    pixel = max(1 / cylinder.radius_px, digit / MOST_PACKED_PX)
    x = np.arange(zero - 0.8, zero + scale_mm(truth) * per_mm + 0.8, pixel)
    phi = np.arange(-MOST_AZIMUTH, MOST_AZIMUTH, pixel)
    gray = cv2.imread(str(path.with_suffix(".jpg")), cv2.IMREAD_GRAYSCALE)
    points = cylinder.project(x[None], phi[:, None]).astype(np.float32)
    flat = cv2.remap(gray, points[..., 0], points[..., 1], cv2.INTER_LINEAR if
                     pixel < 1.3 / cylinder.radius_px else cv2.INTER_AREA,
                     borderMode=cv2.BORDER_REPLICATE)  # fmt: skip
    places = list(zero + values * mm_per_ml * per_mm)
    beyond = max(0.75 * font + 1.0, 0.62 * font * len(texts[-1]) / 2 + font) * per_mm
    places.append(max(places[-1], zero + scale_mm(truth) * per_mm) + beyond)
    at = cylinder.project(np.array(places), np.clip(azimuth, -MOST_AZIMUTH, MOST_AZIMUTH))
    inside = ((at > 3) & (at < np.array(gray.shape[::-1]) - 4)).all(axis=1)
    texts.append(UNIT_LABEL)
    if unknown := [text for text in texts if text not in LABEL_INDEX]:
        raise ValueError(f"{path.name}: no class for {unknown[0]}")
    return {
        "webp": cv2.imencode(".webp", flat, [cv2.IMWRITE_WEBP_QUALITY, 78])[1].ravel(),
        "phi_step": pixel,
        "quarter": shown["numeral_rot90"] % 4,
        "digit_height": digit / pixel,
        "held_out": shown["font"].startswith(HELD_OUT_FONTS),
        "word_xy": [((p - x[0]) / pixel, (azimuth - phi[0]) / pixel) for p in places],
        "word_label": [LABEL_INDEX[text] for text in texts],
        "word_readable": [ok and abs(azimuth) < np.radians(84) for ok in inside],
    }


def pack(folders: list[Path], out: Path, jobs: int) -> None:
    """Unwrap the rendered photographs with truth in *folders* and keep them in *out* (.npz)."""
    paths = sorted(p for folder in folders for p in folder.glob("*.json"))
    with mp.get_context("spawn").Pool(jobs) as pool:
        flats = [f for f in pool.map(unwrapped, paths, chunksize=4) if f is not None]
    alike = {k: np.array([f[k] for f in flats]) for k in
             ("phi_step", "quarter", "digit_height", "held_out")}  # fmt: skip
    words = {k: np.concatenate([np.array(f[k]) for f in flats]) for k in
             ("word_xy", "word_label", "word_readable")}  # fmt: skip
    word_flat = np.repeat(np.arange(len(flats)), [len(f["word_label"]) for f in flats])
    np.savez(out, webp=np.concatenate([f["webp"] for f in flats]),
             sizes=np.array([len(f["webp"]) for f in flats]), phi_low=-MOST_AZIMUTH,
             word_flat=word_flat, **alike, **words)  # fmt: skip
    held, able = alike["held_out"].sum(), words["word_readable"].sum()
    print(f"{out.name}: {len(flats)} flat pictures, {held} of them in fonts held out, "
          f"{able} numerals, {out.stat().st_size} bytes")  # fmt: skip


_YY, _XX = (a.astype(np.float32) for a in np.mgrid[0:H, 0:W])


def draw_batch(
    drawer: Drawer, count: int, flats: Flats | None = None, share: float = 0.0
) -> tuple[np.ndarray, np.ndarray]:
    """*count* patches, a *share* of them cut from *flats*, and their labels."""
    pictures = np.empty((count, H, W), np.uint8)
    labels = np.empty(count, np.int64)
    for i in range(count):
        found = flats.patch() if flats is not None and drawer.rng.random() < share else None
        pictures[i], labels[i] = found or drawer.patch()
    return pictures, labels


def crop(pictures: np.ndarray, margin: int = 0) -> np.ndarray:
    """The patches with only so much of their surroundings."""
    cut = MARGIN - margin
    return pictures[:, cut : H - cut, cut : W - cut]


def middle(logits):
    """What the net says of the middle of each picture: (N, K, h, w) -> (N, K)."""
    return logits[:, :, logits.shape[2] // 2, logits.shape[3] // 2]


def _produce(
    out: mp.Queue, bank: Path | None, flats: Path | None, share: float, random_seed: int, chunk: int
) -> None:
    cv2.setNumThreads(1)
    drawer = Drawer(get_banks(bank)[0], random_seed)
    cut = Flats(flats, False, random_seed + 500) if flats else None
    while True:
        out.put(draw_batch(drawer, chunk, cut, share))


def build_net():
    from torch import nn

    def conv(i, o, k=3, s=1, g=1):
        return [nn.Conv2d(i, o, k, s, k // 2, groups=g, bias=False), nn.BatchNorm2d(o),
                nn.ReLU(inplace=True)]  # fmt: skip

    def separable(i, o, s=1):
        return [*conv(i, i, 3, s, i), *conv(i, o, 1)]

    class Residual(nn.Module):
        def __init__(self, width):
            super().__init__()
            self.inner = nn.Sequential(*separable(width, width)[:-1])

        def forward(self, x):
            return nn.functional.relu(x + self.inner(x))

    return nn.Sequential(
        *conv(2, 16, 5, 2),  # 20 x 40
        *conv(16, 32, 3),
        *conv(32, 48, 3, 2),  # 10 x 20
        *separable(48, 80),
        Residual(80),
        Residual(80),
        *separable(80, 128, 2),  # 5 x 10
        Residual(128),
        Residual(128),
        Residual(128),
        *conv(128, 40, 1),
        nn.Dropout2d(0.05),
        # a fully connected layer over one patch; slides over a larger picture
        nn.Conv2d(40, len(LABELS), (5, 10)),
    )


def normalise_on(device, pictures: np.ndarray):
    """`normalise`, on the device that trains; (N, H, W) uint8 -> (N, 2, H, W)."""
    import torch
    from torch.nn import functional as F

    if device.type == "cpu":
        return torch.from_numpy(normalise(pictures.astype(np.float32)))
    x = torch.from_numpy(np.ascontiguousarray(pictures)).to(device).float()[:, None]
    channels = []
    for window in WINDOWS:
        half = window // 2

        def mean(t, window=window, half=half):
            t = F.avg_pool2d(F.pad(t, (half, half, 0, 0), mode="reflect"), (1, window), 1)
            return F.avg_pool2d(F.pad(t, (0, 0, half, half), mode="reflect"), (window, 1), 1)

        high = x - mean(x)
        channels.append(high / (mean(high * high).clamp_min(0).sqrt() + 2))
    return torch.cat(channels, dim=1)


def main() -> None:
    import torch
    from torch import nn
    from torch.nn import functional as F

    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--minutes", type=float, default=20)
    parser.add_argument("--threads", type=int, default=1)
    parser.add_argument("--drawers", type=int, default=1, help="processes that draw patches")
    parser.add_argument("--batch", type=int, default=192)
    parser.add_argument("--random-seed", type=int, default=1)
    parser.add_argument("--bank", type=Path, help="keep the drawn glyphs in this file (.xz)")
    parser.add_argument("--pool", type=int, default=120_000, help="patches kept for reuse")
    parser.add_argument("--start", type=Path, help="go on from this state (.pt)")
    parser.add_argument("--state", type=Path, help="write the torch state here (.pt)")
    parser.add_argument("--no-export", action="store_true", help="only write the state")
    parser.add_argument("--pack", type=Path, nargs="+", help="unwrap the renders in these folders")
    parser.add_argument("--jobs", type=int, default=1, help="processes that unwrap")
    parser.add_argument("--flats", type=Path, help="unwrapped renders (.npz) to cut patches from")
    parser.add_argument("--share", type=float, default=0.4, help="of patches cut from --flats")
    parser.add_argument("--device", default="cpu")
    parser.add_argument("--lr", type=float, default=3e-3)
    out = Path(__file__).resolve().parents[1] / "vision" / "numerals.onnx"
    parser.add_argument("--out", type=Path, default=out)
    args = parser.parse_args()

    if args.pack:
        pack(args.pack, args.flats, args.jobs)
        return
    torch.set_num_threads(args.threads)
    torch.manual_seed(args.random_seed)
    cv2.setNumThreads(1)
    device = torch.device(args.device)
    net = build_net().to(device, memory_format=torch.channels_last)
    if args.start:
        net.load_state_dict(torch.load(args.start, map_location=device))
    print("parameters:", sum(p.numel() for p in net.parameters()), flush=True)
    train_bank, held_bank = get_banks(args.bank)
    held_flats = Flats(args.flats, True, 998) if args.flats else None
    print("fonts:", len(train_bank), "held out:", len(held_bank), flush=True)
    val_x, val_y = draw_batch(Drawer(held_bank, 999), 6000)
    if args.flats:  # renders in fonts held out
        more = [p for _ in range(4000) if (p := held_flats.patch())]
        val_x = np.concatenate([val_x, [x for x, _ in more]])
        val_y = np.concatenate([val_y, [y for _, y in more]])
    val_in = torch.from_numpy(normalise(crop(val_x).astype(np.float32)))
    around_in = torch.from_numpy(normalise(val_x.astype(np.float32)))

    ctx = mp.get_context("spawn")
    chunks = ctx.Queue(maxsize=2 * args.drawers + 2)
    workers = [
        ctx.Process(
            target=_produce,
            args=(chunks, args.bank, args.flats, args.share, args.random_seed * 1000 + i, 1536),
            daemon=True,
        )
        for i in range(args.drawers)
    ]
    for w in workers:
        w.start()
    pool_x = np.empty((args.pool, H, W), np.uint8)
    pool_y = np.empty(args.pool, np.int64)

    opt = torch.optim.AdamW(net.parameters(), lr=args.lr, weight_decay=1e-3)
    rng = np.random.default_rng(args.random_seed)
    begin = time.monotonic()
    budget = args.minutes * 60
    step, drawn = 0, 0
    report = 0.0
    running = []
    while (spent := time.monotonic() - begin) < budget:
        for _ in range(args.drawers):
            try:
                x, y = chunks.get(block=drawn < 3072)
            except queue.Empty:
                break
            place = (drawn + np.arange(len(y))) % args.pool  # the oldest go
            pool_x[place], pool_y[place] = x, y
            drawn += len(y)
        for _ in range(8):
            part = spent / budget
            lr = args.lr * min(1, (step + 1) / 200) * (0.5 * (1 + np.cos(np.pi * part)) + 0.005)
            for group in opt.param_groups:
                group["lr"] = lr
            pick = rng.integers(min(drawn, args.pool), size=args.batch)
            # Every other time with surroundings, as when the net slides over a picture.
            margin = int(rng.choice(range(8, MARGIN + 1, 8))) if step % 2 else 0
            xb = normalise_on(device, crop(pool_x[pick], margin))
            yb = torch.from_numpy(pool_y[pick]).to(device)
            net.train()
            loss = F.cross_entropy(middle(net(xb)), yb, label_smoothing=0.02)
            opt.zero_grad()
            loss.backward()
            opt.step()
            running.append(loss.item())
            step += 1
        if spent - report > 60:
            report = spent
            logits = predict(net, val_in, device)
            acc = float((logits.argmax(1).numpy() == val_y).mean())
            nll = F.cross_entropy(logits, torch.from_numpy(val_y)).item()
            around = float((predict(net, around_in, device).argmax(1).numpy() == val_y).mean())
            print(f"{spent:6.0f} s step {step} drawn {drawn} loss {np.mean(running[-300:]):.3f} "
                  f"held-out accuracy {acc:.4f} (with surroundings {around:.4f}) nll {nll:.3f}",
                  flush=True)  # fmt: skip
            if args.state:
                torch.save(net.state_dict(), args.state)
    for w in workers:
        w.terminate()
    if args.state:
        torch.save(net.state_dict(), args.state)

    if args.no_export:
        return

    # Temperature on one half of the held-out fonts' patches, figures on the other half.
    logits = predict(net, val_in, device)
    target = torch.from_numpy(val_y)
    grid = np.exp(np.linspace(np.log(0.4), np.log(3), 60))
    losses = [F.cross_entropy(logits[::2] / t, target[::2]).item() for t in grid]
    temperature = float(grid[int(np.argmin(losses))])
    with torch.no_grad():
        last = net[-1]
        assert isinstance(last, nn.Conv2d)
        last.weight /= temperature
        last.bias /= temperature
    logits = predict(net, val_in, device)
    test, want = logits[1::2], target[1::2]
    prob, top = test.softmax(1).max(1)
    ece = 0.0
    for low in np.arange(0, 1, 0.1):
        sel = (prob > low) & (prob <= low + 0.1)
        if sel.any():
            ece += float(
                sel.float().mean() * abs(prob[sel].mean() - (top[sel] == want[sel]).float().mean())
            )
    print(f"temperature {temperature:.3f}; held-out fonts: accuracy "
          f"{float((top == want).float().mean()):.4f}, "
          f"nll {F.cross_entropy(test, want).item():.4f}, calibration error {ece:.4f}")  # fmt: skip

    net = net.cpu().eval()
    free = {0: "n", 2: "h", 3: "w"}
    torch.onnx.export(
        net,
        (torch.zeros(1, 2, PATCH_HEIGHT, PATCH_WIDTH),),
        str(args.out),
        input_names=["patches"],
        output_names=["logits"],
        opset_version=13,
        dynamo=False,
        dynamic_axes={"patches": free, "logits": free},
    )
    store_half(args.out)
    check = cv2.dnn.readNetFromONNX(str(args.out))
    some = normalise(crop(val_x[:64]).astype(np.float32))
    check.setInput(some)
    with torch.no_grad():
        difference = np.abs(check.forward() - net(torch.from_numpy(some)).numpy()).max()
    print(f"{args.out.name}: {args.out.stat().st_size} bytes; cv2.dnn against torch: "
          f"largest difference of a logit {difference:.2e}")  # fmt: skip


def predict(net, inputs, device):
    import torch

    net.eval()
    with torch.no_grad():
        return torch.cat([middle(net(part.to(device))).cpu() for part in inputs.split(500)])


if __name__ == "__main__":
    main()
