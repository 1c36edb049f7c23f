"""One question to the search, and its answers as recipes."""

from __future__ import annotations

import functools
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from shadematch.colour.colorimetry import xyz_to_lab
from shadematch.colour.difference import delta_e
from shadematch.colour.illuminant import Light
from shadematch.predicting.prediction import Prediction, model_of, predict_loads
from shadematch.search.front import pareto_front
from shadematch.search.limits import pour_limits
from shadematch.search.searcher import Searcher
from shadematch.search.space import Space
from shadematch.search.whole import Solution
from shadematch.studio.palette import Palette
from shadematch.studio.pour import Pour
from shadematch.studio.recipe import LetDown, Recipe, Weighed
from shadematch.studio.target import Target
from shadematch.studio.view import View
from shadematch.support.arrays import FloatArray, IntArray

__all__ = ["CLOSEST", "VISIBLE", "Asked", "Choice", "Question"]

CLOSEST: Final = "the closest; match saves paste where that costs no more than its tolerance"
VISIBLE: Final = 1.0
"""CIEDE2000 up to which most people see one colour (common practice, no source)."""
_REACH: Final = 3.0


@dataclass(frozen=True)
class Choice:
    """A recipe and how close it comes.

    Attributes
    ----------
    recipe
        Doses and pour.
    delta_e
        Predicted CIEDE2000 to the target.
    expected
        Expected CIEDE2000, slips and pastes counted; None if not asked for.
    """

    recipe: Recipe
    delta_e: float
    _palette: Palette = field(repr=False, compare=False)
    _view: View = field(repr=False, compare=False)
    _loads: FloatArray = field(repr=False, compare=False)
    expected: float | None = field(default=None, compare=False)

    @functools.cached_property
    def predicted(self) -> Prediction:
        """The colour it will have."""
        return predict_loads(self._loads, self.recipe, self._palette, self._view)

    def __str__(self) -> str:
        """In plain words."""
        expected = "" if self.expected is None else f", {self.expected:.2f} expected"
        return f"{self.recipe}: CIEDE2000 {self.delta_e:.2f}{expected}"


@dataclass(frozen=True)
class Asked:
    """A question without its colour.

    Attributes
    ----------
    palette, pour, view
        The pastes and bases, what is made, and how it is looked at.
    max_pigments, required, excluded
        Most pigments; positions of those that must, and must not, have a dose.
    lights
        The lights that count; empty for the view's alone.
    let_downs
        The let-downs available.
    """

    palette: Palette
    pour: Pour
    view: View
    max_pigments: int | None = None
    required: tuple[int, ...] = ()
    excluded: tuple[int, ...] = ()
    lights: tuple[Light, ...] = ()
    let_downs: tuple[LetDown, ...] = ()

    @functools.cached_property
    def views(self) -> tuple[View, ...]:
        """One for each light that counts."""
        lights = [self.view.model_copy(update={"illuminant": name}) for name in self.lights]
        return tuple(lights) or (self.view,)

    @property
    def step_sizes(self) -> FloatArray:
        """Step of each kind of dose: pastes [palette's unit], then let-downs [g]; shape (k,)."""
        pastes = [self.pour.dose_step] * len(self.palette.names)
        return np.array([*pastes, *(let_down.step_g for let_down in self.let_downs)])

    def with_pour(self, **changes: float | str) -> Asked:
        """The same question in a pour with some fields changed."""
        return replace(self, pour=self.pour.model_copy(update=changes))

    @property
    def searcher(self) -> Searcher:
        """The search for its pour, kept for the next target."""
        return _kept_searcher(self)

    def new_searcher(self) -> Searcher:
        """The search, not kept: for a pour that is searched only once."""
        pour, palette = self.pour, self.palette
        models = [model_of(palette, pour, each) for each in self.views]
        limits = pour_limits(
            pour,
            len(palette.names),
            [(palette.index(d.pigment), d) for d in self.let_downs],
            max_tubes=self.max_pigments,
            required=self.required,
            excluded=self.excluded,
        )
        return Searcher(Space.of(models, pour.load_per_step, limits))

    def question(self, goal: Target) -> Question:
        """The question for one colour."""
        return Question(self, np.array([goal.lab_in(each) for each in self.views]))

    def choice(self, steps: FloatArray, delta_e: float, *, digits: int = 9) -> Choice:
        """The choice for a recipe in steps, shape (k,), its doses rounded to so many digits."""
        doses, masses = self.amounts(np.asarray(steps, dtype=float), digits)
        named = zip(self.palette.names, doses.tolist(), strict=True)
        weighed = zip(self.let_downs, masses.tolist(), strict=True)
        recipe = Recipe(
            {name: dose for name, dose in named if dose > 0.0},
            self.pour,
            tuple(Weighed(let_down, mass) for let_down, mass in weighed if mass > 0.0),
            self.palette.unit,
        )
        loads = doses * 100.0 / self.pour.batch_g
        return Choice(recipe, delta_e, self.palette, self.views[0], loads)

    def amounts(
        self, steps: FloatArray | IntArray, digits: int = 9
    ) -> tuple[FloatArray, FloatArray]:
        """Recipes in steps, shape (..., k), as doses and masses of let-downs.

        Rounded, so that a recipe has the same colour whoever computes it.

        Returns
        -------
        doses
            All paste of each pigment, that of let-downs included [palette's unit], (..., n).
        masses
            Of let-downs [g], (..., m).
        """
        size = len(self.palette.names)
        raw = np.where(steps > 10.0**-digits, steps, 0) * self.step_sizes
        doses, masses = raw[..., :size], np.round(raw[..., size:], digits)
        for i, let_down in enumerate(self.let_downs):
            doses[..., self.palette.index(let_down.pigment)] += (
                masses[..., i] * let_down.paste_per_g
            )
        return np.round(doses, digits), masses

    def chosen(self, found: Solution) -> Choice:
        """The choice for what a search found."""
        assert found.steps is not None
        return self.choice(found.steps.astype(float), found.delta_e)

    def steps_of(self, recipe: Recipe) -> FloatArray:
        """A recipe in real-valued steps of each kind of dose, shape (k,)."""
        doses = recipe.from_tubes
        steps = [doses.get(n, 0.0) / self.pour.dose_step for n in self.palette.names]
        masses = {part.let_down: part.mass_g for part in recipe.weighed}
        return np.array([*steps, *(masses.get(d, 0.0) / d.step_g for d in self.let_downs)])


_kept_searcher = functools.lru_cache(maxsize=8)(Asked.new_searcher)


@dataclass(frozen=True, eq=False)
class Question:
    """One question: `asked`, and CIELAB of the colour in each view that counts, shape (v, 3)."""

    asked: Asked
    labs: FloatArray

    def by_light(self, choice: Choice) -> dict[str, float]:
        """CIEDE2000 of a choice in each light asked for; empty if none was."""
        found = {}
        for light, view, wanted in zip(
            self.asked.lights, self.asked.views, self.labs, strict=False
        ):
            weights, white = view.observation
            lab = xyz_to_lab(weights @ choice.predicted.reflectance, white)
            found[str(light)] = float(delta_e(lab, wanted))
        return found

    def _found(self, choice: Choice) -> Solution:
        steps = np.rint(self.asked.steps_of(choice.recipe)).astype(np.intp)
        return Solution(steps, choice.delta_e, choice.delta_e, True, 0)

    def ideal(self, closest: Choice) -> Choice:
        """The real-valued optimum, or the closest whole choice if that is closer."""
        found = self.asked.choice(
            *self.asked.searcher.ideal(self.labs, self._found(closest)), digits=13
        )
        found = replace(found, delta_e=self.judged(found))
        # Where pastes scatter the search interpolates in a table, which may promise too much.
        return found if found.delta_e <= closest.delta_e else closest

    def judged(self, choice: Choice) -> float:
        """CIEDE2000 of a choice, the largest over all lights that count."""
        if self.asked.lights:
            return max(self.by_light(choice).values())
        return float(delta_e(self.labs[0], np.array(choice.predicted.lab)))

    def front(self, closest: Choice) -> tuple[Choice, ...]:
        """The Pareto front, from its closest choice on."""
        found = pareto_front(self.asked.searcher, self.labs, self._found(closest), _REACH)
        return tuple(self.asked.chosen(each) for each in found)

    def ideal_with(self, **changes: float | str) -> float:
        """CIEDE2000 of the real-valued optimum in a pour with some fields changed."""
        return self.asked.with_pour(**changes).new_searcher().ideal(self.labs)[1]
