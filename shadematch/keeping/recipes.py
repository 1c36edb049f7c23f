"""Recipes and matches kept in files, to be poured again next month.

A file keeps the recipe, how it was looked at, the colour that was predicted, the whole palette
and, of a match, the target and the proof::

    {"format": "shadematch recipe", "version": 1, "library": "0.1.0", "note": "...",
     "doses": {"gorse": 3}, "pour": {...}, "view": {...},
     "predicted": {"lab": [...], "hex": "#...", "in_srgb": true}, "delta_e": 0.4,
     "target": {...} or null, "match": {...} or null,
     "fingerprint": "....-....-....", "palette": {a palette file's content}}
"""

from __future__ import annotations

import dataclasses
import os
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from shadematch._version import __version__
from shadematch.colour.difference import delta_e
from shadematch.colour.standards import checked_lights
from shadematch.errors import FileError, PourError
from shadematch.keeping.form import (
    LONGEST_NOTE,
    ChoicePart,
    MatchPart,
    SavedFile,
    doses_to_dict,
    light_to_dict,
    palette_of,
    recipe_of,
    target_of,
    target_to_dict,
)
from shadematch.matching.asked import checked_let_downs
from shadematch.matching.match import Match
from shadematch.matching.question import Asked, Choice
from shadematch.predicting.prediction import Prediction, conditions, predict
from shadematch.predicting.spread import spread
from shadematch.studio.palette import Palette
from shadematch.studio.pour import Pour
from shadematch.studio.recipe import Recipe
from shadematch.studio.target import Target
from shadematch.studio.view import View
from shadematch.support.files import checked_envelope, read_json, write_json
from shadematch.support.models import expect
from shadematch.support.report import Report, Reported, Row, Swatch

__all__ = ["FORMAT", "VERSION", "Result", "SavedRecipe", "kept", "load", "save"]

FORMAT: Final = "shadematch recipe"
VERSION: Final = 1
_SAME: Final = 0.01
"""CIEDE2000 between what is kept and what one version computes on any machine."""

Triple = tuple[float, float, float]


@dataclass(frozen=True)
class SavedRecipe(Reported):
    """What is kept of a recipe.

    Attributes
    ----------
    recipe, view, palette
        What was poured, how it was looked at, and the whole palette as it was.
    lab, hex, in_srgb
        The colour as it was predicted; see `Prediction`.
    target
        The wanted colour, if there was one.
    delta_e
        Predicted CIEDE2000 to the target.
    match
        The whole match, if it was one, without searching anew.
    note
        The maker's own words.
    library
        Version of shadematch that predicted it.
    """

    recipe: Recipe
    view: View
    palette: Palette = dataclasses.field(repr=False)
    lab: Triple
    hex: str
    in_srgb: bool
    target: Target | None = None
    delta_e: float | None = None
    match: Match | None = dataclasses.field(default=None, repr=False)
    note: str = ""
    library: str = __version__

    def report(self) -> Report:
        """The recipe and its colour as they were."""
        wanted = () if self.target is None else (Swatch.of(self.target, "wanted"),)
        rows = [
            Row("recipe", self.recipe.lines),
            Row("pour", f"{self.recipe.pour}, seen {self.view}"),
            Row.colour("predicted", self),
        ]
        if self.target is not None:
            rows.append(Row("target", str(self.target), swatch=Swatch.of(self.target)))
        if self.delta_e is not None:
            rows.append(Row("CIEDE2000", f"{self.delta_e:.2f} to the target"))
        if self.match is not None:
            rows.append(Row("proof", self.match.proof))
        rows.append(Row("palette", f"{self.palette.fingerprint}, shadematch {self.library}"))
        if self.note:
            rows.append(Row("note", self.note))
        return Report(swatches=(*wanted, Swatch.of(self, "predicted")), rows=tuple(rows))


Result = Match | Prediction | Recipe | SavedRecipe
"""What can be saved, and printed as a batch sheet."""


def kept(
    result: Result,
    *,
    palette: Palette | None = None,
    view: View | None = None,
    choice: Choice | None = None,
    note: str | None = None,
) -> SavedRecipe:
    """What `save` would keep of a result; see there for the parameters."""
    expect(
        result,
        (Match, Prediction, Recipe, SavedRecipe),
        "result",
        "Give a Match, a Prediction, a Recipe or a SavedRecipe",
    )
    if note is not None:
        expect(note, str, "note", "Give a text")
        if len(note) > LONGEST_NOTE:
            raise PourError(
                "is too long",
                field="note",
                value=f"{len(note)} letters",
                remedy=f"Give at most {LONGEST_NOTE}",
            )
    _nothing_else(result, _KNOWN)
    if not isinstance(result, Match) and choice is not None:
        raise PourError(
            "only a match has choices", field="choice", value=str(choice), remedy="Leave it out"
        )
    if isinstance(result, SavedRecipe):
        _not_twice(palette, result.palette, "palette")
        _not_twice(view, result.view, "view")
        return result if note is None else dataclasses.replace(result, note=note)
    if isinstance(result, Match):
        _not_twice(palette, result.palette, "palette")
        _not_twice(view, result.view, "view")
        chosen = result.choice if choice is None else choice
        expect(chosen, Choice, "choice", "Give one of match.choices, or match.closest")
        _nothing_else(chosen.recipe, _KNOWN)
        _nothing_else(result.target, _KNOWN)
        seen = chosen.predicted
        if chosen.recipe.pour != result.pour or seen.view != result.view:
            raise PourError(
                "is none of this match's",
                field="choice",
                value=str(chosen),
                remedy="Give one of match.choices, or match.closest",
            )
        return SavedRecipe(
            chosen.recipe,
            result.view,
            result.palette,
            seen.lab,
            seen.hex,
            seen.in_srgb,
            result.target,
            chosen.delta_e,
            result,
            note or "",
        )
    recipe = result.recipe if isinstance(result, Prediction) else result
    _nothing_else(recipe, _KNOWN)
    if isinstance(result, Prediction):
        _not_twice(view, result.view, "view")
        view = result.view
    palette, _, view = conditions(palette, recipe.pour, view)
    seen = predict(recipe, palette=palette, view=view)
    if isinstance(result, Prediction) and not np.allclose(seen.lab, result.lab, rtol=0, atol=1e-6):
        raise PourError(
            "this palette does not give the predicted colour",
            field="palette",
            value=palette.names,
            remedy="Give the palette that it was predicted with",
        )
    return SavedRecipe(
        seen.recipe, view, palette, seen.lab, seen.hex, seen.in_srgb, note=note or ""
    )


_KNOWN: Final = frozenset(
    {
        *("recipe", "view", "palette", "lab", "hex", "in_srgb", "target", "delta_e", "match"),
        *("note", "library", "reflectance", "xyz", "doses", "pour", "tolerance", "frugal"),
        *("closest", "bound", "proved", "frugal_proved", "boxes", "illuminant", "observer"),
        *("source", "covariance", "robust", "spread", "robust_complete", "weighed", "unit"),
    }
)
"""Fields of results that have a place in the file (a spectrum is computed anew)."""


def _nothing_else(thing: Result | Target, known: frozenset[str]) -> None:
    """Refuse what the file has no place for, rather than lose it."""
    for field in dataclasses.fields(thing):
        if field.name in known or field.name.startswith("_"):
            continue
        value = getattr(thing, field.name)
        if field.default is dataclasses.MISSING or value != field.default:
            raise PourError(
                f"a {type(thing).__name__} with this can't be kept or printed yet",
                field=field.name,
                value=value,
                remedy="Keep one without it",
            )


def _not_twice(given: object, own: object, field: str) -> None:
    if given is not None and (type(given) is not type(own) or given != own):
        raise PourError(
            f"the result brings its own {field}",
            field=field,
            value=str(given),
            remedy="Leave it out",
        )


def save(
    result: Result,
    path: str | os.PathLike[str],
    *,
    palette: Palette | None = None,
    view: View | None = None,
    choice: Choice | None = None,
    note: str | None = None,
) -> None:
    """Keep a recipe or a match in a JSON file, with all that next month needs to repeat it.

    Of a photo's target the colour and its covariance are kept, the region and the report not.

    The file is whole at every moment: whoever is killed while saving leaves the old one.

    Parameters
    ----------
    result
        A `Match`, `Prediction`, `Recipe` or `SavedRecipe`.
    path
        The file; one that is there is replaced.
    palette, view
        Of a `Recipe` (and the palette of a `Prediction`), which don't know them; by default the
        demo palette, and D65 on white paper.
    choice
        Of a `Match`, the choice that is poured; by default the frugal one, or the robust one
        of a robust match.
    note
        The maker's own words, at most 10,000 letters; by default none, or the one it has.

    Raises
    ------
    PourError, UnknownNameError
        If the parts don't fit together.
    FileError
        If the place can't be written, or a part is not fit to be read again, which is named.
    """
    saved = kept(result, palette=palette, view=view, choice=choice, note=note)
    content = _to_dict(saved)
    _checked(content)  # nothing is written that can't be read
    write_json(path, content)


def load(path: str | os.PathLike[str]) -> SavedRecipe:
    """Read what `save` wrote.

    Returns
    -------
    SavedRecipe
        Equal to what was saved. `shadematch.repeat` tells what it gives with today's palette.

    Raises
    ------
    FileError
        If the file can't be read, is from a newer version, or has an entry that is wrong, which
        is named.
    """
    with read_json(path, kind="recipe") as data:
        return _from_dict(data)


def _to_dict(saved: SavedRecipe) -> dict[str, Any]:
    target, match = saved.target, saved.match
    return {
        "format": FORMAT,
        "version": VERSION,
        "library": saved.library,
        "note": saved.note,
        **doses_to_dict(saved.recipe),
        "pour": saved.recipe.pour.model_dump(mode="json"),
        "view": saved.view.model_dump(mode="json"),
        "predicted": {
            "lab": [float(v) for v in saved.lab],
            "hex": saved.hex,
            "in_srgb": saved.in_srgb,
        },
        "delta_e": None if saved.delta_e is None else float(saved.delta_e),
        "target": None if target is None else target_to_dict(target),
        "match": None if match is None else _match_to_dict(match),
        "fingerprint": saved.palette.fingerprint,
        "palette": saved.palette.to_dict(),
    }


def _choice_to_dict(choice: Choice) -> dict[str, Any]:
    return {**doses_to_dict(choice.recipe), "delta_e": float(choice.delta_e)}


def _match_to_dict(match: Match) -> dict[str, Any]:
    asked, names = match._question.asked, match.palette.names
    robust: dict[str, Any] = {}
    if match.robust is not None and match.spread is not None:
        robust = _choice_to_dict(match.robust) | {"complete": match.robust_complete}
        robust |= {name: getattr(match.spread, name) for name in ("dose_slip", "scale_g")}
    return {
        **({"robust": robust} if robust else {}),
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
        "lights": [light_to_dict(light) for light in asked.lights],
        "let_downs": [let_down.model_dump(mode="json") for let_down in asked.let_downs],
    }


def _checked(data: object) -> SavedFile:
    return SavedFile(**checked_envelope(data, FORMAT, VERSION))


def _from_dict(data: object) -> SavedRecipe:
    file = _checked(data)
    palette = palette_of(file.palette, file.fingerprint)
    if (file.match is not None or file.delta_e is not None) and file.target is None:
        raise FileError("is missing", field="target", remedy="A match needs its target")
    target = None if file.target is None else target_of(file.target)
    recipe = recipe_of(file.doses, file.weighed, palette, file.pour)
    if file.library == __version__:  # another version may compute otherwise: `repeat` tells
        seen = predict(recipe.doses, palette=palette, pour=file.pour, view=file.view)
        if delta_e(np.array(seen.lab), np.array(file.predicted.lab)) > _SAME:
            raise FileError(
                "is not the colour of these doses in this pour and palette",
                field="predicted.lab",
                value=file.predicted.lab,
                remedy="The file was altered; match or predict anew",
            )
    match = None
    if file.match is not None and target is not None:
        match = _match_of(file.match, target, palette, file.pour, file.view)
    lab = file.predicted.lab
    return SavedRecipe(
        recipe,
        file.view,
        palette,
        lab,
        file.predicted.hex,
        file.predicted.in_srgb,
        target,
        file.delta_e,
        match,
        file.note,
        file.library,
    )


def _match_of(part: MatchPart, target: Target, palette: Palette, pour: Pour, view: View) -> Match:
    required, excluded = (
        tuple(sorted(palette.index(name) for name in names))
        for names in (part.must_use, part.must_avoid)
    )
    lights = checked_lights(part.lights)
    if lights and view.illuminant != lights[0]:
        raise FileError(
            "must be the first of the lights",
            field="view.illuminant",
            value=str(view.illuminant),
            remedy="The file was altered",
        )
    asked = Asked(
        palette=palette,
        pour=pour,
        view=view,
        max_pigments=part.max_pigments,
        required=required,
        excluded=excluded,
        lights=lights,
        let_downs=checked_let_downs(part.let_downs, palette, pour),
    )

    def choice(kept_: ChoicePart, field: str) -> Choice:
        recipe = recipe_of(kept_.doses, kept_.weighed, palette, pour)
        if not {w.let_down for w in recipe.weighed} <= set(asked.let_downs):
            raise FileError(
                "has one that was not to hand",
                field=f"match.{field}.weighed",
                value=str(recipe),
                remedy="The file was altered",
            )
        counts = asked.steps_of(recipe)
        steps = np.rint(counts)
        if np.abs(steps - counts).max() > 1e-6:
            raise FileError(
                "a dose is no multiple of the dose step",
                field=f"match.{field}.doses",
                value=str(recipe),
                remedy=f"The step is {pour.dose_step:g} {palette.unit}",
            )
        return asked.choice(steps, kept_.delta_e)

    closest = choice(part.closest, "closest")
    if closest.delta_e < part.bound - 1e-6:
        raise FileError(
            "lies above the closest recipe",
            field="match.bound",
            value=part.bound,
            remedy="A bound is a floor; the file was altered",
        )
    kept_ = part.robust
    robust = None if kept_ is None else choice(kept_, "robust")
    strayed = None
    if kept_ is not None and robust is not None:  # computed anew, like a spectrum
        strayed = spread(
            robust.recipe,
            palette=palette,
            view=view,
            target=target,
            dose_slip=kept_.dose_slip,
            scale_g=kept_.scale_g,
            lights=part.lights,
        )
    return Match(
        robust=robust,
        spread=strayed,
        robust_complete=part.robust is None or part.robust.complete,
        target=target,
        tolerance=part.tolerance,
        frugal=choice(part.frugal, "frugal"),
        closest=closest,
        bound=part.bound,
        proved=part.proved,
        frugal_proved=part.frugal_proved,
        boxes=part.boxes,
        _question=asked.question(target),
    )
