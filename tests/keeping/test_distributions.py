"""Spectra to and from colour-science."""

from __future__ import annotations

import warnings
from types import ModuleType

import numpy as np
import pytest

import shadematch as sm
from shadematch.keeping.distributions import distribution_of, target_from_distribution


def test_spectra_to_and_from_colour_science(colour: ModuleType) -> None:
    found = sm.predict({"gorse": 2, "jetty": 1}, pour=sm.Pour(batch_g=100))
    there = distribution_of(found)
    assert isinstance(there, colour.SpectralDistribution)
    assert np.array_equal(there.values, found.reflectance)
    back = target_from_distribution(there)
    assert back.lab_in(sm.View()) == pytest.approx(np.array(found.lab), abs=1e-9)
    # Its own way from a spectrum to XYZ, at 10 nm, is CIE 15's by ASTM E308.
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it aligns tables of different ranges, and says so
        xyz = colour.sd_to_XYZ(there, illuminant=colour.SDS_ILLUMINANTS["D65"])
    assert xyz == pytest.approx(np.array(found.xyz), abs=0.02)
    with pytest.raises(sm.ColourError, match="distribution"):
        target_from_distribution([0.1, 0.2])
