"""Train the net that finds the barrel's outlines (vision/outline.onnx).

Three steps, each a sub-command:

  views    photographs with truth (sample_images/renderer) -> straightened pictures, one .npz
  train    .npz -> weights (needs PyTorch; the weights in use took 200 s on one GPU, 9 processes)
  export   weights -> ONNX for OpenCV's dnn

A view is stretched, shifted, sheared and repainted anew each time, so that the net learns the
outlines from an axis and a radius that are only roughly right.  The architecture and what it was
measured to do are in docs/outline.md.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import sys
import time
from pathlib import Path
from typing import Any

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

from train_finder import scale_mm, truth_cylinder

from drawmark.vision.finder_net import normalise
from drawmark.vision.outline_net import (
    COLUMNS_PER_RADIUS,
    PIECE,
    REACH,
    ROWS,
    WINDOW,
    outline_view,
)

#: Stored views: rows, their reach and columns per radius, and what they show past the scale.
STORED_ROWS, STORED_REACH, STORED_COLUMNS, PAST = 176, 3.2, 20, 2.5
WIDTHS = (64, 96, 128, 160, 192)
CHANNELS = 24


def make_views(folders: list[Path], out: Path) -> None:
    """Straighten every photograph in *folders* that has truth and one syringe, into *out*."""
    pictures, scales, names = [], [], []
    for path in (p for folder in folders for p in sorted(folder.glob("*.json"))):
        truth = json.loads(path.read_text())
        if not truth.get("ticks") or truth.get("syringe_count", 1) != 1:
            continue
        bgr = cv2.imread(str(path.with_suffix(".jpg")))
        fit = truth_cylinder(truth)
        if bgr is None or fit is None or fit[3] > 1:
            continue
        true, zero, per_mm, _ = fit
        low, high = sorted((zero, zero + per_mm * scale_mm(truth)))
        columns = round((high - low + 2 * PAST) * STORED_COLUMNS)
        view = outline_view(
            bgr, true, low - PAST, high + PAST, (STORED_ROWS, columns), STORED_REACH
        )
        pictures.append(cv2.imencode(".png", view)[1])
        scales.append((low, high))
        names.append(path.stem)
    sizes = [len(p) for p in pictures]
    np.savez(out, pictures=np.concatenate(pictures), sizes=sizes, scales=scales, names=names)
    print(len(names), "views")


def load_views(path: Path) -> list[tuple[np.ndarray, float]]:
    """Views and the lengths of their scales, outer radii."""
    data = np.load(path)
    ends = np.cumsum(data["sizes"])
    parts = np.split(data["pictures"], ends[:-1])
    return [
        (cv2.imdecode(p, cv2.IMREAD_COLOR), float(b - a))
        for p, (a, b) in zip(parts, data["scales"], strict=True)
    ]


def example(
    view: np.ndarray, length: float, columns: int, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """A part of *view* as if its axis and radius were only supposed, and both outlines' rows.

    Returns (ROWS, columns, 3) uint8 and (2, columns).
    """
    part = length * rng.uniform(0.35, 1.05)
    start = PAST - 0.3 - 0.04 * length + rng.uniform(0, max(0.0, 1.08 * length - part))
    radius = float(np.exp(rng.uniform(-0.5, 0.45)))  # supposed, in true ones
    aside = rng.normal(0, 0.25) * min(1.0, radius)
    slope = np.tan(np.radians(rng.normal(0, 0.5)))
    per_radius = view.shape[1] / (length + 2 * PAST)
    rows_per_radius = STORED_ROWS / (2 * STORED_REACH)
    step, row = part / columns, radius * 2 * REACH / ROWS
    first = 0.5 * row - radius * REACH + aside + slope * (0.5 * step - part / 2)
    to_view = np.array(
        [
            [step * per_radius, 0, (start + 0.5 * step) * per_radius - 0.5],
            [slope * step * rows_per_radius, row * rows_per_radius,
             (first + STORED_REACH) * rows_per_radius - 0.5],
        ]
    )  # fmt: skip
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    picture = cv2.warpAffine(
        view, to_view, (columns, ROWS), flags=flags, borderMode=cv2.BORDER_REPLICATE
    )
    bend = slope * ((np.arange(columns) + 0.5) * step - part / 2)
    miss = np.array([(side - aside - bend) / radius for side in (-1, 1)])
    rows = (miss + REACH) / (2 * REACH) * ROWS - 0.5
    if rng.random() < 0.5:
        picture, rows = picture[:, ::-1], rows[:, ::-1]
    if rng.random() < 0.5:
        picture, rows = picture[::-1], (ROWS - 1 - rows)[::-1]
    return repainted(picture, rng), rows.astype(np.float32)


def repainted(picture: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """*picture* in other light and colours, blurred, noisy or flat."""
    y = picture.astype(np.float32)
    if rng.random() < 0.3:
        y = y[:, :, rng.permutation(3)]
    if rng.random() < 0.25:
        grey = rng.uniform(0.5, 1)
        y = y @ (np.full((3, 3), grey / 3, np.float32) + np.eye(3, dtype=np.float32) * (1 - grey))
    y = 255 * np.clip(y / 255, 0, 1) ** np.exp(rng.normal(0, 0.3))
    y = y * np.exp(rng.normal(0, 0.2)) * np.exp(rng.normal(0, 0.07, 3)) + rng.normal(0, 12)
    if rng.random() < 0.4:
        sx, sy = rng.uniform(0.3, 2), rng.uniform(0.3, 2.2)
        y = cv2.GaussianBlur(y.astype(np.float32), (0, 0), sigmaX=sx, sigmaY=sy)
    y = y + rng.normal(0, 1, y.shape) * rng.uniform(0, 8)
    if rng.random() < 0.3:
        y = y.mean() + (y - y.mean()) * rng.uniform(0.3, 1) + rng.normal(0, 1, y.shape)
    return np.clip(y, 0, 255).astype(np.uint8)


def build() -> Any:
    """The net: columns in pieces of eight, rows kept; what the whole view shows is added."""
    import torch
    from torch import nn

    def conv(i: int, o: int, k: tuple[int, int], down: int, reach: tuple[int, int]) -> Any:
        pad = (k[0] // 2 * reach[0], k[1] // 2 * reach[1])
        return nn.Sequential(
            nn.Conv2d(i, o, k, (1, down), pad, reach, bias=False), nn.BatchNorm2d(o), nn.ReLU()
        )

    n = CHANNELS

    class Outline(nn.Module):
        def __init__(self) -> None:
            super().__init__()
            near = (1, 1)
            self.stem = nn.Sequential(
                conv(4, 12, (5, 5), 2, near), conv(12, 16, (3, 3), 2, near),
                conv(16, n, (3, 3), 2, near),
            )  # fmt: skip
            self.body = nn.ModuleList([
                conv(n, n, (3, 3), 1, (2, 1)), conv(n, n, (3, 3), 1, (4, 1)),
                conv(n, n, (3, 3), 1, (8, 2)), conv(n, n, (3, 1), 1, (16, 1)),
                conv(n, n, (3, 1), 1, (32, 1)),
            ])  # fmt: skip
            self.pool = nn.Sequential(
                nn.Conv2d(2 * n, n, (9, 1), 1, (4, 0), bias=False), nn.BatchNorm2d(n), nn.ReLU(),
                nn.Conv2d(n, n, (9, 1), 1, (16, 0), (4, 1)), nn.ReLU(),
            )  # fmt: skip
            self.last = nn.Sequential(
                conv(2 * n, n, (5, 3), 1, near), nn.Conv2d(n, 2, (3, 1), 1, (1, 0))
            )

        def forward(self, x: torch.Tensor) -> torch.Tensor:
            # (N, 4, ROWS, W) -> (N, 2, ROWS, W / PIECE)
            x = self.stem(x)
            for block in self.body:
                x = x + block(x)
            whole = torch.cat([x.mean(3, keepdim=True), x.amax(3, keepdim=True)], 1)
            # spread over the pieces first: OpenCV convolves pictures one column wide wrongly
            whole = self.pool(whole.expand(-1, -1, -1, x.shape[3]))
            return self.last(torch.cat([x, whole], 1))

    return Outline()


def loss_of(out: Any, rows: Any) -> Any:
    """Cross-entropy of the rows' probabilities, a row either side let pass."""
    import torch
    import torch.nn.functional as f

    n, _, height, pieces = out.shape
    at = rows[:, :, : pieces * PIECE].reshape(n, 2, pieces, PIECE).mean(3).clamp(0, height - 1)
    row = torch.arange(height, device=out.device).float()[None, None, :, None]
    target = torch.exp(-0.5 * (row - at[:, :, None]) ** 2) + 1e-9
    target = target / target.sum(2, keepdim=True)
    return -(target * f.log_softmax(out, 2)).sum(2).mean()


def _produce(views: list[tuple[np.ndarray, float]], key: int, queue: Any, batch: int) -> None:
    """Batches into *queue*, without end."""
    cv2.setNumThreads(1)
    rng = np.random.default_rng(key)
    while True:
        columns = int(rng.choice(WIDTHS))
        made = [example(*views[rng.integers(len(views))], columns, rng) for _ in range(batch)]
        pictures = np.array([normalise(picture, WINDOW) for picture, _ in made]).astype(np.float16)
        queue.put((pictures, np.array([rows for _, rows in made])))


def train(args: argparse.Namespace) -> None:
    """Train for a given time; one-cycle rate; keeps an average of the weights."""
    import torch

    torch.manual_seed(args.random_seed)
    views = load_views(args.views)
    held = views[3::8]
    kept = views if args.all else [v for k, v in enumerate(views) if k % 8 != 3]
    context = multiprocessing.get_context("fork")
    queue = context.Queue(40)
    makers = [
        context.Process(
            target=_produce, args=(kept, args.random_seed + 1 + i, queue, args.batch), daemon=True
        )
        for i in range(args.processes)
    ]
    for maker in makers:
        maker.start()
    rng = np.random.default_rng(args.random_seed)
    tests = [example(*view, 128, rng) for view in held for _ in range(2)]
    net = build().to(args.device)
    mean = torch.optim.swa_utils.AveragedModel(
        net, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(0.998), use_buffers=True
    )
    print(sum(p.numel() for p in net.parameters()), "parameters", len(kept), "views")
    opt = torch.optim.AdamW(net.parameters(), lr=args.lr, weight_decay=0.02)
    began, step = time.time(), 0
    while (done := (time.time() - began) / (60 * args.minutes)) < 1:
        rate = args.lr * min(1, done / 0.05 + 0.02) * (0.5 + 0.5 * np.cos(np.pi * done))
        for group in opt.param_groups:
            group["lr"] = rate
        pictures, rows = (torch.tensor(a).to(args.device).float() for a in queue.get())
        loss = loss_of(net(pictures), rows)
        opt.zero_grad()
        loss.backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 5.0)
        opt.step()
        mean.update_parameters(net)
        step += 1
    for maker in makers:
        maker.terminate()
    torch.save(mean.module.state_dict(), args.state)
    print(step, "steps; held out:", figures(mean.module, tests, args.device))


def figures(net: Any, tests: list[tuple[np.ndarray, np.ndarray]], device: str) -> str:
    """Shares of outlines within 0.05, 0.1 and 0.2 supposed radii of the truth."""
    import torch

    net.eval()
    wrong = []
    with torch.no_grad():
        for picture, rows in tests:
            out = net(torch.tensor(normalise(picture, WINDOW)[None]).to(device))
            at = torch.log_softmax(out, 2).mean(3).argmax(2)[0].cpu().numpy()
            wrong.append(np.abs(at - rows.mean(1)) * 2 * REACH / ROWS)
    w = np.concatenate(wrong)
    return ", ".join(f"<{limit} {np.mean(w < limit):.3f}" for limit in (0.05, 0.1, 0.2))


def export(state: Path, onnx: Path) -> None:
    """Fold the normalisations into the convolutions and write ONNX."""
    import torch
    from torch.nn.utils.fusion import fuse_conv_bn_eval

    net = build()
    net.load_state_dict(torch.load(state, map_location="cpu"))
    net.eval()
    for block in [*net.stem, *net.body, net.pool, net.last[0]]:
        block[0] = fuse_conv_bn_eval(block[0], block[1])
        block[1] = torch.nn.Identity()
    # OpenCV's dnn gets a kernel (9, 1) wrong; (9, 3) with nothing at its sides is the same
    narrow = net.pool[0]
    wide = torch.nn.Conv2d(2 * CHANNELS, CHANNELS, (9, 3), 1, (4, 1))
    with torch.no_grad():
        wide.weight.zero_()
        wide.weight[:, :, :, 1:2] = narrow.weight
        wide.bias.copy_(narrow.bias)
    net.pool[0] = wide
    torch.onnx.export(
        net, (torch.zeros(1, 4, ROWS, 10 * COLUMNS_PER_RADIUS),), str(onnx), input_names=["view"],
        output_names=["rows"], dynamic_axes={"view": {3: "w"}, "rows": {3: "pieces"}},
        opset_version=17, dynamo=False,
    )  # fmt: skip
    print(onnx, onnx.stat().st_size, "bytes")


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    sub = parser.add_subparsers(dest="step", required=True)
    p = sub.add_parser("views")
    p.add_argument("folders", type=Path, nargs="+")
    p.add_argument("--out", type=Path, required=True)
    p = sub.add_parser("train")
    p.add_argument("views", type=Path)
    p.add_argument("--state", type=Path, required=True)
    p.add_argument("--device", default="cpu")
    p.add_argument("--minutes", type=float, default=3.3)
    p.add_argument("--batch", type=int, default=64)
    p.add_argument("--lr", type=float, default=4e-3)
    p.add_argument("--processes", type=int, default=9, help="that make examples")
    p.add_argument("--all", action="store_true", help="hold nothing out")
    p.add_argument("--random-seed", type=int, default=0)
    p = sub.add_parser("export")
    p.add_argument("state", type=Path)
    p.add_argument("onnx", type=Path)
    args = parser.parse_args()
    if args.step == "views":
        make_views(args.folders, args.out)
    elif args.step == "train":
        train(args)
    else:
        export(args.state, args.onnx)


if __name__ == "__main__":
    main()
