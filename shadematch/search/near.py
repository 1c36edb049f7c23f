"""Every permitted recipe within some CIEDE2000 of a target."""

from __future__ import annotations

from typing import Final

import numpy as np

from shadematch.arrays import FloatArray, IntArray
from shadematch.difference import delta_e, minorant
from shadematch.search.bounds import beyond, images_of, judge
from shadematch.search.boxes import split, tighten
from shadematch.search.lattice import listable, survivors
from shadematch.search.space import Space

__all__ = ["within"]

_LIST_COUNT: Final = 20_000
_EFFORT: Final = 60_000
_WAVE: Final = 1024
_ROUNDING: Final = 1e-9
_FAR: Final = 1.0


def within(
    space: Space, target: FloatArray, limit: float, most: int
) -> tuple[IntArray, FloatArray, bool]:
    """Recipes no farther than `limit` from a target.

    Parameters
    ----------
    space
        Where to search.
    target
        CIELAB, shape (3,).
    limit
        Largest CIEDE2000, above 0.
    most
        How many to give at most; the closest ones.

    Returns
    -------
    steps, delta_e
        Shapes (k, n) and (k,), the closest first.
    complete
        Whether these are all there are.
    """
    if space.count() <= _LIST_COUNT:
        points, complete = space.recipes(), True
    else:
        points, complete = _searched(space, target, limit, most)
    values = delta_e(space.lab(points), target)
    order = np.argsort(values, kind="stable")
    order = order[values[order] <= limit]
    return points[order[:most]], values[order[:most]], complete and order.size <= most


def _searched(space: Space, target: FloatArray, limit: float, most: int) -> tuple[IntArray, bool]:
    """The same by boxes, in no order, with some that are farther away."""
    radius, norm = limit, minorant(target, limit)
    lo, hi = space.roots()
    lo, hi, key = tighten(lo, hi, np.zeros(len(lo)), space.max_steps)
    found = np.empty((0, space.size), np.int64)
    values, boxes, complete = np.empty(0), 0, True
    while len(lo):
        if boxes >= _EFFORT:
            return found, False
        if len(values) > 4 * most:
            # Too many: from here on only what is nearer than the last of those to be given.
            kept = np.argpartition(values, most)[:most]
            found, values, complete = found[kept], values[kept], False
            limit = float(values.max())
        # The nearest boxes first, so that what is found when it stops early is worth having.
        order = np.argsort(key, kind="stable")
        now, later = order[:_WAVE], order[_WAVE:]
        rest = lo[later], hi[later], key[later]
        lo, hi = lo[now], hi[now]
        boxes += len(lo)
        images = images_of(space, lo, hi)
        judged = judge(images, target, norm, radius)
        near = judged.floor
        alive = near - _ROUNDING <= limit
        if limit > _FAR:
            open_ = np.flatnonzero(alive)
            alive[open_[beyond(images.chosen(open_), target, limit + _ROUNDING)]] = False
        small = listable(lo, hi, judged, limit) & alive
        if small.any():
            points, _ = survivors(space, lo[small], hi[small], judged, small, limit + _ROUNDING)
            differences = delta_e(space.lab(points), target)
            near_by = differences <= limit
            # Where the tubes are limited, boxes overlap.
            found, first = np.unique(
                np.concatenate([found, points[near_by]]), axis=0, return_index=True
            )
            values = np.concatenate([values, differences[near_by]])[first]
            alive &= ~small
        parts = split(lo[alive], hi[alive], judged.pull[alive], near[alive])
        parts = tighten(*parts, space.max_steps)
        lo, hi, key = (np.concatenate(pair) for pair in zip(rest, parts, strict=True))
    return found, complete
