"""What a telephone does to the light: exposure, blur, noise, sharpening, JPEG.

Only numpy and Pillow, so that rendering needs nothing else.
"""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
from PIL import Image

from .scene import CARDS, DESKS, Post, Scene

#: EXIF orientation: how the stored picture is turned so that it is displayed upright.
_STORED_TURNS = {1: 0, 3: 2, 6: 1, 8: 3}


def developed(light: np.ndarray, scene: Scene) -> np.ndarray:
    """The displayed picture, uint8, shape (height, width, 3), from linear light."""
    post = scene.post
    rng = np.random.default_rng(post.noise_key)
    picture = light * _exposure(light, scene) * 2.0**post.ev
    picture = picture * np.asarray(post.white_balance, np.float32)
    if post.blur_sigma_px > 0:
        picture = _gaussian(picture, post.blur_sigma_px)
    if post.motion_px > 0:
        picture = _motion(picture, post.motion_px, post.motion_deg)
    picture = np.maximum(picture, 0)
    # Photon noise grows with the root of the light, read noise does not.
    noise = 0.0045 * post.noise * np.sqrt(picture + 0.02) + 0.0008 * post.noise
    grain = rng.standard_normal(picture.shape).astype(np.float32)
    # Demosaicking spreads each sensor element's noise over its neighbours.
    grain = 1.5 * _gaussian(grain, 0.55)
    picture = _tone(np.maximum(picture + noise * grain, 0))
    if post.sharpen > 0:
        picture = picture + post.sharpen * (picture - _gaussian(picture, 1.1))
    return np.clip(np.round(255 * picture), 0, 255).astype(np.uint8)


def save(picture: np.ndarray, scene: Scene, path: Path) -> int:
    """Write the JPEG with its EXIF; returns the file's size in bytes."""
    post = scene.post
    turns = _STORED_TURNS[post.exif_orientation]
    stored = Image.fromarray(np.ascontiguousarray(np.rot90(picture, turns)))
    exif = Image.Exif()
    exif[0x0112] = post.exif_orientation
    if post.exif_focal_length:
        exif.get_ifd(0x8769)[0xA405] = round(scene.camera.f_eq_mm)
    buffer = io.BytesIO()
    stored.save(buffer, "JPEG", quality=post.jpeg_quality, exif=exif.tobytes())
    path.write_bytes(buffer.getvalue())
    return len(buffer.getvalue())


def _exposure(light: np.ndarray, scene: Scene) -> float:
    """Gain that brings the picture's mean to what a meter would choose.

    A meter makes white cards greyer and black cards lighter than they are, not all the way.
    """
    card = CARDS[scene.card_colour]
    albedo = float(np.mean(card))
    if scene.card_size_mm is not None:
        albedo = 0.5 * (albedo + float(np.mean(DESKS[scene.desk])))
    mean = float(np.mean(np.minimum(light, 2.0)))
    wanted = 0.64 * (albedo / 0.8) ** 0.55
    return wanted / max(mean, 1e-6)


def _tone(linear: np.ndarray) -> np.ndarray:
    """sRGB curve with a shoulder, so that highlights bend instead of breaking off."""
    knee = 0.8
    over = np.maximum(linear - knee, 0)
    bent = np.where(linear > knee, knee + (1 - knee) * (1 - np.exp(-over / (1 - knee))), linear)
    return np.where(
        bent <= 0.0031308, 12.92 * bent, 1.055 * np.maximum(bent, 1e-9) ** (1 / 2.4) - 0.055
    )


def _gaussian(picture: np.ndarray, sigma: float) -> np.ndarray:
    reach = max(1, int(np.ceil(3.2 * sigma)))
    x = np.arange(-reach, reach + 1)
    kernel = np.exp(-0.5 * (x / sigma) ** 2)
    kernel = (kernel / kernel.sum()).astype(np.float32)
    for axis in (0, 1):
        pad = [(reach, reach) if a == axis else (0, 0) for a in range(picture.ndim)]
        wide = np.pad(picture, pad, mode="edge")
        n = picture.shape[axis]
        out = np.zeros_like(picture, dtype=np.float32)
        for k, weight in enumerate(kernel):
            part = wide[k : k + n] if axis == 0 else wide[:, k : k + n]
            out += weight * part
        picture = out
    return picture


def _motion(picture: np.ndarray, length_px: float, angle_deg: float) -> np.ndarray:
    """Mean along a straight, even movement of the camera, centred on the true place."""
    steps = max(3, int(np.ceil(length_px)) | 1)
    dx, dy = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    out = np.zeros_like(picture, dtype=np.float32)
    for t in np.linspace(-0.5, 0.5, steps):
        out += _shifted(picture, t * length_px * dx, t * length_px * dy)
    return out / steps


def _shifted(picture: np.ndarray, dx: float, dy: float) -> np.ndarray:
    reach = int(np.ceil(max(abs(dx), abs(dy)))) + 1
    wide = np.pad(picture, ((reach, reach), (reach, reach), (0, 0)), mode="edge")
    h, w = picture.shape[:2]
    x0, y0 = int(np.floor(dx)), int(np.floor(dy))
    fx, fy = np.float32(dx - x0), np.float32(dy - y0)

    def at(ox: int, oy: int) -> np.ndarray:
        return wide[reach + oy : reach + oy + h, reach + ox : reach + ox + w]

    top = (1 - fx) * at(x0, y0) + fx * at(x0 + 1, y0)
    below = (1 - fx) * at(x0, y0 + 1) + fx * at(x0 + 1, y0 + 1)
    return (1 - fy) * top + fy * below


__all__ = ["Post", "developed", "save"]
