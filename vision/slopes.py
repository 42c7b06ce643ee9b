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
        at = np.append(rays.at, 0.0)
        by_pixel = depth * _rays_by_pixel(camera, foot)
        d_origin, d_axis = np.zeros((6, 3)), np.zeros((6, 3))
        d_origin[ANGLE] = by_pixel @ (cylinder.offset * np.array([-ca, -sa]))
        d_origin[OFFSET] = by_pixel @ np.array([-sa, ca])
        d_origin[LOG_RADIUS] = -origin
        d_origin[LOG_FOCAL] = origin + depth * rays.by_log_focal * at
        d_origin[K1] = depth * rays.by_k1 * at
        d_axis[ANGLE] = -ct * sa, ct * ca, 0.0
        d_axis[TILT] = -st * ca, -st * sa, ct
        axis = np.array([ct * ca, ct * sa, st])
        # moment = axis x origin, towards the side
        moment = _times(axis) @ origin
        sign = 1.0 if moment @ cylinder.side > 0 else -1.0
        d_moment = sign * (d_origin @ _times(axis).T - d_axis @ _times(origin).T)
        return cls(cylinder, origin, axis, sign * moment, d_origin, d_axis, d_moment)

    def surface(self, points: Array) -> tuple[Array, Array]:
        """Axial position (N,) where pixels (N, 2) meet the near surface, and slopes (6, N).

        NaN where the ray misses.  The hit h = t d - o stays at distance 1 from the axis: its part
        q square to the axis does not change along itself, and that gives the change of t.
        """
        x, t, _ = self.cylinder.hit(points)
        rays = _Rays.of(self.cylinder.camera, points)
        a = self.axis
        hit = t * rays.direction - self.origin[:, None]
        q = hit - x * a[:, None]
        d_t = self.d_origin @ q + x * (self.d_axis @ q)
        d_x = self.d_axis @ hit - (self.d_origin @ a)[:, None]
        turned_q, turned_a = rays.along(q), rays.along(a)
        for i, by in ((LOG_FOCAL, rays.by_log_focal), (K1, rays.by_k1)):
            by_t = by * t
            d_t[i] -= by_t * turned_q
            d_x[i] += by_t * turned_a
        return x, d_x + (a @ rays.direction) / (q * rays.direction).sum(0) * d_t

    def miss_distance(self, points: Array) -> tuple[Array, Array]:
        """`Cylinder.miss_distance` (N,) of pixels (N, 2), and slopes (6, N)."""
        rays = _Rays.of(self.cylinder.camera, points)
        d, a = rays.direction, self.axis
        along = a @ d
        aside = np.sqrt((d * d).sum(0) - along * along)
        d_top = self.d_moment @ d
        d_aside = -along * (self.d_axis @ d)
        turned_m, turned = rays.along(self.moment), rays.along(d) - along * rays.along(a)
        for i, by in ((LOG_FOCAL, rays.by_log_focal), (K1, rays.by_k1)):
            d_top[i] += by * turned_m
            d_aside[i] += by * turned
        miss = self.moment @ d / aside
        return miss, (d_top - (miss / aside) * d_aside) / aside


def _times(a: Array) -> Array:
    """The matrix (3, 3) that takes b to the cross product a x b."""
    return np.array([[0.0, -a[2], a[1]], [a[2], 0.0, -a[0]], [-a[1], a[0], 0.0]])


@dataclass(frozen=True)
class _Rays:
    """`Camera.rays` (3, N) of pixels, ``at`` (2, N) in units of the focal length; and by what
    (N,) of ``at`` each ray changes with the logarithm of the focal length and with k1."""

    direction: Array
    at: Array
    by_log_focal: Array
    by_k1: Array

    @classmethod
    def of(cls, camera: Camera, points: Array) -> _Rays:
        at, r2, s, d_s = _distortion(camera, np.asarray(points, float).T)
        direction = np.concatenate([at * s, np.ones((1, *s.shape))])
        return cls(direction, at, -(s + 2 * camera.k1 * r2 * d_s), r2 * d_s)

    def along(self, other: Array) -> Array:
        """Scalar products (N,) of ``at`` and *other*, (3,) or (3, N)."""
        return np.asarray(self.at[0] * other[0] + self.at[1] * other[1])


def _distortion(camera: Camera, pixels: Array) -> tuple[Array, Array, Array, Array]:
    """Pixels (2, ...) by the focal length, their squares' sum, and the factor that rays take out.

    That is s(g) = 1 / (1 + g / (1 + g)^2), g = k1 r^2; the last is its derivative by g.
    """
    at = np.stack([(pixels[0] - camera.cx) / camera.focal, (pixels[1] - camera.cy) / camera.focal])
    r2 = at[0] * at[0] + at[1] * at[1]
    g = camera.k1 * r2
    whole = (1 + g) ** 2 + g
    return at, r2, (1 + g) ** 2 / whole, (1 + g) * (g - 1) / whole**2


def _rays_by_pixel(camera: Camera, point: Array) -> Array:
    """(3, 2) derivatives of the ray of pixel *point* (2,) by its x and y."""
    at, _, s, d_s = _distortion(camera, point)
    by_place = s * np.eye(2) + 2 * camera.k1 * d_s * np.outer(at, at)
    return np.vstack([by_place / camera.focal, np.zeros(2)])
