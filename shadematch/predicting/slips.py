"""What becomes of doses when the ruler and the scale are a little off.

Each dose is one reading of a ruler, or of a small scale where paste is weighed, and each base one
reading of a scale. "To 2 mm" is taken as limits: the true length lies anywhere within 2 mm of the
mark, on either side, with equal chance, and so for the scales. Where only limits are known, an
even distribution between them is the choice that adds nothing (JCGM 100:2008, *Guide to the
expression of uncertainty in measurement*, 4.3.7); its standard deviation is the limit over the
square root of 3. Readings are independent
of each other and of the dose: one squeezed in several goes strays more than this says.

A let-down brings three readings: the dose of the paste and the mass of the base that it was
made of, which every gram of it shares, and the mass that is dosed. How much of it was made at
once matters: 1 cm read to 2 mm may be a fifth off, 5 cm a twenty-fifth.

The colours are computed for 4096 squeezes on a low-discrepancy sequence (I. M. Sobol', USSR
Comput. Math. Math. Phys. 7 (1967) 86), always the same ones, each by the full model: nothing is
linear here but the readings.
"""

from __future__ import annotations

import functools
from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np

from shadematch.colour.colorimetry import xyz_to_lab
from shadematch.colour.difference import delta_e
from shadematch.colour.illuminant import Light
from shadematch.colour.standards import observation
from shadematch.optics.layer import Layer, reflectance
from shadematch.predicting.prediction import model_for
from shadematch.predicting.readings import (
    SCALE_G,
    Dosed,
    checked_readings,
    paste_made,
)
from shadematch.studio.palette import Palette
from shadematch.studio.pour import Pour
from shadematch.studio.recipe import MOST_LET_DOWNS, LetDown
from shadematch.studio.unit import Unit
from shadematch.studio.view import View
from shadematch.support.arrays import FloatArray

__all__ = ["SQUEEZES", "Squeezes", "strength_off", "worst"]

SQUEEZES: Final = 4096
_PLAIN: Final = 10  # readings without let-downs: eight pastes, two bases
_MOST_READINGS: Final = _PLAIN + 3 * MOST_LET_DOWNS
_WHITES: Final = (5, 9)
"""Nodes over white fractions; the second where they reach down to nearly clear base."""


@functools.cache
def even_points(count: int) -> FloatArray:
    """Points spread evenly over (-1, 1)^34, shape (count, 34), always the same; read-only."""
    from scipy.stats import qmc  # slow to import, so late

    points = qmc.Sobol(_MOST_READINGS, scramble=False).random(count)
    # Shifted round a circle, so that no point sits in a corner.
    shift = np.random.default_rng(20_261_125).random(_MOST_READINGS)
    points = 2.0 * ((points + shift) % 1.0) - 1.0
    points.setflags(write=False)
    return np.asarray(points)


class Squeezes:
    """What becomes of recipes when the ruler and the scale are off.

    Doses are arrays in palette order [palette's unit], shape (n,), followed by the masses of the
    let-downs [g] where there are some, shape (n + m,).

    Parameters
    ----------
    palette, pour, view
        Of the recipes.
    dose_slip, scale_g
        How far a reading may be off, either way.
    let_downs
        To hand, m of them.
    made
        Paste that each let-down was made with [palette's unit], by pigment; where it is not told,
        the fewest dose steps that give what the recipe takes, with base enough for the scale.
    lights
        Those that count, where it is not the view's alone.
    """

    def __init__(
        self,
        palette: Palette,
        pour: Pour,
        view: View,
        *,
        dose_slip: float,
        scale_g: float,
        let_downs: Sequence[LetDown] = (),
        made: Mapping[str, float] | None = None,
        lights: Sequence[Light] = (),
    ) -> None:
        self.pour, self.dose_slip, self.scale_g = pour, dose_slip, scale_g
        self.let_downs, self.paste_made = tuple(let_downs), dict(made or {})
        self.palette = palette
        self._model = model_for(palette, pour.thickness_cm, pour.white, view)
        self._around = view.surroundings
        seen = [observation(light, view.observer) for light in lights] or [view.observation]
        self._seen = [(each.weights, each.white) for each in seen]
        self._roots, self._layers = self._layers_around()

    def _layers_around(self) -> tuple[FloatArray, list[Layer]]:
        """Layers at a few white fractions, between which R is interpolated.

        Chebyshev's nodes over the white fractions that occur (L. N. Trefethen, *Approximation
        Theory and Approximation Practice* (2013), ch. 5), even in the square root of the
        fraction, since R turns fastest at the first traces of white.
        """
        pour, model = self.pour, self._model
        if pour.white in (0.0, 1.0) or not self.scale_g or model.scattering_pigments:
            return np.array([np.sqrt(pour.white)]), [model.layer]
        off = self.scale_g * (1 + len(self.let_downs))
        lo = max(pour.white_g - off, 0.0), pour.clear_g + off
        hi = pour.white_g + off, max(pour.clear_g - off, 0.0)
        ends = [np.sqrt(white / (white + clear)) for white, clear in (lo, hi)]
        count = _WHITES[int(ends[0] < 0.5 * ends[1])]
        nodes = np.cos(np.pi * np.arange(count) / (count - 1))
        roots = 0.5 * (ends[0] + ends[1]) + 0.5 * (ends[1] - ends[0]) * nodes
        layers = [
            Layer(self.palette.blend(float(w))[1], pour.thickness_cm, self._around)
            for w in np.clip(roots * roots, 0.0, 1.0)
        ]
        return roots, layers

    def dosed(self, doses: FloatArray) -> list[tuple[int, Dosed]]:
        """The let-downs that doses, shape (n,) or (n + m,), take, with their positions."""
        step, told = self.pour.dose_step, self.paste_made
        masses = doses[len(self.palette.pigments) :].tolist()
        return [
            (at, Dosed(d, told.get(d.pigment) or paste_made(d, mass, step, self.scale_g), mass))
            for at, (d, mass) in enumerate(zip(self.let_downs, masses, strict=False))
            if mass > 0.0
        ]

    def made(self, doses: FloatArray, points: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Loads and white fractions that come of it.

        Parameters
        ----------
        doses
            Shape (n,) or (n + m,).
        points
            Errors in units of the limits, -1 to 1: of the pastes, of clear and white base, and
            three of each let-down (its paste, its base, its dose); shape (k, n + 2 + 3 m).

        Returns
        -------
        loads, white
            Shapes (k, n), in the palette's unit per 100 g, and (k,).
        """
        pour, n = self.pour, len(self.palette.pigments)
        lengths = np.maximum(doses[:n] + self.dose_slip * points[:, :n], 0.0)
        lengths[:, doses[:n] == 0.0] = 0.0
        grams = [pour.clear_g, pour.white_g]
        brought = np.zeros((2, len(points)))
        for at, part in self.dosed(doses):
            read, thinned, weighed = points[:, n + 2 + 3 * at : n + 5 + 3 * at].T
            strength = part.strength(self.dose_slip * read, self.scale_g * thinned)
            paste, base = part.brings(strength, self.scale_g * weighed)
            lengths[:, self.palette.index(part.let_down.pigment)] += paste
            brought += base.T
            for kind, share in enumerate((1.0 - part.let_down.white, part.let_down.white)):
                grams[kind] -= part.mass_g * share
        clear, white = (
            more
            + (np.maximum(mass + self.scale_g * points[:, n + kind], 0.0) if mass > 1e-9 else 0.0)
            for kind, (mass, more) in enumerate(zip(grams, brought, strict=True))
        )
        total = clear + white
        return lengths * (100.0 / total[:, None]), white / total

    def reflectance(self, doses: FloatArray, points: FloatArray) -> FloatArray:
        """Reflectance of each squeeze, shape (k, 36); arguments as for `made`."""
        model = self._model
        loads, white = self.made(doses, points)
        clear, opaque = self.palette.clear, self.palette.white
        mu_a = loads @ model.absorption
        mu_a += np.outer(1.0 - white, clear.absorption) + np.outer(white, opaque.absorption)
        if model.scattering_pigments:
            mu_s = loads @ model.scattering
            mu_s += np.outer(1.0 - white, clear.scattering) + np.outer(white, opaque.scattering)
            return np.asarray(reflectance(mu_a, mu_s, model.thickness_cm, self._around)[0])
        shares = _lagrange(self._roots, np.sqrt(white))
        R = np.zeros_like(mu_a)
        for share, layer in zip(shares.T, self._layers, strict=True):
            R += share[:, None] * layer.value(mu_a)
        return np.asarray(np.maximum(R, 0.0))  # the interpolation may undershoot black

    def lab(self, doses: FloatArray, points: FloatArray) -> FloatArray:
        """CIELAB of each squeeze in each light, shape (v, k, 3)."""
        R = self.reflectance(doses, points)
        return np.stack([xyz_to_lab(R @ weights.T, white) for weights, white in self._seen])

    def points(self, count: int) -> FloatArray:
        """The first of the even points, shape (count, n + 2 + 3 m)."""
        n = len(self.palette.pigments)
        lets = range(_PLAIN, _PLAIN + 3 * len(self.let_downs))
        return even_points(SQUEEZES)[:count, [*range(n), _PLAIN - 2, _PLAIN - 1, *lets]]

    def percentile(self, doses: FloatArray, target: FloatArray, count: int) -> float:
        """The 90th percentile of the worst CIEDE2000, by the first `count` squeezes.

        Parameters
        ----------
        doses
            Shape (n,) or (n + m,).
        target
            CIELAB in each light, shape (v, 3), or (3,) where there is one.
        count
            How many.
        """
        values = worst(self.lab(doses, self.points(count)), target)
        return float(np.quantile(values, 0.9))


def worst(lab: FloatArray, target: FloatArray) -> FloatArray:
    """Largest CIEDE2000 over the lights, shape (k,); of colours (v, k, 3) to targets (v, 3)."""
    aims = np.atleast_2d(target)
    return np.asarray(
        np.max([delta_e(own, aim) for own, aim in zip(lab, aims, strict=True)], axis=0)
    )


def strength_off(
    paste: float,
    base_g: float,
    *,
    unit: Unit,
    dose_slip: float | None = None,
    scale_g: float = SCALE_G,
) -> float:
    """How far the strength of a let-down is off at most, as a share, in nine cases of ten.

    Parameters
    ----------
    paste, base_g
        What it is made of.
    unit
        Of the paste.
    dose_slip, scale_g
        How far a reading may be off, either way; as for `spread`.

    Raises
    ------
    PourError
        For readings that can't be, or a scale too coarse for the base.
    """
    ruler, scale = checked_readings(dose_slip, scale_g, base_g, unit)
    read, thinned = even_points(SQUEEZES)[:, :2].T
    made = Dosed(LetDown.made("any", paste=paste, base_g=base_g), paste, base_g)
    return float(np.quantile(np.abs(made.strength(ruler * read, scale * thinned) - 1.0), 0.9))


def _lagrange(nodes: FloatArray, x: FloatArray) -> FloatArray:
    """Shares of the values at nodes in the interpolating polynomial at x, shape (k, nodes)."""
    shares = np.ones((x.size, nodes.size))
    for i, here in enumerate(nodes):
        for j, other in enumerate(nodes):
            if i != j:
                shares[:, i] *= (x - other) / (here - other)
    return shares
