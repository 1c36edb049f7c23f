"""From a target to whole centimetres or grams."""

from __future__ import annotations

import functools
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final, Literal

from shadematch.colour.illuminant import Light
from shadematch.matching.asked import checked_asked
from shadematch.matching.question import Asked, Choice, Question
from shadematch.matching.remedies import Judged
from shadematch.matching.robust import (
    RobustAnswer,
    choice_of,
    robust_answer,
)
from shadematch.matching.shades import Shades, shades_of
from shadematch.matching.verdict import Verdict, verdict_of
from shadematch.predicting.prediction import Prediction
from shadematch.predicting.readings import Readings, checked_readings
from shadematch.predicting.spread import Spread, spread
from shadematch.search.answers import Answer
from shadematch.search.watch import Watch
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

__all__ = ["TOLERANCE", "Match", "Rule", "checked_choice", "match", "match_of"]

TOLERANCE: Final = 0.5
"""CIEDE2000 that few people see (common practice, no source)."""

Rule = Literal["nominal", "expected"]


@dataclass(frozen=True)
class Match(Reported):
    """The answer to one target.

    Attributes
    ----------
    target
        The wanted colour.
    tolerance
        How much farther than the best a recipe may be to count as equally good [CIEDE2000].
    frugal
        The choice with the least paste among those at most `tolerance` farther than the closest;
        by the rule ``"expected"``, among those at most that much worse than `robust`, both in
        expectation and when nothing is off.
    closest
        The choice with the smallest CIEDE2000 to the target's best estimate.
    bound
        No permitted recipe has a smaller CIEDE2000.
    proved
        Whether `closest.delta_e` is within 0.01 of `bound`.
    frugal_proved
        Whether it is proved that none of these has less paste than `frugal` (and, by the rule
        ``"expected"``, that none has a smaller expected CIEDE2000 than `robust`).
    boxes
        Number of boxes of recipes that the search took; 0 if a list of all recipes was used.
    readings
        How far a dose and a mass of base may be off, either way [palette's unit, g].
    robust
        The choice with the smallest expected CIEDE2000, slips and pastes counted; None by the
        rule ``"nominal"``.
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
    readings: Readings
    robust: Choice | None = None

    @property
    def lights(self) -> dict[str, float]:
        """CIEDE2000 of `choice` in each light asked for; empty if none was.

        The largest is the `delta_e` of the choice.
        """
        return self._question.by_light(self.choice)

    @property
    def palette(self) -> Palette:
        """The pastes and bases."""
        return self._question.asked.palette

    @property
    def let_downs(self) -> tuple[LetDown, ...]:
        """The let-downs that were available."""
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
        """The closest with real-valued doses (found from several starts, not proved)."""
        return self._question.ideal(self.closest)

    @property
    def rule(self) -> Rule:
        """Which CIEDE2000 `frugal` was chosen by: the nominal or the expected one."""
        return "nominal" if self.robust is None else "expected"

    @property
    def choice(self) -> Choice:
        """The choice to pour: the frugal one."""
        return self.frugal

    @functools.cached_property
    def spread(self) -> Spread:
        """How far `recipe` may be from the target, all uncertainty counted, and why."""
        return self.spread_of(self.recipe)

    def spread_of(self, recipe: Recipe) -> Spread:
        """The spread of another recipe for the same target, such as that of `closest`."""
        return spread(
            recipe,
            palette=self.palette,
            view=self.view,
            dose_slip=self.readings.dose_slip,
            scale_g=self.readings.scale_g,
            target=self.target,
            lights=self._question.asked.lights,
        )

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
        """The Pareto front of CIEDE2000, paste and number of tubes, closest first.

        No recipe has a smaller CIEDE2000 than one of these without more paste or more tubes.
        Listed are those within 3 of the closest; on long fronts each saves at least a twentieth
        of the paste of the one before.
        """
        return self._question.front(self.closest)

    @functools.cached_property
    def verdict(self) -> Verdict:
        """What limits the match most, and what would help."""
        judged = Judged(self._question, self.target, self.readings, self.choice, self.tolerance)
        best = self.closest if self.robust is None else self.robust
        return verdict_of(judged, self.spread, best=best, ideal=lambda: self.ideal)

    def shades(self, count: int = 3, *, dab_g: float = 20.0) -> Shades:
        """A few shades from one pot, for a customer to choose from.

        If the target or the pastes are not well known, the nearest of them is expected to be
        nearer than one recipe. Each is made from the one before by adding whole dose steps to
        the same pot, after taking a dab out. Let-downs are not used.

        Parameters
        ----------
        count
            Most shades, 2 to 6; one that is hardly ever the nearest is left out.
        dab_g
            Taken out after each but the last [g]; at most half of the batch in all.

        Returns
        -------
        Shades
            The chosen one is a target: ``match(m.shades(3)[1])``.

        Raises
        ------
        PourError
            If a number is out of range, or nothing can be added under the load limit.
        """
        return shades_of(
            self._question,
            self.target,
            self.readings,
            choice=self.choice,
            count=count,
            dab_g=dab_g,
        )

    def report(self) -> Report:
        """The recipe, how close it comes, and what limits it."""
        recipe, shares = self.recipe, (self.recipe.proportions or {}).values()
        # Large proportions are no easier to read than the doses.
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
            Row("CIEDE2000", f"{self.delta_e:.2f}", note=f"to {self._seen_as}"),
        ]
        if self.lights:
            each = ", ".join(f"{light} {value:.2f}" for light, value in self.lights.items())
            rows.append(Row("CIEDE2000", f"the worst of {each}"))
        rows += self.spread.within_rows
        rows.append(Row("chosen", self.chosen_by))
        if self.closest.recipe != recipe:
            rows.append(Row("closest", str(self.closest)))
        if note := self.pour.limit_note(recipe.unit):
            rows.append(Row("limit", note))
        rows.append(Row("proof", self.proof))
        rows += [Row("verdict", self.verdict.sentence), *rows_of("try", self.verdict.help)]
        rows += self.palette.notice_rows
        return Report(
            swatches=(
                Swatch.of(self.target, "wanted"),
                Swatch.of(self.predicted, "predicted"),
                *self.spread.ends,
            ),
            apart=Apart(self.delta_e, 0.0, self.spread.p90),
            rows=tuple(rows),
        )

    @property
    def _seen_as(self) -> str:
        if self.target.covariance is None:
            return "the target"
        return "the photo" if "photo" in self.target.source else "the target's best estimate"

    @property
    def chosen_by(self) -> str:
        """The rule that chose the recipe, in words."""
        least = f"the least paste within {self.tolerance:g} of the"
        if self.robust is None:
            return f"{least} closest"
        return (
            f"{least} recipe with the smallest expected CIEDE2000, slips and pastes counted: "
            f"{self.frugal.expected:.2f}, the smallest {self.robust.expected:.2f}"
            f"{'' if self.frugal_proved else ' (not proved)'}"
        )

    @property
    def proof(self) -> str:
        """What is proved, in words."""
        if self.proved:
            return f"nothing permitted comes closer than {self.bound:.2f}"
        return (
            f"the search stopped early: the closest is between {self.bound:.2f} and "
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
    scale_g: float | None = None,
    seconds: float | None = None,
    progress: Callable[[float, float], None] | None = None,
) -> Match:
    """The doses that give a colour.

    Parameters
    ----------
    target
        A `Target`, or a hex code.
    palette, pour, view
        By default the demo palette, 500 g at 1 cm in clear base, and D65 on white paper.
    tolerance
        How much farther than the closest the frugal recipe may be, in CIEDE2000; with `robust`,
        how much worse than the recipe with the smallest expected CIEDE2000, both in expectation
        and when nothing is off. At most 1000.
    max_pigments
        Most pigments in a recipe.
    must_use, must_avoid
        Names of pigments that must, or must not, be in it.
    lights
        Lights that all count, CIE names or an `Illuminant`: the largest CIEDE2000 over them is
        minimised and reported. They replace the view's illuminant; predicted colours are those
        in the first. A target without a spectrum is taken to have the same appearance in each
        (`Target.lab_in`), which is an estimate.
    let_downs
        Available let-downs: pastes diluted beforehand, dosed by weight beside the pastes.
    robust
        Choose by the expected CIEDE2000, over slips of ruler and scale and the uncertainty of
        the pastes, instead of the nominal one. Always so for a palette with an uncertainty. With
        several lights the worst counts; let-downs are made as `spread` says. How well the target
        is known does not affect the choice.
    dose_slip, scale_g
        How far a reading may be off, either way (see `spread`).
    seconds
        Time limit of the search [s]. When it is over, or at Ctrl-C, the answer is the best recipe
        found so far and its bound, not proved, within some tenths of a second. The verdict,
        computed when the match is printed, searches other pours without a limit.
    progress
        Called about ten times a second with the smallest CIEDE2000 and the bound so far.

    Returns
    -------
    Match

    Raises
    ------
    ColourError
        If the target is not a colour.
    UnknownNameError
        If the palette lacks a name.
    PourError
        If not even one dose step is permitted, the limits contradict each other, or a number is
        out of range.
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
    counted, readings = checked_choice(asked, robust, dose_slip, scale_g)
    watch = Watch(seconds, progress)
    question = asked.question(goal)
    with watch.interruptible():
        answer = asked.searcher.answer(question.labs, None if counted else tolerance, watch)
        sure = (
            robust_answer(
                asked=asked,
                labs=question.labs,
                answer=answer,
                tolerance=tolerance,
                readings=readings,
                watch=watch,
            )
            if counted
            else None
        )
    found = match_of(
        question=question,
        target=goal,
        tolerance=tolerance,
        answer=answer,
        readings=readings,
        sure=sure,
    )
    if watch.interrupted and found.proved and found.frugal_proved:
        raise KeyboardInterrupt  # it came too late for this search: pass it on
    return found


def checked_choice(
    asked: Asked, robust: object, dose_slip: object, scale_g: object
) -> tuple[bool, Readings]:
    """Whether slips and pastes count in the choice, and how far readings may be off.

    Raises
    ------
    PourError
        If an argument is of the wrong kind or out of range.
    """
    expect(robust, bool, "robust", "Give True or False")
    readings = checked_readings(dose_slip, scale_g, asked.pour.batch_g, asked.palette.unit)
    return bool(robust) or asked.palette.uncertainty is not None, readings


def match_of(
    question: Question,
    target: Target,
    tolerance: float,
    answer: Answer,
    readings: Readings,
    sure: RobustAnswer | None,
) -> Match:
    """The `Match` for what a search found."""
    closest, frugal = answer
    return Match(
        target=target,
        tolerance=tolerance,
        frugal=question.asked.chosen(frugal)
        if sure is None
        else choice_of(question.asked, sure.frugal),
        closest=question.asked.chosen(closest),
        bound=closest.bound,
        proved=closest.proved,
        frugal_proved=frugal.proved if sure is None else sure.proved,
        boxes=closest.boxes + frugal.boxes,
        readings=readings,
        robust=None if sure is None else choice_of(question.asked, sure.best),
        _question=question,
    )
