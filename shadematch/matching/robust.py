"""The recipe that stays nearest the target when ruler and scale are a little off.

Were colour linear in the doses, no recipe could stray towards the target more often than away
from it, so that half of its pours at least, and therefore the 90th percentile, would lie no
nearer than the recipe itself. Hence whoever looks for the best 90th percentile need only look
among recipes that are, by themselves, no farther away than the best percentile found. Colour is
not quite linear; so all recipes a little farther away are looked at too. That is an argument and
not a proof, and none is claimed; ``python -m tests.bench.batch robust`` compares the choice with
all recipes.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from shadematch.matching.question import Choice, Question
from shadematch.predicting.sampled import Sampled
from shadematch.predicting.spread import Spread, spread
from shadematch.predicting.uncertainty import Uncertainty
from shadematch.studio.target import Target
from shadematch.support.arrays import IntArray

__all__ = ["most_robust"]

_MARGIN: Final = (0.1, 1.1)
"""A fixed part and a factor by which a recipe's own CIEDE2000 may exceed the best percentile."""
_MOST: Final = 3000
_STAGES: Final = ((64, 1.3), (512, 1.06))
"""Points in a first and a second look, and how much worse than the best may stay in."""


def most_robust(
    question: Question, first: list[Choice], goal: Target, *, dose_slip: float, scale_g: float
) -> tuple[Choice, Spread, bool]:
    """The permitted recipe with the smallest 90th percentile of CIEDE2000.

    Under several lights it is that of the worst of them.

    Parameters
    ----------
    question
        What is asked of the search.
    first
        Good choices to begin with.
    goal
        The target of the question.
    dose_slip, scale_g
        How far a reading may be off, either way.

    Returns
    -------
    choice, spread, complete
        `complete` says whether every recipe that was to be looked at was.
    """
    asked = question.asked
    # Pastes are taken as known here: drawn as well, they would cost a hundred times as much.
    sampled = Sampled(
        Uncertainty(
            asked.palette.model_copy(update={"uncertainty": None}),
            asked.pour,
            asked.views[0],
            dose_slip=dose_slip,
            scale_g=scale_g,
            let_downs=asked.let_downs,
            lights=asked.lights,
        )
    )
    step = [asked.pour.dose_step] * len(asked.palette.names) + [d.step_g for d in asked.let_downs]

    def percentile(steps: IntArray, count: int | None = None) -> float:
        return sampled.percentile(np.asarray(steps * step, dtype=float), question.labs, count)

    start = np.rint([asked.steps_of(choice.recipe) for choice in first]).astype(np.intp)
    limit = min(percentile(s) for s in start) * _MARGIN[1] + _MARGIN[0]
    points, complete = asked.searcher.within(question.labs, limit, _MOST, start[0].astype(float))
    points = np.unique(np.concatenate([points, start]), axis=0)
    for count, slack in _STAGES:
        values = np.array([percentile(p, count) for p in points])
        points = points[values <= values.min() * slack + 0.01]
    values = np.array([percentile(p) for p in points])
    best = points[np.lexsort((*points.T[::-1], points.sum(axis=1), values))[0]]
    chosen = asked.choice(best.astype(float), 0.0)
    found = spread(
        chosen.recipe,
        palette=asked.palette,
        view=asked.views[0],
        dose_slip=dose_slip,
        scale_g=scale_g,
        target=goal,
        lights=asked.lights,
    )
    return asked.choice(best.astype(float), found.nominal_delta_e), found, complete
