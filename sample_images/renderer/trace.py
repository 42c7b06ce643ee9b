"""Path tracing of a scene with Mitsuba 3.

Rays are made here rather than by the renderer's own camera: the lens distortion is then exact
in picture and truth alike, and the syringe can be given more rays than the card around it.
"""

from __future__ import annotations

import os
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

from . import printing
from .meshes import Mesh, box, lathe, write_ply
from .scene import CAPS, CARD_MM, CARDS, DESKS, INKS, RODS, STOPPERS, TINTS, Item, Placed, Scene
from .syringe import Syringe, rotation_x

PLASTIC_IOR, WATER_IOR, AIR_IOR = 1.49, 1.333, 1.0
#: Light carried by one path is cut off here (a white card sends about 0.4): rare bright paths
#: through the barrel would otherwise need thousands of samples to average out.
CLAMP = 1.2
#: Of the rays that meet a clear surface first, those that look at its mirror image.
MIRROR_SHARE = 0.22
WAVEFRONT = {"llvm": 1 << 21, "cuda": 1 << 24}


def choose_variant(wanted: str = "auto") -> str:
    """Set and return the renderer's variant: on the graphics card if it can, else by LLVM.

    Raises RuntimeError, saying what to install, where neither can be used.
    """
    import mitsuba as mi

    order = ["cuda_ad_rgb", "llvm_ad_rgb"] if wanted == "auto" else [wanted]
    problems = []
    for name in order:
        try:
            mi.set_variant(name)
            probe = mi.load_dict({"type": "scene", "s": {"type": "sphere"}})
            ray = mi.Ray3f(mi.Point3f(0, 0, 5), mi.Vector3f(0, 0, -1))
            if bool(np.all(np.array(probe.ray_intersect(ray).is_valid()))):
                return name
            problems.append(f"{name}: a ray missed")
        except Exception as problem:
            problems.append(f"{name}: {problem}")
    raise RuntimeError(
        "no variant of the renderer works here: install an LLVM library (Debian: libllvm19; "
        "name it in DRJIT_LIBLLVM_PATH) or a graphics driver with OptiX. " + "; ".join(problems)
    )


def render(
    scene: Scene, *, spp: int = 64, background_spp: int | None = None, focused: bool = False
) -> np.ndarray:
    """Linear light, shape (height, width, 3), float32; ``choose_variant`` comes first.

    ``spp`` rays for each pixel on or near a syringe, ``background_spp`` for the others
    (default: the same).  With ``focused`` clear things bend the light that passes them.
    """
    import mitsuba as mi

    with tempfile.TemporaryDirectory() as folder:
        world = mi.load_dict(_world(scene, Path(folder)))
    camera = scene.camera
    count = camera.width * camera.height
    image = np.zeros((count, 3), np.float32)
    near = near_syringes(scene).ravel()
    background_spp = background_spp or spp
    if background_spp == spp:
        groups = [(np.arange(count), spp)]
    else:
        groups = [(np.flatnonzero(near), spp), (np.flatnonzero(~near), background_spp)]
    for number, (pixels, samples) in enumerate(groups):
        if len(pixels):
            image[pixels] = _light(world, scene, pixels, samples, 1000 * number + 7, focused)
    picture = image.reshape(camera.height, camera.width, 3)
    if background_spp < spp:
        smooth = _guided(picture)
        picture = np.where(near.reshape(camera.height, camera.width, 1), picture, smooth)
    return picture


def _light(
    world: Any, scene: Scene, pixels: np.ndarray, spp: int, key: int, focused: bool
) -> np.ndarray:
    """Mean light over each of the pixels, shape (len(pixels), 3)."""
    import drjit as dr
    import mitsuba as mi

    from .paths import light_along

    camera = scene.camera
    sky = mi.Color3f(*map(float, _sky(scene)))
    sampler = mi.load_dict({"type": "independent"})
    backend = "cuda" if mi.variant().startswith("cuda") else "llvm"
    at_once = max(1, WAVEFRONT[backend] // spp)
    mirrors = max(1, round(MIRROR_SHARE * spp))
    out = np.zeros((len(pixels), 3), np.float32)
    axes = camera.axes
    right, down, forward = (mi.Vector3f(*map(float, a)) for a in axes)
    origin = mi.Point3f(*map(float, camera.position_mm))
    focus = camera.distance_mm + camera.focus_error_mm
    for start in range(0, len(pixels), at_once):
        part = pixels[start : start + at_once]
        size = len(part) * spp
        sampler.seed(key + start, size)
        index = dr.repeat(mi.UInt32(part.astype(np.uint32)), spp)
        jitter = sampler.next_2d()
        order = dr.arange(mi.UInt32, size) % spp
        lane = order < mirrors
        spread = _spread(order, lane, mirrors, spp, index, sampler)
        column = mi.Float(index % camera.width) + jitter.x
        row = mi.Float(index // camera.width) + jitter.y
        half = camera.half_diagonal_px
        bx, by = (column - camera.width / 2) / half, (row - camera.height / 2) / half
        fx, fy = bx, by
        for _ in range(6):
            scale = dr.rcp(1 + camera.k1 * (fx * fx + fy * fy))
            fx, fy = bx * scale, by * scale
        fx, fy = fx * half / camera.focal_px, fy * half / camera.focal_px
        if camera.aperture_radius_mm > 0:
            lens = mi.warp.square_to_uniform_disk_concentric(sampler.next_2d())
            shift = camera.aperture_radius_mm * (lens.x * right + lens.y * down)
            seen = origin + focus * (fx * right + fy * down + forward)
            ray = mi.Ray3f(origin + shift, dr.normalize(seen - origin - shift))
        else:
            way = dr.normalize(fx * right + fy * down + forward)
            ray = mi.Ray3f(dr.repeat(origin, size), way)
        light = light_along(world, sampler, ray, sky, spread, lane, mirrors / spp, focused)
        brightest = dr.maximum(dr.max(light), 1e-9)
        light *= dr.minimum(1, CLAMP / brightest)
        light = dr.select(dr.isfinite(dr.sum(light)), light, 0)
        dr.eval(light)  # once, not once for each of the sums below
        means = [dr.block_sum(channel, spp) / spp for channel in light]
        dr.eval(means)
        out[start : start + len(part)] = np.stack([np.array(m) for m in means], 1)
    return out


def _spread(order: Any, lane: Any, mirrors: int, spp: int, pixel: Any, sampler: Any) -> Any:
    """A point of the unit square for each ray, evenly spread within each pixel's two groups.

    A Hammersley set, shifted by an amount of each pixel's own so that neighbours differ.
    """
    import drjit as dr
    import mitsuba as mi

    rank = dr.select(lane, order, order - mirrors)
    count = mi.Float(dr.select(lane, mirrors, spp - mirrors))
    one, two = mi.sample_tea_32(mi.UInt32(pixel), mi.UInt32(0x9E37))
    jitter = sampler.next_1d()
    across = (mi.Float(rank) + jitter) / count + mi.Float(one) * 2.0**-32
    along = mi.Float(dr.brev(rank)) * 2.0**-32 + mi.Float(two) * 2.0**-32
    return mi.Point2f(across - dr.floor(across), along - dr.floor(along))


def near_syringes(scene: Scene) -> np.ndarray:
    """Pixels on or within a few millimetres of a syringe, shape (height, width), bool."""
    from PIL import Image, ImageDraw

    camera = scene.camera
    image = Image.new("1", (camera.width, camera.height), 0)
    draw = ImageDraw.Draw(image)
    for placed in scene.placed:
        s, pose = placed.syringe, placed.pose
        wide = s.outer_mm + s.flange_mm
        pieces = [
            (s.foremost_x_mm - 2, s.flange_x_mm - 2, s.outer_mm + 3),
            (s.flange_x_mm - 2, s.end_x_mm + 3, wide + 3),
            (s.end_x_mm, s.thumb_x_mm - 2, s.bore_mm + 2),
            (s.thumb_x_mm - 2, s.thumb_x_mm + 5, wide + 2),
        ]
        for x0, x1, r in pieces:
            ring = np.linspace(0, 2 * np.pi, 24, endpoint=False)
            local = np.array([[x, r * np.sin(a), r * np.cos(a)] for x in (x0, x1) for a in ring])
            seen = camera.project(local @ pose[:3, :3].T + pose[:3, 3])
            draw.polygon([tuple(p) for p in _hull(seen)], fill=1)
    return np.asarray(image, bool)


def _hull(points: np.ndarray) -> list[np.ndarray]:
    """Convex hull of points, shape (N, 2), by monotone chain."""
    ordered = points[np.lexsort((points[:, 1], points[:, 0]))]

    def chain(rows: np.ndarray) -> list[np.ndarray]:
        kept: list[np.ndarray] = []
        for p in rows:
            while len(kept) > 1:
                a, b = kept[-1] - kept[-2], p - kept[-2]
                if a[0] * b[1] - a[1] * b[0] > 0:
                    break
                kept.pop()
            kept.append(p)
        return kept[:-1]

    return chain(ordered) + chain(ordered[::-1])


def _guided(picture: np.ndarray, radius: int = 4, epsilon: float = 4e-4) -> np.ndarray:
    """Edge-keeping smoothing (guided filter, the picture as its own guide)."""
    out = np.empty_like(picture)
    for channel in range(3):
        p = np.log1p(picture[..., channel])
        mean = _box(p, radius)
        variance = np.maximum(_box(p * p, radius) - mean * mean, 0)
        a = variance / (variance + epsilon)
        out[..., channel] = np.expm1(_box(a, radius) * p + _box(mean - a * mean, radius))
    return out


def _box(field: np.ndarray, radius: int) -> np.ndarray:
    for axis in (0, 1):
        padded = np.pad(
            field, [(radius + 1, radius) if a == axis else (0, 0) for a in (0, 1)], "edge"
        )
        total = np.cumsum(padded, axis, dtype=np.float64)
        n = field.shape[axis]
        width = 2 * radius + 1
        high = np.take(total, np.arange(width, width + n), axis)
        low = np.take(total, np.arange(n), axis)
        field = ((high - low) / width).astype(np.float32)
    return field


# --- the scene as the renderer wants it ---------------------------------------------------


def _world(scene: Scene, folder: Path) -> dict[str, Any]:
    world: dict[str, Any] = {"type": "scene"}
    rng = np.random.default_rng(scene.texture_key)
    parts = _Parts(world, folder)
    _desk(scene, parts, rng)
    for number, placed in enumerate(scene.placed):
        _syringe(placed, parts, f"s{number}_")
    for number, item in enumerate(scene.clutter):
        _item(item, parts, f"i{number}")
    _lights(scene, world)
    return world


class _Parts:
    """Adds meshes with their materials to the renderer's description of the scene."""

    def __init__(self, world: dict[str, Any], folder: Path) -> None:
        self.world, self.folder = world, folder

    def add(self, name: str, mesh: Mesh, bsdf: dict[str, Any]) -> None:
        path = self.folder / f"{name}.ply"
        write_ply(mesh, path)
        self.world[name] = {"type": "ply", "filename": os.fspath(path), "bsdf": bsdf}


def _rgb(colour: tuple[float, ...]) -> dict[str, Any]:
    return {"type": "rgb", "value": [float(c) for c in colour]}


def _matte(colour: tuple[float, ...]) -> dict[str, Any]:
    return {"type": "twosided", "bsdf": {"type": "diffuse", "reflectance": _rgb(colour)}}


def _satin(
    colour: tuple[float, ...], roughness: float = 0.25, outside: float = AIR_IOR
) -> dict[str, Any]:
    return {
        "type": "twosided",
        "bsdf": {"type": "roughplastic", "diffuse_reflectance": _rgb(colour), "alpha": roughness,
                 "int_ior": 1.49, "ext_ior": outside, "distribution": "ggx"},
    }  # fmt: skip


def _clear(inside: float, outside: float, tint: tuple[float, ...] = (1, 1, 1)) -> dict[str, Any]:
    return {"type": "dielectric", "int_ior": inside, "ext_ior": outside,
            "specular_transmittance": _rgb(tint)}  # fmt: skip


def _picture(values: np.ndarray, *, raw: bool, wrap: str = "clamp") -> dict[str, Any]:
    import mitsuba as mi

    if values.ndim == 2:
        values = values[..., None]
    bitmap = mi.Bitmap(np.ascontiguousarray(values, np.float32))
    return {"type": "bitmap", "bitmap": bitmap, "raw": raw, "wrap_mode": wrap,
            "filter_type": "bilinear"}  # fmt: skip


def _syringe(placed: Placed, parts: _Parts, prefix: str) -> None:
    s, scale, pose = placed.syringe, placed.scale, placed.pose
    tint = TINTS.get(s.content, (1.0, 1.0, 1.0))
    ink = {
        "type": "blendbsdf",
        "weight": _picture(printing.ink_alpha(s, scale), raw=True),
        "clear": _clear(PLASTIC_IOR, AIR_IOR),
        "ink": _matte(INKS[scale.ink]),
    }
    milky = _matte((0.86, 0.86, 0.83))
    wet = s.content == "milky"
    materials = {
        "print": ink,
        "wall_air": _clear(PLASTIC_IOR, AIR_IOR),
        "bore_air": _clear(AIR_IOR, PLASTIC_IOR),
        "bore_liquid": milky if wet else _clear(WATER_IOR, PLASTIC_IOR, tint),
        "liquid_air": milky if wet else _clear(WATER_IOR, AIR_IOR, tint),
        "air_liquid": milky if wet else _clear(AIR_IOR, WATER_IOR),
        **_stopper(s),
        "rod": _satin(RODS.get(s.plunger_colour) or STOPPERS[s.plunger_colour], 0.2),
        "cap": _satin(CAPS[s.attachment_colour], 0.2),
        "steel": {"type": "roughconductor", "material": "Cr", "alpha": 0.12},
    }
    for name, mesh in s.meshes().items():
        parts.add(prefix + name, mesh.moved(pose), materials[name])


def _stopper(s: Syringe) -> dict[str, Any]:
    """The stopper's materials: solid, or a clear plastic clouded by ``haze``."""
    wet = AIR_IOR if s.content == "empty" else WATER_IOR
    rough = 0.3 if s.plunger_style == "rubber" else 0.18
    solid = _satin(STOPPERS[s.stopper_colour], rough)
    if s.haze >= 1 and not s.contact:
        return {"stopper": solid}
    if s.haze >= 1:  # against the plastic there is no gloss
        outside = AIR_IOR if s.sheen else wet
        return {
            "stopper": _satin(STOPPERS[s.stopper_colour], rough, outside),
            "stopper_band": _matte(STOPPERS[s.stopper_colour]),
            "stopper_dry": solid,
        }
    around = {"stopper": wet, "stopper_band": PLASTIC_IOR - 0.005, "stopper_dry": AIR_IOR}
    return {
        name: {"type": "blendbsdf", "weight": s.haze, "clear": _clear(PLASTIC_IOR, outside),
               "cloud": _matte(STOPPERS[s.stopper_colour])}
        for name, outside in around.items()
    }  # fmt: skip


def _desk(scene: Scene, parts: _Parts, rng: np.random.Generator) -> None:
    colour = np.asarray(DESKS[scene.desk])
    if scene.card_size_mm is None:
        colour = np.asarray(CARDS[scene.card_colour])
    half = 1500.0
    shape = (1024, 1024)
    grain = printing.value_noise(shape, 900, rng) - 0.5
    if "wood" in scene.desk and scene.card_size_mm is not None:
        bend = printing.value_noise(shape, 9, rng)
        rows = np.linspace(0, 60, shape[0])[:, None]
        rings = np.sin(2 * np.pi * (rows + 2.5 * bend))
        texture = 1 + 0.10 * rings + 0.12 * grain
    else:
        texture = 1 + 0.05 * grain + 0.06 * (printing.value_noise(shape, 40, rng) - 0.5)
    values = np.clip(colour * texture[..., None], 0, 0.95)
    # Repeated: one tile is 300 mm, so that the grain is a third of a millimetre.
    top = Mesh(
        np.array([[-half, -half, 0], [half, -half, 0], [half, half, 0], [-half, half, 0]]),
        np.tile([0.0, 0, 1], (4, 1)),
        np.array([[0, 1, 2], [0, 2, 3]]),
        np.array([[0, 0], [10, 0], [10, 10], [0, 10]], float),
    )
    surface = {"type": "diffuse", "reflectance": _picture(values, raw=True, wrap="mirror")}
    glossy = scene.desk in ("white laminate", "steel") and scene.card_size_mm is not None
    if glossy:
        surface = {"type": "roughplastic", "alpha": 0.3, "int_ior": 1.5,
                   "diffuse_reflectance": _picture(values, raw=True, wrap="mirror")}  # fmt: skip
    parts.add("desk", top, {"type": "twosided", "bsdf": surface})
    if scene.card_size_mm is None:
        return
    wide, tall = scene.card_size_mm
    paper = np.asarray(CARDS[scene.card_colour])
    fibre = 1 + 0.04 * (printing.value_noise((768, 768), 600, rng) - 0.5)
    if scene.card_colour == "kraft":
        fibre += 0.16 * (printing.value_noise((768, 768), 120, rng) - 0.5)
    sheet = _picture(np.clip(paper * fibre[..., None], 0, 0.95), raw=True)
    turn = _about_z(scene.card_angle_deg)
    body = box((-wide / 2, -tall / 2, 0.02), (wide / 2, tall / 2, CARD_MM - 0.01)).moved(turn)
    corners = np.array([[-wide, -tall], [wide, -tall], [wide, tall], [-wide, tall]]) / 2
    face = Mesh(
        np.column_stack([corners, np.full(4, CARD_MM)]),
        np.tile([0.0, 0, 1], (4, 1)),
        np.array([[0, 1, 2], [0, 2, 3]]),
        np.array([[0, 0], [1, 0], [1, 1], [0, 1]], float),
    ).moved(turn)
    parts.add("card_edge", body, _matte(tuple(paper)))
    parts.add("card", face, {"type": "twosided", "bsdf": {"type": "diffuse", "reflectance": sheet}})


def _about_z(angle_deg: float) -> np.ndarray:
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    pose = np.eye(4)
    pose[:2, :2] = [[c, -s], [s, c]]
    return pose


def _item(item: Item, parts: _Parts, name: str) -> None:
    length, thick = item.size_mm
    floor = CARD_MM + 0.05
    place = _about_z(item.angle_deg)
    place[:3, 3] = [item.x_mm, item.y_mm, 0]
    if item.kind == "coin":
        r, b = length / 2, 0.25
        profile = [(0.0, 0.0), (0.0, r - b), (b, r), (thick - b, r), (thick, r - b),
                   (thick, r - 1.2), (thick - 0.15, r - 1.5), (thick - 0.15, 0.0)]  # fmt: skip
        place[2, 3] = floor
        turn = np.eye(4)
        turn[:3, :3] = [[0, 0, -1], [0, 1, 0], [1, 0, 0]]  # the turned part's axis stands up
        metal = {"type": "twosided", "bsdf": {"type": "roughconductor", "alpha": 0.22,
                 "specular_reflectance": _rgb(item.colour)}}  # fmt: skip
        parts.add(name, lathe(profile, segments=128).moved(place @ turn), metal)
        return
    r = thick / 2
    place[2, 3] = floor + r
    if item.kind == "pen":
        profile = [(-length / 2, 0.0), (-length / 2, 0.75 * r), (-length / 2 + 2, r),
                   (length / 2 - 18, r), (length / 2 - 3, 0.3 * r), (length / 2, 0.0)]  # fmt: skip
    else:
        profile = [(-length / 2, 0.0), (-length / 2, 0.6 * r), (length / 2 - 4, 0.85 * r),
                   (length / 2 - 4, r), (length / 2, r), (length / 2, 0.7 * r),
                   (length / 2 - 3, 0.0)]  # fmt: skip
    parts.add(name, lathe(profile, segments=96).moved(place @ rotation_x(20)), _satin(item.colour))


Colour = tuple[float, float, float]
WARM, COOL, PLAIN = (1.06, 1.0, 0.88), (0.94, 1.0, 1.08), (1.0, 1.0, 1.0)


def _sky(scene: Scene) -> np.ndarray:
    """Radiance of the room around the lamps; white walls in daylight or lamplight."""
    colour = COOL if scene.lighting == "window" else PLAIN
    return scene.ambient / np.pi * np.asarray(colour)


def _lights(scene: Scene, world: dict[str, Any]) -> None:
    import mitsuba as mi

    def panel(
        name: str, centre: np.ndarray, wide: float, tall: float, power: float, colour: Colour
    ) -> None:
        # Radiance for the wanted illuminance at the middle of the desk.
        distance = np.linalg.norm(centre)
        cosine = max(centre[2] / distance, 0.15)
        radiance = power * distance**2 / (wide * tall * cosine) * np.asarray(colour)
        up = [0.0, 0, 1] if centre[2] < 0.95 * distance else [0.0, 1, 0]
        place = mi.ScalarTransform4f().look_at(centre.tolist(), [0.0, 0, 0], up)
        place = place @ mi.ScalarTransform4f().scale([wide / 2, tall / 2, 1])
        lamp = {"type": "area", "radiance": _rgb(tuple(radiance))}
        world[name] = {"type": "rectangle", "to_world": place, "emitter": lamp}

    azimuth = np.radians(scene.light_azimuth_deg)
    side = np.array([np.cos(azimuth), np.sin(azimuth), 0.0])
    height, size = scene.light_height_mm, scene.light_size
    if scene.lighting == "softbox":
        panel("key", 0.55 * height * side + [0, 0, height], 420 * size, 420 * size, 1.0, PLAIN)
    elif scene.lighting == "window":
        panel("key", 1100 * side + [0, 0, 0.9 * height], 900 * size, 1000 * size, 1.0, COOL)
    elif scene.lighting == "ceiling":
        for sign in (-1, 1):
            across = np.array([-side[1], side[0], 0.0])
            panel(f"key{sign + 1}", sign * 500 * across + 200 * side + [0, 0, 1900],
                  1300 * size, 160, 0.5, PLAIN)  # fmt: skip
    else:
        panel("key", 0.7 * height * side + [0, 0, height], 75 * size, 75 * size, 1.0, WARM)
