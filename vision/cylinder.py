"""The barrel as the camera sees it: a circular cylinder in perspective.

Lengths are in units of the barrel's *outer radius* (R = 1): a photograph has no
absolute scale and none is needed, since the graduations carry it.  ``x`` runs
along the axis, ``phi`` (radians) around it, zero on the side that faces the
camera, positive towards increasing ``n`` (the axis direction turned by +90 degrees in
the picture).  All equations are those of a pinhole with one radial distortion term;
see docs/method.md.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[Any]


@dataclass(frozen=True)
class Camera:
    """Pinhole: ``focal`` px, principal point ``(cx, cy)`` px, radial ``k1`` (by focal units)."""

    focal: float
    cx: float
    cy: float
    k1: float = 0.0

    def rays(self, points: Array) -> Array:
        """Directions (..., 3), z = 1, of the viewing rays of pixels (..., 2)."""
        x, y = self.ray_slopes(points)
        return np.stack([x, y, np.ones_like(x)], axis=-1)

    def ray_slopes(self, points: Array) -> tuple[Array, Array]:
        """x and y, each (...), of `rays`."""
        xd = (points[..., 0] - self.cx) / self.focal
        yd = (points[..., 1] - self.cy) / self.focal
        # one fixed-point step inverts (1 + k1 r^2) to k1^2 r^4: 1e-4 of r at |k1| = 0.03
        r2 = xd * xd + yd * yd
        r2 = r2 / (1.0 + self.k1 * r2) ** 2
        s = 1.0 / (1.0 + self.k1 * r2)
        return xd * s, yd * s

    def pixels(self, points: Array) -> Array:
        """Pixels (..., 2) of points in space (..., 3)."""
        return self.seen(points[..., 0], points[..., 1], points[..., 2])

    def seen(self, x: Array, y: Array, z: Array) -> Array:
        """Pixels (..., 2) of points in space, by coordinate, each (...)."""
        x, y = x / z, y / z
        s = self.focal * (1.0 + self.k1 * (x * x + y * y))
        out = np.empty((*np.shape(s), 2))
        out[..., 0] = self.cx + x * s
        out[..., 1] = self.cy + y * s
        return out


def _cross(a: Array, b: Array) -> Array:
    """Cross product of two (3,); `numpy.cross` takes ten times as long for its generality."""
    a0, a1, a2 = a
    b0, b1, b2 = b
    return np.array([a1 * b2 - a2 * b1, a2 * b0 - a0 * b2, a0 * b1 - a1 * b0])


@dataclass(frozen=True)
class Cylinder:
    """Pose of the barrel before a `Camera`.

    ``anchor``: a pixel (2,) fixed during a fit; ``angle``: direction of the axis in
    the picture, radians; ``offset``: distance in px from the anchor to the axis along
    the normal; ``tilt``: out-of-plane angle of the axis, radians, positive where +x
    recedes from the camera; ``radius_px``: apparent outer radius at the anchor.
    """

    camera: Camera
    anchor: tuple[float, float]
    angle: float
    offset: float
    tilt: float
    radius_px: float

    def __post_init__(self) -> None:
        ca, sa = np.cos(self.angle), np.sin(self.angle)
        ct, st = np.cos(self.tilt), np.sin(self.tilt)
        foot = np.array([self.anchor[0] - sa * self.offset, self.anchor[1] + ca * self.offset])
        depth = self.camera.focal / self.radius_px
        origin = self.camera.rays(foot) * depth
        axis = np.array([ct * ca, ct * sa, st])
        # the side that faces the camera: from the axis towards the pinhole, square to the axis
        front = -origin + axis * (origin @ axis)
        front /= np.sqrt(front @ front)
        side = _cross(front, axis)  # completes the frame; sign fixed below
        if side[1] * ca - side[0] * sa < 0:
            side = -side
        moment = _cross(axis, origin)
        object.__setattr__(self, "_origin", origin)
        object.__setattr__(self, "_axis", axis)
        object.__setattr__(self, "_front", front)
        object.__setattr__(self, "_side", side)
        # of the axis about the pinhole: square to both, so towards the side or away from it
        object.__setattr__(self, "_moment", moment if moment @ side > 0 else -moment)

    @property
    def front(self) -> Array:
        """Direction (3,) from the axis of azimuth 0, in the camera's frame."""
        return np.asarray(self._front)  # type: ignore[attr-defined]

    @property
    def side(self) -> Array:
        """Direction (3,) from the axis of azimuth +90 degrees, in the camera's frame."""
        return np.asarray(self._side)  # type: ignore[attr-defined]

    def moved(self, **changes: Any) -> Cylinder:
        """A copy with some parameters changed."""
        return replace(self, **changes)

    def project(self, x: Array, phi: Array | float, radius: Array | float = 1.0) -> Array:
        """Pixels (..., 2) of points at axial *x*, azimuth *phi*, distance *radius*."""
        x = np.asarray(x, float)
        forward, aside = radius * np.cos(phi), radius * np.sin(phi)
        # what depends on x and what does not are apart until the last: both are often few
        along = zip(self._origin, self._axis, self._front, self._side, strict=True)  # type: ignore[attr-defined]
        return self.camera.seen(*((o + x * a) + (forward * f + aside * s) for o, a, f, s in along))

    def surface(self, points: Array, radius: float = 1.0) -> tuple[Array, Array]:
        """Axial position and azimuth, each (...), where pixels (..., 2) meet the near surface.

        NaN where the ray misses the cylinder of that *radius*.
        """
        x, t, (u, v) = self.hit(np.asarray(points, float), radius)
        # of the point t (u, v, 1) - origin
        aside, forward = (
            t * (u * n[0] + v * n[1] + n[2]) - self._origin @ n  # type: ignore[attr-defined]
            for n in (self.side, self.front)
        )
        return x, np.arctan2(aside, forward)

    def hit(self, points: Array, radius: float = 1.0) -> tuple[Array, Array, tuple[Array, Array]]:
        """Axial position x, and depth t and slopes (u, v) of the ray, where `surface` is met.

        Each (...); the place is t (u, v, 1) in the camera's frame.
        """
        u, v = self.camera.ray_slopes(points)
        a, o = self._axis, self._origin  # type: ignore[attr-defined]
        oa = o @ a
        op = o - oa * a
        da = u * a[0] + v * a[1] + a[2]
        aa = u * u + v * v + 1.0 - da * da
        bb = u * op[0] + v * op[1] + op[2]
        disc = bb * bb - aa * (op @ op - radius * radius)
        with np.errstate(invalid="ignore"):
            t = (bb - np.sqrt(disc)) / aa
        return t * da - oa, t, (u, v)

    def miss_distance(self, points: Array) -> Array:
        """Least distance (...) between the viewing rays of pixels (..., 2) and the axis, signed.

        The sign is that of the side of the axis; an outer wall's outline has magnitude 1.
        """
        u, v = self.camera.ray_slopes(np.asarray(points, float))
        a, m = self._axis, self._moment  # type: ignore[attr-defined]
        along = u * a[0] + v * a[1] + a[2]
        aside = np.sqrt(u * u + v * v + 1.0 - along * along)
        return np.asarray((u * m[0] + v * m[1] + m[2]) / aside)

    def limb(self, radius: float = 1.0) -> float:
        """Azimuth at which a cylinder of *radius* turns out of the camera's view, radians."""
        o, a = self._origin, self._axis  # type: ignore[attr-defined]
        distance = np.linalg.norm(o - (o @ a) * a)
        return float(np.arccos(np.clip(radius / distance, -1, 1)))

    def view_angle(self, x: float, phi: float = 0.0) -> float:
        """Angle at (x, phi) between the viewing ray and the plane square to the axis, radians."""
        p = (
            self._origin  # type: ignore[attr-defined]
            + x * self._axis  # type: ignore[attr-defined]
            + np.cos(phi) * self._front  # type: ignore[attr-defined]
            + np.sin(phi) * self._side  # type: ignore[attr-defined]
        )
        return float(np.arcsin(p @ self._axis / np.linalg.norm(p)))  # type: ignore[attr-defined]
