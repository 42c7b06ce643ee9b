"""A phone-like camera: pinhole or thin lens, radial distortion, truth by projection.

World: the desk is z = 0, the barrel lies along x, z points to the camera. Pixels are x to the
right and y down, the origin at the top-left corner of the top-left pixel.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

#: Diagonal of the 36 mm x 24 mm frame, to which an "equivalent" focal length refers (CIPA
#: DC-008, tag FocalLengthIn35mmFilm).
FULL_FRAME_DIAGONAL_MM = 43.2666


@dataclass(frozen=True)
class Camera:
    """Where the camera stands and what its lens does."""

    width: int
    height: int
    f_eq_mm: float
    target_mm: tuple[float, float, float]
    distance_mm: float
    tilt_deg: float
    tilt_azimuth_deg: float
    inplane_deg: float
    k1: float = 0.0
    aperture_radius_mm: float = 0.0
    focus_error_mm: float = 0.0

    @property
    def focal_px(self) -> float:
        return self.f_eq_mm * float(np.hypot(self.width, self.height)) / FULL_FRAME_DIAGONAL_MM

    @property
    def centre_px(self) -> np.ndarray:
        return np.array([self.width / 2, self.height / 2])

    @property
    def half_diagonal_px(self) -> float:
        return float(np.hypot(self.width, self.height)) / 2

    @property
    def position_mm(self) -> np.ndarray:
        return np.asarray(self.target_mm) - self.distance_mm * self.axes[2]

    @property
    def axes(self) -> np.ndarray:
        """Rows: image right, image down, viewing direction, each a unit vector."""
        t, a = np.radians(self.tilt_deg), np.radians(self.tilt_azimuth_deg)
        forward = -np.array([np.sin(t) * np.cos(a), np.sin(t) * np.sin(a), np.cos(t)])
        # Tilting turns the world's x and y with the camera, so that without tilt the
        # image's right is x and its down is -y.
        right = np.array([1.0, 0, 0]) - forward * forward[0]
        right /= np.linalg.norm(right)
        down = np.cross(forward, right)
        c, s = np.cos(np.radians(self.inplane_deg)), np.sin(np.radians(self.inplane_deg))
        return np.stack([c * right - s * down, s * right + c * down, forward])

    def project(self, points_mm: np.ndarray) -> np.ndarray:
        """Pixels, shape (N, 2), of world points, shape (N, 3); refraction is not applied."""
        local = (np.atleast_2d(points_mm) - self.position_mm) @ self.axes.T
        flat = local[:, :2] / local[:, 2:] * self.focal_px
        r2 = (flat**2).sum(1, keepdims=True) / self.half_diagonal_px**2
        return flat * (1 + self.k1 * r2) + self.centre_px

    def undistorted(self, pixels: np.ndarray) -> np.ndarray:
        """Slopes (x/z, y/z) of the rays through the pixels, both of shape (N, 2)."""
        bent = (pixels - self.centre_px) / self.half_diagonal_px
        flat = bent.copy()
        for _ in range(8):  # a contraction for |k1| < 0.1
            flat = bent / (1 + self.k1 * (flat**2).sum(1, keepdims=True))
        return flat * self.half_diagonal_px / self.focal_px
