"""The searches put together: ideal, closest and frugal for one target."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from shadematch.arrays import FloatArray, IntArray
from shadematch.prediction import Model
from shadematch.search.cover import Cover, cover_of
from shadematch.search.ideal import ideal
from shadematch.search.space import Space, spaces_of
from shadematch.search.whole import GAP, Found, closest, frugal

__all__ = ["Answer", "Searcher", "undominated"]

_MOST_SPACES: Final = 1000
_PATIENCE: Final = 4
"""Targets searched from scratch before boxes are kept: they cost as much as several searches."""


@dataclass(frozen=True)
class Answer:
    """Everything found for one target; doses in steps.

    Attributes
    ----------
    ideal_steps, ideal_delta_e
        The continuous optimum.
    closest
        The whole recipe with the smallest CIEDE2000.
    frugal
        The one with the least paste among those at most the tolerance worse; `bound` is the
        least number of steps.
    """

    ideal_steps: FloatArray
    ideal_delta_e: float
    closest: Found
    frugal: Found


class Searcher:
    """Finds recipes in a permitted region.

    Parameters
    ----------
    model
        Palette, base, thickness and view.
    whole
        The permitted region, from `space.whole_space`.
    load_per_step
        Load [cm per 100 g] of one dose step.
    """

    def __init__(self, model: Model, whole: Space, load_per_step: float) -> None:
        self.model = model
        self.whole = whole
        self.load_per_step = load_per_step
        self._cover: Cover | None = None
        self._asked = 0

    def _cover_for(self, space: Space) -> Cover | None:
        """The kept boxes, once this region has been asked about before and if they fit."""
        if space.max_tubes != self.whole.max_tubes or self.model.scattering_pigments:
            return None
        if self._cover is None and self._asked > _PATIENCE and self.whole.count() > 50_000:
            self._cover = cover_of(self.whole)
        return self._cover

    def spaces(self, around: FloatArray) -> tuple[list[tuple[IntArray, Space]], bool]:
        """The region cut as `space.spaces_of` does, and whether all of it is there."""
        return spaces_of(self.model, self.whole, self.load_per_step, around, _MOST_SPACES)

    def ideal(self, target: FloatArray) -> tuple[FloatArray, float]:
        """The continuous optimum in steps, shape (n,), and its CIEDE2000; see `ideal.ideal`."""
        return ideal(self.whole, target)

    def answer(self, target: FloatArray, tolerance: float) -> Answer:
        """Search for one target.

        Parameters
        ----------
        target
            CIELAB, shape (3,).
        tolerance
            How much worse than the closest the frugal recipe may be, in CIEDE2000.
        """
        steps, value = self.ideal(target)
        best = self.closest(target, hint=steps)
        least = self.frugal(target, best, tolerance)
        return Answer(*self.ideal_from(best, steps, value, target), best, least)

    def ideal_from(
        self, best: Found, steps: FloatArray, value: float, target: FloatArray
    ) -> tuple[FloatArray, float]:
        """The better of a continuous optimum and the one next to the closest whole recipe.

        Mixtures have several local optima; the proved whole recipe lies next to a good one.
        """
        if best.steps is None or value < 1e-3:
            return steps, value
        again, lower = ideal(self.whole, target, start=best.steps.astype(float))
        return (again, lower) if lower < value else (steps, value)

    def closest(
        self,
        target: FloatArray,
        *,
        hint: FloatArray,
        max_steps: int | None = None,
        max_tubes: int | None = None,
        below: float = np.inf,
    ) -> Found:
        """The closest whole recipe; see `whole.closest`."""
        self._asked += max_steps is None
        spaces, complete = self.spaces(hint)
        best = Found(None, np.inf, below, True, 0)
        for fixed, space in spaces:
            used, tubes = int(fixed.sum()), int(np.count_nonzero(fixed))
            limited = space.limited(
                max_steps=None if max_steps is None else max_steps - used,
                max_tubes=None if max_tubes is None else max_tubes - tubes,
            )
            if limited.max_steps < 0 or limited.max_tubes < 0:
                continue
            hints = np.where(space.upper > 0, hint, 0.0)[None]
            found = closest(
                limited,
                target,
                hints=hints,
                below=min(best.delta_e, below),
                cover=self._cover_for(limited),
            )
            bound, boxes = min(best.bound, found.bound), best.boxes + found.boxes
            if found.steps is not None:
                best = replace(found, steps=found.steps + fixed)
            best = replace(best, bound=bound, boxes=boxes)
        reached = min(best.delta_e, below)
        if not complete:
            return replace(best, bound=0.0, proved=reached <= GAP)
        return replace(best, proved=bool(reached - best.bound <= GAP))

    def frugal(self, target: FloatArray, best: Found, tolerance: float) -> Found:
        """The recipe with the least paste at most `tolerance` worse than `best`."""
        assert best.steps is not None
        within = best.delta_e + tolerance
        spaces, complete = self.spaces(best.steps.astype(float))
        least, fewest, proved, boxes = best, int(best.steps.sum()), complete, 0
        bound = fewest
        for fixed, space in spaces:
            used = int(fixed.sum())
            near = np.where(space.upper > 0, best.steps, 0).astype(float)
            found = frugal(
                space,
                target,
                within=within,
                fewer_than=fewest - used,
                near=near,
                cover=self._cover_for(space),
            )
            boxes += found.boxes
            proved = proved and found.proved
            bound = min(bound, int(found.bound) + used)
            if found.steps is not None:
                least = replace(found, steps=found.steps + fixed)
                fewest = int(found.steps.sum()) + used
        bound = min(bound, fewest)
        # Among equally short recipes, the closest.
        assert least.steps is not None
        refined = self.closest(
            target, hint=least.steps.astype(float), max_steps=fewest, below=within + GAP
        )
        if refined.steps is not None and refined.delta_e <= least.delta_e:
            least, fewest = refined, int(refined.steps.sum())
        return Found(least.steps, least.delta_e, float(bound), proved and bound == fewest, boxes)

    def front(self, target: FloatArray, best: Found, reach: float) -> list[Found]:
        """The Pareto front of CIEDE2000, paste and number of pigments.

        For every number of pigments, the closest recipe, then the closest with at least a step
        and a twentieth less paste, and so on while CIEDE2000 stays within `reach` of the best.
        """
        assert best.steps is not None
        found: list[Found] = []
        limit = best.delta_e + reach
        for tubes in range(self.whole.size, -1, -1):
            most = self.whole.max_steps
            while most >= 0:
                next_ = self.closest(
                    target,
                    hint=best.steps.astype(float),
                    max_steps=most,
                    max_tubes=tubes,
                    below=limit,
                )
                if next_.steps is None:
                    break
                found.append(next_)
                total = int(next_.steps.sum())
                most = total - max(1, total // 20)
        return undominated(
            found, lambda steps: float(steps.sum()), lambda steps: int(np.count_nonzero(steps))
        )


def undominated(
    found: list[Found], paste: Callable[[IntArray], float], tubes: Callable[[IntArray], int]
) -> list[Found]:
    """Those than which none is better in CIEDE2000, paste and number of pigments."""

    def cost(f: Found) -> tuple[float, float, int]:
        assert f.steps is not None
        return f.delta_e, paste(f.steps), tubes(f.steps)

    unique = {f.steps.tobytes(): f for f in found if f.steps is not None}
    ordered = sorted(unique.values(), key=cost)
    kept: list[Found] = []
    for f in ordered:
        mine = cost(f)
        if not any(all(a <= b for a, b in zip(cost(k), mine, strict=True)) for k in kept):
            kept.append(f)
    return kept
