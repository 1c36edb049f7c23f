"""Array types, and triples of plain numbers."""

from __future__ import annotations

import functools
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

__all__ = ["BoolArray", "FloatArray", "IntArray", "Triple", "keep_freed_memory", "triple"]

_HEAP: Final = 31 << 20

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.intp]
BoolArray: TypeAlias = NDArray[np.bool_]
Triple = tuple[float, float, float]


def triple(values: FloatArray) -> Triple:
    """An array of shape (3,) as plain numbers."""
    return float(values[0]), float(values[1]), float(values[2])


@functools.cache
def keep_freed_memory() -> None:
    """Let the C library keep freed memory, for arrays of up to 31 MB.

    It does so for blocks as large as the largest one that was freed (`mallopt`); otherwise it asks
    the system for every array anew, which takes twice the time. No memory is touched.
    """
    np.empty(_HEAP, dtype=np.uint8)
