"""The recipes that are expected to come nearest, where slips and pastes are counted.

The expectation of CIEDE2000 is over what differs from recipe to recipe: readings of ruler and
scale, pastes and bases, bench and model (`shadematch.predicting.uncertainty`, linear). How well
the target is known stays out: it adds about the same to every recipe.

Why nothing is missed: let y be a recipe's colour less the target, and W the norm that stays
below CIEDE2000 within a radius r (`minorant`). The expectation is a mean over pairs of colours,
y + e and y - e. Where both are within r of the target, the mean of a pair is at least
(|W (y + e)| + |W (y - e)|) / 2 >= |W y|; where one is farther, at least r / 2. So the expectation is
at least the smaller of |W y| and r / 2. With r twice the largest expectation that is of use, every
recipe of use has |W y| no larger than that. These are listed, and their expectations computed.
Under several lights that holds for each, and the worst is no smaller.
"""

from __future__ import annotations

import functools
from typing import Final, NamedTuple

import numpy as np

from shadematch.colour.difference import delta_e
from shadematch.colour.floors import minorant
from shadematch.matching.question import Asked
from shadematch.predicting.readings import Readings
from shadematch.predicting.uncertainty import Uncertainty
from shadematch.search.all_recipes import Answer
from shadematch.support.arrays import FloatArray, IntArray

__all__ = ["Expected", "RobustAnswer", "robust_answer", "uncertainty_of"]

_MOST: Final = 5000
"""Recipes that are looked at at most, the nearest first."""
_CHUNK: Final = 64
_SLACK: Final = 1e-9


class Expected(NamedTuple):
    """A recipe in steps, its CIEDE2000 when nothing is off, and the expected one."""

    steps: IntArray
    delta_e: float
    expected: float


class RobustAnswer(NamedTuple):
    """What is best by expectation.

    Attributes
    ----------
    best
        With the smallest expected CIEDE2000.
    frugal
        With the least paste among those whose expected CIEDE2000 is at most the tolerance above.
    proved
        Whether every recipe that might be either was looked at.
    """

    best: Expected
    frugal: Expected
    proved: bool


@functools.lru_cache(maxsize=8)
def uncertainty_of(asked: Asked, readings: Readings) -> Uncertainty:
    """What is not known of the recipes of a question, kept for the next target."""
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
    asked: Asked, labs: FloatArray, answer: Answer, tolerance: float, readings: Readings
) -> RobustAnswer:
    """The recipes that are best by expectation.

    Parameters
    ----------
    asked, labs
        The question: all but the target, and the target in each view, shape (v, 3).
    answer
        What is best when nothing is off.
    tolerance
        How much worse than the best is too little to mind, in expected CIEDE2000.
    readings
        How far they may be off.
    """
    known, searcher = uncertainty_of(asked, readings), asked.searcher
    size = [asked.pour.dose_step] * len(asked.palette.names) + [d.step_g for d in asked.let_downs]
    start = np.array([found.steps for found in answer])
    expected = known.expected(start * size, labs)
    least = float(expected.min())
    norms, valid = _norms(labs, least + tolerance)
    steps, far, complete = searcher.within(
        labs, norms, least + tolerance + _SLACK, most=_MOST, around=start[0].astype(float)
    )
    values = np.full(len(steps), np.inf)
    for i in range(0, len(steps), _CHUNK):
        # The rest is too far, whatever it is.
        if far[i] > least + tolerance + _SLACK:
            break
        part = slice(i, i + _CHUNK)
        values[part] = known.expected(steps[part] * size, labs)
        least = min(least, float(values[part].min()))
    steps, values = np.concatenate([steps, start]), np.concatenate([values, expected])
    paste = np.round(steps @ searcher.space.limits.paste, 9)
    good = values <= least + tolerance

    def first(*keys: FloatArray) -> Expected:
        at = np.lexsort((*steps.T[::-1], *keys))[0]
        return Expected(steps[at], _nominal(asked, steps[at], labs), float(values[at]))

    return RobustAnswer(
        first(paste, values),
        first(values, np.where(good, paste, np.inf)),
        complete and valid,
    )


def _norms(labs: FloatArray, limit: float) -> tuple[list[FloatArray], bool]:
    """Norms that prove up to a limit, and whether they do.

    For a large limit nothing can be shown of hue and chroma; a norm for a smaller one then still
    tells which recipes are nearest.
    """
    norms, valid = [], True
    for lab in labs:
        radius = 2.0 * max(limit, _SLACK)
        norm = minorant(lab, radius)
        while np.linalg.matrix_rank(norm) < 3:
            radius, valid = 0.7 * radius, False
            norm = minorant(lab, radius)
        norms.append(norm)
    return norms, valid


def _nominal(asked: Asked, steps: IntArray, labs: FloatArray) -> float:
    return float(delta_e(asked.searcher.colours(steps[None])[0], labs).max())
