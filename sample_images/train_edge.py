"""Train the net that measures the front ring's contact edge (vision/edge.onnx).

The finder (``train_finder.py``) says which of the many edges is the ring.  This one looks at
the barrel's surface about that place at 64 columns per outer radius and says where, to a
fraction of a column, the contact edge lies, and how well it can be told.  Steps as there:

  strips   photographs with truth -> unwrapped strips about the fiducial line, one .npz
  train    strips -> weights (needs PyTorch)
  export   weights -> ONNX for OpenCV's dnn

Method and figures are in docs/finder.md.
"""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path
from typing import Any

import numpy as np
from half_floats import store_half
from train_finder import PHI, ROWS, blocks, fold, normalise, repainted, truth_cylinder

PER_RADIUS = 64
#: What a stored strip shows before and behind the line, and what the net is given, radii.
BEFORE, BEHIND = 1.5, 2.55
SEEN_BEFORE, SEEN_BEHIND = 1.0, 1.8
#: The finder's place is off by up to twice this, radii: where the line stands in the net's window.
JITTER = 0.11
#: Mean cosine of the azimuths at which lines are printed: there the fitted pose holds the scale.
PRINTED = 0.85
COLUMNS = round((SEEN_BEFORE + SEEN_BEHIND) * PER_RADIUS) + 1


def make_strips(folders: list[Path], out: Path, every: str = "1:0") -> None:
    """Unwrap every readable photograph about its fiducial line, into *out*.

    *every* "N:K": only each Nth photograph, from the Kth.
    """
    import cv2

    from drawmark.vision.finder_net import finder_strip

    strips, rows, names = [], [], []
    step, _, offset = every.partition(":")
    paths = sorted(p for folder in folders for p in folder.glob("*.json"))
    for path in paths[int(offset) :: int(step)]:
        truth = json.loads(path.read_text())
        if not truth.get("readable"):
            continue
        bgr = cv2.imread(str(path.with_suffix(".jpg")))
        fit = truth_cylinder(truth)
        if bgr is None or fit is None or fit[3] > 1:
            print(path.stem, "left out", flush=True)
            continue
        c, zero, per_mm, _ = fit
        line = zero + per_mm * truth["fiducial_x_mm"]
        strip = finder_strip(
            bgr, c, line - BEFORE, line + BEHIND, columns_per_radius=PER_RADIUS, rows=ROWS
        )
        x = line - BEFORE + np.arange(strip.shape[1]) / PER_RADIUS
        slope = [np.tan(c.view_angle(float(v))) for v in (x[0], x[-1])]
        strips.append(strip)
        rows.append([BEFORE * PER_RADIUS, *slope])
        names.append(path.stem)
    np.savez_compressed(
        out, strips=np.stack(strips), rows=np.array(rows, np.float32), names=np.array(names)
    )
    print(len(names), "photographs")


def build(width: int = 80) -> Any:
    """The net: 2-D over the surface, bands of rows kept apart, then 1-D along the axis.

    *width*: channels along the axis.
    """
    import torch
    from torch import nn

    conv2, along = blocks(0.2)

    class Edge(nn.Module):
        def __init__(self) -> None:
            super().__init__()
            a, b, c = (round(share * width) for share in (0.3, 0.4, 0.5))
            self.around = nn.Sequential(
                conv2(5, a, 5, 2, 1), conv2(a, b, 3, 2, 1), conv2(b, c, 3, 1, 2),
                conv2(c, c, 3, 1, 4),
            )  # fmt: skip
            self.bands = nn.Conv2d(c, width, (12, 1))
            reaches = (1, 2, 4, 8, 16, 32, 1, 4, 16, 2)
            self.along = nn.Sequential(*[along(width, r) for r in reaches])
            self.head = nn.Sequential(nn.ReLU(), nn.Conv2d(width, 1, 1))

        def forward(self, x: torch.Tensor) -> torch.Tensor:
            # (N, 5, ROWS, W) -> (N, W): logit that the contact edge lies in the column
            return self.head(self.along(self.bands(self.around(x))))[:, 0, 0]

    return Edge()


def stored(file: Path) -> tuple[np.ndarray, np.ndarray]:
    """Strips (N, ROWS, W, 3) and rows (N, 3) of an .npz; strips may be kept as JPEGs."""
    data = np.load(file)
    if "jpegs" not in data:
        return data["strips"], data["rows"]
    import cv2

    cuts = np.split(data["jpegs"], np.cumsum(data["sizes"])[:-1])
    return np.stack([cv2.imdecode(c, cv2.IMREAD_COLOR) for c in cuts]), data["rows"]


class Deck:
    """All strips on the device, and random, distorted, repainted batches of them."""

    def __init__(self, files: list[Path], device: str, keep: Any) -> None:
        import torch

        data = [stored(file) for file in files]
        strips, rows = (np.concatenate([d[k] for d in data]) for k in (0, 1))
        chosen = [i for i in range(len(strips)) if keep(i)]
        self.device = device
        self.strips = torch.from_numpy(strips[chosen].transpose(0, 3, 1, 2).copy()).to(device)
        self.rows = torch.from_numpy(rows[chosen]).to(device)

    def __len__(self) -> int:
        return len(self.strips)

    def batch(self, n: int, rng: np.random.Generator) -> tuple[Any, Any]:
        """Net inputs (n, 5, ROWS, COLUMNS) and the line's column (n,)."""
        import torch
        import torch.nn.functional as f

        dev = self.device
        index = torch.as_tensor(rng.integers(len(self), size=n), device=dev)

        def t(a: Any) -> Any:
            return torch.as_tensor(np.asarray(a), dtype=torch.float32, device=dev)

        # the fitted pose is off by a little, and so is the radius and with it the scale
        tip, turn = t(rng.normal(0, 0.018, n)), t(rng.normal(0, 0.01, n))
        grow, off = t(rng.normal(-0.008, 0.015, n)), t(rng.normal(0, 0.01, n))
        flip = t(np.where(rng.random(n) < 0.5, -1.0, 1.0))
        # cone and rings drawn out or shortened, each side of the line by itself: other stoppers
        before, behind = t(rng.uniform(0.8, 1.25, n)), t(rng.uniform(0.8, 1.25, n))
        place = t(SEEN_BEFORE * PER_RADIUS + PER_RADIUS * rng.uniform(-1, 1, n) * 2 * JITTER)
        row = self.rows[index]
        phi = t(PHI)
        s = ((1 + grow)[:, None] * torch.sin(phi) + off[:, None]).clamp(-0.9994, 0.9994)
        across = (torch.asin(s) * flip[:, None] / np.radians(88)).clamp(-1, 1)
        # what the tilt's error moves, against where the scale is printed: the ring's place is
        # wanted there, and its own bend, seen from limb to limb, tells the error
        shift = PER_RADIUS * (
            tip[:, None] * (torch.cos(phi) - PRINTED) + turn[:, None] * torch.sin(phi)
        )
        columns = torch.arange(COLUMNS, device=dev)
        away = columns[None] - place[:, None]
        stretch = torch.where(away < 0, before[:, None], behind[:, None])
        column = row[:, :1] + stretch * away
        full = self.strips.shape[3]
        grid_x = (column[:, None, :] + shift[:, :, None]) / (full - 1) * 2 - 1
        grid = torch.stack([grid_x, across[:, :, None].expand(-1, -1, COLUMNS)], -1)
        x = f.grid_sample(self.strips[index].float(), grid, align_corners=True,
                          padding_mode="border")  # fmt: skip
        # black on black, and what is in shadow
        x = x * t(np.where(rng.random(n) < 0.12, rng.uniform(0.08, 0.6, n), 1.0)).view(n, 1, 1, 1)
        part = column / (full - 1)
        slope = row[:, 1:2] * (1 - part) + row[:, 2:3] * part + tip[:, None]
        return with_slope(normalise(repainted(x, rng)), slope), place

    def plain(self, i: slice) -> tuple[Any, Any]:
        """Net inputs without any change, and the line's column."""
        import torch

        start = round((BEFORE - SEEN_BEFORE) * PER_RADIUS)
        x = self.strips[i, :, :, start : start + COLUMNS].float()
        row = self.rows[i]
        part = (start + torch.arange(COLUMNS, device=self.device))[None] / (
            self.strips.shape[3] - 1
        )
        slope = row[:, 1:2] * (1 - part) + row[:, 2:3] * part
        return with_slope(normalise(x), slope), row[:, 0] - start


def with_slope(x: Any, slope: Any) -> Any:
    """*x* (N, 4, H, W) and the tangent of the viewing angle, (N, W), as a fifth channel."""
    import torch

    plane = 4.0 * slope[:, None, None, :].expand(-1, 1, x.shape[2], -1)
    return torch.cat([x, plane], 1)


def loss_of(logits: Any, place: Any) -> Any:
    """Cross-entropy against a narrow bell about the true column."""
    import torch
    import torch.nn.functional as f

    j = torch.arange(logits.shape[1], device=logits.device).float()[None]
    target = torch.exp(-0.5 * (j - place[:, None]) ** 2)
    target = target / target.sum(1, keepdim=True)
    return -(target * f.log_softmax(logits, 1)).sum(1).mean()


def train(args: argparse.Namespace) -> None:
    """Train for a given time; one-cycle rate; keeps an average of the weights."""
    import torch

    torch.manual_seed(args.random_seed)
    torch.set_num_threads(args.threads)
    rng = np.random.default_rng(args.random_seed)
    deck = Deck(args.strips, args.device, lambda k: args.all or k % 8 != 3)
    held = Deck(args.strips, args.device, lambda k: k % 8 == 3)
    net = build(args.width).to(args.device)
    if args.start:
        net.load_state_dict(torch.load(args.start, map_location=args.device))
    mean = torch.optim.swa_utils.AveragedModel(
        net, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(0.998), use_buffers=True
    )
    print(sum(p.numel() for p in net.parameters()), "parameters", len(deck), "strips")
    opt = torch.optim.AdamW(net.parameters(), lr=args.lr, weight_decay=args.decay)
    began, step, total, last = time.time(), 0, 0.0, time.time()
    while (done := (time.time() - began) / (60 * args.minutes)) < 1:
        for g in opt.param_groups:
            g["lr"] = args.lr * min(1, done / 0.06 + 0.02) * (0.5 + 0.5 * np.cos(np.pi * done))
        x, place = deck.batch(args.batch, rng)
        with torch.autocast(args.device, torch.bfloat16, enabled=args.half):
            logits = net(x)
        loss = loss_of(logits.float(), place)
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
    """Errors on strips never trained on, outer radii, and how they compare with the spread."""
    import torch

    net.eval()
    with torch.no_grad():
        x, place = deck.plain(slice(None))
        p = torch.softmax(net(x), 1)
        j = torch.arange(p.shape[1], device=p.device).float()[None]
        mean = (p * j).sum(1)
        sd = ((p * (j - mean[:, None]) ** 2).sum(1)).sqrt()
        off = ((mean - place) / PER_RADIUS).cpu().numpy()
        z = ((mean - place) / sd).cpu().numpy()
    net.train()
    size = np.abs(off)
    low, high = np.quantile(np.abs(z), [0.68, 0.95])
    return (
        f"bias {np.median(off):+.4f} median {np.median(size):.4f} "
        f"90% {np.quantile(size, 0.9):.4f} 95% {np.quantile(size, 0.95):.4f} "
        f"sd {np.median(sd.cpu().numpy()) / PER_RADIUS:.4f} z {low:.2f} {high:.2f}"
    )


def export(state: Path, onnx: Path) -> None:
    """Fold the normalisations into the convolutions, write ONNX."""
    import torch

    weights = torch.load(state, map_location="cpu")
    net = build(len(weights["bands.bias"]))
    net.load_state_dict(weights)
    fold(net)
    torch.onnx.export(
        net, (torch.zeros(1, 5, ROWS, COLUMNS),), str(onnx), input_names=["strip"],
        output_names=["columns"], opset_version=17, dynamo=False,
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
    p.add_argument("--every", metavar="N:K", default="1:0", help="each Nth, from the Kth")
    p = sub.add_parser("train")
    p.add_argument("strips", type=Path, nargs="+")
    p.add_argument("--state", type=Path, required=True)
    p.add_argument("--device", default="cpu")
    p.add_argument("--minutes", type=float, default=5)
    p.add_argument("--batch", type=int, default=64)
    p.add_argument("--width", type=int, default=80, help="channels along the axis")
    p.add_argument("--half", action="store_true", help="compute in bfloat16")
    p.add_argument("--lr", type=float, default=2e-3)
    p.add_argument("--decay", type=float, default=0.03)
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
        make_strips(args.folders, args.out, args.every)
    elif args.step == "train":
        train(args)
    else:
        export(args.state, args.onnx)


if __name__ == "__main__":
    main()
