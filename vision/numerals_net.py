"""A small classifier for the printed numerals of a syringe scale.

One call looks at patches that may each hold one whole numeral, upright and
roughly centred, and answers with log-probabilities over :data:`LABELS`.  The
weights are ``numerals.onnx`` beside this file, trained on drawn digits only by
``sample_images/train_numerals.py``; OpenCV's ``dnn`` runs them.

Every printed form of a value is one label: ``.5``, ``0.5``, ``0.50`` and
``0,5`` all answer to ``"0.5"``.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

import cv2
import numpy as np

from .weights import net_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

PATCH_HEIGHT = 40
PATCH_WIDTH = 80
#: Height of a digit inside a patch for which the net is trained (+/- 25 %), pixels.
DIGIT_HEIGHT = 20.0
#: Pixels between neighbouring places when the net slides over a larger picture.
STRIDE = 8
#: Sides of the two square windows over which a picture is evened out, pixels.
WINDOWS = (61, 21)


def _value_labels() -> tuple[str, ...]:
    tenths = [f"0.{i}" for i in range(1, 10)]
    twentieths = ["0.05", "0.15", "0.25", "0.35", "0.45", "0.75", "1.25", "1.75"]
    ones = [f"{i}.{k}" for i in (1, 2) for k in range(1, 10)] + ["3.5", "4.5", "5.5"]
    whole = [*range(13), 14, 15, 16, 18, 20, 22, 24, 25, 30, 35, 40, 45, 50, 55, 60]
    values = {*tenths, *twentieths, *ones, *map(str, whole)}
    return tuple(sorted(values, key=float))


UNIT_LABEL = "mL"
NONE_LABEL = "none"
#: Canonical label of every class the net knows, in the order of its outputs.
LABELS: tuple[str, ...] = (*_value_labels(), UNIT_LABEL, NONE_LABEL)
#: What each label stands for, mL; nan for the unit and for no numeral.
VALUES: NDArray[np.float64] = np.array(
    [float("nan") if s in (UNIT_LABEL, NONE_LABEL) else float(s) for s in LABELS]
)
LABEL_INDEX: dict[str, int] = {label: i for i, label in enumerate(LABELS)}


def _training_shares() -> NDArray[np.float64]:
    weights = np.ones(len(LABELS))
    weights[LABEL_INDEX[NONE_LABEL]] = 0.45 * len(LABELS)
    weights[LABEL_INDEX[UNIT_LABEL]] = 2.5
    for common in ("1", "2", "3", "4", "5", "10", "15", "20", "0.5", "1.5", "2.5", "25"):
        weights[LABEL_INDEX[common]] = 2.0
    return weights / weights.sum()


#: Share of each label among the patches drawn for training.  The net's probabilities are
#: those of a world with these shares; divided by them they are likelihoods, up to a factor.
TRAINING_SHARES: NDArray[np.float64] = _training_shares()


def label_of(value: float) -> str | None:
    """Canonical label of a volume in mL, or None if the net has no class for it."""
    label = f"{value:.4f}".rstrip("0").rstrip(".")
    return label if label in LABEL_INDEX else None


def normalise(pictures: NDArray[np.float32]) -> NDArray[np.float32]:
    """Two channels, (N, 2, H, W): each picture evened out over a wide and a narrow window.

    The wide one spans three digit heights and keeps the look of the print; the
    narrow one reads print over a stopper or beside a streak of light, where the
    wide one is filled by the band.  Works for a patch as for a whole flat
    picture, at :data:`DIGIT_HEIGHT`.

    Raises ValueError for anything but (N, H >= PATCH_HEIGHT, W >= PATCH_WIDTH).
    """
    if pictures.ndim != 3 or pictures.shape[1] < PATCH_HEIGHT or pictures.shape[2] < PATCH_WIDTH:
        raise ValueError(
            f"pictures must be (N, {PATCH_HEIGHT} or more, {PATCH_WIDTH} or more), "
            f"not {pictures.shape}"
        )
    n, h, w = pictures.shape
    out = np.empty((n, 2, h, w), np.float32)
    for picture, channels in zip(np.asarray(pictures, np.float32), out, strict=True):
        for window, channel in zip(WINDOWS, channels, strict=True):
            size = (window, window)
            high = picture - cv2.blur(picture, size, borderType=cv2.BORDER_REFLECT_101)
            spread = cv2.blur(high * high, size, borderType=cv2.BORDER_REFLECT_101)
            # a running sum of squares may end a hair below zero
            np.divide(high, np.sqrt(np.maximum(spread, 0)) + 2, out=channel)
    return out


class NumeralNet:
    """The trained net.  Give patches in grey levels 0..255, dark print on light."""

    def __init__(self) -> None:
        self._net = net_of("numerals")

    def log_probs(self, patches: NDArray[np.float32]) -> NDArray[np.float32]:
        """(N, PATCH_HEIGHT, PATCH_WIDTH) grey patches -> (N, len(LABELS)) natural logs.

        Calibrated on fonts that were not trained on, so that the logs of
        several numerals may be added up; no probability is ever below what the
        training has evidence for (1e-5).
        """
        if len(patches) == 0:
            return np.empty((0, len(LABELS)), np.float32)
        self._net.setInput(normalise(patches))
        logits = np.asarray(self._net.forward(), np.float32).reshape(len(patches), len(LABELS))
        return np.log(_softmax(logits, axis=1)).astype(np.float32)

    def slide(self, picture: NDArray[np.float32]) -> NDArray[np.float32]:
        """(H, W) grey picture -> (len(LABELS), h, w) probabilities at every STRIDE px.

        Place (i, j) is the patch whose upper left pixel is (STRIDE i, STRIDE j); its
        surroundings shine in, so the figures are for finding, not for adding up.
        """
        self._net.setInput(normalise(picture[None]))
        return _softmax(np.asarray(self._net.forward()[0], np.float32), axis=0)


# The drawn digits cannot vouch for odds beyond these.
_FLOOR = 1e-5


def _softmax(logits: NDArray[np.float32], axis: int) -> NDArray[np.float32]:
    probs = np.exp(logits - logits.max(axis=axis, keepdims=True))
    probs /= probs.sum(axis=axis, keepdims=True)
    return np.asarray((1 - _FLOOR * len(LABELS)) * probs + _FLOOR, np.float32)


@cache
def numeral_net() -> NumeralNet:
    """The one net of this process, loaded at first use."""
    return NumeralNet()
