"""How classes stand in files: entry by entry, and made by their own makers when read."""

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
    "Curve",
    "DosesEntry",
    "Entry",
    "FromFields",
    "PaletteEntry",
    "PaletteFile",
    "RecipeEntry",
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
    """What a file holds and no class does: what was asked for, and what was found.

    Read from JSON by `made_from`, and put together by `model_construct` for `entries_of`.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


class FromFields:
    """Marks a class that stands in files as its public fields, and is made of them again.

    Its own maker checks what a file holds, so that a file can't say what no call could.

    Parameters
    ----------
    types
        Of fields that stand otherwise in files than the class says.
    """

    def __init__(self, **types: Any) -> None:
        self._types = types

    def __get_pydantic_core_schema__(
        self, source: type[Any], handler: GetCoreSchemaHandler
    ) -> core_schema.CoreSchema:
        """As pydantic asks for it."""
        given = get_type_hints(source, include_extras=True) | self._types
        if dataclasses.is_dataclass(source):
            # What nothing stands for may be left out; what is meant otherwise must be said.
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
    """Arrays, numbers of NumPy and read-only mappings as pydantic knows them."""
    if isinstance(value, np.ndarray | tuple):
        return tuple(map(_plain, value))
    if isinstance(value, np.generic):
        return value.item()
    return dict(value) if isinstance(value, Mapping) else value


def entries_of(form: TypeAdapter[T], thing: T) -> dict[str, Any]:
    """What a file holds of a thing."""
    found: dict[str, Any] = form.dump_python(thing, mode="json")
    return found


def made_from(form: TypeAdapter[T], content: object) -> T:
    """What a file's content says, made by the makers of what it holds.

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
    """A maker's own words.

    Raises
    ------
    PourError
        If they are no text, too long, or can't be written.
    """
    expect(note, str, "note", "Give a text")
    assert isinstance(note, str)
    if len(note) > LONGEST_NOTE:
        raise PourError(
            "is too long",
            field="note",
            value=f"{len(note)} letters",
            remedy=f"Give at most {LONGEST_NOTE}",
        )
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
    """Complaints about entries say below which one they are."""
    try:
        yield
    except ShadematchError as found:
        raise type(found)(
            found.problem, field=f"{entry}.{found.field}", value=found.value, remedy=found.remedy
        ) from None


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


Curve = Annotated[
    tuple[float, ...], Field(min_length=WAVELENGTHS_NM.size, max_length=WAVELENGTHS_NM.size)
]
TargetEntry = Annotated[
    Target,
    FromFields(
        illuminant=OwnLight,
        source=Annotated[str, Field(max_length=LONGEST_NOTE)],
        reflectance=Curve | None,
    ),
    AfterValidator(possible),
]
WeighedEntry = Annotated[Weighed, FromFields()]
RecipeEntry = Annotated[Recipe, FromFields(doses=DosesEntry, weighed=tuple[WeighedEntry, ...])]


def _stated(content: object) -> object:
    """Refuse a palette that leaves to guess what its numbers mean."""
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
            remedy=f"The palette's is {palette.fingerprint}; one of them was altered",
        )
    return palette


def _with_fingerprint(palette: Palette, own: SerializerFunctionWrapHandler) -> dict[str, Any]:
    return {"fingerprint": palette.fingerprint, **own(palette)}


PaletteEntry = Annotated[
    Palette, BeforeValidator(_fitting), BeforeValidator(_stated), WrapSerializer(_with_fingerprint)
]
"""A palette within another file: nobody types it, and its fingerprint tells if it was altered."""
