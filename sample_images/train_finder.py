"""Train the net that finds the stopper's front ring and the air (vision/finder.onnx).

Three steps, each a sub-command:

  strips   photographs with truth (sample_images/renderer) -> unwrapped strips, one .npz
  train    strips -> weights (needs PyTorch; a GPU takes minutes)
  export   weights -> ONNX for OpenCV's dnn

Method and figures are in docs/finder.md.
"""

from __future__ import annotations

import argparse
import json
import math
import time
import zlib
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from drawmark.vision.cylinder import Cylinder

# What the nets' strips are made of (train_edge.py shares these).
ROWS = 48
PHI = np.linspace(-np.radians(88), np.radians(88), ROWS)
WINDOW = (25, 13)
# The finder's own strips are finer, and its answer has one column for every two of theirs.
FINE_ROWS, FINE = 72, 48
FINE_PHI = np.linspace(-np.radians(88), np.radians(88), FINE_ROWS)
FINE_WINDOW = (49, 19)
PER_RADIUS = FINE // 2
MASK_ROWS = FINE_ROWS // 4
MOST_BUBBLES = 16
#: Azimuth at which a strip's "where is the line" is defined, radians: near the limbs.
LIMB = float(np.radians(75))
#: What a strip shows before the zero line and past the last line, outer radii.
BEFORE, PAST = 3.0, 4.0


# --- strips ----------------------------------------------------------------------------


def truth_cylinder(truth: dict[str, Any]) -> tuple[Cylinder, float, float, float] | None:
    """Cylinder, x of the zero line, x per mm, and rms residual in px, from the truth points."""
    from scipy.optimize import least_squares

    from drawmark.vision.cylinder import Camera, Cylinder

    points = truth["points"]
    size = max(truth["width"], truth["height"])
    cam = truth["camera"]
    focal = cam.get("focal_px") or cam["f_eq_mm"] / 36 * size
    centre = ((truth["width"] - 1) / 2, (truth["height"] - 1) / 2)
    # there by half the diagonal, here by the focal length
    k1 = cam["k1"] * (2 * focal / float(np.hypot(truth["width"], truth["height"]))) ** 2
    # truth counts from the corner of the first pixel, the pictures' arrays from its middle
    start = np.array(points["zero_axis"]) - 0.5
    end = np.array(points["grad_max_axis"]) - 0.5
    length = float(np.hypot(*(end - start)))
    radius = truth["outer_diameter_mm"] / 2
    per_mm = 1 / radius
    if length < 20:
        return None
    angle = float(np.arctan2(*(end - start)[::-1]))
    axis_mm = np.array([0.0, scale_mm(truth), truth["fiducial_x_mm"]])
    axis_px = np.array([start, end, np.array(points["fiducial_axis"]) - 0.5])
    facing = [t for t in truth["ticks"] if t["facing"]]
    tick_mm = np.array([t["x_mm"] for t in facing])
    tick_px = np.array([t["mid"] for t in facing]).reshape(-1, 2) - 0.5
    radius_px = radius * truth["px_per_mm"]

    def made(p: np.ndarray) -> Cylinder:
        return Cylinder(
            Camera(focal, *centre, k1), tuple((start + end) / 2), angle + p[0],
            p[1] * radius_px, p[2], radius_px * float(np.exp(p[3])),
        )  # fmt: skip

    def residual(p: np.ndarray) -> np.ndarray:
        c = made(p)
        axis = c.project(p[4] + per_mm * axis_mm, 0.0, 0.0) - axis_px
        x = c.surface(tick_px)[0] if len(tick_px) else np.zeros(0)
        miss = (np.nan_to_num(x, nan=99.0) - p[4] - per_mm * tick_mm) * radius_px
        return np.r_[axis.ravel(), np.clip(miss, -300, 300) / np.sqrt(max(len(miss), 1))]

    fits = [
        least_squares(
            residual, [0, 0, np.radians(t), 0, -scale_mm(truth) * per_mm / 2],
            x_scale=[0.01, 0.01, 0.05, 0.05, 0.1],
        )
        for t in (-10, 0, 10)
    ]  # fmt: skip
    best = min(fits, key=lambda f: f.cost)
    return made(best.x), float(best.x[4]), per_mm, float(np.sqrt(np.mean(best.fun**2)))


def scale_mm(truth: dict[str, Any]) -> float:
    """Length of the scale from the zero line to the last line, mm."""
    return max(float(t["x_mm"]) for t in truth["ticks"])


def air_profiles(truth: dict[str, Any], x_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Fraction of the bore's section at each *x_mm* (W,) that the pocket takes, and bubbles."""
    bore = truth["inner_diameter_mm"] / 2
    pocket, bubbles = np.zeros_like(x_mm), np.zeros_like(x_mm)
    if truth["content"] == "empty":
        return pocket + 1, bubbles
    rest = truth["air_volume_ml"] * 1000
    for b in truth["air_items"]:
        if b["kind"] == "bubble":
            a, along, across = b["semi_axes_mm"]
            u = (x_mm - b["x_mm"]) / along
            bubbles += a * across / bore**2 * np.clip(1 - u * u, 0, None)
            rest -= b["volume_ml"] * 1000
    if any(b["kind"] == "plug" for b in truth["air_items"]):
        # the step that holds the same air as the rounded surface
        step = (x_mm - rest / (np.pi * bore**2)) / (0.04 * bore)
        pocket += 1 / (1 + np.exp(np.clip(step, -30, 30)))
    return pocket, np.clip(bubbles, 0, 1)


def seen_air(truth: dict[str, Any]) -> tuple[float, list[list[float]]]:
    """Where the pocket's surface is seen (mm, -1e3: none), and bubbles as they are seen.

    Each bubble: middle and half length, mm, azimuth from the camera's side and half width,
    radians.
    """
    end = 1e6 if truth["content"] == "empty" else -1e3
    outer = truth["outer_diameter_mm"] / 2
    bubbles = []
    for b in truth["air_items"]:
        if b["kind"] == "plug":
            end = b["interface_x_mm"] - 0.3 * b["meniscus_mm"]
        elif "phi_deg" in b:
            _, along, across = b["semi_axes_mm"]
            phi = -np.radians(b["phi_deg"] + truth["roll_error_to_camera_deg"])
            phi = (phi + np.pi) % (2 * np.pi) - np.pi
            if abs(phi) < np.radians(80):
                bubbles.append([b["x_mm"], along, phi, across / outer])
    return end, sorted(bubbles, key=lambda b: -b[1])[:MOST_BUBBLES]


def strips_of(
    path: Path, copies: int, any_kind: bool, quality: int, random_seed: int
) -> list[dict[str, Any]]:
    """Unwrapped copies of the photograph with truth *path*; none if it can't serve."""
    import cv2

    from drawmark.vision.finder_net import finder_strip

    cv2.setNumThreads(1)
    rng = np.random.default_rng([random_seed, zlib.crc32(path.stem.encode())])
    truth = json.loads(path.read_text())
    reason = truth.get("refuse_reason")
    if not truth.get("readable") and (not any_kind or reason != "cropped_plunger"):
        return []
    bgr = cv2.imread(str(path.with_suffix(".jpg")))
    fit = truth_cylinder(truth)
    if bgr is None or fit is None or fit[3] > 1:
        print(path.stem, "left out", None if fit is None else f"{fit[3]:.2f} px", flush=True)
        return []
    true, zero, per_mm, _ = fit
    last = zero + per_mm * scale_mm(truth)
    fiducial = zero + per_mm * truth["fiducial_x_mm"]
    surface, bubbles = seen_air(truth)
    made = []
    for k in range(copies):
        c = true
        if k:
            turn, tip, grow, off = rng.normal(0, [0.004, np.radians(0.7), 0.012, 0.008])
            c = true.moved(
                angle=true.angle + turn, tilt=true.tilt + tip,
                radius_px=true.radius_px * (1 + grow),
                offset=true.offset + off * true.radius_px,
            )  # fmt: skip

        def carried(x: float, c: Cylinder = c) -> float:
            seen = true.project(np.array([x, x]), np.array([-LIMB, LIMB]))
            return float(np.nanmean(c.surface(seen)[0]))

        x0, x1, xf = carried(zero), carried(last), carried(fiducial)
        if not np.isfinite([x0, x1, xf]).all():
            continue
        strip = finder_strip(
            bgr, c, x0 - BEFORE, x1 + PAST, columns_per_radius=FINE, rows=FINE_ROWS
        )
        place = x0 - BEFORE + np.arange(strip.shape[1]) / FINE
        per = scale_mm(truth) / (x1 - x0)  # mm per radius
        coded = cv2.imencode(
            ".jpg", strip,
            [cv2.IMWRITE_JPEG_QUALITY, quality, cv2.IMWRITE_JPEG_SAMPLING_FACTOR,
             cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444],
        )[1]  # fmt: skip
        zero_at = BEFORE * FINE
        seen = np.full((MOST_BUBBLES, 4), np.nan, np.float32)
        for n, (x, along, phi, wide) in enumerate(bubbles):
            seen[n] = zero_at + x / per * FINE, along / per * FINE, phi, wide
        line = (xf - x0 + BEFORE) * FINE if truth["fiducial_in_frame"] else np.nan
        stopper = truth.get("stopper_length_mm", np.nan) * per_mm * FINE
        made.append({
            "coded": coded.ravel(), "width": strip.shape[1],
            "airs": np.stack(air_profiles(truth, (place - x0) * per)).astype(np.float16),
            "bubbles": seen,
            "row": [zero_at, (x1 - x0 + BEFORE) * FINE, line, stopper,
                    zero_at + surface / per * FINE],
            "name": path.stem,
        })  # fmt: skip
    return made


def make_strips(args: argparse.Namespace) -> None:
    """Unwrap every photograph in the folders that has truth into one file."""
    import multiprocessing

    paths = [p for folder in args.folders for p in sorted(folder.glob("*.json"))]
    work = [(p, args.copies, args.any_kind, args.quality, args.random_seed) for p in paths]
    with multiprocessing.get_context("spawn").Pool(args.jobs) as pool:
        made = [s for some in pool.starmap(strips_of, work, chunksize=4) for s in some]
    np.savez(
        args.out,
        coded=np.concatenate([s["coded"] for s in made]),
        sizes=np.array([len(s["coded"]) for s in made]),
        widths=np.array([s["width"] for s in made]),
        airs=np.concatenate([s["airs"] for s in made], 1),
        bubbles=np.stack([s["bubbles"] for s in made]),
        rows=np.array([s["row"] for s in made], np.float32),
        names=np.array([s["name"] for s in made]),
    )
    print(len(paths), "photographs,", len(made), "strips,", args.out.stat().st_size, "bytes")


# --- train -----------------------------------------------------------------------------


def blocks(dropout: float) -> tuple[Any, Any]:
    """What the nets are built of: a 2-D convolution with what follows it, and a residual block
    along the axis, as makers that take their sizes."""
    import torch
    from torch import nn

    def conv2(i: int, o: int, k: int, down: int, reach: int, step: int = 1) -> nn.Sequential:
        pad = (k // 2, (k // 2) * reach)
        return nn.Sequential(
            nn.Conv2d(i, o, k, (down, step), pad, (1, reach), bias=False),
            nn.BatchNorm2d(o), nn.ReLU(),
        )  # fmt: skip

    class Along(nn.Module):
        def __init__(self, n: int, reach: int) -> None:
            super().__init__()
            self.body = nn.Sequential(
                nn.Conv2d(n, n, (1, 3), 1, (0, reach), (1, reach), bias=False),
                nn.BatchNorm2d(n), nn.ReLU(), nn.Dropout2d(dropout), nn.Conv2d(n, n, 1),
            )  # fmt: skip

        def forward(self, x: torch.Tensor) -> torch.Tensor:
            return x + self.body(x)

    return conv2, Along


def build() -> Any:
    """The net: 2-D over the surface, then, all rows taken together, 1-D along the axis."""
    import torch
    from torch import nn

    conv2, along = blocks(0.1)

    class Finder(nn.Module):
        def __init__(self) -> None:
            super().__init__()
            self.around = nn.Sequential(
                conv2(4, 20, 5, 2, 1, 2), conv2(20, 32, 3, 2, 1), conv2(32, 40, 3, 1, 1),
                conv2(40, 40, 3, 1, 2), conv2(40, 40, 3, 1, 4), conv2(40, 40, 3, 1, 8),
            )  # fmt: skip
            self.mask = nn.Conv2d(40, 1, 1)
            self.bands = nn.Conv2d(40, 72, (MASK_ROWS, 1))
            reaches = (1, 2, 4, 8, 16, 32, 64, 1, 4, 16)
            self.along = nn.Sequential(*[along(72, r) for r in reaches])
            self.head = nn.Sequential(nn.ReLU(), nn.Conv2d(72, 4, 1))
            with torch.no_grad():
                self.head[1].bias.copy_(torch.tensor([-4.0, -1.0, -2.0, -1.0]))

        def forward(self, x: torch.Tensor, with_mask: bool = False) -> Any:
            # (N, 4, FINE_ROWS, W) -> (N, 4, W / 2): logits of fiducial line, of pocket, of
            # the root of the bubbles' share, of stopper; and (N, MASK_ROWS, W / 2): of air
            # behind this piece of the wall
            seen = self.around(x)
            out = self.head(self.along(self.bands(seen)))[:, :, 0]
            return (out, self.mask(seen)[:, 0]) if with_mask else out

    return Finder()


def normalise(x: Any, window: tuple[int, int] = WINDOW) -> Any:
    """Colours (N, 3, H, W), 0..255 BGR -> (N, 4, H, W) as ``finder_net.normalise`` does."""
    import torch
    import torch.nn.functional as f

    centred = x - x.mean((2, 3), keepdim=True)
    centred = centred / (centred.square().mean((1, 2, 3), keepdim=True).sqrt() + 4)
    weights = torch.tensor([0.114, 0.587, 0.299], device=x.device).view(1, 3, 1, 1)
    grey = (x * weights).sum(1, keepdim=True)
    pw, ph = window[0] // 2, window[1] // 2

    def blur(g: Any) -> Any:
        return f.avg_pool2d(f.pad(g, (pw, pw, ph, ph), mode="reflect"), window[::-1], 1)

    high = grey - blur(grey)
    return torch.cat([centred, high / (blur(high * high).clamp(min=0).sqrt() + 3)], 1)


class Deck:
    """All strips on the device, and random, distorted, repainted batches of them."""

    def __init__(self, files: list[Path], device: str, keep: Any) -> None:
        import cv2
        import torch

        strips, airs, rows, bubbles = [], [], [], []
        for file in files:
            data = np.load(file)
            ends, edges = np.cumsum(data["sizes"]), np.cumsum(data["widths"])
            coded, all_airs = data["coded"], data["airs"]
            for i, name in enumerate(data["names"]):
                if not keep(zlib.crc32(str(name).encode())):
                    continue
                piece = coded[ends[i] - data["sizes"][i] : ends[i]]
                strips.append(cv2.imdecode(piece, cv2.IMREAD_COLOR))
                airs.append(all_airs[:, edges[i] - data["widths"][i] : edges[i]])
                rows.append(data["rows"][i])
                bubbles.append(data["bubbles"][i])
        self.widths = np.array([s.shape[1] for s in strips])
        wide = int(self.widths.max())
        all_strips = np.zeros((len(strips), 3, FINE_ROWS, wide), np.uint8)
        profiles = np.zeros((len(strips), 2, wide), np.float32)
        for n, (strip, air) in enumerate(zip(strips, airs, strict=True)):
            all_strips[n, :, :, : strip.shape[1]] = strip.transpose(2, 0, 1)
            profiles[n, :, : air.shape[1]] = air
        self.device = device
        self.strips = torch.from_numpy(all_strips).to(device)
        self.airs = torch.from_numpy(profiles).to(device)
        self.rows = torch.from_numpy(np.array(rows)).to(device)
        self.bubbles = torch.from_numpy(np.array(bubbles)).to(device)
        self.ideal = (self.rows[:, 1] - self.rows[:, 0]).cpu().numpy() + 2.5 * FINE
        self.order = np.argsort(self.ideal)

    def batch(self, n: int, rng: np.random.Generator) -> dict[str, Any]:
        """Net inputs (n, 4, FINE_ROWS, W) and their targets, in columns of the answer."""
        import torch
        import torch.nn.functional as f

        dev = self.device
        at = int(rng.integers(len(self.order)))
        near = self.order[max(0, at - 2 * n) : at + 2 * n]
        pick = rng.choice(near, n, replace=len(near) < n)
        wide = int(np.clip(self.ideal[self.order[at]] * rng.uniform(0.85, 1.2), 192, 1280)) // 2 * 2
        scale = rng.uniform(0.9, 1.1, n)  # source columns per column
        left = 2 * FINE + FINE * rng.normal(0, 0.5, n)
        loose = rng.random(n) < 0.2
        left = np.where(loose, rng.uniform(0, np.maximum(self.widths[pick] - wide, 1)), left)
        left = np.clip(left, 0, np.maximum(self.widths[pick] - wide * scale, 0))

        def t(a: Any) -> Any:
            return torch.as_tensor(np.asarray(a), dtype=torch.float32, device=dev)

        tip, turn = t(rng.normal(0, 0.02, n)), t(rng.normal(0, 0.015, n))
        grow, off = t(rng.normal(0, 0.015, n)), t(rng.normal(0, 0.01, n))
        flip = t(np.where(rng.random(n) < 0.5, -1.0, 1.0))
        sc, lf = t(scale), t(left)
        index = torch.as_tensor(pick, device=dev)
        info = self.rows[index]
        phi = t(FINE_PHI)
        s = ((1 + grow)[:, None] * torch.sin(phi) + off[:, None]).clamp(-0.9994, 0.9994)
        azimuth = torch.asin(s) * flip[:, None]
        row = (azimuth / np.radians(88)).clamp(-1, 1)
        shift = FINE * (tip[:, None] * torch.cos(phi) + turn[:, None] * torch.sin(phi))
        column = lf[:, None, None] + sc[:, None, None] * torch.arange(wide, device=dev)
        column = column + shift[:, :, None]
        # the shoulder, before the zero line, drawn out or shortened
        zero = info[:, 0, None, None]
        stretch = t(np.where(rng.random(n) < 0.5, rng.uniform(0.6, 1.6, n), 1)).view(n, 1, 1)
        source = torch.where(column < zero, zero + (column - zero) * stretch, column)
        full = self.strips.shape[3]
        grid = torch.stack([source / (full - 1) * 2 - 1, row[:, :, None].expand(-1, -1, wide)], -1)
        x = f.grid_sample(self.strips[index].float(), grid, align_corners=True,
                          padding_mode="border")  # fmt: skip
        middle = (column.mean(1)[:, ::2] / (full - 1) * 2 - 1)[:, None]
        middle = torch.stack([middle, torch.zeros_like(middle)], -1)
        air = f.grid_sample(self.airs[index][:, :, None], middle, align_corners=True)[:, :, 0]
        lead = FINE * tip * np.cos(LIMB)
        places = (info[:, :3] - (lf + lead)[:, None]) / sc[:, None] / 2
        # which pieces of the wall have air behind them
        where = column[:, 1::4, ::2]
        around = azimuth[:, 1::4, None]
        mask = (where < info[:, 4, None, None]).float()
        for k in range(MOST_BUBBLES):
            b = self.bubbles[index, k, :, None, None]
            inside = ((where - b[:, 0]) / b[:, 1]) ** 2 + ((around - b[:, 2]) / b[:, 3]) ** 2 < 1
            mask = torch.maximum(mask, inside.float())  # unused ones are nan, and inside nothing
        x = normalise(repainted(x, rng), FINE_WINDOW)
        return {"x": x, "pocket": air[:, 0], "bubbles": air[:, 1], "mask": mask,
                "places": places, "stopper": info[:, 3] / sc / 2}  # fmt: skip


def repainted(x: Any, rng: np.random.Generator) -> Any:
    """Strips (N, 3, H, W), 0..255, with ink, light, tone, colour, blur and noise changed."""
    import torch
    import torch.nn.functional as f

    n, _, h, w = x.shape
    dev = x.device

    def t(a: Any) -> Any:
        return torch.as_tensor(np.asarray(a), dtype=torch.float32, device=dev)

    def some(p: float) -> Any:
        return t(rng.random(n) < p).view(n, 1, 1, 1)

    yy = torch.linspace(-1, 1, h, device=dev).view(1, 1, h, 1)
    xx = torch.linspace(-1, 1, w, device=dev).view(1, 1, 1, w)

    def u(lo: float, hi: float) -> Any:
        return t(rng.uniform(lo, hi, n)).view(n, 1, 1, 1)

    # ink-like lines and blobs, patches of nothing
    for _ in range(4):
        where = ((xx - u(-1, 1)).abs() * w / 2 < u(0.3, 2.0)) & (
            (yy - u(-1, 1)).abs() < u(0.1, 0.9))  # fmt: skip
        ink = t(rng.uniform(0, 110, (n, 3))).view(n, 3, 1, 1)
        x = torch.where(where & (some(0.35) > 0), x * 0.15 + ink * 0.85, x)
    for _ in range(2):
        where = ((xx - u(-1, 1)).abs() * w / 2 < u(2, 14)) & (
            (yy - u(-1, 1)).abs() < u(0.1, 0.5))  # fmt: skip
        fill = t(rng.uniform(0, 255, (n, 3))).view(n, 3, 1, 1)
        x = torch.where(where & (some(0.15) > 0), fill, x)
    # grains of light, as of rough plastic, of few rays traced, or where light falls through liquid:
    # those lie on a stretch of the barrel, or along a side of it
    many = torch.exp(u(math.log(0.002), math.log(0.2)))
    grains = (torch.rand(n, 1, h, w, device=dev) < many) * some(0.35)
    grains = grains * -torch.log(torch.rand(n, 1, h, w, device=dev).clamp(min=0.03))
    wide = f.avg_pool2d(grains, 3, 1, 1) * 3
    grains = torch.where(some(0.4) > 0, f.avg_pool2d(wide, (3, 5), 1, (1, 2)) * 3, wide)
    stretch = torch.sigmoid((u(0.1, 1.2) - (xx - u(-1, 1)).abs()) * 60)
    side = torch.sigmoid((u(0.2, 1.8) - (yy - u(-1, 1)).abs()) * 12)
    where = torch.where(some(0.6) > 0, stretch * side, torch.ones_like(stretch * side))
    x = x + grains * where * u(10, 120)
    x = torch.where(some(0.7) > 0, x.clamp(0, 255), x)  # white at most, before the blur
    # streaks of light along the barrel, and gradients
    streak = torch.exp(-(((yy - u(-1, 1)) / u(0.03, 0.15)) ** 2))
    reach = torch.sigmoid((u(0.3, 2.5) - (xx - u(-1, 1)).abs()) * 12)
    x = x + some(0.4) * u(20, 200) * streak * reach
    x = x * torch.exp(some(0.6) * (u(-0.4, 0.4) * xx + u(-0.25, 0.25) * yy
                                   + u(-0.2, 0.2) * torch.sin(3 * xx + u(0, 6))))  # fmt: skip
    # tone, saturation, hue
    x = 255 * (x / 255).clamp(1e-3, 1) ** torch.exp(some(0.7) * u(-0.6, 0.6))
    x = (x - 128) * torch.exp(u(-0.5, 0.3)) + 128 + u(-40, 40)
    grey = x.mean(1, keepdim=True)
    x = grey + (x - grey) * torch.where(some(0.2) > 0, u(0, 0.3), u(0.4, 1.8))
    mix = torch.eye(3, device=dev) + t(rng.normal(0, 0.08, (n, 3, 3)))
    for k in np.flatnonzero(rng.random(n) < 0.3):
        mix[k] = mix[k][torch.as_tensor(rng.permutation(3), device=dev)]
    x = torch.einsum("nij,njhw->nihw", mix, x)
    # blur along and across, then noise
    taps = torch.arange(-6, 7, device=dev).float()
    for axis in (2, 3):
        sigma = t(np.where(rng.random(n) < 0.4, rng.uniform(0.3, 2.2, n), 0.05))
        kernel = torch.exp(-0.5 * (taps / sigma[:, None]) ** 2)
        kernel = (kernel / kernel.sum(1, keepdim=True)).repeat_interleave(3, 0)
        shape = (3 * n, 1, 13, 1) if axis == 2 else (3 * n, 1, 1, 13)
        pad = (0, 0, 6, 6) if axis == 2 else (6, 6, 0, 0)
        y = f.pad(x.reshape(1, 3 * n, h, w), pad, mode="replicate")
        x = f.conv2d(y, kernel.reshape(shape), groups=3 * n).reshape(n, 3, h, w)
    x = x + torch.randn_like(x) * u(0, 7)
    return x.clamp(0, 255)


def losses(net: Any, batch: dict[str, Any]) -> tuple[Any, ...]:
    """Fiducial cross-entropy, pocket, bubbles, air volume, mask and stopper losses of a batch."""
    import torch
    import torch.nn.functional as f

    out, mask = net(batch["x"], True)
    out, mask = out.float(), mask.float()
    places, stopper = batch["places"], batch["stopper"]
    n, _, w = out.shape
    j = torch.arange(w, device=out.device).float()[None]
    zero, line = places[:, :1], places[:, 2:3]
    there = torch.isfinite(line) & (line > -0.5) & (line < w - 0.5)
    line_ = torch.nan_to_num(line, nan=1e6)
    target = torch.exp(-0.5 * (j - line_) ** 2) * there
    target = target / target.sum(1, keepdim=True).clamp(min=1e-9)
    target = torch.cat([target, 1.0 - there.float()], 1)
    logits = torch.cat([out[:, 0], torch.zeros(n, 1, device=out.device)], 1)
    fid = -(target * f.log_softmax(logits, 1)).sum(1).mean()
    inside = ((j >= zero) & (j < line_)).float()
    count = inside.sum().clamp(min=1)

    def entropy(logit: Any, share: Any, weight: Any) -> Any:
        every = f.binary_cross_entropy_with_logits(logit, share, weight=weight, reduction="sum")
        return every / count

    # a short barrel's columns count for more: each photograph is one decision
    span = (places[:, 1:2] - zero).clamp(min=1)
    fair = inside * (8 * PER_RADIUS / (line_ - zero).clamp(min=PER_RADIUS)).clamp(0.5, 2)
    pocket, bubbles = batch["pocket"], batch["bubbles"]
    near = 1 + 2 * (pocket > 0.02) * (pocket < 0.98)
    in_pocket = entropy(out[:, 1], pocket, fair * near)
    # the root of the share: bubbles take up little of a section, and have to be seen all the same
    liquid = fair * (pocket < 0.5)
    in_bubbles = entropy(out[:, 2], bubbles.clamp(0, 1).sqrt(), liquid * (1 + 8 * (bubbles > 0.01)))
    p, b = torch.sigmoid(out[:, 1]), torch.sigmoid(out[:, 2]) ** 2
    extra = ((p + (1 - p) * b - torch.maximum(pocket, bubbles)) * inside).sum(1, keepdim=True)
    volume = (extra.abs() / span).mean()
    weight = inside[:, None] * (1 + 3 * batch["mask"] * (pocket < 0.5)[:, None])
    pieces = entropy(mask, batch["mask"], weight) / mask.shape[1]
    known = torch.isfinite(stopper)[:, None] & torch.isfinite(line)
    body = ((j >= line_) & (j < line_ + torch.nan_to_num(stopper, nan=0.0)[:, None])).float()
    occupied = (
        f.binary_cross_entropy_with_logits(out[:, 3], body, reduction="none") * known
    ).mean()
    return fid, in_pocket, in_bubbles, volume, pieces, occupied


#: How much each of the losses counts.
LOSS_WEIGHTS = (1.0, 1.0, 1.0, 4.0, 1.0, 0.5)


def train(args: argparse.Namespace) -> None:
    """Train for a given time; one-cycle rate; keeps an average of the weights."""
    import torch

    torch.manual_seed(args.random_seed)
    torch.set_num_threads(args.threads)
    rng = np.random.default_rng(args.random_seed)
    deck = Deck(args.strips, args.device, lambda k: args.all or k % 9 != 3)
    held = Deck(args.strips, args.device, lambda k: k % 9 == 3)
    net = build().to(args.device)
    if args.start:
        net.load_state_dict(torch.load(args.start, map_location=args.device))
    mean = torch.optim.swa_utils.AveragedModel(
        net, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(args.average), use_buffers=True
    )
    print(sum(p.numel() for p in net.parameters()), "parameters", len(deck.widths), "strips")
    opt = torch.optim.AdamW(net.parameters(), lr=args.lr, weight_decay=0.02)
    half = args.device != "cpu"
    began, step, total, last = time.time(), 0, np.zeros(len(LOSS_WEIGHTS)), time.time()
    while (done := (time.time() - began) / (60 * args.minutes)) < 1:
        rate = args.lr * min(1, done / 0.06 + 0.02) * (0.5 + 0.5 * np.cos(np.pi * done))
        for g in opt.param_groups:
            g["lr"] = rate
        with torch.no_grad():
            batch = deck.batch(args.batch, rng)
        with torch.autocast(args.device, torch.bfloat16, enabled=half):
            parts = losses(net, batch)
        loss = sum(w * p for w, p in zip(args.weights, parts, strict=True))
        opt.zero_grad()
        loss.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 5.0)
        opt.step()
        mean.update_parameters(net)
        step += 1
        total = 0.98 * total + 0.02 * np.array([float(p.detach()) for p in parts])
        if time.time() - last > args.every:
            last = time.time()
            print(f"{last - began:.0f} s {step} steps", np.round(total, 4),
                  held_out(mean.module, held), flush=True)  # fmt: skip
            torch.save(mean.module.state_dict(), args.state)
    torch.save(mean.module.state_dict(), args.state)
    print(step, "steps; held out:", held_out(mean.module, held))


def held_out(net: Any, deck: Deck) -> str:
    """How often the best column is near the truth, and air is told from none."""
    import torch

    net.eval()
    wrong, found, false = [], [], []
    with torch.no_grad():
        for i in range(len(deck.widths)):
            zero, last, line = (float(v) for v in deck.rows[i, :3])
            if not np.isfinite(line):
                continue
            a = round(zero - FINE)
            b = min(round(last + 1.5 * FINE), int(deck.widths[i]))
            out = net(normalise(deck.strips[i : i + 1, :, :, a:b].float(), FINE_WINDOW))[0]
            wrong.append(abs(2 * float(out[0].argmax()) + a - line) / FINE)
            inside = slice(round((zero - a) / 2), max(round((line - a) / 2), 1))
            p, bubble = torch.sigmoid(out[1, inside]), torch.sigmoid(out[2, inside]) ** 2
            bubble = torch.where(bubble > 0.01, bubble, 0.0)
            air = float(torch.where(p > 0.5, 1.0, bubble).sum()) * 2 / (last - zero)
            true = float(deck.airs[i, :, round(zero) : round(line)].sum() / (last - zero))
            if true > 0.02:
                found.append(air > 0.01)
            elif true == 0:
                false.append(air > 0.01)
    w = np.array(wrong)
    return (f"<0.06 R {np.mean(w < 0.06):.3f}, <0.12 R {np.mean(w < 0.12):.3f}, air found "
            f"{sum(found)} of {len(found)}, false {sum(false)} of {len(false)}")  # fmt: skip


def fold(net: Any) -> None:
    """Fold the normalisations of a trained net into its convolutions."""
    import torch
    from torch.nn.utils.fusion import fuse_conv_bn_eval

    net.eval()
    for block in [*net.around, *[a.body for a in net.along]]:
        block[0] = fuse_conv_bn_eval(block[0], block[1])
        block[1] = torch.nn.Identity()


def export(states: list[Path], onnx: Path, shares: list[float] | None) -> None:
    """One ONNX file of the mean of several trained nets, with what only training needs left out.

    *shares*: how much each counts in what is told of air; all the same if not given.
    """
    import torch
    from half_floats import store_half

    class Mean(torch.nn.Module):
        def __init__(self, nets: list[Any]) -> None:
            super().__init__()
            self.nets = torch.nn.ModuleList(nets)

        def forward(self, x: torch.Tensor) -> torch.Tensor:
            # (1, 3, W / 2): logits of fiducial line and pocket, bubbles' share of the section
            weights = shares or [1.0] * len(self.nets)
            line, air = [], []
            for net, weight in zip(self.nets, weights, strict=True):
                out = net(x)
                root = torch.sigmoid(out[:, 2:])
                line.append(out[:, :1] / len(self.nets))
                air.append(torch.cat([out[:, 1:2], root * root], 1) * (weight / sum(weights)))
            return torch.cat([sum(line[1:], line[0]), sum(air[1:], air[0])], 1)

    nets = []
    for state in states:
        net = build()
        net.load_state_dict(torch.load(state, map_location="cpu"))
        fold(net)
        head = net.head[1]
        short = torch.nn.Conv2d(72, 3, 1)
        with torch.no_grad():
            short.weight.copy_(head.weight[:3])
            short.bias.copy_(head.bias[:3])
        net.head[1] = short
        nets.append(net)
    torch.onnx.export(
        Mean(nets).eval(), (torch.zeros(1, 4, FINE_ROWS, 256),), str(onnx),
        input_names=["strip"], output_names=["columns"],
        dynamic_axes={"strip": {3: "w"}, "columns": {2: "v"}},
        opset_version=17, dynamo=False,
    )  # fmt: skip
    store_half(onnx)
    print(onnx, onnx.stat().st_size, "bytes")


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    sub = parser.add_subparsers(dest="step", required=True)
    p = sub.add_parser("strips")
    p.add_argument("folders", type=Path, nargs="+")
    p.add_argument("--out", type=Path, required=True)
    p.add_argument("--copies", type=int, default=3)
    p.add_argument("--any-kind", action="store_true")
    p.add_argument("--random-seed", type=int, default=1)
    p.add_argument("--quality", type=int, default=95, help="of the strips, kept as JPEG")
    p.add_argument("--jobs", type=int, default=1)
    p = sub.add_parser("train")
    p.add_argument("strips", type=Path, nargs="+")
    p.add_argument("--state", type=Path, required=True)
    p.add_argument("--device", default="cpu")
    p.add_argument("--minutes", type=float, default=3.3)
    p.add_argument("--batch", type=int, default=64)
    p.add_argument("--lr", type=float, default=3e-3)
    p.add_argument("--average", type=float, default=0.998, help="memory of the mean weights")
    p.add_argument("--weights", type=float, nargs=6, default=LOSS_WEIGHTS, help="of the losses")
    p.add_argument("--start", type=Path, help="weights to go on from")
    p.add_argument("--threads", type=int, default=2)
    p.add_argument("--every", type=float, default=20)
    p.add_argument("--all", action="store_true", help="hold nothing out")
    p.add_argument("--random-seed", type=int, default=1)
    p = sub.add_parser("export")
    p.add_argument("states", type=Path, nargs="+", help="weights of one net, or of several")
    p.add_argument("onnx", type=Path)
    p.add_argument("--air", type=float, nargs="+", help="how much each net counts for air")
    args = parser.parse_args()
    if args.step == "strips":
        make_strips(args)
    elif args.step == "train":
        train(args)
    else:
        export(args.states, args.onnx, args.air)


if __name__ == "__main__":
    main()
