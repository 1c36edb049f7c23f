"""An illuminant by its spectrum, for use in place of a CIE name."""

from __future__ import annotations

import contextlib
import itertools
import os
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, Final

from shadematch.errors import ColourError, SpectrumError
from shadematch.support.models import check_name, is_finite
from shadematch.support.readers import read_spectrum

__all__ = ["Illuminant", "Light"]

_LONGEST_NAME: Final = 200
_WIDEST_STEP_NM: Final = 20.0


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
        if len(x) != len(power):
            raise ColourError(
                "needs one value for each wavelength",
                field="power",
                value=f"{len(x)} wavelengths, {len(power)} values",
                remedy="Give two lists of the same length",
            )
        steps = [after - before for before, after in itertools.pairwise(x)]
        if not steps:
            raise ColourError(
                "has one wavelength only",
                field="wavelengths_nm",
                value=x[0],
                remedy="Measure from 400 to 700 nm at every 5 or 10 nm",
            )
        if min(steps) <= 0 or max(steps) > _WIDEST_STEP_NM:
            raise ColourError(
                "wavelengths must rise, by at most 20 nm",
                field="wavelengths_nm",
                value=min(steps) if min(steps) <= 0 else max(steps),
                remedy="Sort them, leave out repeats, measure at every 5 or 10 nm",
            )
        if x[0] > 400 or x[-1] < 700:
            raise ColourError(
                "does not cover the visible range",
                field="wavelengths_nm",
                value=f"{x[0]:g} to {x[-1]:g} nm",
                remedy="It must reach from 400 nm or less to 700 nm or more",
            )
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
