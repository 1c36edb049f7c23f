"""Spectra to and from colour-science."""

from __future__ import annotations

from typing import Any

import numpy as np

from shadematch.colour.standards import distribution
from shadematch.errors import ColourError
from shadematch.predicting.prediction import Prediction
from shadematch.studio.target import Target
from shadematch.support.models import expect

__all__ = ["distribution_of", "target_from_distribution"]


def distribution_of(prediction: Prediction) -> Any:
    """The predicted spectrum as a `colour.SpectralDistribution` of colour-science."""
    expect(prediction, Prediction, "prediction", "Give what sm.predict(...) returns")
    return distribution(prediction.reflectance, str(prediction.recipe))


def target_from_distribution(found: Any) -> Target:
    """A target from a `colour.SpectralDistribution` of reflectance factors, 0 to 1.

    Raises
    ------
    SpectrumError
        If it leaves out a part of 380 to 730 nm, or its values can't be reflectances.
    """
    if not hasattr(found, "wavelengths") or not hasattr(found, "values"):
        problem, remedy = "is not a spectral distribution", "Give a colour.SpectralDistribution"
        raise ColourError(problem, field="distribution", value=found, remedy=remedy)
    return Target.from_reflectance(
        np.asarray(found.wavelengths, float).tolist(), np.asarray(found.values, float).tolist()
    )
