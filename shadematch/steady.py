"""The recipe that stays nearest the target when ruler and scale are a little off.

Were colour linear in the doses, no recipe could stray towards the target more often than away
from it, so that half of its squeezes at least, and therefore the 90th percentile, would lie no
nearer than the recipe itself. Hence whoever looks for the best 90th percentile need only look
among recipes that are, by themselves, no farther away than the best percentile found. Colour is
not quite linear; so all recipes a little farther away are looked at too. That is an argument and
not a proof, and none is claimed; ``python -m tests.bench.batch robust`` compares the choice with
all recipes.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from shadematch.arrays import FloatArray, IntArray
from shadematch.difference import delta_e
from shadematch.question import Choice, Question
from shadematch.search.near import within
from shadematch.spread import SQUEEZES, Spread, Squeezes, spread
from shadematch.target import Target

__all__ = ["steadiest"]

_MARGIN: Final = (0.1, 1.1)
"""A fixed part and a factor by which a recipe's own CIEDE2000 may exceed the best percentile."""
_MOST: Final = 3000
_STAGES: Final = ((64, 1.3), (512, 1.06))
"""Squeezes in a first and a second look, and how much worse than the best may stay in."""


def steadiest(
    question: Question, first: list[Choice], goal: Target, *, ruler_cm: float, scale_g: float
) -> tuple[Choice, Spread, bool]:
    """The permitted recipe with the smallest 90th percentile of CIEDE2000.

    Parameters
    ----------
    question
        What is asked of the search.
    first
        Good choices to begin with.
    goal
        The target of the question.
    ruler_cm, scale_g
        How far a reading may be off, either way.

    Returns
    -------
    choice, spread, complete
        `complete` says whether every recipe that was to be looked at was.
    """
    palette, pour, view = question.palette, question.pour, question.view
    squeezes = Squeezes(palette, pour, view, ruler_cm=ruler_cm, scale_g=scale_g)
    step = pour.dose_step_cm

    def percentile(steps: IntArray, count: int) -> float:
        lengths = np.asarray(steps * step, dtype=float)
        return squeezes.percentile(lengths, question.target, count)

    start = [np.rint(question.steps_of(c)).astype(np.int64) for c in first]
    limit = min(percentile(s, SQUEEZES) for s in start)
    points, complete = _candidates(question, start[0], limit * _MARGIN[1] + _MARGIN[0])
    points = np.unique(np.concatenate([points, np.array(start)]), axis=0)
    for count, slack in _STAGES:
        values = np.array([percentile(p, count) for p in points])
        points = points[values <= values.min() * slack + 0.01]
    values = np.array([percentile(p, SQUEEZES) for p in points])
    totals = points.sum(axis=1)
    best = points[np.lexsort((*points.T[::-1], totals, values))[0]]
    lab = question.plain_searcher.model.lab(best * pour.load_per_step)
    choice = question.choice(best.astype(float), float(delta_e(lab, question.target)))
    found = spread(
        choice.recipe, palette=palette, view=view, ruler_cm=ruler_cm, scale_g=scale_g, target=goal
    )
    return choice, found, complete


def _candidates(question: Question, around: IntArray, limit: float) -> tuple[IntArray, bool]:
    spaces, complete = question.plain_searcher.spaces(around.astype(float))
    parts: list[IntArray] = []
    near: list[FloatArray] = []
    for fixed, space in spaces:
        steps, values, all_ = within(space, question.target, limit, _MOST)
        parts.append(steps + fixed)
        near.append(values)
        complete = complete and all_
    points, values = np.concatenate(parts), np.concatenate(near)
    return points[np.argsort(values, kind="stable")[:_MOST]], complete and len(points) <= _MOST
