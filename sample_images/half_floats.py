"""Store the weights of an ONNX file as 16-bit floats: half the size, the same answers.

OpenCV's ``dnn`` widens them when it loads the file and computes with 32 bits.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

FEW = 256  # biases and the like stay as they are


def store_half(path: Path) -> None:
    """Rewrite the ONNX file at *path* with its large weights rounded to 16 bits."""
    import onnx
    from onnx import numpy_helper

    model = onnx.load(str(path))
    for weights in model.graph.initializer:
        if weights.data_type == onnx.TensorProto.FLOAT and np.prod(weights.dims) > FEW:
            rounded = numpy_helper.to_array(weights).astype(np.float16)
            weights.CopyFrom(numpy_helper.from_array(rounded, weights.name))
    onnx.save(model, str(path))


if __name__ == "__main__":
    for name in sys.argv[1:]:
        store_half(Path(name))
