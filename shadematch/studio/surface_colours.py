"""The colours that a surface can have: the solid of object colours."""

from __future__ import annotations

import functools
from typing import Final

import numpy as np

from shadematch.colour.illuminant import Light
from shadematch.colour.standards import observation
from shadematch.errors import ColourError
from shadematch.support.arrays import FloatArray

__all__ = ["check_all_real", "check_real"]

_SLACK: Final = (0.1, 0.01)
"""How far outside the solid of object colours [XYZ] a measured colour may lie: a fixed part, and a
share of the colour's length."""

_ROWS: Final = 256


@functools.cache
def _solid(illuminant: Light, observer: str) -> tuple[FloatArray, FloatArray]:
    """Facet normals of the solid of object colours, and its extent along each.

    The solid holds the XYZ of all reflectances from 0 to 1 at the library's wavelengths. It is a
    zonotope, and pairs of weights span its facets.
    """
    weights = observation(illuminant, observer).weights
    first, second = np.triu_indices(weights.shape[1], 1)
    normals = np.cross(weights[:, first].T, weights[:, second].T)
    size = np.linalg.norm(normals, axis=1)
    normals = normals[size > 1e-9 * size.max()] / size[size > 1e-9 * size.max(), None]
    normals = np.concatenate([normals, -normals])
    return normals, np.maximum(normals @ weights, 0.0).sum(axis=1)


def check_real(
    xyz: FloatArray,
    illuminant: Light,
    observer: str,
    field_: str,
    given: FloatArray,
    unsure: FloatArray | None = None,
) -> None:
    """Refuse a colour that no surface has under this light, with a `ColourError`.

    `unsure` widens the limit: rows of XYZ, by which independent causes may have moved it.
    """
    normals, reach = _solid(illuminant, observer)
    slack = _SLACK[0] + _SLACK[1] * float(np.linalg.norm(xyz))
    if unsure is not None:
        slack = slack + np.sqrt(((normals @ unsure.T) ** 2).sum(axis=1))
    if np.any(normals @ xyz > reach + slack):
        raise _unreal(field_, given)


def check_all_real(
    xyz: FloatArray, illuminant: Light, observer: str, given: FloatArray, first: int
) -> None:
    """`check_real` for rows of XYZ, shape (t, 3); `first` rows came before them."""
    normals, reach = _solid(illuminant, observer)
    slack = _SLACK[0] + _SLACK[1] * np.linalg.norm(xyz, axis=1)
    for start in range(0, len(xyz), _ROWS):
        rows = slice(start, start + _ROWS)
        out = ((xyz[rows] @ normals.T - reach).max(axis=1) > slack[rows]).nonzero()[0]
        if out.size:
            row = start + int(out[0])
            raise _unreal(f"targets, row {first + row + 1}", given[row])


def _unreal(field_: str, given: FloatArray) -> ColourError:
    return ColourError(
        "no surface can have this colour",
        field=field_,
        value=tuple(given.tolist()),
        remedy="Check the order, the signs and the light; L* runs to 100, Y to 100",
    )
