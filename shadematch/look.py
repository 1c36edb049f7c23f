"""The same look elsewhere: another thickness, mass, white fraction or view.

What is kept is the light that comes from the bar. The old bar has a spectrum, lying where it lay
(on its backing, wet or dry, or against the light); that spectrum is the target, and it is judged
under the new view's light. So the two bars are compared side by side under the new light, the
old one in its old place, the new one in its new place.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from shadematch.difference import delta_e
from shadematch.errors import PourError
from shadematch.html import card
from shadematch.match import Match, match
from shadematch.materials import Palette
from shadematch.models import expect
from shadematch.pour import Pour, Recipe, View
from shadematch.prediction import Prediction, conditions, predict
from shadematch.question import VISIBLE
from shadematch.target import Target

__all__ = ["SameLook", "same_look"]

How = Literal["same doses", "doses in proportion", "dosed anew"]

_SAYING: Final[dict[How, str]] = {
    "same doses": "the doses stay as they are",
    "doses in proportion": "the doses change with the mass",
    "dosed anew": "dosed anew",
}
_SAME: Final = 1e-9


@dataclass(frozen=True)
class SameLook:
    """A recipe taken elsewhere.

    Attributes
    ----------
    before
        The old bar: its recipe, where it was seen, its colour there.
    target
        What is wanted: the old bar's spectrum.
    recipe, delta_e, predicted
        What to pour now, how far its colour is from the old bar's (CIEDE2000 under the new
        light), and its prediction.
    how
        ``"same doses"``: as many centimetres as before; ``"doses in proportion"``: as many
        centimetres per 100 g as before; ``"dosed anew"``: searched for.
    kept
        The recipe with the same doses, or with doses in proportion to the mass, whichever looks
        more like the old bar; None where neither is in whole steps under the load limit.
    match
        The search in the new pour: `match.closest`, `match.bound` and `match.proved` say
        whether anything would look more like it.
    """

    before: Prediction
    target: Target
    recipe: Recipe
    delta_e: float
    predicted: Prediction
    how: How
    kept: Prediction | None
    match: Match

    def __str__(self) -> str:
        """In plain words."""
        old = self.before
        lines = [
            f"was        {old.recipe}",
            f"           {old.recipe.pour}, seen {old.view}, {old.hex}",
            f"now        {self.recipe} ({_SAYING[self.how]})",
            f"           {self.recipe.pour}, seen {self.predicted.view}, {self.predicted.hex}",
            f"CIEDE2000  {self.delta_e:.2f} to the old bar",
        ]
        if self.match.closest.delta_e < self.delta_e - 0.005:
            lines.append(f"closest    {self.match.closest}")
        lines.append(f"proof      {self.match.proof}")
        if self.delta_e > VISIBLE:
            lines.append(f"verdict    {self.match.verdict.sentence}")
            lines += [f"           {text}" for text in self.match.verdict.help]
        return "\n".join(lines)

    def _repr_html_(self) -> str:
        rows = [
            ("was", f"{self.before.recipe}"),
            ("in", f"{self.before.recipe.pour}, seen {self.before.view}"),
            ("now", f"{self.recipe} ({_SAYING[self.how]})"),
            ("in", f"{self.recipe.pour}, seen {self.predicted.view}"),
            ("CIEDE2000", f"{self.delta_e:.2f} to the old bar"),
            ("closest", str(self.match.closest)),
            ("proof", self.match.proof),
        ]
        swatches = [(self.target.hex, "was"), (self.predicted.hex, "now")]
        return card(swatches, rows, foot=str(self.match.verdict) if self.delta_e > VISIBLE else "")


def look_of(before: Prediction) -> Target:
    """The colour that a bar has, as a target that is known in any light.

    Parameters
    ----------
    before
        The bar's prediction.
    """
    spectrum = np.array(before.reflectance)
    spectrum.setflags(write=False)
    return Target(
        before.lab,
        before.view.illuminant,
        before.view.observer,
        f"the look of {before.recipe} in {before.recipe.pour}",
        spectrum,
    )


def same_look(
    recipe: Recipe | Match,
    *,
    to_pour: Pour | None = None,
    to_view: View | None = None,
    palette: Palette | None = None,
    view: View | None = None,
    tolerance: float = 0.5,
    keep_within: float = VISIBLE,
    max_pigments: int | None = None,
) -> SameLook:
    """Take a recipe to another pour or view, so that it looks as it did.

    Colour depends on load, so at one thickness doses go with the mass. In one mould thickness
    goes with the mass; then, in clear base, as many centimetres give the same colour whatever
    the mass. Both are tried first, and kept where they look the same (`keep_within`) or all but
    as much like the old bar as the best that the search finds (`tolerance`). Otherwise the
    recipe is dosed anew.

    Parameters
    ----------
    recipe
        What was poured, with its pour. A `Match` stands for its recipe, and brings its palette
        and view where none are given.
    to_pour, to_view
        Where it goes; by default as before.
    palette
        The pastes and bases of both; by default the demo palette.
    view
        How the old bar was looked at; by default D65 on white paper.
    tolerance
        How much worse than the closest recipe a kept one (or the frugal one) may be, in
        CIEDE2000.
    keep_within
        A kept recipe that is no farther from the old bar than this, in CIEDE2000, stands though
        another may be closer: a recipe isn't changed for a difference that nobody sees.
    max_pigments
        Most pigments in a new recipe.

    Returns
    -------
    SameLook

    Raises
    ------
    UnknownNameError
        If the palette lacks a pigment of the recipe.
    PourError
        If the new pour takes no paste, or something is of the wrong kind.

    Notes
    -----
    Under another light the target is what the old bar would look like in that light, from its
    spectrum; it is not its old appearance taken over by adaptation.
    """
    if isinstance(recipe, Match):
        palette = recipe.palette if palette is None else palette
        view = recipe.view if view is None else view
        recipe = recipe.recipe
    expect(recipe, Recipe, "recipe", "Give a Recipe, such as match(...).recipe")
    expect(keep_within, (int, float), "keep_within", "It is a CIEDE2000; 0 to keep nothing")
    if to_pour is None and to_view is None:
        raise PourError(
            "says nothing new",
            field="to_pour",
            remedy="Give to_pour=Pour(...), to_view=View(...) or both",
        )
    palette, pour, view = conditions(palette, recipe.pour if to_pour is None else to_pour, view)
    seen = conditions(palette, pour, view if to_view is None else to_view)[2]
    before = predict(recipe.doses_cm, palette=palette, pour=recipe.pour, view=view)
    before = replace(before, recipe=recipe)
    target = look_of(before)
    found = match(
        target,
        palette=palette,
        pour=pour,
        view=seen,
        tolerance=tolerance,
        max_pigments=max_pigments,
    )
    wanted = target.lab_in(seen)
    kept: list[tuple[float, How, Prediction]] = []
    ways: tuple[tuple[How, float], ...] = (
        ("same doses", 1.0),
        ("doses in proportion", pour.batch_g / recipe.pour.batch_g),
    )
    for how, factor in ways:
        doses = _in_steps(recipe, factor, pour)
        if doses is None or (max_pigments is not None and len(doses) > max_pigments):
            continue
        there = predict(doses, palette=palette, pour=pour, view=seen)
        kept.append((float(delta_e(np.array(there.lab), wanted)), how, there))
    best = min(kept, key=lambda k: k[0]) if kept else None
    enough = max(keep_within, found.closest.delta_e + tolerance) + _SAME
    if best is not None and best[0] <= enough:
        value, how, there = best
        return SameLook(before, target, there.recipe, value, there, how, there, found)
    return SameLook(
        before,
        target,
        found.recipe,
        found.delta_e,
        found.predicted,
        "dosed anew",
        None if best is None else best[2],
        found,
    )


def _in_steps(recipe: Recipe, factor: float, pour: Pour) -> dict[str, float] | None:
    """Doses times a factor, if the pour permits them."""
    doses, total = {}, 0
    for name, dose in recipe.doses_cm.items():
        steps = dose * factor / pour.dose_step_cm
        whole = round(steps)
        if abs(steps - whole) > 1e-9 * max(steps, 1.0):
            return None
        total += whole
        doses[name] = round(whole * pour.dose_step_cm, 9)
    return doses if total <= pour.max_steps else None
