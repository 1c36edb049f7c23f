"""One question to the search, and what can be said of its answer."""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass, field, fields, replace
from typing import Final, Literal

import numpy as np

from shadematch.colour.colorimetry import xyz_to_lab
from shadematch.colour.difference import delta_e
from shadematch.colour.illuminant import Light
from shadematch.colour.standards import checked_lights, observation
from shadematch.errors import PourError
from shadematch.predicting.prediction import (
    Prediction,
    conditions,
    model_for,
    predict_loads,
    spelled,
)
from shadematch.search.answer import Searcher
from shadematch.search.joint import JointSearcher, region_of
from shadematch.search.space import whole_space
from shadematch.search.whole import Found
from shadematch.studio.palette import Palette
from shadematch.studio.pour import LARGEST_BATCH_G, Pour, base_named
from shadematch.studio.recipe import MOST_LET_DOWNS, LetDown, Recipe, Weighed
from shadematch.studio.target import Target
from shadematch.studio.unit import check_unit, steps_in
from shadematch.studio.view import View
from shadematch.support.arrays import FloatArray, triple
from shadematch.support.models import check_most, expect, is_finite, listed

__all__ = [
    "VISIBLE",
    "Asked",
    "Choice",
    "Limit",
    "Question",
    "Verdict",
    "checked_asked",
    "checked_let_downs",
    "joint_searcher",
]

VISIBLE: Final = 1.0
"""CIEDE2000 up to which most people see one colour (common practice, no source)."""
_LOOSEST: Final = 1000.0
"""A tolerance [CIEDE2000] far beyond any two colours; keeps the bounds finite."""
_REACH: Final = 3.0
_WORTH: Final = 0.5

Limit = Literal["nothing", "dose steps", "load limit", "palette"]


@dataclass(frozen=True)
class Choice:
    """A recipe and how close it comes.

    Attributes
    ----------
    recipe
        Doses and pour.
    delta_e
        Predicted CIEDE2000 to the target.
    """

    recipe: Recipe
    delta_e: float
    _palette: Palette = field(repr=False, compare=False)
    _view: View = field(repr=False, compare=False)
    _loads: FloatArray = field(repr=False, compare=False)

    @functools.cached_property
    def predicted(self) -> Prediction:
        """The colour it will have."""
        return predict_loads(self._loads, self.recipe, self._palette, self._view)

    def __str__(self) -> str:
        """In plain words."""
        return f"{self.recipe}: CIEDE2000 {self.delta_e:.2f}"


@dataclass(frozen=True)
class Verdict:
    """What holds a match back, and what would help.

    Attributes
    ----------
    limit
        ``"nothing"`` (the colour is met, or as near as the target is known), ``"dose steps"``
        (whole centimetres or grams, as a rule), ``"load limit"`` or ``"palette"``.
    sentence
        The same in words.
    help
        Changes that were tried and found to bring the colour closer, best first.
    """

    limit: Limit
    sentence: str
    help: tuple[str, ...] = ()

    def __str__(self) -> str:
        """In plain words."""
        return " ".join((self.sentence, *self.help))


@dataclass(frozen=True, eq=False)
class Asked:
    """All of a question but its colour.

    Attributes
    ----------
    palette, pour, view
        With what, what, and how it is looked at.
    max_pigments, required, excluded
        Most pigments; positions of those that must, and must not, have a dose.
    lights
        All that count, where that is more than the view's.
    let_downs
        At hand beside the tubes.
    """

    palette: Palette
    pour: Pour
    view: View
    max_pigments: int | None = None
    required: tuple[int, ...] = ()
    excluded: tuple[int, ...] = ()
    lights: tuple[Light, ...] = ()
    let_downs: tuple[LetDown, ...] = ()

    @property
    def views(self) -> list[View]:
        """One for each light that counts."""
        lights = [self.view.model_copy(update={"illuminant": name}) for name in self.lights]
        return lights or [self.view]

    def question(self, goal: Target) -> Question:
        """The question for one colour."""
        return self.question_of(np.array([goal.lab_in(each) for each in self.views]))

    def question_of(self, labs: FloatArray) -> Question:
        """The same for its CIELAB in each view, shape (v, 3)."""
        given = {each.name: getattr(self, each.name) for each in fields(Asked)}
        return Question(
            **{**given, "view": self.views[0]},
            target=labs[0],
            light_targets=tuple(triple(lab) for lab in labs) if self.lights else (),
        )


@dataclass(frozen=True, eq=False)
class Question(Asked):
    """One question to the search; keeps what the answer's later questions need.

    Attributes
    ----------
    target
        CIELAB in the view, shape (3,).
    light_targets
        CIELAB in each of the lights.
    """

    target: FloatArray = field(kw_only=True)
    light_targets: tuple[tuple[float, float, float], ...] = field(default=(), kw_only=True)

    @property
    def goal(self) -> FloatArray:
        """The target as the search takes it: shape (3,), or (v, 3) for a joint search."""
        if self._joint:
            return np.array(self.light_targets) if self.lights else self.target[None]
        return self.target

    @property
    def _joint(self) -> bool:
        return bool(self.lights or self.let_downs)

    @property
    def searcher(self) -> Searcher | JointSearcher:
        """The search for its pour, kept for the next target."""
        if self._joint:
            return _kept_joint(*self._region, self.lights, self.let_downs)
        return _kept_searcher(*self._region)

    @property
    def plain_searcher(self) -> Searcher:
        """The same where neither several lights nor let-downs were asked for."""
        searcher = self.searcher
        assert isinstance(searcher, Searcher)
        return searcher

    @property
    def _region(self) -> _Region:
        return (
            *(self.palette, self.pour, self.view),
            *(self.max_pigments, self.required, self.excluded),
        )

    def _searcher_with(self, **changes: float) -> Searcher | JointSearcher:
        """The search for a pour with some fields changed; not kept, it is asked only once."""
        other = replace(self, pour=self.pour.model_copy(update=changes))
        if self._joint:
            return joint_searcher(*other._region, self.lights, self.let_downs)
        return _searcher(*other._region)

    def by_light(self, choice: Choice) -> dict[str, float]:
        """CIEDE2000 of a choice in each light that counts."""
        found = {}
        for light, wanted in zip(self.lights, self.light_targets, strict=True):
            weights, white = observation(light, self.view.observer)
            lab = xyz_to_lab(weights @ choice.predicted.reflectance, white)
            found[str(light)] = float(delta_e(lab, np.array(wanted)))
        return found

    def choice(self, steps: FloatArray, delta_e: float) -> Choice:
        """A recipe in steps, shape (n,) or of kinds (k,), as a choice."""
        steps = np.asarray(steps, dtype=float)
        size = len(self.palette.names)
        weighed = tuple(
            Weighed(let_down, round(float(count) * let_down.step_g, 9))
            for let_down, count in zip(self.let_downs, steps[size:], strict=False)
            if count > 1e-9
        )
        paste = steps[:size] * self.pour.dose_step
        for part in weighed:
            paste[self.palette.index(part.let_down.pigment)] += part.paste
        doses = {
            name: round(float(dose), 9)
            for name, dose in zip(self.palette.names, paste, strict=True)
            if dose > 1e-9 * self.pour.dose_step
        }
        # Of the doses as they are told, so that the recipe has one colour whoever computes it.
        told = np.array([doses.get(name, 0.0) for name in self.palette.names])
        loads = told * 100.0 / self.pour.batch_g
        recipe = Recipe(doses, self.pour, weighed, self.palette.unit)
        return Choice(recipe, delta_e, self.palette, self.view, loads)

    def chosen(self, found: Found) -> Choice:
        """The same for what a search has found."""
        assert found.steps is not None
        return self.choice(found.steps.astype(float), found.delta_e)

    def steps_of(self, choice: Choice) -> FloatArray:
        """The steps of a choice, shape (n,), or (k,) where there are let-downs."""
        doses = choice.recipe.squeezed
        squeezed = [doses.get(n, 0.0) / self.pour.dose_step for n in self.palette.names]
        masses = {part.let_down: part.mass_g for part in choice.recipe.weighed}
        return np.array([*squeezed, *(masses.get(d, 0.0) / d.step_g for d in self.let_downs)])

    def ideal(self, closest: Choice) -> Choice:
        """The continuous optimum, judged against the closest whole choice."""
        whole = np.rint(self.steps_of(closest)).astype(np.int64)
        best = Found(whole, closest.delta_e, closest.delta_e, True, 0)
        found = self.choice(*self.searcher.ideal(self.goal, best))
        return replace(found, delta_e=self._judged(found))

    def _judged(self, choice: Choice) -> float:
        """CIEDE2000 of a choice, the worst of all lights that count."""
        if self.lights:
            return max(self.by_light(choice).values())
        return float(delta_e(self.target, np.array(choice.predicted.lab)))

    def front(self, best: Choice) -> tuple[Choice, ...]:
        """The Pareto front, from its closest choice on."""
        steps = np.rint(self.steps_of(best)).astype(np.int64)
        found = Found(steps, best.delta_e, best.delta_e, True, 0)
        return tuple(self.chosen(f) for f in self.searcher.front(self.goal, found, _REACH))

    def ideal_with(self, **changes: float) -> float:
        """CIEDE2000 of the continuous optimum in a pour with some fields changed."""
        return self._searcher_with(**changes).ideal(self.goal)[1]

    def closest_with(self, **changes: float) -> float:
        """CIEDE2000 of the closest whole recipe in a pour with some fields changed."""
        return self._searcher_with(**changes).closest(self.goal).delta_e

    def verdict(self, closest: Choice, ideal_: Choice) -> Verdict:
        """What holds the closest recipe back, judged against the ideal one."""
        reached, pour, unit = closest.delta_e, self.pour, self.palette.unit
        best = min(ideal_.delta_e, reached)
        if reached <= VISIBLE:
            return Verdict("nothing", "Nothing holds it back: most people see no difference.")
        if reached - best > best - 0.5 * VISIBLE:
            tries = []
            for factor in (2, 5, 10):
                batch = pour.batch_g * factor
                if batch > LARGEST_BATCH_G:
                    break
                value = self.closest_with(batch_g=batch)
                if value < reached - 0.2:
                    tries.append((value, f"A batch of {batch:g} g comes to {value:.2f}."))
                if value <= VISIBLE:
                    break
            if pour.dose_step > 0.5:
                value = self.closest_with(dose_step=pour.dose_step / 2)
                if value < reached - 0.2:
                    tries.append(
                        (value, f"Dosing to {pour.dose_step / 2:g} {unit} comes to {value:.2f}.")
                    )
            steps = steps_in(unit, pour.dose_step)
            if self.let_downs:
                steps = f"the steps of {'ruler and scale' if unit == 'cm' else 'the scales'}"
            return Verdict(
                "dose steps",
                f"Held back by {steps}: without them {best:.2f} could be had.",
                tuple(text for _, text in sorted(tries)),
            )
        full = ideal_.recipe.load >= 0.98 * pour.max_load
        freed = self.ideal_with(max_load=pour.max_load * 4) if full else best
        changes = self._other_pours(best)
        if best - freed > max(_WORTH, 0.25 * best):
            return Verdict(
                "load limit",
                f"Held back by the load limit of {pour.max_load:g} {unit} per 100 g: "
                f"without it {freed:.2f} could be had.",
                changes,
            )
        return Verdict(
            "palette",
            f"Held back by the palette: in this pour its pastes come to {best:.2f} at best.",
            changes,
        )

    def _other_pours(self, best: float) -> tuple[str, ...]:
        pour = self.pour
        tries: list[tuple[float, str]] = []
        for factor, word in ((0.5, "thinner"), (2.0, "thicker")):
            thickness = pour.thickness_cm * factor
            if 0.01 <= thickness <= 100:
                value = self.ideal_with(thickness_cm=thickness)
                tries.append(
                    (value, f"A {word} bar of {thickness:g} cm could come to {value:.2f}.")
                )
        for white in sorted({0.0, round(pour.white / 2, 3), 0.5, 1.0} - {pour.white}):
            value = self.ideal_with(white=white)
            tries.append((value, f"{base_named(white).capitalize()} could come to {value:.2f}."))
        useful = sorted(t for t in tries if t[0] < best - _WORTH)
        return tuple(text for _, text in useful[:3])


_Region = tuple[Palette, Pour, View, int | None, tuple[int, ...], tuple[int, ...]]


def _searcher(
    palette: Palette,
    pour: Pour,
    view: View,
    max_pigments: int | None,
    required: tuple[int, ...],
    excluded: tuple[int, ...],
) -> Searcher:
    model = model_for(palette, pour.thickness_cm, pour.white, view)
    whole = whole_space(
        model,
        load_per_step=pour.load_per_step,
        max_steps=pour.max_steps,
        max_tubes=max_pigments,
        required=required,
        excluded=excluded,
    )
    return Searcher(model, whole, pour.load_per_step)


def joint_searcher(
    palette: Palette,
    pour: Pour,
    view: View,
    max_pigments: int | None,
    required: tuple[int, ...],
    excluded: tuple[int, ...],
    lights: tuple[Light, ...],
    let_downs: tuple[LetDown, ...],
) -> JointSearcher:
    """A search for several lights or with let-downs; not kept."""
    views = [view.model_copy(update={"illuminant": light}) for light in lights] or [view]
    models = tuple(model_for(palette, pour.thickness_cm, pour.white, each) for each in views)
    region = region_of(
        pour,
        len(palette.names),
        [(palette.index(d.pigment), d) for d in let_downs],
        max_tubes=max_pigments,
        required=required,
        excluded=excluded,
    )
    return JointSearcher(models, region, pour, excluded=excluded)


_kept_searcher = functools.lru_cache(maxsize=8)(_searcher)
_kept_joint = functools.lru_cache(maxsize=4)(joint_searcher)


def checked_let_downs(
    let_downs: Sequence[LetDown], palette: Palette, pour: Pour
) -> tuple[LetDown, ...]:
    """Let-downs, each once.

    Raises
    ------
    UnknownNameError
        If the palette lacks a pigment.
    PourError
        If one is no let-down, is in another unit than the palette, is made in a base that the
        pour lacks, or they are too many.
    """
    if isinstance(let_downs, LetDown):
        let_downs = (let_downs,)
    expect(let_downs, Sequence, "let_downs", "Give a list of LetDown(...)")
    for let_down in let_downs:
        expect(let_down, LetDown, "let_downs", "Give LetDown(pigment=..., paste_per_g=...)")
        check_unit(let_down.unit, palette.unit, "let_downs")
        clear, white = 1 - let_down.white, let_down.white
        fits = (clear == 0 or pour.clear_g > 0) and (white == 0 or pour.white_g > 0)
        if not fits:
            raise PourError(
                "has base of a kind that the batch has none of",
                field="let_downs",
                value=str(let_down),
                remedy="Make it in the same base as the batch",
            )
    kept = tuple(dict.fromkeys(spelled(let_down, palette) for let_down in let_downs))
    if len(kept) > MOST_LET_DOWNS:
        raise PourError(
            "are too many",
            field="let_downs",
            value=len(kept),
            remedy=f"Give at most {MOST_LET_DOWNS}",
        )
    return kept


def _names(given: Sequence[str], field: str) -> tuple[str, ...]:
    remedy = "Give a list of pigment names"
    return (given,) if isinstance(given, str) else listed(given, field, remedy)


def checked_asked(
    palette: Palette | None,
    pour: Pour | None,
    view: View | None,
    *,
    tolerance: float | None,
    max_pigments: int | None,
    must_use: Sequence[str],
    must_avoid: Sequence[str],
    lights: Sequence[Light],
    let_downs: Sequence[LetDown],
) -> Asked:
    """What a person asks for, with what is meant where nothing was said.

    Raises
    ------
    UnknownNameError
        If the palette lacks a name.
    PourError
        If not even one dose step is permitted, the limits contradict each other, or an argument
        is of a wrong kind.
    """
    palette, pour, view = conditions(palette, pour, view)
    at_hand = checked_let_downs(let_downs, palette, pour)
    if tolerance is not None and not (is_finite(tolerance) and 0 <= tolerance <= _LOOSEST):
        raise PourError(
            f"must be a number from 0 to {_LOOSEST:,g}",
            field="tolerance",
            value=tolerance,
            remedy="It is a CIEDE2000; 0.5 is invisible to most",
        )
    required, excluded = (
        tuple(sorted({palette.index(name) for name in names}))
        for names in (_names(must_use, "must_use"), _names(must_avoid, "must_avoid"))
    )
    both = set(required) & set(excluded)
    if both:
        raise PourError(
            "a pigment can't be both used and avoided",
            field="must_use",
            value=palette.names[min(both)],
            remedy="Drop it from one of the two",
        )
    check_most(max_pigments)
    least = max(1, len(required))
    if max_pigments is not None and max_pigments < least:
        raise PourError(
            "is less than the number of pigments to be used",
            field="max_pigments",
            value=max_pigments,
            remedy=f"Give a number from {least} to {len(palette.pigments)}",
        )
    if pour.max_steps < least and not at_hand:
        needed = pour.dose_step * least * 100.0 / pour.max_load
        other = "allow a higher load or a smaller dose step"
        many = needed > LARGEST_BATCH_G
        raise PourError(
            f"too small for {least * pour.dose_step:g} {palette.unit} of paste "
            "under the load limit",
            field="batch_g",
            value=pour.batch_g,
            remedy=other.capitalize() if many else f"Melt at least {needed:g} g, or {other}",
        )
    counted = checked_lights(lights)
    return Asked(palette, pour, view, max_pigments, required, excluded, counted, at_hand)
