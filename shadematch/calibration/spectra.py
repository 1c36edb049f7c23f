"""The unknown spectra and their prior.

Absorption and scattering are fitted as logarithms, so that they stay positive. The prior of each
is a Gaussian process over wavelength: a roughly known level; for scattering a slope (a power law);
and smooth departures, with a Matern kernel of order 5/2 (C. E. Rasmussen, C. K. I. Williams,
*Gaussian Processes for Machine Learning* (2006), eq. 4.17). The numbers are in `BELIEFS`; they are
estimates, wide on purpose. They hardly matter where spectra were measured. Where only Lab was, they
select a smooth one of the many spectra of that Lab.

Bends of pastes and crowding of white base (`shadematch.studio.bend`) are single numbers, repeated
in rows of 36 so that all unknowns have one form; see `parameters`.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np

from shadematch.colour.standards import WAVELENGTHS_NM
from shadematch.studio.bend import LEAST_BEND, MOST_BEND, MOST_CROWDING
from shadematch.support.arrays import FloatArray, IntArray

__all__ = [
    "BELIEFS",
    "BEND_SHARED_SD",
    "LIMITS",
    "SLIGHT",
    "SpectrumPrior",
    "Unknown",
    "belief_covariance",
    "further_bases",
    "matern",
    "parameters",
    "unknown",
]

_WAVE: Final = WAVELENGTHS_NM / 550.0
_SLOPE: Final = np.log(_WAVE)
_NUGGET: Final = 0.02
"""Roughness [log units] that no kernel smooths away; keeps the precision matrix bounded."""


class SpectrumPrior(NamedTuple):
    """The prior of a kind of spectrum: standard deviations, and a length scale.

    Attributes
    ----------
    level_sd
        Of the level, in natural log units (of the logit for a backing, of R itself for an offset).
    slope_sd
        Of the exponent of the power law.
    shape_sd
        Of smooth departures.
    length_nm
        Length scale of these [nm].
    """

    level_sd: float
    slope_sd: float
    shape_sd: float
    length_nm: float


BELIEFS: Final[dict[str, SpectrumPrior]] = {
    "pigment absorption": SpectrumPrior(1.5, 0.0, 2.0, 80.0),
    "pigment scattering": SpectrumPrior(2.0, 0.7, 0.05, 150.0),
    "clear absorption": SpectrumPrior(1.0, 1.0, 0.7, 80.0),
    "clear scattering": SpectrumPrior(1.5, 0.5, 0.1, 150.0),
    "other absorption": SpectrumPrior(3.0, 1.0, 0.7, 80.0),
    "other scattering": SpectrumPrior(3.0, 0.5, 0.1, 150.0),
    "base absorption": SpectrumPrior(1.5, 3.0, 1.0, 80.0),
    "base scattering": SpectrumPrior(1.5, 0.5, 0.1, 150.0),
    "white absorption": SpectrumPrior(1.0, 1.0, 0.7, 80.0),
    "white scattering": SpectrumPrior(1.0, 0.4, 0.05, 150.0),
    "backing": SpectrumPrior(0.15, 0.0, 0.03, 150.0),
    "film backing": SpectrumPrior(0.5, 0.3, 0.1, 150.0),
    "film offset": SpectrumPrior(0.015, 0.0, 0.002, 150.0),
    "film surface": SpectrumPrior(0.5, 0.0, 0.02, 150.0),
    "film glass": SpectrumPrior(0.1, 0.0, 0.003, 150.0),
    "film crowding": SpectrumPrior(0.25, 0.0, 0.03, 150.0),
    "paste bend": SpectrumPrior(0.058, 0.0, 0.0, 150.0),
    "white crowding": SpectrumPrior(0.3, 0.0, 0.0, 150.0),
    "edge loss": SpectrumPrior(0.1, 0.0, 0.0, 150.0),
    "gloss offset": SpectrumPrior(0.03, 0.0, 0.001, 150.0),
}
"""Base: of one of a palette's further bases, around clear base: a fragrance with vanilla browns it
(common practice, no source), so that its absorption may rise far, and steeply towards the blue.
Pigment absorption: about as smooth as that of measured coloured surfaces, the samples of CIE
224:2017 (`tests/calibration/test_spectra.py`).
Backing: of the logit of its reflectance, which for films may have been measured bare.
Offset, gloss: what the instrument lets in of the reflection at the surface, or takes off too much.
Surface: of the logit of a radiance factor. Saunderson's correction with 4 % outside and 60 %
inside is a shift by 0.92 and a loss of 4 %, so that readings that were freed of their surface
beforehand, or surfaces that reflect otherwise inside, are of this form.
Glass: of the log of a transmittance, which may have been read against a cell of solvent.
Crowding: of the log of what is lost of a colourant's scattering at the largest load measured,
where its particles lie close (S. Fitzwater, J. W. Hook, J. Coat. Technol. 57 (721) (1985) 39).
Edge loss: a number [1/cm], of the light that comes back from the backing through a layer X thick
exp(-loss X) is read; the rest leaves by the sides, out of the instrument's sight.
Bend and crowding of white base: numbers, no logs; of a bend `BEND_SHARED_SD` is common to all."""

LIMITS: Final[dict[str, tuple[float, float]]] = {
    "paste bend": (LEAST_BEND, MOST_BEND),
    "white crowding": (-MOST_CROWDING, MOST_CROWDING),
    "edge loss": (-0.2, 1.0),
    "gloss offset": (-0.02, 0.06),
    "film offset": (-0.02, 0.06),
    "film surface": (-1.5, 1.5),
}
"""Limits of unknowns. Strength must rise with the dose; gloss is 4 % of the light at an index of
1.5, all of it or none; Saunderson's correction is 0.92 in either direction."""

SLIGHT: Final = 0.2
"""Size of negligible numbers, as a multiple of the usual size; see `Unknown.level`."""

BEND_SHARED_SD: Final = 0.05
"""Standard deviation of the common part of the bends of all pastes of a studio (estimate); each has
0.03 of its own. The same for doses in g and cm, since a centimetre of paste weighs 1 to 1.5 g
(common practice, no source). A bend of 0.06 makes a paste a fifth weaker at 4 per 100 g than in
proportion to small loads."""

_MEANS: Final[dict[str, FloatArray]] = {
    # [1/cm]; the level of pigments comes from the loads that were poured.
    "clear absorption": np.log(0.004 + 0.004 * _WAVE**-6),
    "clear scattering": np.log(0.006 * _WAVE**-1.1),
    "base absorption": np.log(0.004 + 0.004 * _WAVE**-6),
    "base scattering": np.log(0.006 * _WAVE**-1.1),
    "other absorption": np.log(np.full(WAVELENGTHS_NM.size, 0.01)),
    "other scattering": np.log(0.01 * _WAVE**-1.0),
    "white absorption": np.log(0.008 + 0.016 * _WAVE**-6),
    "white scattering": np.log(20.0 * _WAVE**-1.1),
}


class Unknown(NamedTuple):
    """One unknown spectrum.

    Attributes
    ----------
    of
        ``"clear"``, ``"white"``, the name of a further base or of a pigment, or the key of a
        backing.
    kind
        A key of `BELIEFS`.
    mean
        Mean of the prior, shape (36,).
    level
        For a backing: mean logit of its stated reflectance. For crowding of films: the largest
        load measured. For a bend or white's crowding: its prior size, as a multiple of that in
        `BELIEFS`.
    """

    of: str
    kind: str
    mean: FloatArray
    level: float = 0.0

    @property
    def what(self) -> str:
        """Last word of its kind, such as ``"absorption"``, ``"backing"`` or ``"offset"``."""
        return self.kind.rsplit(" ", 1)[-1]

    @property
    def number(self) -> bool:
        """Whether it is one number, not a spectrum."""
        return self.kind in ("paste bend", "white crowding", "edge loss")

    @property
    def of_clear(self) -> bool:
        """Whether it is what clear base absorbs."""
        return self.kind in ("clear absorption", "other absorption")

    @property
    def of_base(self) -> bool:
        """Whether it is of a base; a colourant may have the same name."""
        return self.kind.split(" ")[0] in ("clear", "other", "white", "base")


def further_bases(unknowns: Sequence[Unknown]) -> tuple[str, ...]:
    """Names of the bases beside clear and white that are sought, in order."""
    return tuple(u.of for u in unknowns if u.kind == "base absorption")


def matern(length_nm: float) -> FloatArray:
    """Matern kernel of order 5/2 between the library's wavelengths, shape (36, 36)."""
    r = np.sqrt(5.0) * np.abs(WAVELENGTHS_NM[:, None] - WAVELENGTHS_NM) / length_nm
    return np.asarray((1.0 + r + r * r / 3.0) * np.exp(-r))


def belief_covariance(belief: SpectrumPrior) -> FloatArray:
    """Prior covariance of a spectrum, shape (36, 36)."""
    size = WAVELENGTHS_NM.size
    nugget = min(_NUGGET, 0.1 * belief.shape_sd)
    return np.asarray(
        belief.level_sd**2
        + belief.slope_sd**2 * np.outer(_SLOPE, _SLOPE)
        + belief.shape_sd**2 * matern(belief.length_nm)
        + nugget**2 * np.eye(size)
    )


def parameters(unknowns: Sequence[Unknown]) -> IntArray:
    """Positions of the free numbers in the concatenated rows of all unknowns, rising.

    A spectrum has 36 of them; a number has one, repeated 36 times.
    """
    size = WAVELENGTHS_NM.size
    places = [np.arange(1 if u.number else size) + k * size for k, u in enumerate(unknowns)]
    return np.concatenate(places)


def unknown(of: str, kind: str, typical: float = 1.0, level: float = 0.0) -> Unknown:
    """An unknown spectrum with its prior level.

    `typical` is, for pigments, the usual product of load and thickness; the prior level makes a
    good part of the light meet absorption or scattering there. For the others see `Unknown`;
    `level` is 1 by default for a bend and for white's crowding.
    """
    if kind in _MEANS:
        mean = _MEANS[kind]
    elif kind == "pigment absorption":
        mean = np.full(WAVELENGTHS_NM.size, np.log(0.4 / typical))
    elif kind == "pigment scattering":
        mean = np.log(1.0 / typical * _WAVE**-1.0)
    else:
        mean = np.zeros(WAVELENGTHS_NM.size)
    found = Unknown(of, kind, mean.copy(), level)
    return found._replace(level=1.0) if found.number and level == 0.0 else found
