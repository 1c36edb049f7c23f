"""The surface in absorption and scattering, against the table and against the exact slab."""

from __future__ import annotations

from typing import Literal

import numpy as np
import pytest

from shadematch.optics.layer import Surroundings, radiance_factor
from shadematch.optics.surface import Surface
from shadematch.optics.transport import slab

Mode = Literal["air", "optical", "through"]
WHITE = np.full(4, 0.9)
MIXED = np.array([0.9, 0.04, 0.5, 0.9])


def coefficients(seed: int, top: float) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    shape = (2000, 4)
    mu_a, mu_s = 10 ** rng.uniform(-5, top, shape), 10 ** rng.uniform(-4, top + 1, shape)
    mu_a[:50], mu_s[50:100] = 0.0, 0.0
    return mu_a, mu_s


@pytest.mark.parametrize("mode", ["air", "optical", "through"])
@pytest.mark.parametrize("backing", [WHITE, MIXED], ids=["one", "several"])
@pytest.mark.parametrize("thickness_cm", [0.2, 1.0, 5.0])
def test_it_is_the_table_but_for_millionths(
    mode: Mode, backing: np.ndarray, thickness_cm: float
) -> None:
    around = Surroundings(mode, backing)
    surface = Surface(thickness_cm, around)
    for seed, top in ((1, 0.5), (2, 3.0)):  # within the table, and far beyond its ends
        mu_a, mu_s = coefficients(seed, top)
        found = surface.value(mu_a, mu_s)
        assert found.shape == mu_a.shape and found.min() >= 0.0
        assert np.abs(found - radiance_factor(mu_a, mu_s, thickness_cm, around)).max() < 1e-6


def test_it_is_the_exact_slab_to_the_table_s_accuracy() -> None:
    # Discrete ordinates, not the table; held against the light R is T1 itself.
    mu_a, mu_s = (each[:60] for each in coefficients(3, 0.5))
    exact = slab(mu_a, mu_s, np.array(1.0), half=24, moments=32).T1
    found = Surface(1.0, Surroundings("through", WHITE)).value(mu_a, mu_s)
    assert np.abs(found - exact).max() < 3e-5
