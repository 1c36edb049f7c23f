"""How well a colour is known: the covariance of its L*, a* and b*."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from shadematch.colour.difference import delta_e
from shadematch.errors import ColourError
from shadematch.support.arrays import FloatArray, Triple, triple

__all__ = ["Covariance", "checked_covariance", "radius", "symmetric"]

Covariance = tuple[Triple, Triple, Triple]

_LEVEL: Final = 0.9
_LARGEST_VARIANCE: Final = 1e6
"""Of L*, a* or b*: far beyond any colour. Keeps bounds finite."""
_DIRECTIONS: Final = 600


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
    """The CIEDE2000 that a normally distributed colour stays within in 90 % of cases.

    Along each of 600 directions CIEDE2000 is taken as proportional to the distance, at the rate it
    has at the edge of the ellipsoid that holds 90 %.
    """
    from scipy.optimize import brentq  # slow to import, so late
    from scipy.special import chdtr, chdtri

    # Standard deviations to the edge of that ellipsoid.
    edge = float(np.sqrt(chdtri(3, 1.0 - _LEVEL)))
    values, axes = np.linalg.eigh(np.array(covariance))
    spread = axes * np.sqrt(np.maximum(values, 0.0))
    # A golden spiral: directions evenly spread over the sphere, the same ones every time.
    k = np.arange(_DIRECTIONS) + 0.5
    up, turn = 1 - 2 * k / _DIRECTIONS, np.pi * (1 + np.sqrt(5)) * k
    flat = np.sqrt(1 - up**2)
    out = np.stack([flat * np.cos(turn), flat * np.sin(turn), up], axis=-1)
    pace = delta_e(lab, lab + edge * out @ spread.T) / edge
    if pace.max() <= 0:
        return 0.0
    pace = np.maximum(pace, 1e-9 * pace.max())

    def inside(within: float) -> float:
        return float(np.mean(chdtr(3, (within / pace) ** 2))) - _LEVEL

    return float(brentq(inside, 0.0, edge * pace.max(), xtol=1e-9))
