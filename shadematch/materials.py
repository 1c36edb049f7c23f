"""Pigments, bases and palettes: what the studio has on its shelf.

Palettes are JSON files::

    {"format": "shadematch palette", "version": 1, "note": "...",
     "wavelengths_nm": [380, 390, ...],
     "pigments": [{"name": "...", "absorption": [...], "scattering": null,
                   "tube_cm": 87, "tube_price": 9.5}, ...],
     "clear": {"absorption": [...], "scattering": [...]},
     "white": {"absorption": [...], "scattering": [...]}}

Any rising wavelengths that cover 400 to 700 nm will do; they are brought onto the library's own.
"""

from __future__ import annotations

import functools
import json
import os
import secrets
from collections.abc import Iterable, Mapping
from importlib import resources
from pathlib import Path
from typing import Annotated, Any, ClassVar, Final, Self

import numpy as np
from pydantic import Field, field_validator, model_validator

from shadematch.arrays import FloatArray
from shadematch.errors import PaletteError, ShadematchError, SpectrumError, UnknownNameError
from shadematch.models import Frozen, Number
from shadematch.standards import WAVELENGTHS_NM, onto_grid

__all__ = ["Base", "Palette", "Pigment", "load_palette"]

_FORMAT: Final = "shadematch palette"
_VERSION: Final = 1
_LARGEST_NUMBER: Final = 1e9
"""Far beyond any coefficient; keeps products finite."""
_LARGEST_FILE: Final = 20_000_000

Spectrum = tuple[Number, ...]


def _checked_spectrum(values: Spectrum | None, field: str) -> Spectrum | None:
    if values is None:
        return None
    if len(values) != WAVELENGTHS_NM.size:
        raise PaletteError(
            f"needs {WAVELENGTHS_NM.size} values, one each 10 nm from 380 to 730 nm",
            field=field,
            value=f"{len(values)} values",
            remedy="Use shadematch.standards.onto_grid for other wavelengths",
        )
    worst = min(values) if min(values) < 0 else max(values)
    if worst < 0 or worst > _LARGEST_NUMBER:
        raise PaletteError(
            "has a negative value" if worst < 0 else "has a value that is far too large",
            field=field,
            value=worst,
            remedy=f"Look at {WAVELENGTHS_NM[values.index(worst)]:g} nm",
        )
    return values


class Base(Frozen):
    """Uncoloured soap.

    Attributes
    ----------
    absorption, scattering
        Absorption and reduced scattering [1/cm] at `WAVELENGTHS_NM`, 36 values each, not
        negative.
    """

    _error: ClassVar[type[ShadematchError]] = PaletteError
    absorption: Spectrum
    scattering: Spectrum

    @field_validator("absorption", "scattering")
    @classmethod
    def _spectra(cls, values: Spectrum) -> Spectrum:
        checked = _checked_spectrum(values, "")
        assert checked is not None
        return checked


class Pigment(Frozen):
    """One paste.

    Attributes
    ----------
    name
        What it is called in doses; not empty.
    absorption
        [1/cm per (cm paste / 100 g base)] at `WAVELENGTHS_NM`, 36 values, not negative.
    scattering
        Reduced scattering in the same unit, or None for a paste that does not scatter.
    tube_cm
        Paste in a full tube [cm].
    tube_price
        Price of a full tube, in the studio's currency; None if not known.
    """

    _error: ClassVar[type[ShadematchError]] = PaletteError
    name: str = Field(min_length=1, max_length=200)
    absorption: Spectrum
    scattering: Spectrum | None = None
    tube_cm: Number = Field(default=87.0, gt=0)
    tube_price: Annotated[Number, Field(ge=0)] | None = None

    @field_validator("absorption", "scattering")
    @classmethod
    def _spectra(cls, values: Spectrum | None) -> Spectrum | None:
        return _checked_spectrum(values, "")

    @property
    def scatters(self) -> bool:
        """Whether it scatters at any wavelength."""
        return self.scattering is not None and max(self.scattering) > 0


class Palette(Frozen):
    """The pastes and the two bases of a studio.

    Attributes
    ----------
    pigments
        One to eight, each name once.
    clear, white
        The two bases; a blend mixes them by mass.
    note
        Where the data come from.
    """

    _error: ClassVar[type[ShadematchError]] = PaletteError
    pigments: tuple[Pigment, ...]
    clear: Base
    white: Base
    note: str = ""

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
                "a name stands twice", field="pigments", value=twice[0], remedy="Rename one of them"
            )
        return self

    @property
    def names(self) -> tuple[str, ...]:
        """The pigments' names in order."""
        return tuple(p.name for p in self.pigments)

    def __getitem__(self, name: str) -> Pigment:
        """The pigment of that name."""
        return self.pigments[self.index(name)]

    def index(self, name: str) -> int:
        """Position of a pigment.

        Raises
        ------
        UnknownNameError
            If the palette has none of that name.
        """
        try:
            return self.names.index(name)
        except ValueError:
            raise UnknownNameError(
                "the palette has no such pigment",
                field="pigment",
                value=name,
                remedy=f"It has {', '.join(self.names)}",
            ) from None

    def only(self, *names: str) -> Palette:
        """The same bases with just these pigments, in the palette's order."""
        kept = {self.index(name) for name in names}
        return self._with(p for i, p in enumerate(self.pigments) if i in kept)

    def without(self, *names: str) -> Palette:
        """The same bases with these pigments left out."""
        gone = {self.index(name) for name in names}
        return self._with(p for i, p in enumerate(self.pigments) if i not in gone)

    def _with(self, pigments: Iterable[Pigment]) -> Palette:
        return Palette(pigments=tuple(pigments), clear=self.clear, white=self.white, note=self.note)

    def blend(self, white: float) -> tuple[FloatArray, FloatArray]:
        """Absorption and reduced scattering [1/cm] of a base with white fraction 0 to 1."""
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
        return {
            "format": _FORMAT,
            "version": _VERSION,
            "note": self.note,
            "wavelengths_nm": WAVELENGTHS_NM.tolist(),
            **self.model_dump(mode="json", exclude={"note"}),
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Palette:
        """A palette from what `to_dict` gives, or from a file's content.

        Raises
        ------
        PaletteError
            Naming the first entry that is wrong.
        """
        if not isinstance(data, Mapping):
            raise PaletteError(
                "must be a JSON object", field="palette", value=type(data).__name__,
                remedy="See shadematch.materials for the form",
            )  # fmt: skip
        rest = dict(data)
        if rest.pop("format", None) != _FORMAT:
            raise PaletteError(
                "is not a palette" if "format" in data else "is missing",
                field="format",
                value=data.get("format"),
                remedy=f"The file must say {_FORMAT!r}",
            )  # fmt: skip
        version = rest.pop("version", None)
        if version != _VERSION or isinstance(version, bool):
            raise PaletteError(
                "unknown version", field="version", value=version,
                remedy=f"This library reads version {_VERSION}; a newer file needs a newer library",
            )  # fmt: skip
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
        text = json.dumps(self.to_dict(), indent=1, ensure_ascii=False, allow_nan=False) + "\n"
        goal = Path(path)
        # Made like any other file of the user's, so that others may read it as they may those.
        temporary = goal.with_name(f".{goal.name}.{secrets.token_hex(8)}")
        try:
            handle = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666)
            try:
                with os.fdopen(handle, "w", encoding="utf-8") as stream:
                    stream.write(text)
                    stream.flush()
                    os.fsync(stream.fileno())
                temporary.replace(goal)
            except BaseException:
                temporary.unlink(missing_ok=True)
                raise
        except OSError as found:
            raise PaletteError(
                f"can't be written: {found.strerror}",
                field="path",
                value=str(goal),
                remedy="Choose a folder that exists and that you may write to",
            ) from None


def _is_number(value: object) -> bool:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    return isinstance(value, float) or abs(value) < _LARGEST_NUMBER


def _regridded(entry: Mapping[str, Any], grid: list[float], where: str) -> dict[str, Any]:
    result = dict(entry)
    for key in ("absorption", "scattering"):
        values = result.get(key)
        if values is None:
            continue
        field = f"{where}.{key}"
        if not isinstance(values, list) or not all(_is_number(v) for v in values):
            raise PaletteError("must be a list of numbers", field=field, value=values,
                               remedy="One for each wavelength")  # fmt: skip
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
        A JSON file as in the head of this module.

    Raises
    ------
    PaletteError
        If the file can't be read, is not JSON, or has a wrong entry, which is named.
    """
    if path is None:
        return _demo()
    place = Path(path)
    try:
        if place.stat().st_size > _LARGEST_FILE:
            raise PaletteError(
                "is too large for a palette", field="path", value=str(place),
                remedy="A palette file has a few kilobytes",
            )  # fmt: skip
        text = place.read_text(encoding="utf-8")
    except OSError as found:
        raise PaletteError(
            f"can't be read: {found.strerror}", field="path", value=str(place),
            remedy="Check the name and the folder",
        ) from None  # fmt: skip
    except UnicodeDecodeError:
        raise PaletteError(
            "is not UTF-8 text", field="path", value=str(place), remedy="Save it as UTF-8"
        ) from None
    except ValueError:  # a NUL in the name
        raise PaletteError(
            "is no path", field="path", value=str(place), remedy="Check the name and the folder"
        ) from None
    return _parsed(text, str(place))


def _parsed(text: str, place: str) -> Palette:
    try:
        data = json.loads(text)
    except (ValueError, RecursionError) as found:
        line = getattr(found, "lineno", None)
        raise PaletteError(
            "is not JSON", field="path", value=place,
            remedy=f"Look at line {line}" if line else "A number or the nesting goes on too long",
        ) from None  # fmt: skip
    return Palette.from_dict(data)


@functools.cache
def _demo() -> Palette:
    text = (
        resources.files("shadematch")
        .joinpath("resources", "demo-palette.json")
        .read_text(encoding="utf-8")
    )
    return _parsed(text, "demo palette")
