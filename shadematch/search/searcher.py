"""All searches in one class.

It serves doses and let-downs, one light and several, pastes that scatter and corrections; they
differ in the `Space` alone.
"""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from shadematch.search.all_recipes import LARGEST, AllRecipes
from shadematch.search.answers import Answer, Answers
from shadematch.search.ideal import ideal
from shadematch.search.minimax import minimax
from shadematch.search.near import Listed, lean, lean_within, within
from shadematch.search.nearness import Nearness
from shadematch.search.parts import MOST_PARTS, Parts
from shadematch.search.space import Space
from shadematch.search.watch import UNWATCHED, Watch
from shadematch.search.whole import GAP, LISTED, MOST_EFFORT, Solution, closest, frugal
from shadematch.support.arrays import FloatArray, IntArray

__all__ = ["Searcher"]

# What things cost, in boxes.
_PART_WORK: Final = 1000.0
_RECIPE_WORK: Final = 0.25
_TABLE_WORK: Final = 0.35  # a recipe with its colour from the surface in two variables
_SEARCH_WORK: Final = 1500.0  # one target
_VAGUE_WORK: Final = 20_000.0  # and what it costs more where pastes scatter
_SECOND: Final = 40_000.0
_CLOSEST, _FRUGAL = 0.7, 0.9
"""Fractions of the time limit at which these searches must end."""


class Searcher:
    """Finds recipes in a space.

    Up to `all_recipes.LARGEST` recipes are listed once the searches have cost as much as the list
    would; from then on answers are looked up, with the same results. They are listed at once if
    that takes about a second or less, or less than searching all doses of scattering pastes.

    Targets are CIELAB in each view, shape (v, 3), or (3,) for one view.

    Parameters
    ----------
    space
        Doses, limits and views.
    """

    def __init__(self, space: Space) -> None:
        self.space = space
        self._plain = space.undiluted
        self._parts = Parts(space)
        self._scatters = bool(self._parts.still)
        self._work = 0.0
        self._all: AllRecipes | None = None

    # --- all recipes

    def all_recipes(self) -> AllRecipes | None:
        """All recipes, listed now if necessary; None if there are too many."""
        if self._all is None and np.isfinite(self._list_work):
            steps, labs, vague = self._listed()
            settle = self.colours if vague else None
            self._all = AllRecipes(self.space.limits, steps, labs, settle)
        return self._all

    def _kept(self, watch: Watch) -> AllRecipes | None:
        """The list of all recipes, once it pays, and where there is time to make it."""
        at_once = max(_SECOND, self._parts_work) if self._scatters else _RECIPE_WORK * LISTED
        pays = self._list_work <= min(max(self._work, at_once), watch.left * _SECOND)
        return self.all_recipes() if pays else self._all

    def _worth_listing(self, proved: bool, watch: Watch) -> bool:
        """Whether a list may prove what a search by boxes with vague colours could not."""
        able = self.space.vague and self._list_work < watch.left * _SECOND
        return able and not proved and self._all is None

    @functools.cached_property
    def _works(self) -> tuple[float, float]:
        """Cost of a list made part by part, and from the table; infinite if impossible."""
        count = self.space.limits.count()
        if count > LARGEST:
            return np.inf, np.inf
        if not self._scatters:
            return _RECIPE_WORK * count, np.inf
        parts = self._parts.count
        by_part = _RECIPE_WORK * count + _PART_WORK * parts if parts <= MOST_PARTS else np.inf
        return by_part, _TABLE_WORK * count

    @property
    def _list_work(self) -> float:
        return min(self._works)

    @property
    def _parts_work(self) -> float:
        if not self._scatters:
            return 0.0
        if self.space.vague:
            return _VAGUE_WORK
        return _PART_WORK * min(self._parts.count, self._parts.most)

    def _listed(self) -> tuple[IntArray, FloatArray, bool]:
        """Every recipe in order, its colours, and whether these are approximate."""
        by_part, by_table = self._works
        if by_table < by_part:
            steps = self.space.limits.leanest(self.space.limits.recipes())
            return steps, self.space.sketched(steps), True
        found = []
        for fixed, part in self._parts.of(self.space, np.zeros(self.space.size))[0]:
            own = part.limits.leanest(part.limits.recipes())
            if len(own):  # a fixed dose may leave no room for a required one
                found.append((own + fixed, part.sketched(own)))
        steps, labs = (np.concatenate(each) for each in zip(*found, strict=True))
        order = np.lexsort(steps.T[::-1]) if len(found) > 1 else slice(None)
        return steps[order], labs[order], False

    def colours(self, steps: IntArray) -> FloatArray:
        """CIELAB of recipes in each view, shape (m, v, 3), as `predict` gives it."""
        return self._parts.colours(steps)

    # --- real-valued doses

    def ideal(self, targets: FloatArray, best: Solution | None = None) -> tuple[FloatArray, float]:
        """Real-valued steps, shape (k,), with the smallest CIEDE2000, and that; a local optimum.

        Without let-downs. With the closest whole recipe `best`, the search also starts there:
        mixtures have several local optima, and it is next to a good one.
        """
        goals = np.reshape(targets, (-1, 3))
        steps, value = self._ideal(goals, None)
        if best is not None and best.steps is not None:
            whole = self.space.limits.brought(best.steps.astype(float))
            again, lower = self._ideal(goals, whole)
            if lower < value:
                steps, value = again, lower
        result = np.zeros(self.space.size)
        result[: steps.size] = steps
        return result, value

    def _roughly(self, goals: FloatArray) -> FloatArray:
        """About the steps of `ideal`, to start from."""
        result = np.zeros(self.space.size)
        found = self._ideal(goals, None, replace(self._plain, rough=True))[0]
        result[: found.size] = found
        return result

    def _ideal(
        self, goals: FloatArray, start: FloatArray | None, space: Space | None = None
    ) -> tuple[FloatArray, float]:
        plain = space or self._plain
        views = [replace(plain, seen=(each,)) for each in plain.seen]
        found = [ideal(view, g, start=start) for view, g in zip(views, goals, strict=True)]
        if len(views) == 1:
            return found[0]
        starts = [steps for steps, _ in found] + ([] if start is None else [start])
        return min((minimax(plain, goals, s) for s in starts), key=lambda f: f[1])

    # --- whole doses

    def answers(self, targets: FloatArray, tolerance: float | None) -> Answers:
        """Search for many targets, shape (t, v, 3); see `answer`."""
        listed = self._kept(UNWATCHED)
        if listed is None and self._list_work <= (_SEARCH_WORK + self._parts_work) * len(targets):
            listed = self.all_recipes()
        if listed is not None:
            return listed.look_up(targets, tolerance or 0.0)
        return Answers.of([self.answer(goal, tolerance) for goal in targets])

    def answer(
        self, targets: FloatArray, tolerance: float | None, watch: Watch = UNWATCHED
    ) -> Answer:
        """The closest and the frugal recipe for one target.

        Parameters
        ----------
        targets, watch
            The target, and when to end; what is not proved by then says so.
        tolerance
            How much farther than the closest the frugal recipe may be [CIEDE2000]; None gives
            the closest in its place.
        """
        watch.until(_CLOSEST)
        best = self.closest(targets, watch=watch)
        if tolerance is None:
            return Answer(best, replace(best, boxes=0))
        watch.until(_FRUGAL)
        lean = self.frugal(targets, best, tolerance, watch)
        if lean.delta_e < best.delta_e and not best.proved:  # found on the way
            near = lean.delta_e - best.bound <= GAP
            best = replace(best, steps=lean.steps, delta_e=lean.delta_e, proved=near)
        return Answer(best, lean)

    def closest(
        self,
        targets: FloatArray,
        *,
        hint: FloatArray | None = None,
        max_paste: float | None = None,
        max_tubes: int | None = None,
        below: float = np.inf,
        effort: int = MOST_EFFORT,
        watch: Watch = UNWATCHED,
    ) -> Solution:
        """The closest whole recipe; see `whole.closest`.

        Parameters
        ----------
        targets
            The target.
        hint
            Steps to start from, shape (k,); by default the real-valued optimum.
        max_paste, max_tubes
            Limits besides the space's own; paste in dose steps.
        below
            Only recipes with a smaller CIEDE2000 count.
        effort
            Most boxes to search in each part.
        watch
            Ends the search in time.
        """
        goals = np.reshape(targets, (-1, 3))
        listed = self._kept(watch)
        if listed is not None:
            return listed.closest(
                goals,
                max_paste=np.inf if max_paste is None else max_paste,
                max_tubes=max_tubes,
                below=below,
            )
        hints = self.space.limits.hints(self._roughly(goals) if hint is None else hint)
        parts, complete = self._parts.of(
            self.space.limited(max_paste=max_paste, max_tubes=max_tubes), hints[-1], whole=True
        )
        best = Solution(None, np.inf, below, True, 0)
        for fixed, part in parts:
            if watch.over() and best.steps is not None:
                complete = False
                break
            if part.limits.empty:
                continue
            found = closest(
                Nearness(part, goals, settle=self.colours),
                hints=np.clip(hints, part.limits.lower, part.limits.upper),
                below=min(best.delta_e, below),
                effort=effort,
                watch=watch,
            )
            bound, boxes = min(best.bound, found.bound), best.boxes + found.boxes
            if found.steps is not None:
                best = replace(found, steps=found.steps + fixed)
            best = replace(best, bound=bound, boxes=boxes)
            self._work += found.boxes + (_PART_WORK if self._scatters else 0.0)
        reached = min(best.delta_e, below)
        if self._worth_listing(best.bound >= reached - GAP, watch) and effort >= MOST_EFFORT:
            self._work = np.inf
            return self.closest(
                goals, max_paste=max_paste, max_tubes=max_tubes, below=below, watch=watch
            )
        if not complete:
            return replace(best, bound=0.0, proved=reached <= GAP)
        return replace(best, proved=bool(reached - best.bound <= GAP))

    def least(
        self,
        targets: FloatArray,
        *,
        within: float,
        less_than: float,
        near: FloatArray | IntArray,
        watch: Watch = UNWATCHED,
    ) -> Solution:
        """A recipe with the least paste; for the parameters see `whole.frugal`."""
        goals = np.reshape(targets, (-1, 3))
        listed = self._kept(watch)
        if listed is not None:
            return listed.least(goals, within=within, less_than=less_than)
        parts, complete = self._parts.of(self.space, np.asarray(near, dtype=float), whole=True)
        best = Solution(None, np.inf, less_than, complete, 0)
        least = less_than
        for fixed, part in parts:
            if watch.over():
                best = replace(best, bound=0.0, proved=False)
                break
            used = float(fixed @ self.space.limits.paste)
            if part.limits.empty or used > least:
                continue
            found = frugal(
                Nearness(part, goals, settle=self.colours),
                within=within,
                less_than=least - used,
                nearer_than=0.0 if best.steps is None else best.delta_e,
                near=np.where(part.limits.upper > 0, near, 0),
                watch=watch,
            )
            bound, proved = min(best.bound, found.bound + used), best.proved and found.proved
            boxes = best.boxes + found.boxes
            if found.steps is not None:
                best = replace(found, steps=found.steps + fixed)
                least = self.space.limits.paste_of(found.steps + fixed)
            best = replace(best, bound=bound, proved=proved, boxes=boxes)
            self._work += found.boxes
        bound = min(best.bound, least)
        if self._worth_listing(best.proved, watch):
            self._work = np.inf
            return self.least(goals, within=within, less_than=less_than, near=near, watch=watch)
        return replace(best, bound=bound, proved=best.proved and least - bound < 1e-6)

    def frugal(
        self, targets: FloatArray, best: Solution, tolerance: float, watch: Watch = UNWATCHED
    ) -> Solution:
        """The recipe with the least paste among those at most `tolerance` farther than `best`."""
        assert best.steps is not None
        goals, paste_of = np.reshape(targets, (-1, 3)), self.space.limits.paste_of
        paste = paste_of(best.steps)
        found = self.least(
            goals, within=best.delta_e + tolerance, less_than=paste, near=best.steps, watch=watch
        )
        if found.steps is not None:
            return found
        return replace(found, steps=best.steps, delta_e=best.delta_e)

    def within(
        self,
        targets: FloatArray,
        norms: Sequence[FloatArray],
        limit: float,
        *,
        most: int,
        around: FloatArray,
        watch: Watch = UNWATCHED,
    ) -> tuple[IntArray, FloatArray, bool]:
        """Recipes whose colours are no farther than `limit` in each view, as norms measure.

        Parameters
        ----------
        targets
            The target.
        norms
            A matrix for each view; what counts is the length of it times the difference in
            CIELAB.
        limit
            Largest length.
        most
            How many to give at most; the nearest ones.
        around
            Doses of pastes that scatter near these steps are looked at first, shape (k,).
        watch
            When to end.

        Returns
        -------
        steps, lengths
            Shapes (m, k) and (m,), the nearest first.
        complete
            Whether these are all.
        """
        goals = np.reshape(targets, (-1, 3))
        listed, complete = self._kept(watch), True
        if listed is not None:
            steps, values, complete = listed.within(goals, norms, limit, most, watch)
        else:
            parts, complete = self._parts.of(self.space, around)
            found = [(np.empty((0, self.space.size), np.intp), np.empty(0))]
            for fixed, part in parts:
                if watch.over():
                    complete = False
                    break
                own, near, all_ = within(Nearness(part, goals, norms=norms), limit, most, watch)
                found.append((own + fixed, near))
                complete = complete and all_
            steps, values = (np.concatenate(each) for each in zip(*found, strict=True))
        order = np.argsort(values, kind="stable")[:most]
        return steps[order], values[order], complete and len(steps) <= most

    def lean(self, targets: FloatArray, limit: float, best: Solution) -> Listed:
        """The lean recipes no farther than `limit` (see `near`); `best` is the closest of them."""
        assert best.steps is not None
        goals = np.reshape(targets, (-1, 3))
        parts, complete = self._parts.of(self.space, best.steps.astype(float))
        found = [best.steps[None]]
        for fixed, part in parts:
            listed = lean_within(part, goals, within=limit)
            found.append(listed.steps + fixed)
            complete = complete and listed.complete
        return Listed(lean(np.concatenate(found)), complete)
