"""What holds a match back, and what would help."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from shadematch.matching.question import VISIBLE, Choice, Question
from shadematch.studio.pour import LARGEST_BATCH_G, base_named
from shadematch.studio.unit import steps_in

__all__ = ["Limit", "Verdict", "verdict_of"]

_WORTH: Final = 0.5

Limit = Literal["nothing", "target", "dose steps", "load limit", "palette"]


@dataclass(frozen=True)
class Verdict:
    """What holds a match back, and what would help.

    Attributes
    ----------
    limit
        ``"nothing"`` (the colour is met), ``"target"`` (how well that is known),
        ``"dose steps"`` (whole centimetres or grams, as a rule), ``"load limit"`` or
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


def verdict_of(question: Question, closest: Choice, ideal: Choice) -> Verdict:
    """What holds the closest recipe back, judged against the ideal one."""
    reached, pour = closest.delta_e, question.asked.pour
    unit = question.asked.palette.unit
    best = min(ideal.delta_e, reached)
    if reached <= VISIBLE:
        return Verdict("nothing", "Nothing holds it back: most people see no difference.")
    if reached - best > best - 0.5 * VISIBLE:
        steps = steps_in(unit, pour.dose_step)
        if question.asked.let_downs:
            steps = f"the steps of {'ruler and scale' if unit == 'cm' else 'the scales'}"
        return Verdict(
            "dose steps",
            f"Held back by {steps}: without them {best:.2f} could be had.",
            _finer_doses(question, reached),
        )
    full = ideal.recipe.load >= 0.98 * pour.max_load
    freed = question.ideal_with(max_load=pour.max_load * 4) if full else best
    changes = _other_pours(question, best)
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


def _finer_doses(question: Question, reached: float) -> tuple[str, ...]:
    pour, unit = question.asked.pour, question.asked.palette.unit
    tries = []
    for factor in (2, 5, 10):
        batch = pour.batch_g * factor
        if batch > LARGEST_BATCH_G:
            break
        value = question.closest_with(batch_g=batch)
        tries.append((value, f"A batch of {batch:g} g comes to {value:.2f}."))
        if value <= VISIBLE:
            break
    if pour.dose_step > 0.5:
        value = question.closest_with(dose_step=pour.dose_step / 2)
        tries.append((value, f"Dosing to {pour.dose_step / 2:g} {unit} comes to {value:.2f}."))
    return tuple(text for value, text in sorted(tries) if value < reached - 0.2)


def _other_pours(question: Question, best: float) -> tuple[str, ...]:
    pour = question.asked.pour
    tries: list[tuple[float, str]] = []
    for factor, word in ((0.5, "thinner"), (2.0, "thicker")):
        thickness = pour.thickness_cm * factor
        if 0.01 <= thickness <= 100:
            value = question.ideal_with(thickness_cm=thickness)
            tries.append((value, f"A {word} bar of {thickness:g} cm could come to {value:.2f}."))
    for white in sorted({0.0, round(pour.white / 2, 3), 0.5, 1.0} - {pour.white}):
        value = question.ideal_with(white=white)
        tries.append((value, f"{base_named(white).capitalize()} could come to {value:.2f}."))
    useful = sorted(t for t in tries if t[0] < best - _WORTH)
    return tuple(text for _, text in useful[:3])
