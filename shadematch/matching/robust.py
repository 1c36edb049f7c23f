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

from shadematch.colour.colorimetry import xyz_to_lab
from shadematch.matching.question import Choice, Question
from shadematch.predicting.slips import SQUEEZES, Squeezes, worst
from shadematch.predicting.spread import Spread, spread
from shadematch.search.joint import JointSearcher
from shadematch.search.near import within
from shadematch.studio.target import Target
from shadematch.support.arrays import FloatArray, IntArray

__all__ = ["steadiest"]

_MARGIN: Final = (0.1, 1.1)
"""A fixed part and a factor by which a recipe's own CIEDE2000 may exceed the best percentile."""
_MOST: Final = 3000
_STAGES: Final = ((64, 1.3), (512, 1.06))
"""Squeezes in a first and a second look, and how much worse than the best may stay in."""
_LISTED: Final = 300_000
"""Recipes of dose steps and let-downs, or under several lights, that are all looked at."""
_HOPS: Final = 40
_CHUNK: Final = 20_000


def steadiest(
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
    palette, pour, view = question.palette, question.pour, question.view
    squeezes = Squeezes(
        palette,
        pour,
        view,
        dose_slip=dose_slip,
        scale_g=scale_g,
        let_downs=question.let_downs,
        lights=question.lights,
    )
    step = [pour.dose_step] * len(palette.names) + [d.step_g for d in question.let_downs]
    aims = np.atleast_2d(question.goal)

    def percentile(steps: IntArray, count: int) -> float:
        return squeezes.percentile(np.asarray(steps * step, dtype=float), aims, count)

    start = [np.rint(question.steps_of(c)).astype(np.int64) for c in first]
    limit = min(percentile(s, SQUEEZES) for s in start) * _MARGIN[1] + _MARGIN[0]
    searcher = question.searcher
    if isinstance(searcher, JointSearcher):
        points, complete = _joint_candidates(searcher, aims, start, limit)
    else:
        points, complete = _candidates(question, start[0], limit)
    points = np.unique(np.concatenate([points, np.array(start)]), axis=0)
    for count, slack in _STAGES:
        values = np.array([percentile(p, count) for p in points])
        points = points[values <= values.min() * slack + 0.01]
    values = np.array([percentile(p, SQUEEZES) for p in points])
    totals = points.sum(axis=1)
    best = points[np.lexsort((*points.T[::-1], totals, values))[0]]
    chosen = question.choice(best.astype(float), 0.0)
    found = spread(
        chosen.recipe,
        palette=palette,
        view=view,
        dose_slip=dose_slip,
        scale_g=scale_g,
        target=goal,
        lights=question.lights,
    )
    return question.choice(best.astype(float), found.nominal_delta_e), found, complete


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


def _joint_candidates(
    searcher: JointSearcher, aims: FloatArray, start: list[IntArray], limit: float
) -> tuple[IntArray, bool]:
    """The same of recipes of kinds: all where they can be listed, else those round good ones."""
    region = searcher.region
    if region.count() <= _LISTED:
        points, complete = region.recipes(), True
    else:
        points, complete = _around(searcher, aims, start, limit), False
    near = _differences(searcher, points, aims)
    order = np.argsort(near, kind="stable")
    order = order[near[order] <= limit]
    return points[order[:_MOST]], complete and order.size <= _MOST


def _around(
    searcher: JointSearcher, aims: FloatArray, start: list[IntArray], limit: float
) -> IntArray:
    """Recipes that are near enough, reached from others by a step up, a step down, or both."""
    one = np.eye(searcher.region.size, dtype=np.int64)
    moves = np.concatenate([one, -one, *(one - row for row in one)])
    moves = np.unique(moves[np.any(moves != 0, axis=1)], axis=0)
    seen = fresh = np.unique(np.array(start), axis=0)
    for _ in range(_HOPS):
        new = searcher.region.permitted((fresh[:, None] + moves).reshape(-1, one.shape[0]))
        known = {row.tobytes() for row in seen}
        new = np.unique(new, axis=0)
        new = new[[row.tobytes() not in known for row in new]]
        if not len(new):
            break
        near = _differences(searcher, new, aims)
        order = np.argsort(near, kind="stable")[: _MOST // 4]
        fresh = new[order[near[order] <= limit]]
        seen = np.concatenate([seen, fresh])
        if not len(fresh) or len(seen) > 4 * _MOST:
            break
    return np.asarray(seen)


def _differences(searcher: JointSearcher, steps: IntArray, aims: FloatArray) -> FloatArray:
    """Worst CIEDE2000 of recipes in steps of kinds, shape (m, k)."""
    model, found = searcher.models[0], [np.empty(0)]
    for begin in range(0, len(steps), _CHUNK):
        loads = np.asarray(steps[begin : begin + _CHUNK] @ searcher.region.loads, dtype=float)
        R = model.spectra(loads)
        labs = [xyz_to_lab(R @ each.weights.T, each.white) for each in searcher.models]
        found.append(worst(np.stack(labs), aims))
    return np.concatenate(found)
