"""Join ONNX files of nets that answer the same question into one that gives their mean answer.

    python sample_images/join_nets.py ONE.onnx OTHER.onnx [...] JOINED.onnx

Nets that were trained on different photographs err in different places.  All of them have one
input and one output, of the same names; a joined file can be joined again.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any


def joined(models: list[Any]) -> Any:
    """One model with the input and output of *models*, the mean of what each of them answers.

    Raises ValueError if their inputs or outputs have other names.
    """
    import numpy as np
    from onnx import compose, helper, numpy_helper

    graphs = [model.graph for model in models]
    names = {(g.input[0].name, g.output[0].name) for g in graphs}
    if len(names) != 1:
        raise ValueError(f"the nets must have the same input and output, not {sorted(names)}")
    ((asked, answer),) = names
    nodes, weights, answers = [], [], []
    for number, model in enumerate(models):
        graph = compose.add_prefix(model, f"{number}/").graph
        answers.append(f"{number}/{answer}")
        for node in graph.node:
            inputs = [asked if name == f"{number}/{asked}" else name for name in node.input]
            del node.input[:]
            node.input.extend(inputs)
        nodes += graph.node
        weights += graph.initializer
    share = numpy_helper.from_array(np.float32(1 / len(models)), "share")
    nodes += [
        helper.make_node("Sum", answers, ["sum"]),
        helper.make_node("Mul", ["sum", "share"], [answer]),
    ]
    graph = helper.make_graph(
        nodes, "mean", [graphs[0].input[0]], [graphs[0].output[0]], [*weights, share]
    )
    made = helper.make_model(graph, opset_imports=models[0].opset_import)
    made.ir_version = models[0].ir_version
    return made


def main() -> None:
    """Command line."""
    import onnx

    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("nets", type=Path, nargs="+")
    parser.add_argument("out", type=Path)
    args = parser.parse_args()
    onnx.save(joined([onnx.load(str(path)) for path in args.nets]), str(args.out))
    print(args.out, args.out.stat().st_size, "bytes")


if __name__ == "__main__":
    main()
