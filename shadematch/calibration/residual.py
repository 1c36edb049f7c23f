"""How each test pour fits."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from shadematch.calibration.fit import Fit
from shadematch.colour.colorimetry import xyz_to_lab
from shadematch.colour.difference import delta_e

__all__ = ["WRONG", "Residual", "residuals_by_bar"]

WRONG: Final = 0.5
"""A pour with a smaller weight was put aside."""


@dataclass(frozen=True)
class Residual:
    """How one test pour fits.

    Attributes
    ----------
    name
        Name of the bar.
    delta_e
        CIEDE2000 between the measured colour and that of the stated doses by the calibration.
    misfit
        Distance of the reading from the prediction of all other pours, as a multiple of the
        usual one; about 1.
    weight
        Trust in it, 0 to 1.
    """

    name: str
    delta_e: float
    misfit: float
    weight: float


def residuals_by_bar(found: Fit) -> tuple[Residual, ...]:
    """Residuals of all bars, in the order of the pours; for each its worst reading."""
    problem = found.problem
    spectra = problem.look(found.theta).spectrum
    far = []
    for pour, spectrum in zip(problem.pours, spectra, strict=True):
        seen = pour.observation
        lab = xyz_to_lab(seen.weights @ np.maximum(spectrum, 0.0), seen.white)
        far.append(float(delta_e(np.array(pour.lab_seen), lab)))
    ratio = found.lone / found.values
    usual = max(float(np.median(ratio)), 1e-9)
    result = []
    for bar, members in enumerate(problem.members):
        result.append(
            Residual(
                name=problem.pours[members[0]].name,
                delta_e=max(far[i] for i in members),
                misfit=float(ratio[bar] / usual),
                weight=float(problem.weights[members[0]]),
            )
        )
    return tuple(result)
