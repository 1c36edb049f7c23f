"""The form of the files in which recipes and matches are kept.

A file keeps the recipe, how it was looked at, the colour that was predicted, the whole palette
and, of a match, the target and the proof::

    {"format": "shadematch recipe", "version": 1, "library": "0.1.0", "note": "...",
     "doses_cm": {"gorse": 3}, "weighed": [], "pour": {...}, "view": {...},
     "predicted": {"lab": [...], "hex": "#...", "in_srgb": true}, "delta_e": 0.4,
     "target": {...} or null, "match": {...} or null,
     "fingerprint": "....-....-....", "palette": {a palette file's content}}
"""

from __future__ import annotations

from typing import Annotated, Any, ClassVar, Final

import numpy as np
from pydantic import Field, StrictBool, StrictInt

from shadematch.errors import FileError, ShadematchError
from shadematch.files import checked_envelope
from shadematch.kept import LONGEST_NOTE, SavedRecipe
from shadematch.match import Match
from shadematch.materials import Palette
from shadematch.models import Frozen, Number
from shadematch.pour import LetDown, Pour, Recipe, View, Weighed
from shadematch.question import Choice, Question, checked_let_downs
from shadematch.spread import spread
from shadematch.standards import WAVELENGTHS_NM, checked_lights, observation
from shadematch.target import Target, triple

__all__ = ["checked", "from_dict", "to_dict"]

_FORMAT: Final = "shadematch recipe"
_VERSION: Final = 1


class _Part(Frozen):
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


class _Colour(_Part):
    lab: _Lab
    hex: str = Field(pattern=r"^#[0-9a-f]{6}$")
    in_srgb: StrictBool


class _Target(_Part):
    lab: _Lab
    illuminant: str
    observer: str
    source: str = Field(max_length=LONGEST_NOTE)
    reflectance: _Reflectances | None
    covariance: tuple[_Row, _Row, _Row] | None = None


class _Weighed(_Part):
    let_down: LetDown
    mass_g: Annotated[Number, Field(gt=0, le=1e6)]


class _Choice(_Part):
    doses_cm: _Doses
    weighed: tuple[_Weighed, ...]
    delta_e: _Apart


class _Steady(_Choice):
    ruler_cm: _Apart
    scale_g: _Apart
    complete: StrictBool


class _Match(_Part):
    tolerance: _Apart
    frugal: _Choice
    closest: _Choice
    bound: _Apart
    proved: StrictBool
    frugal_proved: StrictBool
    boxes: Annotated[StrictInt, Field(ge=0)]
    max_pigments: Annotated[StrictInt, Field(ge=1)] | None
    must_use: tuple[str, ...]
    must_avoid: tuple[str, ...]
    lights: tuple[str, ...]
    let_downs: tuple[LetDown, ...]
    steady: _Steady | None = None


class _File(_Part):
    library: str = Field(max_length=100)
    note: str = Field(max_length=LONGEST_NOTE)
    doses_cm: _Doses
    weighed: tuple[_Weighed, ...]
    pour: Pour
    view: View
    predicted: _Colour
    delta_e: _Apart | None
    target: _Target | None
    match: _Match | None
    fingerprint: str
    palette: dict[str, Any]


def to_dict(saved: SavedRecipe) -> dict[str, Any]:
    """The content of its file."""
    target, match = saved.target, saved.match
    return {
        "format": _FORMAT,
        "version": _VERSION,
        "library": saved.library,
        "note": saved.note,
        **_doses_to_dict(saved.recipe),
        "pour": saved.recipe.pour.model_dump(mode="json"),
        "view": saved.view.model_dump(mode="json"),
        "predicted": {
            "lab": [float(v) for v in saved.lab],
            "hex": saved.hex,
            "in_srgb": saved.in_srgb,
        },
        "delta_e": None if saved.delta_e is None else float(saved.delta_e),
        "target": None if target is None else _target_to_dict(target),
        "match": None if match is None else _match_to_dict(match),
        "fingerprint": saved.palette.fingerprint,
        "palette": saved.palette.to_dict(),
    }


def _doses_to_dict(recipe: Recipe) -> dict[str, Any]:
    weighed = [
        {"let_down": part.let_down.model_dump(mode="json"), "mass_g": float(part.mass_g)}
        for part in recipe.weighed
    ]
    return {"doses_cm": dict(recipe.doses_cm), "weighed": weighed}


def _target_to_dict(target: Target) -> dict[str, Any]:
    spectrum = target.reflectance
    found: dict[str, Any] = {
        "lab": [float(v) for v in target.lab],
        "illuminant": target.illuminant,
        "observer": target.observer,
        "source": target.source,
        "reflectance": None if spectrum is None else spectrum.tolist(),
    }
    own = target.covariance
    if own is None:
        return found
    return {**found, "covariance": [[float(v) for v in row] for row in own]}


def _choice_to_dict(choice: Choice) -> dict[str, Any]:
    return {**_doses_to_dict(choice.recipe), "delta_e": float(choice.delta_e)}


def _match_to_dict(match: Match) -> dict[str, Any]:
    asked, names = match._question, match.palette.names
    steady: dict[str, Any] = {}
    if match.steady is not None and match.spread is not None:
        steady = _choice_to_dict(match.steady) | {"complete": match.steady_complete}
        steady |= {name: float(getattr(match.spread, name)) for name in ("ruler_cm", "scale_g")}
    return {
        **({"steady": steady} if steady else {}),
        "tolerance": float(match.tolerance),
        "frugal": _choice_to_dict(match.frugal),
        "closest": _choice_to_dict(match.closest),
        "bound": float(match.bound),
        "proved": bool(match.proved),
        "frugal_proved": bool(match.frugal_proved),
        "boxes": int(match.boxes),
        "max_pigments": None if asked.max_pigments is None else int(asked.max_pigments),
        "must_use": [names[i] for i in asked.required],
        "must_avoid": [names[i] for i in asked.excluded],
        "lights": list(asked.lights),
        "let_downs": [let_down.model_dump(mode="json") for let_down in asked.let_downs],
    }


def checked(data: object) -> _File:
    """The parts of a file's content.

    Raises
    ------
    FileError
        If one is wrong, which is named.
    """
    return _File(**checked_envelope(data, _FORMAT, _VERSION))


def from_dict(data: object) -> SavedRecipe:
    """What a file's content keeps.

    Raises
    ------
    ShadematchError
        If an entry is wrong, which is named.
    """
    file = checked(data)
    palette = Palette.from_dict(file.palette)
    if palette.fingerprint != file.fingerprint:
        raise FileError(
            "does not fit the palette in the file", field="fingerprint", value=file.fingerprint,
            remedy=f"The palette's is {palette.fingerprint}; one of them was altered",
        )  # fmt: skip
    if (file.match is not None or file.delta_e is not None) and file.target is None:
        raise FileError("is missing", field="target", remedy="A match needs its target")
    target = None if file.target is None else _target_of(file.target)
    recipe = _recipe_of(file, palette, file.pour)
    match = None
    if file.match is not None and target is not None:
        match = _match_of(file.match, target, palette, file.pour, file.view)
    lab = file.predicted.lab
    return SavedRecipe(
        recipe, file.view, palette, lab, file.predicted.hex, file.predicted.in_srgb,
        target, file.delta_e, match, file.note, file.library,
    )  # fmt: skip


def _recipe_of(part: _File | _Choice, palette: Palette, pour: Pour) -> Recipe:
    doses = part.doses_cm
    for name in (*doses, *(w.let_down.pigment for w in part.weighed)):
        palette.index(name)
    weighed = tuple(Weighed(w.let_down, w.mass_g) for w in part.weighed)
    ordered = {name: doses[name] for name in palette.names if doses.get(name)}
    recipe = Recipe(ordered, pour, weighed)
    for name in dict.fromkeys(w.let_down.pigment for w in weighed):
        within = sum(w.paste_cm for w in weighed if w.let_down.pigment == name)
        if within > ordered.get(name, 0.0) + 1e-6:
            raise FileError(
                "is less than what comes with the let-downs", field=f"doses_cm.{name}",
                value=ordered.get(name, 0.0), remedy="It is the paste in all",
            )  # fmt: skip
    return recipe


def _target_of(part: _Target) -> Target:
    observation(part.illuminant, part.observer)
    more: dict[str, Any] = {}
    if part.covariance is not None:
        more["covariance"] = part.covariance
    spectrum = None
    if part.reflectance is not None:
        spectrum = np.array(part.reflectance)
        spectrum.setflags(write=False)
    return Target(part.lab, part.illuminant, part.observer, part.source, spectrum, **more)


def _match_of(part: _Match, target: Target, palette: Palette, pour: Pour, view: View) -> Match:
    required, excluded = (
        tuple(sorted(palette.index(name) for name in names))
        for names in (part.must_use, part.must_avoid)
    )
    views = [view.model_copy(update={"illuminant": name}) for name in checked_lights(part.lights)]
    question = Question(
        *(target.lab_in(view), palette, pour, view, part.max_pigments, required, excluded),
        lights=part.lights,
        light_targets=tuple(triple(target.lab_in(each)) for each in views),
        let_downs=checked_let_downs(part.let_downs, palette, pour),
    )

    def choice(kept_: _Choice, field: str) -> Choice:
        recipe = _recipe_of(kept_, palette, pour)
        if not {w.let_down for w in recipe.weighed} <= set(question.let_downs):
            raise FileError("has one that was not to hand", field=f"match.{field}.weighed",
                            value=str(recipe), remedy="The file was altered")  # fmt: skip
        counts = question.steps_of(Choice(recipe, 0.0, palette, view, np.zeros(0)))
        steps = np.rint(counts)
        if np.abs(steps - counts).max() > 1e-6:
            raise FileError(
                "a dose is no multiple of the dose step", field=f"match.{field}.doses_cm",
                value=str(recipe), remedy=f"The step is {pour.dose_step_cm:g} cm",
            )  # fmt: skip
        return question.choice(steps, kept_.delta_e)

    closest = choice(part.closest, "closest")
    if closest.delta_e < part.bound - 1e-6:
        raise FileError("lies above the closest recipe", field="match.bound", value=part.bound,
                        remedy="A bound is a floor; the file was altered")  # fmt: skip
    kept_ = part.steady
    steady = None if kept_ is None else choice(kept_, "steady")
    strayed = None
    if kept_ is not None and steady is not None:  # computed anew, like a spectrum
        strayed = spread(
            steady.recipe, palette=palette, view=view, target=target,
            ruler_cm=kept_.ruler_cm, scale_g=kept_.scale_g,
        )  # fmt: skip
    return Match(
        steady=steady,
        spread=strayed,
        steady_complete=kept_ is None or kept_.complete,
        target=target,
        tolerance=part.tolerance,
        frugal=choice(part.frugal, "frugal"),
        closest=closest,
        bound=part.bound,
        proved=part.proved,
        frugal_proved=part.frugal_proved,
        boxes=part.boxes,
        _question=question,
    )
