"""Whole doses, with a proof that nothing permitted is better.

Branch and bound over boxes of doses, with floors from `nearness`. Small boxes are searched recipe
by recipe, first by their linear images (`lattice`). It serves doses and let-downs, one light and
several.

References
----------
A. H. Land, A. G. Doig, Econometrica 28 (1960) 497 (branch and bound).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from shadematch.search.bounds import BoxFloors
from shadematch.search.boxes import Boxes, split
from shadematch.search.ideal import ideal, ideal_elsewhere
from shadematch.search.lattice import listable, survivors
from shadematch.search.least_paste import leanest_real, least_paste
from shadematch.search.limits import DoseLimits
from shadematch.search.nearness import ROUNDING, Nearness
from shadematch.search.rounding import near_misses
from shadematch.search.watch import UNWATCHED, Watch
from shadematch.support.arrays import BoolArray, FloatArray, IntArray

__all__ = ["GAP", "LISTED", "MOST_EFFORT", "Solution", "closest", "frugal"]

GAP: Final = 0.01
"""A recipe is proved if its CIEDE2000 exceeds the bound by at most this."""
LISTED: Final = 12_000
"""Up to this many recipes are evaluated one by one, which is faster than a search."""
_AIM: Final = 0.999 * GAP
"""The gap to reach, slightly less than `GAP` because of rounding."""
_EXACT_COUNT: Final = 3_000_000
_EFFORT: Final = 60_000
MOST_EFFORT: Final = 400_000
_BETTER: Final = 0.05
_HOPELESS: Final = 5.0
"""CIEDE2000 from which on a proof is not worth a long search."""
_AT_ONCE: Final = 64
_MOST_CORNERS: Final = 8
_AIMS: Final = 48
_GUESSES: Final = ((0, 100), (0, 400), (6_000, 1600), (25_000, 6400), (100_000, 25_600))
"""From this many boxes on, this many tiles are tried for a recipe that ends the search."""

_ELSEWHERE: Final = 10_000
"""From so many boxes on, another local optimum is worth being looked for."""
_LEAN_GUESSES: Final = ((4000, (1.0, 0.9, 0.75, 0.5)),)
"""The same for a recipe with little paste: shares of what CIEDE2000 may be."""


@dataclass(frozen=True)
class Solution:
    """The result of a search for whole doses.

    Attributes
    ----------
    steps
        Doses in steps, shape (k,); None if no permitted recipe qualifies.
    delta_e
        CIEDE2000 of `steps`, the largest over the lights; infinite without steps.
    bound
        No permitted recipe has a smaller CIEDE2000 (`closest`), or no permitted recipe within
        the tolerance has less paste [dose steps] (`frugal`).
    proved
        Whether `bound` is within `GAP` of `delta_e`, or is the recipe's own paste.
    boxes
        Number of boxes searched.
    """

    steps: IntArray | None
    delta_e: float
    bound: float
    proved: bool
    boxes: int


class _Incumbent:
    """The best recipe so far, ties settled towards less paste, then by order.

    Where colours are vague, all recipes that may turn out to be the best are kept.
    """

    def __init__(self, sought: Nearness, below: float = np.inf) -> None:
        self._sought, self._limits = sought, sought.space.limits
        self._points = np.empty((0, sought.space.size), np.intp)
        self._least = np.empty(0)
        self.value = below  # at most

    @property
    def steps(self) -> IntArray | None:
        """The best, or what seems to be."""
        return self._points[0] if len(self._points) else None

    def offer(self, points: IntArray) -> None:
        """Keep the best of recipes, shape (m, k), that is permitted, if it is better."""
        points = self._limits.permitted(points)
        if len(points):
            self.take(points, *self._sought.between(points))

    def take(self, points: IntArray, least: FloatArray, most: FloatArray) -> None:
        """The same of permitted recipes whose differences are known to lie in a range."""
        value = float(most.min())
        near = least <= min(value, self.value)
        if not near.any():
            return
        self.value = min(value, self.value)
        self._keep(
            np.concatenate([self._points, points[near]]),
            np.concatenate([self._least, least[near]]),
        )

    def settle(self) -> None:
        """Find out which is the best."""
        values = self._least
        sure = np.zeros(len(values), dtype=bool)
        while self._sought.vague and len(values):
            at = int(np.argmin(values))
            if sure[at]:
                break
            values[at], sure[at] = float(self._sought.worst(self._points[at : at + 1])[0]), True
        if self._sought.vague and len(values):
            self.value = float(values.min())
            self._keep(self._points[sure], values[sure])

    def _keep(self, points: IntArray, least: FloatArray) -> None:
        """Keep those that may be the best, the one that is if they are what they seem first."""
        near = np.flatnonzero(least <= self.value)
        points, least = points[near], least[near]
        if len(near) > 1:
            points, at = np.unique(points, axis=0, return_index=True)
            least = least[at]
        first = min(range(len(points)), key=lambda i: (least[i], self._rank(points[i])))
        kept = [first, *np.delete(np.arange(len(points)), first)] if self._sought.vague else [first]
        self._points, self._least = points[kept], least[kept]

    def _rank(self, steps: IntArray) -> tuple[float, ...]:
        return float(steps @ self._limits.paste), *steps.tolist()


def _corners(hints: FloatArray) -> IntArray:
    """Whole recipes next to real-valued ones, shape (m, k)."""
    found = []
    for hint in hints:
        base = np.floor(hint + ROUNDING).astype(np.intp)
        part = hint - base
        open_ = np.argsort(-np.minimum(part, 1 - part), kind="stable")[:_MOST_CORNERS]
        open_ = open_[part[open_] > 1e-6]
        corners = np.array(list(np.ndindex(*(2,) * open_.size)), dtype=np.intp)
        points = np.tile(base, (len(corners), 1))
        points[:, open_] += corners.reshape(len(corners), open_.size)
        found.append(points)
    return np.unique(np.concatenate(found), axis=0)


def _aims(boxes: Boxes[IntArray], judged: BoxFloors, at: IntArray) -> IntArray:
    """Whole recipes where boxes are nearest to the target."""
    lo, hi = boxes.lo[at], boxes.hi[at]
    aim = 0.5 * (lo + hi) + 0.5 * (hi - lo) * judged.shares[at, : lo.shape[1]]
    return np.rint(aim).astype(np.intp)


def _everything(limits: DoseLimits) -> Boxes[IntArray]:
    """Boxes that hold all there is, as many as are judged in about the time of one."""
    lo, hi = limits.roots()
    pool = limits.tighten(Boxes(lo, hi, np.zeros(len(lo))))
    while len(pool) < _AT_ONCE and (pool.hi > pool.lo).any():
        pool = limits.tighten(split(pool, (pool.hi - pool.lo).astype(float), cuts=1))
    return pool


def closest(
    sought: Nearness,
    *,
    hints: FloatArray,
    below: float = np.inf,
    effort: int = MOST_EFFORT,
    watch: Watch = UNWATCHED,
) -> Solution:
    """The permitted recipe with the smallest CIEDE2000.

    Parameters
    ----------
    sought
        The target and the space.
    hints
        Real-valued steps to start from, shape (h, k).
    below
        Only recipes with a smaller CIEDE2000 count.
    effort
        Most boxes to search.
    watch
        Ends the search in time, once there is a recipe.

    Returns
    -------
    Solution
        Exact (`bound` equals `delta_e`) up to three million recipes if the search is short; else
        `bound` may be up to `GAP` below.
    """
    limits = sought.space.limits
    best = _Incumbent(sought)
    count = limits.count()
    if count <= LISTED:
        best.offer(limits.recipes())
        best.settle()
        if best.value < below:
            return Solution(best.steps, best.value, best.value, True, 0)
        return Solution(None, np.inf, below, True, 0)
    exact_effort = _EFFORT if count <= _EXACT_COUNT else 0
    best.offer(_corners(hints))
    sought.face(hints[0])
    faced = float(sought.seen(hints[:1])[0])
    # A search that turns out long is worth more guesses: a good one ends it. Several lights
    # leave too few recipes that are good under all of them.
    guesses = [] if exact_effort or len(sought.targets) > 1 else list(_GUESSES)
    plain = limits.grain > 0 and len(sought.targets) == 1
    elsewhere = plain and limits.max_tubes >= limits.size > 1
    boxes, settled = 0, np.inf  # `settled`: least floor among boxes given up within the gap
    pool = _everything(limits)
    while len(pool):
        limit = min(best.value, below)
        gap = 0.0 if boxes < exact_effort else _AIM
        if limit <= gap:
            break  # zero is a floor, and near enough
        if watch.over() and limit < np.inf:
            break
        watch.tell(limit, max(min(limit, settled, pool.least()), 0.0))
        if elsewhere and boxes >= _ELSEWHERE:
            elsewhere = False
            other, value = ideal_elsewhere(sought.space, sought.targets[0])
            best.offer(_corners(other[None]))
            if value < faced - _BETTER:
                faced = value
                sought.face(other)
            continue
        if guesses and boxes >= guesses[0][0]:
            places = guesses.pop(0)[1]
            if best.value <= 1.0:
                best.offer(near_misses(sought.space, sought.targets[0], hints[0], places))
                continue
        dropped = pool.key >= limit - gap
        if dropped.any():
            settled = min(settled, pool.at(dropped).least())
            pool.keep(~dropped)
        if not len(pool) or boxes >= (effort if limit < _HOPELESS else min(effort, _EFFORT)):
            break
        sought.narrow(limit)
        wave = pool.first()
        boxes += len(wave)
        judged = sought.judge(wave.lo, wave.hi, limit - gap, limits.total)
        wave.key = np.maximum(wave.key, judged.floor)
        best.offer(_aims(wave, judged, np.argsort(wave.key, kind="stable")[:_AIMS]))
        if best.steps is not None and best.value < faced - _BETTER:
            # The continuous optimum was but a local one.
            better = best.steps.astype(float)
            if plain:
                better = ideal(sought.space, sought.targets[0], start=better)[0]
                best.offer(_corners(better[None]))
            faced = best.value
            sought.face(better)
        limit = min(best.value, below)
        alive = wave.key < limit - gap
        settled = min(settled, wave.at(~alive).least())
        small = listable(wave, judged, limit) & alive
        if small.any():
            points, least = survivors(wave, judged, small, limit - gap)
            settled = min(settled, least)
            best.offer(points)
            alive &= ~small
        pool.add(limits.tighten(split(wave.at(alive), judged.pull[alive])))
    best.settle()
    reached = min(best.value, below)
    bound = max(min(reached, settled, pool.least()), 0.0)
    proved = reached - bound <= GAP
    if best.value < below:
        return Solution(best.steps, best.value, bound, proved, boxes)
    return Solution(None, np.inf, bound, proved, boxes)


class _Leanest:
    """The recipes with the least paste so far, and the nearest of them."""

    def __init__(
        self, sought: Nearness, within: float, less_than: float, nearer_than: float
    ) -> None:
        self._sought, self._within = sought, within
        self._limits = sought.space.limits
        grain = self._limits.grain
        self._step = grain if grain > 0 else ROUNDING
        self._nearest = _Incumbent(sought, nearer_than)
        self.paste = less_than

    @property
    def most(self) -> float:
        """Most paste that is worth a look: what is no leaner must be nearer."""
        return self.paste + (ROUNDING if self._nearest.value > 0.0 else -self._step)

    @property
    def steps(self) -> IntArray | None:
        """The nearest, or what seems to be."""
        return self._nearest.steps

    @property
    def delta_e(self) -> float:
        """Of the nearest; infinite without any."""
        return np.inf if self.steps is None else self._nearest.value

    def offer(self, points: IntArray) -> None:
        """Keep the leanest of recipes, shape (m, k), that are permitted and near enough."""
        paste = self._limits.paste
        points = self._limits.permitted(points[points @ paste <= self.most])
        if not len(points):
            return
        least, most = self._sought.judged(points, self._within)
        good = most <= self._within
        if not good.any():
            return
        taken = points @ paste
        lean = float(taken[good].min())
        if lean < self.paste - ROUNDING:
            self._nearest, self.paste = _Incumbent(self._sought), lean
        good &= taken <= self.paste + ROUNDING
        self._nearest.take(points[good], least[good], most[good])

    def hopeful(self, boxes: Boxes[IntArray], floor: FloatArray, gap: float) -> BoolArray:
        """Which boxes may hold something leaner, or nearer with as little paste, shape (m,).

        Parameters
        ----------
        boxes
            Whose keys are floors of their paste.
        floor
            Of their CIEDE2000, shape (m,).
        gap
            What is nearer by less doesn't count.
        """
        leaner = (boxes.key <= self.paste - self._step) & (floor < self._within + ROUNDING)
        nearer = (boxes.key <= self.most) & (floor < self._nearest.value - gap)
        return np.asarray(leaner | nearer)

    def settle(self) -> None:
        """Find out which is the nearest."""
        self._nearest.settle()


def frugal(
    sought: Nearness,
    *,
    within: float,
    less_than: float,
    near: FloatArray | IntArray,
    nearer_than: float = 0.0,
    watch: Watch = UNWATCHED,
) -> Solution:
    """The recipe with the least paste with CIEDE2000 at most `within`; of equals, the closest.

    Parameters
    ----------
    sought
        The target and the space.
    within
        Largest permitted CIEDE2000.
    less_than
        Only recipes with less paste count [dose steps] ...
    near
        Steps, shape (k,), whose kinds of dose set the first price of colour; any are valid.
    nearer_than
        ... or with as much and a smaller CIEDE2000.
    watch
        Ends the search in time.

    Returns
    -------
    Solution
        `bound` is the proved least paste, or `less_than` if there is no recipe.
    """
    limits = sought.space.limits
    paste, grain = limits.paste, limits.grain
    best = _Leanest(sought, within, less_than, nearer_than)
    sought.narrow(within)
    sought.face(np.asarray(near, dtype=float))
    used = np.flatnonzero(near > 0)
    limit = within + ROUNDING
    exact_effort = _EFFORT if limits.count() <= _EXACT_COUNT else 0
    boxes, guesses = 0, list(_LEAN_GUESSES)
    pool = _everything(limits)
    while True:
        if guesses and boxes >= guesses[0][0]:
            # From somewhat nearer to the target, too, as whole steps stray a little.
            start = np.asarray(near if best.steps is None else best.steps, dtype=float)
            lean = [leanest_real(sought, share * within, start) for share in guesses.pop(0)[1]]
            best.offer(_corners(np.stack(lean)))
            used = np.flatnonzero(lean[0] > 0.5)
            sought.face(lean[0])
        pool.keep(pool.key <= best.most)
        if not len(pool) or boxes >= MOST_EFFORT or watch.over():
            break
        wave = limits.tighten(pool.first(), most_paste=best.most)
        boxes += len(wave)
        if not len(wave):
            continue
        judged = sought.judge(wave.lo, wave.hi, limit, best.most)
        wave.key = np.maximum(wave.key, wave.lo @ paste)
        if used.size:
            rounds = 1 if guesses else 4  # a short search is quicker without
            floor = least_paste(wave, judged, paste=paste, used=used, within=within, rounds=rounds)
            wave.key = np.maximum(wave.key, np.ceil(floor / grain) * grain if grain else floor)
        gap = 0.0 if boxes < exact_effort else _AIM
        first = np.flatnonzero(best.hopeful(wave, judged.floor, gap))
        first = first[np.argsort(wave.key[first], kind="stable")[:_AIMS]]
        best.offer(np.concatenate([wave.lo[first], _aims(wave, judged, first)]))
        alive = best.hopeful(wave, judged.floor, gap)
        small = listable(wave, judged, within) & alive
        if small.any():
            best.offer(survivors(wave, judged, small, within)[0])
            alive &= ~small
        pool.add(limits.tighten(split(wave.at(alive), judged.pull[alive])))
    best.settle()
    bound = min(pool.least(), best.paste)
    return Solution(best.steps, best.delta_e, bound, not len(pool), boxes)
