"""A target in, whole centimetres or grams out."""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Final

from shadematch.colour.illuminant import Light
from shadematch.matching.asked import checked_asked
from shadematch.matching.question import VISIBLE, Choice, Question
from shadematch.matching.robust import most_robust
from shadematch.matching.verdict import Verdict, verdict_of
from shadematch.predicting.prediction import Prediction
from shadematch.predicting.readings import SCALE_G, checked_readings
from shadematch.predicting.spread import Spread
from shadematch.search.all_recipes import Answer
from shadematch.studio.palette import Palette
from shadematch.studio.pour import Pour
from shadematch.studio.recipe import LetDown, Recipe
from shadematch.studio.target import HoldsTarget, Target, as_target
from shadematch.studio.view import View
from shadematch.support.models import expect
from shadematch.support.report import (
    Apart,
    Report,
    Reported,
    Row,
    Swatch,
    lab_words,
    rows_of,
)

__all__ = ["TOLERANCE", "Match", "match", "match_of"]

TOLERANCE: Final = 0.5
"""CIEDE2000 that nobody sees (common practice, no source)."""


@dataclass(frozen=True)
class Match(Reported):
    """The answer to one target.

    Attributes
    ----------
    target
        What was asked.
    tolerance
        How much worse than the closest is too little to mind, in CIEDE2000.
    frugal
        The choice with the least paste among those at most `tolerance` worse than the closest.
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
    robust
        The choice whose 90th percentile of CIEDE2000 is the smallest when ruler and scale are a
        little off; None unless that was asked for (`robust`).
    spread
        How far it strays; None likewise.
    robust_complete
        Whether every recipe that might have been more robust was looked at.
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
    robust: Choice | None = None
    spread: Spread | None = None
    robust_complete: bool = True

    @property
    def lights(self) -> dict[str, float]:
        """CIEDE2000 of `choice` in each light asked for; the worst is its `delta_e`.

        Empty where only the view's own light counts.
        """
        return self._question.by_light(self.choice)

    @property
    def palette(self) -> Palette:
        """The pastes and bases."""
        return self._question.asked.palette

    @property
    def let_downs(self) -> tuple[LetDown, ...]:
        """Those that were to hand."""
        return self._question.asked.let_downs

    @property
    def pour(self) -> Pour:
        """What is made."""
        return self._question.asked.pour

    @property
    def view(self) -> View:
        """How it is looked at."""
        return self._question.asked.views[0]

    @functools.cached_property
    def ideal(self) -> Choice:
        """The best before doses are made whole (found from several starts, not proved)."""
        return self._question.ideal(self.closest)

    @property
    def choice(self) -> Choice:
        """The frugal choice, or the robust one where that was asked for."""
        return self.frugal if self.robust is None else self.robust

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
        radius = self.target.radius
        if max(VISIBLE, self.closest.delta_e) < radius:
            return Verdict(
                "target",
                "Held back by the target: nine times in ten its colour is only known to within "
                f"CIEDE2000 {radius:.1f}. The recipe is {self.delta_e:.1f} from the best estimate.",
                ("A chart or a bar of known colour in the photo, or a measurement, tells more.",),
            )
        return verdict_of(self._question, self.closest, self.ideal)

    def report(self) -> Report:
        """The recipe, how close it comes, and what holds it back."""
        recipe, shares = self.recipe, (self.recipe.proportions or {}).values()
        # Beyond some dozens, proportions say no more than the doses.
        some = f"proportions {':'.join(map(str, shares))}" if 1 < sum(shares) <= 60 else ""
        rows = [
            Row(
                "target",
                lab_words(self._question.labs[0]),
                swatch=Swatch.of(self.target),
                note=str(self.target),
            ),
            Row("recipe", recipe.lines),
            Row("recipe", recipe.in_all, note=some),
            Row("pour", f"{self.pour}, seen {self.view}"),
            Row.colour("predicted", self.predicted),
            Row("CIEDE2000", f"{self.delta_e:.2f} to the target"),
        ]
        if self.lights:
            each = ", ".join(f"{light} {value:.2f}" for light, value in self.lights.items())
            rows.append(Row("CIEDE2000", f"the worst of {each}"))
        if self.spread is not None:
            rows.append(Row("robust", self.robustness))
        if self.closest.recipe != recipe:
            rows.append(Row("closest", str(self.closest)))
        if note := self.pour.limit_note(recipe.unit):
            rows.append(Row("limit", note))
        rows.append(Row("proof", self.proof))
        rows += rows_of("verdict", (self.verdict.sentence, *self.verdict.help))
        rows += self.palette.notice_rows
        return Report(
            swatches=(Swatch.of(self.target, "wanted"), Swatch.of(self.predicted, "predicted")),
            apart=Apart(self.delta_e),
            rows=tuple(rows),
        )

    @property
    def robustness(self) -> str:
        """How robust the robust choice is, in words; empty where none was asked for."""
        if self.spread is None:
            return ""
        looked = (
            "no other recipe was found that does better"
            if self.robust_complete
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
    tolerance: float = TOLERANCE,
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
        By default the demo palette, 500 g at 1 cm in clear base, and D65 on white paper.
    tolerance
        How much worse than the closest the frugal recipe may be, in CIEDE2000 to the target's
        best estimate. How well the target is known changes no recipe: not all colours that it
        may have are equally likely, and the best estimate is the likeliest.
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
    answer = asked.searcher.answer(question.labs, tolerance)
    result = match_of(question, goal, tolerance, answer)
    if robust:
        choice, spread, complete = most_robust(
            question, [result.closest, result.frugal], goal, dose_slip=ruler, scale_g=scale
        )
        result = replace(result, robust=choice, spread=spread, robust_complete=complete)
    return result


def match_of(question: Question, target: Target, tolerance: float, answer: Answer) -> Match:
    """What a search has found, as an answer."""
    closest, frugal = answer
    return Match(
        target=target,
        tolerance=tolerance,
        frugal=question.asked.chosen(frugal),
        closest=question.asked.chosen(closest),
        bound=closest.bound,
        proved=closest.proved,
        frugal_proved=frugal.proved,
        boxes=closest.boxes + frugal.boxes,
        _question=question,
    )
