"""All recipes that come near enough and waste nothing: the front of paste use, pigment by pigment.

A recipe is *lean* when no other one that is near enough takes at most as much of every pigment.
Branch and bound as in `whole`; a box is given up when its colours are too far, or when a lean
recipe takes no more of any pigment than the box's lowest corner does.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np

from shadematch.arrays import BoolArray, FloatArray, IntArray
from shadematch.difference import delta_e, minorant
from shadematch.search.bounds import images_of, judge
from shadematch.search.boxes import split, tighten
from shadematch.search.lattice import listable, survivors
from shadematch.search.space import Space

__all__ = ["Listed", "dominated", "lean", "lean_within"]

_LIST_COUNT: Final = 3000
_WAVE: Final = 1024
_MOST_EFFORT: Final = 120_000
_MOST_LEAN: Final = 1000
_ROUNDING: Final = 1e-9


class Listed(NamedTuple):
    """What a listing ends with.

    Attributes
    ----------
    steps
        Lean recipes in steps, shape (k, n), those with the least paste first.
    complete
        Whether these are all.
    """

    steps: IntArray
    complete: bool


def dominated(points: IntArray, by: IntArray) -> BoolArray:
    """Which points, shape (m, n), are reached or passed everywhere by one of `by`, shape (k, n)."""
    result = np.zeros(len(points), dtype=bool)
    small = by.astype(np.int32)
    for i in range(0, len(points), 256):
        few = points[i : i + 256].astype(np.int32)
        # Pigment by pigment: much faster than one array of three axes.
        below = small[None, :, 0] <= few[:, None, 0]
        for axis in range(1, points.shape[1]):
            below &= small[None, :, axis] <= few[:, None, axis]
        result[i : i + 256] = below.any(axis=1)
    return result


def lean(points: IntArray) -> IntArray:
    """The points that no other one undercuts, shape (k, n); equal ones once."""
    points = np.unique(points, axis=0)
    points = points[np.argsort(points.sum(axis=1), kind="stable")]
    kept = points[:0]
    while len(points):
        # All of one sum can't undercut each other.
        level = points.sum(axis=1) == points[0].sum()
        leanest, points = points[level], points[~level]
        kept = np.concatenate([kept, leanest])
        points = points[~dominated(points, leanest)]
    return np.asarray(kept)


def lean_within(
    space: Space, target: FloatArray, *, within: float, effort: int = _MOST_EFFORT
) -> Listed:
    """Lean recipes with CIEDE2000 at most `within`.

    Parameters
    ----------
    space
        Where to search.
    target
        CIELAB, shape (3,).
    within
        Largest CIEDE2000 that will do; rounding gets 1e-9 more.
    effort
        Most boxes to look at.

    Returns
    -------
    Listed
        Complete unless the effort, or the number of lean recipes (1000), grew too large.
    """
    found = np.empty((0, space.size), dtype=np.int64)
    reach = within + _ROUNDING

    def near_enough(points: IntArray) -> IntArray:
        return np.asarray(points[delta_e(space.lab(points), target) <= reach])

    if space.count() <= _LIST_COUNT:
        points = space.recipes()
        return Listed(lean(near_enough(points)) if len(points) else found, True)
    norm = minorant(target, reach)
    lo, hi = space.roots()
    lo, hi, key = tighten(lo, hi, lo.sum(axis=1).astype(float), space.max_steps)
    boxes = 0
    while len(lo) and boxes < effort and len(found) <= _MOST_LEAN:
        # The leanest corners first: what they hold rules the others out.
        order = np.argsort(key, kind="stable")
        wave, rest = order[:_WAVE], order[_WAVE:]
        kept = (lo[rest], hi[rest], key[rest])
        wave = wave[~dominated(lo[wave], found)]
        lo, hi, boxes = lo[wave], hi[wave], boxes + wave.size
        if wave.size:
            judged = judge(images_of(space, lo, hi), target, norm, reach)
            alive = judged.floor - _ROUNDING <= within
            small = listable(lo, hi, judged, reach) & alive
            if small.any():
                points, _ = survivors(space, lo[small], hi[small], judged, small, reach)
                points = points[~dominated(points, found)]
                if len(points):
                    more = lean(near_enough(points))
                    found = np.concatenate([found[~dominated(found, more)], more])
                alive &= ~small
            lo, hi, _ = split(lo[alive], hi[alive], judged.pull[alive], key[wave][alive])
            lo, hi, key = tighten(lo, hi, lo.sum(axis=1).astype(float), space.max_steps)
        else:
            key = key[:0]
        lo, hi, key = (np.concatenate(pair) for pair in zip(kept, (lo, hi, key), strict=True))
    return Listed(found[np.argsort(found.sum(axis=1), kind="stable")], not len(lo))
