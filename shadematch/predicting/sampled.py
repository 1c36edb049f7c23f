"""What becomes of one recipe when all that is not known of it is drawn: the full model.

Each dose is one reading of a ruler and each base one reading of a scale. "To 2 mm" is taken as
limits: the true length lies anywhere within 2 mm of the mark, on either side, with equal chance,
and so for the scale. Where only limits are known, an even distribution between them is the
choice that adds nothing (JCGM 100:2008, *Guide to the expression of uncertainty in measurement*,
4.3.7). Readings are independent of each other and of the length, and nothing is squeezed that is
less than nothing: a slip below 0 is cut off there. A dose squeezed in several goes strays more.

A let-down brings three readings: the length of the paste and the mass of the base that it was
made of, which every gram of it shares, and the mass that is dosed. How much of it was made at
once matters: 1 cm read to 2 mm may be a fifth off, 5 cm a twenty-fifth.

What is not known of pastes, bases, bench and model is normally distributed
(`shadematch.studio.uncertainty`). The colours are computed on a low-discrepancy sequence (I. M.
Sobol', USSR Comput. Math. Math. Phys. 7 (1967) 86), always the same points, each by the full
model: nothing is linear here. `shadematch.predicting.uncertainty` is the quick way for many
recipes; this is its judge, and what is printed of the one that was chosen.
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

__all__ = ["Points", "Sampled", "strength_off"]

_DRAWS: Final = (4096, 2048)
"""How many points: with pastes that are taken as known, and with others, which cost more."""
_PASTES: Final = 8  # in an ordinary palette
_PLAIN: Final = _PASTES + 2  # readings without let-downs: pastes, two bases
_READINGS: Final = _PLAIN + 3 * MOST_LET_DOWNS
_WHITES: Final = (5, 9)
"""Nodes over white fractions; the second where they reach down to nearly clear base."""


class Points(NamedTuple):
    """What is drawn, k times.

    Attributes
    ----------
    readings
        In units of the limits, -1 to 1: of the pastes, of clear and white base, and three of
        each let-down (its paste, its base, its dose); shape (k, n + 2 + 3 m).
    modes
        Standard normal: of the palette, shape (k, K).
    bench
        Thickness and gain, shape (k, 2).
    model, target
        Of L*, a* and b*, shapes (k, 3).
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
    # Shifted round a circle, so that no point sits in a corner.
    points = (points + np.random.default_rng(20_261_125).random(size)) % 1.0
    points.setflags(write=False)
    return np.asarray(points)


class Sampled:
    """What becomes of recipes when everything that is not known of them is drawn.

    Parameters
    ----------
    known
        What is not known, for a palette, a pour and a view.
    """

    def __init__(self, known: Uncertainty) -> None:
        self.known = known
        self._palette = known.palette.uncertainty
        self._roots, self._layers = np.empty(0), list[Layer]()
        if self._palette is None:
            self._roots, self._layers = self._layers_around()

    def _layers_around(self) -> tuple[FloatArray, list[Layer]]:
        """Layers at a few white fractions, between which R is interpolated.

        Chebyshev's nodes over the white fractions that occur (L. N. Trefethen, *Approximation
        Theory and Approximation Practice* (2013), ch. 5), even in the square root of the
        fraction, since R turns fastest at the first traces of white.
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
        """What is drawn, the same each time."""
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
        """Each cause by itself, one standard deviation up, then each one down.

        In the order of `Uncertainty.names`.
        """
        known = self.known
        modes = 0 if self._palette is None else len(self._palette.modes)
        ends = np.cumsum([len(known.names) - modes - 5, modes, 2])
        one = np.eye(len(known.names))
        readings, moved, bench, missed = np.split(np.concatenate([one, -one]), ends, axis=1)
        return Points(readings * SD, moved, bench, missed, np.zeros_like(missed))

    def made(self, amounts: FloatArray, readings: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Loads [per 100 g], shape (k, n), and white fractions, (k,), that come of readings.

        Parameters
        ----------
        amounts
            Doses in palette order, then the masses of let-downs [g]: shape (n + m,).
        readings
            As in `Points`.
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
        mu_a = _mixed(shares, a, points.modes, own.absorption)
        shares[:, -1] = white_share(white, crowding)
        mu_s = _mixed(shares, s, points.modes, own.scattering)
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
        """CIEDE2000 to uncertain aims, the worst over the lights, and the colours.

        Parameters
        ----------
        amounts
            Shape (n + m,).
        aims
            CIELAB in each light, shape (v, 3).
        aim_covariance
            Of the aim in CIELAB, shape (3, 3), the same error in every light; None where it is
            known.

        Returns
        -------
        values, lab
            Shapes (k,) and (v, k, 3).
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
    read, thinned = 2.0 * _even_points(_DRAWS[0], 2).T - 1.0
    made = Dosed(LetDown.made("any", paste=paste, base_g=base_g), paste, base_g)
    return float(nine_in_ten(np.abs(made.strength(ruler * read, scale * thinned) - 1.0)))


def _mixed(shares: FloatArray, spectra: FloatArray, z: FloatArray, modes: FloatArray) -> FloatArray:
    """Coefficients of mixtures (k, n + 2) of spectra (n + 2, 36), moved by modes; (k, 36)."""
    total = np.zeros((len(shares), spectra.shape[1]))
    for at, (share, spectrum) in enumerate(zip(shares.T, spectra, strict=True)):
        if share.any():
            part = share[:, None] * spectrum
            moves = modes[:, at] if len(modes) else modes
            total += part * np.exp(z @ moves) if moves.any() else part
    return total


def _lagrange(nodes: FloatArray, x: FloatArray) -> FloatArray:
    """Shares of the values at nodes in the interpolating polynomial at x, shape (k, nodes)."""
    shares = np.ones((x.size, nodes.size))
    for i, here in enumerate(nodes):
        for j, other in enumerate(nodes):
            if i != j:
                shares[:, i] *= (x - other) / (here - other)
    return shares
