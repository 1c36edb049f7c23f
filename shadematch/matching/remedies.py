"""What would bring a recipe closer, with figures: other pours, finer doses, better knowledge."""

from __future__ import annotations

import functools
from dataclasses import dataclass, replace
from typing import Final, NamedTuple

import numpy as np

from shadematch.colour.difference import delta_e
from shadematch.colour.expected import normal_points, root_of
from shadematch.matching.question import VISIBLE, Asked, Choice, Question
from shadematch.matching.robust import choice_of, robust_answer, uncertainty_of
from shadematch.predicting.readings import Readings
from shadematch.predicting.uncertainty import Cause, Colours, Uncertainty
from shadematch.search.answers import Answer
from shadematch.search.whole import MOST_EFFORT
from shadematch.studio.pour import LARGEST_BATCH_G, base_named
from shadematch.studio.recipe import LetDown
from shadematch.studio.target import Target
from shadematch.support.arrays import FloatArray
from shadematch.support.spelling import listing

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
"""Fraction that a figure must fall to for a step to be worth naming."""
_COLOURLESS: Final = 3.0
"""Chroma below which hue means nothing."""
_UNEVEN: Final = 2.0
_DILUTED: Final = 3
_BASE_G: Final = 50.0
_FINE_G: Final = 0.1
"""What a small scale is read to [g] (common practice, no source)."""
_EFFORT: Final = 20_000
"""Most pastes tried as let-downs, the base of each [g], its scale [g], and most boxes."""
_COMPARED: Final = 300
_AIMS: Final = 8
_METER: Final = 0.4
"""Standard deviation of a measured L*, a* and b* (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class Judged:
    """The choice that is poured, the question that it answers, and how much saving may cost."""

    question: Question
    target: Target
    readings: Readings
    choice: Choice
    tolerance: float

    @property
    def known(self) -> Uncertainty:
        """The uncertainty of recipes."""
        return uncertainty_of(self.question.asked, self.readings)

    @functools.cached_property
    def amounts(self) -> FloatArray:
        """Doses and masses of let-downs of the recipe, shape (1, n + m)."""
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
    ) -> float:
        """The CIEDE2000 it stays within nine times in ten.

        With other aims, shape (v, 3), or without some causes, if given.
        """
        goals = self.question.labs if aims is None else aims
        colours = self.known.colours(self.amounts, spared=spared)
        doubt = None if "target" in spared else self.doubt
        return float(colours.within(goals, doubt)[1][0])

    def in_its_place(self, asked: Asked, effort: int = MOST_EFFORT) -> Judged:
        """The choice by the same rule for the same target in another question.

        The closest is searched for in so many boxes; by expectation a few hundred are compared.
        """
        labs, searcher = self.question.labs, asked.new_searcher()
        best = searcher.closest(labs, effort=effort)
        if self.choice.expected is None:
            choice = asked.chosen(searcher.frugal(labs, best, self.tolerance))
        else:
            found = robust_answer(
                asked=asked,
                labs=labs,
                answer=Answer(best, best),
                tolerance=self.tolerance,
                readings=self.readings,
                searcher=searcher,
                most=_COMPARED,
            )
            choice = choice_of(asked, found.frugal)
        return replace(self, question=Question(asked, labs), choice=choice)

    def measured(self) -> float:
        """What it stays within nine times in ten once the target is measured.

        The mean over where the target may then turn out to lie, each matched.
        """
        asked, doubt = self.question.asked, self.doubt
        assert doubt is not None
        off = normal_points(_AIMS, 3) @ root_of(doubt).T
        aims = self.question.labs + off[:, None]
        aims[..., 0] = np.clip(aims[..., 0], 0.0, 100.0)
        steps = asked.searcher.answers(aims, self.tolerance).frugal
        found = self.known.colours(steps * asked.step_sizes)
        return float(found.within(aims, _METER**2 * np.eye(3))[1].mean())


def target_in_words(target: Target) -> str:
    """How well a target is known; by lightness, chroma and hue if they differ [CIEDE2000]."""
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
    """Ways to know the target better."""
    now, value = judged.within(), judged.measured()
    measure = [f"Measure it: then within {value:.1f}."] if value < _LESS * now else []
    chart = "Lay a 24-patch chart or a bar of your own beside it, and take the photo anew."
    shades = "Pour three shades from one pot, and let the customer choose."
    source = judged.target.source
    lacks = "photo" in source and "chart" not in source
    return (*measure, *([chart] if lacks else []), shades)


def finer_readings(judged: Judged) -> tuple[str, ...]:
    """Larger batches, whose readings matter less, and weighing instead of a ruler."""
    asked, now = judged.question.asked, judged.within()
    exact = judged.within(spared=("dosing",))
    tries: list[tuple[float, str]] = []
    for factor in (2, 5, 10):
        batch = asked.pour.batch_g * factor
        if batch > LARGEST_BATCH_G:
            break
        value = judged.in_its_place(asked.with_pour(batch_g=batch)).within()
        if value < _LESS * min([now, *(within for within, _ in tries)]):
            tries.append((value, f"In {batch:g} g at once: within {value:.1f}."))
        if value <= VISIBLE:
            break
    if asked.let_downs and judged.readings.scale_g > _FINE_G:
        slips = judged.readings._replace(scale_g=_FINE_G)
        value = replace(judged, readings=slips).within()
        if value < _LESS * now:
            tries.append((value, f"A scale read to {_FINE_G:g} g: within {value:.1f}."))
    if asked.palette.unit == "cm" and exact < _LESS * now:
        tries.append((exact, f"Weighing the paste: within {exact:.1f} at best."))
    return tuple(text for _, text in sorted(tries))


def measured_first(judged: Judged) -> tuple[str, ...]:
    """How much better the next bar would be known after pouring and measuring this one."""
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


def finer_doses(judged: Judged, ideal: Choice) -> tuple[str, ...]:
    """Larger batches, smaller steps and let-downs that come closer, slips counted.

    The smallest range first: finer steps are nominally nearer, but no surer with the same ruler.
    """
    asked, now, near = judged.question.asked, judged.within(), judged.choice.delta_e
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
        if tried(f"In {batch:g} g", asked.with_pour(batch_g=batch)) <= VISIBLE:
            break
    if pour.dose_step > 0.5:
        step = pour.dose_step / 2
        tried(f"Dosing to {step:g} {unit}", asked.with_pour(dose_step=step))
    if not asked.let_downs:
        # Whole steps limit the smallest doses most.
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
    words, how = ("Let-downs", "each 1") if len(few) > 1 else ("A let-down", "1")
    blend = f"{_BASE_G:g} g of {made[0].blend}"
    text = f"{words} of {listing(few)}, {how} {unit} in {blend}, weighed to 1 g"
    return text, replace(asked, let_downs=made)


class Lifted(NamedTuple):
    """A restriction on pigments, the question without it, and the real-valued CIEDE2000 there."""

    words: str
    asked: Asked
    ideal: float


def without_restrictions(question: Question) -> Lifted | None:
    """The restriction on pigments that costs most, lifted; None if there is none.

    All are lifted together if only that helps.
    """
    asked, names = question.asked, question.asked.palette.names
    others: dict[str, Asked] = {}
    if asked.max_pigments is not None and asked.max_pigments < len(names):
        words = f"at most {asked.max_pigments} pigment{'s' if asked.max_pigments > 1 else ''}"
        others[words] = replace(asked, max_pigments=None)
    if asked.required:
        words = f"recipes with {listing([names[at] for at in asked.required])}"
        others[words] = replace(asked, required=())
    if asked.excluded:
        words = f"recipes without {listing([names[at] for at in asked.excluded])}"
        others[words] = replace(asked, excluded=())
    if len(others) > 1:
        free = replace(asked, max_pigments=None, required=(), excluded=())
        others[listing(list(others))] = free
    found = [
        Lifted(words, other, other.new_searcher().ideal(question.labs)[1])
        for words, other in others.items()
    ]
    # One alone before all together, if it helps as much.
    return min(found, key=lambda each: round(each.ideal, 2), default=None)


def other_pours(question: Question, best: float) -> tuple[str, ...]:
    """Other thicknesses and bases that could come closer."""
    pour = question.asked.pour
    tries: list[tuple[float, str]] = []
    for factor, word in ((0.5, "thinner"), (2.0, "thicker")):
        thickness = pour.thickness_cm * factor
        if 0.01 <= thickness <= 100:
            value = question.ideal_with(thickness_cm=thickness)
            tries.append((value, f"A {word} bar, {thickness:g} cm: {value:.2f} with free doses."))
    whites = sorted({0.0, round(pour.white / 2, 3), 0.5, 1.0} - {pour.white})
    blends = [(white, pour.base) for white in whites]
    if not question.asked.let_downs:  # which are made in one base
        others = question.asked.palette.base_names
        blends += [(0.0, base) for base in others if base != pour.base]
    for white, base in blends:
        value, words = question.ideal_with(white=white, base=base), base_named(white, base)
        tries.append((value, f"{words[0].upper()}{words[1:]}: {value:.2f} with free doses."))
    useful = sorted(t for t in tries if t[0] < best - _WORTH)
    return tuple(text for _, text in useful[:3])
