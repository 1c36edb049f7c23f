"""The recipes of a small box, one by one, without computing a spectrum for each.

A box's image is linear up to a known remainder, so the whole recipes in it lie on a lattice in
CIELAB. A recipe whose lattice point is farther from the target than the remainder can make up
for is out; only the others are worth a spectrum.
"""

from __future__ import annotations

import functools
from typing import Final

import numpy as np

from shadematch.arrays import BoolArray, FloatArray, IntArray
from shadematch.search.bounds import Judged
from shadematch.search.space import Space

__all__ = ["listable", "survivors"]

_MOST_BITS: Final = 9
_LOOSE: Final = 0.35


def _bits(lo: IntArray, hi: IntArray) -> IntArray:
    """For each pigment, the power of two that its number of doses fits in."""
    return np.asarray(np.frexp((hi - lo).astype(float))[1], dtype=np.int64)


def _looseness(judged: Judged) -> FloatArray:
    """Largest length of the remainder, in the norm; shape (m,)."""
    rest = judged.generators[:, :, -3:]
    return np.asarray(np.sqrt(np.einsum("mck,mck->mk", rest, rest)).sum(axis=1))


def listable(lo: IntArray, hi: IntArray, judged: Judged, limit: float) -> BoolArray:
    """Which boxes are cheaper to list than to split.

    Those with at most two doses of every pigment, and larger ones whose images are so nearly
    linear that the list will be sifted well.
    """
    bits = _bits(lo, hi)
    tight = _looseness(judged) <= _LOOSE * limit
    return np.asarray((bits.max(axis=1) <= 1) | (tight & (bits.sum(axis=1) <= _MOST_BITS)))


@functools.cache
def _offsets(bits: tuple[int, ...]) -> FloatArray:
    """All combinations of 0 .. 2^b - 1, shape (n, 2^sum(bits))."""
    return np.indices([1 << b for b in bits]).reshape(len(bits), -1).astype(float)


def survivors(
    space: Space,
    lo: IntArray,
    hi: IntArray,
    judged: Judged,
    chosen: BoolArray,
    limit: float,
    *,
    most_steps: int | None = None,
) -> tuple[IntArray, float]:
    """Recipes of boxes that may have a CIEDE2000 of at most `limit`.

    Parameters
    ----------
    space
        Where the boxes lie.
    lo, hi
        Boxes, shapes (m, n).
    judged, chosen
        What `bounds.judge` said of a larger set of boxes, and which of them these are.
    limit
        CIEDE2000, at most the radius of the norm in `judged`.
    most_steps
        Most steps in all.

    Returns
    -------
    points
        Shape (k, n), within the limits on steps and tubes.
    least
        A floor of CIEDE2000 over the recipes left out (infinite where that is none).
    """
    most = space.max_steps if most_steps is None else min(most_steps, space.max_steps)
    n = space.size
    width = hi - lo
    spread = judged.generators[chosen][:, :, :n]
    half = np.maximum(0.5 * width, 0.5)[:, None, :]
    per_step = np.where(width[:, None, :] > 0, spread / half, 0.0)
    corner = judged.offset[chosen] - spread.sum(axis=2)
    slack = _looseness(judged)[chosen]
    bits = _bits(lo, hi)
    order = np.argsort(-bits, axis=1, kind="stable")
    rows = np.arange(len(lo))[:, None]
    lo_sorted, width_sorted = lo[rows, order], width[rows, order]
    steps_sorted = np.take_along_axis(per_step, order[:, None, :], axis=2)
    room = most - lo.sum(axis=1)
    codes = bits[rows, order] @ (16 ** np.arange(n)[::-1])
    found, least = [np.empty((0, n), dtype=np.int64)], np.inf
    for code in np.unique(codes):
        at = np.flatnonzero(codes == code)
        shape = tuple(bits[at[0], order[at[0]]].tolist())
        offsets = _offsets(shape)
        place = corner[at][:, :, None] + steps_sorted[at] @ offsets  # (m, 3, K)
        floor = np.sqrt(np.einsum("mck,mck->mk", place, place)) - slack[at][:, None]
        allowed = offsets.sum(axis=0) <= room[at][:, None]
        for i, b in enumerate(shape):
            if np.any(width_sorted[at, i] + 1 < 1 << b):
                allowed &= offsets[i] <= width_sorted[at, i][:, None]
        near = floor < limit
        out = floor[allowed & ~near]
        if out.size:
            least = min(least, float(out.min()))
        box, column = np.nonzero(near & allowed)
        points = np.empty((box.size, n), dtype=np.int64)
        where = at[box]
        values = lo_sorted[where] + offsets[:, column].T.astype(np.int64)
        np.put_along_axis(points, order[where], values, axis=1)
        found.append(points)
    points = np.concatenate(found)
    return points[np.count_nonzero(points, axis=1) <= space.max_tubes], least
