"""Soap that does not obey the library's constants: another index, another asymmetry.

Tables of the exact slab for n = 1.46 and g = 0.5 (the library takes 1.5 and 0.6), a forward
calculation of its own for batches with known strengths and errors, and a way to let the
library's searches run in that other world, to know what could have been saved.
"""

from __future__ import annotations

import contextlib
import functools
from collections.abc import Iterator
from dataclasses import dataclass
from unittest import mock

import numpy as np
from scipy.interpolate import RectBivariateSpline

import shadematch as sm
from shadematch.arrays import FloatArray
from shadematch.colorimetry import xyz_to_lab
from shadematch.optics import layer
from shadematch.optics.transport import slab

INDEX, ASYMMETRY = 1.46, 0.5
R0 = ((INDEX - 1) / (INDEX + 1)) ** 2
U_SCALE, V_SCALE, U_MAX, V_MAX = 0.002, 0.005, 60.0, 2000.0


@functools.cache
def other_surfaces(points: tuple[int, int] = (80, 72)) -> dict[str, RectBivariateSpline]:
    """Splines as `optics.table.surfaces` has them, for the other constants."""
    x = np.linspace(0.0, np.arcsinh(U_MAX / U_SCALE), points[0])
    y = np.linspace(0.0, np.arcsinh(V_MAX / V_SCALE), points[1])
    u, v = np.meshgrid(U_SCALE * np.sinh(x), V_SCALE * np.sinh(y), indexing="ij")
    solved = slab(u, v, np.array(1.0), n=INDEX, g=ASYMMETRY, half=12)
    return {
        name: RectBivariateSpline(x, y, np.asarray(values))
        for name, values in solved._asdict().items()
    }


@contextlib.contextmanager
def other_world() -> Iterator[None]:
    """Within it, the library's layers obey the other constants."""
    with (
        mock.patch.object(layer, "surfaces", other_surfaces),
        mock.patch.object(layer, "_SURFACE", R0),
    ):
        yield


@dataclass
class Pot:
    """A real batch: what is in it, not what was read off."""

    palette: sm.Palette
    thickness_cm: float
    strengths: FloatArray
    white_strength: float
    lengths_cm: FloatArray
    base_g: FloatArray

    @classmethod
    def poured(
        cls, recipe: sm.Recipe, palette: sm.Palette, rng: np.random.Generator,
        *, strength: float = 0.1, white: float = 0.05,
    ) -> Pot:  # fmt: skip
        """A recipe as it is really made, ruler within 2 mm and scale within 1 g."""
        pot = cls(
            palette,
            recipe.pour.thickness_cm,
            np.exp(rng.normal(0, strength, len(palette.pigments))),
            float(np.exp(rng.normal(0, white))),
            np.zeros(len(palette.pigments)),
            np.zeros(2),
        )
        pot.add(recipe.doses_cm, recipe.pour.clear_g, recipe.pour.white_g, rng)
        return pot

    def add(self, doses_cm, clear_g, white_g, rng) -> None:  # type: ignore[no-untyped-def]
        """Squeeze and weigh more in, with errors of reading."""
        for name, dose in doses_cm.items():
            self.lengths_cm[self.palette.index(name)] += dose + rng.uniform(-0.2, 0.2)
        for at, grams in enumerate((clear_g, white_g)):
            if grams:
                self.base_g[at] += grams + rng.uniform(-1, 1)

    def lab(self) -> FloatArray:
        """Its colour, D65, 2 degrees, dry on white paper, for the other constants."""
        total = self.base_g.sum()
        clear, white = self.base_g / total
        mu_a = clear * np.array(self.palette.clear.absorption)
        mu_a = mu_a + white * np.array(self.palette.white.absorption)
        mu_s = clear * np.array(self.palette.clear.scattering)
        mu_s = mu_s + white * self.white_strength * np.array(self.palette.white.scattering)
        for cm, f, p in zip(self.lengths_cm, self.strengths, self.palette.pigments, strict=True):
            mu_a = mu_a + 100 * cm / total * f * np.array(p.absorption)
        x = np.arcsinh(mu_a * self.thickness_cm / U_SCALE)
        y = np.arcsinh(mu_s * self.thickness_cm / V_SCALE)
        assert mu_a.max() * self.thickness_cm < U_MAX
        R1, T1, Td, Rd = (other_surfaces()[n].ev(x, y) for n in ("R1", "T1", "Td", "Rd"))
        R = R1 - R0 + T1 * Td * 0.9 / (1 - 0.9 * Rd)
        view = sm.View().observation
        return xyz_to_lab(view.weights @ R, view.white)
