"""Layers of one refractive index on top of each other, exactly, by adding.

Layers of one base have no faces between them. A pair of operators gives what a layer reflects and
transmits for every direction of light; those of two layers combine by summing what bounces
between them. Only the finished stack gets faces.

References
----------
H. C. van de Hulst, *Multiple Light Scattering* (1980), ch. 4; I. P. Grant, G. E. Hunt, Proc. R.
Soc. A 313 (1969) 183 (the star product of layers that differ on their two sides).
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

__all__ = ["Coat", "Medium", "add", "medium", "stack_radiance"]

_LEAST: Final = 1e-9
"""Least absorption [1/cm]; keeps the conservative case away from k = 0."""
_KEPT: Final = 1.0 - 1e-12
"""Transmission of the thinnest layer."""


class Coat(NamedTuple):
    """Operators of layers without outer faces, shape (w, N, N) each.

    They act on intensities scaled by sqrt(weight * mu).

    Attributes
    ----------
    R, T
        Reflection and transmission of light from above.
    R_below
        Reflection of light from below. Transmission from below is the transpose of T
        (reciprocity).
    """

    R: FloatArray
    T: FloatArray
    R_below: FloatArray


class Medium:
    """Coloured base whose modes are solved once, so that layers of any thickness cost little.

    Parameters
    ----------
    mu_a, mu_s_reduced
        Absorption and reduced scattering [1/cm], shape (w,), from 0 on.
    along
        Directions to follow; by default those of the slab's table, which take ten milliseconds and
        agree with the table to its last digits.
    """

    def __init__(
        self, mu_a: FloatArray, mu_s_reduced: FloatArray, along: Directions | None = None
    ) -> None:
        self.along = directions(half=24, moments=32) if along is None else along
        self._modes: Modes = modes(np.maximum(mu_a, _LEAST), mu_s_reduced, self.along)

    def coat(self, thickness_cm: float) -> Coat:
        """A layer of it, 0 cm or more."""
        R, T = operators(self._modes, thickness_cm)
        return Coat(R, T, R)


@functools.lru_cache(maxsize=32)
def medium(mu_a: tuple[float, ...], mu_s_reduced: tuple[float, ...]) -> Medium:
    """The cached medium of these coefficients (about 1 MB each)."""
    return Medium(np.array(mu_a), np.array(mu_s_reduced))


def add(upper: Coat, lower: Coat) -> Coat:
    """Two layers, the first on top of the second (star product)."""
    one = np.eye(upper.R.shape[1])
    up = np.swapaxes(upper.T, 1, 2)
    # `down` is what passes down between the layers for light from above, `back` what passes up
    # between them for light from below.
    between = np.linalg.inv(one - upper.R_below @ lower.R)
    down = between @ upper.T
    back = between @ upper.R_below @ np.swapaxes(lower.T, 1, 2)
    return Coat(
        upper.R + up @ lower.R @ down,
        lower.T @ down,
        lower.R_below + lower.T @ back,
    )


def stack_radiance(coats: Sequence[Coat], around: Surroundings, along: Directions) -> FloatArray:
    """Radiance factor, shape (w,), of one or more layers seen straight from above, without gloss.

    `coats` lists them top first, with their common directions `along`. Against the light it is a
    transmittance.
    """
    whole = functools.reduce(add, coats)
    # Between layers of no thickness, light trapped by the faces would stay for ever and leave
    # nothing to solve. No light from outside gets there, so a tiny loss changes no answer.
    whole = whole._replace(T=whole.T * _KEPT)
    contact = around.mode == "optical"
    parts = [np.clip(p, 0.0, 1.0) for p in with_faces(*whole, along, contact=contact)]
    if around.mode == "through":
        return seen([parts[1]], around)
    direct, down, third, fourth = parts
    # `seen` takes what comes up before what comes back; without contact R precedes T.
    order = [direct, down, third, fourth] if contact else [direct, down, fourth, third]
    return seen(order, around)
