"""Test pours: what is refused, and that they are values."""

from __future__ import annotations

import dataclasses
import pickle

import numpy as np
import pytest

import shadematch as sm
from shadematch.colour.standards import WAVELENGTHS_NM as NM


@pytest.mark.parametrize("values", [["0.5"] * 36, [True] * 36])
def test_readings_that_are_no_numbers(values: object) -> None:
    with pytest.raises(sm.SpectrumError, match="values: must be two lists of numbers"):
        sm.TestPour.from_spectrum({}, range(380, 731, 10), values, pour=sm.Pour(batch_g=100))  # type: ignore[arg-type]


def test_test_pour_refuses() -> None:
    lab = (50.0, 0.0, 0.0)
    with pytest.raises(sm.PourError, match="spectrum or a Lab"):
        sm.TestPour({}, pour=sm.Pour(batch_g=100))
    with pytest.raises(sm.PourError, match="unit"):
        sm.TestPour({}, lab=lab, unit="inch", pour=sm.Pour(batch_g=100))  # type: ignore[arg-type]
    with pytest.raises(sm.PourError, match=r"doses\.gorse"):
        sm.TestPour({"gorse": -1}, lab=lab, pour=sm.Pour(batch_g=100))
    with pytest.raises(sm.ShadematchError, match="covariance"):
        sm.TestPour.from_lab(
            {}, lab, covariance=[[1, 0, 0], [0, -1, 0], [0, 0, 1]], pour=sm.Pour(batch_g=100)
        )
    with pytest.raises(sm.SpectrumError, match="Divide percentages"):
        sm.TestPour.from_spectrum({}, NM, np.full(36, 50.0), pour=sm.Pour(batch_g=100))
    with pytest.raises(sm.ColourError):
        sm.TestPour.from_lab({}, (50, 400, 0), pour=sm.Pour(batch_g=100))


def test_test_pour_is_a_value() -> None:
    pour = sm.TestPour.from_xyz({"gorse": 2, "kelp": 0}, (20, 21, 22), pour=sm.Pour(batch_g=100))
    assert pour.doses == {"gorse": 2}
    assert pickle.loads(pickle.dumps(pour)) == pour
    assert len({pour, dataclasses.replace(pour)}) == 1
    target = sm.Target.from_lab((50, 1, 2), illuminant="D50")
    taken = sm.TestPour.from_target({}, target, pour=sm.Pour(batch_g=100))
    assert taken.view.illuminant == "D50" and taken.lab == (50, 1, 2)
    with pytest.raises(TypeError):
        pour.doses["gorse"] = 3  # type: ignore[index]
