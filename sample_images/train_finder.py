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
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from drawmark.vision.cylinder import Cylinder

ROWS = 48
PHI = np.linspace(-np.radians(88), np.radians(88), ROWS)
PER_RADIUS = 24
WINDOW = (25, 13)
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
    start = np.array(points["zero_axis"])
    end = np.array(points["grad_max_axis"])
    length = float(np.hypot(*(end - start)))
    radius = truth["outer_diameter_mm"] / 2
    per_mm = 1 / radius
    if length < 20:
        return None
    angle = float(np.arctan2(*(end - start)[::-1]))
    axis_mm = np.array([0.0, scale_mm(truth), truth["fiducial_x_mm"]])
    axis_px = np.array([start, end, points["fiducial_axis"]])
    facing = [t for t in truth["ticks"] if t["facing"]]
    tick_mm = np.array([t["x_mm"] for t in facing])
    tick_px = np.array([t["mid"] for t in facing]).reshape(-1, 2)
    radius_px = radius * truth["px_per_mm"]

    def made(p: np.ndarray) -> Cylinder:
        return Cylinder(
            Camera(focal, *centre, cam["k1"]), tuple((start + end) / 2), angle + p[0],
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


def air_profile(truth: dict[str, Any], x_mm: np.ndarray) -> np.ndarray:
    """Fraction of the bore's cross-section that is air at each *x_mm* (W,)."""
    bore = truth["inner_diameter_mm"] / 2
    area = np.pi * bore**2
    if truth["content"] == "empty":
        return np.ones_like(x_mm)
    out = np.zeros_like(x_mm)
    if truth["air_volume_ml"] <= 0:
        return out
    rest = truth["air_volume_ml"] * 1000
    for b in truth["air_items"]:
        if b["kind"] == "bubble":
            a, along, across = b["semi_axes_mm"]
            u = (x_mm - b["x_mm"]) / along
            out += a * across / bore**2 * np.clip(1 - u * u, 0, None)
            rest -= b["volume_ml"] * 1000
    if any(b["kind"] == "plug" for b in truth["air_items"]):
        # the step that holds the same air as the rounded surface
        out += 1 / (1 + np.exp(np.clip((x_mm - rest / area) / (0.04 * bore), -30, 30)))
    return np.clip(out, 0, 1)


def make_strips(
    folders: list[Path], out: Path, copies: int, any_kind: bool, random_seed: int
) -> None:
    """Unwrap every photograph in *folders* that has truth, *copies* times, into *out*."""
    import cv2

    from drawmark.vision.finder_net import finder_strip

    rng = np.random.default_rng(random_seed)
    strips: list[np.ndarray] = []
    airs: list[np.ndarray] = []
    rows: list[list[float]] = []
    names: list[str] = []
    for path in (p for folder in folders for p in sorted(folder.glob("*.json"))):
        truth = json.loads(path.read_text())
        reason = truth.get("refuse_reason")
        if not truth.get("readable") and (not any_kind or reason != "cropped_plunger"):
            continue
        bgr = cv2.imread(str(path.with_suffix(".jpg")))
        fit = truth_cylinder(truth)
        if bgr is None or fit is None or fit[3] > 1:
            print(path.stem, "left out", None if fit is None else f"{fit[3]:.2f} px", flush=True)
            continue
        true, zero, per_mm, _ = fit
        last = zero + per_mm * scale_mm(truth)
        fiducial = zero + per_mm * truth["fiducial_x_mm"]
        for k in range(copies):
            c = true
            if k:
                turn, tip, grow, off = rng.normal(0, [0.004, np.radians(0.7), 0.012, 0.008])
                c = true.moved(
                    angle=true.angle + turn, tilt=true.tilt + tip,
                    radius_px=true.radius_px * (1 + grow),
                    offset=true.offset + off * true.radius_px,
                )  # fmt: skip

            def carried(x: float, c: Cylinder = c, true: Cylinder = true) -> float:
                seen = true.project(np.array([x, x]), np.array([-LIMB, LIMB]))
                return float(np.nanmean(c.surface(seen)[0]))

            x0, x1, xf = carried(zero), carried(last), carried(fiducial)
            if not np.isfinite([x0, x1, xf]).all():
                continue
            strip = finder_strip(bgr, c, x0 - BEFORE, x1 + PAST)
            place = x0 - BEFORE + np.arange(strip.shape[1]) / PER_RADIUS
            x_mm = (place - x0) / (x1 - x0) * scale_mm(truth)
            strips.append(strip)
            airs.append(air_profile(truth, x_mm).astype(np.float16))
            there = truth["fiducial_in_frame"]
            rows.append([
                BEFORE * PER_RADIUS, (x1 - x0 + BEFORE) * PER_RADIUS,
                (xf - x0 + BEFORE) * PER_RADIUS if there else np.nan,
                truth.get("stopper_length_mm", np.nan) * per_mm * PER_RADIUS, len(names),
                truth["true_volume_ml"], truth["air_volume_ml"], truth["graduated_max_ml"],
                truth["nominal_ml"],
            ])  # fmt: skip
        names.append(path.stem)
    np.savez_compressed(
        out,
        strips=np.concatenate(strips, 1),
        airs=np.concatenate(airs),
        widths=np.array([s.shape[1] for s in strips]),
        rows=np.array(rows, np.float32),
        names=np.array(names),
    )
    print(len(names), "photographs,", len(strips), "strips")


# --- train -----------------------------------------------------------------------------


def blocks(dropout: float) -> tuple[Any, Any]:
    """What the nets are built of: a 2-D convolution with what follows it, and a residual block
    along the axis, as makers that take their sizes."""
    import torch
    from torch import nn

    def conv2(i: int, o: int, k: int, down: int, reach: int) -> nn.Sequential:
        pad = (k // 2, (k // 2) * reach)
        return nn.Sequential(
            nn.Conv2d(i, o, k, (down, 1), pad, (1, reach), bias=False),
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
    """The net: 2-D over the surface, rows kept apart in six bands, then 1-D along the axis."""
    import torch
    from torch import nn

    conv2, along = blocks(0.1)

    class Finder(nn.Module):
        def __init__(self) -> None:
            super().__init__()
            self.around = nn.Sequential(
                conv2(4, 16, 5, 2, 1), conv2(16, 24, 3, 2, 1), conv2(24, 32, 3, 1, 2),
                conv2(32, 32, 3, 1, 4),
            )  # fmt: skip
            self.bands = nn.Conv2d(32, 64, (12, 1))
            reaches = (1, 2, 4, 8, 16, 32, 1, 4, 16)
            self.along = nn.Sequential(*[along(64, r) for r in reaches])
            self.head = nn.Sequential(nn.ReLU(), nn.Conv2d(64, 3, 1))
            with torch.no_grad():
                self.head[1].bias.copy_(torch.tensor([-4.0, -1.0, -1.0]))

        def forward(self, x: torch.Tensor) -> torch.Tensor:
            # (N, 4, ROWS, W) -> (N, 3, W): fiducial logit, air logit, stopper logit
            return self.head(self.along(self.bands(self.around(x))))[:, :, 0]

    return Finder()


def normalise(x: Any) -> Any:
    """Colours (N, 3, H, W), 0..255 BGR -> (N, 4, H, W) as ``finder_net.normalise`` does."""
    import torch
    import torch.nn.functional as f

    centred = x - x.mean((2, 3), keepdim=True)
    centred = centred / (centred.square().mean((1, 2, 3), keepdim=True).sqrt() + 4)
    weights = torch.tensor([0.114, 0.587, 0.299], device=x.device).view(1, 3, 1, 1)
    grey = (x * weights).sum(1, keepdim=True)
    pw, ph = WINDOW[0] // 2, WINDOW[1] // 2

    def blur(g: Any) -> Any:
        return f.avg_pool2d(f.pad(g, (pw, pw, ph, ph), mode="reflect"), WINDOW[::-1], 1)

    high = grey - blur(grey)
    return torch.cat([centred, high / (blur(high * high).clamp(min=0).sqrt() + 3)], 1)


class Deck:
    """All strips on the device, and random, distorted, repainted batches of them."""

    def __init__(self, file: Path, device: str, keep: Any) -> None:
        import torch

        data = np.load(file)
        widths, rows = data["widths"], data["rows"]
        all_strips, all_airs = data["strips"], data["airs"]
        edges = np.r_[0, np.cumsum(widths)]
        chosen = [i for i in range(len(widths)) if keep(int(rows[i, 4]))]
        wide = int(widths.max())
        strips = np.zeros((len(chosen), 3, ROWS, wide), np.uint8)
        airs = np.zeros((len(chosen), wide), np.float32)
        for n, i in enumerate(chosen):
            part = slice(edges[i], edges[i + 1])
            strips[n, :, :, : widths[i]] = all_strips[:, part].transpose(2, 0, 1)
            airs[n, : widths[i]] = all_airs[part]
        self.device = device
        self.strips = torch.from_numpy(strips).to(device)
        self.airs = torch.from_numpy(airs).to(device)
        self.rows = torch.from_numpy(rows[chosen]).to(device)
        self.widths = widths[chosen]
        ideal = rows[chosen, 1] - rows[chosen, 0] + 2.5 * PER_RADIUS
        self.ideal = ideal
        self.order = np.argsort(ideal)

    def batch(self, n: int, rng: np.random.Generator) -> tuple[Any, ...]:
        """Normalised strips (n, 4, ROWS, W) and their targets."""
        import torch
        import torch.nn.functional as f

        dev = self.device
        at = int(rng.integers(len(self.order)))
        near = self.order[max(0, at - 2 * n) : at + 2 * n]
        pick = rng.choice(near, n, replace=len(near) < n)
        wide = int(np.clip(self.ideal[self.order[at]] * rng.uniform(0.85, 1.2), 96, 640))
        scale = rng.uniform(0.9, 1.1, n)  # source columns per column
        left = 2 * PER_RADIUS + PER_RADIUS * rng.normal(0, 0.5, n)
        loose = rng.random(n) < 0.25
        left = np.where(loose, rng.uniform(0, np.maximum(self.widths[pick] - wide, 1)), left)
        left = np.clip(left, 0, np.maximum(self.widths[pick] - wide * scale, 0))

        def t(a: Any) -> Any:
            return torch.as_tensor(np.asarray(a), dtype=torch.float32, device=dev)

        tip, turn = t(rng.normal(0, 0.02, n)), t(rng.normal(0, 0.015, n))
        grow, off = t(rng.normal(0, 0.015, n)), t(rng.normal(0, 0.01, n))
        flip = t(np.where(rng.random(n) < 0.5, -1.0, 1.0))
        sc, lf = t(scale), t(left)
        phi = t(PHI)
        s = ((1 + grow)[:, None] * torch.sin(phi) + off[:, None]).clamp(-0.9994, 0.9994)
        row = (torch.asin(s) * flip[:, None] / np.radians(88)).clamp(-1, 1)
        shift = PER_RADIUS * (tip[:, None] * torch.cos(phi) + turn[:, None] * torch.sin(phi))
        column = lf[:, None, None] + sc[:, None, None] * torch.arange(wide, device=dev)
        column = column + shift[:, :, None]
        full = self.strips.shape[3]
        grid = torch.stack([column / (full - 1) * 2 - 1, row[:, :, None].expand(-1, -1, wide)], -1)
        index = torch.as_tensor(pick, device=dev)
        x = f.grid_sample(self.strips[index].float(), grid, align_corners=True,
                          padding_mode="border")  # fmt: skip
        middle = (column.mean(1) / (full - 1) * 2 - 1)[:, None]
        middle = torch.stack([middle, torch.zeros_like(middle)], -1)
        air = f.grid_sample(self.airs[index][:, None, None], middle, align_corners=True)[:, 0, 0]
        info = self.rows[index]
        lead = PER_RADIUS * tip * np.cos(LIMB)
        places = (info[:, :3] - (lf + lead)[:, None]) / sc[:, None]
        return normalise(repainted(x, rng)), air, places, info[:, 3] / sc


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


def losses(out: Any, air: Any, places: Any, stopper: Any) -> tuple[Any, Any, Any, Any]:
    """Fiducial cross-entropy, air, air volume and stopper losses of a batch."""
    import torch
    import torch.nn.functional as f

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
    # the root of the share: bubbles take up little of a section, and have to be seen all the same
    root = air.clamp(0, 1).sqrt()
    weight = inside * (1 + 4 * ((air > 0) & (air < 0.98)))
    bce = f.binary_cross_entropy_with_logits(out[:, 1], root, weight=weight, reduction="sum")
    bce = bce / count
    extra = ((torch.sigmoid(out[:, 1]) ** 2 - air) * inside).sum(1)
    span = (places[:, 1] - places[:, 0]).clamp(min=1)
    volume = (extra.abs() / span).mean()
    known = torch.isfinite(stopper)[:, None] & torch.isfinite(line)
    body = ((j >= line_) & (j < line_ + torch.nan_to_num(stopper, nan=0.0)[:, None])).float()
    occupied = (
        f.binary_cross_entropy_with_logits(out[:, 2], body, reduction="none") * known
    ).mean()
    return fid, bce, volume, occupied


def train(args: argparse.Namespace) -> None:
    """Train for a given time; one-cycle rate; keeps an average of the weights."""
    import torch

    torch.manual_seed(args.random_seed)
    torch.set_num_threads(args.threads)
    rng = np.random.default_rng(args.random_seed)
    deck = Deck(args.strips, args.device, lambda k: args.all or k % 7 != 3)
    held = Deck(args.strips, args.device, lambda k: k % 7 == 3)
    net = build().to(args.device)
    if args.start:
        net.load_state_dict(torch.load(args.start, map_location=args.device))
    mean = torch.optim.swa_utils.AveragedModel(
        net, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(args.average), use_buffers=True
    )
    print(sum(p.numel() for p in net.parameters()), "parameters", len(deck.widths), "strips")
    opt = torch.optim.AdamW(net.parameters(), lr=args.lr, weight_decay=0.02)
    began, step, total, last = time.time(), 0, np.zeros(4), time.time()
    while (done := (time.time() - began) / (60 * args.minutes)) < 1:
        rate = args.lr * min(1, done / 0.06 + 0.02) * (0.5 + 0.5 * np.cos(np.pi * done))
        for g in opt.param_groups:
            g["lr"] = rate
        x, air, places, stopper = deck.batch(args.batch, rng)
        parts = losses(net(x), air, places, stopper)
        loss = parts[0] + parts[1] + 4 * parts[2] + 0.5 * parts[3]
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
    """Shares of strips whose best column is within 0.06 R and 0.12 R of the truth."""
    import torch

    net.eval()
    wrong = []
    with torch.no_grad():
        for i in range(len(deck.widths)):
            zero, last, line = (float(v) for v in deck.rows[i, :3])
            if not np.isfinite(line):
                continue
            a = round(zero - PER_RADIUS)
            b = min(round(last + 1.5 * PER_RADIUS), int(deck.widths[i]))
            out = net(normalise(deck.strips[i : i + 1, :, :, a:b].float()))[0]
            wrong.append(abs(float(out[0].argmax()) + a - line) / PER_RADIUS)
    w = np.array(wrong)
    return f"<0.06 R {np.mean(w < 0.06):.3f}, <0.12 R {np.mean(w < 0.12):.3f}"


def fold(net: Any) -> None:
    """Fold the normalisations of a trained net into its convolutions."""
    import torch
    from torch.nn.utils.fusion import fuse_conv_bn_eval

    net.eval()
    for block in [*net.around, *[a.body for a in net.along]]:
        block[0] = fuse_conv_bn_eval(block[0], block[1])
        block[1] = torch.nn.Identity()


def export(state: Path, onnx: Path) -> None:
    """Fold the normalisations into the convolutions, drop the helper output, write ONNX."""
    import torch

    net = build()
    net.load_state_dict(torch.load(state, map_location="cpu"))
    fold(net)
    head = net.head[1]
    short = torch.nn.Conv2d(64, 2, 1)
    with torch.no_grad():
        short.weight.copy_(head.weight[:2])
        short.bias.copy_(head.bias[:2])
    net.head[1] = short
    torch.onnx.export(
        net, (torch.zeros(1, 4, ROWS, 256),), str(onnx), input_names=["strip"],
        output_names=["columns"], dynamic_axes={"strip": {3: "w"}, "columns": {2: "w"}},
        opset_version=17, dynamo=False,
    )  # fmt: skip
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
    p = sub.add_parser("train")
    p.add_argument("strips", type=Path)
    p.add_argument("--state", type=Path, required=True)
    p.add_argument("--device", default="cpu")
    p.add_argument("--minutes", type=float, default=3.3)
    p.add_argument("--batch", type=int, default=64)
    p.add_argument("--lr", type=float, default=3e-3)
    p.add_argument("--average", type=float, default=0.998, help="memory of the mean weights")
    p.add_argument("--start", type=Path, help="weights to go on from")
    p.add_argument("--threads", type=int, default=2)
    p.add_argument("--every", type=float, default=20)
    p.add_argument("--all", action="store_true", help="hold nothing out")
    p.add_argument("--random-seed", type=int, default=1)
    p = sub.add_parser("export")
    p.add_argument("state", type=Path)
    p.add_argument("onnx", type=Path)
    args = parser.parse_args()
    if args.step == "strips":
        make_strips(args.folders, args.out, args.copies, args.any_kind, args.random_seed)
    elif args.step == "train":
        train(args)
    else:
        export(args.state, args.onnx)


if __name__ == "__main__":
    main()
