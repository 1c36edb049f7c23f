"""Array types, and triples of plain numbers."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

__all__ = ["BoolArray", "FloatArray", "IntArray", "Triple", "triple"]

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.intp]
BoolArray: TypeAlias = NDArray[np.bool_]
Triple = tuple[float, float, float]


def triple(values: FloatArray) -> Triple:
    """An array of shape (3,) as plain numbers."""
    return float(values[0]), float(values[1]), float(values[2])
