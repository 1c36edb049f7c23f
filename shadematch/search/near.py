"""Every recipe within some CIEDE2000 of a target, and the lean ones among them.

A recipe is *lean* if no other one that is near enough takes at most as much of every pigment: the
Pareto front of the pastes. Branch and bound as in `whole`; for lean recipes a box is also dropped
if one of them takes no more of any pigment than the box's lowest corner.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np

from shadematch.search.boxes import Boxes, split
from shadematch.search.lattice import listable, survivors
from shadematch.search.nearness import ROUNDING, Nearness
from shadematch.search.space import Space
from shadematch.search.watch import UNWATCHED, Watch
from shadematch.support.arrays import BoolArray, FloatArray, IntArray

__all__ = ["Listed", "dominated", "lean", "lean_within", "within"]

_LIST_COUNT: Final = 3000
_EFFORT: Final = 60_000
_LEAN_EFFORT: Final = 120_000
_MOST_LEAN: Final = 1000


class _Waves:
    """Boxes that may contain recipes near enough, processed wave by wave."""

    def __init__(self, sought: Nearness) -> None:
        self._limits, self._sought = sought.space.limits, sought
        lo, hi = self._limits.roots()
        self.pool = self._limits.tighten(Boxes(lo, hi, np.zeros(len(lo))))
        self.boxes = 0

    def near(self, wave: Boxes[IntArray], limit: float) -> tuple[IntArray, FloatArray]:
        """Steps (m, k) and distances (m,) of near recipes in a wave; its other boxes are split."""
        self.boxes += len(wave)
        judged = self._sought.judge(wave.lo, wave.hi, limit + 2 * ROUNDING)
        wave.key = judged.floor
        alive = judged.floor <= limit
        small = listable(wave, judged, limit) & alive
        points = survivors(wave, judged, small, limit + ROUNDING)[0]
        points = self._limits.permitted(points)
        values = self._sought.worst(points)
        alive &= ~small
        self.pool.add(self._limits.tighten(split(wave.at(alive), judged.pull[alive])))
        return points[values <= limit], values[values <= limit]


def within(
    sought: Nearness, limit: float, most: int, watch: Watch = UNWATCHED
) -> tuple[IntArray, FloatArray, bool]:
    """Recipes no farther than `limit` (above 0) from a target, at most `most`.

    Returns
    -------
    steps, distances
        Shapes (m, k) and (m,), the closest first.
    complete
        Whether these are all.
    """
    limits = sought.space.limits
    if limits.count() <= _LIST_COUNT:
        points = limits.recipes()
        values, complete = sought.worst(points), True
    else:
        points, values, complete = _searched(sought, limit, most, watch)
    order = np.argsort(values, kind="stable")
    order = order[values[order] <= limit]
    return points[order[:most]], values[order[:most]], complete and order.size <= most


def _searched(
    sought: Nearness, limit: float, most: int, watch: Watch
) -> tuple[IntArray, FloatArray, bool]:
    """`within` by boxes, in no order, with some recipes that are farther."""
    waves = _Waves(sought)
    found, values, complete = np.empty((0, sought.space.size), np.intp), np.empty(0), True
    while len(waves.pool):
        if waves.boxes >= _EFFORT or watch.over():
            return found, values, False
        if len(values) > 4 * most:
            # Too many: from here on only those nearer than the last that is kept.
            kept = np.argpartition(values, most)[:most]
            found, values, complete = found[kept], values[kept], False
            limit = float(values.max())
        # The nearest boxes come first, so that an early stop has found the nearest recipes.
        points, distances = waves.near(waves.pool.first(), limit)
        # If tubes are limited, boxes overlap.
        found, first = np.unique(np.concatenate([found, points]), axis=0, return_index=True)
        values = np.concatenate([values, distances])[first]
    return found, values, complete


class Listed(NamedTuple):
    """Lean recipes in steps, shape (m, k), least paste first, and whether these are all."""

    steps: IntArray
    complete: bool


def dominated(points: IntArray, by: IntArray) -> BoolArray:
    """Which points, shape (m, n), are at least one of `by`, shape (k, n), in every coordinate."""
    result = np.zeros(len(points), dtype=bool)
    small = by.astype(np.int32)
    for i in range(0, len(points), 256):
        few = points[i : i + 256].astype(np.int32)
        # Coordinate by coordinate: much faster than one array of three axes.
        below = small[None, :, 0] <= few[:, None, 0]
        for axis in range(1, points.shape[1]):
            below &= small[None, :, axis] <= few[:, None, axis]
        result[i : i + 256] = below.any(axis=1)
    return result


def lean(points: IntArray) -> IntArray:
    """The points that no other one dominates, shape (k, n); equal ones once."""
    points = np.unique(points, axis=0)
    points = points[np.argsort(points.sum(axis=1), kind="stable")]
    kept = points[:0]
    while len(points):
        # Points of one sum can't dominate each other.
        level = points.sum(axis=1) == points[0].sum()
        leanest, points = points[level], points[~level]
        kept = np.concatenate([kept, leanest])
        points = points[~dominated(points, leanest)]
    return np.asarray(kept)


def lean_within(
    space: Space, target: FloatArray, *, within: float, effort: int = _LEAN_EFFORT
) -> Listed:
    """Lean recipes with CIEDE2000 at most `within`, plus 1e-9 for rounding.

    Complete unless there are more than 1000 of them, or `effort` boxes were not enough. The
    target is CIELAB in each view, shape (v, 3), or (3,) for one.
    """
    found = np.empty((0, space.size), dtype=np.intp)
    reach = within + ROUNDING
    if space.limits.count() <= _LIST_COUNT:
        points = space.limits.recipes()
        near = points[Nearness(space, target).worst(points) <= reach]
        return Listed(lean(near) if len(near) else found, True)
    waves = _Waves(Nearness(space, target, reach))
    while len(waves.pool) and waves.boxes < effort and len(found) <= _MOST_LEAN:
        # The leanest corners first: their recipes rule the others out.
        waves.pool.key = waves.pool.lo.sum(axis=1).astype(float)
        wave = waves.pool.first()
        wave = wave.at(~dominated(wave.lo, found))
        if not len(wave):
            continue
        points, _ = waves.near(wave, reach)
        points = points[~dominated(points, found)]
        if len(points):
            more = lean(points)
            found = np.concatenate([found[~dominated(found, more)], more])
    order = np.argsort(found.sum(axis=1), kind="stable")
    return Listed(found[order], not len(waves.pool))
