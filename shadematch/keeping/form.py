"""The form of the file that keeps a recipe, checked when it is read."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping
from typing import Annotated, Any, ClassVar, Final

import numpy as np
from pydantic import Field, StrictBool, StrictInt

from shadematch.colour.illuminant import Illuminant, Light
from shadematch.colour.standards import WAVELENGTHS_NM, observation
from shadematch.errors import FileError, ShadematchError
from shadematch.studio.palette import Palette
from shadematch.studio.pour import Pour
from shadematch.studio.recipe import LetDown, Recipe, Weighed
from shadematch.studio.target import Target
from shadematch.studio.view import OwnLight, View
from shadematch.support.models import Frozen, Number

__all__ = [
    "LONGEST_NOTE",
    "ChoicePart",
    "ColourPart",
    "MatchPart",
    "Part",
    "RobustPart",
    "SavedFile",
    "TargetPart",
    "WeighedPart",
    "doses_to_dict",
    "light_to_dict",
    "palette_of",
    "recipe_of",
    "target_of",
    "target_to_dict",
]

LONGEST_NOTE: Final = 10_000


class Part(Frozen):
    """A part of the file whose errors are about files."""

    _error: ClassVar[type[ShadematchError]] = FileError


_Ab = Annotated[Number, Field(ge=-1000, le=1000)]
_Lab = tuple[Annotated[Number, Field(ge=-1, le=200)], _Ab, _Ab]
_Doses = dict[str, Annotated[Number, Field(ge=0, le=1e7)]]
_Reflectances = Annotated[
    tuple[Annotated[Number, Field(ge=0, le=1)], ...],
    Field(min_length=WAVELENGTHS_NM.size, max_length=WAVELENGTHS_NM.size),
]
_Row = tuple[Number, Number, Number]
_Apart = Annotated[Number, Field(ge=0)]


class ColourPart(Part):
    """The predicted colour."""

    lab: _Lab
    hex: str = Field(pattern=r"^#[0-9a-f]{6}$")
    in_srgb: StrictBool


class TargetPart(Part):
    """The wanted colour."""

    lab: _Lab
    illuminant: OwnLight
    observer: str
    source: str = Field(max_length=LONGEST_NOTE)
    reflectance: _Reflectances | None
    covariance: tuple[_Row, _Row, _Row] | None = None


class WeighedPart(Part):
    """A mass of a let-down."""

    let_down: LetDown
    mass_g: Annotated[Number, Field(gt=0, le=1e6)]


class ChoicePart(Part):
    """One recipe of a match."""

    doses: _Doses
    weighed: tuple[WeighedPart, ...] = ()
    delta_e: _Apart


class RobustPart(ChoicePart):
    """The robust recipe of a match."""

    dose_slip: _Apart
    scale_g: _Apart
    complete: StrictBool


class MatchPart(Part):
    """What a match found."""

    tolerance: _Apart
    frugal: ChoicePart
    closest: ChoicePart
    bound: _Apart
    proved: StrictBool
    frugal_proved: StrictBool
    boxes: Annotated[StrictInt, Field(ge=0)]
    max_pigments: Annotated[StrictInt, Field(ge=1)] | None
    must_use: tuple[str, ...]
    must_avoid: tuple[str, ...]
    lights: tuple[OwnLight, ...]
    let_downs: tuple[LetDown, ...]
    robust: RobustPart | None = None


class SavedFile(Part):
    """The whole file."""

    library: str = Field(max_length=100)
    note: str = Field(max_length=LONGEST_NOTE)
    doses: _Doses
    weighed: tuple[WeighedPart, ...] = ()
    pour: Pour
    view: View
    predicted: ColourPart
    delta_e: _Apart | None
    target: TargetPart | None
    match: MatchPart | None
    fingerprint: str
    palette: dict[str, Any]


def light_to_dict(light: Light) -> str | dict[str, Any]:
    """A light's name, or its whole spectrum."""
    if not isinstance(light, Illuminant):
        return light
    return {k: v if k == "name" else list(v) for k, v in dataclasses.asdict(light).items()}


def palette_of(content: dict[str, Any], fingerprint: str) -> Palette:
    """The palette that a file keeps.

    Raises
    ------
    PaletteError
        If it can't be used.
    FileError
        If the fingerprint in the file is another one.
    """
    palette = Palette.from_dict(content)
    if palette.fingerprint != fingerprint:
        raise FileError(
            "does not fit the palette in the file",
            field="fingerprint",
            value=fingerprint,
            remedy=f"The palette's is {palette.fingerprint}; one of them was altered",
        )
    return palette


def doses_to_dict(recipe: Recipe) -> dict[str, Any]:
    """What files keep of doses: `doses`, and `weighed` where there are let-downs."""
    weighed = [
        {"let_down": part.let_down.model_dump(mode="json"), "mass_g": float(part.mass_g)}
        for part in recipe.weighed
    ]
    return {"doses": dict(recipe.doses), **({"weighed": weighed} if weighed else {})}


def recipe_of(
    doses: Mapping[str, float], given: Iterable[WeighedPart], palette: Palette, pour: Pour
) -> Recipe:
    """The recipe of a file's entries `doses` and `weighed`.

    Raises
    ------
    UnknownNameError
        If the palette lacks a name.
    PourError
        If the let-downs hold more paste or base than the recipe.
    """
    parts = tuple(given)
    for name in (*doses, *(w.let_down.pigment for w in parts)):
        palette.index(name)
    weighed = tuple(Weighed(w.let_down, w.mass_g) for w in parts)
    ordered = {name: doses[name] for name in palette.names if doses.get(name)}
    return Recipe(ordered, pour, weighed, palette.unit)


def target_to_dict(target: Target) -> dict[str, Any]:
    """What files keep of a wanted colour."""
    spectrum = target.reflectance
    found: dict[str, Any] = {
        "lab": [float(v) for v in target.lab],
        "illuminant": light_to_dict(target.illuminant),
        "observer": target.observer,
        "source": target.source,
        "reflectance": None if spectrum is None else spectrum.tolist(),
    }
    if target.covariance is None:
        return found
    return {**found, "covariance": [[float(v) for v in row] for row in target.covariance]}


def target_of(part: TargetPart) -> Target:
    """The target that a file keeps.

    Raises
    ------
    ColourError
        If its light is unknown, or it is no colour.
    """
    observation(part.illuminant, part.observer)
    spectrum = None
    if part.reflectance is not None:
        spectrum = np.array(part.reflectance)
        spectrum.setflags(write=False)
    return Target(part.lab, part.illuminant, part.observer, part.source, spectrum, part.covariance)
