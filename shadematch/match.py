"""A target in, whole centimetres out."""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final, Literal

import numpy as np

from shadematch.arrays import FloatArray
from shadematch.errors import PourError
from shadematch.materials import Palette, load_palette
from shadematch.pour import Pour, Recipe, View
from shadematch.prediction import Model, Prediction, model_for, predict_loads
from shadematch.search.answer import Searcher
from shadematch.search.ideal import ideal
from shadematch.search.space import whole_space
from shadematch.search.whole import Found
from shadematch.target import Target, as_target

__all__ = ["Choice", "Match", "Verdict", "match"]

VISIBLE: Final = 1.0
"""CIEDE2000 up to which most people see one colour (common practice, no source)."""
_REACH: Final = 3.0
_WORTH: Final = 0.5

Limit = Literal["nothing", "whole centimetres", "load limit", "palette"]


@dataclass(frozen=True)
class Choice:
    """A recipe and how close it comes.

    Attributes
    ----------
    recipe
        Doses and pour.
    delta_e
        Predicted CIEDE2000 to the target.
    predicted
        The colour it will have.
    """

    recipe: Recipe
    delta_e: float
    predicted: Prediction

    def __str__(self) -> str:
        """In plain words."""
        return f"{self.recipe}: CIEDE2000 {self.delta_e:.2f}"


@dataclass(frozen=True)
class Verdict:
    """What holds a match back, and what would help.

    Attributes
    ----------
    limit
        ``"nothing"`` (the colour is met), ``"whole centimetres"``, ``"load limit"`` or
        ``"palette"``.
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


@dataclass(frozen=True)
class Match:
    """The answer to one target.

    Attributes
    ----------
    target, palette, pour, view, tolerance
        What was asked.
    frugal
        The choice with the least paste among those at most `tolerance` worse than the closest.
    closest
        The choice with the smallest CIEDE2000.
    ideal
        The best before doses are made whole (found from several starts, not proved).
    bound
        No permitted recipe has a smaller CIEDE2000.
    proved
        Whether `closest.delta_e` is within 0.01 of `bound`.
    frugal_proved
        Whether it is proved that no recipe within the tolerance has less paste than `frugal`.
    boxes
        How many boxes of recipes the proof took.
    """

    target: Target
    palette: Palette = field(repr=False)
    pour: Pour
    view: View
    tolerance: float
    frugal: Choice
    closest: Choice
    ideal: Choice
    bound: float
    proved: bool
    frugal_proved: bool
    boxes: int
    _asked: _Asked = field(repr=False, compare=False)

    @property
    def recipe(self) -> Recipe:
        """The frugal choice's recipe."""
        return self.frugal.recipe

    @property
    def delta_e(self) -> float:
        """The frugal choice's predicted CIEDE2000."""
        return self.frugal.delta_e

    @property
    def predicted(self) -> Prediction:
        """The frugal choice's predicted colour."""
        return self.frugal.predicted

    @functools.cached_property
    def choices(self) -> tuple[Choice, ...]:
        """Accuracy against paste against number of tubes: the Pareto front, closest first.

        Every choice is undominated: none has a smaller CIEDE2000 without more paste or more
        tubes. Listed are those within 3 of the closest; on long fronts each saves at least a
        twentieth of the paste of the one before.
        """
        return self._asked.front(self.closest)

    @functools.cached_property
    def verdict(self) -> Verdict:
        """What holds it back, and what would help."""
        return self._asked.verdict(self)

    def __str__(self) -> str:
        """In plain words."""
        proportions = self.recipe.proportions or {}
        lines = [
            f"target     {self.target}",
            f"pour       {self.pour}, seen {self.view}",
            f"recipe     {self.recipe}",
        ]
        if len(proportions) > 1:
            lines.append(
                f"           proportions {':'.join(str(v) for v in proportions.values())}, "
                f"{self.recipe.total_cm:g} cm in all, {self.recipe.load:.2f} cm per 100 g"
            )
        lab = ", ".join(f"{v:.1f}" for v in self.predicted.lab)
        note = "" if self.predicted.in_srgb else ", outside sRGB"
        lines.append(f"predicted  Lab ({lab}), {self.predicted.hex}{note}")
        lines.append(f"CIEDE2000  {self.delta_e:.2f} to the target")
        if self.closest.recipe.doses_cm != self.recipe.doses_cm:
            lines.append(f"closest    {self.closest}")
        lines.append(
            "proof      " + (
                f"nothing permitted comes closer than {self.bound:.2f}"
                if self.proved
                else f"not closed: nothing permitted comes closer than {self.bound:.2f}"
            )
        )  # fmt: skip
        lines.append(f"verdict    {self.verdict}")
        return "\n".join(lines)

    def _repr_html_(self) -> str:
        from shadematch.html import match_card

        return match_card(self)


@dataclass(frozen=True, eq=False)
class _Asked:
    """One question to the search; keeps what the answer's later questions need."""

    target: FloatArray  # CIELAB in the view
    palette: Palette
    pour: Pour
    view: View
    max_pigments: int | None
    required: tuple[int, ...]
    excluded: tuple[int, ...]

    @property
    def model(self) -> Model:
        return model_for(self.palette, self.pour.thickness_cm, self.pour.white, self.view)

    @functools.cached_property
    def searcher(self) -> Searcher:
        per_step = self.pour.load_per_step
        whole = whole_space(
            self.model,
            load_per_step=per_step,
            max_steps=self.pour.max_steps,
            max_tubes=self.max_pigments,
            required=self.required,
            excluded=self.excluded,
        )
        return Searcher(self.model, whole, per_step)

    def choice(self, steps: FloatArray, delta_e: float) -> Choice:
        step = self.pour.dose_step_cm
        names = self.palette.names
        doses = {
            name: round(float(count) * step, 9)
            for name, count in zip(names, steps, strict=True)
            if count > 1e-9
        }
        recipe = Recipe(doses, self.pour)
        loads = np.asarray(steps, dtype=float) * self.pour.load_per_step
        return Choice(recipe, delta_e, predict_loads(loads, recipe, self.palette, self.view))

    def chosen(self, found: Found) -> Choice:
        assert found.steps is not None
        return self.choice(found.steps.astype(float), found.delta_e)

    def steps_of(self, choice: Choice) -> FloatArray:
        doses = choice.recipe.doses_cm
        return np.array([doses.get(n, 0.0) for n in self.palette.names]) / self.pour.dose_step_cm

    def front(self, best: Choice) -> tuple[Choice, ...]:
        steps = np.rint(self.steps_of(best)).astype(np.int64)
        found = Found(steps, best.delta_e, best.delta_e, True, 0)
        return tuple(self.chosen(f) for f in self.searcher.front(self.target, found, _REACH))

    def ideal_with(self, **changes: float) -> float:
        """CIEDE2000 of the continuous optimum in a pour with some fields changed."""
        pour = self.pour.model_copy(update=changes)
        model = model_for(self.palette, pour.thickness_cm, pour.white, self.view)
        whole = whole_space(
            model,
            load_per_step=pour.load_per_step,
            max_steps=max(pour.max_steps, len(self.required), 1),
            max_tubes=self.max_pigments,
            required=(),
            excluded=self.excluded,
        )
        return ideal(whole, self.target)[1]

    def closest_with(self, **changes: float) -> float:
        """CIEDE2000 of the closest whole recipe in a pour with some fields changed."""
        asked = _Asked(
            self.target,
            self.palette,
            self.pour.model_copy(update=changes),
            self.view,
            self.max_pigments,
            self.required,
            self.excluded,
        )
        searcher = asked.searcher
        hint = ideal(searcher.whole, self.target)[0]
        return searcher.closest(self.target, hint=hint).delta_e

    def verdict(self, match_: Match) -> Verdict:
        reached, pour = match_.closest.delta_e, self.pour
        best = min(match_.ideal.delta_e, reached)
        if reached <= VISIBLE:
            return Verdict("nothing", "Nothing holds it back: most people see no difference.")
        if reached - best > best - 0.5 * VISIBLE:
            tries = []
            for factor in (2, 5, 10):
                batch = pour.batch_g * factor
                value = self.closest_with(batch_g=batch)
                if value < reached - 0.2:
                    tries.append((value, f"A batch of {batch:g} g comes to {value:.2f}."))
                if value <= VISIBLE:
                    break
            if pour.dose_step_cm > 0.5:
                value = self.closest_with(dose_step_cm=pour.dose_step_cm / 2)
                if value < reached - 0.2:
                    tries.append(
                        (value, f"Dosing to {pour.dose_step_cm / 2:g} cm comes to {value:.2f}.")
                    )
            return Verdict(
                "whole centimetres",
                f"Held back by whole centimetres: without them {best:.2f} could be had.",
                tuple(text for _, text in sorted(tries)),
            )
        full = match_.ideal.recipe.load >= 0.98 * pour.max_load
        freed = self.ideal_with(max_load=pour.max_load * 4) if full else best
        changes = self._other_pours(best)
        if best - freed > max(_WORTH, 0.25 * best):
            return Verdict(
                "load limit",
                f"Held back by the load limit of {pour.max_load:g} cm per 100 g: "
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
            base = "Clear base" if white == 0 else f"Base with {white:.0%} white"
            tries.append((value, f"{base} could come to {value:.2f}."))
        useful = sorted(t for t in tries if t[0] < best - _WORTH)
        return tuple(text for _, text in useful[:3])


def _checked(
    palette: Palette, pour: Pour, max_pigments: int | None, must_use: Sequence[str],
    must_avoid: Sequence[str], tolerance: float,
) -> tuple[tuple[int, ...], tuple[int, ...]]:  # fmt: skip
    if isinstance(must_use, str):
        must_use = (must_use,)
    if isinstance(must_avoid, str):
        must_avoid = (must_avoid,)
    if not np.isfinite(tolerance) or tolerance < 0:
        raise PourError(
            "must be finite and not negative",
            field="tolerance",
            value=tolerance,
            remedy="It is a CIEDE2000; 0.5 is invisible to most",
        )
    required = tuple(sorted({palette.index(name) for name in must_use}))
    excluded = tuple(sorted({palette.index(name) for name in must_avoid}))
    both = set(required) & set(excluded)
    if both:
        raise PourError(
            "a pigment can't be both used and avoided",
            field="must_use",
            value=palette.names[min(both)],
            remedy="Drop it from one of the two",
        )
    if max_pigments is not None and (
        isinstance(max_pigments, bool)
        or not isinstance(max_pigments, int)
        or max_pigments < max(1, len(required))
    ):
        raise PourError(
            "must be a whole number, at least 1 and at least the number of pigments to be used",
            field="max_pigments",
            value=max_pigments,
            remedy=f"Give a number from {max(1, len(required))} to {len(palette.pigments)}",
        )
    least = max(1, len(required))
    if pour.max_steps < least:
        needed = pour.dose_step_cm * least * 100.0 / pour.max_load
        raise PourError(
            f"too small for {least * pour.dose_step_cm:g} cm of paste under the load limit",
            field="batch_g",
            value=pour.batch_g,
            remedy=f"Melt at least {needed:g} g, or allow a higher load or a smaller dose step",
        )
    return required, excluded


def match(
    target: Target | str,
    *,
    palette: Palette | None = None,
    pour: Pour | None = None,
    view: View | None = None,
    tolerance: float = 0.5,
    max_pigments: int | None = None,
    must_use: Sequence[str] = (),
    must_avoid: Sequence[str] = (),
) -> Match:
    """The doses that give a colour.

    Parameters
    ----------
    target
        A `Target`, or a hex code.
    palette, pour, view
        By default the demo palette, 100 g at 1 cm in clear base, and D65 on white paper.
    tolerance
        How much worse than the closest the frugal recipe may be, in CIEDE2000.
    max_pigments
        Most pigments in a recipe.
    must_use, must_avoid
        Names of pigments that must, or must not, be in it.

    Returns
    -------
    Match

    Raises
    ------
    ColourError
        If the target is no colour.
    UnknownNameError
        If the palette lacks a name.
    PourError
        If not even one dose step is permitted, or the limits contradict each other.
    """
    goal = as_target(target)
    palette, pour, view = palette or load_palette(), pour or Pour(), view or View()
    required, excluded = _checked(palette, pour, max_pigments, must_use, must_avoid, tolerance)
    asked = _Asked(goal.lab_in(view), palette, pour, view, max_pigments, required, excluded)
    answer = asked.searcher.answer(asked.target, tolerance)
    return Match(
        target=goal,
        palette=palette,
        pour=pour,
        view=view,
        tolerance=tolerance,
        frugal=asked.chosen(answer.frugal),
        closest=asked.chosen(answer.closest),
        ideal=asked.choice(answer.ideal_steps, answer.ideal_delta_e),
        bound=answer.closest.bound,
        proved=answer.closest.proved,
        frugal_proved=answer.frugal.proved,
        boxes=answer.closest.boxes + answer.frugal.boxes,
        _asked=asked,
    )
