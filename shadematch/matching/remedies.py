"""What would bring a recipe closer, with figures: other pours, finer readings, better knowledge."""

from __future__ import annotations

import functools
from dataclasses import dataclass, replace
from typing import Final, NamedTuple

import numpy as np

from shadematch.colour.difference import delta_e
from shadematch.matching.question import VISIBLE, Asked, Choice, Question
from shadematch.matching.robust import uncertainty_of
from shadematch.predicting.readings import Readings
from shadematch.predicting.uncertainty import Cause, Colours, Uncertainty
from shadematch.search.whole import MOST_EFFORT
from shadematch.studio.pour import LARGEST_BATCH_G, base_named
from shadematch.studio.recipe import LetDown
from shadematch.studio.target import Target
from shadematch.support.arrays import FloatArray

__all__ = [
    "Judged",
    "finer_doses",
    "finer_readings",
    "measured_first",
    "other_pours",
    "target_better_known",
    "target_in_words",
    "without_restrictions",
]

_WORTH: Final = 0.5
_LESS: Final = 0.9
"""A figure must fall to this share for a step to be worth naming."""
_COLOURLESS: Final = 3.0
"""Chroma below which hue says nothing."""
_UNEVEN: Final = 2.0
_DILUTED: Final = 3
_BASE_G: Final = 50.0
_FINE_G: Final = 0.1
"""What a small scale is read to [g] (common practice, no source)."""
_EFFORT: Final = 20_000
"""Pastes that are tried as let-downs, the base of each, and boxes looked at."""
_METER: Final = 0.4
"""Standard deviation of a measured L*, a* and b* (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class Judged:
    """A recipe that is poured, and what is asked of it.

    Attributes
    ----------
    question, target, readings
        What was asked.
    choice
        The recipe.
    """

    question: Question
    target: Target
    readings: Readings
    choice: Choice

    @property
    def known(self) -> Uncertainty:
        """What is not known of recipes."""
        return uncertainty_of(self.question.asked, self.readings)

    @functools.cached_property
    def amounts(self) -> FloatArray:
        """Of the recipe, shape (1, n + m)."""
        asked = self.question.asked
        return (asked.steps_of(self.choice.recipe) * asked.step_sizes)[None]

    @functools.cached_property
    def labs(self) -> FloatArray:
        """CIELAB in each light when nothing is off, shape (v, 3)."""
        return np.asarray(self.known.linear(self.amounts).lab[0])

    @property
    def doubt(self) -> FloatArray | None:
        """Covariance of the target."""
        return None if self.target.covariance is None else np.array(self.target.covariance)

    def within(
        self,
        *,
        aims: FloatArray | None = None,
        spared: tuple[Cause, ...] = (),
        doubt: FloatArray | None = None,
    ) -> float:
        """What it stays within nine times in ten.

        Parameters
        ----------
        aims
            Other colours to be compared with, shape (v, 3).
        spared
            Causes to leave out.
        doubt
            Another covariance of the target.
        """
        goals = self.question.labs if aims is None else aims
        colours = self.known.colours(self.amounts, spared=spared)
        own = self.doubt if doubt is None else doubt
        return float(colours.within(goals, None if "target" in spared else own)[1][0])

    def in_its_place(self, asked: Asked, effort: int = MOST_EFFORT) -> Judged:
        """What is closest to the same target in another pour, or with other means.

        Parameters
        ----------
        asked
            The other question.
        effort
            Most boxes to look at.
        """
        labs = self.question.labs
        choice = asked.chosen(asked.new_searcher().closest(labs, effort=effort))
        return replace(self, question=Question(asked, labs), choice=choice)


def target_in_words(target: Target) -> str:
    """How well a target is known, in lightness, chroma and hue where that differs; CIEDE2000."""
    lab, covariance = np.array(target.lab), np.array(target.covariance)
    chroma = np.array([0.0, *lab[1:]])
    length = float(np.linalg.norm(chroma))
    axes = {"lightness": np.array([1.0, 0.0, 0.0])}
    if length < _COLOURLESS:
        axes["colour"] = np.array([0.0, *np.linalg.eigh(covariance[1:, 1:])[1][:, -1]])
    else:
        axes["chroma"] = chroma / length
        axes["hue"] = np.cross(axes["lightness"], axes["chroma"])
    known = {
        name: float(delta_e(lab + np.sqrt(axis @ covariance @ axis) * axis, lab))
        for name, axis in axes.items()
    }
    well, poorly = min(known, key=known.__getitem__), max(known, key=known.__getitem__)
    if known[poorly] < _UNEVEN * known[well]:
        return f"to CIEDE2000 {target.radius:.1f}, nine times in ten"
    return f"its {well} to {known[well]:.1f}, its {poorly} only to {known[poorly]:.1f}"


def target_better_known(judged: Judged) -> tuple[str, ...]:
    """What tells more of the target."""
    now, value = judged.within(), judged.within(doubt=_METER**2 * np.eye(3))
    measure = [f"Measure it: then within {value:.1f}."] if value < _LESS * now else []
    chart = "Lay a 24-patch chart or a bar of your own beside it, and take the photo anew."
    shades = "Pour three shades from one pot, and let one be chosen."
    source = judged.target.source
    lacks = "photo" in source and "chart" not in source
    return (*measure, *([chart] if lacks else []), shades)


def finer_readings(judged: Judged, spared: float) -> tuple[str, ...]:
    """Larger batches, whose readings count for less, and weighing where a ruler was used."""
    asked, now = judged.question.asked, judged.within()
    tries: list[tuple[float, str]] = []
    for factor in (2, 5, 10):
        batch = asked.pour.batch_g * factor
        if batch > LARGEST_BATCH_G:
            break
        slips = Readings(*(slip / factor for slip in judged.readings))
        value = replace(judged, readings=slips).within()
        if value < _LESS * min([now, *(within for within, _ in tries)]):
            tries.append((value, f"A batch of {batch:g} g at once: within {value:.1f}."))
        if value <= VISIBLE:
            break
    if asked.let_downs and judged.readings.scale_g > _FINE_G:
        slips = judged.readings._replace(scale_g=_FINE_G)
        value = replace(judged, readings=slips).within()
        if value < _LESS * now:
            tries.append((value, f"A scale read to {_FINE_G:g} g: within {value:.1f}."))
    if asked.palette.unit == "cm" and spared < _LESS * now:
        tries.append((spared, f"Weighing the paste: within {spared:.1f} at best."))
    return tuple(text for _, text in sorted(tries))


def measured_first(judged: Judged) -> tuple[str, ...]:
    """What pouring this bar and measuring it would tell of the next one."""
    found, known = judged.known.linear(judged.amounts), judged.known
    learnt = np.array([cause in ("pastes", "bench", "model") for cause in known.causes])
    columns = found.columns[0]
    own, rest = (columns[at].T @ columns[at] for at in (learnt, ~learnt))
    seen = own[:, :3]
    noise = own[:3, :3] + rest[:3, :3] + _METER**2 * np.eye(3)
    left = own - seen @ np.linalg.solve(noise, seen.T) + rest
    value = float(Colours(found.lab, left[None]).within(judged.question.labs, judged.doubt)[1][0])
    now = judged.within()
    figure = f": then within {value:.1f}" if value < _LESS * now else ""
    return (f"Pour this bar, keep it, measure it and learn from it{figure}.",)


def finer_doses(judged: Judged, near: float, ideal: Choice) -> tuple[str, ...]:
    """Larger batches, smaller steps and let-downs, which come closer than `near`, slips counted.

    The surest first: finer steps are nearer when nothing is off, and no surer with the same ruler.
    """
    asked, now = judged.question.asked, judged.within()
    pour, unit = asked.pour, asked.palette.unit
    tries: list[tuple[float, float, str]] = []

    def tried(text: str, other: Asked, effort: int = MOST_EFFORT) -> float:
        found = judged.in_its_place(other, effort)
        value, within = found.choice.delta_e, found.within()
        if value < near - 0.2 and within < now - 0.2:
            words = f"{text}: {value:.2f}, nine times in ten within {within:.1f}."
            tries.append((within, value, words))
        return value

    for factor in (2, 5, 10):
        batch = pour.batch_g * factor
        if batch > LARGEST_BATCH_G:
            break
        if tried(f"A batch of {batch:g} g", asked.with_pour(batch_g=batch)) <= VISIBLE:
            break
    if pour.dose_step > 0.5:
        step = pour.dose_step / 2
        tried(f"Dosing to {step:g} {unit}", asked.with_pour(dose_step=step))
    if not asked.let_downs:
        # Those of which least is wanted are what whole steps hold back.
        few = sorted(ideal.recipe.doses, key=ideal.recipe.doses.__getitem__)[:_DILUTED]
        if few:
            tried(*_let_down(asked, few), _EFFORT)
    return tuple(text for _, _, text in sorted(tries))


def _let_down(asked: Asked, few: list[str]) -> tuple[str, Asked]:
    """Some pastes as let-downs, in words, and the question with them."""
    unit = asked.palette.unit
    made = tuple(
        LetDown.made(
            name, paste=1, base_g=_BASE_G, white=asked.pour.white, unit=unit, base=asked.pour.base
        )
        for name in few
    )
    named = _listed(few)
    how = f"each 1 {unit}" if len(few) > 1 else f"1 {unit}"
    words = f"Let-downs of {named}" if len(few) > 1 else f"A let-down of {named}"
    text = f"{words}, {how} in {_BASE_G:g} g of base and weighed to 1 g"
    return text, replace(asked, let_downs=made)


class Lifted(NamedTuple):
    """A restriction on pigments, the question without it, and the best real-valued CIEDE2000."""

    words: str
    asked: Asked
    ideal: float


def without_restrictions(question: Question) -> Lifted | None:
    """What the restriction on pigments that costs most would set free; None where none was asked.

    Where only several together hold a recipe back, these are lifted.
    """
    asked, names = question.asked, question.asked.palette.names
    others: dict[str, Asked] = {}
    if asked.max_pigments is not None and asked.max_pigments < len(names):
        words = f"at most {asked.max_pigments} pigment{'s' if asked.max_pigments > 1 else ''}"
        others[words] = replace(asked, max_pigments=None)
    if asked.required:
        words = f"recipes with {_listed([names[at] for at in asked.required])}"
        others[words] = replace(asked, required=())
    if asked.excluded:
        words = f"recipes without {_listed([names[at] for at in asked.excluded])}"
        others[words] = replace(asked, excluded=())
    if len(others) > 1:
        free = replace(asked, max_pigments=None, required=(), excluded=())
        others[_listed(list(others))] = free
    found = [
        Lifted(words, other, other.new_searcher().ideal(question.labs)[1])
        for words, other in others.items()
    ]
    # One alone before all together, where it does as well.
    return min(found, key=lambda each: round(each.ideal, 2), default=None)


def _listed(words: list[str]) -> str:
    return " and ".join((", ".join(words[:-1]), words[-1])) if len(words) > 1 else words[0]


def other_pours(question: Question, best: float) -> tuple[str, ...]:
    """Other thicknesses and bases, which may come closer."""
    pour = question.asked.pour
    tries: list[tuple[float, str]] = []
    for factor, word in ((0.5, "thinner"), (2.0, "thicker")):
        thickness = pour.thickness_cm * factor
        if 0.01 <= thickness <= 100:
            value = question.ideal_with(thickness_cm=thickness)
            tries.append((value, f"A {word} bar of {thickness:g} cm could come to {value:.2f}."))
    blends = [
        (white, pour.base)
        for white in sorted({0.0, round(pour.white / 2, 3), 0.5, 1.0} - {pour.white})
    ]
    if not question.asked.let_downs:  # which are made in one base
        others = question.asked.palette.base_names
        blends += [(0.0, base) for base in others if base != pour.base]
    for white, base in blends:
        value, words = question.ideal_with(white=white, base=base), base_named(white, base)
        tries.append((value, f"{words[0].upper()}{words[1:]} could come to {value:.2f}."))
    useful = sorted(t for t in tries if t[0] < best - _WORTH)
    return tuple(text for _, text in useful[:3])
