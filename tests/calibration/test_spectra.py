"""The prior of a paste's spectrum, against surfaces that others measured.

The 99 samples of CIE 224:2017 (in colour-science) and the 24 patches of a chart, the average of
thirty measured ones (in colour-science as well). Of each coloured surface the logarithm of the
textbook's ratio of absorption to scattering is taken (P. Kubelka, F. Munk, Z. tech. Phys. 12 (1931)
593), which is linear in the load of its colourant where little is added, as absorption is.
"""

from __future__ import annotations

import colour
import numpy as np
import pytest
from colour.quality.cfi2017 import load_TCS_CIE2017
from scipy.stats import multivariate_normal

from shadematch.calibration.spectra import BELIEFS, SpectrumPrior, belief_covariance
from shadematch.colour.standards import WAVELENGTHS_NM
from shadematch.support.arrays import FloatArray

PASTE = BELIEFS["pigment absorption"]


def samples() -> FloatArray:
    """The samples of CIE 224, (99, 36)."""
    read = load_TCS_CIE2017(colour.SpectralShape(380, 780, 5))
    return np.array([np.interp(WAVELENGTHS_NM, read.wavelengths, v) for v in read.values.T])


def patches() -> FloatArray:
    """The patches of the chart, (24, 36)."""
    chart = colour.SDS_COLOURCHECKERS["BabelColor Average"].values()
    return np.array([np.interp(WAVELENGTHS_NM, sd.wavelengths, sd.values) for sd in chart])


def log_evidence(surfaces: FloatArray, belief: SpectrumPrior) -> float:
    """Mean over the coloured surfaces of the log density of their spectra [nats]."""
    coloured = np.clip(surfaces[np.ptp(surfaces, axis=1) > 0.2], 0.003, 0.99)
    absorbed = np.log((1.0 - coloured) ** 2 / (2.0 * coloured))
    centre = np.full(WAVELENGTHS_NM.size, absorbed.mean())
    return float(multivariate_normal(centre, belief_covariance(belief)).logpdf(absorbed).mean())


@pytest.mark.parametrize("measured", [samples, patches])
@pytest.mark.parametrize(
    "other",
    [{"length_nm": 40.0}, {"length_nm": 160.0}, {"shape_sd": 1.0}, {"shape_sd": 5.0}],
    ids=str,
)
def test_measured_surfaces_are_as_smooth_as_assumed(measured, other) -> None:
    surfaces = measured()
    assert log_evidence(surfaces, PASTE) > log_evidence(surfaces, PASTE._replace(**other))


def test_no_other_prior_explains_measured_surfaces_much_better() -> None:
    surfaces = samples()
    others = [
        log_evidence(surfaces, PASTE._replace(shape_sd=sd, length_nm=length))
        for sd in (0.7, 1.0, 1.4, 2.0, 2.8, 4.0)
        for length in (40.0, 60.0, 80.0, 100.0, 120.0)
    ]
    assert log_evidence(surfaces, PASTE) > max(others) - 0.5
