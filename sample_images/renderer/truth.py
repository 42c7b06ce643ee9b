"""What is true of a rendered photograph, as written beside it.

Millimetres, millilitres and pixels of the displayed picture. Points are geometric projections
through the lens, distortion included; what wall and liquid bend is not bent here.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from . import printing
from .camera import Camera
from .scene import Placed, Scene


def truth(scene: Scene) -> dict[str, Any]:
    """The truth file of a scene."""
    camera, post = scene.camera, scene.post
    out: dict[str, Any] = {
        "readable": scene.refuse_reason is None,
        "file": f"{scene.name}.jpg",
        "width": camera.width,
        "height": camera.height,
        "class": "read" if scene.refuse_reason is None else "refuse",
        "refuse_reason": scene.refuse_reason,
        "difficulty": difficulty(scene),
        "coordinates": "pixels of the displayed image (EXIF orientation applied), origin at the "
        "top-left corner of the top-left pixel, lens distortion included",
        "exif_orientation": post.exif_orientation,
        "exif_focal_length_35mm": round(camera.f_eq_mm) if post.exif_focal_length else None,
        "jpeg_quality": post.jpeg_quality,
        "card_colour": scene.card_colour,
        "desk": scene.desk,
        "card_fills_frame": scene.card_size_mm is None,
        "lighting": scene.lighting,
        "clutter": bool(scene.clutter),
        "camera": {
            "tilt_deg": round(camera.tilt_deg, 2),
            "tilt_azimuth_deg": round(camera.tilt_azimuth_deg, 1),
            "inplane_deg": round(camera.inplane_deg, 1),
            "distance_mm": round(camera.distance_mm, 1),
            "f_eq_mm": camera.f_eq_mm,
            "focal_px": round(camera.focal_px, 2),
            "aperture_radius_mm": round(camera.aperture_radius_mm, 2),
            "focus_error_mm": round(camera.focus_error_mm, 2),
            "k1": round(camera.k1, 4),
        },
        "post": {
            "ev": round(post.ev, 2),
            "blur_sigma_px": round(post.blur_sigma_px, 2),
            "motion_px": round(post.motion_px, 1),
            "noise": round(post.noise, 2),
            "sharpen": round(post.sharpen, 2),
            "wb": [round(v, 3) for v in post.white_balance],
        },
        "syringe_count": len(scene.placed),
    }
    if scene.placed:
        out.update(placed_truth(scene.placed[0], camera))
    if len(scene.placed) > 1:
        out["syringes"] = [placed_truth(p, camera) for p in scene.placed]
    return out


def difficulty(scene: Scene) -> str:
    """ "easy": tilt below 7°, sharp, no glare; "hard": any one thing that is badly off."""
    if not scene.placed:
        return "easy"
    placed, camera, post = scene.placed[0], scene.camera, scene.post
    tilt, blur = camera.tilt_deg, post.blur_sigma_px + 0.4 * post.motion_px
    roll = abs(_roll_to_camera(placed, camera))
    hard = [
        tilt > 11, blur > 1.5, roll > 25, scene.lighting == "hard",
        placed.syringe.stopper_colour == "natural", placed.scale.wear > 0.5,
        _px_per_mm(placed, camera) < 5.5,
    ]  # fmt: skip
    if any(hard):
        return "hard"
    dark = scene.card_colour in ("black", "blue") or placed.syringe.content == "milky"
    easy = tilt < 7 and blur < 0.8 and roll < 15 and placed.scale.wear == 0 and not dark
    return "easy" if easy else "medium"


def placed_truth(placed: Placed, camera: Camera) -> dict[str, Any]:
    """Truth about one syringe: volumes, dimensions, print, and where its points are seen."""
    s, scale, pose = placed.syringe, placed.scale, placed.pose
    return {
        "true_volume_ml": round(s.true_volume_ml, 5),
        "liquid_volume_ml": round(s.liquid_volume_ml, 5),
        "air_volume_ml": round(s.air_volume_ml, 5),
        "air_total_ml_incl_nozzle": round(s.air_total_ml, 5),
        "dead_space_ml": round(s.dead_space_ml, 5),
        "air_mode": _air_mode(placed),
        "air_items": _air_items(placed),
        "nominal_ml": s.nominal_ml,
        "graduated_max_ml": s.graduated_max_ml,
        "scale_interval_ml": s.scale_interval_ml,
        "numbered_increment_ml": s.numbered_increment_ml,
        "inner_diameter_mm": round(s.inner_diameter_mm, 5),
        "outer_diameter_mm": round(2 * s.outer_mm, 5),
        "scale_length_mm": round(s.scale_length_mm, 5),
        "fiducial_x_mm": round(s.fiducial_x_mm, 5),
        "cone_height_mm": round(s.cone_height_mm, 3),
        "plunger_style": s.plunger_style,
        "stopper_colour": s.stopper_colour,
        "stopper_rings": s.rings,
        "stopper_length_mm": round(s.stopper_mm, 3),
        "plunger_colour": s.plunger_colour,
        "content": s.content,
        "attachment": s.attachment,
        "pose": "lying on card" if placed.lift_mm == 0 else "held in front of card",
        "scale_print": {
            "layout": scale.layout,
            "mirrored": scale.mirrored,
            "numerals": scale.numerals,
            "numeral_rot90": scale.numeral_rot90,
            "text_mm": round(scale.text_mm, 2),
            "line_mm": round(scale.line_mm, 3),
            "spine": scale.spine,
            "font": scale.font,
            "unit": scale.unit,
            "ink_wear": scale.wear or None,
            "zero_numeral": scale.zero_numeral,
            "scale_span_deg": round(printing.span_deg(s, scale), 1),
        },
        "ink": scale.ink,
        "roll_deg_world": round(placed.roll_deg, 2),
        "roll_error_to_camera_deg": round(_roll_to_camera(placed, camera), 2),
        "numerals_angle_to_camera_deg": round(
            _roll_to_camera(placed, camera) + printing.numeral_angle_deg(s, scale), 1
        ),
        "axis_tilt_from_card_deg": round(float(np.degrees(np.arcsin(abs(pose[2, 0])))), 3),
        "viewing_angle_at_fiducial_deg": round(_viewing_angle(placed, camera), 3),
        "px_per_mm": round(_px_per_mm(placed, camera), 4),
        "points": _points(placed, camera),
        "ticks": _ticks(placed, camera),
        "zero_in_frame": _in_frame(placed, camera, 0.0),
        "fiducial_in_frame": _in_frame(placed, camera, s.fiducial_x_mm),
        "nominal_in_frame": _in_frame(placed, camera, s.scale_length_mm),
    }


def _air_mode(placed: Placed) -> str:
    s = placed.syringe
    if s.content == "empty":
        return "all"
    if s.plug_mm is not None:
        return "plug"
    if any(max(b.semi_axes_mm) > 1.6 * min(b.semi_axes_mm) for b in s.bubbles):
        return "long"
    return "bubbles" if s.bubbles else "none"


def _air_items(placed: Placed) -> list[dict[str, Any]]:
    s = placed.syringe
    items: list[dict[str, Any]] = []
    if s.content == "empty":
        return items
    if s.plug_mm is not None:
        items.append({"kind": "plug", "interface_x_mm": round(s.plug_mm, 4),
                      "meniscus_mm": round(s.meniscus_mm, 4)})  # fmt: skip
        if tilt := getattr(s, "air_tilt_deg", 0.0):
            items[-1]["tilt_deg"] = round(tilt, 2)
    for b in s.bubbles:
        items.append({"kind": "bubble", "x_mm": round(b.x_mm, 3), "phi_deg": round(b.phi_deg, 1),
                      "semi_axes_mm": [round(v, 4) for v in b.semi_axes_mm],
                      "volume_ml": round(b.volume_ml, 6)})  # fmt: skip
    return items


def _to_world(placed: Placed, local: np.ndarray) -> np.ndarray:
    pose = placed.pose
    return np.atleast_2d(local) @ pose[:3, :3].T + pose[:3, 3]


def _wall_point(x_mm: float, angle_deg: float, radius: float) -> np.ndarray:
    a = np.radians(angle_deg)
    return np.array([x_mm, radius * np.sin(a), radius * np.cos(a)])


def facing_deg(placed: Placed, camera: Camera, x_mm: float) -> float:
    """Angle around the barrel, in its own frame, that faces the camera at this x."""
    local = (camera.position_mm - placed.pose[:3, 3]) @ placed.pose[:3, :3]
    del x_mm  # the camera's direction around the axis is the same all along it
    return float(np.degrees(np.arctan2(local[1], local[2])))


def _roll_to_camera(placed: Placed, camera: Camera) -> float:
    """How far the printed side is turned away from the camera."""
    return (-facing_deg(placed, camera, 0.0) + 180) % 360 - 180


def _viewing_angle(placed: Placed, camera: Camera) -> float:
    """Angle between the ray to the fiducial line and the plane square to the axis."""
    at = _to_world(placed, np.array([placed.syringe.fiducial_x_mm, 0, 0]))[0]
    ray = at - camera.position_mm
    return float(np.degrees(np.arcsin(ray @ placed.pose[:3, 0] / np.linalg.norm(ray))))


def _px_per_mm(placed: Placed, camera: Camera) -> float:
    x = placed.syringe.fiducial_x_mm
    ends = _to_world(placed, np.array([[x - 1, 0, 0], [x + 1, 0, 0]]))
    seen = camera.project(ends)
    return float(np.linalg.norm(seen[1] - seen[0]) / 2)


def _seen(placed: Placed, camera: Camera, local: np.ndarray) -> list[float]:
    return [round(float(v), 2) for v in camera.project(_to_world(placed, local))[0]]


def _in_frame(placed: Placed, camera: Camera, x_mm: float) -> bool:
    x, y = _seen(placed, camera, np.array([x_mm, 0, 0]))
    return bool(0 <= x <= camera.width and 0 <= y <= camera.height)


def _points(placed: Placed, camera: Camera) -> dict[str, list[float]]:
    s = placed.syringe
    facing = facing_deg(placed, camera, 0)
    bore, outer = s.bore_mm, s.outer_mm
    fiducial = s.fiducial_x_mm
    local = {
        "zero_line": _wall_point(0, facing, outer),
        "nominal_line": _wall_point(s.scale_length_mm, facing, outer),
        "fiducial_line": _wall_point(fiducial, facing, bore),
        "fiducial_on_outer_surface": _wall_point(fiducial, facing, outer),
        "zero_on_print": _wall_point(0, 0, outer),
        "fiducial_on_print": _wall_point(fiducial, 0, outer),
        "nominal_on_print": _wall_point(s.scale_length_mm, 0, outer),
        "zero_axis": np.array([0.0, 0, 0]),
        "nominal_axis": np.array([s.scale_length_mm, 0, 0]),
        "fiducial_axis": np.array([fiducial, 0, 0]),
        "grad_max_axis": np.array([s.scale_end_x_mm, 0, 0]),
        "barrel_axis_front": np.array([-s.shoulder_gap_mm, 0, 0]),
        "barrel_axis_back": np.array([s.flange_x_mm, 0, 0]),
        "tip": np.array([s.tip_x_mm, 0, 0]),
        "thumb_rest": np.array([s.thumb_x_mm, 0, 0]),
        "fiducial_wall_left": _wall_point(fiducial, facing - 90, bore),
        "fiducial_wall_right": _wall_point(fiducial, facing + 90, bore),
        "fiducial_outer_left": _wall_point(fiducial, facing - 90, outer),
        "fiducial_outer_right": _wall_point(fiducial, facing + 90, outer),
    }
    return {name: _seen(placed, camera, point) for name, point in local.items()}


def _ticks(placed: Placed, camera: Camera) -> list[dict[str, Any]]:
    s = placed.syringe
    facing = facing_deg(placed, camera, 0)
    rows = []
    for tick in printing.ticks(s, placed.scale):
        low = min(a for arc in tick.arcs_deg for a in arc)
        high = max(a for arc in tick.arcs_deg for a in arc)
        middle = (low + high) / 2
        away = abs((middle - facing + 180) % 360 - 180)
        rows.append(
            {
                "value_ml": tick.value_ml,
                "kind": tick.kind,
                "x_mm": round(tick.x_mm, 4),
                "mid": _seen(placed, camera, _wall_point(tick.x_mm, middle, s.outer_mm)),
                "ends": [
                    _seen(placed, camera, _wall_point(tick.x_mm, a, s.outer_mm))
                    for a in (low, high)
                ],
                "facing": bool(away < 85),
            }
        )
    return rows
