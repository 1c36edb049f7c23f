"""A paste and a base: the optical data that colours are computed from."""

from __future__ import annotations

from typing import Annotated, ClassVar, Final

from pydantic import Field, WithJsonSchema, field_validator

from shadematch.colour.standards import WAVELENGTHS_NM
from shadematch.errors import PaletteError, ShadematchError
from shadematch.studio.bend import LEAST_BEND, MOST_BEND, MOST_CROWDING
from shadematch.support.models import Frozen, Name, Number

__all__ = ["LARGEST_NUMBER", "Base", "Pigment"]

LARGEST_NUMBER: Final = 1e9
"""Far beyond any coefficient; keeps products finite."""

Spectrum = Annotated[
    tuple[Number, ...],
    # In files, at wavelengths of their own, a spectrum may have another length.
    WithJsonSchema(
        {
            "type": "array",
            "items": {"type": "number", "minimum": 0, "maximum": LARGEST_NUMBER},
            "minItems": 2,
        }
    ),
]


def _checked_spectrum(values: Spectrum | None, field: str) -> Spectrum | None:
    if values is None:
        return None
    if len(values) != WAVELENGTHS_NM.size:
        raise PaletteError(
            f"needs {WAVELENGTHS_NM.size} values, one each 10 nm from 380 to 730 nm",
            field=field,
            value=f"{len(values)} values",
            remedy="Use shadematch.colour.standards.onto_grid for other wavelengths",
        )
    worst = min(values) if min(values) < 0 else max(values)
    if worst < 0 or worst > LARGEST_NUMBER:
        raise PaletteError(
            "has a negative value" if worst < 0 else "has a value that is far too large",
            field=field,
            value=worst,
            remedy=f"Look at {WAVELENGTHS_NM[values.index(worst)]:g} nm",
        )
    return values


def _numbers(*spectra: Spectrum | None) -> list[list[float]]:
    return [[v + 0.0 for v in values or ()] for values in spectra]  # no -0.0, which is 0.0


class Base(Frozen):
    """Uncoloured soap.

    Attributes
    ----------
    absorption, scattering
        Absorption and reduced scattering [1/cm] at `WAVELENGTHS_NM`, 36 values each, from 0 on.
    crowding
        Of white base: its scattering in a blend goes as w exp(-crowding (w - 0.1)) with its
        fraction w (`shadematch.studio.bend`). -1 to 1; 0 is proportional. Ignored for clear base.
    """

    _error: ClassVar[type[ShadematchError]] = PaletteError
    absorption: Spectrum = Field(repr=False)
    scattering: Spectrum = Field(repr=False)
    crowding: Annotated[Number, Field(ge=-MOST_CROWDING, le=MOST_CROWDING)] = 0.0

    @field_validator("absorption", "scattering")
    @classmethod
    def _spectra(cls, values: Spectrum) -> Spectrum:
        checked = _checked_spectrum(values, "")
        assert checked is not None
        return checked

    @property
    def colour_numbers(self) -> list[list[float]]:
        """What its colour depends on: absorption, scattering, and crowding unless 0."""
        rest = ((self.crowding,),) if self.crowding else ()
        return _numbers(self.absorption, self.scattering, *rest)


class Pigment(Frozen):
    """One paste.

    Attributes
    ----------
    name
        Its name in doses: 1 to 200 characters, some of them visible.
    absorption
        [1/cm per (palette's unit / 100 g base)] at `WAVELENGTHS_NM`, 36 values from 0 on.
    scattering
        Reduced scattering in the same unit; None for a paste that does not scatter.
    bend
        k of the effective load c (1 + k) / (1 + k c) at a load c (`shadematch.studio.bend`)
        [100 g per palette's unit]. -0.05 to 10; 0 is proportional. Absorption and scattering are
        those at a load of 1.
    tube_size
        Paste in a full tube [palette's unit], 0.01 to 10,000; None if unknown.
    tube_price
        Price of a full tube in the studio's currency, 0 to 1e9; None if unknown.
    """

    _error: ClassVar[type[ShadematchError]] = PaletteError
    name: Name
    absorption: Spectrum = Field(repr=False)
    scattering: Spectrum | None = Field(default=None, repr=False)
    bend: Annotated[Number, Field(ge=LEAST_BEND, le=MOST_BEND)] = 0.0
    tube_size: Annotated[Number, Field(ge=0.01, le=10_000)] | None = None
    tube_price: Annotated[Number, Field(ge=0, le=1e9)] | None = None

    @field_validator("absorption", "scattering")
    @classmethod
    def _spectra(cls, values: Spectrum | None) -> Spectrum | None:
        return _checked_spectrum(values, "")

    @property
    def colour_numbers(self) -> list[list[float]]:
        """What its colour depends on: absorption, scattering, and bend unless 0."""
        rest = ((self.bend,),) if self.bend else ()
        return _numbers(self.absorption, self.scattering if self.scatters else None, *rest)

    @property
    def scatters(self) -> bool:
        """Whether it scatters at any wavelength."""
        return self.scattering is not None and max(self.scattering) > 0
