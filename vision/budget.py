"""The uncertainty budget of a reading (JCGM 100), line by line; docs/uncertainty.md argues it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from .model import BudgetItem
from .pose import TICK_SD_PX, unpack

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from .graduations import Graduations
    from .labelling import Labelling
    from .plunger import FiducialLine

    Array = NDArray[Any]

LIMB = np.radians(74)  # where the ring is looked at
# The ring is seen through the wall, whose thickness (0.08 to 0.29 of the outer radius) is not
# known: a share of the parallax stays in doubt, beyond what the edge's own doubt holds of it.
WALL_DOUBT = 0.05
REFRACTION_DOUBT = 0.005
LENS_PX = 0.15
BLUR_SHARE = 0.25  # of the lines' own scatter, px
#: Neighbouring points on one line share their errors, so a line counts about once in four; and
#: beside known poses the fit's own doubt of the tilt was two to three times too small.
FIT_DOUBT = 4.0


def budget_of(
    graduations: Graduations, labelling: Labelling, line: FiducialLine
) -> tuple[BudgetItem, ...]:
    """Standard uncertainties in mL, one for each cause."""
    fit = graduations.fit
    radius_px = graduations.cylinder.radius_px
    per_radius = labelling.scale.interval_ml / graduations.lattice.pitch  # mL per outer radius
    angle = abs(graduations.cylinder.view_angle(line.x))
    spread = 1.4826 * float(np.nanmedian(np.abs(fit.residuals_px)))
    interval = labelling.scale.interval_ml
    scale, pose = _from_fit(graduations, line, max(spread, 0.3) / TICK_SD_PX)
    wall = float(np.hypot(WALL_DOUBT * np.tan(angle), REFRACTION_DOUBT))
    blur = BLUR_SHARE * max(spread, 0.3)
    items = [
        ("tick fit", scale * interval),
        ("fiducial edge", line.sd * per_radius),
        ("tilt and roll correction", pose * interval),
        ("wall thickness and refraction", wall * per_radius),
        ("lens residual", LENS_PX / radius_px * per_radius),
        ("image blur", blur / radius_px * per_radius),
    ]
    return tuple(BudgetItem(name, float(u)) for name, u in items)


def _from_fit(graduations: Graduations, line: FiducialLine, unit: float) -> tuple[float, float]:
    """Contributions (in intervals) of the lattice and of the pose, from the fit's covariance.

    The line number read at a fixed pixel of the ring is differentiated by each fitted
    parameter; lattice parameters and pose parameters are kept apart, their correlation
    goes to the lattice (which the pose moves along with it).
    """
    fit = graduations.fit
    points = fit.cylinder.project(np.array([line.x, line.x]), np.array([-LIMB, LIMB]))
    theta = fit.theta

    def line_number(parameters: Array) -> float:
        cylinder, lattice = unpack(parameters, fit.cylinder, fit.prior_focal_px)
        x, _ = cylinder.surface(points)
        return float(np.mean(lattice.k(x)))

    base = line_number(theta)
    gradient = np.zeros(len(theta))
    for i in range(len(theta)):
        h = 0.05 * float(np.sqrt(max(fit.covariance[i, i], 1e-18)))
        moved = theta.copy()
        moved[i] += h
        gradient[i] = (line_number(moved) - base) / h
    variance = float(gradient @ fit.covariance @ gradient)
    tilt_only = float(gradient[2] ** 2 * fit.covariance[2, 2])
    share = float(np.clip(tilt_only / (tilt_only + abs(variance) + 1e-18), 0.0, 0.9))
    total = float(np.sqrt(max(variance, 0.0))) * unit
    total *= FIT_DOUBT
    return total * float(np.sqrt(1 - share)), total * float(np.sqrt(share))
