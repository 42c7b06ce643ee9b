"""How often the profile intervals of variance components hold the truth, for docs/study.md.

    python tests/coverage_of_components.py      (minutes)

Groups of three values; standard deviation 0.7 between the groups and 1 within.
"""

from __future__ import annotations

import numpy as np

from drawmark.calc.study.components import variance_components

BETWEEN, WITHIN, EACH, STUDIES, START = 0.7, 1.0, 3, 500, 1971


def coverage(groups: int, rng: np.random.Generator) -> tuple[float, float]:
    """Shares of studies whose interval holds the spread between and within *groups*."""
    labels = [str(i) for i in range(groups) for _ in range(EACH)]
    held = np.zeros(2)
    for _ in range(STUDIES):
        values = np.repeat(rng.normal(0, BETWEEN, groups), EACH)
        values = values + rng.normal(0, WITHIN, EACH * groups)
        parts = variance_components(list(values), {"group": labels}).parts
        for i, truth in enumerate((BETWEEN, WITHIN)):
            held[i] += parts[i].sd_ci[0] <= truth <= parts[i].sd_ci[1]
    return float(held[0] / STUDIES), float(held[1] / STUDIES)


if __name__ == "__main__":
    generator = np.random.default_rng(START)
    for number in (6, 12):
        between, within = coverage(number, generator)
        print(f"{number} groups: between {between:.1%}, within {within:.1%}")
