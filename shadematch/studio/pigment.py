"""A paste and a base, by what their colours rest on."""

from __future__ import annotations

from typing import Annotated, Any, ClassVar, Final, Literal

from pydantic import (
    Field,
    SerializerFunctionWrapHandler,
    WithJsonSchema,
    field_validator,
    model_serializer,
)

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
        Absorption and reduced scattering [1/cm] at `WAVELENGTHS_NM`, 36 values each, not
        negative.
    crowding
        Of white base: how its scattering falls behind its fraction w in a blend,
        w exp(-crowding (w - 0.1)); -1 to 1, 0 in proportion (`shadematch.studio.bend`). Means
        nothing for other bases.
    name
        Of one of a palette's further bases (`Palette.bases`); else empty.
    """

    _error: ClassVar[type[ShadematchError]] = PaletteError
    absorption: Spectrum = Field(repr=False)
    scattering: Spectrum = Field(repr=False)
    crowding: Annotated[Number, Field(ge=-MOST_CROWDING, le=MOST_CROWDING)] = 0.0
    name: Name | Literal[""] = ""

    @model_serializer(mode="wrap")
    def _told(self, own: SerializerFunctionWrapHandler) -> dict[str, Any]:
        # A name that it lacks, and that it scatters in proportion, as most do, are not told.
        return {
            n: v for n, v in own(self).items() if n not in ("crowding", "name") or v not in (0, "")
        }

    @field_validator("absorption", "scattering")
    @classmethod
    def _spectra(cls, values: Spectrum) -> Spectrum:
        checked = _checked_spectrum(values, "")
        assert checked is not None
        return checked

    @property
    def colour_numbers(self) -> list[list[float]]:
        """What its colour rests on: absorption, scattering, and crowding if there is any."""
        rest = ((self.crowding,),) if self.crowding else ()
        return _numbers(self.absorption, self.scattering, *rest)


class Pigment(Frozen):
    """One paste.

    Attributes
    ----------
    name
        What it is called in doses, in 1 to 200 letters, some of which show.
    absorption
        [1/cm per (paste in the palette's unit / 100 g base)] at `WAVELENGTHS_NM`, 36 values, not
        negative.
    scattering
        Reduced scattering in the same unit, or None for a paste that does not scatter.
    bend
        How its strength falls behind its load c, c (1 + bend) / (1 + bend c) in place of c, in
        100 g per the palette's unit; -0.05 to 10, 0 in proportion (`shadematch.studio.bend`).
        Absorption and scattering are those at a load of 1.
    tube_size
        Paste in a full tube [the palette's unit], 0.01 to 10,000; None if nobody entered it.
    tube_price
        Price of a full tube, in the studio's currency, up to a thousand million; None if not
        known.
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
        """What its colour rests on: absorption, scattering, and bend if it has any."""
        rest = ((self.bend,),) if self.bend else ()
        return _numbers(self.absorption, self.scattering if self.scatters else None, *rest)

    @property
    def scatters(self) -> bool:
        """Whether it scatters at any wavelength."""
        return self.scattering is not None and max(self.scattering) > 0
