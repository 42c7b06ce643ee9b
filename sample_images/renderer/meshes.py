"""Triangle meshes of turned and flat parts, and the file format that the renderer reads.

All lengths in millimetres. A part's own frame: x along the barrel from the nozzle (negative)
to the thumb rest (positive), x = 0 at the zero line; z towards the middle of the printed
scale; y = z × x.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

#: Below this angle between neighbouring facets of a profile the edge is shaded as round.
SMOOTH_DEG = 32.0


@dataclass(frozen=True)
class Mesh:
    """Vertices (N, 3) in mm, unit normals (N, 3), faces (M, 3), texture coordinates (N, 2)."""

    vertices: np.ndarray
    normals: np.ndarray
    faces: np.ndarray
    uv: np.ndarray | None = None

    def moved(self, pose: np.ndarray) -> Mesh:
        """The mesh after the rigid motion ``pose``, shape (4, 4)."""
        return Mesh(
            self.vertices @ pose[:3, :3].T + pose[:3, 3],
            self.normals @ pose[:3, :3].T,
            self.faces,
            self.uv,
        )


def joined(meshes: Sequence[Mesh]) -> Mesh:
    """All meshes as one; texture coordinates are dropped."""
    offset, faces = 0, []
    for mesh in meshes:
        faces.append(mesh.faces + offset)
        offset += len(mesh.vertices)
    return Mesh(
        np.concatenate([m.vertices for m in meshes]),
        np.concatenate([m.normals for m in meshes]),
        np.concatenate(faces),
    )


def lathe(
    profile: Sequence[tuple[float, float]],
    *,
    segments: int = 256,
    shape: Callable[[np.ndarray, float], np.ndarray] | None = None,
    with_uv: bool = False,
) -> Mesh:
    """Turn a profile of (x, r) points around the x axis.

    The outward side is on the left of the walking direction seen with x to the right and r up:
    a profile walked towards +x has its normals pointing away from the axis. ``shape(phi, r)``
    may replace the radius at each angle (cut flanges). With ``with_uv``, u runs along x from 0
    to 1 and v with the angle from 0 (phi = -180°) to 1 (phi = +180°); phi = 0 is z.
    """
    points = np.asarray(profile, float)
    steps = np.diff(points, axis=0)
    keep = np.hypot(steps[:, 0], steps[:, 1]) > 1e-9
    starts, ends, steps = points[:-1][keep], points[1:][keep], steps[keep]
    lengths = np.hypot(steps[:, 0], steps[:, 1])
    flat = np.stack([-steps[:, 1], steps[:, 0]], 1) / lengths[:, None]  # (n_x, n_r)
    first, last = flat.copy(), flat.copy()
    for i in range(len(flat) - 1):
        touching = np.allclose(ends[i], starts[i + 1])
        if touching and flat[i] @ flat[i + 1] > np.cos(np.radians(SMOOTH_DEG)):
            mean = flat[i] + flat[i + 1]
            last[i] = first[i + 1] = mean / np.linalg.norm(mean)

    phi = np.linspace(-np.pi, np.pi, segments + 1)
    sin, cos = np.sin(phi), np.cos(phi)
    vertices, normals, faces, uvs = [], [], [], []
    low, high = points[:, 0].min(), points[:, 0].max()
    offset = 0
    for (x0, r0), (x1, r1), n0, n1 in zip(starts, ends, first, last, strict=True):
        for x, r, n in ((x0, r0, n0), (x1, r1, n1)):
            radius = np.full_like(phi, r) if shape is None else shape(phi, r)
            vertices.append(np.stack([np.full_like(phi, x), radius * sin, radius * cos], 1))
            normals.append(np.stack([np.full_like(phi, n[0]), n[1] * sin, n[1] * cos], 1))
            if with_uv:
                u = (x - low) / max(high - low, 1e-9)
                uvs.append(np.stack([np.full_like(phi, u), phi / (2 * np.pi) + 0.5], 1))
        a = offset + np.arange(segments)
        b, c, d = a + 1, a + segments + 1, a + segments + 2
        if r0 > 1e-9:
            faces.append(np.stack([a, d, b], 1))
        if r1 > 1e-9:
            faces.append(np.stack([a, c, d], 1))
        offset += 2 * (segments + 1)
    return Mesh(
        np.concatenate(vertices),
        np.concatenate(normals),
        np.concatenate(faces),
        np.concatenate(uvs) if with_uv else None,
    )


def box(low: Sequence[float], high: Sequence[float]) -> Mesh:
    """A box between two corners, normals outwards."""
    low, high = np.asarray(low, float), np.asarray(high, float)
    vertices: list[np.ndarray] = []
    normals: list[np.ndarray] = []
    faces: list[np.ndarray] = []
    for axis in range(3):
        for side, sign in ((high, 1.0), (low, -1.0)):
            u, v = (axis + 1) % 3, (axis + 2) % 3
            corner = np.zeros((4, 3))
            corner[:, axis] = side[axis]
            corner[:, u] = [low[u], high[u], high[u], low[u]]
            corner[:, v] = [low[v], low[v], high[v], high[v]]
            n = np.zeros(3)
            n[axis] = sign
            k = 4 * len(vertices)
            order = [[0, 1, 2], [0, 2, 3]] if sign > 0 else [[0, 2, 1], [0, 3, 2]]
            faces.append(np.asarray(order) + k)
            vertices.append(corner)
            normals.append(np.tile(n, (4, 1)))
    return Mesh(np.concatenate(vertices), np.concatenate(normals), np.concatenate(faces))


def ellipsoid(
    centre: Sequence[float] | np.ndarray,
    semi_axes: Sequence[np.ndarray],
    rings: int = 48,
    around: int = 96,
) -> Mesh:
    """An ellipsoid with three mutually perpendicular half axes given as vectors, in mm."""
    theta = np.linspace(0, np.pi, rings + 1)
    phi = np.linspace(0, 2 * np.pi, around + 1)
    t, p = np.meshgrid(theta, phi, indexing="ij")
    unit = np.stack([np.sin(t) * np.cos(p), np.sin(t) * np.sin(p), np.cos(t)], -1).reshape(-1, 3)
    axes = np.asarray(semi_axes, float)
    if np.linalg.det(axes) < 0:
        axes = axes[[1, 0, 2]]
    squares = (axes**2).sum(1)
    vertices = np.asarray(centre, float) + unit @ axes
    normals = unit @ (axes / squares[:, None])
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    i, j = np.meshgrid(np.arange(rings), np.arange(around), indexing="ij")
    a = (i * (around + 1) + j).ravel()
    b, c, d = a + around + 1, a + 1, a + around + 2
    faces = np.concatenate([np.stack([a, b, d], 1), np.stack([a, d, c], 1)])
    spread = vertices[faces]
    area = np.linalg.norm(
        np.cross(spread[:, 1] - spread[:, 0], spread[:, 2] - spread[:, 0]), axis=1
    )
    return Mesh(vertices, normals, faces[area > 1e-12])


def write_ply(mesh: Mesh, path: Path) -> None:
    """Write the mesh as binary little-endian PLY with normals (and u, v where it has them)."""
    columns = [mesh.vertices, mesh.normals]
    names = ["x", "y", "z", "nx", "ny", "nz"]
    if mesh.uv is not None:
        columns.append(mesh.uv)
        names += ["u", "v"]
    table = np.concatenate(columns, 1).astype("<f4")
    header = ["ply", "format binary_little_endian 1.0", f"element vertex {len(table)}"]
    header += [f"property float {name}" for name in names]
    header += [f"element face {len(mesh.faces)}", "property list uchar int vertex_indices"]
    faces = np.empty(len(mesh.faces), dtype=[("n", "u1"), ("i", "<i4", 3)])
    faces["n"], faces["i"] = 3, mesh.faces
    text = "\n".join([*header, "end_header", ""]).encode("ascii")
    path.write_bytes(text + table.tobytes() + faces.tobytes())
