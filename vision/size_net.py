"""How wide is the barrel, in millimetres?  A small net's answer, from what is about its nozzle.

A photograph has no absolute scale, but every syringe has a conical fitting of one size: some
4 mm thick (ISO 80369-7, from memory), a fifth of the width of a 20 mL barrel and more than half
of that of a 1 mL one.  So the picture of the nozzle end, drawn in units of the barrel's radius,
tells a slender barrel from a stout one, whatever is printed on it: a witness against a tenfold
slip, and between scales whose lines look alike.  Caps, hubs and collars hide the cone, and are
of many sizes; the net has seen such, and is less sure of them.  The weights are ``size.onnx.gz``
beside this file, made by ``sample_images/train_size.py``; OpenCV's ``dnn`` runs them.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np

from .ends_net import LEAST_SEEN, Window, normalise
from .weights import net_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[Any]

#: What a patch about the zero line spans: the cone of a 1 mL barrel is three outer radii long.
WINDOW = Window(rows=56, columns=96, across=1.1, inward=0.8, outward=3.2, radius_px=36.0)
#: Outer radii that the net tells apart, mm: equal steps of their logarithm.
RADII_MM = np.exp(np.linspace(np.log(2.4), np.log(18.0), 24))
#: The net has seen drawn barrels only: its logits are taken for less by this, and so often may it
#: be altogether wrong.
TEMPERATURE, WRONG = 1.5, 0.1


class SizeNet:
    """The trained net."""

    def __init__(self) -> None:
        self._net = net_of("size")

    def log_likelihoods(self, patches: NDArray[np.float32], seen: Array) -> NDArray[np.float64]:
        """(N, len(RADII_MM)) logs of how much likelier `end_patches` in `WINDOW` are on a barrel
        of each outer radius than on any; 0 where too little is *seen* of a patch."""
        if len(patches) == 0:
            return np.zeros((0, len(RADII_MM)))
        # a barrel has no preferred side: each is looked at as it is and turned over
        both = np.concatenate([patches, patches[:, ::-1]])
        self._net.setInput(normalise(both))
        logits = np.asarray(self._net.forward(), np.float64).reshape(2, len(patches), -1).mean(0)
        logits /= TEMPERATURE
        probs = np.exp(logits - logits.max(axis=1, keepdims=True))
        probs /= probs.sum(axis=1, keepdims=True)
        odds = np.log((1 - WRONG) * probs * len(RADII_MM) + WRONG)
        return np.where((seen >= LEAST_SEEN)[:, None], odds, 0.0)


def at_radius(log_likelihoods: Array, radius_mm: float) -> float:
    """Of *log_likelihoods* (len(RADII_MM),), that of a barrel of outer radius *radius_mm*."""
    return float(np.interp(np.log(radius_mm), np.log(RADII_MM), log_likelihoods))


@cache
def size_net() -> SizeNet:
    """The one net of this process, loaded at first use."""
    return SizeNet()
