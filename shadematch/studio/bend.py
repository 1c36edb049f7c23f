"""How the strength of paste and of white base falls behind the amount.

Particles that clump or crowd act less each. Paste at a load c acts like the effective load

    e(c) = c (1 + k) / (1 + k c)

with one number k, its *bend*, for each paste. Loads are in the palette's unit per 100 g of base;
strength is stated at a load of 1, so e(1) = 1 for every k. A load c does 1 / (1 + k c) of what
small loads promise. The bend depends on the unit: where 1 cm weighs 1.3 g, the bend per cm
is 1.3 times that per g. White base of fraction w scatters

    s w exp(-h (w - 0.1))

with one number h, its *crowding*: s is its strength per fraction near 0.1, and pure white scatters
s exp(-0.9 h). Both forms are chosen for being simple and monotone; k = h = 0 is proportional.
(On crowding of white pigments: S. Fitzwater, J. W. Hook, J. Coat. Technol. 57 (721) (1985) 39.)

For k < 0, paste that gains strength with load, e has a pole at c = -1 / k. From half of that on, e
continues along its tangent.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from shadematch.support.arrays import FloatArray

__all__ = [
    "LEAST_BEND",
    "MOST_BEND",
    "MOST_CROWDING",
    "TENTH",
    "effective",
    "effective_by_bend",
    "effective_slope",
    "white_share",
    "white_share_by_crowding",
    "white_share_slope",
]

LEAST_BEND: Final = -0.05
MOST_BEND: Final = 10.0
"""Of a paste, far beyond clumping: a load of 1 does an eleventh of what small loads promise."""
MOST_CROWDING: Final = 1.0
"""Of white base, as an absolute value: up to it, more white always scatters more."""
TENTH: Final = 0.1
"""White fraction at which the strength of white base is stated."""


def _straight_from(bend: FloatArray) -> FloatArray:
    """Load from which on e is straight; infinite for k >= 0."""
    return np.asarray(np.divide(-0.5, bend, out=np.full(np.shape(bend), np.inf), where=bend < 0))


def effective(load: FloatArray, bend: FloatArray) -> FloatArray:
    """The effective load e(c), shape (..., n), rising with the load.

    Parameters
    ----------
    load
        [palette's unit per 100 g], shape (..., n), from 0 on.
    bend
        k of each paste [100 g per palette's unit], at least `LEAST_BEND`; broadcasts with `load`.
    """
    if not bend.any():
        return load
    if not (bend < 0).any():
        return np.asarray(load * (1.0 + bend) / (1.0 + bend * load))
    bent = np.minimum(load, _straight_from(bend))
    weaker = 1.0 + bend * bent
    return np.asarray((1.0 + bend) / weaker * (bent + (load - bent) / weaker))


def effective_slope(load: FloatArray, bend: FloatArray) -> FloatArray:
    """Derivative of `effective` by the load, shape (..., n); above 0."""
    if not bend.any():
        return np.ones_like(load)
    if not (bend < 0).any():
        return np.asarray((1.0 + bend) / (1.0 + bend * load) ** 2)
    bent = np.minimum(load, _straight_from(bend))
    return np.asarray((1.0 + bend) / (1.0 + bend * bent) ** 2)


def effective_by_bend(load: FloatArray, bend: FloatArray) -> FloatArray:
    """Derivative of `effective` by the bend, shape (..., n)."""
    edge = _straight_from(bend)
    bent = np.minimum(load, edge)
    weaker = 1.0 + bend * bent
    by_bend = bent * (1.0 - bent) / weaker**2
    # The tangent at c = -1 / (2 k), where 1 + k c is a half, is 4 (1 + k) c + (1 + k) / k.
    beyond = np.divide(1.0, bend * bend, out=np.zeros(np.shape(bend)), where=bend < 0)
    return np.where(load > edge, 4.0 * load - beyond, by_bend)


def white_share(white: FloatArray | float, crowding: FloatArray | float) -> FloatArray:
    """Scattering of white base in a blend, as a share of `Base.scattering`.

    `white` is its mass fraction, 0 to 1; `crowding` is h, a number or of the shape of `white`.
    """
    fraction = np.asarray(white, dtype=float)
    return np.asarray(fraction * np.exp(-crowding * (fraction - TENTH)))


def white_share_slope(white: FloatArray | float, crowding: float) -> FloatArray:
    """Derivative of `white_share` by the white fraction."""
    fraction = np.asarray(white, dtype=float)
    return np.asarray((1.0 - crowding * fraction) * np.exp(-crowding * (fraction - TENTH)))


def white_share_by_crowding(white: FloatArray | float, crowding: float) -> FloatArray:
    """Derivative of `white_share` by the crowding."""
    fraction = np.asarray(white, dtype=float)
    return np.asarray(-(fraction - TENTH) * white_share(fraction, crowding))
