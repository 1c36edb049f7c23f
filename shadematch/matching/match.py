"""A target in, whole centimetres or grams out."""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from shadematch.colour.illuminant import Light
from shadematch.matching.question import (
    VISIBLE,
    Choice,
    Question,
    Verdict,
    checked_asked,
)
from shadematch.matching.robust import steadiest
from shadematch.predicting.prediction import Prediction
from shadematch.predicting.readings import SCALE_G, checked_readings
from shadematch.predicting.spread import Spread
from shadematch.search.leeway import Leeway
from shadematch.search.whole import Found
from shadematch.studio.palette import Palette
from shadematch.studio.pour import Pour
from shadematch.studio.recipe import LetDown, Recipe
from shadematch.studio.target import HoldsTarget, Target, as_target
from shadematch.studio.view import View
from shadematch.support.html import recipe_card
from shadematch.support.models import expect

__all__ = ["Match", "leeway_of", "match", "match_of"]

_SMALL: Final = Leeway(0.5)
"""CIEDE2000 that nobody sees (common practice, no source)."""


@dataclass(frozen=True)
class Match:
    """The answer to one target.

    Attributes
    ----------
    target
        What was asked.
    tolerance
        How much worse than the closest is too little to mind, in CIEDE2000.
    frugal
        The choice with the least paste among those at most `tolerance` worse than the closest,
        or, if the target's own colour is known less well, among those that may be it (`match`).
    closest
        The choice with the smallest CIEDE2000.
    bound
        No permitted recipe has a smaller CIEDE2000.
    proved
        Whether `closest.delta_e` is within 0.01 of `bound`.
    frugal_proved
        Whether it is proved that none of these has less paste than `frugal`.
    boxes
        How many boxes of recipes the proof took: none where a list of all recipes was at hand.
    steady
        The choice whose 90th percentile of CIEDE2000 is the smallest when ruler and scale are a
        little off; None unless that was asked for (`robust`).
    spread
        How far it strays; None likewise.
    steady_complete
        Whether every recipe that might have been steadier was looked at.
    """

    target: Target
    tolerance: float
    frugal: Choice
    closest: Choice
    bound: float
    proved: bool
    frugal_proved: bool
    boxes: int = field(compare=False)
    _question: Question = field(repr=False, compare=False)
    steady: Choice | None = None
    spread: Spread | None = None
    steady_complete: bool = True

    @property
    def lights(self) -> dict[str, float]:
        """CIEDE2000 of `choice` in each light asked for; the worst is its `delta_e`.

        Empty where only the view's own light counts.
        """
        return self._question.by_light(self.choice)

    @property
    def palette(self) -> Palette:
        """The pastes and bases."""
        return self._question.palette

    @property
    def let_downs(self) -> tuple[LetDown, ...]:
        """Those that were to hand."""
        return self._question.let_downs

    @property
    def pour(self) -> Pour:
        """What is made."""
        return self._question.pour

    @property
    def view(self) -> View:
        """How it is looked at."""
        return self._question.view

    @functools.cached_property
    def ideal(self) -> Choice:
        """The best before doses are made whole (found from several starts, not proved)."""
        return self._question.ideal(self.closest)

    @property
    def choice(self) -> Choice:
        """The frugal choice, or the steady one where that was asked for."""
        return self.frugal if self.steady is None else self.steady

    @property
    def recipe(self) -> Recipe:
        """The recipe of `choice`."""
        return self.choice.recipe

    @property
    def delta_e(self) -> float:
        """The predicted CIEDE2000 of `choice`."""
        return self.choice.delta_e

    @property
    def predicted(self) -> Prediction:
        """The predicted colour of `choice`."""
        return self.choice.predicted

    @functools.cached_property
    def choices(self) -> tuple[Choice, ...]:
        """Accuracy against paste against number of tubes: the Pareto front, closest first.

        Every choice is undominated: none has a smaller CIEDE2000 without more paste or more
        tubes. Listed are those within 3 of the closest; on long fronts each saves at least a
        twentieth of the paste of the one before.
        """
        return self._question.front(self.closest)

    @functools.cached_property
    def verdict(self) -> Verdict:
        """What holds it back, and what would help."""
        if VISIBLE < self.closest.delta_e <= self.target.radius:
            known = f"the target itself is known to CIEDE2000 {self.target.radius:.1f} only"
            return Verdict("nothing", f"Nothing holds it back: {known}.")
        return self._question.verdict(self.closest, self.ideal)

    def __str__(self) -> str:
        """In plain words."""
        proportions = self.recipe.proportions or {}
        wanted = ", ".join(f"{v:z.1f}" for v in self._question.target)
        lines = [
            f"target     Lab ({wanted}), {self.target.hex}: {self.target}",
            f"pour       {self.pour}, seen {self.view}",
            f"recipe     {self.recipe}",
        ]
        shares = ":".join(str(v) for v in proportions.values())
        # Beyond some dozens, proportions say no more than the doses.
        shares = f"proportions {shares}, " if 1 < sum(proportions.values()) <= 60 else ""
        lines.append(
            f"           {shares}{self.recipe.total:g} {self.recipe.unit} in all, "
            f"{self.recipe.load:.2f} {self.recipe.unit} per 100 g"
        )
        lab = ", ".join(f"{v:z.1f}" for v in self.predicted.lab)
        note = "" if self.predicted.in_srgb else ", outside sRGB"
        lines.append(f"predicted  Lab ({lab}), {self.predicted.hex}{note}")
        lines.append(f"CIEDE2000  {self.delta_e:.2f} to the target")
        if self.lights:
            each = ", ".join(f"{light} {value:.2f}" for light, value in self.lights.items())
            lines.append(f"           the worst of {each}")
        if self.spread is not None:
            lines.append(f"steady     {self.steadiness}")
        if self.closest.recipe != self.recipe:
            lines.append(f"closest    {self.closest}")
        if note := self.pour.limit_note(self.recipe.unit):
            lines.append(f"limit      {note}")
        lines.append(f"proof      {self.proof}")
        lines.append(f"verdict    {self.verdict.sentence}")
        lines += [f"           {text}" for text in self.verdict.help]
        return "\n".join(lines)

    def _repr_html_(self) -> str:
        rows = list(self.recipe.parts)
        rows += [
            (
                "in all",
                f"{self.recipe.total:g} {self.recipe.unit}, "
                f"{self.recipe.load:.2f} {self.recipe.unit} per 100 g",
            ),
            ("into", str(self.pour)),
            ("seen", str(self.view)),
            ("CIEDE2000", f"{self.delta_e:.2f}"),
            *([("closest", str(self.closest))] if self.closest.recipe != self.recipe else []),
            *((f"under {light}", f"{value:.2f}") for light, value in self.lights.items()),
            *([("steady", self.steadiness)] if self.spread is not None else []),
            *([("limit", note)] if (note := self.pour.limit_note(self.recipe.unit)) else []),
            ("proof", self.proof),
        ]
        swatches = [(self.target.hex, "wanted"), (self.predicted.hex, "predicted")]
        return recipe_card(swatches, rows, foot=str(self.verdict))

    @property
    def steadiness(self) -> str:
        """How steady the steady choice is, in words; empty where none was asked for."""
        if self.spread is None:
            return ""
        looked = (
            "no other recipe was found that does better"
            if self.steady_complete
            else "only the nearest recipes were looked at"
        )
        readings = ", ".join(self.spread.readings)
        return f"nine pours in ten within {self.spread.p90:.2f} with {readings}; {looked}"

    @property
    def proof(self) -> str:
        """How the answer stands, in words."""
        if self.proved:
            return f"nothing permitted comes closer than {self.bound:.2f}"
        return (
            f"the search stopped early: the closest lies between {self.bound:.2f} and "
            f"{self.closest.delta_e:.2f}"
        )


def match(
    target: HoldsTarget | str,
    *,
    palette: Palette | None = None,
    pour: Pour | None = None,
    view: View | None = None,
    tolerance: float | None = None,
    max_pigments: int | None = None,
    must_use: Sequence[str] = (),
    must_avoid: Sequence[str] = (),
    lights: Sequence[Light] = (),
    let_downs: Sequence[LetDown] = (),
    robust: bool = False,
    dose_slip: float | None = None,
    scale_g: float = SCALE_G,
) -> Match:
    """The doses that give a colour.

    Parameters
    ----------
    target
        A `Target`, or a hex code.
    palette, pour, view
        By default the demo palette, 100 g at 1 cm in clear base, and D65 on white paper.
    tolerance
        How much worse than the closest the frugal recipe may be, in CIEDE2000. By default 0.5,
        and where the target has a covariance, what may be its true colour is as good: recipes
        inside the ellipsoid that holds it with a probability of 90 % (0.5 beyond the closest is
        added to its axes in quadrature), and no farther than `Target.radius`.
    max_pigments
        Most pigments in a recipe.
    must_use, must_avoid
        Names of pigments that must, or must not, be in it.
    lights
        Lights that all count, CIE names or an `Illuminant`: the worst CIEDE2000 over them is
        made small, and is what the answer gives. They take the place of the view's illuminant;
        predicted colours are those in the first. A target that is no spectrum is taken to the
        same appearance in each (`Target.lab_in`), which is an estimate.
    let_downs
        Let-downs to hand: pastes diluted beforehand, dosed by weight beside the pastes.
    robust
        Prefer the recipe that stays nearest the target when the ruler and the scale are a
        little off: the one whose 90th percentile of CIEDE2000 is the smallest. With several
        lights that of the worst counts; let-downs are taken to be made as `spread` says.
    dose_slip, scale_g
        How far a reading may be off, either way (see `spread`); used with `robust`.

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
    asked = checked_asked(
        palette,
        pour,
        view,
        tolerance=tolerance,
        max_pigments=max_pigments,
        must_use=must_use,
        must_avoid=must_avoid,
        lights=lights,
        let_downs=let_downs,
    )
    expect(robust, bool, "robust", "Give True or False")
    if robust:
        ruler, scale = checked_readings(dose_slip, scale_g, asked.pour.batch_g, asked.palette.unit)
    question = asked.question(goal)
    leeway = leeway_of(goal, tolerance)
    answer = question.searcher.answer(question.goal, leeway)
    result = match_of(question, goal, leeway.tolerance, answer.closest, answer.frugal)
    if robust:
        steady, spread, complete = steadiest(
            question, [result.closest, result.frugal], goal, dose_slip=ruler, scale_g=scale
        )
        result = replace(result, steady=steady, spread=spread, steady_complete=complete)
    return result


def leeway_of(target: Target, tolerance: float | None) -> Leeway:
    """The tolerance asked for, or what the target's own uncertainty leaves."""
    if tolerance is not None:
        return Leeway(tolerance)
    if target.covariance is None:
        return _SMALL
    return Leeway(_SMALL.tolerance, target.radius, target.covariance)


def match_of(
    question: Question, target: Target, tolerance: float, closest: Found, frugal: Found
) -> Match:
    """What a search has found, as an answer."""
    return Match(
        target=target,
        tolerance=tolerance,
        frugal=question.chosen(frugal),
        closest=question.chosen(closest),
        bound=closest.bound,
        proved=closest.proved,
        frugal_proved=frugal.proved,
        boxes=closest.boxes + frugal.boxes,
        _question=question,
    )
