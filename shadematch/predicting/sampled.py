"""The spread of one recipe's colour by sampling: the full model.

Readings (`shadematch.predicting.readings`) are even and independent. "To 2 mm" is taken as limits:
the true length lies anywhere within 2 mm of the mark with equal chance. Where only limits are
known, an even distribution adds no other assumption (JCGM 100:2008, *Guide to the expression of
uncertainty in measurement*, 4.3.7). A dose is never below 0. A dose squeezed in several goes strays
more than this says. How much of a let-down is made in one go matters: 1 cm read to 2 mm may be a
fifth off, 5 cm a twenty-fifth.

Pastes, bases, bench and model are uncertain by normal distributions
(`shadematch.studio.uncertainty`). Colours are computed on a fixed low-discrepancy sequence (I. M.
Sobol', USSR Comput. Math. Math. Phys. 7 (1967) 86), each by the full model, with nothing
linearised. `shadematch.predicting.uncertainty` is the fast approximation for many recipes; this one
checks it, and gives the figures printed for the recipe chosen.
"""

from __future__ import annotations

import functools
from typing import Final, NamedTuple

import numpy as np

from shadematch.colour.colorimetry import xyz_to_lab
from shadematch.colour.difference import delta_e
from shadematch.colour.expected import nine_in_ten, root_of
from shadematch.optics.layer import Layer, Surroundings, radiance_factor
from shadematch.predicting.readings import Dosed, checked_readings
from shadematch.predicting.uncertainty import SD, Uncertainty
from shadematch.studio.bend import LEAST_BEND, MOST_CROWDING, effective, white_share
from shadematch.studio.recipe import MOST_LET_DOWNS, LetDown
from shadematch.studio.unit import Unit
from shadematch.support.arrays import FloatArray

__all__ = ["Points", "Sampled", "mixed", "strength_off"]

_DRAWS: Final = (4096, 2048)
"""Points drawn: with pastes taken as exact, and with uncertain ones, which cost more."""
_PASTES: Final = 8  # in an ordinary palette
_PLAIN: Final = _PASTES + 2  # readings without let-downs: pastes, two bases
_READINGS: Final = _PLAIN + 3 * MOST_LET_DOWNS
_WHITES: Final = (5, 9)
"""Nodes over white fractions; the second for ranges that reach down to nearly clear base."""


class Points(NamedTuple):
    """The k points drawn.

    Attributes
    ----------
    readings
        As shares of their limits, -1 to 1: pastes, clear and white base, then three for each of m
        let-downs (its paste, its base, its dose); shape (k, n + 2 + 3 m).
    modes
        Of the palette, standard normal, shape (k, K).
    bench
        Thickness and gain, standard normal, shape (k, 2).
    model, target
        Of L*, a* and b*, standard normal, shapes (k, 3).
    """

    readings: FloatArray
    modes: FloatArray
    bench: FloatArray
    model: FloatArray
    target: FloatArray


@functools.lru_cache(maxsize=8)
def _even_points(count: int, size: int) -> FloatArray:
    """Points spread evenly over (0, 1)^size, shape (count, size), always the same; read-only."""
    from scipy.stats import qmc  # slow to import, so late

    points = qmc.Sobol(size, scramble=False).random(count)
    # Shifted cyclically, so that no point lies in a corner.
    points = (points + np.random.default_rng(20_261_125).random(size)) % 1.0
    points.setflags(write=False)
    return np.asarray(points)


class Sampled:
    """Colours of recipes under everything that `known` says is not known of them."""

    def __init__(self, known: Uncertainty) -> None:
        self.known = known
        self._palette = known.palette.uncertainty
        self._roots, self._layers = np.empty(0), list[Layer]()
        if self._palette is None:
            self._roots, self._layers = self._layers_around()

    def _layers_around(self) -> tuple[FloatArray, list[Layer]]:
        """Layers at a few white fractions, between which R is interpolated.

        At Chebyshev nodes (L. N. Trefethen, *Approximation Theory and Approximation Practice*
        (2013), ch. 5) in the square root of the fraction, since R changes fastest at the first
        traces of white.
        """
        known, pour = self.known, self.known.pour
        if pour.white in (0.0, 1.0) or not known.scale_g or known.model.scattering_pigments:
            return np.array([np.sqrt(pour.white)]), [known.model.layer]
        off = known.scale_g * (1 + len(known.let_downs))
        lo = max(pour.white_g - off, 0.0), pour.clear_g + off
        hi = pour.white_g + off, max(pour.clear_g - off, 0.0)
        ends = [np.sqrt(white / (white + clear)) for white, clear in (lo, hi)]
        count = _WHITES[int(ends[0] < 0.5 * ends[1])]
        nodes = np.cos(np.pi * np.arange(count) / (count - 1))
        roots = 0.5 * (ends[0] + ends[1]) + 0.5 * (ends[1] - ends[0]) * nodes
        layers = [
            Layer(known.palette.blend(float(white))[1], pour.thickness_cm, known.view.surroundings)
            for white in np.clip(roots * roots, 0.0, 1.0)
        ]
        return roots, layers

    @functools.cached_property
    def points(self) -> Points:
        """The points, the same each time."""
        from scipy.special import ndtri

        known = self.known
        n, m = len(known.palette.pigments), len(known.let_downs)
        modes = 0 if self._palette is None else len(self._palette.modes)
        most = _READINGS + max(n - _PASTES, 0)  # further pastes come last
        even = _even_points(_DRAWS[self._palette is not None], most + 8 + modes)
        pastes = [*range(min(n, _PASTES)), *range(_READINGS, most)]
        used = [*pastes, _PASTES, _PASTES + 1, *range(_PLAIN, _PLAIN + 3 * m)]
        normal = ndtri(np.clip(even[:, most:], 1e-9, 1.0 - 1e-9))
        return Points(
            2.0 * even[:, used] - 1.0,
            normal[:, 8:],
            normal[:, :2],
            normal[:, 2:5],
            normal[:, 5:8],
        )

    @functools.cached_property
    def one_by_one(self) -> Points:
        """Each cause alone, one standard deviation up, then each down, as `Uncertainty.names`."""
        known = self.known
        modes = 0 if self._palette is None else len(self._palette.modes)
        ends = np.cumsum([len(known.names) - modes - 5, modes, 2])
        one = np.eye(len(known.names))
        readings, moved, bench, missed = np.split(np.concatenate([one, -one]), ends, axis=1)
        return Points(readings * SD, moved, bench, missed, np.zeros_like(missed))

    def made(self, amounts: FloatArray, readings: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Loads [per 100 g], shape (k, n), and white fractions, (k,), for k readings.

        `amounts`, shape (n + m,), holds doses in palette order, then masses of let-downs [g];
        `readings` is as in `Points`.
        """
        known, pour = self.known, self.known.pour
        slip, scale, n = known.dose_slip, known.scale_g, len(known.palette.pigments)
        doses = np.maximum(amounts[:n] + slip * readings[:, :n], 0.0)
        doses[:, amounts[:n] == 0.0] = 0.0
        grams = [pour.clear_g, pour.white_g]
        brought = np.zeros((2, len(readings)))
        for at, part in known.dosed(amounts):
            read, thinned, weighed = readings[:, n + 2 + 3 * at : n + 5 + 3 * at].T
            strength = part.strength(slip * read, scale * thinned)
            paste, base = part.brings(strength, scale * weighed)
            doses[:, known.palette.index(part.let_down.pigment)] += paste
            brought += base.T
            for kind, share in enumerate((1.0 - part.let_down.white, part.let_down.white)):
                grams[kind] -= part.mass_g * share
        clear, white = (
            more + (np.maximum(mass + scale * readings[:, n + kind], 0.0) if mass > 1e-9 else 0.0)
            for kind, (mass, more) in enumerate(zip(grams, brought, strict=True))
        )
        total = clear + white
        return doses * (100.0 / total[:, None]), white / total

    def reflectance(self, amounts: FloatArray, points: Points) -> FloatArray:
        """Radiance factors, shape (k, 36)."""
        loads, white = self.made(amounts, points.readings)
        if self._palette is not None:
            return self._uncertain(loads, white, points)
        known, model = self.known, self.known.model
        clear, opaque = known.palette.clear, known.palette.white
        loads, share = effective(loads, model.bend), white_share(white, opaque.crowding)
        mu_a = loads @ model.absorption
        mu_a += np.outer(1.0 - white, clear.absorption) + np.outer(white, opaque.absorption)
        if model.scattering_pigments:
            mu_s = loads @ model.scattering
            mu_s += np.outer(1.0 - white, clear.scattering) + np.outer(share, opaque.scattering)
            return radiance_factor(mu_a, mu_s, model.thickness_cm, known.view.surroundings)
        shares = _lagrange(self._roots, np.sqrt(white))
        R = np.zeros_like(mu_a)
        for share, layer in zip(shares.T, self._layers, strict=True):
            R += share[:, None] * layer.value(mu_a)
        return np.asarray(np.maximum(R, 0.0))  # the interpolation may undershoot black

    def _uncertain(self, loads: FloatArray, white: FloatArray, points: Points) -> FloatArray:
        """The same with pastes, bases and bench drawn as well."""
        assert self._palette is not None
        known, own = self.known, self._palette
        bend, crowding = known.model.bend, np.array(known.palette.white.crowding)
        if own.modes:
            bend = np.maximum(bend + points.modes @ own.bends, LEAST_BEND)
            crowding = crowding + points.modes @ own.crowding
            crowding = np.clip(crowding, -MOST_CROWDING, MOST_CROWDING)
        loads = effective(loads, bend)
        a, s = known.spectra
        shares = np.column_stack([loads, 1.0 - white, white])
        mu_a = mixed(shares, a, points.modes, own.absorption)
        shares[:, -1] = white_share(white, crowding)
        mu_s = mixed(shares, s, points.modes, own.scattering)
        thicker = np.exp(own.thickness * points.bench[:, :1])
        around = known.view.surroundings
        if known.backing.any():
            odds = around.backing / np.maximum(1.0 - around.backing, 1e-6)
            odds = odds * np.exp(points.modes @ known.backing)
            around = Surroundings(around.mode, odds / (1.0 + odds))
        R = radiance_factor(mu_a * thicker, mu_s * thicker, known.pour.thickness_cm, around)
        return np.asarray(R * np.exp(own.gain * points.bench[:, 1:]))

    def lab(self, amounts: FloatArray, points: Points | None = None) -> FloatArray:
        """CIELAB in each light, shape (v, k, 3)."""
        points = self.points if points is None else points
        R = self.reflectance(amounts, points)
        missed = 0.0 if self._palette is None else self._palette.model_lab * points.model
        return np.stack(
            [xyz_to_lab(R @ weights.T, white) + missed for weights, white in self.known.seen]
        )

    def differences(
        self, amounts: FloatArray, aims: FloatArray, aim_covariance: FloatArray | None = None
    ) -> tuple[FloatArray, FloatArray]:
        """CIEDE2000 to the aims, the worst over the lights, shape (k,); and CIELAB, (v, k, 3).

        Parameters
        ----------
        amounts
            As for `made`, shape (n + m,).
        aims
            CIELAB in each light, shape (v, 3).
        aim_covariance
            Of the aim's CIELAB, shape (3, 3), one error in all lights; None: exact.
        """
        lab = self.lab(amounts)
        off = 0.0 if aim_covariance is None else self.points.target @ root_of(aim_covariance).T
        each = [delta_e(own, aim + off) for own, aim in zip(lab, aims, strict=True)]
        return np.max(each, axis=0), lab


def strength_off(
    paste: float,
    base_g: float,
    *,
    unit: Unit,
    dose_slip: float | None = None,
    scale_g: float | None = None,
) -> float:
    """The largest relative error of a let-down's strength in nine cases of ten.

    Of `paste` [`unit`] in `base_g` of base; `dose_slip` and `scale_g` as for `spread`, else a
    `PourError`.
    """
    ruler, scale = checked_readings(dose_slip, scale_g, base_g, unit)
    read, thinned = 2.0 * _even_points(_DRAWS[0], 2).T - 1.0
    made = Dosed(LetDown.made("any", paste=paste, base_g=base_g), paste, base_g)
    return float(nine_in_ten(np.abs(made.strength(ruler * read, scale * thinned) - 1.0)))


def mixed(shares: FloatArray, spectra: FloatArray, z: FloatArray, modes: FloatArray) -> FloatArray:
    """Coefficients of mixtures whose spectra are moved by modes, shape (k, 36).

    Parameters
    ----------
    shares, spectra
        Of each part, shapes (k, p) and (p, 36).
    z, modes
        The modes, shape (k, K), and how each moves the spectra's logarithms, shape (K, p, 36).
    """
    total = np.zeros((len(shares), spectra.shape[1]))
    for at, (share, spectrum) in enumerate(zip(shares.T, spectra, strict=True)):
        if share.any():
            part = share[:, None] * spectrum
            moves = modes[:, at] if len(modes) else modes
            total += part * np.exp(z @ moves) if moves.any() else part
    return total


def _lagrange(nodes: FloatArray, x: FloatArray) -> FloatArray:
    """Weights of the values at nodes in the interpolating polynomial at x, shape (k, nodes)."""
    shares = np.ones((x.size, nodes.size))
    for i, here in enumerate(nodes):
        for j, other in enumerate(nodes):
            if i != j:
                shares[:, i] *= (x - other) / (here - other)
    return shares
