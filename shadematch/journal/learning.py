"""How the belief takes in bars: the last ones together, older ones as what they left behind.

Bars change what others mean: which of two pastes was weak is told by a third. So the last bars are
fitted anew with each that comes (Gauss-Newton with Levenberg's damping, in coordinates in which
what was believed before them is a unit normal), always from the same start. A few rounds with
readings that are trusted less come first: far from the truth, slopes that are trusted lead to
where only wild bases explain what pastes did, and right bars look wrong from there. A bar that is
older is taken into what was believed before, once and for all (a fixed-lag smoother).

References
----------
Levenberg-Marquardt, and easier problems first (continuation): J. Nocedal, S. J. Wright, *Numerical
Optimization* (2nd ed. 2006), sections 10.3 and 11.3. Iterated update and smoothing: B. M. Bell,
F. W. Cathey, IEEE Trans. Autom. Control 38 (1993) 294; S. Sarkka, *Bayesian Filtering and
Smoothing* (2013), chapters 5 and 10.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Sequence
from typing import Final, NamedTuple

import numpy as np

from shadematch.colour.standards import WAVELENGTHS_NM
from shadematch.journal.seeing import Bar, Roughness, Shown, expected_readings, values_of
from shadematch.journal.unknowns import Believed, Layout
from shadematch.studio.unit import Unit
from shadematch.support.arrays import FloatArray

__all__ = ["absorbed", "drifted", "refitted", "wandered"]

_ROUNDS: Final = ((30.0, 10), (1.0, 40))
"""How many times as noisy readings are taken to be [variance], and rounds of the fit."""
_LONGEST: Final = 2.0
"""Of a step of the fit, in standard deviations of the prior, in its largest coordinate."""
_SETTLED: Final = 0.01
"""Gain in minus twice the log likelihood at which the fit is done."""
_JITTER: Final = 1e-10
_WANDERS: Final = 0.004
"""How far the levels of base's spectra wander from bar to bar [natural log] (estimate)."""
_TILT: Final = np.log(WAVELENGTHS_NM / 550.0)
_DRIFT: Final = _WANDERS**2 * (1.0 + 3.0 * np.outer(_TILT, _TILT))
"""Variance that a bar's time adds to each spectrum of a base.

Lots of base differ; level and slope over wavelength wander. What is learnt so is not a finding
about the base: errors of the model go there, too."""


class _Linear(NamedTuple):
    """Residuals in standard deviations of the noise, their slopes, and the cost."""

    slopes: FloatArray
    off: FloatArray
    cost: float


def refitted(
    prior: Believed, bars: Sequence[Bar], ages: FloatArray, *, rough: Roughness, unit: Unit
) -> Believed:
    """Bars taken in all at once.

    Parameters
    ----------
    prior
        Before any of them.
    bars, ages
        And how many bars ago each was measured.
    rough
        How noisy the studio is.
    unit
        Of doses.
    """
    if not bars:
        return prior
    layout = prior.layout
    root = np.linalg.cholesky(prior.covariance + _JITTER * np.eye(prior.mean.size))
    measured = [values_of(bar.reading) for bar in bars]

    def linear(z: FloatArray, noisier: float) -> _Linear:
        seen = expected_readings(prior.mean + root @ z, layout, bars, unit)
        slopes = np.concatenate([s.slopes for s in seen]) @ root
        rows, off, first = [], [], 0
        for each, y, age in zip(seen, measured, ages.tolist(), strict=True):
            L = np.linalg.cholesky(noisier * _noise(each, rough, age, layout))
            rows.append(np.linalg.solve(L, slopes[first : first + y.size]))
            off.append(np.linalg.solve(L, y - each.values))
            first += y.size
        r = np.concatenate(off)
        return _Linear(np.concatenate(rows), r, float(r @ r + z @ z))

    z = np.zeros(prior.mean.size)
    for noisier, rounds in _ROUNDS:
        z, here = _descended(functools.partial(linear, noisier=noisier), z, rounds)
    left = root @ here.slopes.T
    inner = np.eye(here.off.size) + here.slopes @ here.slopes.T
    covariance = prior.covariance - left @ np.linalg.solve(inner, left.T)
    return Believed(layout, prior.mean + root @ z, 0.5 * (covariance + covariance.T))


def _descended(
    linear: Callable[[FloatArray], _Linear], z: FloatArray, rounds: int
) -> tuple[FloatArray, _Linear]:
    """From z downhill, at most so many rounds."""
    here, damping = linear(z), 1e-2
    for _ in range(rounds):
        # (J'J + (1 + d) 1) s = J'r - z, by the matrix inversion lemma: few readings, many unknowns.
        gain = None
        J = here.slopes
        gradient, across = J.T @ here.off - z, J @ J.T
        for _ in range(8):
            d = 1.0 + damping
            inner = d * np.eye(len(across)) + across
            step = (gradient - J.T @ np.linalg.solve(inner, J @ gradient)) / d
            step *= min(1.0, _LONGEST / max(float(np.abs(step).max()), 1e-300))
            tried = linear(z + step)
            if np.isfinite(tried.cost) and tried.cost <= here.cost * (1 + 1e-12):
                gain = here.cost - tried.cost
                z, here, damping = z + step, tried, max(damping / 8.0, 1e-6)
                break
            damping = min(damping * 8.0, 1e8)
        if gain is None or gain < _SETTLED:
            break
    return z, here


def _noise(seen: Shown, rough: Roughness, age: float, layout: Layout) -> FloatArray:
    """Covariance of a bar's noise, that of the base's wandering since included."""
    if not age:
        return seen.noise.times(rough)
    return np.asarray(seen.noise.times(rough) + age * drifted(seen.slopes, layout))


def drifted(slopes: FloatArray, layout: Layout) -> FloatArray:
    """Covariance that one bar's time of the bases' wandering adds to what a bar shows, (m, m)."""
    own = slopes[:, layout.of_bases]
    return np.asarray(own @ _drift(layout.of_bases.size) @ own.T)


@functools.lru_cache(maxsize=16)
def _drift(values: int) -> FloatArray:
    """Variance that a bar's time adds to the spectra of all bases, so many values in a row."""
    return np.asarray(np.kron(np.eye(values // len(_DRIFT)), _DRIFT), dtype=float)


def wandered(belief: Believed, times: int) -> Believed:
    """The same so many bars later."""
    covariance, at = belief.covariance.copy(), belief.layout.of_bases
    covariance[np.ix_(at, at)] += times * _drift(at.size)
    return Believed(belief.layout, belief.mean, covariance)


def absorbed(
    before: Believed, bar: Bar, about: FloatArray, *, rough: Roughness, unit: Unit
) -> Believed:
    """What was believed before, with one bar in it; slopes are those at `about`, a later mean."""
    seen = expected_readings(about, before.layout, [bar], unit)[0]
    left = before.covariance @ seen.slopes.T
    inner = seen.slopes @ left + seen.noise.times(rough)
    off = values_of(bar.reading) - seen.values - seen.slopes @ (before.mean - about)
    mean = before.mean + left @ np.linalg.solve(inner, off)
    covariance = before.covariance - left @ np.linalg.solve(inner, left.T)
    return Believed(before.layout, mean, 0.5 * (covariance + covariance.T))
