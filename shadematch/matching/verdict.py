"""What limits a match most, and what would help.

The figure is the CIEDE2000 that the recipe stays within nine times in ten. Each cause of
uncertainty, and the nominal distance from the target, is left out in turn; what lowers the figure
most limits the match most. Figures are linear (`shadematch.predicting.uncertainty`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Literal

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
from shadematch.predicting.uncertainty import Cause
from shadematch.studio.unit import steps_in

__all__ = ["Limit", "Verdict", "verdict_of"]

_WORTH: Final = 0.5
_COUNTS: Final = 0.01
"""Least share of the variance for a cause to be left out in turn."""

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
    judged: Judged, spread: Spread, *, near: float, ideal: Callable[[], Choice]
) -> Verdict:
    """What limits a recipe most.

    `near` is the CIEDE2000 that more paste could reach; `ideal` finds the real-valued optimum.
    """
    if spread.p90 <= VISIBLE:
        text = "Nothing holds it back: nine times in ten most people see no difference."
        return Verdict("nothing", text)
    causes = [cause for cause, share in spread.causes.items() if share >= _COUNTS]
    spared = {cause: judged.within(spared=(cause,)) for cause in causes}
    most = min(spared, key=spared.__getitem__, default=None)
    if most is None or judged.within(aims=judged.labs) <= spared[most]:
        return _own_colour(judged, near, ideal())
    return _doubt(judged, most, spared[most])


def _doubt(judged: Judged, cause: Cause, spared: float) -> Verdict:
    by_ruler = judged.question.asked.palette.unit == "cm"
    let_downs = bool(judged.question.asked.let_downs)
    what: dict[Cause, str] = {
        "target": "how well the target is known",
        "dosing": "the ruler" if by_ruler else "how the paste is weighed",
        "base": f"how base{' and let-downs are' if let_downs else ' is'} weighed",
        "pastes": "pastes that are not known well enough",
        "bench": "thickness and light",
        "model": "the error of the model",
    }
    help_: dict[Cause, Callable[[], tuple[str, ...]]] = {
        "target": lambda: target_better_known(judged),
        "dosing": lambda: finer_readings(judged, spared),
        "base": lambda: finer_readings(judged, spared),
        "pastes": lambda: measured_first(judged),
        "bench": lambda: ("Keep to the thickness, and check the mould.",),
        "model": lambda: measured_first(judged),
    }
    known = f" ({target_in_words(judged.target)})" if cause == "target" else ""
    text = (
        f"Held back most by {what[cause]}{known}: "
        f"without that, nine times in ten within {spared:.1f}."
    )
    return Verdict(cause, text, help_[cause]())


def _own_colour(judged: Judged, near: float, ideal: Choice) -> Verdict:
    """What keeps the nominal colour from the target."""
    question, reached = judged.question, judged.choice.delta_e
    pour, unit = question.asked.pour, question.asked.palette.unit
    near = min(near, reached)
    best = min(ideal.delta_e, near)
    if reached - near > max(near - best, best):
        text = f"Held back most by saving paste: with more, {near:.2f}."
        return Verdict("tolerance", text, ("Ask for the closest recipe, or a smaller tolerance.",))
    if near - best > best - 0.5 * VISIBLE:
        steps = steps_in(unit, pour.dose_step)
        if question.asked.let_downs:
            steps = f"the steps of {'ruler and scale' if unit == 'cm' else 'the scales'}"
        return Verdict(
            "dose steps",
            f"Held back by {steps}: with free doses {best:.2f}.",
            finer_doses(judged, near, ideal),
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
