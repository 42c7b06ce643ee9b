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
WINDOW = np.radians(14)


@dataclass(frozen=True)
class LatticeCandidate:
    """A supposed lattice, its score (higher is better), and the azimuth where it is clearest."""

    lattice: Lattice
    score: float
    contrast: float
    phi: float


def window_profiles(flat: Array, phi: Array, width: float = WINDOW) -> tuple[Array, Array]:
    """Means of *flat* (P, X) over half-overlapping azimuth windows -> (W, X), centres (W,)."""
    n = max(1, round(width / (phi[1] - phi[0])))
    cumulative = np.vstack([np.zeros(flat.shape[1]), np.cumsum(flat, axis=0)])
    starts = np.arange(0, len(phi) - n + 1, max(1, n // 2))
    return (cumulative[starts + n] - cumulative[starts]) / n, phi[starts] + width / 2


def _contrast(profile: Array, x: Array, pitch: float, phase: float) -> float:
    """Mean strength on the lattice less the greatest mean at fractions between its lines."""
    step = x[1] - x[0]

    def at(positions: Array) -> Array:
        return np.max([np.interp(positions + o, x, profile) for o in (-step, 0, step)], axis=0)

    k = np.arange(np.ceil((x[0] - phase) / pitch) + 1, np.floor((x[-1] - phase) / pitch))
    if len(k) < 4:
        return -1.0
    lines = phase + k * pitch
    on = at(lines)
    reference = max(float(np.percentile(on, 75)), 0.05)
    between = max(
        float(np.mean(np.minimum(at(lines + o * pitch) / reference, 1)))
        for o in (1 / 2, 1 / 3, 2 / 3, 1 / 4, 3 / 4)
    )
    return float(np.mean(np.minimum(on / reference, 1))) - between


def find_lattices(flat: Array, x: Array, phi: Array, radius_px: float) -> list[LatticeCandidate]:
    """Supposed lattices in the unwrapped line strengths *flat* (len(phi), len(x)), best first.

    Fourier power summed over azimuth windows gives the frequencies; thin lines have strong
    harmonics, so each is tried at its multiples in the window where it is clearest.
    """
    profiles, centres = window_profiles(flat, phi)
    step = float(x[1] - x[0])
    n = profiles.shape[1]
    size = 1 << int(np.ceil(np.log2(n * 4)))
    detail = profiles - cv2.blur(profiles.astype(np.float32), (int(1.2 / step) | 1, 1))
    power = np.abs(np.fft.rfft(detail * np.hanning(n)[None], size, axis=1)) ** 2
    power /= np.sqrt((detail**2).sum(1))[:, None] + 1e-3
    frequency = np.fft.rfftfreq(size, step)
    total = power.sum(0)
    inner = slice(1, -1)
    peaks = (total[inner] > total[:-2]) & (total[inner] >= total[2:])
    peaks &= (frequency[inner] > 1 / MAX_PITCH) & (frequency[inner] < radius_px / MIN_PITCH_PX)
    index = np.flatnonzero(peaks) + 1
    index = index[np.argsort(-total[index])][:6]
    out = []
    for i in index:
        w = int(np.argmax(power[:, i]))
        best: tuple[float, float, float] = (-9.0, 1.0, 0.0)
        for multiple in (1, 2, 3, 4):
            pitch = multiple / frequency[i]
            if pitch > MAX_PITCH:
                break
            for p in pitch * np.linspace(0.985, 1.015, 7):
                phase = float(np.angle(profiles[w] @ np.exp(2j * np.pi * x / p)) / (2 * np.pi) * p)
                best = max(best, (_contrast(profiles[w], x, p, phase), float(p), phase))
        contrast, pitch, phase = best
        score = contrast * float(np.sqrt(total[i] / total[index[0]]))
        out.append(LatticeCandidate(Lattice(phase, pitch), score, contrast, float(centres[w])))
    return sorted(out, key=lambda c: -c.score)
