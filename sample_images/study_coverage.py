#!/usr/bin/env python3
"""How far the reader is off, and whether its interval holds the truth, on rendered photographs.

    python sample_images/render.py --numbers 30000:30340 --out DIR --background-spp 8
    python sample_images/study_coverage.py DIR [--jobs 2]

Reads every photograph in DIR that has a truth file and prints the tables of
docs/uncertainty.md: coverage by capacity, viewing angle and blur, each budget item's share of
the variance, the error without and with the correction for tilt, and air.  Errors are in per
cent of the nominal capacity.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

from train_finder import truth_cylinder

ANGLES = (0, 3, 6, 10, 15, 20, 90)


@dataclass(frozen=True)
class Row:
    """One photograph: truth, and what the reader made of it (NaN where it refused)."""

    name: str
    truth: dict[str, Any]
    code: str  # "read", or why it was refused
    error: float = np.nan  # of the volume at the fiducial line, % of capacity
    expanded: float = np.nan
    scale_intervals: float = np.nan
    right_scale: bool = False
    air: float = np.nan
    air_expanded: float = np.nan
    shares: tuple[tuple[str, float], ...] = ()

    @property
    def inside(self) -> bool:
        return abs(self.error) <= self.expanded


def read(path: Path) -> Row:
    """The photograph beside the truth file *path*, read as a user's would be."""
    import cv2

    from drawmark.vision import Reading, read_photo

    cv2.setNumThreads(1)
    truth = json.loads(path.read_text())
    outcome = read_photo(path.with_suffix(".jpg"))
    if not isinstance(outcome, Reading):
        return Row(path.stem, truth, outcome.reasons[0].code)
    if not truth["readable"]:
        return Row(path.stem, truth, "read")
    capacity, interval = truth["nominal_ml"], truth["scale_interval_ml"]
    error = outcome.volume_ml - truth["true_volume_ml"]
    variance = outcome.standard_uncertainty_ml**2
    return Row(
        path.stem, truth, "read", 100 * error / capacity,
        100 * outcome.expanded_uncertainty_ml / capacity, abs(error) / interval,
        np.isclose(outcome.graduated_max_ml, truth["graduated_max_ml"])
        and np.isclose(outcome.interval_ml, interval),
        100 * outcome.air_ml / capacity, 100 * outcome.air_expanded_uncertainty_ml / capacity,
        tuple((i.source, i.standard_uncertainty_ml**2 / variance) for i in outcome.budget),
    )  # fmt: skip


def view(truth: dict[str, Any]) -> tuple[float, float]:
    """Viewing angle at the ring, degrees, and the error of reading by eye, % of capacity.

    By eye the ring's two ends at the walls are joined by a straight line, and the scale on the
    camera's side is read where it crosses.
    """
    fit = truth_cylinder(truth)
    if fit is None:
        return np.nan, np.nan
    cylinder, zero, per_mm, _ = fit
    line = zero + per_mm * truth["fiducial_x_mm"]
    limb = cylinder.limb() - 0.02
    ends = cylinder.project(np.array([line, line]), np.array([-limb, limb]))
    seen = float(cylinder.surface(ends.mean(0))[0])
    bore_area = np.pi * truth["inner_diameter_mm"] ** 2 / 4
    by_eye_ml = (seen - line) / per_mm * bore_area / 1000
    angle = float(np.degrees(cylinder.view_angle(line)))
    return angle, 100 * by_eye_ml / truth["nominal_ml"]


def table(title: str, rows: Sequence[Row], groups: dict[str, Callable[[Row], bool]]) -> None:
    """Coverage of each group."""
    print(f"\n| {title} | readable | read | median abs. error | 95th percentile "
          "| truth inside U | median U |")  # fmt: skip
    print("|---|---|---|---|---|---|---|")
    for name, belongs in groups.items():
        part = [r for r in rows if r.truth["readable"] and belongs(r)]
        kept = [r for r in part if r.code == "read"]
        if not kept:
            continue
        size = np.abs([r.error for r in kept])
        held = sum(r.inside for r in kept)
        print(f"| {name} | {len(part)} | {len(kept)} | {np.median(size):.2f} | "
              f"{np.quantile(size, 0.95):.2f} | {held} of {len(kept)} | "
              f"{np.median([r.expanded for r in kept]):.2f} |")  # fmt: skip


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("folder", type=Path)
    parser.add_argument("--jobs", type=int, default=1)
    args = parser.parse_args(argv)
    paths = sorted(args.folder.glob("*.json"))
    with ProcessPoolExecutor(args.jobs) as pool:
        rows = list(pool.map(read, paths, chunksize=4))
    angles = {r.name: view(r.truth) for r in rows if r.truth["readable"]}
    everything = {"all": lambda r: True}
    table("photographs", rows, everything)
    capacities = sorted({r.truth["nominal_ml"] for r in rows if r.truth["readable"]})
    table("capacity, mL", rows,
          {f"{c:g}": lambda r, c=c: r.truth["nominal_ml"] == c for c in capacities})  # fmt: skip
    between = {
        f"{a} to {b}" if b < 90 else f"over {a}": lambda r, a=a, b=b: (
            a <= abs(angles[r.name][0]) < b
        )
        for a, b in pairwise(ANGLES)
    }
    table("viewing angle at the ring, degrees", rows, between)
    table("blur", rows, {
        "none": lambda r: _blur(r) == 0, "up to 1 px": lambda r: 0 < _blur(r) <= 1,
        "over 1 px": lambda r: _blur(r) > 1,
    })  # fmt: skip
    table("plunger", rows, {
        "rubber": lambda r: r.truth["plunger_style"] == "rubber",
        "one piece": lambda r: r.truth["plunger_style"] == "one_piece",
    })  # fmt: skip
    kept = [r for r in rows if r.code == "read" and r.truth["readable"]]
    print("\n| budget item | share of the variance, median | 90th percentile |\n|---|---|---|")
    for n, (source, _) in enumerate(kept[0].shares):
        shares = [r.shares[n][1] for r in kept]
        print(f"| {source} | {np.median(shares):.2f} | {np.quantile(shares, 0.9):.2f} |")
    print("\n| viewing angle, degrees | photographs | median abs. error by eye | largest "
          "| median abs. error as read | largest |\n|---|---|---|---|---|---|")  # fmt: skip
    for name, belongs in between.items():
        part = [r for r in kept if belongs(r)]
        if part:
            eye = np.abs([angles[r.name][1] for r in part])
            size = np.abs([r.error for r in part])
            print(f"| {name} | {len(part)} | {np.median(eye):.2f} | {eye.max():.2f} | "
                  f"{np.median(size):.2f} | {size.max():.2f} |")  # fmt: skip
    share = [(100 * r.truth["air_volume_ml"] / r.truth["nominal_ml"], r) for r in kept]
    there = [r for a, r in share if a > 2]
    none = [r for a, r in share if a == 0]
    held = sum(abs(r.air - a) <= r.air_expanded for a, r in share)
    print(f"\nAir above 2 % of capacity found: {sum(r.air > 1 for r in there)} of {len(there)}; "
          f"reported where there is none: {sum(r.air > 1 for r in none)} of {len(none)}; "
          f"its interval holds the truth in {held} of {len(share)}.")  # fmt: skip
    print(f"More than two scale intervals off: {sum(r.scale_intervals > 2 for r in kept)}; "
          f"scale wrong: {sum(not r.right_scale for r in kept)}; unreadable ones read: "
          f"{sum(r.code == 'read' and not r.truth['readable'] for r in rows)} "
          f"of {sum(not r.truth['readable'] for r in rows)}.")  # fmt: skip
    for r in rows:
        if r.truth["readable"] and r.code != "read":
            print("refused", r.name, r.code, file=sys.stderr)
        elif r.code == "read" and not (r.truth["readable"] and r.inside and r.right_scale):
            print("look at", r.name, f"{r.error:+.2f} % U {r.expanded:.2f} %", file=sys.stderr)
    return 0


def _blur(row: Row) -> float:
    post = row.truth["post"]
    return max(post["blur_sigma_px"], post["motion_px"] / 3.5)


if __name__ == "__main__":
    raise SystemExit(main())
