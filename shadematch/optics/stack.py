"""Layers of one refractive index on top of each other, exactly, by adding them.

Between layers of one base nothing is refracted, so there are no faces inside. What a layer
reflects and lets through, for every direction in which light comes and goes, is a pair of
operators; those of two layers combine by summing what bounces between them. Only the finished
stack gets its faces.

References
----------
H. C. van de Hulst, *Multiple Light Scattering* (1980), ch. 4; I. P. Grant, G. E. Hunt, Proc. R.
Soc. A 313 (1969) 183 (the star product of layers that differ from their two sides).
"""

from __future__ import annotations

import functools
from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np

from shadematch.optics.layer import Surroundings, seen
from shadematch.optics.transport import (
    Directions,
    Modes,
    directions,
    modes,
    operators,
    with_faces,
)
from shadematch.support.arrays import FloatArray

__all__ = ["Coat", "Medium", "add", "look", "medium"]

_LEAST: Final = 1e-9
"""Least absorption [1/cm]; keeps the conservative case away from k = 0."""
_KEPT: Final = 1.0 - 1e-12
"""What the thinnest of layers lets through."""


class Coat(NamedTuple):
    """Operators of layers without outer faces, each of shape (w, N, N).

    They act on intensities scaled by sqrt(weight * mu).

    Attributes
    ----------
    R, T
        Reflected and let through, for light from above.
    R_below
        Reflected, for light from below. What is let through from below is the transpose of T
        (reciprocity).
    """

    R: FloatArray
    T: FloatArray
    R_below: FloatArray


class Medium:
    """Coloured base whose modes are solved once; layers of any thickness then cost little.

    Parameters
    ----------
    mu_a, mu_s_reduced
        Absorption and reduced scattering [1/cm], shape (w,), not negative.
    along
        Directions to follow; by default as many as the slab's table was made with, which costs
        ten milliseconds and gives the table's numbers to its last digits.
    """

    def __init__(
        self, mu_a: FloatArray, mu_s_reduced: FloatArray, along: Directions | None = None
    ) -> None:
        self.along = directions(half=24, moments=32) if along is None else along
        self._modes: Modes = modes(np.maximum(mu_a, _LEAST), mu_s_reduced, self.along)

    def coat(self, thickness_cm: float) -> Coat:
        """A layer of it [cm], from 0 on."""
        R, T = operators(self._modes, thickness_cm)
        return Coat(R, T, R)


@functools.lru_cache(maxsize=32)
def medium(mu_a: tuple[float, ...], mu_s_reduced: tuple[float, ...]) -> Medium:
    """The medium of these coefficients, kept for the next stack (about 1 MB each)."""
    return Medium(np.array(mu_a), np.array(mu_s_reduced))


def add(upper: Coat, lower: Coat) -> Coat:
    """Two layers, the first on top of the second."""
    one = np.eye(upper.R.shape[1])
    up = np.swapaxes(upper.T, 1, 2)
    # What goes down between the two for what comes down through the upper one, and what goes up
    # for what comes up through the lower one.
    between = np.linalg.inv(one - upper.R_below @ lower.R)
    down = between @ upper.T
    back = between @ upper.R_below @ np.swapaxes(lower.T, 1, 2)
    return Coat(
        upper.R + up @ lower.R @ down,
        lower.T @ down,
        lower.R_below + lower.T @ back,
    )


def look(coats: Sequence[Coat], around: Surroundings, along: Directions) -> FloatArray:
    """Radiance factor of layers, top first, straight from above, gloss left out.

    Parameters
    ----------
    coats
        At least one; all of the same directions.
    around
        What lies around the stack.
    along
        The directions.

    Returns
    -------
    ndarray
        Shape (w,); against the light, a transmittance.
    """
    whole = functools.reduce(add, coats)
    # Layers of no thickness would keep for ever what their faces turn back, and leave nothing to
    # solve; light that enters at all never goes there, so the least loss changes no answer.
    whole = whole._replace(T=whole.T * _KEPT)
    contact = around.mode == "optical"
    parts = [np.clip(p, 0.0, 1.0) for p in with_faces(*whole, along, contact=contact)]
    if around.mode == "through":
        return seen([parts[1]], around)
    direct, down, third, fourth = parts
    # `seen` wants what comes up before what comes back; without contact R stands before T.
    order = [direct, down, third, fourth] if contact else [direct, down, fourth, third]
    return seen(order, around)
