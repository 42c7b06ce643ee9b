"""Is the print on the far side, or turned away?  Then stopper and rod stand before it.

Seen from behind, through a clear barrel, lines look as if they were on the near side; a fit puts
them there, and the volume comes out wrong by what they are seen aside.  In front of the stopper
nothing tells the difference.  Behind it the rod does: a line on the near side crosses it, one on
the far side ends at its edge and goes on beyond.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from .graduations import Graduations
    from .labelling import Labelling
    from .plunger import FiducialLine

    Array = NDArray[Any]

#: What of the barrel the stopper covers, before the fiducial line and behind it, outer radii.
CONE, STOPPER = 1.0, 2.5
#: The middle of the barrel, where there is a rod behind it: azimuth to both sides.
MIDDLE = np.radians(32)
#: So many lines must be seen before the stopper and behind it, in so many windows of azimuth.
LEAST_LINES, LEAST_WINDOWS = 3, 3
#: Contrast from which a line is plainly seen, before the stopper in the middle and behind it
#: anywhere; and the share of it that is left over the rod if the line is hidden by it.
PLAIN = 0.5
HIDDEN_SHARE = 0.4
#: Lines of a scale that faces the camera lie to both sides of the middle.  Where all but this share
#: lie on one side it is turned away; then a line may be hidden at either end of it, and only
#: numerals that speak so much (natural log) tell that none is.
ASTRAY, NUMERALS_TELL = 0.1, 5.0


def lies_behind(graduations: Graduations, labelling: Labelling, line: FiducialLine) -> bool:
    """True if lines that run across the middle before the stopper are hidden by the rod."""
    scale = labelling.scale
    number = (graduations.k - labelling.zero_k) * labelling.direction
    ring = (float(graduations.lattice.k(line.x)) - labelling.zero_k) * labelling.direction
    radii = (number - ring) * graduations.lattice.pitch
    before = (number >= 0) & (radii < -CONE)
    behind = (number <= scale.intervals) & (radii > STOPPER)
    if min(before.sum(), behind.sum()) < LEAST_LINES:
        return False
    return hidden_in_the_middle(
        graduations.presence[before], graduations.presence[behind], graduations.azimuths
    )


def is_turned_away(graduations: Graduations, labelling: Labelling) -> bool:
    """True if lines are seen to one side of the middle only, and numerals hardly speak."""
    if labelling.numeral_score >= NUMERALS_TELL:
        return False
    on_line = graduations.fit.on_line
    right = float(on_line[graduations.points.phi > 0].sum() / on_line.sum())
    return not ASTRAY < right < 1 - ASTRAY


def hidden_in_the_middle(before: Array, behind: Array, azimuths: Array) -> bool:
    """True if of lines' contrasts (K, W) in windows at *azimuths* (W,) those *before* the stopper
    are plain in the middle, and those *behind* it beside the middle only."""
    seen_before, seen_behind = np.median(before, axis=0), np.median(behind, axis=0)
    middle = (np.abs(azimuths) <= MIDDLE) & (seen_before >= PLAIN)
    if middle.sum() < LEAST_WINDOWS or seen_behind.max() < PLAIN:
        return False
    share = np.clip(seen_behind[middle], 0, None) / seen_before[middle]
    return bool(np.median(share) < HIDDEN_SHARE)
