"""FiducialLine -> Contents: how much of what is in front of it is air."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from .graduations import Graduations
    from .labelling import Labelling
    from .plunger import FiducialLine

    Array = NDArray[Any]

NONE_BELOW = 0.5  # shares below this are as likely none: the finder is a weak witness of air

# Standard uncertainties, from what the finder got wrong on photographs made for this project.
FOUND_SHARE = 0.2  # of the air found
MISSED_SHARE = 0.006  # of the largest graduation


@dataclass(frozen=True)
class Air:
    """Air between zero line and fiducial line, mL; ``stretches``: axial (from, to) pairs."""

    volume_ml: float
    standard_uncertainty_ml: float
    stretches: tuple[tuple[float, float], ...]


def air_in_front(
    fraction: Array, x: Array, graduations: Graduations, labelling: Labelling, line: FiducialLine
) -> Air:
    """Add up the share of the cross-section that is air, column by column.

    *fraction* (W,) in 0..1 over axial *x* (W,).  The uncertainty is that of the shares
    (a column that is half sure counts as half known), a fifth of the air found, and a share
    of the scale for bubbles that were missed.  An empty barrel taken for a full one is beyond
    it: the finder is a weak witness of air (docs/finder.md).
    """
    value = labelling.value_ml(graduations.lattice.k(x))
    top = float(labelling.value_ml(graduations.lattice.k(line.x)))
    per_column = float(np.median(np.abs(np.diff(value))))
    counted = (value >= 0) & (value <= top)
    share = np.where(fraction > NONE_BELOW, fraction, 0.0) * counted
    # one reading cannot be nearly all air and not all: the rest is the meniscus at the cone
    volume = float(share.sum() * per_column)
    doubt = float(np.sum(fraction * (1 - fraction) * counted) * per_column)
    floor = MISSED_SHARE * labelling.scale.largest_ml
    sd = float(np.hypot(np.hypot(FOUND_SHARE * volume, 0.5 * doubt), floor))
    busy = (fraction > 0.35) & counted
    edges = np.flatnonzero(np.diff(np.concatenate([[0], busy.astype(int), [0]])))
    stretches = tuple(
        (float(x[a]), float(x[b - 1])) for a, b in zip(edges[::2], edges[1::2], strict=True)
    )
    return Air(volume, sd, stretches)
