"""A calibration in two drawings for its card: spectra with their ranges, and what is left over."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np

from shadematch.colour.standards import WAVELENGTHS_NM
from shadematch.support.arrays import FloatArray
from shadematch.support.charts import Curve, bars, curves

__all__ = ["residuals_drawn", "spectra_drawn"]

_NINE_IN_TEN: Final = 1.645  # standard deviations of a normal distribution, both sides
_MOST: Final = 8


def spectra_drawn(spectra: Mapping[str, tuple[FloatArray, FloatArray]], unit: str) -> str:
    """Absorption of each pigment, and what it lies between nine times in ten.

    Parameters
    ----------
    spectra
        By name the values and their relative standard deviations, shape (36,) each.
    unit
        Of the loads.
    """
    drawn = []
    for name, (values, sd) in spectra.items():
        spread = np.exp(_NINE_IN_TEN * np.minimum(sd, 3.0))
        low, high = (values / spread).tolist(), (values * spread).tolist()
        drawn.append(Curve(name, values.tolist(), low, high))
    return curves(
        WAVELENGTHS_NM.tolist(),
        drawn,
        across_name="wavelength [nm]",
        up_name=f"absorption [1/cm per {unit} in 100 g]; shaded: nine times in ten",
        most=2.0 * max((float(values.max()) for values, _ in spectra.values()), default=1.0),
    )


def residuals_drawn(residuals: Sequence[tuple[str, float]]) -> str:
    """What the fit leaves over of the readings it fits worst: name and CIEDE2000 of each."""
    worst = sorted(residuals, key=lambda each: -each[1])[:_MOST]
    return bars(
        [(name, value, f"{value:.2f}") for name, value in worst],
        "CIEDE2000 that the fit leaves over, the worst readings first",
    )
