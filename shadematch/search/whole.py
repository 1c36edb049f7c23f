"""Whole doses, with a proof that nothing permitted is better.

Branch and bound over boxes of doses (`bounds` says how near a box can come). Boxes that have
become small are gone through recipe by recipe, by their linear images first (`lattice`).

References
----------
A. H. Land, A. G. Doig, Econometrica 28 (1960) 497 (branch and bound).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from shadematch.arrays import BoolArray, FloatArray, IntArray
from shadematch.difference import delta_e, minorant
from shadematch.search.bounds import Judged, beyond, images_of, judge
from shadematch.search.boxes import split, tighten
from shadematch.search.lattice import listable, survivors
from shadematch.search.rounding import near_misses
from shadematch.search.space import Space

__all__ = ["GAP", "LISTED", "Found", "closest", "frugal"]

GAP: Final = 0.01
"""A recipe counts as proved when its CIEDE2000 exceeds the bound by no more than this."""
LISTED: Final = 12_000
"""Up to so many recipes are gone through one by one, which is quicker than a search."""
_AIM: Final = 0.999 * GAP
"""What the search aims at, so that rounding does not put a floor of exactly that out of `GAP`."""
_EXACT_COUNT: Final = 3_000_000
_EFFORT: Final = 60_000
_MOST_EFFORT: Final = 400_000
_WAVE: Final = 1024
_ROUNDING: Final = 1e-9
_FAR: Final = 1.0
"""CIEDE2000 from which on a target counts as far, where the norm of `minorant` is loose."""
_HOPELESS: Final = 5.0
"""CIEDE2000 from which on nobody waits long for a proof."""


@dataclass(frozen=True)
class Found:
    """What a search for whole doses ends with.

    Attributes
    ----------
    steps
        Doses in steps, shape (n,); None where no permitted recipe fulfils what was asked.
    delta_e
        CIEDE2000 of `steps`; infinite where there are none.
    bound
        No permitted recipe has a smaller CIEDE2000 (`closest`), or no permitted recipe within
        the tolerance has fewer steps in all (`frugal`).
    proved
        Whether the search came to its end: `bound` is within `GAP` of `delta_e`, or is the
        number of steps.
    boxes
        How many boxes were looked at.
    """

    steps: IntArray | None
    delta_e: float
    bound: float
    proved: bool
    boxes: int


@dataclass
class _Boxes:
    lo: IntArray
    hi: IntArray
    key: FloatArray

    def split_off(self, count: int) -> _Boxes:
        """Take the `count` boxes with the smallest keys out."""
        if self.key.size <= count:
            taken = _Boxes(self.lo, self.hi, self.key)
            self.lo, self.hi, self.key = self.lo[:0], self.hi[:0], self.key[:0]
            return taken
        order = np.argpartition(self.key, count)
        first, rest = order[:count], order[count:]
        taken = _Boxes(self.lo[first], self.hi[first], self.key[first])
        self.lo, self.hi, self.key = self.lo[rest], self.hi[rest], self.key[rest]
        return taken

    def keep(self, mask: BoolArray) -> None:
        self.lo, self.hi, self.key = self.lo[mask], self.hi[mask], self.key[mask]

    def add(self, lo: IntArray, hi: IntArray, key: FloatArray) -> None:
        self.lo = np.concatenate([self.lo, lo])
        self.hi = np.concatenate([self.hi, hi])
        self.key = np.concatenate([self.key, key])


class _Incumbent:
    """The best recipe so far, ties settled towards less paste, then by order."""

    def __init__(self) -> None:
        self.steps: IntArray | None = None
        self.value = np.inf

    def offer(self, steps: IntArray, values: FloatArray) -> None:
        """Take the best of recipes, shapes (m, n) and (m,), if it is better."""
        if not values.size:
            return
        ties = np.flatnonzero(values == values.min())
        first = steps[min(ties, key=lambda i: self._rank(steps[i]))]
        value = float(values.min())
        if self.steps is None or (value, self._rank(first)) < (self.value, self._rank(self.steps)):
            self.value, self.steps = value, first.copy()

    @staticmethod
    def _rank(steps: IntArray) -> tuple[int, ...]:
        return int(steps.sum()), *steps.tolist()


def _neighbours(space: Space, around: FloatArray) -> IntArray:
    """Whole recipes next to real-valued ones, shape (k, n), all permitted."""
    n = space.size
    base = np.floor(around).astype(np.int64)
    corners = np.array(list(np.ndindex(*(2,) * n)), dtype=np.int64)
    points = (base[:, None, :] + corners[None]).reshape(-1, n)
    return _permitted(space, np.unique(points, axis=0))


def _permitted(space: Space, points: IntArray) -> IntArray:
    points = np.clip(points, space.lower, space.upper)
    kept = (points.sum(axis=1) <= space.max_steps) & (
        np.count_nonzero(points, axis=1) <= space.max_tubes
    )
    return np.asarray(points[kept])


def closest(
    space: Space,
    target: FloatArray,
    *,
    hints: FloatArray | None = None,
    below: float = np.inf,
    effort: int = _MOST_EFFORT,
) -> Found:
    """The permitted recipe with the smallest CIEDE2000.

    Parameters
    ----------
    space
        Where to search.
    target
        CIELAB, shape (3,).
    hints
        Real-valued steps to look around first, shape (k, n).
    below
        Only recipes with a smaller CIEDE2000 count.
    effort
        Most boxes to look at.

    Returns
    -------
    Found
        Exact (`bound` equals `delta_e`) where there are at most three million recipes or the
        search is short; else `bound` may stay up to `GAP` below.
    """
    best = _Incumbent()
    count = space.count()
    if count <= LISTED:
        points = space.recipes()
        best.offer(points, delta_e(space.lab(points), target))
        if best.value < below:
            return Found(best.steps, best.value, best.value, True, 0)
        return Found(None, np.inf, below, True, 0)
    exact_effort = _EFFORT if count <= _EXACT_COUNT else 0

    def guess(samples: int) -> None:
        assert hints is not None
        points = _permitted(space, near_misses(space, target, hints[0], samples=samples))
        best.offer(points, delta_e(space.lab(points), target))

    # A search that turns out long is worth more guesses: a good one ends it.
    later = (
        [(1_500, 256), (6_000, 1024), (24_000, 4096)]
        if hints is not None and not exact_effort
        else []
    )
    if hints is not None:
        points = _neighbours(space, hints)
        best.offer(points, delta_e(space.lab(points), target))
        if not exact_effort:
            guess(64)
            if GAP < best.value <= 2 * GAP:
                guess(later.pop(0)[1])
    boxes, settled = 0, np.inf  # `settled`: least floor among boxes given up within the gap
    radius, norm = np.inf, np.zeros((3, 3))
    lo, hi = space.roots()
    pool = _Boxes(*tighten(lo, hi, np.zeros(len(lo)), space.max_steps))
    while pool.key.size:
        limit = min(best.value, below)
        gap = 0.0 if boxes < exact_effort else _AIM
        if limit <= gap:
            break  # zero is a floor, and near enough
        dropped = pool.key >= limit - gap
        if dropped.any():
            settled = min(settled, float(pool.key[dropped].min()))
            pool.keep(~dropped)
        if not pool.key.size or boxes >= (effort if limit < _HOPELESS else min(effort, _EFFORT)):
            break
        if limit < 0.6 * radius and np.isfinite(limit):
            radius = limit
            norm = minorant(target, radius) if radius > 0 else np.zeros((3, 3))
        if later and boxes > later[0][0] and best.value <= 1.0:
            guess(later.pop(0)[1])
            continue
        wave = pool.split_off(_WAVE)
        boxes += wave.key.size
        lo, hi, key = wave.lo, wave.hi, wave.key
        images = images_of(space, lo, hi)
        judged = judge(images, target, norm, radius)
        key = np.maximum(key, judged.floor - _ROUNDING)
        if limit > _FAR:
            open_ = np.flatnonzero(key < limit - gap)
            certain = open_[beyond(images.chosen(open_), target, limit - gap)]
            key[certain] = limit - gap
        promising = np.argsort(key, kind="stable")[:48]
        middle, half = 0.5 * (lo[promising] + hi[promising]), 0.5 * (hi - lo)[promising]
        aim = np.rint(middle + half * judged.shares[promising, : space.size]).astype(np.int64)
        points = _permitted(space, np.unique(aim, axis=0))
        best.offer(points, delta_e(space.lab(points), target))
        limit = min(best.value, below)
        alive = key < limit - gap
        if not alive.all():
            settled = min(settled, float(key[~alive].min()))
        small = listable(lo, hi, judged, limit) & alive
        if small.any():
            points, least = survivors(space, lo[small], hi[small], judged, small, limit - gap)
            settled = min(settled, least)
            best.offer(points, delta_e(space.lab(points), target))
            alive &= ~small
        children = split(lo[alive], hi[alive], judged.pull[alive], key[alive])
        pool.add(*tighten(*children, space.max_steps))
    left = float(pool.key.min()) if pool.key.size else np.inf
    bound = min(best.value, below, settled, left)
    proved = min(best.value, below) - bound <= GAP
    if best.value < below:
        return Found(best.steps, best.value, max(bound, 0.0), proved, boxes)
    return Found(None, np.inf, max(bound, 0.0), proved, boxes)


def frugal(
    space: Space,
    target: FloatArray,
    *,
    within: float,
    fewer_than: int,
    near: FloatArray,
    effort: int = _MOST_EFFORT,
) -> Found:
    """A recipe with the fewest steps among those with CIEDE2000 at most `within`.

    Parameters
    ----------
    space
        Where to search.
    target
        CIELAB, shape (3,).
    within
        Largest CIEDE2000 that will do.
    fewer_than
        Only recipes with fewer steps in all count.
    near
        Steps, shape (n,), whose pigments set the first price of colour; any will do.
    effort
        Most boxes to look at.

    Returns
    -------
    Found
        `steps` is None where there is none; `bound` is the proved least number of steps, or
        `fewer_than`.
    """
    best: IntArray | None = None
    fewest = fewer_than
    norm = minorant(target, within) if within > 0 else np.zeros((3, 3))
    used = np.flatnonzero(near > 0)

    def take(points: IntArray) -> None:
        nonlocal best, fewest, used
        points = np.asarray(points[points.sum(axis=1) < fewest])
        good = points[delta_e(space.lab(points), target) <= within]
        if len(good):
            best = good[np.argmin(good.sum(axis=1))].copy()
            fewest = int(best.sum())
            used = np.flatnonzero(best)

    boxes = 0
    lo, hi = space.roots()
    pool = _Boxes(*tighten(lo, hi, lo.sum(axis=1).astype(float), fewest - 1))
    while True:
        pool.keep(pool.key <= fewest - 1)
        if not pool.key.size or boxes >= effort:
            break
        wave = pool.split_off(_WAVE)
        boxes += wave.key.size
        lo, hi, wave_key = tighten(wave.lo, wave.hi, wave.key, fewest - 1)
        if not len(lo):
            continue
        images = images_of(space, lo, hi)
        judged = judge(images, target, norm, within)
        key = np.maximum(wave_key, lo.sum(axis=1))
        if used.size:
            prices = _prices(judged, np.asarray(0.5 * (hi - lo)), used)
            key = np.maximum(key, _least_total(lo, hi, judged, prices, within))
        alive = (judged.floor - _ROUNDING <= within) & (key <= fewest - 1)
        if within > _FAR:
            open_ = np.flatnonzero(alive)
            alive[open_] = ~beyond(images.chosen(open_), target, within + _ROUNDING)
        first = np.flatnonzero(alive)[np.argsort(key[alive], kind="stable")[:48]]
        aim = 0.5 * (lo + hi)[first] + 0.5 * (hi - lo)[first] * judged.shares[first, : space.size]
        guess = np.concatenate([lo[first], np.rint(aim), np.floor(aim)]).astype(np.int64)
        take(_permitted(space, np.unique(guess, axis=0)))
        small = listable(lo, hi, judged, within) & alive
        if small.any():
            points, _ = survivors(
                space, lo[small], hi[small], judged, small, within, most_steps=fewest - 1
            )
            take(points)
            alive &= ~small
        children = split(lo[alive], hi[alive], judged.pull[alive], key[alive].astype(float))
        pool.add(*tighten(*children, fewest - 1))
    done = pool.key.size == 0
    bound = float(fewest) if done else float(np.ceil(pool.key.min()))
    value = np.inf if best is None else float(delta_e(space.lab(best[None]), target)[0])
    return Found(best, value, bound, done, boxes)


def _prices(judged: Judged, half: FloatArray, used: IntArray) -> FloatArray:
    """Price of colour in steps at each box, shape (m, 3).

    What the dual of the least-paste problem would pay if the pigments at `used` made up the
    recipe. Any vector gives a valid floor of the total; this one is good where they do.
    """
    columns = judged.generators[:, :, used] / np.maximum(half[:, None, used], 0.5)
    gram = np.swapaxes(columns, 1, 2) @ columns
    ridge = 1e-6 * np.trace(gram, axis1=1, axis2=2)[:, None, None] * np.eye(used.size)
    weights = np.linalg.solve(gram + ridge + 1e-300 * np.eye(used.size), np.ones((used.size, 1)))
    return np.asarray(-(columns @ weights)[:, :, 0])


def _least_total(
    lo: IntArray, hi: IntArray, judged: Judged, prices: FloatArray, within: float
) -> FloatArray:
    """Lagrangian floor of the steps in all, among recipes of a box with CIEDE2000 <= `within`.

    Such recipes have norm(offset + generators @ s) <= within, so for any prices p the total
    is at least the minimum over s of total(s) + p . (offset + generators @ s) - |p| within.
    """
    priced = np.einsum("mc,mck->mk", prices, judged.generators)
    n = lo.shape[1]
    half = 0.5 * (hi - lo)
    value = (
        0.5 * (lo + hi).sum(axis=1)
        + np.einsum("mc,mc->m", prices, judged.offset)
        - np.linalg.norm(prices, axis=1) * within
        - np.abs(half + priced[:, :n]).sum(axis=1)
        - np.abs(priced[:, n:]).sum(axis=1)
    )
    return np.asarray(np.ceil(value - 1e-6))
