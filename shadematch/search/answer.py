"""The searches put together: closest and frugal for one target."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from shadematch.predicting.prediction import Model
from shadematch.search.all_recipes import LARGEST, Catalogue
from shadematch.search.ideal import ideal
from shadematch.search.leeway import ANYWHERE, Leeway
from shadematch.search.nearness import Sight
from shadematch.search.space import Space, spaces_of
from shadematch.search.whole import GAP, LISTED, Found, closest, frugal
from shadematch.support.arrays import FloatArray, IntArray

__all__ = ["Answer", "Searcher", "undominated"]

_MOST_SPACES: Final = 1000
_FEW_SPACES: Final = 64
_SPACE_WORK: Final = 1000  # what a space of its own costs, in boxes
_RECIPE_WORK: Final = 0.25  # what listing a recipe costs


@dataclass(frozen=True)
class Answer:
    """Everything found for one target; doses in steps.

    Attributes
    ----------
    closest
        The whole recipe with the smallest CIEDE2000.
    frugal
        The one with the least paste among those that the leeway lets count; `bound` is the
        least number of steps.
    """

    closest: Found
    frugal: Found


class Searcher:
    """Finds recipes in a permitted region.

    Where there are at most `catalogue.LARGEST` recipes it lists them all once its searches have
    cost as much as the list does; from then on it looks answers up, which gives the same.

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
        self._work = 0.0
        self._few: list[tuple[IntArray, Space]] | None = None
        self._catalogue: Catalogue | None = None

    def catalogue(self) -> Catalogue | None:
        """All recipes, listed now if need be; None where they, or the spaces, are too many."""
        few = self._space_count() <= _MOST_SPACES
        if self._catalogue is None and few and self.whole.count() <= LARGEST:
            everywhere = np.zeros(self.whole.size)
            spaces, _ = spaces_of(self.model, self.whole, self.load_per_step, everywhere, LARGEST)
            self._catalogue = Catalogue(spaces)
        return self._catalogue

    def _kept(self) -> Catalogue | None:
        """The list of all recipes, once it pays."""
        if self._catalogue is None:
            spaces = self._space_count()
            if self._work < _RECIPE_WORK * self.whole.count() + _SPACE_WORK * spaces:
                return None
        return self.catalogue()

    def _space_count(self) -> int:
        """How many spaces the region falls into, at most."""
        still = sum(self.whole.upper[i] > 0 for i in self.model.scattering_pigments)
        return math.comb(self.whole.max_steps + still, still)

    def spaces(self, around: FloatArray) -> tuple[Sequence[tuple[IntArray, Space]], bool]:
        """The region cut as `space.spaces_of` does, and whether all of it is there."""
        if self._few is None:
            spaces, complete = spaces_of(
                self.model, self.whole, self.load_per_step, around, _MOST_SPACES
            )
            if not complete or len(spaces) > _FEW_SPACES:
                return spaces, complete
            self._few = list(spaces)
        still = list(self.model.scattering_pigments)
        return sorted(self._few, key=lambda s: float(np.abs(s[0] - around)[still].sum())), True

    def answer(self, target: FloatArray, leeway: Leeway) -> Answer:
        """Search for one target.

        Parameters
        ----------
        target
            CIELAB, shape (3,).
        leeway
            Which recipes count as no worse than the closest.
        """
        best = self.closest(target)
        return Answer(best, self.frugal(target, best, leeway))

    def ideal(self, target: FloatArray, best: Found | None = None) -> tuple[FloatArray, float]:
        """The continuous optimum; `best` is the closest whole recipe, where it is known.

        Mixtures have several local optima; the proved whole recipe lies next to a good one.
        """
        steps, value = ideal(self.whole, target)
        if best is None or best.steps is None or value < 1e-3:
            return steps, value
        again, lower = ideal(self.whole, target, start=best.steps.astype(float))
        return (again, lower) if lower < value else (steps, value)

    def closest(
        self,
        target: FloatArray,
        *,
        hint: FloatArray | None = None,
        max_steps: int | None = None,
        max_tubes: int | None = None,
        below: float = np.inf,
        belief: FloatArray = ANYWHERE,
    ) -> Found:
        """The closest whole recipe; see `whole.closest`.

        Parameters
        ----------
        target
            CIELAB, shape (3,).
        hint
            Steps to look around first, shape (n,); by default the continuous optimum.
        max_steps, max_tubes
            Limits to keep besides the region's own.
        below
            Only recipes with a smaller CIEDE2000 count.
        belief
            Only colours inside count (`Leeway.belief`).
        """
        if max_tubes is None or max_tubes >= self.whole.max_tubes:
            kept = self._kept()
            if kept is not None:
                return kept.closest(target, max_steps=max_steps, below=below, belief=belief)
        if hint is None:
            listed = self.whole.count() <= LISTED and not self.model.scattering_pigments
            hint = np.zeros(self.whole.size) if listed else ideal(self.whole, target)[0]
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
            hints = np.clip(hint, limited.lower, limited.upper)[None]
            sight = Sight(limited, target, beliefs=(belief,))
            found = closest(sight, limited, hints=hints, below=min(best.delta_e, below))
            bound, boxes = min(best.bound, found.bound), best.boxes + found.boxes
            if found.steps is not None:
                best = replace(found, steps=found.steps + fixed)
            best = replace(best, bound=bound, boxes=boxes)
        self._work += best.boxes + (_SPACE_WORK * len(spaces) if len(spaces) > 1 else 0)
        reached = min(best.delta_e, below)
        if not complete:
            return replace(best, bound=0.0, proved=reached <= GAP)
        return replace(best, proved=bool(reached - best.bound <= GAP))

    def frugal(self, target: FloatArray, best: Found, leeway: Leeway) -> Found:
        """The recipe with the least paste among those that count as no worse than `best`."""
        assert best.steps is not None
        within = leeway.within(best.delta_e)
        belief = leeway.belief(target, best.delta_e)
        kept = self._kept()
        if kept is not None:
            found = kept.frugal(target, within, int(best.steps.sum()), belief)
            if np.isfinite(found.delta_e):
                return found
            # `best` was not looked up, and in its last bit lies above what the list knows.
            return replace(best, bound=float(best.steps.sum()), proved=True)
        spaces, complete = self.spaces(best.steps.astype(float))
        least, fewest, proved, boxes = best, int(best.steps.sum()), complete, 0
        bound = fewest
        for fixed, space in spaces:
            used = int(fixed.sum())
            near = np.where(space.upper > 0, best.steps, 0).astype(float)
            sight = Sight(space, target, beliefs=(belief,))
            found = frugal(sight, space, within=within, less_than=fewest - used, near=near)
            boxes += found.boxes
            proved = proved and found.proved
            bound = min(bound, int(found.bound) + used)
            if found.steps is not None:
                least = replace(found, steps=found.steps + fixed)
                fewest = int(found.steps.sum()) + used
        self._work += boxes
        bound = min(bound, fewest)
        # Among equally short recipes, the closest.
        assert least.steps is not None
        refined = self.closest(
            target,
            hint=least.steps.astype(float),
            max_steps=fewest,
            below=within + GAP,
            belief=belief,
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
