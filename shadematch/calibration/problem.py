"""The problem to fit: test pours with their noise, and the prior of the spectra."""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final, NamedTuple

import numpy as np

from shadematch.calibration.forward import Errors, Layers, SeenLayers, layers_of, look
from shadematch.calibration.spectra import (
    BELIEFS,
    BEND_SHARED_SD,
    Unknown,
    belief_covariance,
)
from shadematch.calibration.test_pour import TestPour
from shadematch.colour.standards import WAVELENGTHS_NM
from shadematch.support.arrays import FloatArray, IntArray

__all__ = ["Measurement", "Noise", "Prior", "Problem", "prior_of", "readings_of"]

_W: Final = WAVELENGTHS_NM.size


class Noise(NamedTuple):
    """Standard deviations of readings.

    Attributes
    ----------
    share, floor
        Of a radiance factor at one wavelength: a fraction of it, and a constant.
    lab
        Of each of L*, a* and b*, if a reading has no covariance.
    model_lab
        Model error, added to every Lab reading.
    even
        Of the cube root of a radiance factor at one wavelength, uniform to the eye: 0.01 is 3 % of
        a white and 9 % of a radiance factor of 1/27.
    """

    share: float = 0.01
    floor: float = 0.001
    lab: float = 0.5
    model_lab: float = 0.3
    even: float = 0.0

    def of_spectrum(self, values: FloatArray) -> FloatArray:
        """Standard deviations of radiance factors, of any shape."""
        even = 3.0 * self.even * np.cbrt(np.abs(values)) ** 2
        return np.asarray(np.sqrt((self.share * values) ** 2 + self.floor**2 + even**2))


class Prior(NamedTuple):
    """Gaussian prior of K spectra: mean (K, 36), precision (36 K, 36 K).

    The precision of a number is spread evenly over its row of 36; `log_det` is that of the free
    numbers.
    """

    mean: FloatArray
    precision: FloatArray
    log_det: float


def prior_of(unknowns: Sequence[Unknown]) -> Prior:
    """The prior of `spectra.BELIEFS`; unknowns are independent, except the bends."""
    size = len(unknowns) * _W
    precision = np.zeros((size, size))
    log_det = 0.0
    numbers = [k for k, u in enumerate(unknowns) if u.number]
    if numbers:
        size_of = np.array([unknowns[k].level for k in numbers])
        bends = size_of * np.array([unknowns[k].what == "bend" for k in numbers], dtype=float)
        variance = (size_of * [BELIEFS[unknowns[k].kind].level_sd for k in numbers]) ** 2
        common = BEND_SHARED_SD**2 * np.outer(bends, bends)
        covariance = common + np.diag(variance - np.diag(common))
        log_det -= float(np.linalg.slogdet(covariance)[1])
        places = (np.array(numbers)[:, None] * _W + np.arange(_W)).ravel()
        spread = np.full((_W, _W), 1.0 / _W**2)
        precision[np.ix_(places, places)] = np.kron(np.linalg.inv(covariance), spread)
    for k, u in enumerate(unknowns):
        if u.number:
            continue
        covariance = belief_covariance(BELIEFS[u.kind])
        rows = slice(k * _W, (k + 1) * _W)
        precision[rows, rows] = np.linalg.inv(covariance)
        log_det -= float(np.linalg.slogdet(covariance)[1])
    return Prior(np.array([u.mean for u in unknowns]), precision, log_det)


@dataclass(frozen=True)
class Problem:
    """Test pours, the unknowns, and the trust in each pour.

    Attributes
    ----------
    pours, unknowns, pigments
        The data, the spectra to fit, and the names of the pigments.
    errors, noise
        Errors of the bench and of readings.
    weights
        Trust in each pour, 0 to 1, shape (n,).
    scale
        Factors on the standard deviations of spectral and of Lab readings.
    """

    pours: tuple[TestPour, ...]
    unknowns: tuple[Unknown, ...]
    pigments: tuple[str, ...]
    errors: Errors
    noise: Noise
    weights: FloatArray
    scale: tuple[float, float] = (1.0, 1.0)
    layers: Layers = field(init=False)
    bars: IntArray = field(init=False)

    def __post_init__(self) -> None:
        cases = [(p.doses, p.pour, p.view) for p in self.pours]
        object.__setattr__(
            self, "layers", layers_of(cases, self.unknowns, self.pigments, self.errors)
        )
        names = {name: i for i, name in enumerate(dict.fromkeys(p.name for p in self.pours))}
        object.__setattr__(self, "bars", np.array([names[p.name] for p in self.pours]))

    def look(self, theta: FloatArray, slips: FloatArray | None = None) -> SeenLayers:
        """Expected readings of the pours; see `forward.look`."""
        return look(
            theta,
            unknowns=self.unknowns,
            pigments=self.pigments,
            layers=self.layers,
            errors=self.errors,
            slips=slips,
        )

    @functools.cached_property
    def members(self) -> tuple[IntArray, ...]:
        """Readings of each bar."""
        return tuple(np.flatnonzero(self.bars == bar) for bar in range(int(self.bars.max()) + 1))

    @functools.cached_property
    def slots(self) -> tuple[list[tuple[int, int]], ...]:
        """Errors that each bar has: (reading or -1 for the whole bar, column of the slips)."""
        dyes = len(self.pigments)
        result = []
        for members in self.members:
            slots = [(-1, d) for d in range(dyes) if self.layers.dose_sd[members[0], d] > 0]
            if self.errors.thickness_share > 0:
                slots.append((-1, dyes))
            if self.errors.base_share > 0 and self.pours[members[0]].pour.white < 1:
                slots.append((-1, dyes + 1))
            if self.errors.gain > 0:
                slots += [(int(i), dyes + 2) for i in members]
            if self.errors.tilt > 0:
                slots += [(int(i), dyes + 3) for i in members]
            result.append(slots)
        return tuple(result)


class Measurement(NamedTuple):
    """One measurement: values, and the matrix or weights that whiten its residuals."""

    values: FloatArray
    whiten: FloatArray  # (36,) for a spectrum (0 where not measured), (3, 3) for Lab


def readings_of(problem: Problem) -> list[Measurement]:
    """Measurements in arrays, with their noise."""
    noise, (by_spectrum, by_lab) = problem.noise, problem.scale
    result = []
    for pour in problem.pours:
        if pour.spectrum is not None:
            values = np.array([np.nan if v is None else v for v in pour.spectrum])
            sd = noise.of_spectrum(values) * by_spectrum
            known = np.isfinite(values)
            whiten = np.where(known, 1.0 / np.where(known, sd, 1.0), 0.0)
            result.append(Measurement(np.where(known, values, 0.0), whiten))
            continue
        own = noise.lab**2 * np.eye(3) if pour.covariance is None else np.array(pour.covariance)
        total = (own + noise.model_lab**2 * np.eye(3)) * by_lab**2
        result.append(Measurement(np.array(pour.lab), np.linalg.inv(np.linalg.cholesky(total))))
    return result
