"""The voxels of CIELAB that a body fills, and the surface around them.

A body is a set of tetrahedra whose corners have colours; between corners colour is taken as
linear. All tetrahedra are drawn into voxels, without any hull, so hollows and tunnels are kept.

References
----------
W. E. Lorensen, H. E. Cline, SIGGRAPH 21 (1987) 163 (marching cubes), in the variant of
T. Lewiner et al., J. Graphics Tools 8 (2003), as scikit-image has it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np

from shadematch.errors import MissingExtraError, ShadematchError
from shadematch.support.arrays import BoolArray, FloatArray, IntArray

__all__ = ["Body", "Mesh", "fill", "volume_inside", "wrap"]

_CHUNK: Final = 400_000
_VOXELS: Final = 200_000


@dataclass(frozen=True)
class Body:
    """Voxels that a body fills.

    `origin`: lower corner of the first voxel [CIELAB], shape (3,); `pitch`: edge of a voxel
    [CIELAB]; `filled`: whether the centre of each voxel is in the body, shape (l, a, b).
    """

    origin: FloatArray
    pitch: float
    filled: BoolArray

    @property
    def volume(self) -> float:
        """Volume of the filled voxels [CIELAB cubed]."""
        return float(self.filled.sum()) * self.pitch**3

    def middles(self, at: IntArray) -> FloatArray:
        """Centres of the voxels at indices of shape (k, 3)."""
        return self.origin + (at + 0.5) * self.pitch

    def holds(self, lab: FloatArray) -> BoolArray:
        """Whether the voxel around each colour, shape (k, 3), is filled."""
        at = np.floor((lab - self.origin) / self.pitch).astype(np.int64)
        ok = np.all((at >= 0) & (at < self.filled.shape), axis=1)
        safe = np.where(ok[:, None], at, 0)
        return np.asarray(ok & self.filled[safe[:, 0], safe[:, 1], safe[:, 2]])


@dataclass(frozen=True)
class Mesh:
    """Triangles around a body, for drawing.

    Attributes
    ----------
    vertices
        CIELAB, shape (v, 3).
    triangles
        Positions of vertices, shape (t, 3), counterclockwise as seen from outside.
    """

    vertices: FloatArray
    triangles: IntArray

    @property
    def volume(self) -> float:
        """Volume inside [CIELAB cubed], by the divergence theorem."""
        return volume_inside(self.vertices, self.triangles)

    def normals(self) -> FloatArray:
        """Outward unit normals at the vertices, shape (v, 3), weighted by area."""
        corner = self.vertices[self.triangles]
        each = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
        total = np.zeros_like(self.vertices)
        for column in range(3):
            np.add.at(total, self.triangles[:, column], each)
        size = np.linalg.norm(total, axis=1, keepdims=True)
        return np.asarray(np.divide(total, size, out=np.zeros_like(total), where=size > 0))


def volume_inside(vertices: FloatArray, triangles: IntArray) -> float:
    """Volume inside a closed mesh of triangles, counterclockwise as seen from outside."""
    middle = vertices.mean(axis=0)
    a, b, c = np.moveaxis(vertices[triangles] - middle, 1, 0)
    return float(np.einsum("tc,tc->t", a, np.cross(b, c)).sum() / 6.0)


def fill(parts: Iterable[tuple[FloatArray, IntArray]], *, pitch: float | None = None) -> Body:
    """Draw tetrahedra into voxels.

    Parameters
    ----------
    parts
        Pairs of corner colours, shape (k, 3), and tetrahedra as positions of corners, shape
        (m, 4).
    pitch
        Edge of a voxel [CIELAB]; by default so that there are about 200,000 voxels.
    """
    pieces = list(parts)
    everything = np.concatenate([corners for corners, _ in pieces])
    if pitch is None:
        size = float(np.prod(np.maximum(np.ptp(everything, axis=0), 1.0)))
        pitch = float(np.clip((size / _VOXELS) ** (1 / 3), 0.5, 4.0))
    origin = np.floor(everything.min(axis=0) / pitch - 2.0) * pitch
    shape = np.ceil((everything.max(axis=0) - origin) / pitch + 2.0).astype(np.int64)
    filled = np.zeros(tuple(shape), dtype=bool)
    # The largest first: the others need not draw again what it fills.
    pieces.sort(key=lambda piece: -float(np.prod(np.ptp(piece[0], axis=0))))
    for corners, tetrahedra in pieces:
        _draw(filled, (corners - origin) / pitch - 0.5, tetrahedra)
    return Body(origin, pitch, filled)


def _draw(filled: BoolArray, corners: FloatArray, tetrahedra: IntArray) -> None:
    """Fill the voxels whose centres (whole numbers) lie in a tetrahedron."""
    points = corners[tetrahedra]  # (m, 4, 3)
    lo = np.ceil(points.min(axis=1) - 1e-9).astype(np.int64)
    size = np.floor(points.max(axis=1) + 1e-9).astype(np.int64) - lo + 1
    edges = np.swapaxes(points[:, 1:] - points[:, :1], 1, 2)  # columns are edges
    flat = np.abs(np.linalg.det(edges)) > 1e-9
    kept = np.flatnonzero(np.all(size > 0, axis=1) & flat)
    # Skip tetrahedra whose bounding box is full already, by partial sums.
    sums = np.zeros(tuple(n + 1 for n in filled.shape), dtype=np.int64)
    sums[1:, 1:, 1:] = filled.cumsum(0).cumsum(1).cumsum(2)
    hi = lo + size
    inside = np.zeros(len(kept), dtype=np.int64)
    for bits in np.ndindex(2, 2, 2):
        at = np.where(np.array(bits, dtype=bool), hi[kept], lo[kept])
        inside += (-1) ** (3 - sum(bits)) * sums[at[:, 0], at[:, 1], at[:, 2]]
    kept = kept[inside < size[kept].prod(axis=1)]
    counts = size[kept].prod(axis=1)
    inverse = np.linalg.inv(edges[kept])
    start = points[kept, 0]
    ends = np.cumsum(counts)
    for part in np.split(
        np.arange(len(kept)),
        np.searchsorted(ends, np.arange(_CHUNK, ends[-1] if len(ends) else 0, _CHUNK)),
    ):
        if not part.size:
            continue
        who = np.repeat(part, counts[part])
        index = np.arange(who.size) - np.repeat(
            np.cumsum(counts[part]) - counts[part], counts[part]
        )
        s = size[kept[who]]
        at = lo[kept[who]] + np.column_stack(
            [index // (s[:, 1] * s[:, 2]), index // s[:, 2] % s[:, 1], index % s[:, 2]]
        )
        away = at - start[who]
        total = np.zeros(len(at))
        for row in range(3):  # the first excludes most
            share = np.einsum("tj,tj->t", inverse[who, row], away)
            ok = (share >= -1e-9) & (total + share <= 1.0 + 1e-9)
            who, at, away, total = who[ok], at[ok], away[ok], (total + share)[ok]
        filled[at[:, 0], at[:, 1], at[:, 2]] = True


def wrap(body: Body) -> Mesh:
    """The surface of a body.

    Voxels are first averaged over cubes of two; the fraction that is full places the surface
    within a fraction of a voxel.

    Raises
    ------
    MissingExtraError
        If scikit-image is not installed.
    ShadematchError
        If the body is too thin.
    """
    with MissingExtraError.unless("scikit-image", "plots", field="surface"):
        from skimage.measure import marching_cubes
    shape, every = np.array(body.filled.shape), 2
    padded = np.pad(body.filled, [(every, every + int(-n % every)) for n in shape]).astype(float)
    blocks = padded.reshape(
        padded.shape[0] // every, every, padded.shape[1] // every, every, -1, every
    ).mean(axis=(1, 3, 5))
    if not (blocks > 0.5).any():
        problem, remedy = "is too thin to draw as a solid", "Draw a slice, or use more pigments"
        raise ShadematchError(problem, field="surface", value=body.pitch, remedy=remedy)
    vertices, triangles, _, _ = marching_cubes(blocks, 0.5, gradient_direction="descent")
    step = body.pitch * every
    lab = body.origin - step + (vertices + 0.5) * step
    if volume_inside(lab, triangles) < 0:
        triangles = triangles[:, ::-1]
    return Mesh(np.asarray(lab, dtype=float), np.asarray(triangles, dtype=np.int64))
