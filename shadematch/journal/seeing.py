"""The expected readings of bars by a belief, with slopes and noise.

Uses the forward model of `shadematch.calibration.forward`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from shadematch.calibration.forward import Errors, SeenLayers, layers_of, look, to_lab
from shadematch.calibration.spectra import matern
from shadematch.calibration.test_pour import TestPour
from shadematch.colour.standards import WAVELENGTHS_NM
from shadematch.journal.unknowns import Instrument, Layout, Means, Tube
from shadematch.studio.unit import Unit
from shadematch.support.arrays import FloatArray

__all__ = [
    "ERRORS",
    "MODEL_LAB",
    "Bar",
    "Roughness",
    "Shown",
    "StudioNoise",
    "expected_readings",
    "values_of",
]

_W: Final = WAVELENGTHS_NM.size
ERRORS: Final[dict[Unit, Errors]] = {
    "cm": Errors(dose=0.115),
    "g": Errors(dose=0.03, dose_share=0.005),
}
"""A ruler read to 2 mm either way, uniformly; a kitchen scale (common practice, no source)."""
_READ: Final[dict[Means, float]] = {"colorimeter": 0.3, "phone": 1.0}
"""Standard deviation of one reading in each of L*, a* and b*, without the instrument's bias."""
MODEL_LAB: Final = 0.5
"""Standard deviation of the model error in each of L*, a* and b* (estimate)."""
_SHARED: Final = 0.5
"""Fraction of a photo's covariance that all photos share (estimate, as in calibration)."""
_SHARE: Final = 0.01
_FLOOR: Final = 0.001
"""Noise of a spectrum at one wavelength: a fraction of it, and a constant."""
_MODEL_SHARE: Final = 0.02
_MODEL_NM: Final = 100.0
"""Model error of a spectrum, as a fraction of it, and the length over which it is smooth [nm]."""
_DARKEST: Final = 1e-6


@dataclass(frozen=True)
class Bar:
    """A measured bar: number of its batch, reading, the tubes of its pastes, and the instrument."""

    number: int
    reading: TestPour
    tubes: tuple[Tube, ...]
    instrument: Instrument


class Roughness(NamedTuple):
    """How noisy a studio is: factors on variances, 1 in an ordinary studio.

    `hand`: of dosing and bench; `eye`: of reading and model error; `known`: of the uncertainty of
    pastes and bases, since priors that suit all studios are wide for most.
    """

    hand: float = 1.0
    eye: float = 1.0
    known: float = 1.0


class StudioNoise(NamedTuple):
    """Covariances of an ordinary studio's dosing and bench, and reading and model; (m, m) each."""

    hand: FloatArray
    eye: FloatArray

    def times(self, rough: Roughness) -> FloatArray:
        """Their sum in a studio of some roughness."""
        return rough.hand * self.hand + rough.eye * self.eye


class Shown(NamedTuple):
    """Expected reading of a bar, m numbers: three of Lab, or one for each wavelength.

    `values`, shape (m,); `slopes` by the belief, shape (m, size); `noise` of an ordinary studio.
    """

    values: FloatArray
    slopes: FloatArray
    noise: StudioNoise


def values_of(reading: TestPour) -> FloatArray:
    """The measured values, shape (m,)."""
    if reading.spectrum is None:
        return np.array(reading.lab)
    return np.array([v for v in reading.spectrum if v is not None])


def expected_readings(
    mean: FloatArray, layout: Layout, bars: Sequence[Bar], unit: Unit
) -> list[Shown]:
    """Expected readings of bars; bars of the same tubes are computed together, which is faster."""
    found: list[Shown | None] = [None] * len(bars)
    errors = ERRORS[unit]
    for tubes, members in _together(bars):
        theta = mean[: layout.spectra].reshape(-1, _W).copy()
        for tube in tubes.values():  # strength is a factor on all spectra of a paste
            for k in layout.of_paste[tube.paste]:
                theta[k] += mean[layout.at_tube(tube)]
        readings = [bars[i].reading for i in members]
        cases = [(r.doses, r.pour, r.view) for r in readings]
        layers = layers_of(cases, layout.unknowns, layout.pastes, errors)
        seen = look(theta, layout.unknowns, layout.pastes, layers, errors)
        for row, i in enumerate(members):
            one = SeenLayers(seen.spectrum[row], seen.by_unknown[row], seen.by_error[row])
            found[i] = _of_one(mean, layout, bars[i], one)
    return [each for each in found if each is not None]


def _together(bars: Sequence[Bar]) -> list[tuple[dict[str, Tube], list[int]]]:
    """Groups of bars in which each paste came from one tube: the tubes, and positions."""
    groups: list[tuple[dict[str, Tube], list[int]]] = []
    for i, bar in enumerate(bars):
        own = {tube.paste: tube for tube in bar.tubes}
        for tubes, members in groups:
            if all(tubes.get(paste, tube) == tube for paste, tube in own.items()):
                tubes.update(own)
                members.append(i)
                break
        else:
            groups.append((own, [i]))
    return groups


def _of_one(mean: FloatArray, layout: Layout, bar: Bar, seen: SeenLayers) -> Shown:
    """The expected reading of one bar, from what `look` gave for it."""
    spectrum, reading = np.maximum(seen.spectrum, _DARKEST), bar.reading
    by_unknown, by_error = seen.by_unknown, seen.by_error
    if reading.spectrum is not None:
        known = np.array([v is not None for v in reading.spectrum])
        values, by = spectrum[known], np.eye(_W)[known]
    else:
        observer = reading.observation
        values, by = to_lab(spectrum, observer.weights, observer.white)
    slopes = np.zeros((values.size, layout.size))
    slopes[:, : layout.spectra] = (by[:, None, :] * by_unknown[None]).reshape(values.size, -1)
    for tube in bar.tubes:
        together = sum((by_unknown[k] for k in layout.of_paste[tube.paste]), np.zeros(_W))
        slopes[:, layout.at_tube(tube)] = by @ together
    moved = by @ by_error.T
    hand = moved @ moved.T
    if reading.spectrum is not None:
        missed = _MODEL_SHARE**2 * matern(_MODEL_NM)[np.ix_(known, known)]
        missed = missed * np.outer(values, values)
        read = np.diag((_SHARE * values) ** 2 + _FLOOR**2)
        return Shown(values, slopes, StudioNoise(hand, missed + read))
    if reading.covariance is not None:
        read = (1.0 - _SHARED) * np.array(reading.covariance)
    else:
        read = _READ[bar.instrument.means] ** 2 * np.eye(3)
    eye = read + MODEL_LAB**2 * np.eye(3)
    at = layout.at_instrument(bar.instrument)
    chroma = np.array([0.0, values[1], values[2]])
    slopes[:, at] = np.column_stack([np.eye(3), chroma])
    grey, share = mean[at][:3], mean[at][3]
    slopes[1:, : layout.spectra + len(layout.tubes)] *= 1.0 + share
    return Shown(values + grey + share * chroma, slopes, StudioNoise(hand, eye))
