"""An illuminant by its spectrum, for use in place of a CIE name."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np

from shadematch.errors import ColourError, ShadematchError, SpectrumError
from shadematch.support.arrays import FloatArray
from shadematch.support.models import check_name, is_finite
from shadematch.support.readers import read_spectrum

__all__ = ["Illuminant", "Light", "check_spectrum"]

_LONGEST_NAME: Final = 200


@dataclass(frozen=True)
class Illuminant:
    """An illuminant given by its spectrum; usable wherever a CIE name is.

    Attributes
    ----------
    name
        Its name in results, 1 to 200 characters.
    wavelengths_nm
        Rising [nm], covering 400 to 700 nm in steps of at most 20 nm; 5 nm or less for lamps with
        lines.
    power
        Relative spectral power from 0 on, one value per wavelength, scaled to a maximum of 1.
        Interpolated linearly, and outside taken as the end value (CIE 15:2018, 7.2.3).

    Raises
    ------
    ColourError
        If it is not such a spectrum, or dark from 450 to 650 nm.
    """

    name: str
    wavelengths_nm: tuple[float, ...] = field(repr=False)
    power: tuple[float, ...] = field(repr=False)

    def __post_init__(self) -> None:
        if not isinstance(self.name, str) or not 0 < len(self.name.strip()) <= _LONGEST_NAME:
            raise ColourError(
                "needs a name",
                field="name",
                value=self.name,
                remedy=f"Give a text of 1 to {_LONGEST_NAME} letters",
            )
        check_name(self.name, "name", ColourError)
        x = _numbers(self.wavelengths_nm, "wavelengths_nm")
        power = _numbers(self.power, "power")
        check_spectrum(np.array(x), np.array(power), "wavelengths_nm", ColourError)
        # Without some visible light there is no white.
        seen = [p for at, p in zip(x, power, strict=True) if 450 <= at <= 650]
        if min(power) < 0 or max(seen) <= 0:
            raise ColourError(
                "must not be negative, nor dark from 450 to 650 nm",
                field="power",
                value=min(power),
                remedy="Give the measured power in any unit",
            )
        most = max(power)
        object.__setattr__(self, "wavelengths_nm", x)
        object.__setattr__(self, "power", tuple(p / most for p in power))

    @classmethod
    def from_csv(cls, path: str | os.PathLike[str], *, name: str | None = None) -> Illuminant:
        """From a file with lines of wavelength [nm] and power in any unit.

        The file is read as `shadematch.support.readers` says; `name` is by default that of the
        file.

        Raises
        ------
        ColourError, SpectrumError
            If the file or the spectrum can't be used.
        """
        try:
            called = os.path.basename(os.fspath(path)) if name is None else name  # noqa: PTH119
        except TypeError:
            raise SpectrumError(
                "is not a path", field="path", value=path, remedy="Check the name and the folder"
            ) from None
        rows = read_spectrum(path, what="its power in any unit")
        try:
            return cls(str(called), tuple(r[0] for r in rows), tuple(r[1] for r in rows))
        except ColourError as found:
            if found.field == "name":
                raise
            # The fault is in the file.
            raise found.at(f"{path}, {found.field}") from None

    def __str__(self) -> str:
        """Its name, marked as no CIE name."""
        return f"{self.name} (own spectrum)"

    def __format__(self, spec: str) -> str:
        """Formatted like its text."""
        return format(str(self), spec)


Light = str | Illuminant
"""A CIE name, or an `Illuminant`."""


def check_spectrum(x: FloatArray, y: FloatArray, field: str, error: type[ShadematchError]) -> None:
    """Refuse a spectrum unless x [nm] rises, covering 400 to 700 nm in steps of at most 20 nm."""
    if x.ndim != 1 or y.shape != x.shape:
        problem = "needs one value for each wavelength"
        value: object = f"{x.size} wavelengths, {y.size} values"
        remedy = "Give two lists of the same length"
    elif x.size < 2:
        problem, value = "has too few wavelengths", f"{x.size}"
        remedy = "It must cover 400 to 700 nm"
    elif not np.all(np.isfinite(x)) or np.any(np.diff(x) <= 0):
        problem, value = "wavelengths must be finite and rise", x.tolist()
        remedy = "Sort them, and leave out repeats"
    elif not np.all(np.isfinite(y)):
        problem, value = "has a value that is not a finite number", y[~np.isfinite(y)][0]
        remedy = f"Look at {x[~np.isfinite(y)][0]:g} nm"
    elif x[0] > 400 or x[-1] < 700:
        problem, value = "does not cover the visible range", f"{x[0]:g} to {x[-1]:g} nm"
        remedy = (
            "It must reach from 400 nm or less to 700 nm or more; "
            "where an instrument stops just short, repeat its end value (ASTM E308)"
        )
    elif np.diff(x).max() > 20:
        problem, value = "has a gap of more than 20 nm", f"after {x[np.argmax(np.diff(x))]:g} nm"
        remedy = "Measure at every 10 or 20 nm"
    else:
        return
    raise error(problem, field=field, value=value, remedy=remedy)


def _numbers(given: object, called: str) -> tuple[float, ...]:
    listed: tuple[Any, ...] = ()
    with contextlib.suppress(TypeError, ValueError):  # such as an array without a length
        listed = tuple(given) if isinstance(given, Iterable) else ()
    if listed and all(map(is_finite, listed)) and max(map(abs, listed)) < 1e9:
        return tuple(map(float, listed))
    raise ColourError(
        "must be finite numbers",
        field=called,
        value=given,
        remedy="Give a list such as [380, 390, ...]",
    )
