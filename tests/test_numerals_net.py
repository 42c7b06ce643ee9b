"""The numerals net and the row finder, on digits in a font that no training saw.

The font is the sans-serif face built into OpenCV 5 (Rubik), so that the checks
rest on letter shapes from outside the project; the pictures are drawn here.
"""

from __future__ import annotations

from importlib import resources

import cv2
import numpy as np
import pytest

from drawmark.vision.numerals import LEGIBLE, combine, find_row, numeral_gains, read_numerals, score
from drawmark.vision.numerals_net import (
    LABEL_INDEX,
    LABELS,
    NONE_LABEL,
    PATCH_HEIGHT,
    PATCH_WIDTH,
    TRAINING_SHARES,
    UNIT_LABEL,
    VALUES,
    label_of,
    numeral_net,
)

FACE = cv2.FontFace("sans")


def ink(text: str, digit_height: float, weight: int = 400) -> np.ndarray:
    """Ink 0..1 of a word, cropped to its width and the digits' height, plus a little air."""
    big = 80  # pixels of font size; drawn large and reduced for even edges
    canvas = np.full((200, 700), 255, np.uint8)
    cv2.putText(canvas, text, (40, 140), (0, 0, 0), FACE, big, weight)
    zero = np.full((200, 700), 255, np.uint8)
    cv2.putText(zero, "0", (40, 140), (0, 0, 0), FACE, big, weight)
    rows = np.flatnonzero(zero.min(axis=1) < 128)
    columns = np.flatnonzero(canvas.min(axis=0) < 128)
    height = rows[-1] - rows[0] + 1
    air = height // 3
    part = canvas[rows[0] - air : rows[-1] + 1 + air, columns[0] - 4 : columns[-1] + 5]
    scale = digit_height / height
    small = cv2.resize(part, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    return 1 - small.astype(np.float32) / 255


def stamp(picture: np.ndarray, word: np.ndarray, x: float, y: float, shade: float = 40) -> None:
    """Print a word centred at (x, y), cut off at the picture's edges."""
    move = np.float32([[1, 0, x - (word.shape[1] - 1) / 2], [0, 1, y - (word.shape[0] - 1) / 2]])
    layer = cv2.warpAffine(word, move, picture.shape[::-1])
    picture *= 1 - layer
    picture += layer * shade


def patch(text: str, rng: np.random.Generator | None = None, blur: float = 0.6) -> np.ndarray:
    picture = np.full((PATCH_HEIGHT, PATCH_WIDTH), 200, np.float32)
    dx = dy = 0.0
    height = 20.0
    if rng is not None:
        dx, dy = rng.uniform(-3, 3, 2)
        height = rng.uniform(17, 23)
    stamp(picture, ink(text, height), (PATCH_WIDTH - 1) / 2 + dx, (PATCH_HEIGHT - 1) / 2 + dy)
    picture = cv2.GaussianBlur(picture, (0, 0), blur)
    if rng is not None:
        picture += rng.normal(0, 3, picture.shape).astype(np.float32)
    return picture


def strip(values: list[str], *, turn: int, band: tuple[int, int] | None = None) -> np.ndarray:
    """A flat barrel: lines every 10 px, a numeral beside every fifth; numerals turned *turn*."""
    rng = np.random.default_rng(5)
    picture = np.full((190, 90 + 50 * len(values)), 190, np.float32)
    picture += np.linspace(-30, 30, 190, dtype=np.float32)[:, None]
    for k in range(5 * len(values) + 1):
        x = 40 + 10 * k
        cv2.line(picture, (x, 150), (x, 115 if k % 5 == 0 else 132), 45.0, 2, cv2.LINE_AA)
    for k, text in enumerate(values, start=1):
        word = np.ascontiguousarray(np.rot90(ink(text, 26), -turn // 90))
        stamp(picture, word, 40 + 50 * k, 70)
    if band is not None:
        picture[10:180, band[0] : band[1]] = 25
    picture = cv2.GaussianBlur(picture, (0, 0), 0.9)
    return picture + rng.normal(0, 2.5, picture.shape).astype(np.float32)


def columns(values: list[str]) -> list[float]:
    return [40.0 + 50 * k for k in range(1, len(values) + 1)]


def test_weights_are_small() -> None:
    weights = resources.files("drawmark.vision").joinpath("numerals.onnx").read_bytes()
    assert len(weights) <= 1_000_000


def test_labels_and_values_agree() -> None:
    assert len(set(LABELS)) == len(LABELS) == len(VALUES)
    for label, value in zip(LABELS, VALUES, strict=True):
        assert np.isnan(value) if label in (UNIT_LABEL, NONE_LABEL) else label_of(value) == label
    assert label_of(0.1 + 0.2) == "0.3"
    assert label_of(50.0) == "50"
    assert label_of(0.37) is None


def test_every_label_is_read_in_a_font_never_trained_on() -> None:
    rng = np.random.default_rng(1)
    wanted = [label for label in LABELS if label != NONE_LABEL for _ in range(4)]
    got = numeral_net().log_probs(np.stack([patch(label, rng) for label in wanted]))
    right = [LABELS[k] == label for k, label in zip(got.argmax(axis=1), wanted, strict=True)]
    assert np.mean(right) >= 0.97


@pytest.mark.parametrize(
    ("text", "label"),
    [("0.2", "0.2"), (".2", "0.2"), ("0,2", "0.2"), ("0.20", "0.2"), ("2", "2"), ("2.0", "2"),
     ("1.5", "1.5"), ("15", "15"), ("2.5", "2.5"), ("25", "25"), ("5", "5"), (".5", "0.5"),
     ("50", "50"), ("ml", "mL")],
)  # fmt: skip
def test_the_decimal_point_counts(text: str, label: str) -> None:
    probs = np.exp(numeral_net().log_probs(patch(text)[None])[0])
    assert LABELS[int(probs.argmax())] == label
    assert probs.max() > 0.7


def test_what_is_no_numeral_is_none() -> None:
    blank = np.full((PATCH_HEIGHT, PATCH_WIDTH), 180, np.float32)
    lines = blank.copy()
    for x in range(6, PATCH_WIDTH, 9):
        cv2.line(lines, (x, 2), (x, 26), 40.0, 2)
    edge = blank.copy()
    edge[:, 45:] = 30
    turned = blank.copy()
    stamp(turned, np.ascontiguousarray(np.rot90(ink("4", 20))), 39.5, 19.5)
    half = blank.copy()
    stamp(half, ink("25", 20), 39.5, 38)
    got = numeral_net().log_probs(np.stack([blank, lines, edge, turned, half]))
    assert [LABELS[k] for k in got.argmax(axis=1)] == [NONE_LABEL] * 5


def test_probabilities_add_up_and_do_not_depend_on_the_company() -> None:
    many = np.stack([patch(s) for s in ("3", "10", "0.4")])
    together = numeral_net().log_probs(many)
    assert np.allclose(np.exp(together).sum(axis=1), 1, atol=1e-5)
    alone = np.concatenate([numeral_net().log_probs(p[None]) for p in many])
    assert np.allclose(together, alone, atol=1e-4)
    assert numeral_net().log_probs(many[:0]).shape == (0, len(LABELS))


def test_confidence_matches_accuracy_on_poor_prints() -> None:
    rng = np.random.default_rng(2)
    labels = [str(s) for s in rng.choice([s for s in LABELS if s != NONE_LABEL], 500)]
    poor = []
    for label in labels:
        p = cv2.GaussianBlur(patch(label, rng), (0, 0), rng.uniform(1.5, 5))
        poor.append((p - 200) * rng.uniform(0.1, 0.8) + 200 + rng.normal(0, 5, p.shape))
    got = numeral_net().log_probs(np.stack(poor).astype(np.float32))
    accuracy = np.mean([LABELS[k] == s for k, s in zip(got.argmax(axis=1), labels, strict=True)])
    confidence = float(np.exp(got.max(axis=1)).mean())
    assert 0.3 < accuracy < 0.99  # else the prints were not poor and this shows nothing
    assert confidence < accuracy + 0.06  # over-confidence is the dangerous side


def test_wrong_shapes_are_wrong_calls() -> None:
    with pytest.raises(ValueError, match="pictures"):
        numeral_net().log_probs(np.zeros((2, 30, 80), np.float32))
    with pytest.raises(ValueError, match="flat"):
        find_row(np.zeros((10, 10, 3), np.float32))
    row = find_row(strip(["1", "2", "3"], turn=0), radius_px=64)
    assert row is not None
    with pytest.raises(ValueError, match="as many"):
        row.score([1.0], [1.0, 2.0])


@pytest.mark.parametrize("turn", [0, 90, 180, 270])
def test_row_is_found_in_every_quarter_turn(turn: int) -> None:
    values = ["2", "4", "6", "8", "10", "12"]
    flat = strip(values, turn=turn)
    row = find_row(flat, radius_px=64, tick_columns=np.arange(40, 345, 10))
    assert row is not None
    assert row.rotation == turn
    assert abs(row.y - 70) < 6
    assert 0.75 < row.digit_height / 26 < 1.3
    got = row.log_probs_at(columns(values)).argmax(axis=1)
    assert [LABELS[k] for k in got] == values


@pytest.mark.parametrize(
    "values",
    [["0.5", "1", "1.5", "2", "2.5", "3"], ["0.2", "0.4", "0.6", "0.8", "1"],
     [".1", ".2", ".3", ".4", ".5", ".6"], ["10", "20", "30", "40", "50", "60"]],
)  # fmt: skip
def test_right_labelling_beats_tenfold_and_shifted(values: list[str]) -> None:
    flat = strip(values, turn=270)
    row = find_row(flat, radius_px=64)
    assert row is not None
    truth = np.array([float(v) for v in values])
    step = truth[1] - truth[0]
    best = row.score(columns(values), truth)
    for other in (truth * 10, truth / 10, truth + step, truth - step, truth[::-1], truth * 2):
        assert best > row.score(columns(values), other) + 5


def test_stopper_over_two_numerals_does_not_shift_the_labelling() -> None:
    values = ["1", "2", "3", "4", "5", "6"]
    flat = strip(values, turn=0, band=(170, 265))
    row = find_row(flat, radius_px=64)
    assert row is not None
    truth = np.arange(1.0, 7.0)
    best = row.score(columns(values), truth)
    assert best > max(row.score(columns(values), truth + d) for d in (-1, 1, 2)) + 5


def test_nothing_printed_gives_nothing() -> None:
    rng = np.random.default_rng(3)
    blank = 180 + rng.normal(0, 4, (190, 400)).astype(np.float32)
    assert read_numerals(blank.astype(np.float32), radius_px=64) == []
    found = read_numerals(strip(["5", "10", "15", "20"], turn=90), radius_px=64)
    assert [c.label for c in found if c.label not in (NONE_LABEL, UNIT_LABEL)] == [
        "5", "10", "15", "20",
    ]  # fmt: skip


def test_an_illegible_numeral_counts_little_either_way() -> None:
    unclear = np.full(len(LABELS), np.log(0.1 / len(LABELS)), np.float32)
    unclear[LABEL_INDEX[NONE_LABEL]] = np.log(0.9)
    three = score(unclear[None], [3.0])
    assert abs(score(unclear[None], [2.0]) - three) < 0.1
    assert score(unclear[None], [0.37]) == pytest.approx(three, abs=0.1)
    assert -2.0 < three < 0.0


def said(**probabilities: float) -> np.ndarray:
    """Log-probabilities of a net that says so; the rest is shared by all other labels."""
    lp = np.full(len(LABELS), (1 - sum(probabilities.values())) / len(LABELS))
    for label, p in probabilities.items():
        lp[LABEL_INDEX[label.removeprefix("v").replace("_", ".")]] += p
    return np.log(lp)


def test_what_the_net_says_is_weighed_by_what_it_was_trained_on() -> None:
    """The net saw `none` some thirty times as often as any one numeral (Bayes)."""
    assert TRAINING_SHARES.sum() == pytest.approx(1.0)
    assert TRAINING_SHARES[LABEL_INDEX[NONE_LABEL]] > 20 * TRAINING_SHARES[LABEL_INDEX["7"]]
    doubtful = said(none=0.5, v7=0.3)
    assert score(doubtful[None], [7.0]) > 1.0
    assert score(doubtful[None], [8.0]) < 0.0


def test_one_numeral_misread_does_not_outweigh_two_read() -> None:
    row = np.stack([said(v1=0.95), said(v2=0.95), said(v8=0.98)])
    right, wrong = score(row, [1.0, 2.0, 3.0]), score(row, [6.0, 7.0, 8.0])
    assert right > wrong + 2


def test_a_row_spoilt_in_most_places_still_tells_by_the_rest() -> None:
    row = np.stack([said(none=0.9)] * 5 + [said(v6=0.9), said(v7=0.9)])
    assert score(row, [1, 2, 3, 4, 5, 6, 7]) > 3.0
    assert score(row, [1, 2, 3, 4, 5, 6, 7]) > score(row, [2, 3, 4, 5, 6, 7, 8]) + 5


def test_points_are_lost_in_the_whole_row_or_not_at_all() -> None:
    """1, 2, ... 9, 1 is 0.1 ... 0.9, 1; one point lost is a misreading like another."""
    digits = np.stack([said(**{f"v{i}": 0.95}) for i in [*range(1, 10), 1]])
    tenths = np.arange(1, 11) / 10
    assert score(digits, tenths) > score(digits, np.arange(1.0, 11.0))
    without_end = score(digits[:9], tenths[:9]) - score(digits[:9], np.arange(1.0, 10.0))
    assert -6 < without_end < -2  # unlikely, not excluded


@pytest.mark.parametrize(("odds", "likely"), [((0.0, 0.0), False), ((0.0, 0.5), True)])
def test_hidden_last_digits_make_ten_out_of_one(odds: tuple[float, float], likely: bool) -> None:
    row = [said(v1=0.95), said(v2=0.95), said(v3=0.95)]
    tens = combine(np.sum([numeral_gains(r, 10.0 * (i + 1)) for i, r in enumerate(row)], 0), odds)
    ones = combine(np.sum([numeral_gains(r, i + 1.0) for i, r in enumerate(row)], 0), odds)
    assert ones > tens
    assert (ones - tens < 4.0) is likely


def test_gains_have_a_row_for_each_legibility() -> None:
    assert numeral_gains(said(v2=0.9), 2.0).shape == (len(LEGIBLE), 4)
