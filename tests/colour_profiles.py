"""ICC profiles written down for tests: matrix and curve, version 2 (ICC.1:2001-04)."""

from __future__ import annotations

import struct

import numpy as np

D65 = (0.3127, 0.3290)
D50_XYZ = np.array([0.9642, 1.0, 0.8249])  # the profile connection space's white, ICC.1
#: x, y of red, green and blue
DISPLAY_P3 = ((0.680, 0.320), (0.265, 0.690), (0.150, 0.060))  # SMPTE EG 432-1
ADOBE_RGB = ((0.64, 0.33), (0.21, 0.71), (0.15, 0.06))  # Adobe RGB (1998), section 4.2
ADOBE_GAMMA = 563 / 256  # the same, 4.3.1.2
BRADFORD = np.array(
    [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]]
)


def _xyz(x: float, y: float) -> np.ndarray:
    return np.array([x / y, 1.0, (1 - x - y) / y])


def colorants(primaries: tuple[tuple[float, float], ...]) -> np.ndarray:
    """XYZ (3, 3) of the primaries as columns, adapted from D65 to D50 (Bradford)."""
    matrix = np.stack([_xyz(*p) for p in primaries], 1)
    matrix = matrix * np.linalg.solve(matrix, _xyz(*D65))
    cones = (BRADFORD @ D50_XYZ) / (BRADFORD @ _xyz(*D65))
    return np.linalg.inv(BRADFORD) @ np.diag(cones) @ BRADFORD @ matrix


def srgb_curve() -> bytes:
    """The curve of sRGB (IEC 61966-2-1), which Display P3 shares, in 1024 steps."""
    v = np.linspace(0, 1, 1024)
    linear = np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)
    table = np.round(linear * 65535).astype(">u2").tobytes()
    return b"curv" + bytes(4) + struct.pack(">I", 1024) + table


def gamma_curve(gamma: float) -> bytes:
    """A plain power."""
    return b"curv" + bytes(4) + struct.pack(">IHxx", 1, round(gamma * 256))


def profile(primaries: tuple[tuple[float, float], ...], curve: bytes, name: str) -> bytes:
    """A display profile for RGB with these *primaries* and, for all three, this *curve*."""

    def xyz(values: np.ndarray) -> bytes:
        fixed = [round(float(v) * 65536) for v in values]
        return b"XYZ " + bytes(4) + struct.pack(">iii", *fixed)

    ascii_name = name.encode() + b"\x00"
    text = b"desc" + bytes(4) + struct.pack(">I", len(ascii_name)) + ascii_name + bytes(78)
    columns = colorants(primaries).T
    tags = [
        (b"desc", text),
        (b"cprt", b"text" + bytes(4) + b"none\x00"),
        (b"wtpt", xyz(D50_XYZ)),
        *((key, xyz(c)) for key, c in zip((b"rXYZ", b"gXYZ", b"bXYZ"), columns, strict=True)),
        *((key, curve) for key in (b"rTRC", b"gTRC", b"bTRC")),
    ]
    offset = 128 + 4 + 12 * len(tags)
    table, body = struct.pack(">I", len(tags)), b""
    for key, data in tags:
        data += bytes(-len(data) % 4)
        table += key + struct.pack(">II", offset + len(body), len(data))
        body += data
    head = struct.pack(
        ">I4sI4s4s4s12s4s4sIIIQIIII",
        offset + len(body), b"test", 0x02400000, b"mntr", b"RGB ", b"XYZ ", bytes(12),
        b"acsp", bytes(4), 0, 0, 0, 0, 1, *(round(float(v) * 65536) for v in D50_XYZ),
    )  # fmt: skip
    return head + bytes(128 - len(head)) + table + body


def display_p3() -> bytes:
    """The profile that phones put into their pictures."""
    return profile(DISPLAY_P3, srgb_curve(), "Display P3")


def adobe_rgb() -> bytes:
    """The one that cameras can be set to."""
    return profile(ADOBE_RGB, gamma_curve(ADOBE_GAMMA), "Adobe RGB (1998)")
