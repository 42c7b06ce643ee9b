"""Pack an ONNX file of 16-bit weights: fewer digits, then gzip; two thirds of the size.

    python sample_images/squeeze.py vision/edge.onnx        # makes vision/edge.onnx.gz

Of the ten binary digits of a 16-bit float six are kept, so that a weight is off by less than one
per cent; places found with such weights differ by a few ten-thousandths of the radius.
"""

from __future__ import annotations

import gzip
import sys
from pathlib import Path

import numpy as np

DIGITS, KEPT = 10, 6
INFINITE = 0x7C00  # the exponent of a 16-bit float that is no number


def rounded(weights: np.ndarray) -> np.ndarray:
    """*weights*, float16, to the nearest number of KEPT binary digits."""
    bits = weights.view(np.uint16).astype(np.uint32)
    drop = DIGITS - KEPT
    near = (bits + (1 << (drop - 1))) >> drop << drop
    cut = bits >> drop << drop
    near = np.where((near & INFINITE) == INFINITE, cut, near)
    return near.astype(np.uint16).view(np.float16).reshape(weights.shape)


def squeeze(path: Path) -> Path:
    """Write *path* once more, rounded and packed, with ``.gz`` after its name."""
    import onnx
    from onnx import numpy_helper

    model = onnx.load(str(path))
    for weights in model.graph.initializer:
        if weights.data_type == onnx.TensorProto.FLOAT16:
            short = rounded(numpy_helper.to_array(weights))
            weights.CopyFrom(numpy_helper.from_array(short, weights.name))
    packed = path.with_name(path.name + ".gz")
    packed.write_bytes(gzip.compress(model.SerializeToString(), 9, mtime=0))
    return packed


if __name__ == "__main__":
    for name in sys.argv[1:]:
        print(made := squeeze(Path(name)), made.stat().st_size, "bytes")
