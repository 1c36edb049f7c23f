"""The same look elsewhere: another thickness, mass, white fraction or view.

The target is the old bar's spectrum where it lay (on its backing, wet or dry, or against the
light), judged under the new view's light. So the two bars are compared side by side under the new
light, the old one in its old place, the new one in its new place.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass, field, replace
from typing import Final, Literal

import numpy as np

from shadematch.colour.difference import delta_e
from shadematch.errors import PourError
from shadematch.matching.match import Match, match
from shadematch.matching.question import VISIBLE
from shadematch.predicting.prediction import Prediction, conditions, predict
from shadematch.predicting.spread import Spread
from shadematch.studio.palette import Palette
from shadematch.studio.pour import Pour
from shadematch.studio.recipe import LetDown, Recipe, Weighed
from shadematch.studio.target import Target
from shadematch.studio.view import View
from shadematch.support.models import between, expect
from shadematch.support.report import Report, Reported, Row, Swatch, rows_of

__all__ = ["SameLook", "same_look"]

How = Literal["same doses", "doses in proportion", "dosed anew"]

_SAYING: Final[dict[How, str]] = {
    "same doses": "the same doses",
    "doses in proportion": "doses in proportion to the mass",
    "dosed anew": "dosed anew",
}
_SAME: Final = 1e-9


@dataclass(frozen=True)
class SameLook(Reported):
    """A recipe for another pour or view that looks like the old one.

    Attributes
    ----------
    before
        Prediction of the old bar.
    target
        The old bar's spectrum.
    recipe, delta_e, predicted
        What to pour now, its CIEDE2000 to the old bar under the new light, and its prediction.
    how
        ``"same doses"``: as much paste as before; ``"doses in proportion"``: as much paste
        per 100 g as before; ``"dosed anew"``: searched for.
    kept
        The recipe with the same doses, or with doses in proportion to the mass, whichever looks
        more like the old bar; None if neither is in whole steps under the load limit.
    match
        The match in the new pour: `match.closest`, `match.bound` and `match.proved` show whether
        anything would look more like the old bar.
    """

    before: Prediction = field(repr=False)
    target: Target
    recipe: Recipe
    delta_e: float
    predicted: Prediction
    how: How
    kept: Prediction | None = field(repr=False)
    match: Match = field(repr=False)

    @functools.cached_property
    def spread(self) -> Spread:
        """How far `recipe` may be from the old bar."""
        found = self.match
        return found.spread if self.recipe == found.recipe else found.spread_of(self.recipe)

    def report(self) -> Report:
        """The old recipe, the new one, and how alike they look."""
        old, new, found = self.before, self.predicted, self.match
        rows = [
            Row("was", old.recipe.lines),
            Row("was", f"{old.recipe.pour}, seen {old.view}", swatch=Swatch.of(old)),
            Row("now", self.recipe.lines, note=_SAYING[self.how]),
            Row("now", f"{self.recipe.pour}, seen {new.view}", swatch=Swatch.of(new)),
            Row("CIEDE2000", f"{self.delta_e:.2f} to the old bar"),
        ]
        rows += self.spread.within_rows
        if found.closest.delta_e < self.delta_e - 0.005:
            rows.append(Row("closest", str(found.closest)))
        rows.append(Row("proof", found.proof))
        if self.delta_e > VISIBLE and self.recipe == found.recipe:
            rows += [Row("verdict", found.verdict.sentence), *rows_of("try", found.verdict.help)]
        return Report(swatches=(Swatch.of(old, "was"), Swatch.of(new, "now")), rows=tuple(rows))


def _look_of(before: Prediction) -> Target:
    """The spectrum of a bar as a target."""
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
    within: float = VISIBLE,
    max_pigments: int | None = None,
) -> SameLook:
    """A recipe for another pour or view that looks like the old one.

    Colour depends on load, so at one thickness doses are proportional to the mass. In one mould
    thickness is proportional to the mass; then, in clear base, the same doses give the same
    colour whatever the mass. Both are tried first, and kept if they look the same (`within`) or
    almost as much like the old bar as the best that the search finds (`tolerance`). Otherwise
    the recipe is dosed anew. Let-downs of the old recipe are available for the new one if their
    base is in the new pour.

    Parameters
    ----------
    recipe
        What was poured, with its pour; or a `Match`, used with its recipe, palette, let-downs
        and, unless `view` is given, view.
    to_pour, to_view
        The new pour and view; by default unchanged.
    palette
        The pastes and bases of both; by default the demo palette.
    view
        How the old bar was looked at; by default D65 on white paper.
    tolerance
        How much farther than the closest recipe a kept one (or the frugal one) may be, in
        CIEDE2000, 0 to 100.
    within
        A kept recipe no farther than this from the old bar, in CIEDE2000, 0 to 100, is used even
        if another is closer: nobody sees the difference.
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
        If the new pour takes no paste, neither `to_pour` nor `to_view` is given, or an argument
        is of the wrong kind or out of range.

    Notes
    -----
    Under another light the target is how the old bar would look in that light, by its spectrum,
    not its old appearance adapted.
    """
    let_downs: list[LetDown] = []
    if isinstance(recipe, Match):
        let_downs += recipe.let_downs
        palette = recipe.palette if palette is None else palette
        view = recipe.view if view is None else view
        recipe = recipe.recipe
    expect(recipe, Recipe, "recipe", "Give a Recipe, such as match(...).recipe")
    near = between(within, "within", 0.0, 100.0, "It is a CIEDE2000")
    most_worse = between(tolerance, "tolerance", 0.0, 100.0, "It is a CIEDE2000, such as 0.5")
    if to_pour is None and to_view is None:
        remedy = "Give to_pour=Pour(...), to_view=View(...) or both"
        raise PourError("says nothing new", field="to_pour", remedy=remedy)
    palette, pour, view = conditions(palette, recipe.pour if to_pour is None else to_pour, view)
    seen = conditions(palette, pour, view if to_view is None else to_view)[2]
    before = predict(recipe, palette=palette, view=view)
    before = replace(before, recipe=recipe)  # in the order it was given in
    target = _look_of(before)
    let_downs += (part.let_down for part in recipe.weighed)
    if pour.white_g <= 0.0:  # only let-downs in a base that the pour has
        let_downs = [d for d in let_downs if d.white == 0.0]
    if pour.clear_g <= 0.0:
        let_downs = [d for d in let_downs if d.white == 1.0]
    let_downs = [d for d in let_downs if d.white == 1.0 or d.base == pour.base]
    found = match(
        target,
        palette=palette,
        pour=pour,
        view=seen,
        tolerance=most_worse,
        max_pigments=max_pigments,
        let_downs=let_downs,
    )
    wanted = target.lab_in(seen)
    kept: list[tuple[float, How, Prediction]] = []
    ways: tuple[tuple[How, float], ...] = (
        ("same doses", 1.0),
        ("doses in proportion", pour.batch_g / recipe.pour.batch_g),
    )
    for how, factor in ways:
        taken = _in_steps(recipe, factor, pour)
        if taken is None or (max_pigments is not None and taken.tubes > max_pigments):
            continue
        there = predict(taken, palette=palette, view=seen)
        kept.append((float(delta_e(np.array(there.lab), wanted)), how, there))
    best = min(kept, key=lambda k: k[0]) if kept else None
    enough = max(near, found.closest.delta_e + most_worse) + _SAME
    if best is not None and best[0] <= enough:
        value, how, there = best
        return SameLook(
            before=before,
            target=target,
            recipe=there.recipe,
            delta_e=value,
            predicted=there,
            how=how,
            kept=there,
            match=found,
        )
    return SameLook(
        before=before,
        target=target,
        recipe=found.recipe,
        delta_e=found.delta_e,
        predicted=found.predicted,
        how="dosed anew",
        kept=None if best is None else best[2],
        match=found,
    )


def _in_steps(recipe: Recipe, factor: float, pour: Pour) -> Recipe | None:
    """The recipe with doses times a factor, if the pour permits it."""
    doses: dict[str, float] = {}
    for name, dose in recipe.from_tubes.items():
        amount = _multiple(dose * factor, pour.dose_step)
        if amount is None:
            return None
        doses[name] = amount
    weighed = []
    for part in recipe.weighed:
        mass = _multiple(part.mass_g * factor, part.let_down.step_g)
        if mass is None:
            return None
        weighed.append(Weighed(part.let_down, mass))
        name = part.let_down.pigment
        doses[name] = round(doses.get(name, 0.0) + weighed[-1].paste, 9)
    try:
        taken = Recipe(doses, pour, tuple(weighed), recipe.unit)
    except PourError:  # the pour lacks the base of a let-down
        return None
    slack = 1e-9 * pour.dose_step
    return taken if taken.total <= pour.max_total + slack else None


def _multiple(amount: float, step: float) -> float | None:
    """An amount as an exact multiple of a step; None if it is not one."""
    count = round(amount / step)
    off = abs(amount / step - count)
    return None if off > 1e-9 * max(count, 1.0) else round(count * step, 9)
