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
from shadematch.difference import delta_e, floor, lightness_floor, minorant, squared_difference
from shadematch.search.bounds import Judged, images_of, judge, nearest
from shadematch.search.cover import Cover, split, tighten
from shadematch.search.lattice import listable, survivors
from shadematch.search.rounding import near_misses
from shadematch.search.space import Space

__all__ = ["GAP", "Found", "closest", "frugal"]

GAP: Final = 0.01
"""A recipe counts as proved when its CIEDE2000 exceeds the bound by no more than this."""
_EXACT_COUNT: Final = 3_000_000
_EFFORT: Final = 60_000
_MOST_EFFORT: Final = 400_000
_LIST_COUNT: Final = 3000
_WAVE: Final = 1024
_ROUNDING: Final = 1e-9


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
    cover: Cover | None = None,
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
    cover
        Of this space or a larger one with the same limit on tubes; saves the first boxes.
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
    if count <= _LIST_COUNT:
        points = space.recipes()
        best.offer(points, delta_e(space.lab(points), target))
        if best.value < below:
            return Found(best.steps, best.value, best.value, True, 0)
        return Found(None, np.inf, below, True, 0)
    exact_effort = _EFFORT if count <= _EXACT_COUNT else 0
    if hints is not None:
        points = _neighbours(space, hints)
        best.offer(points, delta_e(space.lab(points), target))
        if not exact_effort:
            for samples in (64, 192):
                points = near_misses(space, target, hints[0], samples=samples)
                points = _permitted(space, points)
                best.offer(points, delta_e(space.lab(points), target))
                if best.value <= GAP or best.value > 1.0:
                    break
    boxes, settled = 0, np.inf  # `settled`: least floor among boxes given up within the gap
    radius, norm = np.inf, np.zeros((3, 3))
    if cover is not None:
        points = _permitted(space, _promising(cover, target))
        best.offer(points, delta_e(space.lab(points), target))
    limit = min(best.value, below)
    if cover is not None and limit > GAP:
        radius, norm = limit, minorant(target, limit)
        pool, settled = _first_pool(space, target, cover, norm, limit)
        boxes = len(cover.lo)
        exact_effort += boxes if exact_effort else 0
    else:
        lo, hi = space.roots()
        pool = _Boxes(*tighten(lo, hi, np.zeros(len(lo)), space.max_steps))
    while pool.key.size:
        limit = min(best.value, below)
        gap = 0.0 if boxes < exact_effort else GAP
        if limit <= gap:
            break  # zero is a floor, and near enough
        dropped = pool.key >= limit - gap
        if dropped.any():
            settled = min(settled, float(pool.key[dropped].min()))
            pool.keep(~dropped)
        if not pool.key.size or boxes >= effort:
            break
        if limit < 0.6 * radius and np.isfinite(limit):
            radius = limit
            norm = minorant(target, radius) if radius > 0 else np.zeros((3, 3))
        wave = pool.split_off(_WAVE)
        boxes += wave.key.size
        lo, hi, key = wave.lo, wave.hi, wave.key
        judged = judge(images_of(space, lo, hi), target, norm, radius)
        key = np.maximum(key, judged.floor - _ROUNDING)
        promising = np.argsort(key, kind="stable")[:48]
        middle, half = 0.5 * (lo[promising] + hi[promising]), 0.5 * (hi - lo)[promising]
        guess = np.rint(middle + half * judged.shares[promising, : space.size]).astype(np.int64)
        points = _permitted(space, np.unique(guess, axis=0))
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


def _promising(cover: Cover, target: FloatArray) -> IntArray:
    """Whole recipes in the boxes whose middle is nearest the target, shape (k, n)."""
    root = np.linalg.cholesky(squared_difference(target, target)[2]).T
    offset = (cover.images.centre - target) @ root.T
    near = np.zeros(len(cover.lo), dtype=bool)
    near[np.argpartition(np.einsum("mc,mc->m", offset, offset), 32)[:32]] = True
    few = cover.chosen(near)
    shares = nearest(offset[near], root @ few.images.generators)[1]
    n = cover.lo.shape[1]
    aim = 0.5 * (few.lo + few.hi) + 0.5 * (few.hi - few.lo) * shares[:, :n]
    return np.unique(np.rint(aim).astype(np.int64), axis=0)


def _first_pool(
    space: Space, target: FloatArray, cover: Cover, norm: FloatArray, limit: float
) -> tuple[_Boxes, float]:
    """The boxes of a cover that may hold something closer than `limit`, cut in four."""
    lo, hi = cover.images.lab_lo, cover.images.lab_hi
    near = lightness_floor(target[0], lo[:, 0], hi[:, 0])
    alive = near - _ROUNDING < limit
    settled = float(near[~alive].min(initial=np.inf))
    few = cover.chosen(alive)
    near = floor(target, few.images.lab_lo, few.images.lab_hi)
    alive = near - _ROUNDING < limit
    settled = min(settled, float(near[~alive].min(initial=np.inf)))
    few = few.chosen(alive)
    judged = judge(few.images, target, norm, limit)
    key = judged.floor - _ROUNDING
    alive = key < limit
    settled = min(settled, float(key[~alive].min(initial=np.inf)))
    parts = split(few.lo[alive], few.hi[alive], judged.pull[alive], key[alive])
    return _Boxes(*tighten(*parts, space.max_steps)), settled


def frugal(
    space: Space,
    target: FloatArray,
    *,
    within: float,
    fewer_than: int,
    near: FloatArray,
    cover: Cover | None = None,
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
    cover
        As for `closest`.
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
    if cover is not None and within > 0:
        pool, _ = _first_pool(space, target, cover, norm, within + _ROUNDING)
        boxes = len(cover.lo)
        totals = pool.lo.sum(axis=1).astype(float)
        pool = _Boxes(*tighten(pool.lo, pool.hi, totals, fewest - 1))
    else:
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
        judged = judge(images_of(space, lo, hi), target, norm, within)
        key = np.maximum(wave_key, lo.sum(axis=1))
        if used.size:
            prices = _prices(judged, np.asarray(0.5 * (hi - lo)), used)
            key = np.maximum(key, _least_total(lo, hi, judged, prices, within))
        alive = (judged.floor - _ROUNDING <= within) & (key <= fewest - 1)
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
