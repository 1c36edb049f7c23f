"""How noisy this studio is, learnt from how far bars fall from what was expected.

A studio's ruler, instrument and stirring may be better or worse than usual: one factor on the
variance of all noise is tracked, and the spread of tubes with it. With noise taken too small,
ranges promise too much and right bars are doubted.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np

from shadematch.journal.unknowns import TUBES, Believed
from shadematch.support.arrays import FloatArray

__all__ = ["Miss", "Noise", "improbable", "tube_spread"]

_AS_SURE: Final = 6.0
"""Tubes' worth of that belief."""
_KEPT: Final = 10.0
"""Numbers' worth of the belief that a studio is as noisy as usual."""
_FORGETS: Final = 0.98
_MOST: Final = 120
"""Bars that are looked back upon, and how each counts for less than the next."""
_STRAY: Final = 0.02
_ANYWHERE: Final = 30.0
"""Share of bars that something went wrong with, and over how many units of L*, a* and b* those fall
evenly; a hundredth of it for a spectrum."""
_RANGE: Final = (np.log(0.1), np.log(40.0))


class Miss(NamedTuple):
    """How far a bar fell from what was expected.

    Attributes
    ----------
    off
        Measured less expected, shape (m,).
    known
        Covariance of what was expected, by what was not known, shape (m, m).
    noise
        Covariance of noise in an ordinary studio.
    """

    off: FloatArray
    known: FloatArray
    noise: FloatArray

    @property
    def share(self) -> float:
        """How much of what was not known was noise: bars of unknown pastes tell little of it."""
        return float(np.trace(self.noise) / np.trace(self.known + self.noise))

    def far(self, scale: float) -> float:
        """Squared distance in standard deviations."""
        return float(self.off @ np.linalg.solve(self.known + scale * self.noise, self.off))


class Noise:
    """The factor on the variance of noise, tracked over bars."""

    def __init__(self) -> None:
        self.scale = 1.0
        self._seen: deque[Miss] = deque(maxlen=_MOST)
        self.freedom = _KEPT

    def add(self, miss: Miss) -> None:
        """Take in how far one more bar fell."""
        from scipy.optimize import minimize_scalar

        self._seen.append(miss)
        ages = np.arange(len(self._seen) - 1, -1, -1)
        weights = _FORGETS**ages * np.square([m.share for m in self._seen])

        def cost(log_scale: float) -> float:
            scale = float(np.exp(log_scale))
            belief = 0.5 * _KEPT * (log_scale + 1.0 / scale)
            told = [w * _unlikely(m, scale) for w, m in zip(weights, self._seen, strict=True)]
            return belief + float(np.sum(told))

        best = minimize_scalar(cost, bounds=_RANGE, method="bounded", options={"xatol": 1e-3})
        self.scale = float(np.exp(best.x))
        counted = [min(m.off.size, 6) for m in self._seen]  # a spectrum says little more of it
        self.freedom = _KEPT + float(weights @ counted)


def _unlikely(miss: Miss, scale: float) -> float:
    """Minus log likelihood of a miss, something having gone wrong now and then."""
    size = miss.off.size
    total = miss.known + scale * miss.noise
    far = float(miss.off @ np.linalg.solve(total, miss.off))
    usual = np.log(1.0 - _STRAY) - 0.5 * (far + np.linalg.slogdet(2.0 * np.pi * total)[1])
    wide = _ANYWHERE if size == 3 else _ANYWHERE / 100.0
    stray = np.log(_STRAY) - size * np.log(wide)
    return -min(1.0, 6.0 / size) * float(np.logaddexp(usual, stray))


def improbable(miss: Miss, noise: Noise) -> float:
    """Probability that a right bar falls farther off, the scale being known only so well."""
    from scipy.stats import f

    size = miss.off.size
    return float(f.sf(miss.far(noise.scale) / size, size, noise.freedom))


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
