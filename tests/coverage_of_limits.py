"""How often the intervals of a limit of agreement hold the true limit: the table in docs/study.md.

    python tests/coverage_of_limits.py

Normal differences, bias 0.3 and standard deviation 2; the upper limit at 1.96 standard deviations.
"""

from __future__ import annotations

import math

import numpy as np
from scipy import stats

from drawmark.calc.study.agreement import MULTIPLE
from drawmark.calc.study.factors import content_factor, quantile_factor

BIAS, SD, SAMPLES, START = 0.3, 2.0, 200_000, 20150301


def coverage(n: int, samples: int = SAMPLES, start: int = START) -> tuple[float, float, float]:
    """Shares of samples of *n* in which three intervals hold what they should.

    The exact interval of the upper limit, Bland and Altman's approximate one of 1986, and the
    outer pair, which should hold 95 % of the population (97.5 % of the time).
    """
    rng = np.random.default_rng(start + n)
    mean = rng.normal(BIAS, SD / math.sqrt(n), samples)
    sd = SD * np.sqrt(rng.chisquare(n - 1, samples) / (n - 1))
    truth = BIAS + MULTIPLE * SD
    low, high = (mean + quantile_factor(n, MULTIPLE, p) * sd for p in (0.025, 0.975))
    half = stats.t.ppf(0.975, n - 1) * math.sqrt(3 / n) * sd
    k = content_factor(n, 0.95, 0.975)
    held = stats.norm.cdf((mean + k * sd - BIAS) / SD) - stats.norm.cdf((mean - k * sd - BIAS) / SD)
    return (
        float(((low <= truth) & (truth <= high)).mean()),
        float((np.abs(mean + MULTIPLE * sd - truth) <= half).mean()),
        float((held >= 0.95).mean()),
    )


if __name__ == "__main__":
    print(f"{SAMPLES} samples each; one standard deviation of a share near 95 %: 0.05 %")
    print("| pairs | exact | approximate (1986) | outer pair |")
    print("|---|---|---|---|")
    for size in (3, 5, 8, 10, 17, 30, 50, 100):
        exact, approximate, pair = coverage(size)
        print(f"| {size} | {exact:.2%} | {approximate:.2%} | {pair:.2%} |")
