"""The recipes of a small box, one by one, without computing a spectrum for each.

A box's image is linear up to a known remainder, so the whole recipes in it are near a lattice in
CIELAB. A recipe is excluded if its lattice point is farther from the target than the limit plus the
remainder; spectra are computed only for the others.
"""

from __future__ import annotations

import functools
from typing import Final

import numpy as np

from shadematch.search.bounds import BoxFloors
from shadematch.search.boxes import Boxes
from shadematch.support.arrays import BoolArray, FloatArray, IntArray

__all__ = ["listable", "survivors"]

_MOST_BITS: Final = 9
_MOST_PAIRS: Final = 11
_LOOSE: Final = 0.35


def _bits(boxes: Boxes[IntArray]) -> IntArray:
    """Number of bits for the doses of each kind."""
    return np.asarray(np.frexp((boxes.hi - boxes.lo).astype(float))[1], dtype=np.intp)


def _looseness(judged: BoxFloors) -> FloatArray:
    """Largest length of remainder and bow in the norm, shape (m,)."""
    rest = judged.generators[:, :, -3:]
    loose = np.asarray(np.sqrt(np.einsum("mck,mck->mk", rest, rest)).sum(axis=1))
    if not judged.bow.any():
        return loose
    doses = judged.generators[:, :, :-3]
    length = np.sqrt(np.einsum("mck,mck->mk", doses, doses))
    return np.asarray(loose + (length * judged.bow).sum(axis=1))


def listable(boxes: Boxes[IntArray], judged: BoxFloors, limit: float) -> BoolArray:
    """Which boxes are cheaper to list than to split.

    Those with at most two doses of every kind, and larger ones whose images are so nearly linear
    that most of the list will be excluded.
    """
    bits = _bits(boxes)
    tight = _looseness(judged) <= _LOOSE * limit
    total = bits.sum(axis=1)
    pairs = (bits.max(axis=1) <= 1) & (total <= _MOST_PAIRS)
    return np.asarray(pairs | (tight & (total <= _MOST_BITS)))


@functools.cache
def _offsets(bits: tuple[int, ...]) -> FloatArray:
    """All combinations of 0 .. 2^b - 1, shape (n, 2^sum(bits))."""
    return np.indices([1 << b for b in bits]).reshape(len(bits), -1).astype(float)


def survivors(
    boxes: Boxes[IntArray], judged: BoxFloors, chosen: BoolArray, limit: float
) -> tuple[IntArray, float]:
    """Recipes of boxes that may have a CIEDE2000 of at most `limit`.

    Parameters
    ----------
    boxes
        A set of m boxes of k kinds.
    judged
        What `bounds.judge` said of them.
    chosen
        Which of them to go through, shape (m,).
    limit
        CIEDE2000, at most the radius of the norm in `judged`.

    Returns
    -------
    points
        Shape (n, k); limits on paste and tubes are not looked at.
    least
        A floor of CIEDE2000 over the recipes left out (infinite where that is none).
    """
    boxes = boxes.at(chosen)
    lo, n = boxes.lo, boxes.lo.shape[1]
    width = boxes.hi - lo
    spread = judged.generators[chosen][:, :, :n]
    half = np.maximum(0.5 * width, 0.5)[:, None, :]
    per_step = np.where(width[:, None, :] > 0, spread / half, 0.0)
    corner = judged.offset[chosen] - spread.sum(axis=2)
    slack = _looseness(judged)[chosen]
    bits = _bits(boxes)
    order = np.argsort(-bits, axis=1, kind="stable")
    rows = np.arange(len(lo))[:, None]
    lo_sorted, width_sorted = lo[rows, order], width[rows, order]
    steps_sorted = np.take_along_axis(per_step, order[:, None, :], axis=2)
    codes = bits[rows, order] @ 10.0 ** np.arange(n)[::-1]
    found, least = [np.empty((0, n), dtype=np.intp)], np.inf
    for code in np.unique(codes):
        at = np.flatnonzero(codes == code)
        shape = tuple(bits[at[0], order[at[0]]].tolist())
        offsets = _offsets(shape)
        place = corner[at][:, :, None] + steps_sorted[at] @ offsets  # (m, 3, K)
        floor = np.sqrt(np.einsum("mck,mck->mk", place, place)) - slack[at][:, None]
        allowed = np.ones(floor.shape, dtype=bool)
        for i, b in enumerate(shape):
            if np.any(width_sorted[at, i] + 1 < 1 << b):
                allowed &= offsets[i] <= width_sorted[at, i][:, None]
        near = floor < limit
        out = floor[allowed & ~near]
        if out.size:
            least = min(least, float(out.min()))
        box, column = np.nonzero(near & allowed)
        points = np.empty((box.size, n), dtype=np.intp)
        where = at[box]
        values = lo_sorted[where] + offsets[:, column].T.astype(np.intp)
        np.put_along_axis(points, order[where], values, axis=1)
        found.append(points)
    return np.concatenate(found), least
