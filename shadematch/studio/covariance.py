"""How well a colour is known: the covariance of its L*, a* and b*."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from shadematch.colour.expected import differences, nine_in_ten
from shadematch.errors import ColourError
from shadematch.support.arrays import FloatArray, Triple, triple

__all__ = ["Covariance", "checked_covariance", "radius", "symmetric"]

Covariance = tuple[Triple, Triple, Triple]

_LARGEST_VARIANCE: Final = 1e6
"""Of L*, a* or b*: far beyond any colour. Keeps bounds finite."""


def checked_covariance(given: Sequence[Sequence[float]] | FloatArray) -> Covariance:
    """A covariance of L*, a* and b* as tuples; anything else is a `ColourError`."""
    try:
        matrix = np.asarray(given, dtype=float)
    except (TypeError, ValueError, OverflowError):
        matrix = np.empty(0)
    size = float(np.abs(matrix).max(initial=0.0))
    if (
        matrix.shape != (3, 3)
        or not np.isfinite(size)
        or np.abs(matrix - matrix.T).max() > 1e-9 * size
        or np.linalg.eigvalsh(matrix).min() < -1e-9 * size
    ):
        raise ColourError(
            "is not a covariance",
            field="covariance",
            value=given,
            remedy="Give a symmetric 3 x 3 matrix without negative eigenvalues",
        )
    if size > _LARGEST_VARIANCE:
        raise ColourError(
            "is larger than that of any colour",
            field="covariance",
            value=size,
            remedy=f"Give variances of L*, a*, b* up to {_LARGEST_VARIANCE:,g}; "
            "leave it out where it is not known",
        )
    return triple(matrix[0]), triple(matrix[1]), triple(matrix[2])


def symmetric(matrix: FloatArray) -> Covariance:
    """A covariance as tuples, without the asymmetry that rounding leaves; shape (3, 3)."""
    even = (matrix + matrix.T) / 2.0
    return triple(even[0]), triple(even[1]), triple(even[2])


def radius(lab: FloatArray, covariance: Covariance) -> float:
    """The CIEDE2000 that a normally distributed colour stays within nine times in ten."""
    apart = differences(lab[None, None], lab[None], np.array(covariance)[None])
    return float(nine_in_ten(apart)[0])
