#!/usr/bin/env python3
"""Render photographs of invented syringes, each with its truth.

    python sample_images/render.py --numbers 1000:1300 --out DIR --width 1840 --spp 64
    python sample_images/render.py --sample all --out sample_images

The first makes random scenes, one for each number, the second the project's own photographs.
Needs the ``render`` extra (Mitsuba 3) and the fonts named in docs/renders.md.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
import zlib
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

from renderer import post, trace, truth
from renderer.scene import Scene, random_scene


def make(
    scene: Scene,
    folder: Path,
    *,
    spp: int,
    background_spp: int | None,
    barrel_only: bool = False,
    focused: bool = False,
) -> int:
    """Render one scene and write its JPEG and truth file; returns the JPEG's size in bytes.

    With ``barrel_only`` what is not near a syringe is traced for the exposure only, then painted
    grey.  With ``focused`` clear things bend the light that passes them.
    """
    other = 1 if barrel_only else background_spp
    light = trace.render(scene, spp=spp, background_spp=other, focused=focused)
    picture = post.developed(light, scene)
    if barrel_only:
        picture[~trace.near_syringes(scene)] = 128
    size = post.save(picture, scene, folder / f"{scene.name}.jpg")
    facts = json.dumps(truth.truth(scene), indent=1)
    (folder / f"{scene.name}.json").write_text(facts + "\n", encoding="utf-8")
    return size


def _resized(scene: Scene, long_side: int) -> Scene:
    """The same photograph with another number of pixels."""
    camera = scene.camera
    share = long_side / max(camera.width, camera.height)
    size = {"width": round(share * camera.width), "height": round(share * camera.height)}
    return replace(scene, camera=replace(camera, **size))


def roughened(scene: Scene, spp: int) -> tuple[Scene, int]:
    """A random scene rolled further, smaller or noisier, as comes; and fewer rays for it.

    The same for the same scene.  For training: what is hard to read is seldom drawn otherwise.
    """
    rng = np.random.default_rng([20262, zlib.crc32(scene.name.encode())])
    if rng.random() < 0.5:
        roll = float(rng.uniform(-40, 40))
        scene = replace(scene, placed=tuple(replace(p, roll_deg=roll) for p in scene.placed))
    long_side = max(scene.camera.width, scene.camera.height)
    if rng.random() < 0.4:
        scene = _resized(scene, round(long_side * float(rng.uniform(0.5, 0.9))))
    noise = scene.post.noise * float(rng.choice([1, 1, 2, 4]))
    scene = replace(scene, post=replace(scene.post, noise=noise))
    return scene, int(rng.choice([4, 8, 16, spp]))


def rebuilt(scene: Scene) -> Scene:
    """A random scene with a barrel somewhat wider or narrower, and the nozzle as a standard has it.

    The cone is that of ISO 80369-7 (from memory: 4 mm thick, taper 6 in 100) on four in five;
    every third that has nothing on it stands in a collar.  For training: what the size of a
    barrel is told by must not be that barrels of one capacity are all alike.
    """
    rng = np.random.default_rng([20263, zlib.crc32(scene.name.encode())])
    placed = []
    for p in scene.placed:
        s = p.syringe
        wider = float(np.exp(rng.uniform(-0.13, 0.13)))
        luer = float(rng.uniform(1.93, 2.03) if rng.random() < 0.8 else rng.uniform(1.5, 2.3))
        collar = float(rng.uniform(3.7, 5.0))
        with_collar = s.attachment == "none" and rng.random() < 1 / 3
        body = {
            "inner_diameter_mm": wider * s.inner_diameter_mm,
            "wall_mm": wider * s.wall_mm,
            "luer_mm": luer,
            "collar_mm": collar if with_collar else None,
            "attachment_girth": float(np.exp(rng.uniform(-0.1, 0.4))),
        }
        placed.append(replace(p, syringe=replace(s, **body)))
    return replace(scene, placed=tuple(placed))


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    what = parser.add_mutually_exclusive_group(required=True)
    what.add_argument("--numbers", metavar="FROM:TO", help="random scenes with these numbers")
    what.add_argument("--sample", metavar="NAME", nargs="+", help="sample photographs, or: all")
    parser.add_argument("--out", type=Path, required=True, help="folder to write to")
    parser.add_argument("--width", type=int, default=1840, help="long side in pixels")
    parser.add_argument("--spp", type=int, default=64, help="rays for each pixel of the syringe")
    parser.add_argument("--background-spp", type=int, help="rays for each other pixel")
    parser.add_argument("--variant", default="auto", help="auto, cuda_ad_rgb or llvm_ad_rgb")
    parser.add_argument(
        "--every", metavar="N:K", help="only each Nth number, from the Kth (from 0)"
    )
    parser.add_argument("--readable", action="store_true", help="leave out those to be refused")
    parser.add_argument("--barrel-only", action="store_true", help="trace the syringe alone")
    parser.add_argument(
        "--rough", action="store_true", help="rolled, small, noisy, grainy, as comes"
    )
    parser.add_argument(
        "--rebuilt", action="store_true", help="barrels of other widths, nozzles of one size"
    )
    parser.add_argument(
        "--focused", action="store_true", help="clear things bend the light that passes them"
    )
    parser.add_argument("--keep", action="store_true", help="skip what is already there")
    args = parser.parse_args(argv)
    step, offset = (int(v) for v in args.every.split(":")) if args.every else (1, 0)
    if args.numbers:
        first, _, last = args.numbers.partition(":")
        # made one by one: drawing thousands of scenes takes minutes
        numbers = range(int(first), int(last) if last else int(first) + 1)[offset::step]
        drawn = (random_scene(n, long_side=args.width) for n in numbers)
        scenes = (s for s in drawn if not (args.readable and s.refuse_reason))
        how_many = f"up to {len(numbers)}"
    else:
        import scenes as own

        chosen = [_resized(s, args.width) for s in own.chosen(args.sample)][offset::step]
        scenes, how_many = iter(chosen), str(len(chosen))
    args.out.mkdir(parents=True, exist_ok=True)
    variant = trace.choose_variant(args.variant)
    print(f"rendering {how_many} photographs with {variant}", flush=True)
    for scene in scenes:
        if args.keep and (args.out / f"{scene.name}.json").exists():
            continue
        began = time.perf_counter()
        built = rebuilt(scene) if args.rebuilt else scene
        drawn_as, spp = roughened(built, args.spp) if args.rough else (built, args.spp)
        size = make(
            drawn_as,
            args.out,
            spp=spp,
            background_spp=args.background_spp,
            barrel_only=args.barrel_only,
            focused=args.focused,
        )
        took = time.perf_counter() - began
        print(f"{scene.name}: {took:.1f} s, {size / 1000:.0f} kB", flush=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
