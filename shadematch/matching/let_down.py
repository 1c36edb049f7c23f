"""Which let-down to make for a small bar of a pastel shade.

In a small bar one dose step of paste is already too much for a pastel shade. A let-down (paste
stirred into base beforehand, dosed by weight) allows doses between the steps.
"""

from __future__ import annotations

import functools
import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from shadematch.errors import PourError
from shadematch.matching.match import Match, match
from shadematch.matching.question import CLOSEST, Asked, Choice
from shadematch.matching.smallest_batch import positive
from shadematch.predicting.prediction import conditions, model_of
from shadematch.predicting.readings import usual_scale_g
from shadematch.predicting.sampled import strength_off
from shadematch.predicting.spread import Spread
from shadematch.search.real import real_floor
from shadematch.search.space import whole_space
from shadematch.studio.palette import Palette
from shadematch.studio.pour import LARGEST_BATCH_G, Pour
from shadematch.studio.recipe import MOST_LET_DOWNS, LetDown, Recipe
from shadematch.studio.target import HoldsTarget, Target, as_target
from shadematch.studio.view import View
from shadematch.support.arrays import FloatArray
from shadematch.support.models import expect, whole
from shadematch.support.report import Report, Reported, Row, Swatch, rows_of

__all__ = ["LetDownPlan", "ToMake", "propose_let_down"]

USUAL_BASES_G: Final = (10.0, 20.0, 25.0, 50.0, 100.0, 200.0)
"""Base for one dose step of paste [g], from strong to weak."""
_FINE: Final = 10_000
_LEAST_STEPS: Final = 5
"""Smallest amount of a let-down to weigh, in weighing steps."""
_NEARLY: Final = 0.5
"""Least gain in CIEDE2000 that makes a let-down, or one more of them, worth making."""
_SLACK: Final = 1e-9


@dataclass(frozen=True)
class ToMake:
    """One let-down to make up.

    Attributes
    ----------
    let_down
        The let-down.
    paste, base_g
        Its paste in whole dose steps [palette's unit], and its base [g].
    used_g
        How much of it the recipe takes [g]; the rest keeps for another bar.
    """

    let_down: LetDown
    paste: float
    base_g: float
    used_g: float

    @property
    def off(self) -> float:
        """How far its strength may be off, as a fraction, nine times in ten.

        For paste within 2 mm, or 0.1 g if weighed, and base within 1 g (a quarter of it, if that
        is less), either way.
        """
        return strength_off(
            self.paste,
            self.base_g,
            unit=self.let_down.unit,
            scale_g=usual_scale_g(self.base_g),
        )

    def __str__(self) -> str:
        """In plain words."""
        return (
            f"stir {self.paste:g} {self.let_down.unit} {self.let_down.pigment} into "
            f"{self.base_g:g} g of {self.let_down.blend}; the bar takes {self.used_g:g} g of it "
            f"(its strength may be {self.off:.0%} off; less if more is made at once)"
        )


@dataclass(frozen=True)
class LetDownPlan(Reported):
    """Which let-downs to make, if any.

    Attributes
    ----------
    target, within
        The colour, and the CIEDE2000 asked for.
    without
        The match without let-downs.
    to_make
        The let-downs; empty if none is needed or none is worth making.
    match
        The match with them; None if there are none.
    floor
        A proven floor of CIEDE2000 for any doses, however finely diluted; 0 if not needed, or
        if a pigment scatters.
    tried
        Number of combinations of pastes and strengths searched.
    """

    target: Target
    within: float
    without: Match
    to_make: tuple[ToMake, ...]
    match: Match | None = field(repr=False)
    floor: float
    tried: int

    @property
    def closest(self) -> Choice:
        """The closest recipe, with let-downs if they help."""
        return (self.match or self.without).closest

    @property
    def recipe(self) -> Recipe:
        """The recipe of `closest`."""
        return self.closest.recipe

    @functools.cached_property
    def spread(self) -> Spread:
        """How far `recipe` may be from the target."""
        return (self.match or self.without).spread_of(self.recipe)

    @property
    def reached(self) -> bool:
        """Whether it comes as close as asked."""
        return self.closest.delta_e <= self.within + _SLACK

    @property
    def sentence(self) -> str:
        """The answer in words."""
        asked = f"within CIEDE2000 {self.within:g}"
        alone = self.without.closest.delta_e
        if alone <= self.within:
            return f"No let-down is needed: the tubes alone reach {alone:.2f}."
        number = len(self.to_make)
        count = "one let-down" if number == 1 else f"{number} let-downs"
        if self.reached:
            few = f"{count.capitalize()} bring{'s' if number == 1 else ''}"
            return f"{few} the bar {asked}: {self.closest.delta_e:.2f} instead of {alone:.2f}."
        if self.floor > self.within:
            why = (
                f"No let-down can bring it {asked}: the pastes themselves stay {self.floor:.2f} "
                "away in this pour."
            )
        else:
            why = f"None of the {self.tried} combinations tried brings it {asked}."
        if self.match is None:
            return f"{why} The tubes alone reach {alone:.2f}, and no let-down gains enough."
        return f"{why} {count.capitalize()}: {self.closest.delta_e:.2f} instead of {alone:.2f}."

    def report(self) -> Report:
        """What to make, and the resulting recipe."""
        best = self.closest
        swatches = [
            Swatch.of(self.target, "wanted"),
            Swatch.of(self.without.closest.predicted, "tubes alone"),
        ]
        rows = [
            Row("target", str(self.target)),
            Row("answer", self.sentence),
            *rows_of("make", map(str, self.to_make)),
            *best.recipe.rows,
        ]
        if self.match is not None:
            swatches.append(Swatch.of(best.predicted, "with let-downs"))
            masses = best.recipe.clear_g, best.recipe.white_g
            bases = zip(masses, best.recipe.pour.kinds, strict=True)
            rest = " and ".join(f"{mass:g} g {kind}" for mass, kind in bases if mass > 1e-9)
            rows.append(Row("beside", rest or "no other base"))
        rows.append(Row("CIEDE2000", f"{best.delta_e:.2f}", note=CLOSEST))
        rows += self.spread.within_rows
        return Report(swatches=tuple(swatches), rows=tuple(rows))


def propose_let_down(
    target: HoldsTarget | str,
    *,
    palette: Palette | None = None,
    pour: Pour | None = None,
    view: View | None = None,
    within: float = 1.0,
    step_g: float = 1.0,
    least_g: float | None = None,
    bases_g: Sequence[float] = USUAL_BASES_G,
    max_let_downs: int = 3,
) -> LetDownPlan:
    """The let-downs to make so that a bar comes within a CIEDE2000.

    Tried are sets of one paste, then two, up to `max_let_downs`, each at every strength. A
    let-down of which the closest recipe takes less than `least_g` is made weaker until there is
    enough to weigh; if even the weakest is too strong, the set is dropped. The answer has the
    fewest let-downs; among those the strongest, which tie up the least base; among those the
    closest. Each search is exact unless it stopped early (`match.proved`).

    If nothing comes as close as asked, the answer is the fewest let-downs that are within 0.5 of
    the closest found, if they gain 0.5 over the tubes alone.

    Parameters
    ----------
    target
        A `Target`, or a hex code.
    palette, pour, view
        By default the demo palette, 500 g at 1 cm in clear base, and D65 on white paper.
    within
        The CIEDE2000 to reach.
    step_g
        The step that let-downs are weighed to [g].
    least_g
        Least mass of a let-down to weigh [g]; by default five steps: one step too many is then a
        fifth, like 2 mm of 1 cm of paste.
    bases_g
        Base for one dose step of paste to try [g].
    max_let_downs
        Most let-downs to make, 1 to 8.

    Returns
    -------
    LetDownPlan

    Raises
    ------
    ColourError
        If the target is not a colour.
    PourError
        If a number is out of range.
    """
    goal = as_target(target)
    palette, pour, view = conditions(palette, pour, view)
    wanted, step = positive(within, "within"), positive(step_g, "step_g")
    least = _LEAST_STEPS * step if least_g is None else positive(least_g, "least_g")
    expect(bases_g, Sequence, "bases_g", "Give a list of masses in g, such as [25, 50, 100]")
    bases = sorted(positive(b, "bases_g") for b in bases_g)
    for name, mass, most in (
        ("bases_g", max(bases, default=0.0), LARGEST_BATCH_G),
        ("least_g", least_g or 0.0, pour.batch_g),
    ):
        if mass > most:
            of = "the batch" if name == "least_g" else "any pot holds"
            raise PourError(
                f"is more than {of}", field=name, value=mass, remedy=f"Give at most {most:g} g"
            )
    remedy = "Two or three are enough to weigh"
    limit = whole(max_let_downs, "max_let_downs", 1, MOST_LET_DOWNS, remedy)
    without = _alone(goal, palette, pour, view)
    model = model_of(palette, pour, view)
    lab = goal.lab_in(view)
    floor = 0.0
    ideal = without.ideal.delta_e
    if ideal > wanted and not model.scattering_pigments:
        fine = whole_space(model, load_per_step=pour.max_load / _FINE, max_steps=_FINE)
        floor = real_floor(fine, lab, reached=ideal)
    alone = without.closest.delta_e
    # Where the pastes themselves can't come as close, almost as close as they can is enough.
    aim = wanted if floor <= wanted else ideal + _NEARLY
    tries = _Tries(lab, without, step, least, bases)

    def plan(let_downs: tuple[LetDown, ...] = ()) -> LetDownPlan:
        found, to_make = _made(goal, without, let_downs) if let_downs else (None, ())
        return LetDownPlan(
            target=goal,
            within=wanted,
            without=without,
            to_make=to_make,
            match=found,
            floor=floor,
            tried=tries.count,
        )

    if alone <= aim:
        return plan()
    nearest: list[_Tried] = []  # of each number
    for number in range(1, min(limit, len(palette.names)) + 1):
        useful = min([alone - _NEARLY, *(found.delta_e for found in nearest)])
        useful = max(useful, wanted + _SLACK)  # coming as close as asked is always worth it
        best: _Tried | None = None
        for base in bases:
            for names in itertools.combinations(palette.names, number):
                better = tries.found(names, base, min(useful, best.delta_e if best else np.inf))
                best = better or best
            if best is not None and best.delta_e <= aim + _SLACK:
                return plan(best.let_downs)
        if best is not None:
            nearest.append(best)
    for found in nearest:
        if found.delta_e <= nearest[-1].delta_e + _NEARLY:
            return plan(found.let_downs)
    return plan()


@dataclass(frozen=True)
class _Tried:
    let_downs: tuple[LetDown, ...]
    delta_e: float


class _Tries:
    """Searches with sets of let-downs, counted."""

    def __init__(
        self, lab: FloatArray, without: Match, step_g: float, least_g: float, bases: list[float]
    ) -> None:
        self.count = 0
        self._lab, self._without = lab[None], without
        self._step_g, self._least_g, self._bases = step_g, least_g, bases
        # The best real-valued doses do not depend on what is diluted.
        ideal, step = without.ideal.recipe.doses, without.pour.dose_step
        self._hint = [ideal.get(name, 0.0) / step for name in without.palette.names]

    def _made(self, name: str, base_g: float) -> LetDown:
        pour = self._without.pour
        return LetDown(
            pigment=name,
            paste_per_g=pour.dose_step / base_g,
            step_g=self._step_g,
            white=0.0 if pour.clear_g > 0 else 1.0,
            unit=self._without.palette.unit,
            base=pour.base,
        )

    def found(self, names: Sequence[str], base_g: float, limit: float) -> _Tried | None:
        """The strongest let-downs of these pastes that can be weighed, if below a CIEDE2000."""
        without, n = self._without, len(self._without.palette.names)
        made = dict.fromkeys(names, base_g)
        while made:
            self.count += 1
            let_downs = tuple(self._made(name, base) for name, base in made.items())
            asked = Asked(without.palette, without.pour, without.view, let_downs=let_downs)
            searcher = asked.new_searcher()
            hint = np.array([*self._hint, *(0.0 for _ in let_downs)])
            if searcher.closest(self._lab, hint=hint, below=limit).steps is None:
                return None
            closest = searcher.closest(self._lab)  # just as `match` finds it
            assert closest.steps is not None
            weighed = dict(zip(made, closest.steps[n:] * self._step_g, strict=True))
            if all(mass >= self._least_g - _SLACK for mass in weighed.values()):
                return _Tried(let_downs, closest.delta_e) if closest.delta_e < limit else None
            for name, mass in weighed.items():
                if mass <= 0.0:
                    del made[name]
                elif mass < self._least_g - _SLACK:
                    weaker = [b for b in self._bases if b > made[name]]
                    if not weaker:
                        return None
                    made[name] = weaker[0]
        return None


def _alone(goal: Target, palette: Palette, pour: Pour, view: View) -> Match:
    """The match with the tubes alone; without paste if not even one step is permitted."""
    if pour.max_steps >= 1:
        return match(goal, palette=palette, pour=pour, view=view)
    weakest = LetDown(
        pigment=palette.names[0],
        paste_per_g=1e-9,
        white=pour.white,
        unit=palette.unit,
        base=pour.base,
    )
    return match(
        goal, palette=palette, pour=pour, view=view, must_avoid=palette.names, let_downs=[weakest]
    )


def _made(
    goal: Target, without: Match, let_downs: tuple[LetDown, ...]
) -> tuple[Match, tuple[ToMake, ...]]:
    """The match with let-downs, and what to make of each."""
    found = match(
        goal,
        palette=without.palette,
        pour=without.pour,
        view=without.view,
        tolerance=0.0,
        let_downs=let_downs,
    )
    to_make = []
    step = without.pour.dose_step
    for part in found.closest.recipe.weighed:
        portions = math.ceil(part.paste / step - _SLACK)
        base = portions * step / part.let_down.paste_per_g
        to_make.append(
            ToMake(part.let_down, round(portions * step, 9), round(base, 9), part.mass_g)
        )
    return found, tuple(to_make)
