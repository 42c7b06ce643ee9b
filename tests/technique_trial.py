"""How often a mistake is recognised in simulated draws: the table in docs/technique.md.

    python tests/technique_trial.py

Syringes, targets, hands and stoppers vary at random; the tolerance is 5 % of the target.
"""

from __future__ import annotations

import math
import random

from drawmark.calc.syringe import Syringe
from drawmark.calc.technique import Drawn, Geometry, draw_suggestions, ml_per_bore_radius

# Capacity, last line, interval and step between numbers, mL.
SYRINGES = (
    (Syringe(1, 1, 0.01), 0.1),
    (Syringe(3, 3, 0.1), 0.5),
    (Syringe(5, 6, 0.2), 1.0),
    (Syringe(10, 12, 0.2), 1.0),
    (Syringe(10, 10, 0.5), 1.0),
    (Syringe(20, 20, 1), 5.0),
    (Syringe(50, 60, 1), 10.0),
)
TOLERANCE = 0.05
MISTAKES = (
    "cone-tip",
    "rear-ring",
    "scale-interval",
    "numbered-interval",
    "line-value",
    "decimal-point",
    "air-left-in",
    "dead-space",
)
GOOD = ("careful", "careless")
DRAWS, START = 4000, 55


def simulated(code: str, rng: random.Random, *, measured: bool = True) -> Drawn:
    """A draw with that mistake by a hand, a stopper and a reading that vary.

    *measured*: the stopper's lengths are known from the photograph within 5 %.
    """
    while True:
        syringe, numbered = rng.choice(SYRINGES)
        interval, capacity = syringe.interval_ml, syringe.capacity_ml
        target = interval * rng.randint(
            math.ceil(0.2 * capacity / interval), math.floor(0.85 * capacity / interval)
        )
        radius = ml_per_bore_radius(capacity) * rng.uniform(0.9, 1.1)
        cone, spacing = radius * rng.uniform(0.28, 0.72), radius * rng.uniform(0.46, 0.92)
        past = target - numbered * math.floor(target / numbered + 1e-9)
        air = rng.uniform(0.05, 0.12) * target if code == "air-left-in" else 0.0
        sign = rng.choice((1, -1))
        offset = {
            "cone-tip": cone,
            "rear-ring": -spacing * rng.uniform(1, 1.2),
            "scale-interval": sign * interval,
            "numbered-interval": sign * numbered,
            "line-value": past if sign > 0 else -past / 2,
            "decimal-point": -0.9 * target,
            "air-left-in": 0.0,
            "dead-space": -rng.uniform(0.2, 1) * syringe.band.dead_space_ml,
            "careful": 0.0,
            "careless": rng.gauss(0, math.hypot(interval, 0.05 * target)),
        }[code]
        off_scale = not 0 < target + offset <= syringe.graduated_max_ml
        if off_scale or (code == "line-value" and past < 0.5 * interval):
            continue
        u, u_air = 0.0025 * capacity, 0.1 * air
        return Drawn(
            target,
            target + offset + rng.gauss(0, 0.2 * interval) + rng.gauss(0, u),
            u,
            syringe,
            air_ml=rng.gauss(air, u_air),
            air_standard_uncertainty_ml=u_air,
            numbered_every_ml=numbered,
            geometry=(
                Geometry(spacing * rng.gauss(1, 0.05), cone * rng.gauss(1, 0.05))
                if measured
                else Geometry()
            ),
        )


def tried(code: str, draws: int, *, measured: bool = True) -> dict[str, float]:
    """Shares of *draws* in which that mistake alone was named, it with others, others, none."""
    rng = random.Random(START)
    counts = dict.fromkeys(("alone", "among", "others", "none"), 0)
    for _ in range(draws):
        drawn = simulated(code, rng, measured=measured)
        found = {s.code for s in draw_suggestions(drawn, TOLERANCE * drawn.target_ml)}
        if not found:
            counts["none"] += 1
        elif code not in found:
            counts["others"] += 1
        else:
            counts["alone" if len(found) == 1 else "among"] += 1
    return {name: count / draws for name, count in counts.items()}


if __name__ == "__main__":
    for lengths in (True, False):
        print(f"\nstopper {'measured on the photograph' if lengths else 'as is typical'}\n")
        print("| done | it alone | it among others | only others | nothing |")
        print("|---|---|---|---|---|")
        for name in (*MISTAKES, *GOOD):
            shares = tried(name, DRAWS, measured=lengths).values()
            print(f"| {name} | " + " | ".join(f"{100 * share:.0f} %" for share in shares) + " |")
