"""The nets' weights, from the files beside this module."""

from __future__ import annotations

import gzip
from importlib import resources

import cv2
import numpy as np


def net_of(name: str) -> cv2.dnn.Net:
    """The net in ``NAME.onnx``, or in ``NAME.onnx.gz``, ready to run.

    Raises FileNotFoundError if there is neither.
    """
    plain = resources.files(__package__).joinpath(f"{name}.onnx")
    if plain.is_file():
        weights = plain.read_bytes()
    else:
        packed = resources.files(__package__).joinpath(f"{name}.onnx.gz")
        weights = gzip.decompress(packed.read_bytes())
    return cv2.dnn.readNetFromONNX(np.frombuffer(weights, np.uint8))
