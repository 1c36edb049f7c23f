"""How classes are written to files field by field, and rebuilt by their own constructors."""

from __future__ import annotations

import contextlib
import dataclasses
import json
from collections.abc import Iterator, Mapping
from typing import Annotated, Any, Final, TypeVar, get_type_hints

import numpy as np
from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    GetCoreSchemaHandler,
    SerializerFunctionWrapHandler,
    TypeAdapter,
    ValidationError,
    WrapSerializer,
)
from pydantic_core import core_schema

from shadematch.colour.colorimetry import lab_to_xyz, xyz_to_lab
from shadematch.colour.standards import WAVELENGTHS_NM, observation
from shadematch.errors import ColourError, FileError, PourError, ShadematchError
from shadematch.studio.palette import Palette
from shadematch.studio.recipe import Recipe, Weighed
from shadematch.studio.surface_colours import check_real
from shadematch.studio.target import Target
from shadematch.studio.view import OwnLight
from shadematch.support.models import expect, readable

__all__ = [
    "LONGEST_NOTE",
    "DosesEntry",
    "Entry",
    "FromFields",
    "PaletteEntry",
    "PaletteFile",
    "RecipeEntry",
    "SpectrumEntry",
    "TargetEntry",
    "WeighedEntry",
    "below",
    "checked_note",
    "entries_of",
    "made_from",
    "possible",
]

T = TypeVar("T")

LONGEST_NOTE: Final = 10_000

DosesEntry = dict[str, float]


class Entry(BaseModel):
    """Entries that no class of their own holds.

    `made_from` reads them from JSON; `model_construct` builds them for `entries_of`.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


class FromFields:
    """Annotation of a class that files hold as its public fields.

    Its constructor checks them, so a file can't hold what no call could make. Keywords give the
    types of fields that files hold differently from the class.
    """

    def __init__(self, **types: Any) -> None:
        self._types = types

    def __get_pydantic_core_schema__(
        self, source: type[Any], handler: GetCoreSchemaHandler
    ) -> core_schema.CoreSchema:
        """Pydantic's hook."""
        given = get_type_hints(source, include_extras=True) | self._types
        if dataclasses.is_dataclass(source):
            # A field may be left out where its default means "nothing".
            fields = {
                f.name: f.default not in (None, "", ())
                for f in dataclasses.fields(source)
                if f.init and not f.name.startswith("_")
            }
        else:  # a NamedTuple
            fields = dict.fromkeys(source._fields, True)
        entries = core_schema.typed_dict_schema(
            {
                name: core_schema.typed_dict_field(
                    handler.generate_schema(given[name]), required=required
                )
                for name, required in fields.items()
            },
            extra_behavior="forbid",
            config={"strict": True, "allow_inf_nan": False},
        )
        return core_schema.no_info_after_validator_function(
            lambda entry: source(**entry),
            entries,
            serialization=core_schema.plain_serializer_function_ser_schema(
                lambda made: {name: _plain(getattr(made, name)) for name in fields},
                return_schema=entries,
            ),
        )


def _plain(value: object) -> object:
    """NumPy values and read-only mappings as plain Python."""
    if isinstance(value, np.ndarray | tuple):
        return tuple(map(_plain, value))
    if isinstance(value, np.generic):
        return value.item()
    return dict(value) if isinstance(value, Mapping) else value


def entries_of(form: TypeAdapter[T], thing: T) -> dict[str, Any]:
    """The entries of a thing in a file."""
    found: dict[str, Any] = form.dump_python(thing, mode="json")
    return found


def made_from(form: TypeAdapter[T], content: object) -> T:
    """The thing that entries describe.

    Raises
    ------
    ShadematchError
        Naming the entry that is wrong.
    """
    try:
        text = json.dumps(content, ensure_ascii=False).encode()
    except UnicodeEncodeError as found:
        near = found.object[max(0, found.start - 20) : found.end]
        raise FileError(
            "has a broken character", field="text", value=near, remedy="Type it again"
        ) from None
    try:
        return form.validate_json(text, strict=True)
    except ValidationError as found:
        raise readable(found, FileError) from None


def checked_note(note: object) -> str:
    """A maker's own note, checked.

    Raises
    ------
    PourError
        If it is not a text, too long, or has a broken character.
    """
    expect(note, str, "note", "Give a text")
    assert isinstance(note, str)
    if len(note) > LONGEST_NOTE:
        size, remedy = f"{len(note)} characters", f"Give at most {LONGEST_NOTE}"
        raise PourError("is too long", field="note", value=size, remedy=remedy)
    try:
        note.encode()
    except UnicodeEncodeError as found:
        half = found.object[found.start : found.end]
        raise PourError(
            "has a broken character", field="note", value=half, remedy="Type it again"
        ) from None
    return note


@contextlib.contextmanager
def below(entry: str) -> Iterator[None]:
    """Put the name of an entry before the fields of errors raised inside."""
    try:
        yield
    except ShadematchError as found:
        raise found.at(f"{entry}.{found.field}") from None


def possible(target: Target) -> Target:
    """The target, checked: a surface can have its colour.

    A target with a covariance may lie up to three standard deviations outside the solid of
    object colours.

    Raises
    ------
    ColourError
        If no surface can have the colour, or it is not that of the target's own spectrum.
    """
    lab, seen = np.array(target.lab), observation(target.illuminant, target.observer)
    if target.reflectance is not None:
        if np.abs(xyz_to_lab(seen.weights @ target.reflectance, seen.white) - lab).max() > 1e-3:
            problem, remedy = "is not the colour of the spectrum", "Use Target.from_reflectance"
            raise ColourError(problem, field="lab", value=target.lab, remedy=remedy)
        return target
    xyz, unsure = lab_to_xyz(lab, seen.white), None
    if target.covariance is not None:
        values, axes = np.linalg.eigh(np.array(target.covariance))
        ends = lab + (3.0 * axes * np.sqrt(np.maximum(values, 0.0))).T
        unsure = lab_to_xyz(ends, seen.white) - xyz
    check_real(
        xyz=xyz,
        illuminant=target.illuminant,
        observer=target.observer,
        field_="lab",
        given=lab,
        unsure=unsure,
    )
    return target


SpectrumEntry = Annotated[
    tuple[float, ...], Field(min_length=WAVELENGTHS_NM.size, max_length=WAVELENGTHS_NM.size)
]
TargetEntry = Annotated[
    Target,
    FromFields(
        illuminant=OwnLight,
        source=Annotated[str, Field(max_length=LONGEST_NOTE)],
        reflectance=SpectrumEntry | None,
    ),
    AfterValidator(possible),
]
WeighedEntry = Annotated[Weighed, FromFields()]
RecipeEntry = Annotated[Recipe, FromFields(doses=DosesEntry, weighed=tuple[WeighedEntry, ...])]


def _stated(content: object) -> object:
    """Refuse a palette without wavelengths or unit: its numbers would be ambiguous."""
    for field, remedy in (("wavelengths_nm", "Add them"), ("unit", 'Add "unit": "cm", or "g"')):
        if isinstance(content, Mapping) and field not in content:
            raise FileError("is missing", field=field, remedy=remedy)
    return content


PaletteFile = Annotated[Palette, BeforeValidator(_stated)]
"""A palette as a file of its own."""


def _fitting(content: object) -> object:
    if not isinstance(content, Mapping):
        return content
    stated = content.get("fingerprint")
    palette = Palette(**{name: v for name, v in content.items() if name != "fingerprint"})
    if palette.fingerprint != stated:
        raise FileError(
            "does not fit the palette",
            field="fingerprint",
            value=stated,
            remedy=f"The palette's is {palette.fingerprint}: one of the two was altered",
        )
    return palette


def _with_fingerprint(palette: Palette, own: SerializerFunctionWrapHandler) -> dict[str, Any]:
    return {"fingerprint": palette.fingerprint, **own(palette)}


PaletteEntry = Annotated[
    Palette, BeforeValidator(_fitting), BeforeValidator(_stated), WrapSerializer(_with_fingerprint)
]
"""A palette within another file, with a fingerprint that shows whether it was altered."""
