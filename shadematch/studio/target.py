"""The wanted colour and where it came from."""

from __future__ import annotations

import functools
import os
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final, Protocol, runtime_checkable

import numpy as np

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
from shadematch.colour.illuminant import Light
from shadematch.colour.standards import WAVELENGTHS_NM, observation, onto_grid
from shadematch.errors import ColourError, SpectrumError
from shadematch.studio.covariance import Covariance, checked_covariance, radius
from shadematch.studio.surface_colours import check_real
from shadematch.studio.view import View, degrees
from shadematch.support.arrays import BoolArray, FloatArray, Triple, triple
from shadematch.support.charts import Curve, curves
from shadematch.support.models import expect, is_finite
from shadematch.support.readers import read_spectrum
from shadematch.support.report import Report, Reported, Row, Swatch

__all__ = ["FARTHEST", "HoldsTarget", "Target", "as_target", "measured"]

FARTHEST: Final = 1e4
"""Beyond any colour, in CIELAB. Keeps results finite."""
_FRACTION: Final = 1.5
"""A Y up to this is taken for one on a scale where white has 1."""


@dataclass(frozen=True)
class Target(Reported):
    """A wanted colour.

    Make one with `from_hex`, `from_srgb`, `from_lab`, `from_xyz`, `from_csv` or
    `from_reflectance`; from a photo with `shadematch.read_photo`.

    Attributes
    ----------
    lab
        CIELAB relative to the white of `illuminant` and `observer`.
    illuminant, observer
        The light in which the colour is wanted.
    source
        Where it came from, in words.
    reflectance
        Measured radiance factor, shape (36,), 0 to 1, or None. With it the colour is known in any
        light.
    covariance
        Covariance of `lab`, 3 x 3, under the same illuminant and observer; None: exact.

    Raises
    ------
    ColourError
        For numbers that are not a colour, a covariance or a light.
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
                "is not a colour",
                field="lab",
                value=self.lab,
                remedy="L* runs to 100, a* and b* to some hundreds",
            )
        object.__setattr__(self, "observer", degrees(self.observer))
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
            If the text is not such a code.
        """
        rgb = hex_to_srgb(code)
        return cls._of_srgb(rgb, f"the sRGB colour {srgb_to_hex(rgb)}")

    @classmethod
    def from_srgb(cls, rgb: Sequence[float]) -> Target:
        """From sRGB components, each 0 to 1.

        Raises
        ------
        ColourError
            If it isn't three numbers, or one is out of range.
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
            If the file or the spectrum can't be used; a faulty line is named.
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
        observer: str | int = 2,
        covariance: Sequence[Sequence[float]] | None = None,
    ) -> Target:
        """From CIELAB relative to the white of an illuminant and observer.

        Print and photo software mostly gives Lab under ``"D50"``.

        Parameters
        ----------
        lab
            L*, a*, b*.
        illuminant, observer
            The light in which the colour is wanted.
        covariance
            Of `lab`, 3 x 3; by default the colour is exact.

        Raises
        ------
        ColourError
            If it isn't three finite numbers, no surface can have that colour, or the covariance
            is not one.
        """
        values = _triple(lab, "lab")
        if not 0 <= values[0] <= 100:
            raise ColourError(
                "L* must lie between 0 and 100",
                field="lab",
                value=tuple(values.tolist()),
                remedy="Give L*, a*, b* in this order",
            )
        observer = degrees(observer)
        white = observation(illuminant, observer).white
        check_real(lab_to_xyz(values, white), illuminant, observer, "lab", values)
        shown = ", ".join(f"{v:g}" for v in values)
        known = None if covariance is None else checked_covariance(covariance)
        source = f"Lab ({shown})"
        return cls(triple(values), illuminant, observer, source, covariance=known)

    @classmethod
    def from_xyz(
        cls, xyz: Sequence[float], *, illuminant: Light = "D65", observer: str | int = 2
    ) -> Target:
        """From tristimulus values with Y = 100 for the perfect diffuser.

        Raises
        ------
        ColourError
            If it isn't three finite numbers, no surface can have that colour, or the values look
            like a scale where white has 1 (Y up to 1.5, X and Z up to 3); give a near-black as
            Lab.
        """
        values = _triple(xyz, "xyz")
        if values[1] <= _FRACTION and values.max() <= 2.0 * _FRACTION:
            raise ColourError(
                "seems to be on a scale of 0 to 1",
                field="xyz",
                value=tuple(values.tolist()),
                remedy="Multiply by 100, so that white has Y = 100; give a near-black as Lab",
            )
        observer = degrees(observer)
        white = observation(illuminant, observer).white
        check_real(values, illuminant, observer, "xyz", values)
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
            Radiance factors, 0 to 1 (not percent), without gloss.

        Raises
        ------
        SpectrumError
            If the spectrum can't be used.
        """
        x, y = measured(wavelengths_nm, reflectance, "reflectance")
        grid = onto_grid(x, y, field="reflectance")
        worst = float(y.min() if y.min() < 0 else y.max())
        if not 0 <= worst <= 1:
            raise SpectrumError(
                "must lie between 0 and 1",
                field="reflectance",
                value=worst,
                remedy="Divide percentages by 100"
                if worst > 1
                else "Measure the dark correction again, or set small negatives to 0",
            )
        seen = observation()
        lab = xyz_to_lab(seen.weights @ grid, seen.white)
        return cls(triple(lab), source="a measured reflectance", reflectance=grid)

    def lab_in(self, view: View) -> FloatArray:
        """CIELAB under a view, relative to its white; shape (3,).

        A measured spectrum is computed for the view's light. Any other colour is known in one
        light only; for another it is adapted by linear Bradford, which is an estimate.
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

    @property
    def target(self) -> Target:
        """Itself: a target can stand wherever something that has one can."""
        return self

    @functools.cached_property
    def radius(self) -> float:
        """The CIEDE2000 that the true colour stays within in 90 % of cases.

        It is taken as normally distributed about `lab` with `covariance`; 0 without one.
        """
        if self.covariance is None:
            return 0.0
        return radius(np.array(self.lab), self.covariance)

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

    def report(self) -> Report:
        """The colour, where it came from and how well it is known."""
        rows = [Row.colour("colour", self), Row("from", self.source)]
        rows.append(Row("light", f"{self.illuminant}, {self.observer} degrees"))
        if self.covariance is not None:
            rows.append(Row("known", f"to CIEDE2000 {self.radius:.1f}, nine times in ten"))
        drawn = [] if self.reflectance is None else [Curve("measured", self.reflectance.tolist())]
        places = WAVELENGTHS_NM.tolist()
        pictures = (curves(places, drawn, across_name="wavelength [nm]", up_name="reflectance"),)
        return Report(
            swatches=(Swatch.of(self, "wanted"),),
            pictures=pictures if drawn else (),
            rows=tuple(rows),
        )

    def __str__(self) -> str:
        """In plain words."""
        known = "" if self.covariance is None else f", known to CIEDE2000 {self.radius:.1f} (90 %)"
        return f"{self.source}, {self.illuminant}/{self.observer} degrees{known}"


@runtime_checkable
class HoldsTarget(Protocol):
    """What has a `Target`, such as a colour read in a photo; a `Target` has itself."""

    @property
    def target(self) -> Target:
        """The colour."""
        ...


def as_target(value: HoldsTarget | str) -> Target:
    """The target of a hex code, or of anything that has one; else a `ColourError`."""
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


def measured(
    wavelengths_nm: Sequence[float] | FloatArray, values: Sequence[float] | FloatArray, field_: str
) -> tuple[FloatArray, FloatArray]:
    """Wavelengths and values as arrays of any shape; a `SpectrumError` unless all are numbers."""
    try:
        if any(
            isinstance(v, str | bool | np.str_ | np.bool_)
            for given in (wavelengths_nm, values)
            for v in given
        ):
            raise TypeError  # NumPy would convert texts and booleans
        return np.asarray(wavelengths_nm, dtype=float), np.asarray(values, dtype=float)
    except (TypeError, ValueError, OverflowError):
        raise SpectrumError(
            "must be two lists of numbers",
            field=field_,
            value=values,
            remedy="Give wavelengths and reflectances, without quotation marks",
        ) from None


def _triple(values: Sequence[float], field_: str) -> FloatArray:
    try:
        array = np.asarray(values, dtype=float)
        if not all(map(is_finite, values)):  # NumPy would convert texts and booleans
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
