"""What was looked at, in pixels of the displayed picture, for the annotated picture."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from .model import Evidence, NumeralMark, TickMark
from .pose import AZIMUTH_BIN

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from .contents import Air
    from .graduations import Graduations
    from .labelling import Labelling
    from .photo import Photo
    from .plunger import FiducialLine

    Array = NDArray[Any]

ARC = np.radians(np.linspace(-80, 80, 33))
# Points together that a line is seen by, expected, and how far apart they may be in azimuth.
LEAST_SEEN, GAP = 0.85, 2.5 * AZIMUTH_BIN
MOST_LINES = 130


def collect(
    photo: Photo,
    graduations: Graduations | None,
    labelling: Labelling | None,
    line: FiducialLine | None,
    air: Air | None,
    notes: tuple[str, ...] = (),
) -> Evidence:
    """Evidence of as many stages as were reached, with *notes* for who looks at it."""
    if graduations is None:
        return Evidence()
    cylinder, lattice = graduations.cylinder, graduations.lattice
    seen = np.unique(graduations.points.k)
    if labelling is None:
        k_from, k_to = float(seen.min()), float(seen.max())
    else:
        ends = labelling.k(np.array([0.0, labelling.scale.largest_ml]))
        k_from, k_to = float(ends.min()), float(ends.max())

    def drawn(x: float, phi: Array) -> Array:
        return photo.to_displayed(cylinder.project(np.full(len(phi), x), phi))

    limb = cylinder.limb()
    along = np.linspace(float(lattice.x(k_from)) - 0.3, float(lattice.x(k_to)) + 0.3, 12)
    walls = tuple(photo.to_displayed(cylinder.project(along, side * limb)) for side in (-1, 1))
    ticks = []
    for k in np.arange(round(k_from), round(k_to) + 1)[:MOST_LINES]:
        phi = _seen_from_to(graduations, k)
        used = len(phi) > 0
        arc = np.linspace(phi.min() - 0.07, phi.max() + 0.07, 9) if used else np.radians([-8, 0, 8])
        value = float(labelling.value_ml(k)) if labelling is not None else float("nan")
        ticks.append(TickMark(value, drawn(float(lattice.x(k)), arc), used))
    return Evidence(
        walls_px=walls,
        ticks=tuple(ticks),
        numerals=_numerals(photo, graduations, labelling),
        fiducial_px=None if line is None else drawn(line.x, ARC),
        air_px=_air(photo, graduations, air),
        tilt_deg=None if line is None else float(np.degrees(cylinder.view_angle(line.x))),
        ring_spacing_ml=_ring_spacing_ml(graduations, labelling, line),
        notes=notes,
    )


def _seen_from_to(graduations: Graduations, k: float) -> Array:
    """Azimuths (N,) of the points that line *k* is seen by, side by side; none if it is not.

    Where no line is seen, what is darkest was found all the same, and counted for next to nothing.
    """
    of_line = graduations.points.k == k
    phi, on_line = graduations.points.phi[of_line], graduations.fit.on_line[of_line]
    order = np.argsort(phi)
    runs = np.split(order, np.flatnonzero(np.diff(phi[order]) > GAP) + 1)
    run = max(runs, key=lambda points: float(on_line[points].sum()))
    return phi[run] if on_line[run].sum() >= LEAST_SEEN else phi[:0]


def _ring_spacing_ml(
    graduations: Graduations, labelling: Labelling | None, line: FiducialLine | None
) -> float | None:
    if labelling is None or line is None or not np.isfinite(line.spacing):
        return None
    return float(line.spacing / graduations.lattice.pitch * labelling.scale.interval_ml)


def _numerals(
    photo: Photo, graduations: Graduations, labelling: Labelling | None
) -> tuple[NumeralMark, ...]:
    if labelling is None or labelling.row is None:
        return ()
    row, x, phi = labelling.row, labelling.flat_x, labelling.flat_phi
    step = float(x[1] - x[0])
    marks = []
    for k, value, _ in labelling.read:
        text = f"{value:.4f}".rstrip("0").rstrip(".")
        across = row.rotation % 180 == 90
        long, high = 0.62 * len(text) * row.digit_height, 1.2 * row.digit_height
        width, height = (high, long) if across else (long, high)
        column = float(graduations.lattice.x(k) - x[0]) / step + row.shift
        corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * [width / 2, height / 2]
        at = corners + np.array([column, row.y])
        points = graduations.cylinder.project(x[0] + at[:, 0] * step, phi[0] + at[:, 1] * step)
        marks.append(NumeralMark(text, value, photo.to_displayed(points)))
    return tuple(marks)


def _air(photo: Photo, graduations: Graduations, air: Air | None) -> tuple[Array, ...]:
    if air is None:
        return ()
    edge = np.radians(np.linspace(-78, 78, 15))
    outlines = []
    for a, b in air.stretches:
        near = graduations.cylinder.project(np.full(len(edge), a), edge)
        far = graduations.cylinder.project(np.full(len(edge), b), edge[::-1])
        outlines.append(photo.to_displayed(np.concatenate([near, far])))
    return tuple(outlines)
