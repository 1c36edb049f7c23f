"""How noisy this studio is, learnt from how far bars fall from what was expected.

A studio's ruler, instrument and stirring may be better or worse than usual: a factor on the
variance by hand, one by eye, and one on what is left open of pastes and bases are tracked, and the
spread of tubes with them. With noise taken too small, ranges promise too much and right bars are
doubted.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Sequence
from typing import Final, NamedTuple

import numpy as np

from shadematch.journal.seeing import Noise, Roughness
from shadematch.journal.unknowns import TUBES, Believed
from shadematch.support.arrays import FloatArray

__all__ = ["Miss", "Tracker", "improbable", "tube_spread"]

_AS_SURE: Final = 6.0
"""Tubes' worth of that belief."""
_KEPT: Final = 4.0
"""Numbers' worth of the belief that a studio is as noisy as usual."""
_SURE: Final = 10.0
"""Degrees of freedom of noise before anything is measured: fewer would let wrong bars pass."""
_FORGETS: Final = 0.99
_MOST: Final = 120
"""Bars that are looked back upon, and how each counts for less than the next."""
_STRAY: Final = 0.02
_ANYWHERE: Final = 100.0
"""Share of bars that something went wrong with, and over how many units of L*, a* and b* those fall
evenly; a hundredth of it for a spectrum."""
_STRAIGHT: Final = 5.0
"""Standard deviation of what was expected of L*, a* and b* up to which slopes are good (estimate);
a hundredth of it for a spectrum."""
_RANGES: Final = (*[(np.log(0.1), np.log(40.0))] * 2, (np.log(0.25), np.log(4.0)))
"""Of the logarithms of the factors."""


class Miss(NamedTuple):
    """How far a bar fell from what was expected.

    Attributes
    ----------
    off
        Measured less expected, shape (m,).
    known
        Covariance of what was expected, by what was not known, shape (m, m).
    noise
        What differs from bar to bar.
    """

    off: FloatArray
    known: FloatArray
    noise: Noise

    @property
    def share(self) -> float:
        """How much it tells of factors: where much is not known, colours bend away from slopes."""
        straight = _STRAIGHT if self.off.size == 3 else _STRAIGHT / 100.0
        return 1.0 / (1.0 + float(np.mean(np.diag(self.known))) / straight**2)

    def total(self, rough: Roughness) -> FloatArray:
        """Covariance of all that it may be off by, shape (m, m)."""
        return rough.known * self.known + self.noise.times(rough)

    def far(self, rough: Roughness) -> float:
        """Squared distance in standard deviations."""
        return float(self.off @ np.linalg.solve(self.total(rough), self.off))


class Tracker:
    """How noisy the studio is, tracked over bars."""

    def __init__(self) -> None:
        self.rough = Roughness()
        self._seen: deque[Miss] = deque(maxlen=_MOST)
        self.freedom = _SURE

    @property
    def careful(self) -> Roughness:
        """The same, no factor below 1: what bars are learnt and doubted by.

        A reading trusted too much spoils what is learnt, and a right bar put aside is lost. What is
        said of how far bars may be off goes by `rough`.
        """
        return Roughness(*np.maximum(self.rough, 1.0).tolist())

    def add(self, miss: Miss) -> None:
        """Take in how far one more bar fell."""
        from scipy.optimize import minimize

        self._seen.append(miss)
        ages = np.arange(len(self._seen) - 1, -1, -1)
        weights = np.asarray(_FORGETS**ages * np.array([m.share for m in self._seen]), float)
        groups = _by_size(self._seen, weights)

        def cost(logs: FloatArray) -> float:
            rough = Roughness(*np.exp(logs).tolist())
            belief = 0.5 * _KEPT * float(np.sum(logs + np.exp(-logs)))
            return belief + sum(_unlikely(group, rough) for group in groups)

        # From the same start each time, so that a journal read anew believes the same.
        best = minimize(cost, np.zeros(3), bounds=_RANGES, method="L-BFGS-B")
        self.rough = Roughness(*np.exp(best.x).tolist())
        counted = [min(m.off.size, 6) for m in self._seen]  # a spectrum says little more of it
        self.freedom = _SURE + float(weights @ counted)


class _Misses(NamedTuple):
    """Misses of m numbers each, n of them, and how each counts."""

    off: FloatArray
    known: FloatArray
    hand: FloatArray
    eye: FloatArray
    weights: FloatArray


def _by_size(seen: Iterable[Miss], weights: FloatArray) -> list[_Misses]:
    groups: dict[int, list[tuple[FloatArray, ...]]] = {}
    for miss, weight in zip(seen, weights, strict=True):
        row = (miss.off, miss.known, *miss.noise, np.array(weight))
        groups.setdefault(miss.off.size, []).append(row)
    return [_Misses(*map(np.array, zip(*rows, strict=True))) for rows in groups.values()]


def _unlikely(misses: _Misses, rough: Roughness) -> float:
    """Minus log likelihood of misses, something having gone wrong now and then."""
    size = misses.off.shape[1]
    total = rough.known * misses.known + rough.hand * misses.hand + rough.eye * misses.eye
    far = (misses.off * np.linalg.solve(total, misses.off[..., None])[..., 0]).sum(axis=1)
    usual = np.log(1.0 - _STRAY) - 0.5 * (far + np.linalg.slogdet(2.0 * np.pi * total)[1])
    wide = _ANYWHERE if size == 3 else _ANYWHERE / 100.0
    stray = np.log(_STRAY) - size * np.log(wide)
    told = np.logaddexp(usual, stray)
    return float(-min(1.0, 6.0 / size) * (misses.weights @ told))


def improbable(miss: Miss, noise: Tracker) -> float:
    """Probability that a right bar falls farther off, the noise being known only so well."""
    from scipy.stats import f

    size = miss.off.size
    return float(f.sf(miss.far(noise.careful) / size, size, noise.freedom))


def tube_spread(belief: Believed, measured: Sequence[int]) -> float:
    """How far tubes differ [natural log], from those that bars were poured from.

    Parameters
    ----------
    belief
        What is believed of them.
    measured
        Positions of their strengths. First tubes are left out: their strength is told only
        against later ones.
    """
    squares = [float(belief.mean[i] ** 2 + belief.covariance[i, i]) for i in measured]
    total = _AS_SURE * TUBES**2 + float(np.sum(squares))
    return float(np.sqrt(total / (_AS_SURE + len(squares))))
