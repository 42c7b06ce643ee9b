"""Train vision/lines.onnx, which paints graduation lines on a strip along the barrel.

    python sample_images/train_lines.py strips RENDERS... --out lines.npz --jobs 8
    python sample_images/train_lines.py train lines.npz --state lines.pt --device cuda --half
    python sample_images/train_lines.py export lines.pt vision/lines.onnx

RENDERS are folders of random scenes with truth (`render.py --numbers`).  ``strips`` cuts each along
its axis, as `graduations.look_at` does, and paints the lines that truth says are there, worn off or
hidden or not; ``train`` and ``export`` need the extra ``train`` (torch, onnx).  Method and figures
are in docs/lines.md.
"""

from __future__ import annotations

import argparse
import json
import math
import re
import time
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from half_floats import store_half
from renderer import printing
from renderer.scene import random_scene
from renderer.truth import facing_deg
from train_finder import scale_mm, truth_cylinder

from drawmark.vision.lines_net import (
    COLUMNS_PER_RADIUS,
    ROWS,
    ROWS_PER_RADIUS,
    TAUGHT_WEIGHT,
    WINDOWS,
)
from drawmark.vision.strip import cut_strip

KEPT = round(2 * 1.75 * ROWS_PER_RADIUS)  # rows of a strip: room for one that is displaced
PAST = 5.0  # outer radii beyond the scale's ends
MOST_AZIMUTH = np.radians(87)
LEAST_SPAN = 0.01  # radians: less of a line is not seen
WIDTH = 640  # columns of a training picture
HELD_OUT = 16  # each so-many-th photograph
FINE = 4  # binary digits of a pixel when lines are drawn


def strip_of(path: Path) -> tuple[np.ndarray, np.ndarray, int] | None:
    """Strip and lines of the photograph with truth *path*, as PNG, and their width; or None."""
    cv2.setNumThreads(1)
    truth = json.loads(path.read_text())
    fit = truth_cylinder(truth) if truth["readable"] and truth["syringe_count"] == 1 else None
    gray = cv2.imread(str(path.with_suffix(".jpg")), cv2.IMREAD_GRAYSCALE)
    if fit is None or fit[3] > 1 or gray is None:
        return None
    cylinder, zero, per_mm, _ = fit
    long_side = max(truth["width"], truth["height"])
    scene = random_scene(int(re.sub(r"\D", "", path.stem)), long_side=long_side)
    placed = scene.placed[0]
    facing = facing_deg(placed, scene.camera, 0)
    # the axis that a first look supposes: amid the outlines, without tilt
    length = per_mm * scale_mm(truth)
    ends = cylinder.project(np.array([zero, zero + length]), 0.0, 0.0)
    along = ends[1] - ends[0]
    length_px = float(np.hypot(*along))
    along /= length_px
    normal = np.array([-along[1], along[0]])
    limbs = np.array([-1, 1]) * cylinder.limb()
    beside = cylinder.project(np.full(2, zero + length / 2), limbs) - ends.mean(0)
    low, high = sorted((beside @ normal).tolist())
    radius = (high - low) / 2
    cut = cut_strip(
        gray,
        ends.mean(0) + normal * (low + high) / 2,
        float(np.arctan2(along[1], along[0])),
        length_px / 2 + PAST * radius,
        KEPT / ROWS_PER_RADIUS / 2 * radius,
    )
    tall, wide = cut.gray.shape
    columns = int(wide / radius * COLUMNS_PER_RADIUS)
    small = cv2.resize(cut.gray, (columns, KEPT), interpolation=cv2.INTER_AREA)
    ink = np.zeros((2 * KEPT, columns), np.uint8)
    for tick in printing.ticks(placed.syringe, placed.scale):
        for arc in tick.arcs_deg:
            # the photograph's azimuths run against the print's
            phi = -np.radians((np.array(arc) - facing + 180) % 360 - 180)
            if abs(phi[1] - phi[0]) > np.pi:
                continue  # on the far side
            phi = np.clip(np.sort(phi), -MOST_AZIMUTH, MOST_AZIMUTH)
            if phi[1] - phi[0] < LEAST_SPAN:
                continue
            x = np.full(12, zero + per_mm * tick.x_mm)
            column, row = cut.columns_rows(cylinder.project(x, np.linspace(*phi, len(x))))
            points = np.stack(
                [
                    (column + 0.5) * columns / wide - 0.5,
                    (row + 0.5) * 2 * KEPT / tall - 0.5,
                ],
                -1,
            )
            fine = np.round(points * 2**FINE).astype(np.int32)
            cv2.polylines(ink, [fine], False, 255, 2, cv2.LINE_AA, FINE)
    ink = cv2.resize(ink, (columns, KEPT), interpolation=cv2.INTER_AREA)
    thick = round(truth["scale_print"]["line_mm"] * per_mm * COLUMNS_PER_RADIUS)
    if thick > 2:
        ink = cv2.dilate(ink, np.ones((1, thick | 1), np.uint8))
    pictures = (np.clip(np.round(small), 0, 255).astype(np.uint8), ink)
    gray_png, ink_png = (cv2.imencode(".png", p)[1].ravel() for p in pictures)
    return gray_png, ink_png, columns


def make_strips(args: argparse.Namespace) -> None:
    """Cut every photograph in the folders that has truth into one file."""
    import multiprocessing

    paths = sorted(p for folder in args.folders for p in folder.glob("*.json"))
    with multiprocessing.get_context("spawn").Pool(args.jobs) as pool:
        made = [m for m in pool.map(strip_of, paths, chunksize=4) if m is not None]
    np.savez(
        args.out,
        gray=np.concatenate([m[0] for m in made]),
        ink=np.concatenate([m[1] for m in made]),
        gs=np.array([len(m[0]) for m in made]),
        ks=np.array([len(m[1]) for m in made]),
        widths=np.array([m[2] for m in made]),
    )
    print(len(paths), "photographs,", len(made), "strips")


def build(width: int = 32) -> Any:
    """The net: (N, 2, ROWS, W) -> (N, 1, ROWS / 2, W), logit of a line; *width*: channels."""
    from torch import nn

    def conv(i: int, o: int, k: tuple[int, int], step: Any = 1, groups: int = 1, d: Any = (1, 1)):
        pad = (k[0] // 2 * d[0], k[1] // 2 * d[1])
        return [
            nn.Conv2d(i, o, k, step, pad, d, groups, bias=False),
            nn.BatchNorm2d(o), nn.ReLU(inplace=True),
        ]  # fmt: skip

    class Block(nn.Module):
        def __init__(self, n: int, reach: tuple[int, int]) -> None:
            super().__init__()
            self.body = nn.Sequential(*conv(n, n, (3, 5), 1, n, reach)[:2], *conv(n, n, (1, 1))[:2])

        def forward(self, x: Any) -> Any:
            return nn.functional.relu(x + self.body(x))

    reaches = ((1, 1), (1, 2), (2, 4), (1, 8), (2, 16), (4, 1), (1, 4), (2, 12), (1, 1))
    return nn.Sequential(
        *conv(2, 16, (3, 5)), *conv(16, width, (3, 3), (2, 1)),
        *(Block(width, r) for r in reaches),
        nn.Conv2d(width, 1, (1, 3), 1, (0, 1)),
    )  # fmt: skip


def normalised(x: Any) -> Any:
    """Grey strips (N, 1, ROWS, W) -> (N, 2, ROWS, W), as ``lines_net.normalise`` does."""
    import torch
    from torch.nn import functional as F

    channels = []
    for columns, rows in WINDOWS:
        h, v = columns // 2, rows // 2

        def mean(t: Any, h: int = h, v: int = v, size: Any = (rows, columns)) -> Any:
            return F.avg_pool2d(F.pad(t, (h, h, v, v), mode="reflect"), size, 1)

        high = x - mean(x)
        channels.append(high / (mean(high * high).clamp_min(0).sqrt() + 2))
    return torch.cat(channels, 1)


class Deck:
    """All strips on the device, and random, displaced, spoilt batches of them."""

    def __init__(self, path: Path, device: str, keep: Any) -> None:
        import torch

        data = np.load(path)
        self.device = device
        chosen = [i for i in range(len(data["widths"])) if keep(i)]
        self.widths = data["widths"][chosen]
        shape = (len(chosen), 2, KEPT, int(self.widths.max()))
        strips = torch.zeros(shape, dtype=torch.uint8)
        for channel, (what, sizes) in enumerate((("gray", "gs"), ("ink", "ks"))):
            ends, coded = np.cumsum(data[sizes]), data[what]
            for n, i in enumerate(chosen):
                piece = coded[ends[i] - data[sizes][i] : ends[i]]
                picture = torch.from_numpy(cv2.imdecode(piece, cv2.IMREAD_GRAYSCALE))
                strips[n, channel, :, : picture.shape[1]] = picture
                if channel == 0:  # beyond a strip its last column goes on
                    strips[n, 0, :, picture.shape[1] :] = picture[:, -1:]
        self.strips = strips.to(device)

    def batch(self, n: int, rng: np.random.Generator, plain: bool = False) -> tuple[Any, Any]:
        """Net inputs (n, 2, ROWS, WIDTH) and lines (n, 1, ROWS / 2, WIDTH), 0 to 1.

        As they are if *plain*; else misplaced, worn, lit and blurred as comes.
        """
        import torch
        from torch.nn import functional as F

        dev = self.device
        index = rng.integers(len(self.widths), size=n)
        most = self.strips.shape[3]
        stretch = np.exp(rng.normal(0, 0 if plain else 0.12, n))
        tall = np.exp(rng.normal(0, 0.01 if plain else 0.06, n))
        aside = rng.normal(0, 0.01 if plain else 0.05, n) * ROWS_PER_RADIUS
        slope = rng.normal(0, 0 if plain else 0.006, n) * ROWS_PER_RADIUS / COLUMNS_PER_RADIUS
        half = WIDTH / 2 * stretch
        spare = np.maximum(self.widths[index] - 1.2 * half, 1)
        middle = rng.uniform(0, 1, n) * spare + 0.6 * half
        flip_x, flip_y = (np.where(rng.random(n) < 0.5, -1, 1) for _ in range(2))

        def each(a: Any) -> Any:
            return torch.as_tensor(a, dtype=torch.float32, device=dev)[:, None, None]

        column = (torch.arange(WIDTH, device=dev) - (WIDTH - 1) / 2).float()[None, None, :]
        row = (torch.arange(ROWS, device=dev) - (ROWS - 1) / 2).float()[None, :, None]
        px = each(middle) + each(flip_x * stretch) * column + 0 * row
        py = (KEPT - 1) / 2 + each(flip_y * tall) * row + each(aside) + each(slope) * column
        grid = torch.stack([2 * px / (most - 1) - 1, 2 * py / (KEPT - 1) - 1], -1)
        strips = self.strips[torch.as_tensor(index, device=dev)].float()
        seen = F.grid_sample(strips, grid, align_corners=True, padding_mode="border")
        outside = (px < 0) | (px > each(self.widths[index]) - 1)
        lines = (seen[:, 1:] / 255).masked_fill(outside[:, None], 0)
        gray = seen[:, :1] if plain else spoilt(seen[:, :1], lines, rng)
        return normalised(gray), F.avg_pool2d(lines, (2, 1))


def spoilt(x: Any, lines: Any, rng: np.random.Generator) -> Any:
    """Grey strips (N, 1, ROWS, W), 0..255, with worn *lines*, light, bands, blur and noise."""
    import torch
    from torch.nn import functional as F

    n, _, rows, width = x.shape
    dev = x.device
    source = torch.Generator(device=dev)
    source.manual_seed(int(rng.integers(1 << 31)))

    def uniform(*shape: int) -> Any:
        return torch.rand(shape or (n, 1, 1, 1), generator=source, device=dev)

    def normal(*shape: int) -> Any:
        return torch.randn(shape or (n, 1, 1, 1), generator=source, device=dev)

    def smooth(h: int, w: int) -> Any:
        grains = normal(n, 1, h, w)
        return F.interpolate(grains, size=(rows, width), mode="bicubic", align_corners=False)

    # ink worn off in patches: what is left is as light as what stands beside it
    mean = F.avg_pool2d(F.pad(x, (7, 7, 0, 0), mode="reflect"), (1, 15), 1)
    light = F.avg_pool2d(x, (1, 3), 1, (0, 1))
    light = F.max_pool2d(F.pad(light, (4, 4, 0, 0), mode="reflect"), (1, 9), 1)
    bare = torch.maximum(mean, 0.6 * light + 0.4 * mean)
    worn = torch.sigmoid(4 * (smooth(4, 40) + 0.7 * smooth(10, 200) + 1.5 * normal() - 1))
    much = (uniform() < 0.45).float() * (0.3 + 0.7 * uniform())
    near = F.max_pool2d(lines, (1, 5), 1, (0, 2))
    x = x + 0.9 * much * worn * near * (bare - x).clamp_min(0)
    # contrast, shade, streaks along the barrel, stopper-like bands across it
    x = x * (1 + 0.3 * normal()).clamp(0.25, 1.6) + 25 * normal()
    x = x + (uniform() < 0.4) * 18 * smooth(3, 6)
    row = torch.arange(rows, device=dev).float()[None, None, :, None]
    for _ in range(2):
        at, half = uniform() * rows, 0.5 + 3 * uniform()
        bright = 120 * normal().abs() * (uniform() < 0.25)
        x = x + bright * torch.exp(-(((row - at) / half) ** 2))
    column = torch.arange(width, device=dev).float()[None, None, None, :]
    for _ in range(3):
        at, half = uniform() * width, 1.0 + 40 * uniform() ** 2
        step = 70 * normal() * (uniform() < 0.3)
        x = x + step * torch.sigmoid((half - (column - at).abs()) * 1.5)
    # grains of light on one stretch of the barrel, as where light falls through liquid
    many = torch.exp(math.log(0.003) + uniform() * math.log(100))
    grains = (uniform(n, 1, rows, width) < many) * -torch.log(uniform(n, 1, rows, width) + 0.05)
    wide = F.avg_pool2d(F.pad(grains, (1, 1, 0, 0)), (1, 3), 1) * 2
    wider = F.avg_pool2d(F.pad(grains, (2, 2, 1, 1)), (3, 5), 1) * 5
    kind = uniform()
    grains = torch.where(kind < 0.4, grains, torch.where(kind < 0.75, wide, wider))
    stretch = torch.sigmoid((uniform() * width - (column - uniform() * width).abs()) * 0.5)
    side = torch.sigmoid((uniform() * 1.5 * rows - (row - uniform() * rows).abs()) * 1.5)
    x = x + (uniform() < 0.3) * (20 + 180 * uniform()) * grains * stretch * side
    x = torch.where(uniform() < 0.7, x.clamp(0, 255), x)  # white at most, before the blur
    kernel = torch.tensor([0.25, 0.5, 0.25], device=dev).view(1, 1, 1, 3)
    blurred = x
    for _ in range(2):
        blurred = F.conv2d(F.pad(blurred, (1, 1, 0, 0), mode="replicate"), kernel)
    x = torch.where(uniform() < 0.3, blurred, x)
    x = x + normal(n, 1, rows, width) * (8 * uniform() ** 2)
    coarse = normal(n, 1, rows // 2, width // 3)
    coarse = F.interpolate(coarse, size=(rows, width), mode="bilinear", align_corners=False)
    return (x + coarse * (14 * uniform() ** 3)).clamp(0, 255)


def train(args: argparse.Namespace) -> None:
    """Train for a given time; one-cycle rate; keeps an average of the weights."""
    import torch
    from torch.nn import functional as F

    torch.manual_seed(args.random_seed)
    rng = np.random.default_rng(args.random_seed)
    deck = Deck(args.strips, args.device, lambda k: k % HELD_OUT != 3)
    held = Deck(args.strips, args.device, lambda k: k % HELD_OUT == 3)
    net = build(args.width).to(args.device)
    mean = torch.optim.swa_utils.AveragedModel(
        net, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(0.998), use_buffers=True
    )
    print(sum(p.numel() for p in net.parameters()), "parameters", len(deck.widths), flush=True)
    opt = torch.optim.AdamW(net.parameters(), lr=args.lr, weight_decay=0.01)
    weight = torch.tensor(TAUGHT_WEIGHT, device=args.device)  # of lines against what is none
    began, step, total, last = time.time(), 0, 0.0, time.time()
    while (done := (time.time() - began) / (60 * args.minutes)) < 1:
        for g in opt.param_groups:
            g["lr"] = args.lr * min(1, done / 0.04 + 0.02) * (0.5 + 0.5 * np.cos(np.pi * done))
        x, lines = deck.batch(args.batch, rng)
        with torch.autocast(args.device, torch.bfloat16, enabled=args.half):
            out = net(x)
        loss = F.binary_cross_entropy_with_logits(out.float(), lines, pos_weight=weight)
        opt.zero_grad()
        loss.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 5.0)
        opt.step()
        mean.update_parameters(net)
        step += 1
        total = 0.98 * total + 0.02 * float(loss.detach())
        if time.time() - last > args.every:
            last = time.time()
            print(f"{last - began:.0f} s {step} steps {total:.4f}", held_out(mean.module, held),
                  flush=True)  # fmt: skip
            torch.save(mean.module.state_dict(), args.state)
    torch.save(mean.module.state_dict(), args.state)
    print(step, "steps; held out:", held_out(mean.module, held))


def held_out(net: Any, deck: Deck) -> str:
    """What share of the lines is painted, and how much of what is painted is on a line."""
    import torch
    from torch.nn import functional as F

    net.eval()
    rng = np.random.default_rng(1)
    painted, true = [], []
    with torch.no_grad():
        for _ in range(4):
            x, lines = deck.batch(32, rng, plain=True)
            painted.append(torch.sigmoid(net(x)) > 0.4)
            true.append(lines)
    p, y = torch.cat(painted), torch.cat(true)
    found = float((p & (y > 0.4)).sum() / (y > 0.4).sum().clamp_min(1))
    near = F.max_pool2d(y, (3, 5), 1, (1, 2)) > 0.3
    right = float((p & near).sum() / p.sum().clamp_min(1))
    return f"found {found:.3f} right {right:.3f}"


def export(state: Path, onnx: Path) -> None:
    """Write ONNX, weights in 16 bits."""
    import torch

    weights = torch.load(state, map_location="cpu")
    net = build(weights["3.weight"].shape[0])
    net.load_state_dict(weights)
    torch.onnx.export(
        net.eval(), (torch.zeros(1, 2, ROWS, WIDTH),), str(onnx), input_names=["strip"],
        output_names=["lines"], dynamic_axes={"strip": {3: "w"}, "lines": {3: "w"}},
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
    p.add_argument("--jobs", type=int, default=1)
    p = sub.add_parser("train")
    p.add_argument("strips", type=Path)
    p.add_argument("--state", type=Path, required=True)
    p.add_argument("--device", default="cpu")
    p.add_argument("--minutes", type=float, default=6.5)
    p.add_argument("--batch", type=int, default=48)
    p.add_argument("--width", type=int, default=32, help="channels")
    p.add_argument("--half", action="store_true", help="compute in bfloat16")
    p.add_argument("--lr", type=float, default=3e-3)
    p.add_argument("--every", type=float, default=20)
    p.add_argument("--random-seed", type=int, default=1)
    p = sub.add_parser("export")
    p.add_argument("state", type=Path)
    p.add_argument("onnx", type=Path)
    args = parser.parse_args()
    if args.step == "strips":
        make_strips(args)
    elif args.step == "train":
        train(args)
    else:
        export(args.state, args.onnx)


if __name__ == "__main__":
    main()
