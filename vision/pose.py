"""The barrel's pose from its graduation lines: they are arcs on one cylinder, equally spaced."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
from scipy.optimize import least_squares

from .cylinder import Camera, Cylinder
from .slopes import PoseSlopes
from .strip import Strip, unwrap

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[Any]

# Phones report the focal length to a whole millimetre, and focus breathing changes it.
FOCAL_LOG_SD_WITH_EXIF = 0.04
FOCAL_LOG_SD_WITHOUT = 0.3
TYPICAL_FOCAL_35MM = 34.0  # common practice, no source: main cameras of phones, 24-50 mm
K1_SD = 0.02
TICK_SD_PX = 0.5  # unit weight of a point on a line
MISSED = 3.0  # px: what a point off the barrel counts as
MAX_AZIMUTH = np.radians(80)
MOST_POINTS = 300
TILT_SCAN = np.radians(np.arange(-27, 27.5, 3.0))
LONGEST_PERIOD = 1.6  # outer radii: what is coarser is not lines
SHORTEST_PERIOD_PX = 2.2
ROUNDS = 2  # of the fit: with all points, then with each one's probability to be on a line
AZIMUTH_BIN = np.radians(8)
LEAST_SCATTER_PX, MOST_SCATTER_PX = 0.08, 0.8
EM_STEPS = 12
LEAST_WHOLE = 1e-6  # of the points: the share that the search for it can fall to
STRETCHES = 12  # along the scale
SIGN2PI = -2j * np.pi
BLOCK = 16  # frequencies


#: A stretch that ends on a line holds it, whatever the rounding: share of the pitch.
ON_LINE = 1e-6


@dataclass(frozen=True)
class Lattice:
    """Equally spaced graduation lines: line k stands at ``x0 + k * pitch`` (outer radii)."""

    x0: float
    pitch: float

    def x(self, k: Array | float) -> Array:
        """Axial position of line(s) *k*."""
        return np.asarray(self.x0 + np.asarray(k) * self.pitch)

    def k(self, x: Array | float) -> Array:
        """Line number(s), fractional, at axial position(s) *x*."""
        return np.asarray((np.asarray(x) - self.x0) / self.pitch)

    def between(self, low: float, high: float) -> Array:
        """Numbers of the lines from axial position *low* to *high*."""
        first = float(np.ceil(self.k(low) - ON_LINE))
        last = float(np.floor(self.k(high) + ON_LINE))
        return np.arange(first, last + 1)


@dataclass(frozen=True)
class TickPoints:
    """Points found on graduation lines: pixels (N, 2), line numbers (N,), strengths (N,)."""

    pixels: Array
    k: Array
    strength: Array
    phi: Array

    def __len__(self) -> int:
        return len(self.k)


def azimuths(radius_px: float, limit: float = MAX_AZIMUTH) -> Array:
    """Azimuths to sample, about one working pixel apart along the circumference's middle."""
    step = max(np.radians(1.0), 1.0 / radius_px)
    n = int(limit / step)
    return np.arange(-n, n + 1) * step


def scan_tilt(cylinder: Cylinder, strip: Strip, lines: Array, x: Array) -> Cylinder:
    """*cylinder* at the tilt where the unwrapped lines are straightest.

    Unwrapped without tilt, a line at azimuth phi stands aside by (1 - cos phi) tan(tilt), all
    lines alike.  So rows at all azimuths are shifted back (in the Fourier domain, where a shift
    is a phase) and added: straight lines add up to the greatest power.  One degree is enough
    to start the least-squares fit.
    """
    phi = azimuths(cylinder.radius_px)[::3]
    rows = np.minimum(unwrap(cylinder.moved(tilt=0.0), strip, lines, x, phi), 1.0)
    step = float(x[1] - x[0])
    spectra = np.fft.rfft((rows - rows.mean(1, keepdims=True)) * np.hanning(len(x)), axis=1)
    frequency = np.fft.rfftfreq(len(x), step)
    band = (frequency > 1 / LONGEST_PERIOD) & (frequency < cylinder.radius_px / SHORTEST_PERIOD_PX)
    spectra, frequency = spectra[:, band], frequency[band]
    away = 1 - np.cos(phi)

    def straightest(tilts: Array) -> float:
        power = np.empty(len(tilts))
        for i, tilt in enumerate(tilts):
            shift = _phases(away * np.tan(tilt), frequency)
            power[i] = np.sum(np.abs(np.einsum("pf,pf->f", spectra, shift)) ** 2)
        return float(tilts[np.argmax(power)])

    best = straightest(TILT_SCAN)
    return cylinder.moved(tilt=straightest(best + np.radians([-1, 0, 1])))


def _phases(shift: Array, frequency: Array) -> Array:
    """exp(-2 pi i *shift* (P,) *frequency* (F,)), (P, F), of evenly spaced frequencies.

    An exponential is dear and a product cheap: exponentials of every BLOCK-th frequency and of
    the steps between, multiplied.
    """
    if not len(frequency):
        return np.empty((len(shift), 0), complex)
    step = frequency[1] - frequency[0] if len(frequency) > 1 else 0.0
    coarse = np.exp(SIGN2PI * shift[:, None] * frequency[::BLOCK])
    fine = np.exp(SIGN2PI * shift[:, None] * (step * np.arange(BLOCK)))
    product = coarse[:, :, None] * fine[:, None, :]
    return np.asarray(product.reshape(len(shift), -1)[:, : len(frequency)])


def tick_points(
    cylinder: Cylinder,
    strip: Strip,
    lines: Array,
    lattice: Lattice,
    k: Array,
    reach: float,
    min_strength: float = 0.15,
    bin_width: float = AZIMUTH_BIN,
) -> TickPoints:
    """Where lines *k* of *lattice* are seen, by azimuth bin; *reach* in outer radii.

    Sub-pixel position by a parabola through the strongest sample and its neighbours, of the
    strength smoothed and not cut off at the top: the flat top of a thick line has no strongest
    sample, and to take its first would shift the whole scale.
    """
    step = 0.5 / cylinder.radius_px
    lo, hi = float(lattice.x(k.min())) - reach, float(lattice.x(k.max())) + reach
    x = np.arange(lo - 4 * step, hi + 4 * step, step)
    centres = np.arange(-10, 11) * bin_width
    centres = centres[np.abs(centres) <= MAX_AZIMUTH]
    sub = np.linspace(-0.5, 0.5, max(3, int(bin_width * cylinder.radius_px / 2))) * bin_width
    flat = unwrap(cylinder, strip, lines, x, (centres[:, None] + sub[None, :]).ravel())
    profiles = flat.reshape(len(centres), len(sub), len(x)).mean(1)
    # a pixel, or what keeps fine lines apart; there are two samples to the pixel
    blur = 2.0 * min(1.0, 0.2 * lattice.pitch * cylinder.radius_px)
    profiles = cv2.GaussianBlur(profiles, (0, 0), sigmaX=blur, sigmaY=1e-6)
    half = max(1, round(reach / step))
    at = np.round((lattice.x(k) - x[0]) / step).astype(int)
    window = at[:, None] + np.arange(-half, half + 1)[None, :]
    window = np.clip(window, 1, len(x) - 2)
    found_x, found_phi, found_k, found_s = [], [], [], []
    for b, centre in enumerate(centres):
        p = profiles[b]
        w = p[window]
        j = np.argmax(w, axis=1)
        i = window[np.arange(len(k)), j]
        s = p[i]
        left, right = p[i - 1], p[i + 1]
        peak = (s >= left) & (s >= right) & (s >= min_strength)
        with np.errstate(divide="ignore", invalid="ignore"):
            shift = 0.5 * (left - right) / (left - 2 * s + right)
        shift = np.where(np.isfinite(shift), np.clip(shift, -0.5, 0.5), 0.0)
        found_x.append((x[i] + shift * step)[peak])
        found_phi.append(np.full(peak.sum(), centre))
        found_k.append(k[peak])
        found_s.append(s[peak])
    fx, fp = np.concatenate(found_x), np.concatenate(found_phi)
    return TickPoints(
        cylinder.project(fx, fp), np.concatenate(found_k), np.concatenate(found_s), fp
    )


@dataclass(frozen=True)
class PoseFit:
    """Least-squares pose, lattice and covariance; parameters as in `fit_pose`.

    ``residuals_px`` (N,): along the axis, NaN off the barrel; ``on_line`` (N,): each point's
    probability to be on its line.
    """

    cylinder: Cylinder
    lattice: Lattice
    covariance: Array
    residuals_px: Array
    on_line: Array
    theta: Array
    prior_focal_px: float


def _soft(r: Array) -> tuple[Array, Array]:
    """Residuals whose squares add up to a soft L1 loss, quadratic below 1.5; and their slopes."""
    loss = np.sqrt(1 + (r / 1.5) ** 2)
    share = np.sqrt(2 / (loss + 1))
    return np.asarray(r * share), np.asarray(1 / (share * loss))


def _on_line(off_px: Array, phi: Array, k: Array) -> Array:
    """Probability (N,) of each point, *off_px* (N,) from its line, to be on it at all.

    Where there is no print, something else is darkest in the window about a line's place, anywhere
    in it.  So the distances are those of a normal distribution or a flat one, mixed in a
    proportion that differs from one azimuth *phi* (N,) to the next, and from one stretch of lines
    *k* (N,) to the next: the EM algorithm (Dempster, Laird and Rubin 1977, cited from memory).
    """
    off = np.where(np.isnan(off_px), np.inf, np.abs(off_px))
    finite = np.isfinite(off)
    if finite.sum() < 8:
        return finite.astype(float)
    off_or_0 = np.where(finite, off, 0.0)
    width = 2 * float(np.percentile(off[finite], 97)) + 0.2
    stretch = (k - k.min()) / (k.max() - k.min() + 1) * STRETCHES
    groups = [np.round((phi - phi.min()) / AZIMUTH_BIN).astype(int), stretch.astype(int)]
    sd = float(np.clip(np.median(off), LEAST_SCATTER_PX, 1.0))
    shares = [np.full(int(g.max()) + 1, 0.6) for g in groups]
    whole = 0.6
    for _ in range(EM_STEPS):
        share = np.clip(shares[0][groups[0]] * shares[1][groups[1]] / whole, 0.02, 0.98)
        on = share * np.exp(-0.5 * (off / sd) ** 2) / (sd * np.sqrt(2 * np.pi))
        found = on / (on + (1 - share) / width)
        whole = max(float(found.mean()), LEAST_WHOLE)
        shares = [(np.bincount(g, found) + 2 * whole) / (np.bincount(g) + 2) for g in groups]
        square = float((found * off_or_0**2).sum() / max(found.sum(), 1e-9))
        sd = float(np.clip(np.sqrt(square), LEAST_SCATTER_PX, MOST_SCATTER_PX))
    return np.asarray(found)


def unpack(theta: Array, start: Cylinder, focal_px: float) -> tuple[Cylinder, Lattice]:
    """Pose and lattice of the parameters *theta* (8,) of `fit_pose`.

    Angle, offset (px), tilt, log of the radius (px), first line, pitch, log of the focal
    length over *focal_px*, k1; *start* gives the anchor and the principal point.
    """
    camera = Camera(
        focal_px * float(np.exp(theta[6])), start.camera.cx, start.camera.cy, float(theta[7])
    )
    cylinder = Cylinder(
        camera,
        start.anchor,
        float(theta[0]),
        float(theta[1]),
        float(theta[2]),
        float(np.exp(theta[3])),
    )
    return cylinder, Lattice(float(theta[4]), float(theta[5]))


def _thinned(points: TickPoints) -> TickPoints:
    """Every n-th point where there are more than MOST_POINTS: enough for eight parameters."""
    n = max(1, len(points) // MOST_POINTS)
    return TickPoints(points.pixels[::n], points.k[::n], points.strength[::n], points.phi[::n])


#: Of the parameters of `fit_pose`, which are the pose's: in the order of `PoseSlopes`.
OF_POSE = [0, 1, 2, 3, 6, 7]
LOG_RADIUS, FIRST_LINE, PITCH, LOG_FOCAL, K1 = 3, 4, 5, 6, 7


@dataclass(frozen=True)
class PoseProblem:
    """What `fit_pose` makes as small as can be: residuals, and their derivatives.

    ``start``, ``prior_focal_px``: as of `unpack`; ``log_sd``: of the focal length; ``points``: N
    on lines; ``outlines`` (M, 2): pixels on them, at ``side`` (M,), -1 or 1; ``share`` (M,): how
    many points on lines each counts like, at a standard deviation of ``outline_sd_px``.
    """

    start: Cylinder
    prior_focal_px: float
    log_sd: float
    points: TickPoints
    outlines: Array
    side: Array
    share: Array
    outline_sd_px: float

    @classmethod
    def of(
        cls,
        start: Cylinder,
        prior_focal_px: float,
        log_sd: float,
        points: TickPoints,
        walls: tuple[Array, Array] | None,
        wall_sd_px: float,
        wall_weight: float,
    ) -> PoseProblem:
        """With *walls* and their weight as of `fit_pose`."""
        both = walls or (np.empty((0, 2)), np.empty((0, 2)))
        count = [len(wall) for wall in both]
        share = wall_weight / np.repeat(np.array(count, float), count)
        side = np.repeat([-1.0, 1.0], count)
        outlines = np.concatenate(both)
        return cls(start, prior_focal_px, log_sd, points, outlines, side, share, wall_sd_px)

    @cached_property
    def _unit(self) -> Array:
        return np.asarray(np.sqrt(np.clip(self.points.strength, 0.1, 0.6) / 0.4) / TICK_SD_PX)

    def residuals(self, theta: Array, weight: Array) -> Array:
        """(N + 2 + M,): of points on lines, of focal length and k1, and of the outlines."""
        cylinder, line = unpack(theta, self.start, self.prior_focal_px)
        x = cylinder.hit(self.points.pixels)[0]
        along = (x - line.x(self.points.k)) * cylinder.radius_px
        of_points = np.where(np.isnan(along), MISSED, along) * self._unit
        of_prior = np.array([theta[LOG_FOCAL] / self.log_sd, theta[K1] / K1_SD])
        miss = cylinder.miss_distance(self.outlines) - self.side
        # a shadow's edge taken for the outline must not bend the lines
        of_outlines = _soft(miss * cylinder.radius_px / self.outline_sd_px)[0]
        return np.concatenate(
            [_soft(of_points)[0] * weight, of_prior, of_outlines * np.sqrt(self.share)]
        )

    def jacobian(self, theta: Array, weight: Array) -> Array:
        """(N + 2 + M, 8) derivatives of `residuals` by the parameters."""
        cylinder, line = unpack(theta, self.start, self.prior_focal_px)
        slopes = PoseSlopes.of(cylinder)
        radius_px, k, n = cylinder.radius_px, self.points.k, len(self.points)
        out = np.zeros((8, n + 2 + len(self.side)))
        x, by_pose = slopes.surface(self.points.pixels)
        along = (x - line.x(k)) * radius_px
        there = ~np.isnan(along)
        of_points, of_prior, of_outlines = out[:, :n], out[:, n : n + 2], out[:, n + 2 :]
        of_points[OF_POSE] = radius_px * by_pose
        of_points[LOG_RADIUS] += along
        of_points[FIRST_LINE] = -radius_px
        of_points[PITCH] = -radius_px * k
        of_points[:, ~there] = 0.0
        by = _soft(np.where(there, along, 0.0) * self._unit)[1]
        of_points *= by * self._unit * weight
        of_prior[LOG_FOCAL, 0], of_prior[K1, 1] = 1 / self.log_sd, 1 / K1_SD
        miss, by_pose = slopes.miss_distance(self.outlines)
        r = (miss - self.side) * radius_px / self.outline_sd_px
        of_outlines[OF_POSE] = by_pose * radius_px / self.outline_sd_px
        of_outlines[LOG_RADIUS] += r
        of_outlines *= _soft(r)[1] * np.sqrt(self.share)
        return out.T


def fit_pose(
    start: Cylinder,
    lattice: Lattice,
    points: TickPoints,
    walls: tuple[Array, Array] | None,
    wall_sd_px: float,
    focal_px: float | None,
    long_side_px: int,
    wall_weight: float = 2.0,
) -> PoseFit:
    """Fit angle, offset, tilt, radius, first line, pitch, focal length and k1.

    *walls*: two (M, 2) arrays of pixels on the outlines at -side and +side.  Robust
    (soft L1) in the tick residuals, in units of 0.5 px; the prior on the focal length
    is EXIF's where *focal_px* is given and broad otherwise.  Each outline counts like
    *wall_weight* points of *wall_sd_px*.
    """
    prior = focal_px or TYPICAL_FOCAL_35MM / 36.0 * long_side_px
    log_sd = FOCAL_LOG_SD_WITH_EXIF if focal_px else FOCAL_LOG_SD_WITHOUT
    fitted, points = points, _thinned(points)
    problem = PoseProblem.of(start, prior, log_sd, points, walls, wall_sd_px, wall_weight)
    theta0 = np.array(
        [
            start.angle,
            start.offset,
            start.tilt,
            np.log(start.radius_px),
            lattice.x0,
            lattice.pitch,
            np.log(start.camera.focal / prior),
            start.camera.k1,
        ]
    )
    scale = np.array([0.01, 1.0, 0.03, 0.02, 0.02, lattice.pitch / 100, 0.05, 0.01])
    lower = np.full(8, -np.inf)
    upper = np.full(8, np.inf)
    lower[2], upper[2] = -0.6, 0.6
    lower[6], upper[6] = -0.8, 0.8
    lower[7], upper[7] = -0.15, 0.15
    theta, weight = theta0, np.ones(len(points))
    for _ in range(ROUNDS):
        solved = least_squares(
            problem.residuals,
            np.clip(theta, lower + 1e-9, upper - 1e-9),
            jac=problem.jacobian,
            x_scale=scale,
            bounds=(lower, upper),
            ftol=1e-4,
            max_nfev=12,
            args=(weight,),
        )
        theta = solved.x
        cylinder, line = unpack(theta, start, prior)
        x = cylinder.hit(points.pixels)[0]
        on_line = _on_line((x - line.x(points.k)) * cylinder.radius_px, points.phi, points.k)
        weight = np.sqrt(on_line)
    x = cylinder.hit(fitted.pixels)[0]
    off = (x - line.x(fitted.k)) * cylinder.radius_px
    normal = solved.jac.T @ solved.jac
    covariance = np.linalg.pinv(normal)
    on_line = _on_line(off, fitted.phi, fitted.k)
    return PoseFit(cylinder, line, covariance, off, on_line, theta, prior)
