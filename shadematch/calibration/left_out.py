"""Each bar predicted from all others, in CIELAB."""

from __future__ import annotations

from collections import Counter
from typing import Final, NamedTuple

import numpy as np

from shadematch.calibration.fit import Fit
from shadematch.calibration.forward import to_lab
from shadematch.calibration.problem import readings_of
from shadematch.colour.difference import delta_e
from shadematch.colour.standards import WAVELENGTHS_NM
from shadematch.studio.pour import CLEAR
from shadematch.support.arrays import FloatArray

__all__ = ["HeldOut", "left_out"]

_FEWEST: Final = 3
"""Bars in a named base from which on one is predicted by the others: two tell too little of it."""


class HeldOut(NamedTuple):
    """A reading predicted from all other bars.

    Attributes
    ----------
    reading
        Its position among the pours.
    miss
        Predicted less measured CIELAB, shape (3,).
    covariance
        Expected covariance of the miss without the model error, shape (3, 3).
    delta_e
        CIEDE2000 of the miss.
    """

    reading: int
    miss: FloatArray
    covariance: FloatArray
    delta_e: float


def left_out(found: Fit) -> list[HeldOut]:
    """Every trusted reading, predicted from all other bars (linearised; see `bars`).

    Bars in a named base of which there are but one or two are left out.
    """
    p = found.problem
    readings, result = readings_of(p), []
    bases = [p.pours[members[0]].pour.beside_white for members in p.members]
    few = {b for b, count in Counter(bases).items() if b not in (None, CLEAR) and count < _FEWEST}
    for bar, (residual, covariance) in enumerate(found.alone):
        if bases[bar] in few:
            continue
        start = 0
        for i in p.members[bar]:
            pour, whiten = p.pours[i], readings[i].whiten
            if pour.spectrum is None:
                by, size = np.linalg.inv(whiten), 3
            else:
                at = np.flatnonzero(whiten > 0)
                filled = np.interp(WAVELENGTHS_NM, WAVELENGTHS_NM[at], readings[i].values[at])
                seen = pour.observation
                _, slope = to_lab(np.maximum(filled, 0.0), seen.weights, seen.white)
                by, size = slope[:, at] / whiten[at], at.size
            rows = slice(start, start + size)
            start += size
            if p.weights[i] < 0.5:
                continue
            miss = by @ residual[rows]
            read = np.array(pour.lab_seen)
            far = float(delta_e(read + miss, read))
            result.append(HeldOut(int(i), miss, by @ covariance[rows, rows] @ by.T, far))
    return result
