"""Saved recipes: everything needed to pour a recipe or match again."""

from __future__ import annotations

import dataclasses
import functools
from dataclasses import dataclass
from typing import Annotated, Final

import numpy as np
from pydantic import Field, PlainSerializer

from shadematch._version import __version__
from shadematch.colour.colorimetry import lab_to_xyz, srgb_to_hex, xyz_to_srgb
from shadematch.colour.difference import delta_e
from shadematch.errors import FileError, PourError
from shadematch.keeping.forms import (
    LONGEST_NOTE,
    FromFields,
    PaletteEntry,
    RecipeEntry,
    TargetEntry,
    below,
    checked_note,
)
from shadematch.keeping.matches import MatchEntry, in_order
from shadematch.matching.match import Match
from shadematch.matching.question import Choice
from shadematch.predicting.prediction import Prediction, conditions, predict
from shadematch.predicting.spread import Spread, spread
from shadematch.studio.palette import Palette
from shadematch.studio.recipe import Recipe
from shadematch.studio.target import Target
from shadematch.studio.view import View
from shadematch.support.arrays import Triple
from shadematch.support.models import expect
from shadematch.support.report import Report, Reported, Row, Swatch

__all__ = ["Result", "SavedEntry", "SavedRecipe", "kept"]

_SAME: Final = 0.01
"""CIEDE2000 that one version may differ by from machine to machine."""
_ALIKE: Final = 1e-4
"""CIEDE2000 that two numbers of one file may differ by."""


@dataclass(frozen=True, kw_only=True)
class SavedRecipe(Reported):
    """A saved recipe.

    Attributes
    ----------
    note
        The maker's own note.
    recipe, view
        What was poured, and how it was looked at.
    lab
        The predicted colour, CIELAB in the view.
    target
        The wanted colour, or None.
    delta_e
        Predicted CIEDE2000 to the target, the worst of the lights that count; None without a
        target.
    match
        The whole match, if a match was saved. None too if another version saved it and computed
        different colours: its proof may no longer hold.
    library
        Version of shadematch that made the prediction.
    palette
        The palette at the time.

    Raises
    ------
    FileError, UnknownNameError
        If these contradict each other.
    """

    note: str
    recipe: Recipe
    view: View
    lab: Triple
    target: Target | None
    delta_e: float | None
    match: Match | None = dataclasses.field(repr=False)
    library: str
    palette: Palette = dataclasses.field(repr=False)

    def __post_init__(self) -> None:
        recipe, match, goal = self.recipe, self.match, self.target
        object.__setattr__(self, "recipe", in_order(recipe, self.palette))
        own = self.library == __version__  # another may compute other colours: see `repeat`
        seen = predict(recipe, palette=self.palette, view=self.view)
        if own and delta_e(np.array(seen.lab), np.array(self.lab)) > _SAME:
            raise FileError(
                "is not the colour of these doses in this pour and palette",
                field="lab",
                value=self.lab,
                remedy="The file was altered: match or predict again",
            )
        if (goal is None) != (self.delta_e is None) or (match is not None and goal is None):
            raise FileError("is missing", field="target", remedy="A match needs its target")
        if isinstance(match, MatchEntry):
            assert goal is not None
            lights = match.lights
            with below("match"):
                match = match.opened(goal, self.palette, recipe.pour, self.view)
            if match is None and own:
                raise _other_difference("match")
            object.__setattr__(self, "match", match)
        else:
            lights = () if match is None else match._question.asked.lights
        if goal is not None and self.delta_e is not None:
            least = float(delta_e(np.array(self.lab), goal.lab_in(self.view)))
            if lights and match is None:  # its colours in the other lights are no longer known
                object.__setattr__(self, "delta_e", least)
            elif self.delta_e < least - _ALIKE or (not lights and self.delta_e > least + _ALIKE):
                raise _other_difference("delta_e")

    @functools.cached_property
    def _shown(self) -> tuple[str, bool]:
        white = self.view.observation.white
        rgb, inside = xyz_to_srgb(lab_to_xyz(np.array(self.lab), white), white)
        return srgb_to_hex(rgb), bool(inside)

    @property
    def hex(self) -> str:
        """Nearest sRGB code."""
        return self._shown[0]

    @property
    def in_srgb(self) -> bool:
        """Whether the colour is inside sRGB."""
        return self._shown[1]

    def spread_of(self, *, dose_slip: float | None = None, scale_g: float | None = None) -> Spread:
        """How far it may stray: from its target, if it has one; with its match's readings."""
        match = self.match
        if match is not None and dose_slip is None and scale_g is None:
            return match.spread if match.recipe == self.recipe else match.spread_of(self.recipe)
        own = (None, None) if match is None else match.readings
        return spread(
            self.recipe,
            palette=self.palette,
            view=self.view,
            target=self.target,
            dose_slip=own[0] if dose_slip is None else dose_slip,
            scale_g=own[1] if scale_g is None else scale_g,
            lights=() if match is None else match._question.asked.lights,
        )

    def report(self) -> Report:
        """The recipe and its colour as saved."""
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
        rows += self.spread_of().within_rows
        if self.match is not None:
            rows.append(Row("proof", self.match.proof))
        rows.append(Row("palette", f"{self.palette.fingerprint}, shadematch {self.library}"))
        rows += self.palette.notice_rows
        if self.note:
            rows.append(Row("note", self.note))
        return Report(swatches=(*wanted, Swatch.of(self, "predicted")), rows=tuple(rows))


def _other_difference(field: str) -> FileError:
    remedy = "The file was altered: match again"
    return FileError("does not fit recipe and target", field=field, remedy=remedy)


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
    """What `save` would save of a result; see there for the parameters."""
    expect(
        result,
        (Match, Prediction, Recipe, SavedRecipe),
        "result",
        "Give a Match, a Prediction, a Recipe or a SavedRecipe",
    )
    if note is not None:
        checked_note(note)
    _nothing_else(result)
    if not isinstance(result, Match) and choice is not None:
        raise PourError(
            "only a match has choices", field="choice", value=str(choice), remedy="Leave it out"
        )
    if not isinstance(result, Recipe):
        _not_twice(view, result.view, "view")
        view = result.view
    if isinstance(result, Match | SavedRecipe):
        _not_twice(palette, result.palette, "palette")
        palette = result.palette
    if isinstance(result, SavedRecipe):
        return result if note is None else dataclasses.replace(result, note=note)
    if isinstance(result, Match):
        chosen = result.choice if choice is None else choice
        remedy = "Give one of match.choices, or match.closest"
        expect(chosen, Choice, "choice", remedy)
        _nothing_else(chosen.recipe)
        _nothing_else(result.target)
        seen, recipe = chosen.predicted, chosen.recipe
        if recipe.pour != result.pour or seen.view != view:
            raise PourError(
                "is not one of this match's", field="choice", value=str(chosen), remedy=remedy
            )
    else:
        chosen = None
        recipe = result.recipe if isinstance(result, Prediction) else result
        _nothing_else(recipe)
        seen = predict(recipe, palette=palette, view=view)
        recipe = seen.recipe  # its names as the palette spells them
    palette, _, view = conditions(palette, recipe.pour, view)
    if isinstance(result, Prediction) and not np.allclose(seen.lab, result.lab, rtol=0, atol=1e-6):
        raise PourError(
            "this palette does not give the predicted colour",
            field="palette",
            value=palette.names,
            remedy="Give the palette that it was predicted with",
        )
    return SavedRecipe(
        note=note or "",
        recipe=recipe,
        view=view,
        lab=seen.lab,
        target=result.target if isinstance(result, Match) else None,
        delta_e=None if chosen is None else chosen.delta_e,
        match=result if isinstance(result, Match) else None,
        library=__version__,
        palette=palette,
    )


_KNOWN: Final = frozenset(
    {
        *("recipe", "view", "palette", "lab", "hex", "in_srgb", "target", "delta_e", "match"),
        *("note", "library", "reflectance", "xyz", "doses", "pour", "tolerance", "frugal"),
        *("closest", "bound", "proved", "frugal_proved", "boxes", "illuminant", "observer"),
        *("source", "covariance", "robust", "readings", "weighed", "unit"),
    }
)
"""Fields of results that the file has a place for (a spectrum is recomputed)."""


def _nothing_else(thing: Result | Target) -> None:
    """Refuse what the file has no place for, rather than lose it."""
    for field in dataclasses.fields(thing):
        if field.name in _KNOWN or field.name.startswith("_"):
            continue
        value = getattr(thing, field.name)
        if field.default is dataclasses.MISSING or value != field.default:
            problem = f"a {type(thing).__name__} with this can't be saved or printed yet"
            raise PourError(problem, field=field.name, value=value, remedy="Save one without it")


def _not_twice(given: object, own: object, field: str) -> None:
    if given is not None and (type(given) is not type(own) or given != own):
        problem = f"the result has its own {field}"
        raise PourError(problem, field=field, value=str(given), remedy="Leave it out")


def _entry_of(match: Match | None) -> dict[str, object] | None:
    return None if match is None else MatchEntry.of(match).model_dump(mode="json")


SavedEntry = Annotated[
    SavedRecipe,
    FromFields(
        note=Annotated[str, Field(max_length=LONGEST_NOTE)],
        recipe=RecipeEntry,
        lab=Triple,
        target=TargetEntry | None,
        match=Annotated[MatchEntry | None, PlainSerializer(_entry_of)],
        library=Annotated[str, Field(max_length=100)],
        palette=PaletteEntry,
    ),
]
"""A saved recipe in a file."""
