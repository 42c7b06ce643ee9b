"""Train the net that tells where syringes lie in a picture (vision/silhouette.onnx).

A comb of lines is what the reader looks for, but a second syringe, or one whose scale is turned
away, need not show one.  This net paints nozzle, barrel and plunger rod at a low resolution;
nothing is measured with it.  Steps:

  render   random scenes, small, with the parts' outlines as a picture of labels (Mitsuba)
  pack     pictures and labels -> one .npz
  train    .npz -> weights (needs PyTorch)
  export   weights -> ONNX for OpenCV's dnn

Method and figures are in docs/silhouette.md.
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

from half_floats import store_half
from renderer.camera import Camera
from renderer.scene import Placed, Scene, fitted, random_scene, random_syringe

from drawmark.vision.silhouette import BARREL, LONG_SIDE, NOZZLE, ROD

RENDERED_SIDE = 512
SHAPE = (RENDERED_SIDE * 3 // 4, RENDERED_SIDE)  # stored pictures, all lying
FAR_SHARE = (0.3, 0.97)  # of the frame that the first syringe fills


@dataclass(frozen=True)
class Turned(Placed):
    """A syringe that lies anywhere on the desk, at any angle."""

    x_mm: float = 0.0
    turn_deg: float = 0.0

    @property
    def pose(self) -> np.ndarray:
        pose = replace(self, flip=False).lying
        c, s = np.cos(np.radians(self.turn_deg)), np.sin(np.radians(self.turn_deg))
        turn = np.array([[c, -s, 0, 0], [s, c, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]])
        pose[1, 3] -= self.y_mm
        pose = turn @ pose
        pose[0, 3] += self.x_mm
        pose[1, 3] += self.y_mm
        return pose

    @property
    def lying(self) -> np.ndarray:
        return super().pose


def training_scene(number: int) -> Scene:
    """As `random_scene`, but with more beside the syringe, and more of what is refused."""
    rng = np.random.default_rng([20261, number])
    scene = random_scene(500_000 + number, long_side=RENDERED_SIDE)
    if scene.refuse_reason == "extreme_blur":
        scene = replace(scene, post=replace(scene.post, blur_sigma_px=0.0))
    if not scene.placed:
        return scene
    first = scene.placed[0]
    cropped = scene.refuse_reason in ("cropped_plunger", "cropped_scale")
    if not cropped:
        camera = fitted(scene.camera, first, float(rng.uniform(*FAR_SHARE)))
        scene = replace(scene, camera=camera)
    if rng.random() < 0.25 and scene.refuse_reason != "back_facing":
        first = replace(first, roll_deg=float(rng.uniform(0, 360)))
    placed = [first]
    if rng.random() < 0.4:
        for _ in range(int(rng.choice([1, 1, 2]))):
            other = _beside(placed, scene.camera, rng)
            if other is not None:
                placed.append(other)
    post = replace(scene.post, blur_sigma_px=0.28 * scene.post.blur_sigma_px,
                   motion_px=0.28 * scene.post.motion_px, exif_orientation=1)  # fmt: skip
    return replace(scene, placed=tuple(placed), post=post)


def _beside(placed: list[Placed], camera: Camera, rng: np.random.Generator) -> Placed | None:
    """One more syringe that touches none of the others and is partly in the frame."""
    syringe, scale = random_syringe(rng)
    corners = np.array([[0, 0], [camera.width, 0], [0, camera.height],
                        [camera.width, camera.height]], float)  # fmt: skip
    slopes = camera.undistorted(corners)
    rays = np.c_[slopes, np.ones(4)] @ camera.axes
    on_desk = camera.position_mm + rays * (-camera.position_mm[2] / rays[:, 2])[:, None]
    low, high = on_desk[:, :2].min(0), on_desk[:, :2].max(0)
    for _ in range(40):
        other = Turned(syringe, scale, float(rng.uniform(0, 360)),
                       y_mm=float(rng.uniform(low[1], high[1])),
                       x_mm=float(rng.uniform(low[0], high[0])),
                       turn_deg=float(rng.uniform(0, 360)))  # fmt: skip
        if all(_apart(other, p) for p in placed):
            return other
    return None


def _apart(a: Placed, b: Placed) -> bool:
    points = []
    for p in (a, b):
        s, pose = p.syringe, p.pose
        x = np.linspace(s.foremost_x_mm, s.thumb_x_mm + 2, 40)
        points.append(x[:, None] * pose[:3, 0] + pose[:3, 3])
    gap = np.linalg.norm(points[0][:, None, :2] - points[1][None, :, :2], axis=2).min()
    reach = sum(p.syringe.outer_mm + p.syringe.flange_mm for p in (a, b))
    return bool(gap > reach + 1.0)


def labels(scene: Scene) -> np.ndarray:
    """Which part of a syringe is seen where, uint8 (height, width); 0 is neither."""
    camera = scene.camera
    out = np.zeros((camera.height, camera.width), np.uint8)
    around = np.linspace(0, 2 * np.pi, 24)
    ring = np.stack([np.zeros(24), np.cos(around), np.sin(around)], 1)
    for placed in scene.placed:
        s, pose = placed.syringe, placed.pose
        rod, thumb, flange = 0.75 * s.bore_mm, s.outer_mm + 1, s.outer_mm + 0.6 * s.flange_mm
        nose, front, back = s.nozzle_base_x_mm, -s.shoulder_gap_mm, s.flange_x_mm
        parts = (
            (NOZZLE, ((s.foremost_x_mm, 1.5), (nose, 2.6))),
            (ROD, ((back, rod), (s.thumb_x_mm, rod))),
            (ROD, ((s.thumb_x_mm, thumb), (s.thumb_x_mm + 1.5, thumb))),
            (ROD, ((back - 1, flange), (s.end_x_mm, flange))),
            (BARREL, ((nose, 0.6 * s.outer_mm), (front, s.outer_mm), (back, s.outer_mm))),
        )
        for label, rings in parts:
            points = np.concatenate([r * ring + [x, 0, 0] for x, r in rings])
            seen = camera.project(points @ pose[:3, :3].T + pose[:3, 3])
            seen = np.clip(seen, -4000, 4000)
            hull = cv2.convexHull(np.round(16 * (seen - 0.5)).astype(np.int32))
            cv2.fillConvexPoly(out, hull, label, cv2.LINE_8, 4)
    return out


def render(args: argparse.Namespace) -> None:
    from renderer import post, trace

    first, _, last = args.numbers.partition(":")
    step, _, offset = (args.every or "1:0").partition(":")
    args.out.mkdir(parents=True, exist_ok=True)
    trace.choose_variant(args.variant)
    for number in range(int(first), int(last))[int(offset) :: int(step)]:
        target = args.out / f"s{number:05d}.jpg"
        if target.exists():
            continue
        scene = training_scene(number)
        try:
            light = trace.render(scene, spp=args.spp, background_spp=max(4, args.spp // 4))
        except Exception as problem:  # a scene that cannot be built is no use, others are
            print(number, problem, flush=True)
            continue
        picture, label = post.developed(light, scene), labels(scene)
        if label.shape[0] > label.shape[1]:
            picture, label = np.rot90(picture), np.rot90(label)
        cv2.imwrite(str(target.with_suffix(".png")), label)
        cv2.imwrite(str(target), np.ascontiguousarray(picture[..., ::-1]),
                    [cv2.IMWRITE_JPEG_QUALITY, 92])  # fmt: skip


def pack(args: argparse.Namespace) -> None:
    pictures, marks = [], []
    for path in sorted(p for folder in args.folders for p in folder.glob("*.png")):
        picture = cv2.imread(str(path.with_suffix(".jpg")))
        label = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        if picture is None or label is None:
            continue
        if picture.shape[:2] != SHAPE:
            picture = cv2.resize(picture, SHAPE[::-1], interpolation=cv2.INTER_AREA)
            label = cv2.resize(label, SHAPE[::-1], interpolation=cv2.INTER_NEAREST)
        pictures.append(picture)
        marks.append(label)
    np.savez_compressed(args.out, pictures=np.stack(pictures), labels=np.stack(marks))
    print(len(pictures), "pictures")


# -- what the training adds to the renders ---------------------------------------------------


def _clutter(rng: np.random.Generator, shape: tuple[int, int]) -> np.ndarray:
    """A background of things with lines and edges: rulers, print, keys, bars, pens."""
    h, w = shape
    base = rng.uniform(20, 245)
    tint = rng.normal(0, 8, 3)
    coarse = rng.normal(0, rng.uniform(1, 25), (5, 7)).astype(np.float32)
    picture = base + cv2.resize(coarse, (w, h), interpolation=cv2.INTER_CUBIC)[..., None] + tint
    if rng.random() < 0.4:
        grain = rng.normal(0, rng.uniform(2, 20), (h // int(rng.integers(1, 5)), w))
        picture = picture + cv2.resize(grain.astype(np.float32), (w, h))[..., None]
    picture = np.clip(picture, 0, 255).astype(np.float32)
    for _ in range(int(rng.integers(0, 5))):
        thing = str(rng.choice(["ruler", "print", "keys", "bars", "rod", "disc", "plate"]))
        ink_on = np.zeros((h, w), np.uint8)
        body_on = np.zeros((h, w), np.uint8)
        width, length = rng.uniform(10, 70), rng.uniform(60, 420)
        middle = np.array([w, h]) * rng.uniform(0.1, 0.9, 2)
        shade, ink = rng.uniform(0, 255, 3), rng.uniform(0, 255, 3)
        x0, x1, y0, y1 = -length / 2, length / 2, -width / 2, width / 2
        turn = rng.uniform(0, 2 * np.pi)
        c, s = np.cos(turn), np.sin(turn)

        def at(x: float, y: float, c=c, s=s, middle=middle) -> tuple[int, int]:
            return round(middle[0] + c * x - s * y), round(middle[1] + s * x + c * y)

        body = np.array([at(x0, y0), at(x1, y0), at(x1, y1), at(x0, y1)])
        if thing == "disc":
            cv2.circle(body_on, at(0, 0), round(width / 2), 255, -1, cv2.LINE_AA)
            cv2.circle(ink_on, at(0, 0), round(width / 2.4), 128, 2, cv2.LINE_AA)
        else:
            cv2.fillConvexPoly(body_on, body, 255, cv2.LINE_AA)
        if thing == "ruler":
            pitch, deep = rng.uniform(2.5, 14), rng.uniform(0.2, 0.8) * width
            for i, x in enumerate(np.arange(x0 + 4, x1 - 4, pitch)):
                far = deep if i % 5 == 0 else 0.6 * deep
                cv2.line(ink_on, at(x, y0), at(x, y0 + far), 255, 1, cv2.LINE_AA)
                if i % 10 == 0 and rng.random() < 0.9:
                    cv2.putText(ink_on, str(i // 10), at(x - 3, y1 - 4), cv2.FONT_HERSHEY_SIMPLEX,
                                0.35, 255, 1, cv2.LINE_AA)  # fmt: skip
        elif thing == "print":
            for y in np.arange(y0 + 5, y1 - 4, rng.uniform(6, 14)):
                x = x0 + 5
                while x < x1 - 10:
                    word = rng.uniform(3, 22)
                    cv2.line(ink_on, at(x, y), at(min(x + word, x1 - 4), y), 255, 2)
                    x += word + 4
        elif thing == "keys":
            step = rng.uniform(9, 22)
            for x in np.arange(x0 + 3, x1 - step, step):
                for y in np.arange(y0 + 3, y1 - step, step):
                    corners = [at(x, y), at(x + step - 3, y), at(x + step - 3, y + step - 3),
                               at(x, y + step - 3)]  # fmt: skip
                    cv2.fillConvexPoly(ink_on, np.array(corners), 255, cv2.LINE_AA)
        elif thing == "bars":
            x = x0 + 4
            while x < x1 - 4:
                cv2.line(ink_on, at(x, y0 + 3), at(x, y1 - 3), 255, int(rng.integers(1, 4)))
                x += rng.uniform(2, 9)
        layer, lower = (one.astype(np.float32) / 255 for one in (ink_on, body_on))
        picture = picture * (1 - lower[..., None]) + lower[..., None] * shade
        if thing == "rod":  # a pen: shaded across
            across = (np.arange(w)[None] - middle[0]) * -s + (np.arange(h)[:, None] - middle[1]) * c
            glow = np.clip(1 - (across / (width / 2)) ** 2, 0, 1) ** 0.5
            picture = picture * (1 - 0.6 * lower * (1 - glow))[..., None]
        picture = picture * (1 - layer[..., None]) + layer[..., None] * ink
    if rng.random() < 0.5:
        picture = cv2.GaussianBlur(picture, (0, 0), rng.uniform(0.4, 1.5))
    return np.clip(picture, 0, 255).astype(np.float32)


def example(
    pictures: np.ndarray, marks: np.ndarray, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """One augmented picture, uint8 (h, w, 3), and its labels at half the size."""
    i = int(rng.integers(len(pictures)))
    picture, label = pictures[i].astype(np.float32), marks[i]
    h, w = LONG_SIDE * 3 // 4, LONG_SIDE
    zoom = LONG_SIDE / picture.shape[1] * float(np.exp(rng.uniform(-0.35, 0.45)))
    turn = rng.uniform(0, 2 * np.pi)
    c, s = zoom * np.cos(turn), zoom * np.sin(turn)
    a = np.array([[c, -s], [s, c]]) @ np.diag([rng.choice([-1, 1]), 1])
    shift = np.array([w, h]) / 2 + rng.normal(0, 0.12, 2) * [w, h]
    m = np.c_[a, shift - a @ (np.array(picture.shape[1::-1]) / 2)]
    behind = _clutter(rng, (h, w))
    inside = np.ones(picture.shape[:2], np.float32)
    if rng.random() < 0.35:  # the desk is another one: the syringe and a seam of card are kept
        size = int(rng.integers(3, 26)) * 2 + 1
        kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size))
        inside = cv2.dilate((label > 0).astype(np.float32), kernel)
        inside = cv2.GaussianBlur(inside, (0, 0), rng.uniform(0.6, 3))
    picture = cv2.warpAffine(
        picture, m, (w, h), flags=cv2.INTER_AREA, borderMode=cv2.BORDER_REPLICATE
    )
    inside = cv2.warpAffine(inside, m, (w, h), borderMode=cv2.BORDER_CONSTANT)[..., None]
    label = cv2.warpAffine(label, m, (w, h), flags=cv2.INTER_NEAREST)
    if inside.min() > 0.99 or rng.random() < 0.5:
        picture = picture * inside + behind * (1 - inside)
    elif inside.min() < 0.5:
        picture = np.where(inside > 0.01, picture, behind) if rng.random() < 0.7 else picture
    gain = rng.uniform(0.55, 1.35) * np.exp(rng.normal(0, 0.06, 3))
    picture = 255 * np.clip(picture / 255 * gain, 0, 1) ** np.exp(rng.normal(0, 0.25))
    if rng.random() < 0.2:
        picture = np.repeat(picture.mean(2, keepdims=True), 3, 2)
    if rng.random() < 0.4:
        picture = cv2.GaussianBlur(picture, (0, 0), rng.uniform(0.3, 2.2))
    picture = picture + rng.normal(0, rng.uniform(0, 7), picture.shape)
    small = cv2.resize(label, (w // 2, h // 2), interpolation=cv2.INTER_NEAREST)
    return np.clip(picture, 0, 255).astype(np.uint8), small


def empty_example(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Clutter with no syringe in it."""
    h, w = LONG_SIDE * 3 // 4, LONG_SIDE
    return _clutter(rng, (h, w)).astype(np.uint8), np.zeros((h // 2, w // 2), np.uint8)


def build_net() -> Any:
    """A small net of the shape of a U; logits of 4 labels at half the picture's size."""
    import torch
    from torch import nn

    def step(i: int, o: int, stride: int = 1, dilation: int = 1) -> nn.Sequential:
        return nn.Sequential(
            nn.Conv2d(i, o, 3, stride, dilation, dilation, bias=False), nn.BatchNorm2d(o), nn.ReLU()
        )

    class Net(nn.Module):
        def __init__(self) -> None:
            super().__init__()
            self.a = nn.Sequential(step(3, 12, 2), step(12, 16))
            self.b = nn.Sequential(step(16, 32, 2), step(32, 32))
            self.c = nn.Sequential(step(32, 48, 2), step(48, 48))
            self.d = nn.Sequential(
                step(48, 64, 2), step(64, 64, 1, 2), step(64, 64, 1, 4), step(64, 48)
            )
            self.up_c, self.up_b, self.up_a = step(96, 32), step(64, 16), step(32, 16)
            self.out = nn.Conv2d(16, 4, 1)
            self.up = nn.Upsample(scale_factor=2, mode="nearest")

        def forward(self, x: Any) -> Any:
            a = self.a(x / 128 - 1)
            b = self.b(a)
            c = self.c(b)
            d = self.up(self.d(c))
            c = self.up(self.up_c(torch.cat([c, d], 1)))
            b = self.up(self.up_b(torch.cat([b, c], 1)))
            return self.out(self.up_a(torch.cat([a, b], 1)))

    return Net()


def _produce(path: Path, key: int, queue: Any, batch: int) -> None:
    cv2.setNumThreads(1)
    data = np.load(path)
    pictures, marks = data["pictures"], data["labels"]
    cut = len(pictures) - len(pictures) // 12
    pictures, marks = pictures[:cut], marks[:cut]
    rng = np.random.default_rng(key)
    while True:
        made = [empty_example(rng) if rng.random() < 0.08 else example(pictures, marks, rng)
                for _ in range(batch)]  # fmt: skip
        queue.put((np.stack([p for p, _ in made]), np.stack([m for _, m in made])))


def train(args: argparse.Namespace) -> None:
    import multiprocessing as mp

    import torch
    from torch.nn import functional as F

    torch.manual_seed(1)
    torch.set_num_threads(max(1, args.threads))
    device = torch.device(args.device)
    net = build_net().to(device)
    print("parameters", sum(p.numel() for p in net.parameters()), flush=True)
    if args.start:
        net.load_state_dict(torch.load(args.start, map_location=device))
    data = np.load(args.data)
    held = len(data["pictures"]) // 12
    held_x, held_y = data["pictures"][-held:], data["labels"][-held:]
    rng = np.random.default_rng(3)
    tests = [example(held_x, held_y, rng) for _ in range(160)]
    ctx = mp.get_context("spawn")
    queue = ctx.Queue(maxsize=args.drawers * 2)
    for i in range(args.drawers):
        ctx.Process(target=_produce, args=(args.data, i, queue, args.batch), daemon=True).start()
    opt = torch.optim.AdamW(net.parameters(), lr=args.lr, weight_decay=1e-3)
    weight = torch.tensor([0.5, 3.0, 1.0, 1.0], device=device)
    began, step, shown, pool = time.monotonic(), 0, 0.0, []
    while (spent := time.monotonic() - began) < 60 * args.minutes:
        if len(pool) < 64 or not queue.empty():
            pool = [*pool[-400:], queue.get()]
        part = 0.5 * (1 + np.cos(np.pi * spent / 60 / args.minutes)) + 0.005
        lr = args.lr * min(1, (step + 1) / 200) * part
        for group in opt.param_groups:
            group["lr"] = lr
        x, y = pool[-1] if step % 2 == 0 else pool[int(rng.integers(len(pool)))]
        xb = torch.from_numpy(x).to(device).permute(0, 3, 1, 2).float()
        yb = torch.from_numpy(y).to(device).long()
        net.train()
        loss = F.cross_entropy(net(xb), yb, weight=weight)
        opt.zero_grad()
        loss.backward()
        opt.step()
        step += 1
        if spent - shown > 30:
            shown = spent
            figures = _figures(net, tests, device)
            print(f"{spent:5.0f} s step {step} loss {loss.item():.4f} {figures}", flush=True)
    print("at the end", _figures(net, tests, device), flush=True)
    torch.save(net.cpu().state_dict(), args.state)


def _figures(net: Any, tests: list[tuple[np.ndarray, np.ndarray]], device: Any) -> str:
    """Intersection over union of each part on pictures that were held out."""
    import torch

    net.eval()
    meet, join = np.zeros(4), np.zeros(4)
    with torch.no_grad():
        for picture, label in tests:
            x = torch.from_numpy(picture).to(device).permute(2, 0, 1)[None].float()
            said = net(x)[0].argmax(0).cpu().numpy()
            for k in range(4):
                meet[k] += np.sum((said == k) & (label == k))
                join[k] += np.sum((said == k) | (label == k))
    return "IoU none nozzle barrel rod " + " ".join(f"{v:.3f}" for v in meet / join)


def export(args: argparse.Namespace) -> None:
    import torch

    net = build_net()
    net.load_state_dict(torch.load(args.state, map_location="cpu"))
    net.eval()
    shape = (1, 3, LONG_SIDE * 3 // 4, LONG_SIDE)
    axes = {0: "n", 2: "h", 3: "w"}
    torch.onnx.export(net, (torch.zeros(shape),), str(args.out), input_names=["picture"],
                      output_names=["logits"], opset_version=13, dynamo=False,
                      dynamic_axes={"picture": axes, "logits": axes})  # fmt: skip
    store_half(args.out)
    some = np.random.default_rng(0).uniform(0, 255, shape).astype(np.float32)
    check = cv2.dnn.readNetFromONNX(str(args.out))
    check.setInput(some)
    with torch.no_grad():
        apart = np.abs(check.forward() - net(torch.from_numpy(some)).numpy()).max()
    print(f"{args.out.stat().st_size} bytes; cv2.dnn against torch {apart:.1e}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    steps = parser.add_subparsers(required=True)
    step = steps.add_parser("render")
    step.add_argument("--numbers", required=True, metavar="FROM:TO")
    step.add_argument("--every", metavar="N:K")
    step.add_argument("--out", type=Path, required=True)
    step.add_argument("--spp", type=int, default=32)
    step.add_argument("--variant", default="auto")
    step.set_defaults(run=render)
    step = steps.add_parser("pack")
    step.add_argument("folders", type=Path, nargs="+")
    step.add_argument("--out", type=Path, required=True)
    step.set_defaults(run=pack)
    step = steps.add_parser("train")
    step.add_argument("data", type=Path)
    step.add_argument("--state", type=Path, required=True)
    step.add_argument("--start", type=Path)
    step.add_argument("--minutes", type=float, default=5)
    step.add_argument("--device", default="cpu")
    step.add_argument("--drawers", type=int, default=1)
    step.add_argument("--threads", type=int, default=1)
    step.add_argument("--batch", type=int, default=32)
    step.add_argument("--lr", type=float, default=3e-3)
    step.set_defaults(run=train)
    step = steps.add_parser("export")
    step.add_argument("state", type=Path)
    default = Path(__file__).resolve().parents[1] / "vision" / "silhouette.onnx"
    step.add_argument("--out", type=Path, default=default)
    step.set_defaults(run=export)
    args = parser.parse_args()
    args.run(args)


if __name__ == "__main__":
    main()
