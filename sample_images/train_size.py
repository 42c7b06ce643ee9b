"""Train vision/size.onnx, which tells how wide a barrel is, in mm, from the picture of its nozzle.

    python sample_images/train_size.py cut RENDERS... --out size.npz [--every P:I]
    python sample_images/train_size.py train size.npz...

RENDERS are folders of rendered photographs with truth, made with ``render.py --rebuilt``: barrels
of one capacity then differ in width, so that only what is of one size on all of them, the cone,
can tell.  ``cut`` takes patches about the zero line, with the barrel somewhat misplaced as by a
fit; ``train`` needs the extra ``train`` (torch, onnx), and `squeeze.py` packs what it writes.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import cv2
import numpy as np
from train_ends import export, gray_picture, misplaced, true_barrels, truth_files

from drawmark.vision.ends_net import LEAST_SEEN, end_patches, normalise
from drawmark.vision.size_net import RADII_MM, WINDOW

TIMES = 5  # each nozzle is cut with barrels misplaced at random, and once with the true one
SPREAD = 0.8  # of the label over neighbouring radii, steps
HELD = 10  # every so many-th photograph is held out while training


def cut(folders: list[Path], out: Path, every: str) -> None:
    """Patches (N, rows, columns), outer radii (N,) in mm and photographs' names, into *out*."""
    step, offset = (int(v) for v in every.split(":"))
    patches, radii, photos = [], [], []
    for path, truth, true, zero, _ in true_barrels(truth_files(folders)[offset::step]):
        r = np.random.default_rng([7, int(path.stem[1:])])
        gray = gray_picture(path)
        for time in range(TIMES):
            off = 0.0 if time == 0 else 1.0
            cylinder = misplaced(true, r, off, 0.03)
            at = np.array([zero + off * r.normal(0, 0.1)])
            x = cylinder.surface(true.project(at, 0.0))[0]
            if not np.isfinite(x).all():
                continue
            cuts, seen = end_patches(
                gray, lambda p: (p[..., 0], p[..., 1]), cylinder, x, np.array([-1]), WINDOW
            )
            if seen[0] >= LEAST_SEEN:
                patches.append(cuts[0].astype(np.uint8))
                radii.append(truth["outer_diameter_mm"] / 2)
                photos.append(path.stem)
    np.savez_compressed(out, patches=np.array(patches), radii=np.array(radii), photos=photos)
    print(f"{out.name}: {len(photos)} patches of {len(set(photos))} photographs")


def build_net():
    from torch import nn

    def conv(i, o, s=1):
        return [nn.Conv2d(i, o, 3, s, 1, bias=False), nn.BatchNorm2d(o), nn.ReLU(inplace=True)]

    return nn.Sequential(
        *conv(1, 12, 2),  # 28 x 48
        *conv(12, 20),
        *conv(20, 28, 2),  # 14 x 24
        *conv(28, 28),
        *conv(28, 36, 2),  # 7 x 12
        *conv(36, 36),
        *conv(36, 40, 2),  # 4 x 6
        nn.Flatten(),
        nn.Dropout(0.4),
        nn.Linear(40 * 4 * 6, len(RADII_MM)),
    )


def labels(radii: np.ndarray) -> np.ndarray:
    """(N, len(RADII_MM)) shares of the radii told apart, about the true one (N,)."""
    step = np.log(RADII_MM[1] / RADII_MM[0])
    off = (np.log(radii)[:, None] - np.log(RADII_MM)) / step
    share = np.exp(-0.5 * (off / SPREAD) ** 2)
    return share / share.sum(1, keepdims=True)


def train(data: list[Path], out: Path, rounds: int, device: str) -> None:
    """Train for *rounds* times all patches, and write the ONNX file."""
    import torch
    from torch.nn import functional as F

    torch.manual_seed(0)
    torch.set_num_threads(2)
    loaded = [np.load(path) for path in data]
    patches = np.concatenate([d["patches"] for d in loaded])
    radii = np.concatenate([d["radii"] for d in loaded])
    photos = np.concatenate([d["photos"] for d in loaded])
    held = np.array([int(p[1:]) % HELD == 0 for p in photos])
    y = labels(radii)
    # as if all radii were alike frequent: the answer is then a likelihood
    weight = 1 / (y[~held].sum(0) + 0.002 * len(y))
    weight = y @ weight
    weight = np.minimum(weight / weight.mean(), 4.0)
    x = torch.from_numpy(normalise(patches.astype(np.float32))).to(device)
    y = torch.from_numpy(y).float().to(device)
    weight = torch.from_numpy(weight).float().to(device)
    use = torch.from_numpy(np.flatnonzero(~held)).to(device)
    net = build_net().to(device)
    print("parameters:", sum(p.numel() for p in net.parameters()), "patches:", len(y), flush=True)
    opt = torch.optim.AdamW(net.parameters(), weight_decay=2e-2)
    for epoch in range(rounds):
        for group in opt.param_groups:
            group["lr"] = 2e-3 * (0.5 + 0.5 * np.cos(np.pi * epoch / rounds)) + 1e-5
        net.train()
        losses = []
        for pick in use[torch.randperm(len(use), device=device)].split(128)[:-1]:
            seen = x[pick]
            some = torch.rand(3, len(pick), 1, 1, 1, device=device)
            seen = torch.where(some[0] < 0.5, seen.flip(2), seen)  # a barrel has no handedness
            seen = torch.where(some[1] < 0.2, -seen, seen)  # nor a card a colour
            blurred = F.avg_pool2d(seen, 3, 1, 1, count_include_pad=False)
            seen = torch.where(some[2] < 0.3, blurred, seen)
            gain = torch.randn(2, len(pick), 1, 1, 1, device=device)
            noise = 0.2 * torch.rand(len(pick), 1, 1, 1, device=device) * torch.randn_like(seen)
            seen = seen * torch.exp(0.2 * gain[0]) + 0.1 * gain[1] + noise
            loss = (F.cross_entropy(net(seen), y[pick], reduction="none") * weight[pick]).mean()
            opt.zero_grad()
            loss.backward()
            opt.step()
            losses.append(loss.item())
        print(f"round {epoch + 1} of {rounds}: loss {np.mean(losses):.3f}", flush=True)
    net.eval()
    with torch.no_grad():
        probs = torch.softmax(net(x[torch.from_numpy(np.flatnonzero(held)).to(device)]), 1)
    probs = probs.cpu().numpy()
    off = np.abs(np.log(RADII_MM[probs.argmax(1)] / radii[held]))
    expected = np.einsum("np,np->n", labels(radii[held]), -np.log(probs + 1e-9)).mean()
    print(
        f"held out {held.sum()}: off by more than 15 % {np.mean(off > 0.15):.3f}, more than 25 % "
        f"{np.mean(off > 0.25):.3f}; median {np.median(off):.3f}; cross entropy {expected:.3f}"
    )
    export(net, (WINDOW.rows, WINDOW.columns), out)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    steps = parser.add_subparsers(dest="step", required=True)
    first = steps.add_parser("cut")
    first.add_argument("renders", type=Path, nargs="+")
    first.add_argument("--out", type=Path, required=True)
    first.add_argument("--every", default="1:0", metavar="N:K", help="each Nth, from the Kth")
    second = steps.add_parser("train")
    second.add_argument("patches", type=Path, nargs="+")
    second.add_argument("--rounds", type=int, default=30)
    second.add_argument("--device", default="cpu")
    onnx = Path(__file__).resolve().parents[1] / "vision" / "size.onnx"
    second.add_argument("--out", type=Path, default=onnx)
    args = parser.parse_args()
    cv2.setNumThreads(1)
    if args.step == "cut":
        cut(args.renders, args.out, args.every)
    else:
        train(args.patches, args.out, args.rounds, args.device)


if __name__ == "__main__":
    main()
