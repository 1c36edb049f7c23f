"""The recipes with the smallest expected CIEDE2000, slips and pastes counted.

The expectation is over what differs from recipe to recipe: readings of ruler and scale, pastes
and bases, bench and model (`shadematch.predicting.uncertainty`, linear). The uncertainty of the
target is left out: it adds about the same to every recipe.

Why nothing is missed: let y be a recipe's colour less the target, and W the norm that stays
below CIEDE2000 within a radius r (`minorant`). The expectation is a mean over pairs of colours,
y + e and y - e. If both are within r of the target, the mean of a pair is at least
(|W (y + e)| + |W (y - e)|) / 2 >= |W y|; if one is farther, at least r / 2. So the expectation
is at least the smaller of |W y| and r / 2. With r twice the largest expectation of interest,
every recipe of interest has |W y| no larger than that expectation. These are listed. The mean of
the smaller of |W (y + e)| and r is a floor as well (`Colours.floor`) and quick to compute, so the
formula itself is evaluated only where that floor is low. Under several lights all this holds for
the worst.
"""

from __future__ import annotations

import functools
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Final, NamedTuple

import numpy as np

from shadematch.colour.difference import delta_e
from shadematch.colour.floors import minorant
from shadematch.matching.question import Asked, Choice, Question
from shadematch.predicting.readings import Readings
from shadematch.predicting.uncertainty import Colours, Uncertainty
from shadematch.search.answers import Answer
from shadematch.search.searcher import Searcher
from shadematch.search.watch import UNWATCHED, Watch
from shadematch.support.arrays import FloatArray, IntArray

__all__ = [
    "Expected",
    "RobustAnswer",
    "choice_of",
    "expected_of",
    "robust_answer",
    "uncertainty_of",
]

_MOST: Final = 12_000
"""Most recipes to evaluate, the nearest first."""
_LISTING: Final = 0.95
"""Fraction of the time limit at which listing must end."""
_CHUNK: Final = 64
_SLACK: Final = 1e-9


class Expected(NamedTuple):
    """A recipe in steps, its nominal CIEDE2000, and the expected one."""

    steps: IntArray
    delta_e: float
    expected: float


class RobustAnswer(NamedTuple):
    """The recipe with the smallest expected CIEDE2000, and the frugal one within the tolerance.

    `frugal` is at most the tolerance worse than `best`, both in expectation and when nothing is
    off. `proved`: every recipe that might be either was evaluated.
    """

    best: Expected
    frugal: Expected
    proved: bool


@functools.lru_cache(maxsize=8)
def uncertainty_of(asked: Asked, readings: Readings) -> Uncertainty:
    """The uncertainty of the recipes of a question, cached for the next target."""
    return Uncertainty(
        asked.palette,
        asked.pour,
        asked.views[0],
        dose_slip=readings.dose_slip,
        scale_g=readings.scale_g,
        let_downs=asked.let_downs,
        lights=asked.lights,
    )


def robust_answer(
    asked: Asked,
    labs: FloatArray,
    answer: Answer,
    tolerance: float,
    readings: Readings,
    watch: Watch = UNWATCHED,
    *,
    searcher: Searcher | None = None,
    most: int = _MOST,
) -> RobustAnswer:
    """The recipes that are best by expectation.

    Parameters
    ----------
    asked, labs
        The question without the target, and CIELAB of the target in each view, shape (v, 3).
    answer
        The nominal answer.
    tolerance
        How much the frugal recipe's CIEDE2000 may exceed that of the best, both in expectation
        and when nothing is off.
    readings
        How far readings may be off.
    watch
        Ends the search in time.
    searcher
        By default the kept one of `asked`.
    most
        Most recipes to evaluate.
    """
    watch.until(_LISTING)
    searcher = searcher or asked.searcher
    known, size = uncertainty_of(asked, readings), asked.step_sizes
    start = np.array([found.steps for found in answer])
    least = float(known.colours(start * size).expected(labs).min())
    norms, radius, valid = _norms(labs, least + tolerance)
    listed, _, complete = searcher.within(
        labs,
        norms,
        least + tolerance + _SLACK,
        most=most,
        around=start[0].astype(float),
        watch=watch,
    )
    watch.until(1.0)
    every = np.concatenate([start, listed])
    steps = every[np.sort(np.unique(every, axis=0, return_index=True)[1])]  # the nearest first
    colours, floors = _floors(
        known, steps * size, labs=labs, norms=norms, radius=radius, watch=watch
    )
    complete &= len(floors) == len(steps)
    steps = steps[: len(floors)]
    values = np.full(len(steps), np.inf)
    paste = np.round(steps @ searcher.space.limits.paste, 9)
    nominal = delta_e(colours.lab, labs).max(axis=1)

    def judge(rows: IntArray, done: Callable[[int], bool]) -> bool:
        """Evaluate rows in turn until one is `done`; False if time ran out before."""
        for i in range(0, len(rows), _CHUNK):
            if done(rows[i]):
                break  # and so for the rest
            if i and watch.over():
                return False
            part = rows[i : i + _CHUNK]
            values[part] = colours.at(part).expected(labs)
        return True

    def first(*keys: FloatArray) -> int:
        return int(np.lexsort((*steps.T[::-1], *keys))[0])

    by_floor = np.argsort(floors, kind="stable")
    complete &= judge(by_floor, lambda row: bool(floors[row] > values.min() + _SLACK))
    best = first(paste, values)
    # Where little is known every expectation is large, and about the same far and wide: paste is
    # not saved there at the cost of the best estimate.
    most = values[best] + tolerance
    near = nominal <= nominal[best] + tolerance

    def least_paste() -> FloatArray:
        return np.where((values <= most) & near, paste, np.inf)

    some = np.flatnonzero(near & np.isinf(values) & (floors <= most + _SLACK))
    some = some[np.lexsort((floors[some], paste[some]))]
    complete &= judge(some, lambda row: bool(paste[row] > least_paste().min()))
    frugal = first(values, least_paste())

    def told(at: int) -> Expected:
        return Expected(steps[at], float(nominal[at]), float(values[at]))

    return RobustAnswer(told(best), told(frugal), complete and valid)


def _floors(
    known: Uncertainty,
    amounts: FloatArray,
    labs: FloatArray,
    norms: Sequence[FloatArray],
    radius: float,
    watch: Watch,
) -> tuple[Colours, FloatArray]:
    """Colours of recipes and floors of their expectations; of the first only if time runs out."""
    colours, floors = [], []
    for i in range(0, len(amounts), 4 * _CHUNK):
        if i and watch.over():
            break
        colours.append(known.colours(amounts[i : i + 4 * _CHUNK]))
        floors.append(colours[-1].floor(labs, norms, radius))
    each = (np.concatenate(parts) for parts in zip(*colours, strict=True))
    return Colours(*each), np.concatenate(floors)


def _norms(labs: FloatArray, limit: float) -> tuple[list[FloatArray], float, bool]:
    """Norms for a proof up to a limit, their radius, and whether they are valid for the limit.

    For a large limit no norm holds in hue and chroma; norms for a smaller one still rank recipes.
    """
    radius, valid = 2.0 * max(limit, _SLACK), True
    while True:
        norms = [minorant(lab, radius) for lab in labs]
        if all(np.linalg.matrix_rank(norm) == 3 for norm in norms):
            return norms, radius, valid
        radius, valid = 0.7 * radius, False


def choice_of(asked: Asked, found: Expected) -> Choice:
    """A recipe that was found, as a choice."""
    choice = asked.choice(found.steps.astype(float), found.delta_e)
    return replace(choice, expected=found.expected)


def expected_of(
    question: Question, choices: Sequence[Choice], readings: Readings
) -> tuple[Choice, ...]:
    """Choices with their expected CIEDE2000."""
    asked = question.asked
    amounts = np.array([asked.steps_of(c.recipe) for c in choices]) * asked.step_sizes
    values = uncertainty_of(asked, readings).colours(amounts).expected(question.labs)
    return tuple(
        replace(choice, expected=float(value))
        for choice, value in zip(choices, values, strict=True)
    )
