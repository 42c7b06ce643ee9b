"""How what a pixel sees on the barrel changes with the barrel's pose.

First derivatives of `Cylinder.surface` and `Cylinder.miss_distance` by the parameters of a fit,
in this order: angle, offset (px), tilt, log of the radius, log of the focal length, k1.  A ray's
direction d changes with the camera's parameters only, the axis direction a with angle and tilt,
and the axis point o with all but tilt.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from .cylinder import Camera, Cylinder

    Array = NDArray[Any]

ANGLE, OFFSET, TILT, LOG_RADIUS, LOG_FOCAL, K1 = range(6)


@dataclass(frozen=True)
class PoseSlopes:
    """Axis point, axis direction and `Cylinder`'s moment, (3,); their derivatives, (6, 3)."""

    cylinder: Cylinder
    origin: Array
    axis: Array
    moment: Array
    d_origin: Array
    d_axis: Array
    d_moment: Array

    @classmethod
    def of(cls, cylinder: Cylinder) -> PoseSlopes:
        """Those of *cylinder*."""
        ca, sa = np.cos(cylinder.angle), np.sin(cylinder.angle)
        ct, st = np.cos(cylinder.tilt), np.sin(cylinder.tilt)
        camera = cylinder.camera
        foot = np.asarray(cylinder.anchor) + cylinder.offset * np.array([-sa, ca])
        depth = camera.focal / cylinder.radius_px
        rays = _Rays.of(camera, foot)
        origin = rays.direction * depth
        by_pixel = depth * _rays_by_pixel(camera, foot)
        d_origin, d_axis = np.zeros((6, 3)), np.zeros((6, 3))
        d_origin[ANGLE] = by_pixel @ (cylinder.offset * np.array([-ca, -sa]))
        d_origin[OFFSET] = by_pixel @ np.array([-sa, ca])
        d_origin[LOG_RADIUS] = -origin
        d_origin[LOG_FOCAL] = origin + depth * rays.by_log_focal
        d_origin[K1] = depth * rays.by_k1
        d_axis[ANGLE] = -ct * sa, ct * ca, 0.0
        d_axis[TILT] = -st * ca, -st * sa, ct
        axis = np.array([ct * ca, ct * sa, st])
        # moment = axis x origin, towards the side
        moment = _times(axis) @ origin
        sign = 1.0 if moment @ cylinder.side > 0 else -1.0
        d_moment = sign * (d_origin @ _times(axis).T - d_axis @ _times(origin).T)
        return cls(cylinder, origin, axis, sign * moment, d_origin, d_axis, d_moment)

    def surface(self, points: Array) -> tuple[Array, Array]:
        """Axial position (N,) where pixels (N, 2) meet the near surface, and slopes (N, 6).

        NaN where the ray misses.  The hit h = t d - o stays at distance 1 from the axis: its part
        q square to the axis does not change along itself, and that gives the change of t.
        """
        x, phi = self.cylinder.surface(points)
        rays = _Rays.of(self.cylinder.camera, points)
        d, a = rays.direction, self.axis
        da = d @ a
        cylinder = self.cylinder
        q = np.cos(phi)[:, None] * cylinder.front + np.sin(phi)[:, None] * cylinder.side
        hit = x[:, None] * a + q
        t = hit[:, 2] + self.origin[2]  # the rays' third component is 1
        d_t = q @ self.d_origin.T + x[:, None] * (q @ self.d_axis.T)
        d_x = hit @ self.d_axis.T - self.d_origin @ a
        for i, d_d in ((LOG_FOCAL, rays.by_log_focal), (K1, rays.by_k1)):
            d_t[:, i] -= t * np.sum(q * d_d, 1)
            d_x[:, i] += t * (d_d @ a)
        return x, d_x + (da / np.sum(q * d, 1))[:, None] * d_t

    def miss_distance(self, points: Array) -> tuple[Array, Array]:
        """`Cylinder.miss_distance` (N,) of pixels (N, 2), and slopes (N, 6)."""
        rays = _Rays.of(self.cylinder.camera, points)
        d, a = rays.direction, self.axis
        along = d @ a
        aside = np.sqrt(np.sum(d * d, 1) - along * along)
        d_top = d @ self.d_moment.T
        d_aside = -along[:, None] * (d @ self.d_axis.T)
        for i, d_d in ((LOG_FOCAL, rays.by_log_focal), (K1, rays.by_k1)):
            d_top[:, i] += d_d @ self.moment
            d_aside[:, i] += np.sum(d * d_d, 1) - along * (d_d @ a)
        miss = d @ self.moment / aside
        return miss, (d_top - (miss / aside)[:, None] * d_aside) / aside[:, None]


def _times(a: Array) -> Array:
    """The matrix (3, 3) that takes b to the cross product a x b."""
    return np.array([[0.0, -a[2], a[1]], [a[2], 0.0, -a[0]], [-a[1], a[0], 0.0]])


@dataclass(frozen=True)
class _Rays:
    """`Camera.rays` of pixels (..., 2), and their derivatives, (..., 3) each."""

    direction: Array
    by_log_focal: Array
    by_k1: Array

    @classmethod
    def of(cls, camera: Camera, points: Array) -> _Rays:
        at, r2, s, d_s = _distortion(camera, points)
        zero = np.zeros_like(s)
        along = s + 2 * camera.k1 * r2 * d_s

        def scaled(by: Array, third: Array) -> Array:
            return np.stack([at[..., 0] * by, at[..., 1] * by, third], -1)

        return cls(scaled(s, zero + 1), scaled(-along, zero), scaled(r2 * d_s, zero))


def _distortion(camera: Camera, points: Array) -> tuple[Array, Array, Array, Array]:
    """Pixels (..., 2) by the focal length, their squares' sum, and the factor that rays take out.

    That is s(g) = 1 / (1 + g / (1 + g)^2), g = k1 r^2; the last is its derivative by g.
    """
    at = (np.asarray(points, float) - np.array([camera.cx, camera.cy])) / camera.focal
    r2 = np.sum(at * at, -1)
    g = camera.k1 * r2
    whole = (1 + g) ** 2 + g
    return at, r2, (1 + g) ** 2 / whole, (1 + g) * (g - 1) / whole**2


def _rays_by_pixel(camera: Camera, point: Array) -> Array:
    """(3, 2) derivatives of the ray of pixel *point* (2,) by its x and y."""
    at, _, s, d_s = _distortion(camera, point)
    by_place = s * np.eye(2) + 2 * camera.k1 * d_s * np.outer(at, at)
    return np.vstack([by_place / camera.focal, np.zeros(2)])
