"""The wanted colour and where it came from."""

from __future__ import annotations

import functools
import os
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from scipy.optimize import brentq
from scipy.special import chdtr, chdtri

from shadematch.colour.colorimetry import (
    SRGB_WHITE,
    adapt,
    hex_to_srgb,
    lab_to_xyz,
    srgb_to_hex,
    srgb_to_xyz,
    xyz_to_lab,
    xyz_to_srgb,
)
from shadematch.colour.difference import delta_e
from shadematch.colour.illuminant import Light
from shadematch.colour.standards import WAVELENGTHS_NM, observation, onto_grid
from shadematch.errors import ColourError, SpectrumError
from shadematch.studio.view import View
from shadematch.support.arrays import BoolArray, FloatArray
from shadematch.support.models import expect, is_finite
from shadematch.support.readers import read_spectrum

__all__ = [
    "EDGE",
    "FARTHEST",
    "Covariance",
    "Target",
    "Triple",
    "as_target",
    "checked_covariance",
    "measured",
    "possible",
    "triple",
]

_SLACK: Final = (0.1, 0.01)
"""How far outside the solid of object colours (in XYZ) a measured colour may lie: a fixed part,
and a share of the colour's own size."""

Triple = tuple[float, float, float]
Covariance = tuple[Triple, Triple, Triple]

_LEVEL: Final = 0.9
EDGE: Final = float(np.sqrt(chdtri(3, 1.0 - _LEVEL)))
"""Standard deviations to the ellipsoid that holds a normal colour with a probability of 90 %."""
FARTHEST: Final = 1e4
"""Beyond any colour, in CIELAB; keeps what is computed from it finite."""
_LARGEST_VARIANCE: Final = 1e6
"""Of L*, a* or b*: far beyond any colour; keeps bounds finite."""
_DIRECTIONS: Final = 600


@dataclass(frozen=True)
class Target:
    """A wanted colour.

    Make one with `from_hex`, `from_srgb`, `from_lab`, `from_xyz` or `from_reflectance`; from a
    photo with `shadematch.read_photo`.

    Attributes
    ----------
    lab
        CIELAB relative to the white of `illuminant` and `observer`.
    illuminant, observer
        The light in which the colour is meant.
    source
        Where it came from, in words.
    reflectance
        Radiance factor, shape (36,), if it was measured; then the colour is known in any light.
    covariance
        How well `lab` is known: its covariance, 3 x 3, under the same illuminant and observer.
        None if it is taken as exact.
    """

    lab: Triple
    illuminant: Light = "D65"
    observer: str = "2"
    source: str = "given as Lab"
    reflectance: FloatArray | None = field(default=None, repr=False, compare=False)
    covariance: Covariance | None = field(default=None, repr=False)

    def __post_init__(self) -> None:
        lab = _triple(self.lab, "lab")
        if np.abs(lab).max() > FARTHEST:
            raise ColourError(
                "is no colour",
                field="lab",
                value=self.lab,
                remedy="L* runs to 100, a* and b* to some hundreds",
            )
        observation(self.illuminant, self.observer)
        expect(self.source, str, "source", "Say in words where it came from")
        if self.reflectance is not None:
            object.__setattr__(self, "reflectance", _spectrum(self.reflectance))
        if self.covariance is not None:
            object.__setattr__(self, "covariance", checked_covariance(self.covariance))

    @classmethod
    def from_hex(cls, code: str) -> Target:
        """From an sRGB code such as ``#d9822b``.

        Raises
        ------
        ColourError
            If the text is no such code.
        """
        rgb = hex_to_srgb(code)
        return cls._of_srgb(rgb, f"the sRGB colour {srgb_to_hex(rgb)}")

    @classmethod
    def from_srgb(cls, rgb: Sequence[float]) -> Target:
        """From sRGB components, each 0 to 1.

        Raises
        ------
        ColourError
            If there are not three, or one is out of range.
        """
        values = _triple(rgb, "srgb")
        if values.min() < 0 or values.max() > 1:
            raise ColourError(
                "components must lie between 0 and 1",
                field="srgb",
                value=tuple(values.tolist()),
                remedy="Divide 8-bit values by 255",
            )
        shown = ", ".join(f"{v:g}" for v in values)
        return cls._of_srgb(values, f"the sRGB colour ({shown})")

    @classmethod
    def from_csv(cls, path: str | os.PathLike[str]) -> Target:
        """From a file with lines of wavelength [nm] and reflectance, 0 to 1.

        Raises
        ------
        SpectrumError
            If the file or the spectrum can't be used; the line is named where one is at fault.
        """
        rows = read_spectrum(path)
        try:
            return cls.from_reflectance([r[0] for r in rows], [r[1] for r in rows])
        except SpectrumError as found:
            at = next((line for _, value, line in rows if value == found.value), None)
            raise SpectrumError(
                found.problem,
                field=f"{path}, line {at}" if at else str(path),
                value=found.value,
                remedy=found.remedy,
            ) from None

    @classmethod
    def _of_srgb(cls, rgb: FloatArray, source: str) -> Target:
        return cls(triple(xyz_to_lab(srgb_to_xyz(rgb), SRGB_WHITE)), source=source)

    @classmethod
    def from_lab(
        cls,
        lab: Sequence[float],
        *,
        illuminant: Light = "D65",
        observer: str = "2",
        covariance: Sequence[Sequence[float]] | None = None,
    ) -> Target:
        """From CIELAB relative to the white of an illuminant and observer.

        Print and photo software mostly gives Lab under ``"D50"``.

        Parameters
        ----------
        lab
            L*, a*, b*.
        illuminant, observer
            The light in which the colour is meant.
        covariance
            How well it is known, 3 x 3; by default it is taken as exact.

        Raises
        ------
        ColourError
            If it isn't three finite numbers, no surface can have that colour, or the covariance
            is none.
        """
        values = _triple(lab, "lab")
        if not 0 <= values[0] <= 100:
            raise ColourError(
                "L* must lie between 0 and 100",
                field="lab",
                value=tuple(values.tolist()),
                remedy="Give L*, a*, b* in this order",
            )
        white = observation(illuminant, observer).white
        _check_real(lab_to_xyz(values, white), illuminant, observer, "lab", values)
        shown = ", ".join(f"{v:g}" for v in values)
        known = None if covariance is None else checked_covariance(covariance)
        source = f"Lab ({shown})"
        return cls(triple(values), illuminant, observer, source, covariance=known)

    @classmethod
    def from_xyz(
        cls, xyz: Sequence[float], *, illuminant: Light = "D65", observer: str = "2"
    ) -> Target:
        """From tristimulus values with Y = 100 for the perfect diffuser.

        Raises
        ------
        ColourError
            If it isn't three finite numbers, or no surface can have that colour.
        """
        values = _triple(xyz, "xyz")
        white = observation(illuminant, observer).white
        _check_real(values, illuminant, observer, "xyz", values)
        lab = xyz_to_lab(values, white)
        shown = ", ".join(f"{v:g}" for v in values)
        return cls(triple(lab), illuminant, observer, f"XYZ ({shown})")

    @classmethod
    def from_reflectance(
        cls, wavelengths_nm: Sequence[float], reflectance: Sequence[float]
    ) -> Target:
        """From a measured spectrum.

        Parameters
        ----------
        wavelengths_nm
            Rising [nm], covering 400 to 700 nm in steps of at most 20 nm.
        reflectance
            Radiance factors, 0 to 1 (not percent), gloss left out.

        Raises
        ------
        SpectrumError
            If the spectrum can't be used.
        """
        x, y = measured(wavelengths_nm, reflectance, "reflectance")
        grid = onto_grid(x, y, field="reflectance")
        if y.min() < 0:
            raise SpectrumError(
                "must lie between 0 and 1",
                field="reflectance",
                value=float(y.min()),
                remedy="Measure the dark correction anew, or set small negatives to 0",
            )
        if y.max() > 1:
            raise SpectrumError(
                "must lie between 0 and 1",
                field="reflectance",
                value=float(y.max()),
                remedy="Divide percentages by 100",
            )
        seen = observation()
        lab = xyz_to_lab(seen.weights @ grid, seen.white)
        return cls(triple(lab), source="a measured reflectance", reflectance=grid)

    def lab_in(self, view: View) -> FloatArray:
        """CIELAB under a view, relative to its white; shape (3,).

        A measured spectrum is computed anew for the view's light. Any other colour is taken to
        the same appearance under the view's white by linear Bradford adaptation, if the lights
        differ: an estimate, since the colour is known in one light only.
        """
        expect(view, View, "view", "Use View(...)")
        seen = view.observation
        if self.reflectance is not None:
            return xyz_to_lab(seen.weights @ self.reflectance, seen.white)
        if (self.illuminant, self.observer) == (view.illuminant, view.observer):
            return np.array(self.lab)
        white = observation(self.illuminant, self.observer).white
        xyz = lab_to_xyz(np.array(self.lab), white)
        return xyz_to_lab(adapt(xyz, white, seen.white), seen.white)

    @functools.cached_property
    def radius(self) -> float:
        """The CIEDE2000 within which the true colour lies with a probability of 90 %.

        The true colour is taken to be normally distributed about `lab` with `covariance`; 0 if
        there is none. CIEDE2000 is taken to grow in proportion along each of 600 directions, at
        the pace it has on the ellipsoid that holds 90 %.
        """
        if self.covariance is None:
            return 0.0
        values, axes = np.linalg.eigh(np.array(self.covariance))
        spread = axes * np.sqrt(np.maximum(values, 0.0))
        # A golden spiral: directions evenly spread over the sphere, the same ones every time.
        k = np.arange(_DIRECTIONS) + 0.5
        up, turn = 1 - 2 * k / _DIRECTIONS, np.pi * (1 + np.sqrt(5)) * k
        flat = np.sqrt(1 - up**2)
        out = np.stack([flat * np.cos(turn), flat * np.sin(turn), up], axis=-1)
        lab = np.array(self.lab)
        pace = delta_e(lab, lab + EDGE * out @ spread.T) / EDGE
        if pace.max() <= 0:
            return 0.0
        pace = np.maximum(pace, 1e-9 * pace.max())

        def inside(radius: float) -> float:
            return float(np.mean(chdtr(3, (radius / pace) ** 2))) - _LEVEL

        return float(brentq(inside, 0.0, EDGE * pace.max(), xtol=1e-9))

    @property
    def hex(self) -> str:
        """Nearest sRGB code."""
        return srgb_to_hex(self._srgb[0])

    @property
    def in_srgb(self) -> bool:
        """Whether the code shows the colour without clipping."""
        return bool(self._srgb[1])

    @property
    def _srgb(self) -> tuple[FloatArray, BoolArray]:
        white = observation(self.illuminant, self.observer).white
        return xyz_to_srgb(lab_to_xyz(np.array(self.lab), white), white)

    def __str__(self) -> str:
        """In plain words."""
        known = "" if self.covariance is None else f", known to CIEDE2000 {self.radius:.1f} (90 %)"
        return f"{self.source}, {self.illuminant}/{self.observer} degrees{known}"


def as_target(value: object) -> Target:
    """A target, the one that a hex code stands for, or the `target` of what was read in a photo.

    Raises
    ------
    ColourError
        For anything else.
    """
    if isinstance(value, Target):
        return value
    if isinstance(value, str):
        return Target.from_hex(value)
    if isinstance(held := getattr(value, "target", None), Target):
        return held
    raise ColourError(
        "is neither a Target nor a hex colour",
        field="target",
        value=value,
        remedy="Use Target.from_lab, from_xyz or from_reflectance",
    )


def possible(target: Target) -> Target:
    """The same target, once it is found that a surface can have its colour.

    One that is known with a covariance may lie as far outside the solid of object colours as
    three standard deviations reach.

    Raises
    ------
    ColourError
        If no surface can have it, or it is not the colour of its own spectrum.
    """
    lab, seen = np.array(target.lab), observation(target.illuminant, target.observer)
    if target.reflectance is not None:
        if np.abs(xyz_to_lab(seen.weights @ target.reflectance, seen.white) - lab).max() > 1e-3:
            raise ColourError(
                "is not the colour of the spectrum",
                field="lab",
                value=target.lab,
                remedy="Use Target.from_reflectance",
            )
        return target
    xyz, reach = lab_to_xyz(lab, seen.white), np.zeros((3, 3))
    if target.covariance is not None:
        values, axes = np.linalg.eigh(np.array(target.covariance))
        ends = lab + (3.0 * axes * np.sqrt(np.maximum(values, 0.0))).T
        reach = lab_to_xyz(ends, seen.white) - xyz
    _check_real(xyz, target.illuminant, target.observer, "lab", lab, reach)
    return target


def measured(
    wavelengths_nm: Sequence[float] | FloatArray, values: Sequence[float] | FloatArray, field_: str
) -> tuple[FloatArray, FloatArray]:
    """Wavelengths and measured values as arrays, of whatever shapes they have.

    Raises
    ------
    SpectrumError
        If one is no list of numbers.
    """
    try:
        if any(
            isinstance(v, str | bool | np.str_ | np.bool_)
            for given in (wavelengths_nm, values)
            for v in given
        ):
            raise TypeError  # texts and truth values are no numbers
        return np.asarray(wavelengths_nm, dtype=float), np.asarray(values, dtype=float)
    except (TypeError, ValueError, OverflowError):
        raise SpectrumError(
            "must be two lists of numbers",
            field=field_,
            value=values,
            remedy="Give wavelengths and reflectances, without quotation marks",
        ) from None


def triple(values: FloatArray) -> Triple:
    """Three plain numbers of an array of shape (3,)."""
    return float(values[0]), float(values[1]), float(values[2])


def _triple(values: Sequence[float], field_: str) -> FloatArray:
    try:
        array = np.asarray(values, dtype=float)
        if not all(map(is_finite, values)):  # texts and truth values are no numbers
            array = np.empty(0)
    except (TypeError, ValueError, OverflowError):
        array = np.empty(0)
    if array.shape != (3,) or not np.all(np.isfinite(array)):
        raise ColourError(
            "needs three finite numbers",
            field=field_,
            value=values,
            remedy="Give all three as numbers, without quotation marks",
        )
    return array


def _spectrum(given: FloatArray) -> FloatArray:
    try:
        values = np.array(given, dtype=float)
    except (TypeError, ValueError, OverflowError):
        values = np.empty(0)
    values.setflags(write=False)
    if values.shape != WAVELENGTHS_NM.shape or not np.all((values >= 0) & (values <= 1)):
        raise ColourError(
            f"needs {WAVELENGTHS_NM.size} numbers from 0 to 1, or None",
            field="reflectance",
            value=given,
            remedy="Use Target.from_reflectance",
        )
    return values


def checked_covariance(given: Sequence[Sequence[float]] | FloatArray) -> Covariance:
    """A covariance of L*, a* and b*.

    Raises
    ------
    ColourError
        If it is none.
    """
    try:
        matrix = np.asarray(given, dtype=float)
    except (TypeError, ValueError, OverflowError):
        matrix = np.empty(0)
    size = float(np.abs(matrix).max(initial=0.0))
    if (
        matrix.shape != (3, 3)
        or not np.isfinite(size)
        or np.abs(matrix - matrix.T).max() > 1e-9 * size
        or np.linalg.eigvalsh(matrix).min() < -1e-9 * size
    ):
        raise ColourError(
            "is no covariance",
            field="covariance",
            value=given,
            remedy="Give a symmetric 3 x 3 matrix without negative eigenvalues",
        )
    if size > _LARGEST_VARIANCE:
        raise ColourError(
            "is larger than that of any colour",
            field="covariance",
            value=size,
            remedy=f"Give variances of L*, a*, b* up to {_LARGEST_VARIANCE:,g}; "
            "leave it out where it is not known",
        )
    return triple(matrix[0]), triple(matrix[1]), triple(matrix[2])


@functools.cache
def _solid(illuminant: Light, observer: str) -> tuple[FloatArray, FloatArray]:
    """Facet normals of the solid of object colours, and how far it reaches along them.

    The solid is the set of XYZ of all reflectances between 0 and 1 at the library's
    wavelengths: a zonotope, whose facets are spanned by pairs of weights.
    """
    weights = observation(illuminant, observer).weights
    first, second = np.triu_indices(weights.shape[1], 1)
    normals = np.cross(weights[:, first].T, weights[:, second].T)
    size = np.linalg.norm(normals, axis=1)
    normals = normals[size > 1e-9 * size.max()] / size[size > 1e-9 * size.max(), None]
    normals = np.concatenate([normals, -normals])
    return normals, np.maximum(normals @ weights, 0.0).sum(axis=1)


def _check_real(
    xyz: FloatArray,
    illuminant: Light,
    observer: str,
    field_: str,
    given: FloatArray,
    unsure: FloatArray | None = None,
) -> None:
    """Refuse what lies outside the solid by more than slack, and than `unsure`, rows of XYZ."""
    normals, reach = _solid(illuminant, observer)
    slack = _SLACK[0] + _SLACK[1] * float(np.linalg.norm(xyz))
    if unsure is not None:
        slack = slack + np.sqrt(((normals @ unsure.T) ** 2).sum(axis=1))
    if np.any(normals @ xyz > reach + slack):
        raise ColourError(
            "no surface can have this colour",
            field=field_,
            value=tuple(given.tolist()),
            remedy="Check the order, the signs and the light; L* runs to 100, Y to 100",
        )
