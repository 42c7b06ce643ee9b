"""Where graduation lines are on a strip along the barrel.  A small net's answer.

Worn lines, lines at the limb and lines beside numerals, bubbles and a grained card are told by
what stands about them: the same line, further along.  The net paints them; where a line is, to a
fraction of a pixel, is still measured on the picture.  The weights are ``lines.onnx`` beside this
file, made by ``sample_images/train_lines.py``; OpenCV's ``dnn`` runs them.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

import cv2
import numpy as np

from .weights import net_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

#: Half the height of the strip that the net sees, outer radii; its columns and rows per radius.
HALF_HEIGHT = 1.25
COLUMNS_PER_RADIUS, ROWS_PER_RADIUS = 32, 16
ROWS = round(2 * HALF_HEIGHT * ROWS_PER_RADIUS)
#: Windows, columns and rows, over which the strip is evened out.
WINDOWS = ((41, 21), (13, 7))
LEAST_COLUMNS = 64
#: How much more lines counted in training than what is none; undone in the probability.
TAUGHT_WEIGHT = 2.0


def normalise(strip: NDArray[np.float32]) -> NDArray[np.float32]:
    """Grey strip (ROWS, W) -> the net's channels (2, ROWS, W), evened out over both windows."""
    channels = []
    for window in WINDOWS:
        high = strip - cv2.blur(strip, window, borderType=cv2.BORDER_REFLECT_101)
        spread = cv2.blur(high * high, window, borderType=cv2.BORDER_REFLECT_101)
        channels.append(high / (np.sqrt(np.maximum(spread, 0)) + 2))
    return np.asarray(np.stack(channels), np.float32)


class LineNet:
    """The trained net."""

    def __init__(self) -> None:
        self._net = net_of("lines")

    def paint(self, gray: NDArray[np.float32], radius_px: float) -> NDArray[np.float32]:
        """Probability (H, W) of each pixel to be on a line.

        *gray* (H, W): a strip along the barrel, its axis in the middle row, HALF_HEIGHT outer
        radii to each side of it.
        """
        columns = max(LEAST_COLUMNS, round(gray.shape[1] / radius_px * COLUMNS_PER_RADIUS))
        small = cv2.resize(gray, (columns, ROWS), interpolation=cv2.INTER_AREA)
        self._net.setInput(normalise(np.asarray(small, np.float32))[None])
        logits = np.asarray(self._net.forward(), np.float32)[0, 0]
        painted = 1 / (1 + TAUGHT_WEIGHT * np.exp(-np.clip(logits, -30, 30)))
        size = (gray.shape[1], gray.shape[0])
        return np.asarray(cv2.resize(painted, size, interpolation=cv2.INTER_LINEAR), np.float32)


@cache
def line_net() -> LineNet:
    """The one net of this process, loaded at first use."""
    return LineNet()
