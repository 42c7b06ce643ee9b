"""FiducialLine -> Contents: how much of what is in front of it is air.

The finder says, column by column, what share of the bore is air.  What it says is made into
something that a syringe can hold: a pocket that begins at the nozzle and ends at one surface,
or nothing but air, and bubbles in the rest.
"""

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

#: A pocket that reaches less far past the zero line than this, outer radii, is not told from
#: the shoulder's own edges.
SHOULDER = 0.4
FULL_SHARE = 0.85  # a pocket over this share of the columns is all there is: the barrel is empty
STRAY_SHARE = 0.15  # this share of air away from a pocket is neither full nor empty
SURE, BUBBLE = 0.5, 0.01  # share of a section that is a pocket's; least that is a bubble's
SHOWN = 0.05  # least share that is drawn; less is counted and would only puzzle
CLIP = 0.03  # the net is certain and wrong at most this often

# Standard uncertainties, from what the finder got wrong on photographs made for this project.
FOUND_SHARE = 0.08  # of the air found
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
    """Air from the shares *fraction* (W,), 0..1, of the section over axial *x* (W,).

    The columns are ordered by volume.  Where the shares say neither full nor empty, the
    uncertainty spans both.
    """
    value = labelling.value_ml(graduations.lattice.k(x))
    top = float(labelling.value_ml(graduations.lattice.k(line.x)))
    counted = (value >= 0) & (value <= top)
    per_column = float(np.median(np.abs(np.diff(value))))
    columns_per_radius = 1 / float(np.median(np.abs(np.diff(x))))
    columns, doubtful = air_columns(fraction[counted], columns_per_radius)
    if len(columns) and np.all(columns == 1):
        volume = max(top, 0.0)
    else:
        volume = float(columns.sum()) * per_column
    floor = MISSED_SHARE * labelling.scale.largest_ml
    sd = float(np.hypot(np.hypot(FOUND_SHARE * volume, floor), doubtful * per_column))
    where = x[counted]
    edges = np.flatnonzero(np.diff(np.concatenate([[0], (columns > SHOWN).astype(int), [0]])))
    stretches = tuple(
        (float(where[a]), float(where[b - 1])) for a, b in zip(edges[::2], edges[1::2], strict=True)
    )
    return Air(volume, sd, stretches)


def air_columns(fraction: Array, columns_per_radius: float) -> tuple[Array, float]:
    """Share of air (W,) in each column from the zero line on, and columns in doubt.

    *fraction* (W,): what the finder says.  The pocket's end is where shares before it and
    after it are likeliest; the second value is a standard uncertainty in whole columns.
    """
    p = np.clip(np.asarray(fraction, float), CLIP, 1 - CLIP)
    n = len(p)
    if not n:
        return p, 0.0
    as_air = np.concatenate([[0.0], np.cumsum(np.log(p))])
    as_liquid = np.concatenate([np.cumsum(np.log(1 - p)[::-1])[::-1], [0.0]])
    pocket = int(np.argmax(as_air + as_liquid))
    if pocket >= FULL_SHARE * n:
        return np.ones(n), 0.0
    told = pocket >= SHOULDER * columns_per_radius
    doubtful = 0.0 if told else 0.5 * pocket
    air = np.where(fraction > BUBBLE, fraction, 0.0)
    air[:pocket] = 1.0 if told else 0.0
    stray = (np.arange(n) >= pocket) & (p >= SURE)
    if stray.sum() > STRAY_SHARE * n:
        return air, 0.5 * (n - pocket)
    # a stretch of nothing but air that hangs in the liquid is the finder's error, or a bubble
    doubtful += 0.5 * float(p[stray].sum())
    return np.where(stray, 0.0, air), doubtful
