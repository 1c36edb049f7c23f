"""What the faces of a layer and its sides make of a reading."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from shadematch.colour.standards import WAVELENGTHS_NM
from shadematch.optics.layer import Surroundings, reflectance
from shadematch.support.arrays import FloatArray

__all__ = ["at_faces", "over_black"]

_W: Final = WAVELENGTHS_NM.size
_OUTER: Final = 0.04
_SURFACE: Final = -float(np.log(1.0 - 0.6))


def over_black(
    u_depth: FloatArray, v_depth: FloatArray, modes: Sequence[str]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """What layers show over nothing at all, and its slopes; shape (n, 36) each."""
    found = np.zeros((3, *u_depth.shape))
    for mode in set(modes):
        rows = np.array([m == mode for m in modes])
        around = Surroundings(mode, np.zeros(_W))  # type: ignore[arg-type]
        found[:, rows] = reflectance(u_depth[rows], v_depth[rows], 1.0, around)
    return found[0], found[1], found[2]


def at_faces(
    spectrum: FloatArray, theta: FloatArray, what: str
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Readings of faces other than the model's; slopes by what the model says, and by theta."""
    if what == "glass":
        factor = np.broadcast_to(np.exp(theta), spectrum.shape)
        return spectrum * factor, factor, spectrum * factor
    # J. L. Saunderson, J. Opt. Soc. Am. 32 (1942) 727, gloss left out, is
    # (1 - k1) (1 - k2) r / (1 - k2 r): a shift of the logit by log(1 - k2), and a loss that goes
    # with it. With k1 = 0.04 and k2 = 0.6 one more surface is a shift by _SURFACE.
    a = np.exp(theta)
    loss = np.exp(np.log(1.0 - _OUTER) / _SURFACE * theta)
    open_ = a + (1.0 - a) * spectrum
    changed = loss * spectrum / open_
    by_theta = -loss * a * spectrum * (1.0 - spectrum) / open_**2
    return changed, loss * a / open_**2, by_theta + np.log(1.0 - _OUTER) / _SURFACE * changed
