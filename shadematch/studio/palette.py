"""Palettes: the pastes and bases of a studio."""

from __future__ import annotations

import functools
import hashlib
import json
from collections.abc import Mapping, Sequence
from importlib import resources
from typing import Any, ClassVar, Final, Self, TypeVar

import numpy as np
from pydantic import Field, SerializerFunctionWrapHandler, model_serializer, model_validator

from shadematch.colour.standards import WAVELENGTHS_NM
from shadematch.errors import PaletteError, ShadematchError, UnknownNameError
from shadematch.studio.bend import white_share
from shadematch.studio.chips import paste_chips
from shadematch.studio.grid import on_own_grid
from shadematch.studio.named import check_known_base, check_names
from shadematch.studio.pigment import Base, Pigment
from shadematch.studio.pour import CLEAR
from shadematch.studio.uncertainty import PaletteUncertainty
from shadematch.studio.unit import Unit
from shadematch.support.arrays import FloatArray
from shadematch.support.models import Frozen, between, expect, shape_of
from shadematch.support.report import Report, Reported, Row, rows_of
from shadematch.support.spelling import did_you_mean

__all__ = [
    "INVENTED",
    "Palette",
    "demo_palette",
]


_T = TypeVar("_T")
INVENTED: Final = (
    "These pastes are invented samples. Real ones colour otherwise: give a palette of your own."
)
"""Printed with every result for pastes of the demo palette."""


def fingerprint_of(numbers: Mapping[str, Any]) -> str:
    """The first 48 bits of SHA-256 (FIPS 180-4) over JSON with sorted keys and no blanks."""
    text = json.dumps(numbers, sort_keys=True, separators=(",", ":"), allow_nan=False)
    code = hashlib.sha256(text.encode("ascii")).hexdigest()
    return "-".join(code[i : i + 4] for i in (0, 4, 8))


class Palette(Reported, Frozen):
    """The pastes and the two bases of a studio.

    Attributes
    ----------
    pigments
        One to twelve; no two names look the same.
    clear, white
        The two bases; a blend mixes them by mass.
    bases
        Further bases, each with a name of its own, that can stand in clear base's place
        (`Pour.base`): at most twelve. How a base browns or fades with age is not predicted.
    unit
        Of every dose: ``"cm"`` squeezed out or ``"g"`` weighed. Loads, load limits and dose steps
        use it too, loads per 100 g of base.
    note
        Where the data come from.
    uncertainty
        How well the palette is known, from a calibration or `known_to`; None if not stated.

    Spectra may be given at other wavelengths, with each paste and base as a dict: add
    ``wavelengths_nm``, rising, covering 400 to 700 nm in steps of at most 20 nm.
    """

    _error: ClassVar[type[ShadematchError]] = PaletteError
    pigments: tuple[Pigment, ...]
    clear: Base
    white: Base
    unit: Unit = "cm"
    note: str = ""
    uncertainty: PaletteUncertainty | None = Field(default=None, repr=False)
    bases: tuple[Base, ...] = ()

    @model_validator(mode="after")
    def _names(self) -> Self:
        if not self.pigments:
            raise PaletteError(
                "has no pigments", field="pigments", value=[], remedy="Give at least one"
            )
        check_names("pigments", self.names)
        check_names("bases", [base.name for base in self.bases])
        return self

    @model_validator(mode="after")
    def _speaks_of_all(self) -> Self:
        if self.uncertainty is not None:
            self.uncertainty.check_speaks_of(len(self.pigments), len(self.bases))
        return self

    @property
    def names(self) -> tuple[str, ...]:
        """The pigments' names in order."""
        return tuple(p.name for p in self.pigments)

    def report(self) -> Report:
        """The pastes and how they look."""
        tubes = [
            Row(
                pigment.name,
                "scatters too" if pigment.scatters else "absorbs only",
                note=f"tube of {pigment.tube_size:g} {self.unit}" if pigment.tube_size else "",
            )
            for pigment in self.pigments
        ]
        note = (Row("note", self.note),) if self.note else ()
        bases = [base.name for base in self.bases]
        return Report(
            pictures=(paste_chips(self.pigments, self.blend, self.unit),),
            rows=(
                Row("palette", f"{len(self.pigments)} pastes, doses in {self.unit}"),
                *rows_of("bases", [f"clear, white, {', '.join(bases)}"] if bases else []),
                *note,
            ),
            details=(*tubes, Row("fingerprint", self.fingerprint)),
            notes=("Chips on the card are predicted, 1 cm thick on white paper.",),
        )

    @property
    def fingerprint(self) -> str:
        """A code for the numbers that its colours depend on, such as ``"1f0a-93b2-77c4"``.

        The first 48 bits of SHA-256 (FIPS 180-4) over names, absorption and scattering, any bend
        and crowding, any further bases, and the unit unless it is cm. Order, prices, tubes and the
        note don't count.
        """
        more: dict[str, Any] = {} if self.unit == "cm" else {"unit": self.unit}
        if self.bases:
            more["bases"] = {base.name: base.colour_numbers for base in self.bases}
        return fingerprint_of(
            more
            | {
                "pigments": {p.name: p.colour_numbers for p in self.pigments},
                "clear": self.clear.colour_numbers,
                "white": self.white.colour_numbers,
            }
        )

    @property
    def notice(self) -> str:
        """That some of its pastes are invented, as the demo palette's are; else empty."""
        samples = {_colours_of(p) for p in demo_palette().pigments}
        return INVENTED if any(_colours_of(p) in samples for p in self.pigments) else ""

    @property
    def notice_rows(self) -> tuple[Row, ...]:
        """The notice as rows of a report."""
        return rows_of("pastes", (self.notice,) if self.notice else ())

    def __getitem__(self, name: str) -> Pigment:
        """The pigment of that name."""
        return self.pigments[self.index(name)]

    def index(self, name: str) -> int:
        """Position of a pigment; case is ignored where that leaves one candidate.

        Raises
        ------
        UnknownNameError
            If the palette has no such pigment.
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
        """The given values by name of pigment, each name as the palette spells it.

        Raises
        ------
        UnknownNameError
            If the palette lacks a name, or one is given twice.
        PourError
            If `given` is not a mapping.
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

    @property
    def base_names(self) -> tuple[str, ...]:
        """What can stand in `Pour.base`: ``"clear"``, then the further bases."""
        return (CLEAR, *(base.name for base in self.bases))

    def base(self, name: str, field: str = "base") -> Base:
        """Clear base or one of the further bases, by its name.

        Raises
        ------
        UnknownNameError
            If the palette has none of that name; names the field in which it was given.
        """
        check_known_base(name, self.base_names, "the palette", field)
        return (self.clear, *self.bases)[self.base_names.index(name)]

    def in_base(self, name: str) -> Palette:
        """The same with one of its bases in clear base's place, as a pour into that base sees it.

        Raises
        ------
        UnknownNameError
            If the palette has none of that name.
        """
        check_known_base(name, self.base_names, "the palette")
        return self if name == CLEAR else _in_base(self, name)

    def only(self, *names: str) -> Palette:
        """The same bases with just these pigments, in the palette's order."""
        kept = self._places(names)
        return self._of([i for i in range(len(self.pigments)) if i in kept])

    def without(self, *names: str) -> Palette:
        """The same bases with these pigments left out."""
        gone = self._places(names)
        return self._of([i for i in range(len(self.pigments)) if i not in gone])

    def known_to(self, strength: float | Mapping[str, float]) -> Palette:
        """The same palette, its strengths known to a share: one for all pastes, or by name.

        The share is a relative standard deviation, 0 to 1; tubes differ by 0.1 (common practice,
        no source).

        Raises
        ------
        UnknownNameError, PaletteError
            For a name that the palette lacks, or a share out of range.
        """
        if isinstance(strength, Mapping):
            strength = self.named(strength)
        known = PaletteUncertainty.of_strengths(self.names, strength)
        return Palette(**{**dict(self), "uncertainty": known})

    def _places(self, names: Sequence[str]) -> set[int]:
        for name in names:
            if not isinstance(name, str):
                raise UnknownNameError(
                    "is not a name",
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
        """Absorption and reduced scattering [1/cm] of base with a white fraction, shape (36,).

        Both mix by mass, except that white base may scatter less than its share
        (`Base.crowding`).

        Raises
        ------
        PaletteError
            If `white` is not a number from 0 to 1.
        """
        white = between(white, "white", 0, 1, "It is a fraction by mass", error=PaletteError)
        clear, opaque = self.clear, self.white
        share = float(white_share(white, opaque.crowding))
        return (
            (1.0 - white) * np.asarray(clear.absorption) + white * np.asarray(opaque.absorption),
            (1.0 - white) * np.asarray(clear.scattering) + share * np.asarray(opaque.scattering),
        )

    @model_validator(mode="before")
    @classmethod
    def _brought_onto_grid(cls, data: object) -> object:
        """Spectra at other wavelengths, as in files, interpolated to the library's."""
        if not isinstance(data, Mapping) or "wavelengths_nm" not in data:
            return data
        return on_own_grid(data)

    @model_serializer(mode="wrap")
    def _with_grid(self, own: SerializerFunctionWrapHandler) -> dict[str, Any]:
        rest = own(self)
        note = {"note": rest.pop("note")} if "note" in rest else {}
        if rest.get("uncertainty", 0) is None:
            del rest["uncertainty"]
        # Zeros, the usual case, are left out.
        for part in rest.get("pigments", ()):
            if part.get("bend") == 0.0:
                del part["bend"]
        if not rest.get("bases", True):
            del rest["bases"]
        return {**note, "wavelengths_nm": WAVELENGTHS_NM.tolist(), **rest}


def _colours_of(pigment: Pigment) -> tuple[object, ...]:
    return pigment.absorption, pigment.scattering


@functools.lru_cache(maxsize=32)
def _in_base(palette: Palette, name: str) -> Palette:
    own, at, known = palette.base(name), palette.base_names.index(name) - 1, palette.uncertainty
    more = {"clear": own, "uncertainty": None if known is None else known.in_base(at)}
    return Palette(**{**dict(palette), **more, "bases": ()})


@functools.cache
def demo_palette() -> Palette:
    """The invented palette that comes with the library, to try things out."""
    place = resources.files("shadematch").joinpath("resources", "demo-palette.json")
    content = json.loads(place.read_text(encoding="utf-8"))
    return Palette(**{n: v for n, v in content.items() if n not in ("format", "version")})
