"""What limits a match most, and what would help.

The figure is the CIEDE2000 that the recipe stays within nine times in ten. The largest cause of
uncertainty, and then the nominal distance from the target, is left out; whichever lowers the figure
more limits the match most. Figures are linear (`shadematch.predicting.uncertainty`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from shadematch.matching.question import VISIBLE, Choice
from shadematch.matching.remedies import (
    Judged,
    finer_doses,
    finer_readings,
    measured_first,
    other_pours,
    target_better_known,
    target_in_words,
    without_restrictions,
)
from shadematch.predicting.spread import Spread
from shadematch.predicting.uncertainty import Cause, cause_in_words
from shadematch.studio.unit import steps_in

__all__ = ["Limit", "Verdict", "verdict_of"]

_WORTH: Final = 0.5

Limit = Literal[
    "nothing",
    "tolerance",
    "dose steps",
    "restrictions",
    "load limit",
    "palette",
    "target",
    "dosing",
    "base",
    "pastes",
    "bench",
    "model",
]


@dataclass(frozen=True)
class Verdict:
    """What limits a match most, and what would help.

    Attributes
    ----------
    limit
        ``"nothing"`` (nine times in ten most people see no difference); for the nominal colour
        ``"tolerance"`` (a closer one takes more paste), ``"dose steps"``, ``"restrictions"`` (on
        pigments), ``"load limit"`` or ``"palette"``; or a cause of uncertainty as in
        `Spread.causes`, such as ``"target"``, ``"dosing"`` or ``"pastes"``.
    sentence
        The limit in words.
    help
        Changes that would bring it closer, best first, with CIEDE2000 where they were tried.
    """

    limit: Limit
    sentence: str
    help: tuple[str, ...] = ()

    def __str__(self) -> str:
        """In plain words."""
        return " ".join((self.sentence, *self.help))


def verdict_of(
    judged: Judged, spread: Spread, *, best: Choice, ideal: Callable[[], Choice]
) -> Verdict:
    """What limits a recipe most.

    `best` is the choice by the same rule without regard to paste; `ideal` finds the real-valued
    optimum.
    """
    if spread.p90 <= VISIBLE:
        text = "Nothing holds it back: nine times in ten most people see no difference."
        return Verdict("nothing", text)
    cause = spread.largest
    spared = np.inf if cause is None else judged.within(spared=(cause,))
    if cause is None or judged.within(aims=judged.labs) <= spared:
        found = _own_colour(judged, best, ideal())
        return found if found.help or cause is None else replace(found, help=_known(judged, cause))
    known = f" ({target_in_words(judged.target)})" if cause == "target" else ""
    text = (
        f"Held back most by {cause_in_words(cause, judged.choice.recipe)}{known}: "
        f"without that, nine times in ten within {spared:.1f}."
    )
    return Verdict(cause, text, _known(judged, cause))


def _known(judged: Judged, cause: Cause) -> tuple[str, ...]:
    """How to know more of a cause."""
    help_: dict[Cause, Callable[[], tuple[str, ...]]] = {
        "target": lambda: target_better_known(judged),
        "dosing": lambda: finer_readings(judged),
        "base": lambda: finer_readings(judged),
        "pastes": lambda: measured_first(judged),
        "bench": lambda: ("Keep to the thickness, and check the mould.",),
        "model": lambda: measured_first(judged),
    }
    return help_[cause]()


def _own_colour(judged: Judged, best_choice: Choice, ideal: Choice) -> Verdict:
    """What keeps the nominal colour from the target."""
    question, own = judged.question, judged.choice
    pour, unit = question.asked.pour, question.asked.palette.unit
    near = min(best_choice.delta_e, own.delta_e)
    best = min(ideal.delta_e, near)
    saved, words = own.delta_e - near, f"{near:.2f}"
    if own.expected is not None and best_choice.expected is not None:
        saved = own.expected - best_choice.expected
        words = f"{best_choice.expected:.2f} expected instead of {own.expected:.2f}"
    if saved > max(near - best, best):
        text = f"Held back most by saving paste: with more, {words}."
        return Verdict("tolerance", text, ("Ask for the closest recipe, or a smaller tolerance.",))
    if near - best > best - 0.5 * VISIBLE:
        steps = steps_in(unit, pour.dose_step)
        if question.asked.let_downs:
            steps = f"the steps of {'ruler and scale' if unit == 'cm' else 'the scales'}"
        return Verdict(
            "dose steps",
            f"Held back by {steps}: with free doses {best:.2f}.",
            finer_doses(judged, ideal),
        )
    lifted = without_restrictions(question)
    if lifted is not None and best - lifted.ideal > max(_WORTH, 0.25 * best):
        free = judged.in_its_place(lifted.asked)
        text = (
            f"Held back by the restriction to {lifted.words}. Without it: "
            f"{free.choice.delta_e:.2f}, nine times in ten within {free.within():.1f}."
        )
        return Verdict("restrictions", text, other_pours(question, best))
    full = ideal.recipe.load >= 0.98 * pour.max_steps * pour.load_per_step
    freed = question.ideal_with(max_load=pour.max_load * 4) if full else best
    changes = other_pours(question, best)
    if best - freed > max(_WORTH, 0.25 * best):
        return Verdict(
            "load limit",
            f"Held back by the load limit of {pour.max_load:g} {unit} per 100 g: "
            f"without it {freed:.2f}.",
            changes,
        )
    return Verdict(
        "palette",
        f"Held back by the palette: in this pour {best:.2f} at best.",
        changes,
    )
