"""Does the scale end about where the barrel does?  Else lines are missing, or too many.

The barrel goes on past its largest graduation for the stopper that is drawn back to it, and ends
in the flange.  Lines that end under the stopper, because what is behind it hides the others, look
like a whole scale of fewer and coarser ones; the barrel, seen whole, tells that it is none.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from .graduations import Graduations
    from .labelling import Labelling
    from .silhouette import Outline

    Array = NDArray[Any]

#: From the zero line to the flange, in lengths of the scale to its largest graduation: 1.09 to
#: 1.49 in 1161 photographs by two renderers; what is usual for real barrels, no source.
LEAST_TO_FLANGE, MOST_TO_FLANGE = 1.02, 1.55
#: An outline that tells where the barrel ends is painted surely, to the sides where they are
#: fitted: distance of the axes in radii, angle between them, and ratio of the radii.
SURE_SHARE, SURE_SENSE = 0.8, 0.5
MISS, PARALLEL, AS_WIDE = 0.3, np.cos(np.radians(5)), 1.3


def goes_with_barrel(
    outlines: list[Outline], graduations: Graduations, labelling: Labelling
) -> bool:
    """False if the flange is where none of such a scale is; *outlines*: painted barrels."""
    ends_ml = np.array([0.0, labelling.scale.largest_ml])
    zero, last = graduations.cylinder.project(graduations.lattice.x(labelling.k(ends_ml)), 0.0, 0.0)
    along = last - zero
    length = float(np.hypot(*along))
    for outline in outlines:
        if _is_fitted(outline, graduations, along / length):
            # the axis points to the rod
            flange = outline.centre + outline.length_px / 2 * outline.axis
            to_flange = float((flange - zero) @ along) / length**2
            return LEAST_TO_FLANGE <= to_flange <= MOST_TO_FLANGE
    return True


def _is_fitted(outline: Outline, graduations: Graduations, axis: Array) -> bool:
    """True if *outline* is the fitted barrel along *axis* (2,), whole and for sure."""
    wider = outline.radius_px / graduations.cylinder.radius_px
    return bool(
        outline.whole
        and outline.share >= SURE_SHARE
        and outline.sense >= SURE_SENSE
        and abs(float(graduations.cylinder.miss_distance(outline.centre))) < MISS
        and abs(float(outline.axis @ axis)) > PARALLEL
        and 1 / AS_WIDE < wider < AS_WIDE
    )
