"""The three-dimensional faces of the permitted doses, sampled evenly in colour.

The permitted loads form a simplex: no pigment below zero, their sum at most the limit. Its corners
are "no paste" and the full load of each pigment. Four corners span a face with three degrees of
freedom, as many as a colour has; the images of all such faces nearly fill the gamut, and search
finds the rest.

References
----------
H. Freudenthal, Ann. Math. 43 (1942) 580 (a simplex cut into equal small ones).
"""

from __future__ import annotations

import functools
import itertools
from dataclasses import dataclass
from typing import Final

import numpy as np

from shadematch.support.arrays import FloatArray, IntArray

__all__ = ["Cells", "faces_of", "lattice", "loads_on"]

_BLEND: Final = 1.5


@dataclass(frozen=True)
class Cells:
    """A tetrahedron cut into small ones.

    `corners`: barycentric coordinates of the lattice points, shape (k, 4); `tetrahedra`:
    positions in `corners`, shape (count**3, 4).
    """

    corners: FloatArray
    tetrahedra: IntArray


@functools.lru_cache(maxsize=8)
def lattice(count: int) -> Cells:
    """A tetrahedron with every edge cut into `count` parts."""
    axis = np.arange(count + 1)
    u = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1).reshape(-1, 3)
    inside = (u[:, 0] >= u[:, 1]) & (u[:, 1] >= u[:, 2])
    points = u[inside]
    number = np.full(len(u), -1)
    number[inside] = np.arange(len(points))

    def position(v: IntArray) -> IntArray:
        ok = np.all((v >= 0) & (v <= count), axis=1)
        flat = (v[:, 0] * (count + 1) + v[:, 1]) * (count + 1) + v[:, 2]
        return np.where(ok, number[np.where(ok, flat, 0)], -1)

    found = []
    for order in itertools.permutations(range(3)):
        corner = points.copy()
        path = [position(corner)]
        for axis_ in order:
            corner = corner.copy()
            corner[:, axis_] += 1
            path.append(position(corner))
        cells = np.stack(path, axis=1)
        found.append(cells[np.all(cells >= 0, axis=1)])
    v = points / count
    bary = np.column_stack([1.0 - v[:, 0], v[:, 0] - v[:, 1], v[:, 1] - v[:, 2], v[:, 2]])
    return Cells(bary, np.concatenate(found))


def faces_of(size: int, max_tubes: int) -> list[tuple[int, ...]]:
    """Corners of the faces: positions of `size` pigments, with -1 for no paste.

    Four corners each, or fewer if there are fewer than three pigments; only faces with at most
    `max_tubes` pigments.
    """
    corners = range(-1, size)
    most = min(4, size + 1, max_tubes + 1)
    return [
        face
        for face in itertools.combinations(corners, most)
        if len(face) - (face[0] == -1) <= max_tubes
    ]


def loads_on(
    face: tuple[int, ...],
    bary: FloatArray,
    *,
    size: int,
    most: float,
    crowd: float = 2.0,
) -> FloatArray:
    """Loads at points of a face, shape (k, size).

    Parameters
    ----------
    face
        From `faces_of`.
    bary
        Even barycentric coordinates, shape (k, len(face)).
    size, most
        Number of pigments, and the limit on the sum of loads.
    crowd
        Power that moves points to where colour changes most: little paste. `_BLEND` does so
        to little of a pigment. The face as a whole stays the same.
    """
    loads = np.zeros((len(bary), size))
    weights = np.array([0.0 if corner < 0 else 1.0 for corner in face])
    total = np.minimum(bary @ weights, 1.0)
    parts = bary**_BLEND
    shares = parts / np.maximum(parts @ weights, 1e-300)[:, None]
    for column, corner in enumerate(face):
        if corner >= 0:
            loads[:, corner] = most * total**crowd * shares[:, column]
    return loads
