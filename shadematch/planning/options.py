"""The recipes that an order can be poured in."""

from __future__ import annotations

import functools
from dataclasses import dataclass
from typing import Final

import numpy as np

from shadematch.colour.difference import delta_e
from shadematch.matching.question import Asked, Choice
from shadematch.planning.orders import Order
from shadematch.predicting.prediction import loads_of, recipe_of
from shadematch.studio.palette import Palette
from shadematch.studio.pour import Pour
from shadematch.studio.view import View
from shadematch.support.arrays import FloatArray, IntArray
from shadematch.support.spelling import did_you_mean

__all__ = ["MOST", "Options", "options_for"]

MOST: Final = 300
"""Most recipes of one order that a plan chooses among; of more, a varied sample."""


@dataclass(frozen=True)
class Options:
    """The recipes that a plan may choose among for one order.

    Attributes
    ----------
    choices
        Recipes for one pot. Every recipe within the tolerance takes at least as much of every
        pigment as one of these.
    use
        Paste of each pigment that the whole order takes with each [palette's unit], shape (k, n).
    complete
        Whether these are all such recipes and the closest is proved.
    closest_delta_e
        CIEDE2000 of the closest recipe; None if a recipe was given or none is possible.
    problem
        Why there are none, in words; else empty.
    """

    choices: tuple[Choice, ...]
    use: FloatArray
    complete: bool
    closest_delta_e: float | None = None
    problem: str = ""


def options_for(order: Order, palette: Palette) -> Options:
    """List the recipes for an order.

    Raises
    ------
    ColourError
        If the target can't be adapted to the view's light.
    """
    none = np.empty((0, len(palette.pigments)))
    if order.recipe is not None:
        missing = [name for name in order.recipe.doses if name not in palette]
        if missing:
            problem = f"its recipe needs {', '.join(missing)}, which the palette lacks"
            if hint := did_you_mean(missing[0], palette.names).strip():
                problem = f"{problem}. {hint}"
            return Options((), none, True, problem=problem)
        recipe = recipe_of(order.recipe, palette, None, "recipe")
        loads = loads_of(recipe.doses, palette, order.pot)
        choice = Choice(recipe, 0.0, palette, order.view, loads)
        doses = [recipe.doses.get(n, 0.0) for n in palette.names]
        return Options((choice,), np.array([doses]) * order.pots, True)
    assert order.target is not None
    lab = order.target.lab_in(order.view)
    most = None if order.max_pigments is None else min(order.max_pigments, len(palette.pigments))
    pour = order.pot
    if pour.max_steps < 1:
        problem = (
            f"the load limit of a pot of {pour.batch_g:g} g is below one dose step "
            f"({pour.dose_step:g} {palette.unit})"
        )
        return Options((), none, True, problem=problem)
    found = _searched(
        (float(lab[0]), float(lab[1]), float(lab[2])),
        *(palette, pour, order.view, most, order.tolerance, order.within),
    )
    if not len(found.steps):
        problem = (
            f"its closest recipe is {found.closest_delta_e:.2f} away, over the "
            f"{order.within:g} allowed"
        )
        return Options((), none, found.complete, found.closest_delta_e, problem)
    asked = Asked(palette, pour, order.view, most)
    values = found.delta_e.tolist()
    choices = tuple(
        asked.choice(steps.astype(float), value)
        for steps, value in zip(found.steps, values, strict=True)
    )
    use = np.asarray(found.steps * (pour.dose_step * order.pots), dtype=float)
    return Options(choices, use, found.complete, found.closest_delta_e)


@dataclass(frozen=True)
class _Searched:
    steps: IntArray
    delta_e: FloatArray
    complete: bool
    closest_delta_e: float


@functools.lru_cache(maxsize=1024)
def _searched(
    lab: tuple[float, float, float],
    palette: Palette,
    pour: Pour,
    view: View,
    most: int | None,
    tolerance: float,
    within: float | None,
) -> _Searched:
    """The search, cached for orders that ask the same."""
    target = np.array(lab)
    searcher = Asked(palette, pour, view, most).searcher
    closest = searcher.closest(target)
    assert closest.steps is not None
    limit = closest.delta_e + tolerance
    if within is not None:
        limit = min(limit, within)
    if limit < closest.delta_e:
        nothing = np.empty((0, searcher.space.size), dtype=np.intp)
        return _Searched(nothing, np.empty(0), closest.proved, closest.delta_e)
    steps, complete = searcher.lean(target, limit, closest)
    complete = complete and closest.proved
    if len(steps) > MOST:
        steps, complete = _spread(steps), False
    values = delta_e(searcher.space.lab(steps), target)
    return _Searched(steps, values, complete, closest.delta_e)


def _spread(steps: IntArray) -> IntArray:
    """`MOST` of many recipes: those that are cheapest under many different prices of paste."""
    rng = np.random.default_rng(0)
    n = steps.shape[1]
    size = np.maximum(steps.max(axis=0), 1)
    prices = np.concatenate([np.eye(n) + 1e-3, np.ones((1, n)), rng.dirichlet(np.ones(n), 20_000)])
    kept: dict[int, None] = {}
    for price in prices:
        kept[int(np.argmin(steps @ (price / size)))] = None
    for i in rng.permutation(len(steps)):
        if len(kept) >= MOST:
            break
        kept[int(i)] = None
    return steps[sorted(list(kept)[:MOST])]
