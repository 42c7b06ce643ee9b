"""The pitch of the graduation lines from the unwrapped barrel."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np

from .pose import Lattice

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[Any]

MAX_PITCH = 1.6  # outer radii; 1 mL with lines every 0.1 mL comes to about 1.7
MIN_PITCH_PX = 2.8  # finer lines than this cannot be told apart
MIN_PERIODS = 8  # fewer lines than this make no comb
WINDOW = np.radians(14)
MIN_PERIOD_PX = 2.2  # harmonics finer than this are the noise of single pixels
NOISE_WIDTH = 24  # in units of the spectrum's resolution
MOST_POWER = 25.0
LOG_SHARE = 8.0  # of what is beyond, so that a stronger line still tells
HARMONICS = 4
CHANCE = 8.0  # of the best of four harmonics, by chance
LEAST_EVIDENCE = 20.0
CANDIDATES = 3
NEAR = 0.03  # of a pitch that is known


@dataclass(frozen=True)
class LatticeCandidate:
    """A supposed lattice, the evidence for it, and the azimuth where it is clearest."""

    lattice: Lattice
    score: float
    phi: float


def window_profiles(flat: Array, phi: Array, width: float = WINDOW) -> tuple[Array, Array]:
    """Means of *flat* (P, X) over half-overlapping azimuth windows -> (W, X), centres (W,)."""
    n = max(1, round(width / (phi[1] - phi[0])))
    cumulative = np.vstack([np.zeros(flat.shape[1]), np.cumsum(flat, axis=0)])
    starts = np.arange(0, len(phi) - n + 1, max(1, n // 2))
    return (cumulative[starts + n] - cumulative[starts]) / n, phi[starts] + width / 2


def find_lattices(
    flat: Array, x: Array, phi: Array, radius_px: float, *, near: float | None = None
) -> list[LatticeCandidate]:
    """Supposed lattices in the unwrapped line strengths *flat* (len(phi), len(x)), best first.

    A lattice of frequency f has power at f, 2f, 3f and so on, and nowhere between: each
    frequency is credited with its first harmonics (the H-test for pulsed light, de Jager,
    Raubenheimer and Swanepoel 1989, cited from memory).  Power is in units of the noise
    beside it, so that a stopper or numerals, strong at low frequencies, count for little,
    and capped, so that evenly spread lines beat one strong spot.  *near*: the pitch, outer radii,
    where it is known from elsewhere: then less evidence will do.
    """
    profiles, centres = window_profiles(flat, phi)
    step = float(x[1] - x[0])
    n = profiles.shape[1]
    size = 1 << int(np.ceil(np.log2(n * 4)))
    detail = profiles - cv2.blur(profiles.astype(np.float32), (int(1.2 / step) | 1, 1))
    resolution = size / n  # samples of the spectrum within its own resolution
    width = int(NOISE_WIDTH * resolution)
    frequency = np.fft.rfftfreq(size, step)
    count = int(np.searchsorted(frequency, radius_px / MIN_PERIOD_PX, "right"))
    spectrum = np.fft.rfft(detail * np.hanning(n)[None], size, axis=1)[:, : count + width]
    power = spectrum.real**2 + spectrum.imag**2
    power /= _noise(power, width) + 1e-9
    power, frequency = power[:, :count], frequency[:count]
    amplitude = np.sqrt(power)
    beyond = np.log(np.maximum(power / MOST_POWER, 1.0))
    power = np.minimum(power, MOST_POWER) + LOG_SHARE * beyond
    longest = min(MAX_PITCH, n * step / MIN_PERIODS)
    band = np.flatnonzero((frequency > 1 / longest) & (frequency < radius_px / MIN_PITCH_PX))
    if near is not None:
        band = band[np.abs(frequency[band] * near - 1) < NEAR]
    if not len(band):
        return []
    credit = np.zeros((len(profiles), len(band)))
    most = credit.copy()
    for harmonic in range(1, HARMONICS + 1):
        at = band * harmonic
        inside = at < power.shape[1]
        credit[:, inside] += 2 * power[:, at[inside]]
        credit -= 4 if harmonic > 1 else 0
        np.maximum(most, credit, out=most)
    credit = np.maximum(most - CHANCE, 0)
    total = credit.sum(0)
    out = []
    for _ in range(CANDIDATES):
        i = int(total.argmax())
        if total[i] <= (LEAST_EVIDENCE if near is None else 0.0):
            break
        w = int(credit[:, i].argmax())
        f = _peak(amplitude[credit[:, i] > 0].sum(0), band[i], int(resolution)) * frequency[1]
        wave = np.exp(2j * np.pi * f * x)
        phase = float(np.angle(detail[w] @ wave) / (2 * np.pi * f))
        out.append(
            LatticeCandidate(Lattice(phase, float(1 / f)), float(total[i]), float(centres[w]))
        )
        total[np.abs(band - band[i]) < 0.02 * band[i] + 1.5 * resolution] = 0
    return out


def _peak(amplitude: Array, at: int, reach: int) -> float:
    """Where harmonics of the frequency sample near *at* are strongest in *amplitude* (F,)."""
    near = np.arange(max(1, at - reach), at + reach + 1)
    total = np.zeros(len(near))
    for harmonic in range(1, HARMONICS + 1):
        there = near * harmonic
        inside = there < len(amplitude)
        total[inside] += amplitude[there[inside]]
    j = int(np.clip(total.argmax(), 1, len(near) - 2))
    left, top, right = total[j - 1 : j + 2]
    bend = left - 2 * top + right
    shift = 0.5 * (left - right) / bend if bend < 0 else 0.0
    return float(near[j] + np.clip(shift, -0.5, 0.5))


def _noise(power: Array, width: int) -> Array:
    """Mean power (W, F) of the noise: from its running median, which lines don't move."""
    half = max(1, width // 2)
    at = np.arange(0, power.shape[1] + half, half)
    parts = [np.median(power[:, max(0, i - half) : i + half + 1], axis=1) for i in at]
    grid = np.arange(power.shape[1])
    floor = np.array([np.interp(grid, at, row) for row in np.array(parts).T])
    return floor / np.log(2)  # the median of an exponential distribution is ln 2 of its mean
