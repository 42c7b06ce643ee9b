"""Train vision/ends.onnx, which tells the nozzle's end of a scale from the flange's.

    python sample_images/train_ends.py cut RENDERS... --out ends.npz
    python sample_images/train_ends.py train ends.npz

RENDERS are folders of rendered photographs with truth (`render.py`).  ``cut`` takes patches at
both ends of each scale, and at places that are no end, with the barrel somewhat misplaced as by
a fit; ``train`` needs the extra ``train`` (torch, onnx), and `squeeze.py` packs what it writes.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING

import cv2
import numpy as np
from half_floats import store_half
from train_finder import scale_mm, truth_cylinder

from drawmark.vision.ends_net import (
    COLUMNS,
    ELSEWHERE,
    FLANGE,
    LEAST_SEEN,
    NOZZLE,
    ROWS,
    end_patches,
    normalise,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from drawmark.vision.cylinder import Cylinder

TIMES = 6  # each scale is cut with barrels misplaced at random, and once with the true one
ELSEWHERE_BEYOND = 0.3  # outer radii from a true end


def places(r: np.random.Generator, zero: float, last: float) -> list[tuple[int, float, int]]:
    """(what it is, axial place, outward direction) of some places along one scale."""
    out = [(NOZZLE, zero, -1), (FLANGE, last, 1), (ELSEWHERE, zero, 1), (ELSEWHERE, last, -1)]
    while len(out) < 7:
        way = int(r.choice([-1, 1]))
        end = zero if way < 0 else last
        near = end + r.choice([-1, 1]) * r.uniform(ELSEWHERE_BEYOND, 1.5)
        at = float(near if r.random() < 0.5 else r.uniform(zero - 2, last + 2))
        if abs(at - end) >= ELSEWHERE_BEYOND:
            out.append((ELSEWHERE, at, way))
    return out


def true_barrels(paths: Iterable[Path]) -> Iterator[tuple[Path, dict, Cylinder, float, float]]:
    """(truth file, truth, barrel, zero line's place, outer radii to the mm) of readable renders."""
    for path in paths:
        truth = json.loads(path.read_text())
        if truth.get("syringe_count") != 1 or not truth["readable"]:
            continue
        fit = truth_cylinder(truth)
        if fit is not None and fit[3] <= 1.5:
            yield path, truth, *fit[:3]


def truth_files(folders: list[Path]) -> list[Path]:
    """All truth files in *folders*."""
    return sorted(p for folder in folders for p in folder.glob("*.json"))


def gray_picture(path: Path) -> np.ndarray:
    """Grey levels, float32, of the photograph beside the truth file *path*."""
    return cv2.imread(str(path.with_suffix(".jpg")), cv2.IMREAD_GRAYSCALE).astype(np.float32)


def misplaced(true: Cylinder, r: np.random.Generator, off: float, radius_sd: float) -> Cylinder:
    """*true* somewhat misplaced as by a fit, *off* times as much as usual."""
    return true.moved(
        radius_px=true.radius_px * float(np.exp(off * r.normal(0, radius_sd))),
        angle=true.angle + off * r.normal(0, 0.006),
        offset=true.offset + off * r.normal(0, 0.03) * true.radius_px,
    )


def cut(folders: list[Path], out: Path) -> None:
    """Patches (N, ROWS, COLUMNS), what they are and which photograph they are of, into *out*."""
    r = np.random.default_rng(1)
    patches, kinds, photos = [], [], []
    for path, truth, true, zero, per_mm in true_barrels(truth_files(folders)):
        last = zero + scale_mm(truth) * per_mm
        gray = gray_picture(path)
        for time in range(TIMES):
            off = 0.0 if time == 0 else 1.0
            cylinder = misplaced(true, r, off, 0.06)
            spots = places(r, zero, last)
            at = np.array([s[1] for s in spots]) + off * r.normal(0, 0.06, len(spots))
            x = cylinder.surface(true.project(at, 0.0))[0]
            ways = np.array([s[2] for s in spots])
            found = np.isfinite(x)
            cuts, seen = end_patches(
                gray, lambda p: (p[..., 0], p[..., 1]), cylinder, x[found], ways[found]
            )
            use = seen >= LEAST_SEEN
            patches.append(cuts[use].astype(np.uint8))
            kinds.append(np.array([s[0] for s in spots])[found][use])
            photos += [path.stem] * int(use.sum())
    np.savez(out, patches=np.concatenate(patches), kinds=np.concatenate(kinds), photos=photos)
    print(f"{out.name}: {len(photos)} patches of {len(set(photos))} photographs")


def build_net():
    from torch import nn

    def conv(i, o, s=1):
        return [nn.Conv2d(i, o, 3, s, 1, bias=False), nn.BatchNorm2d(o), nn.ReLU(inplace=True)]

    return nn.Sequential(
        *conv(1, 16),
        *conv(16, 24, 2),  # 12 x 10
        *conv(24, 32),
        *conv(32, 48, 2),  # 6 x 5
        *conv(48, 48),
        nn.Flatten(),
        nn.Dropout(0.3),
        nn.Linear(48 * (ROWS // 4) * (COLUMNS // 4), 3),
    )


def train(data: Path, out: Path, rounds: int) -> None:
    """Train for *rounds* times all patches, and write the ONNX file."""
    import torch
    from torch.nn import functional as F

    torch.manual_seed(0)
    torch.set_num_threads(1)
    loaded = np.load(data)
    x = torch.from_numpy(normalise(loaded["patches"].astype(np.float32)))
    y = torch.from_numpy(loaded["kinds"]).long()
    net = build_net()
    print("parameters:", sum(p.numel() for p in net.parameters()), "patches:", len(y), flush=True)
    opt = torch.optim.AdamW(net.parameters(), weight_decay=2e-2)
    batch = 128
    for epoch in range(rounds):
        for group in opt.param_groups:
            group["lr"] = 2e-3 * (0.5 + 0.5 * np.cos(np.pi * epoch / rounds)) + 1e-5
        net.train()
        losses = []
        for pick in torch.randperm(len(y)).split(batch)[:-1]:
            seen = x[pick]
            some = torch.rand(2, len(pick), 1, 1, 1)
            seen = torch.where(some[0] < 0.5, seen.flip(2), seen)  # a barrel has no handedness
            seen = torch.where(some[1] < 0.3, -seen, seen)  # nor a card a colour
            seen = seen * torch.exp(0.2 * torch.randn(len(pick), 1, 1, 1))
            seen = seen + 0.15 * torch.rand(len(pick), 1, 1, 1) * torch.randn_like(seen)
            loss = F.cross_entropy(net(seen), y[pick], label_smoothing=0.03)
            opt.zero_grad()
            loss.backward()
            opt.step()
            losses.append(loss.item())
        print(f"round {epoch + 1} of {rounds}: loss {np.mean(losses):.3f}", flush=True)
    export(net, (ROWS, COLUMNS), out)


def export(net, shape: tuple[int, int], out: Path) -> None:
    """Write the trained *net* for patches of this *shape* (rows, columns) as ONNX, 16 bits."""
    import torch

    net.eval()
    torch.onnx.export(
        net.cpu(),
        (torch.zeros(1, 1, *shape),),
        str(out),
        input_names=["patches"],
        output_names=["logits"],
        opset_version=13,
        dynamo=False,
        dynamic_axes={"patches": {0: "n"}, "logits": {0: "n"}},
    )
    store_half(out)
    print(f"{out.name}: {out.stat().st_size} bytes")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    steps = parser.add_subparsers(dest="step", required=True)
    first = steps.add_parser("cut")
    first.add_argument("renders", type=Path, nargs="+")
    first.add_argument("--out", type=Path, required=True)
    second = steps.add_parser("train")
    second.add_argument("patches", type=Path)
    second.add_argument("--rounds", type=int, default=14)
    onnx = Path(__file__).resolve().parents[1] / "vision" / "ends.onnx"
    second.add_argument("--out", type=Path, default=onnx)
    args = parser.parse_args()
    cv2.setNumThreads(1)
    if args.step == "cut":
        cut(args.renders, args.out)
    else:
        train(args.patches, args.out, args.rounds)


if __name__ == "__main__":
    main()
