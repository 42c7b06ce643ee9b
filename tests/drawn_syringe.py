"""A drawn syringe, and outcomes that a reader of its photograph could give."""

from __future__ import annotations

import numpy as np

from drawmark.vision import (
    BudgetItem,
    Evidence,
    NumeralMark,
    Reading,
    Reason,
    Refusal,
    TickMark,
)

# The drawn barrel lies along x, nozzle to the left, on a frame that is not square, so that a
# swapped axis shows.  Its scale: 10 mL over 700 px from x = 250.
WIDTH, HEIGHT = 1200, 800
ZERO_X, PX_PER_ML, TOP_Y, BOTTOM_Y = 250.0, 70.0, 330.0, 470.0


def x_of(volume_ml: float) -> float:
    """Where the line of a volume stands in the drawn photograph, px."""
    return ZERO_X + PX_PER_ML * volume_ml


def make_reading(
    volume_ml: float = 5.0,
    standard_uncertainty_ml: float = 0.02,
    air_ml: float = 0.0,
    air_standard_uncertainty_ml: float = 0.0,
) -> Reading:
    """A reading of the drawn 10 mL syringe, with all its evidence."""
    ticks = tuple(
        TickMark(
            step / 2,
            np.array([[x_of(step / 2), 340.0], [x_of(step / 2), 440.0]]),
            used=step % 5 != 3,
        )
        for step in range(21)
    )
    numerals = tuple(
        NumeralMark(
            str(value),
            float(value),
            np.array([[-8.0, 445], [8, 445], [8, 465], [-8, 465]]) + np.array([x_of(value), 0.0]),
        )
        for value in range(2, 11, 2)
    )
    walls = (
        np.array([[220.0, TOP_Y], [1000.0, TOP_Y]]),
        np.array([[220.0, BOTTOM_Y], [1000.0, BOTTOM_Y]]),
    )
    x = x_of(volume_ml)
    air = np.array([[ZERO_X, 350.0], [x_of(air_ml), 350], [x_of(air_ml), 450], [ZERO_X, 450]])
    return Reading(
        capacity_ml=10.0,
        interval_ml=0.5,
        graduated_max_ml=10.0,
        volume_ml=volume_ml,
        budget=(
            BudgetItem("tick fit", 0.6 * standard_uncertainty_ml),
            BudgetItem("fiducial edge", 0.8 * standard_uncertainty_ml),
        ),
        air_ml=air_ml,
        air_standard_uncertainty_ml=air_standard_uncertainty_ml,
        zero_line_px=(ZERO_X, 390.0),
        fiducial_line_px=(x, 390.0),
        evidence=Evidence(
            walls_px=walls,
            ticks=ticks,
            numerals=numerals,
            fiducial_px=np.array([[x, TOP_Y], [x, BOTTOM_Y]]),
            air_px=(air,) if air_ml > 0 else (),
            tilt_deg=3.2,
        ),
    )


def make_refusal(code: str = "glare") -> Refusal:
    """A refusal with one reason out of the reader's table."""
    return Refusal((Reason.of(code),))
