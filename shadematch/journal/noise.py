"""How noisy this studio is, learnt from the distance of bars to their expected colours.

A studio's ruler, instrument and stirring may be better or worse than usual. Tracked are a factor on
the variance of dosing, one on that of reading, one on the uncertainty of pastes and bases, and the
spread of tubes. If the noise is underestimated, ranges are too narrow and sound bars are doubted.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Sequence
from typing import Final, NamedTuple

import numpy as np

from shadematch.journal.seeing import Roughness, StudioNoise
from shadematch.journal.unknowns import TUBES, Believed
from shadematch.support.arrays import FloatArray

__all__ = ["Miss", "Tracker", "improbable", "tube_spread"]

_AS_SURE: Final = 6.0
"""Number of tubes that the prior on the spread of tubes is worth."""
_KEPT: Final = 4.0
"""Number of readings that the prior of ordinary noise is worth."""
_SURE: Final = 10.0
"""Degrees of freedom of the noise before any bar: fewer would let wrong bars pass."""
_FORGETS: Final = 0.99
_MOST: Final = 120
"""Weight of a bar relative to the next, and the number of bars remembered."""
_STRAY: Final = 0.02
_ANYWHERE: Final = 100.0
"""Fraction of bars with a mistake, and the range of L*, a* and b* that these are uniform in; a
hundredth of it for a spectrum."""
_STRAIGHT: Final = 5.0
"""Prior standard deviation of L*, a* and b* up to which the linear model holds (estimate); a
hundredth of it for a spectrum."""
_RANGES: Final = (*[(np.log(0.1), np.log(40.0))] * 2, (np.log(0.25), np.log(4.0)))
"""Ranges of the logarithms of the factors."""


class Miss(NamedTuple):
    """Measured less expected, shape (m,), and its covariance.

    `known` is the part from the uncertainty of the belief, shape (m, m); `noise` differs from bar
    to bar.
    """

    off: FloatArray
    known: FloatArray
    noise: StudioNoise

    @property
    def share(self) -> float:
        """Weight in learning the factors; small where so little is known that colours bend."""
        straight = _STRAIGHT if self.off.size == 3 else _STRAIGHT / 100.0
        return 1.0 / (1.0 + float(np.mean(np.diag(self.known))) / straight**2)

    def total(self, rough: Roughness) -> FloatArray:
        """Covariance of `off`, shape (m, m)."""
        return rough.known * self.known + self.noise.times(rough)

    def far(self, rough: Roughness) -> float:
        """Squared Mahalanobis distance."""
        return float(self.off @ np.linalg.solve(self.total(rough), self.off))


class Tracker:
    """How noisy the studio is, tracked over bars."""

    def __init__(self) -> None:
        self.rough = Roughness()
        self._seen: deque[Miss] = deque(maxlen=_MOST)
        self.freedom = _SURE

    @property
    def careful(self) -> Roughness:
        """The factors, none below 1, for learning and doubting bars.

        Trusting a reading too much spoils the belief, and a sound bar put aside is lost. Ranges are
        computed with `rough`.
        """
        return Roughness(*np.maximum(self.rough, 1.0).tolist())

    def add(self, miss: Miss) -> None:
        """Learn from one more bar."""
        from scipy.optimize import minimize

        self._seen.append(miss)
        ages = np.arange(len(self._seen) - 1, -1, -1)
        weights = np.asarray(_FORGETS**ages * np.array([m.share for m in self._seen]), float)
        groups = _by_size(self._seen, weights)

        def cost(logs: FloatArray) -> float:
            rough = Roughness(*np.exp(logs).tolist())
            belief = 0.5 * _KEPT * float(np.sum(logs + np.exp(-logs)))
            return belief + sum(_unlikely(group, rough) for group in groups)

        # Always from the same start, so that a journal read again gives the same belief.
        best = minimize(cost, np.zeros(3), bounds=_RANGES, method="L-BFGS-B")
        self.rough = Roughness(*np.exp(best.x).tolist())
        counted = [min(m.off.size, 6) for m in self._seen]  # a spectrum teaches little more
        self.freedom = _SURE + float(weights @ counted)


class _Misses(NamedTuple):
    """Arrays of n misses of m numbers each, and their weights."""

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
    """Minus log likelihood of misses, with occasional mistakes."""
    size = misses.off.shape[1]
    total = rough.known * misses.known + rough.hand * misses.hand + rough.eye * misses.eye
    far = (misses.off * np.linalg.solve(total, misses.off[..., None])[..., 0]).sum(axis=1)
    usual = np.log(1.0 - _STRAY) - 0.5 * (far + np.linalg.slogdet(2.0 * np.pi * total)[1])
    wide = _ANYWHERE if size == 3 else _ANYWHERE / 100.0
    stray = np.log(_STRAY) - size * np.log(wide)
    return float(-min(1.0, 6.0 / size) * (misses.weights @ np.logaddexp(usual, stray)))


def improbable(miss: Miss, noise: Tracker) -> float:
    """Probability that a sound bar is farther off, by the F distribution."""
    from scipy.stats import f

    size = miss.off.size
    return float(f.sf(miss.far(noise.careful) / size, size, noise.freedom))


def tube_spread(belief: Believed, measured: Sequence[int]) -> float:
    """Standard deviation of the strength of tubes [natural log].

    `measured` are the positions of the strengths of measured tubes, without first tubes, whose
    strength shows only in comparison with later ones.
    """
    squares = [float(belief.mean[i] ** 2 + belief.covariance[i, i]) for i in measured]
    total = _AS_SURE * TUBES**2 + float(np.sum(squares))
    return float(np.sqrt(total / (_AS_SURE + len(squares))))
