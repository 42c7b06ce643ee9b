"""FiducialLine -> Contents: how much of what is in front of it is air.

The finder says, column by column, how probable it is that a pocket of air fills the bore, and
what share of it bubbles take.  What it says is made into something that a syringe can hold: a
pocket that begins at the nozzle and ends at one surface, or nothing but air, and bubbles in
the rest.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.special import logit

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from .graduations import Graduations
    from .labelling import Labelling
    from .plunger import FiducialLine

    Array = NDArray[Any]

#: A pocket that reaches less far past the zero line than this, outer radii, is not told from
#: the shoulder's own edges.
SHOULDER = 0.1
FULL_SHARE = 0.85  # a pocket over this share of the columns is all there is: the barrel is empty
SURE, BUBBLE = 0.5, 0.02  # probability of a pocket's section; least share that is a bubble's
SHOWN = 0.03  # least share that is drawn; less is counted and would only puzzle
CLIP = 0.03  # the net is certain and wrong at most this often
# A bubble so long, outer radii, takes up so much of the section at its thickest: 70 of 77 did, by
# two renderers.  Where the net is not sure of one it says less, the mean of a bubble and none; then
# none is told, and half of what was said is doubtful.
LONG, LEAST_OF_LONG, OVERLOOKED_SHARE = 1.2, 0.075, 0.5

# How doubtful a pocket is.  Neighbouring columns tell the same: only so far apart, outer radii,
# are they separate evidence.  Of photographs, so many show no pocket, some pocket, only air.
GRAIN = 0.35
NO_POCKET, SOME_POCKET, ALL_AIR = 0.5, 0.3, 0.2

# All columns may err together: narrow barrels, white and clear seals, grainy light are taken for
# empty or for full altogether.  Then the net is less sure of its columns than it mostly is: of 15
# photographs, by two renderers, in which the mean logit for what each column was told to be was
# less than 4.25, five were told wrongly by a fifth of the volume or more; of 302 above it, where 6
# is the most and the rule, none.
MOST_LOGIT = 6.0
NO_DOUBT_LOGIT, MOST_DOUBT_LOGIT, MOST_DOUBT = 4.75, 4.0, 0.5

# Standard uncertainties, from what the finder got wrong on photographs made for this project.
SURFACE = 0.05  # of a pocket's end, outer radii
POCKET_SHARE, EMPTY_SHARE, BUBBLES_SHARE = 0.04, 0.01, 0.3  # of the air found
MISSED_SHARE = 0.005  # of the largest graduation


@dataclass(frozen=True)
class Air:
    """Air between zero line and fiducial line, mL; ``stretches``: axial (from, to) pairs."""

    volume_ml: float
    standard_uncertainty_ml: float
    stretches: tuple[tuple[float, float], ...]


def air_in_front(
    fraction: Array, x: Array, graduations: Graduations, labelling: Labelling, line: FiducialLine
) -> Air:
    """Air from what the finder says, *fraction* (2, W), of the section over axial *x* (W,).

    The columns are ordered by volume.  Where what it says is neither full nor empty, the
    uncertainty spans both.
    """
    value = labelling.value_ml(graduations.lattice.k(x))
    top = float(labelling.value_ml(graduations.lattice.k(line.x)))
    counted = (value >= 0) & (value <= top)
    per_column = float(np.median(np.abs(np.diff(value))))
    columns_per_radius = 1 / float(np.median(np.abs(np.diff(x))))
    columns, doubtful = air_columns(fraction[:, counted], columns_per_radius)
    if len(columns) and np.all(columns == 1):
        volume = max(top, 0.0)
    else:
        volume = float(columns.sum()) * per_column
    sd = float(np.hypot(doubtful * per_column, MISSED_SHARE * labelling.scale.largest_ml))
    where = x[counted]
    stretches = tuple(
        (float(where[first]), float(where[end - 1])) for first, end in _runs(columns > SHOWN)
    )
    return Air(volume, sd, stretches)


def air_columns(fraction: Array, columns_per_radius: float) -> tuple[Array, float]:
    """Share of air (W,) in each column from the zero line on, and their sum's uncertainty.

    *fraction* (2, W): probability of a pocket, share of bubbles, as the finder says.  The
    pocket's end is where the probabilities before it and after it are likeliest.  The second
    value is a standard uncertainty in whole columns.
    """
    n = fraction.shape[1]
    if not n:
        return np.zeros(0), 0.0
    p = np.clip(np.asarray(fraction[0], float), CLIP, 1 - CLIP)
    as_air = np.concatenate([[0.0], np.cumsum(np.log(p))])
    as_liquid = np.concatenate([np.cumsum(np.log(1 - p)[::-1])[::-1], [0.0]])
    likelihood = as_air + as_liquid
    pocket = int(np.argmax(likelihood))
    if pocket >= FULL_SHARE * n:
        pocket = n
    elif pocket < SHOULDER * columns_per_radius:
        pocket = 0
    is_bubble = (fraction[1] > BUBBLE) & (fraction[0] < SURE)
    supposed = np.where(is_bubble & (np.arange(n) >= pocket), fraction[1], 0.0)
    bubbles = _likely(supposed, LONG * columns_per_radius)
    air = np.where(np.arange(n) < pocket, 1.0, bubbles)

    prior = np.full(n + 1, np.log(SOME_POCKET / n))
    prior[0], prior[n] = np.log(NO_POCKET), np.log(ALL_AIR)
    belief = likelihood / (GRAIN * columns_per_radius) + prior
    belief = np.exp(belief - belief.max())
    off = np.arange(n + 1) - pocket
    doubt = [np.sqrt(np.sum(belief * off * off) / np.sum(belief))]
    doubt.append(BUBBLES_SHARE * float(bubbles.sum()))
    doubt.append(OVERLOOKED_SHARE * float((supposed - bubbles).sum()))
    doubt.append((EMPTY_SHARE if pocket == n else POCKET_SHARE) * pocket)
    if 0 < pocket < n:
        doubt.append(SURFACE * columns_per_radius)
    doubt.append(np.sqrt(_altogether_wrong(fraction[0], pocket)) * max(pocket, n - pocket))
    # whatever it is, it lies between none and all
    return air, min(float(np.linalg.norm(doubt)), (n + 1) / 2)


def _likely(bubbles: Array, long: float) -> Array:
    """*bubbles* (W,), share of the section, without those too thin for being *long* columns."""
    likely = bubbles.copy()
    for first, end in _runs(bubbles > 0):
        if end - first >= long and bubbles[first:end].max() < LEAST_OF_LONG:
            likely[first:end] = 0.0
    return likely


def _runs(which: Array) -> Iterator[tuple[int, int]]:
    """First and one past the last place of each run of *which* (W,)."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], which.astype(int), [0]])))
    return zip(edges[::2], edges[1::2], strict=True)


def _altogether_wrong(probability: Array, pocket: int) -> float:
    """How probable it is that all columns err together.

    *probability* (W,) of each column to be in a pocket of air, of which the first *pocket* are
    told to be.
    """
    logits = np.clip(logit(np.asarray(probability, float)), -MOST_LOGIT, MOST_LOGIT)
    sure = float((logits[:pocket].sum() - logits[pocket:].sum()) / len(logits))
    share = (NO_DOUBT_LOGIT - sure) / (NO_DOUBT_LOGIT - MOST_DOUBT_LOGIT)
    return MOST_DOUBT * float(np.clip(share, 0.0, 1.0))
