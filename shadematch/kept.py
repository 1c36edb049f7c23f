"""What is kept of a result: enough to pour it again."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import Final

import numpy as np

from shadematch._version import __version__
from shadematch.cautions import CAUTIONS
from shadematch.errors import PourError
from shadematch.html import card
from shadematch.match import Match
from shadematch.materials import Palette
from shadematch.models import expect
from shadematch.pour import Recipe, View
from shadematch.prediction import Prediction, conditions, predict
from shadematch.question import Choice
from shadematch.target import Target

__all__ = ["LONGEST_NOTE", "Result", "SavedRecipe", "kept"]

LONGEST_NOTE: Final = 10_000
"""Letters of a note."""

Triple = tuple[float, float, float]


@dataclass(frozen=True)
class SavedRecipe:
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

    def __str__(self) -> str:
        """In plain words."""
        lab = ", ".join(f"{v:.1f}" for v in self.lab)
        lines = [
            f"recipe     {self.recipe}",
            f"pour       {self.recipe.pour}, seen {self.view}",
            f"predicted  Lab ({lab}), {self.hex}{'' if self.in_srgb else ', outside sRGB'}",
        ]
        if self.target is not None:
            lines.append(f"target     {self.target.hex}: {self.target}")
        if self.delta_e is not None:
            lines.append(f"CIEDE2000  {self.delta_e:.2f} to the target")
        if self.match is not None:
            lines.append(f"proof      {self.match.proof}")
        lines.append(f"palette    {self.palette.fingerprint}, shadematch {self.library}")
        if self.note:
            lines.append(f"note       {self.note}")
        return "\n".join(lines)

    def _repr_html_(self) -> str:
        swatches = [] if self.target is None else [(self.target.hex, "wanted")]
        swatches.append((self.hex, "predicted"))
        rows = [(name, f"{dose:g} cm") for name, dose in self.recipe.doses_cm.items()]
        rows += [("into", str(self.recipe.pour)), ("seen", str(self.view))]
        if self.delta_e is not None:
            rows.append(("CIEDE2000", f"{self.delta_e:.2f}"))
        if self.match is not None:
            rows.append(("proof", self.match.proof))
        rows.append(("palette", f"{self.palette.fingerprint}, shadematch {self.library}"))
        return card(swatches, rows, foot=self.note, small=" ".join(CAUTIONS))


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
    expect(result, (Match, Prediction, Recipe, SavedRecipe), "result",
           "Give a Match, a Prediction, a Recipe or a SavedRecipe")  # fmt: skip
    if note is not None:
        expect(note, str, "note", "Give a text")
        if len(note) > LONGEST_NOTE:
            raise PourError(
                "is too long", field="note", value=f"{len(note)} letters",
                remedy=f"Give at most {LONGEST_NOTE}",
            )  # fmt: skip
    _nothing_else(result, _KNOWN)
    if not isinstance(result, Match) and choice is not None:
        raise PourError("only a match has choices", field="choice", value=str(choice),
                        remedy="Leave it out")  # fmt: skip
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
            raise PourError("is none of this match's", field="choice", value=str(chosen),
                            remedy="Give one of match.choices, or match.closest")  # fmt: skip
        return SavedRecipe(
            chosen.recipe, result.view, result.palette, seen.lab, seen.hex, seen.in_srgb,
            result.target, chosen.delta_e, result, note or "",
        )  # fmt: skip
    recipe = result.recipe if isinstance(result, Prediction) else result
    _nothing_else(recipe, _KNOWN)
    if isinstance(result, Prediction):
        _not_twice(view, result.view, "view")
        view = result.view
    palette, pour, view = conditions(palette, recipe.pour, view)
    seen = predict(recipe.doses_cm, palette=palette, pour=pour, view=view)
    if isinstance(result, Prediction) and not np.allclose(seen.lab, result.lab, rtol=0, atol=1e-6):
        raise PourError(
            "this palette does not give the predicted colour", field="palette",
            value=palette.names, remedy="Give the palette that it was predicted with",
        )  # fmt: skip
    own = dataclasses.replace(seen.recipe, weighed=recipe.weighed)
    return SavedRecipe(own, view, palette, seen.lab, seen.hex, seen.in_srgb, note=note or "")


_KNOWN: Final = frozenset(
    {
        *("recipe", "view", "palette", "lab", "hex", "in_srgb", "target", "delta_e", "match"),
        *("note", "library", "reflectance", "xyz", "doses_cm", "pour", "tolerance", "frugal"),
        *("closest", "bound", "proved", "frugal_proved", "boxes", "illuminant", "observer"),
        *("source", "covariance", "weighed", "steady", "spread", "steady_complete"),
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
                field=field.name, value=value, remedy="Keep one without it",
            )  # fmt: skip


def _not_twice(given: object, own: object, field: str) -> None:
    if given is not None and given != own:
        raise PourError(f"the result brings its own {field}", field=field, value=str(given),
                        remedy="Leave it out")  # fmt: skip
