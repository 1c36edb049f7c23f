"""The belief after all measured bars, updated bar by bar."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from shadematch.calibration.test_pour import TestPour
from shadematch.colour.standards import observation
from shadematch.journal.learning import absorbed, drifted, refitted, wandered
from shadematch.journal.noise import Miss, Tracker, improbable, tube_spread
from shadematch.journal.odd import Explanation, explained
from shadematch.journal.seeing import Bar, Shown, expected_readings, values_of
from shadematch.journal.unknowns import TUBES, Believed, Tube, before_any_bar, grown
from shadematch.studio.palette import Palette
from shadematch.studio.pour import CLEAR
from shadematch.studio.unit import Unit
from shadematch.support.arrays import FloatArray

__all__ = ["Belief", "Taught"]

_TOGETHER: Final = 25
"""Number of last bars that are fitted together; older ones are part of their prior."""
_ODD: Final = 1e-3
"""Probability below which a bar is put aside."""
_AGAIN: Final = 0.01
"""Probability, by a later belief, above which it counts again."""
_EYE: Final = np.maximum(observation().weights, 0.0).sum(axis=0)
"""Weight of each wavelength for the eye."""


@dataclass(frozen=True)
class Taught:
    """What one bar taught.

    Attributes
    ----------
    bar
        The bar.
    lab, expected
        Measured and expected CIELAB in its view, shape (3,).
    covariance
        Of the expected reading, shape (3, 3), noise of the reading included.
    freedom
        Degrees of freedom of that covariance.
    probability
        Probability that a sound bar is farther off.
    aside
        Whether it was put aside.
    explanations
        What may have gone wrong, most likely first; empty if it fits.
    before, after
        Standard deviation of the strength of each of its pastes [natural log].
    """

    bar: Bar
    lab: FloatArray
    expected: FloatArray
    covariance: FloatArray
    freedom: float
    probability: float
    aside: bool
    explanations: tuple[Explanation, ...]
    before: Mapping[str, float]
    after: Mapping[str, float]


class Belief:
    """The belief about pastes, bases, tubes and instruments."""

    def __init__(
        self,
        pastes: Sequence[str],
        *,
        unit: Unit,
        scattering: Sequence[str] = (),
        palette: Palette | None = None,
    ) -> None:
        self.unit = unit
        self._prior = self.now = before_any_bar(pastes, scattering, palette)
        """Belief before the bars that are fitted together, and after them."""
        self.noise = Tracker()
        self.tube_sd = TUBES
        self.bars: list[Bar] = []
        self._dosed: list[float] = []
        self.aside: list[int] = []
        """Positions of bars put aside."""
        self._first = 0
        """Position of the first of the bars that are fitted together."""

    def ready(
        self, tubes: Sequence[Tube], bar: Bar | None = None, bases: Sequence[str] = ()
    ) -> Believed:
        """The belief with these tubes and bases in it, and what a bar was poured and seen with."""
        return self._grown(self.now, tubes, () if bar is None else (bar,), bases)

    def _grown(
        self, old: Believed, tubes: Sequence[Tube], bars: Sequence[Bar], bases: Sequence[str] = ()
    ) -> Believed:
        return grown(
            old,
            views=[bar.reading.view for bar in bars],
            bases=[*(bar.reading.pour.base for bar in bars), *bases],
            tubes=tubes,
            instruments=[bar.instrument for bar in bars],
            tube_sd=self.tube_sd,
        )

    def expects(self, bar: Bar) -> tuple[Shown, Miss]:
        """What a bar should show, and how far it is from that."""
        belief = self.ready(bar.tubes, bar)
        seen = expected_readings(belief.mean, belief.layout, [bar], self.unit)[0]
        wide = self.widened(belief, bar.reading.pour.base)
        slopes = seen.slopes
        if wide is not belief:
            slopes = expected_readings(wide.mean, wide.layout, [bar], self.unit)[0].slopes
        known = slopes @ belief.covariance @ slopes.T + drifted(slopes, belief.layout)
        return seen, Miss(values_of(bar.reading) - seen.values, known, seen.noise)

    def widened(self, belief: Believed, base: str) -> Believed:
        """Where to take slopes for a bar in a base: elsewhere than at the mean if it is unknown.

        An unknown base may absorb as little as clear base, or many times that, and at the mean a
        tangent hardly rises. A line through the whole range is steeper: the mean of exp(x) over a
        normal x is exp(variance / 2) times exp of the mean (S. Sarkka, *Bayesian Filtering and
        Smoothing* (2013), section 5.3).
        """
        if base == CLEAR or self.held_by(base):
            return belief
        mean = belief.mean.copy()
        at = [(u.of, u.kind) for u in belief.layout.unknowns].index((base, "base absorption"))
        own = slice(36 * at, 36 * at + 36)
        mean[own] += 0.5 * np.diag(belief.covariance)[own]
        return replace(belief, mean=mean)

    def learn(self, bar: Bar, tubes: Mapping[str, Tube], *, trusted: bool = False) -> Taught:
        """Learn from one more bar.

        Parameters
        ----------
        bar
            The measured bar.
        tubes
            The open tube of each paste.
        trusted
            Never put it aside.
        """
        everything = [*dict.fromkeys([*bar.tubes, *tubes.values()])]
        self.now = self.ready(everything, bar)
        self._prior = self._grown(self._prior, everything, (bar,))
        before = self.strengths(bar.tubes)
        seen, miss = self.expects(bar)
        probability = improbable(miss, self.noise)
        odd = probability < _ODD and not trusted
        explanations: tuple[Explanation, ...] = ()
        if odd:
            explanations = explained(self.now, bar, tubes, self.noise.careful, self.unit)
        total = miss.total(self.noise.rough)
        freedom = self.noise.freedom
        self.noise.add(miss)
        if bar.reading.lab is not None:
            self._dosed.append(float(np.trace(seen.noise.hand)) / 3.0)
        self.bars.append(bar)
        at = len(self.bars) - 1
        if odd:
            self.aside.append(at)
        self._refit()
        self._let_back()
        self._absorb()
        later = [
            self.now.layout.at_tube(t)
            for t in self.now.layout.tubes
            if t.serial and any(t in b.tubes for b in self.bars)
        ]
        self.tube_sd = tube_spread(self.now, later)
        lab, expected, covariance = _in_lab(bar.reading, seen, miss, total)
        return Taught(
            bar=bar,
            lab=lab,
            expected=expected,
            covariance=covariance,
            freedom=freedom,
            probability=probability,
            aside=at in self.aside,
            explanations=explanations,
            before=before,
            after=self.strengths(bar.tubes),
        )

    def _refit(self) -> None:
        last = len(self.bars) - 1
        kept = [i for i in range(self._first, last + 1) if i not in self.aside]
        self.now = refitted(
            wandered(self._prior, last + 1 - self._first) if self._first else self._prior,
            [self.bars[i] for i in kept],
            np.array([float(last - i) for i in kept]),
            rough=self.noise.careful,
            unit=self.unit,
        )

    def _let_back(self) -> None:
        """Count bars again that were put aside and now fit."""
        back = []
        for at in self.aside:
            _, miss = self.expects(self.bars[at])
            if improbable(miss, self.noise) > _AGAIN:
                back.append(at)
        for at in back:
            self.aside.remove(at)
            if at < self._first:
                self._prior = self._absorbed(at)
        if back:
            self._refit()

    def _absorb(self) -> None:
        """Move bars that are too old into the prior of the others."""
        while len(self.bars) - self._first > _TOGETHER:
            if self._first not in self.aside:
                self._prior = self._absorbed(self._first)
            self._prior = wandered(self._prior, 1)
            self._first += 1

    def _absorbed(self, at: int) -> Believed:
        bar, rough = self.bars[at], self.noise.careful
        return absorbed(self._prior, bar, self.now.mean, rough=rough, unit=self.unit)

    @property
    def dosing(self) -> float:
        """Mean variance of L*, a* or b* from dosing the last bars, in an ordinary studio."""
        return float(np.mean(self._dosed[-_TOGETHER:])) if self._dosed else 0.0

    def holding(self, paste: str) -> int:
        """Number of counted bars that contain a paste."""
        return sum(
            paste in bar.reading.doses for at, bar in enumerate(self.bars) if at not in self.aside
        )

    def held_by(self, base: str) -> int:
        """How many bars that count were poured in a base; white alone holds none of it."""
        return sum(
            bar.reading.pour.beside_white == base
            for at, bar in enumerate(self.bars)
            if at not in self.aside
        )

    def strengths(self, tubes: Sequence[Tube]) -> dict[str, float]:
        """Relative standard deviation of the strength of the paste in each tube."""
        return {tube.paste: self.strength(tube)[1] for tube in tubes}

    def strength(self, tube: Tube) -> tuple[float, float]:
        """Strength of a tube relative to its paste's mean tube, and its uncertainty.

        Returns
        -------
        factor, sd
            1 is the mean tube. `sd` is the standard deviation of the logarithm of its absorption,
            weighted by absorption and by the eye.
        """
        layout, mean = self.now.layout, self.now.mean
        rows = slice(36 * layout.of_paste[tube.paste][0], 36 * layout.of_paste[tube.paste][0] + 36)
        weight = _EYE * np.exp(mean[rows] - np.max(mean[rows]))
        by = np.zeros(mean.size)
        by[rows] = weight / weight.sum()
        factor, more = 1.0, self.tube_sd**2
        if tube in layout.tubes:
            at = layout.at_tube(tube)
            by[at], factor, more = 1.0, float(np.exp(mean[at])), 0.0
        variance = self.noise.rough.known * float(by @ self.now.covariance @ by)
        return factor, float(np.sqrt(max(variance + more, 0.0)))


def _in_lab(
    reading: TestPour, seen: Shown, miss: Miss, total: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Measured and expected CIELAB, and the covariance of the latter."""
    if reading.lab is not None:
        return np.array(reading.lab), seen.values, total
    from shadematch.calibration.forward import to_lab

    eye = reading.observation
    known = np.array([v is not None for v in reading.spectrum or ()])
    weights = (
        eye.weights[:, known]
        * (eye.weights.sum(axis=1) / eye.weights[:, known].sum(axis=1))[:, None]
    )
    expected, by = to_lab(np.maximum(seen.values, 1e-6), weights, eye.white)
    measured, _ = to_lab(np.maximum(seen.values + miss.off, 1e-6), weights, eye.white)
    return measured, expected, by @ total @ by.T
