"""Palettes: the pastes and bases that a studio has on its shelf.

Palettes are JSON files::

    {"format": "shadematch palette", "version": 1, "note": "...", "unit": "cm",
     "wavelengths_nm": [380, 390, ...],
     "pigments": [{"name": "...", "absorption": [...], "scattering": null,
                   "tube_size": 87, "tube_price": 9.5}, ...],
     "clear": {"absorption": [...], "scattering": [...]},
     "white": {"absorption": [...], "scattering": [...]}}

`unit` is cm or g: of every dose, and of `tube_size`; cm where it is left out. `tube_size` and
`tube_price` are null where nobody entered them. Any rising wavelengths will do that cover 400 to
700 nm with steps of at most 20 nm; they are brought onto the library's own.
"""

from __future__ import annotations

import functools
import hashlib
import json
import os
from collections.abc import Mapping, Sequence
from importlib import resources
from typing import Any, ClassVar, Final, Self, TypeVar

import numpy as np
from pydantic import Field, model_validator

from shadematch.colour.standards import WAVELENGTHS_NM, onto_grid
from shadematch.errors import PaletteError, ShadematchError, SpectrumError, UnknownNameError
from shadematch.studio.pigment import LARGEST_NUMBER, Base, Pigment
from shadematch.studio.uncertainty import PaletteUncertainty
from shadematch.studio.unit import Unit
from shadematch.support.arrays import FloatArray
from shadematch.support.files import checked_envelope, parse_json, read_text, write_json
from shadematch.support.models import Frozen, expect, is_finite, shape_of
from shadematch.support.spelling import did_you_mean

__all__ = ["FORMAT", "VERSION", "Palette", "load_palette"]

FORMAT: Final = "shadematch palette"
VERSION: Final = 1
_T = TypeVar("_T")


def fingerprint_of(numbers: Mapping[str, Any]) -> str:
    """The first 48 bits of SHA-256 (FIPS 180-4) over JSON with sorted keys and no blanks."""
    text = json.dumps(numbers, sort_keys=True, separators=(",", ":"), allow_nan=False)
    code = hashlib.sha256(text.encode("ascii")).hexdigest()
    return "-".join(code[i : i + 4] for i in (0, 4, 8))


class Palette(Frozen):
    """The pastes and the two bases of a studio.

    Attributes
    ----------
    pigments
        One to eight, each name once.
    clear, white
        The two bases; a blend mixes them by mass.
    unit
        Of every dose: ``"cm"`` squeezed out or ``"g"`` weighed. Loads are in it per 100 g of
        base, and so are a pour's load limit and dose step.
    note
        Where the data come from.
    uncertainty
        What is not known of it, as a calibration leaves it (or `known_to` states it); None where
        nothing is said of it.
    """

    _error: ClassVar[type[ShadematchError]] = PaletteError
    pigments: tuple[Pigment, ...]
    clear: Base
    white: Base
    unit: Unit = "cm"
    note: str = ""
    uncertainty: PaletteUncertainty | None = Field(default=None, repr=False)

    @model_validator(mode="after")
    def _names(self) -> Self:
        if not self.pigments:
            raise PaletteError(
                "has no pigments", field="pigments", value=[], remedy="Give at least one"
            )
        if len(self.pigments) > 8:
            raise PaletteError(
                "has more than eight pigments",
                field="pigments",
                value=len(self.pigments),
                remedy="Leave some out",
            )
        names = [p.name for p in self.pigments]
        twice = sorted({n for n in names if names.count(n) > 1})
        if twice:
            raise PaletteError(
                "a name appears twice",
                field="pigments",
                value=twice[0],
                remedy="Rename one of them",
            )
        shapes = [shape_of(n) for n in names]
        alike = [n for n, shape in zip(names, shapes, strict=True) if shapes.count(shape) > 1]
        if alike:
            raise PaletteError(
                "two names look the same",
                field="pigments",
                value=tuple(alike),
                remedy="Rename one of them, so that a sheet tells them apart",
            )
        return self

    @model_validator(mode="after")
    def _speaks_of_all(self) -> Self:
        if self.uncertainty is not None:
            self.uncertainty.check_speaks_of(len(self.pigments))
        return self

    @property
    def names(self) -> tuple[str, ...]:
        """The pigments' names in order."""
        return tuple(p.name for p in self.pigments)

    @property
    def fingerprint(self) -> str:
        """Short for the numbers that make its colours, such as ``"1f0a-93b2-77c4"``.

        The first 48 bits of SHA-256 (FIPS 180-4) over names, absorptions and scatterings, and the
        unit if it is not cm. Order, prices, tubes and the note play no part.
        """
        unit = {} if self.unit == "cm" else {"unit": self.unit}
        return fingerprint_of(
            unit
            | {
                "pigments": {p.name: p.colour_numbers for p in self.pigments},
                "clear": self.clear.colour_numbers,
                "white": self.white.colour_numbers,
            }
        )

    def __getitem__(self, name: str) -> Pigment:
        """The pigment of that name."""
        return self.pigments[self.index(name)]

    def index(self, name: str) -> int:
        """Position of a pigment; upper and lower case are alike where that names one only.

        Raises
        ------
        UnknownNameError
            If the palette has none of that name.
        """
        place = self._place(name)
        if place is not None:
            return place
        shape = shape_of(name) if isinstance(name, str) else None
        alike = [n for n in self.names if shape_of(n) == shape]
        raise UnknownNameError(
            "the palette has no such pigment",
            field="pigment",
            value=name,
            remedy=f"Its {alike[0]} looks the same and is spelt with other characters: copy it"
            if alike
            else f"{did_you_mean(name, self.names)}It has {', '.join(self.names)}",
        )

    def _place(self, name: object) -> int | None:
        if not isinstance(name, str):
            return None
        if name in self.names:
            return self.names.index(name)
        low = name.casefold()
        same = [at for at, own in enumerate(self.names) if own.casefold() == low]
        return same[0] if len(same) == 1 else None

    def __contains__(self, name: object) -> bool:
        """Whether it has a pigment of this name, as `index` finds it."""
        return self._place(name) is not None

    def named(self, given: Mapping[str, _T]) -> dict[str, _T]:
        """What is given by names of pigments, under the palette's own spelling of them.

        Raises
        ------
        UnknownNameError
            If the palette has none of a name, or one is given twice.
        PourError
            If it is no mapping.
        """
        expect(given, Mapping, "given", "Give names and values, such as {'gorse': 2}")
        named: dict[str, _T] = {}
        for name, value in given.items():
            own = self.names[self.index(name)]
            if own in named:
                raise UnknownNameError(
                    "appears twice", field="pigment", value=name, remedy="Give each pigment once"
                )
            named[own] = value
        return named

    def only(self, *names: str) -> Palette:
        """The same bases with just these pigments, in the palette's order."""
        kept = self._places(names)
        return self._of([i for i in range(len(self.pigments)) if i in kept])

    def without(self, *names: str) -> Palette:
        """The same bases with these pigments left out."""
        gone = self._places(names)
        return self._of([i for i in range(len(self.pigments)) if i not in gone])

    def known_to(self, strength: float | Mapping[str, float]) -> Palette:
        """The same, its pastes' strengths known to a share each, one for all or by name.

        A relative standard deviation, 0 to 1: tubes differ by 0.1 (common practice, no source).
        """
        if isinstance(strength, Mapping):
            self._places(tuple(strength))
        known = PaletteUncertainty.of_strengths(self.names, strength)
        return Palette(**{**dict(self), "uncertainty": known})

    def _places(self, names: Sequence[str]) -> set[int]:
        for name in names:
            if not isinstance(name, str):
                raise UnknownNameError(
                    "is no name",
                    field="pigment",
                    value=name,
                    remedy="Give names one after the other, such as 'gorse', 'dusk'; "
                    "put a * before a list of them",
                )
        return {self.index(name) for name in names}

    def _of(self, places: Sequence[int]) -> Palette:
        known = self.uncertainty
        fewer = {"pigments": tuple(self.pigments[i] for i in places)}
        more = {} if known is None else {"uncertainty": known.of(places)}
        return Palette(**{**dict(self), **fewer, **more})

    def blend(self, white: float) -> tuple[FloatArray, FloatArray]:
        """Absorption and reduced scattering [1/cm] of a base with white fraction 0 to 1.

        Raises
        ------
        PaletteError
            If it is no number from 0 to 1.
        """
        if not is_finite(white) or not 0 <= white <= 1:
            raise PaletteError(
                "must be a number from 0 to 1",
                field="white",
                value=white,
                remedy="It is a fraction by mass",
            )
        clear, opaque = self.clear, self.white
        mix = [
            (1.0 - white) * np.asarray(c) + white * np.asarray(w)
            for c, w in (
                (clear.absorption, opaque.absorption),
                (clear.scattering, opaque.scattering),
            )
        ]
        return mix[0], mix[1]

    def to_dict(self) -> dict[str, Any]:
        """What `save` writes."""
        unsaid = {"uncertainty"} if self.uncertainty is None else set()
        return {
            "format": FORMAT,
            "version": VERSION,
            "note": self.note,
            "wavelengths_nm": WAVELENGTHS_NM.tolist(),
            **self.model_dump(mode="json", exclude={"note", *unsaid}),
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Palette:
        """A palette from what `to_dict` gives, or from a file's content.

        Raises
        ------
        PaletteError
            Naming the first entry that is wrong.
        """
        rest = checked_envelope(data, FORMAT, VERSION, error=PaletteError)
        grid = rest.pop("wavelengths_nm", None)
        if not isinstance(grid, list) or not all(_is_number(v) for v in grid):
            raise PaletteError(
                "must be a list of numbers", field="wavelengths_nm", value=grid, remedy="In nm"
            )
        try:
            onto_grid(np.asarray(grid, float), np.zeros(len(grid)), field="wavelengths_nm")
        except SpectrumError as found:
            raise PaletteError(
                found.problem, field=found.field, value=found.value, remedy=found.remedy
            ) from None
        for field in ("clear", "white"):
            if isinstance(rest.get(field), Mapping):
                rest[field] = _regridded(rest[field], grid, field)
        pigments = rest.get("pigments")
        if isinstance(pigments, list):
            rest["pigments"] = tuple(
                _regridded(p, grid, f"pigments.{i}") if isinstance(p, Mapping) else p
                for i, p in enumerate(pigments)
            )
        return cls(**rest)

    def save(self, path: str | os.PathLike[str]) -> None:
        """Write the palette as JSON; the old file stays whole until the new one is.

        Raises
        ------
        PaletteError
            If the place can't be written.
        """
        write_json(path, self.to_dict(), error=PaletteError)


def _is_number(value: object) -> bool:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    return isinstance(value, float) or abs(value) < LARGEST_NUMBER


def _regridded(entry: Mapping[str, Any], grid: list[float], where: str) -> dict[str, Any]:
    result = dict(entry)
    for key in ("absorption", "scattering"):
        values = result.get(key)
        if values is None:
            continue
        field = f"{where}.{key}"
        if not isinstance(values, list) or not all(_is_number(v) for v in values):
            raise PaletteError(
                "must be a list of numbers",
                field=field,
                value=values,
                remedy="One for each wavelength",
            )
        try:
            onto = onto_grid(np.asarray(grid, float), np.asarray(values, float), field=field)
        except SpectrumError as found:
            raise PaletteError(
                found.problem, field=field, value=found.value, remedy=found.remedy
            ) from None
        result[key] = tuple(onto.tolist())
    return result


def load_palette(path: str | os.PathLike[str] | None = None) -> Palette:
    """Read a palette file; without a path, the invented demo palette.

    Parameters
    ----------
    path
        A JSON file; the page on files shows one.

    Raises
    ------
    PaletteError
        If the file can't be read, is not JSON, or has a wrong entry, which is named.
    """
    if path is None:
        return _demo()
    return _parsed(read_text(path, kind="palette", error=PaletteError), str(path))


def _parsed(text: str, place: str) -> Palette:
    return Palette.from_dict(parse_json(text, place=place, error=PaletteError))


@functools.cache
def _demo() -> Palette:
    text = (
        resources.files("shadematch")
        .joinpath("resources", "demo-palette.json")
        .read_text(encoding="utf-8")
    )
    return _parsed(text, "demo palette")
