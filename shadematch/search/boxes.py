"""Boxes of whole doses: cutting them down and in pieces."""

from __future__ import annotations

import numpy as np

from shadematch.arrays import FloatArray, IntArray

__all__ = ["split", "tighten"]


def tighten(
    lo: IntArray, hi: IntArray, key: FloatArray, limit: int
) -> tuple[IntArray, IntArray, FloatArray]:
    """Cut from boxes what the limit on the sum forbids, and drop boxes with nothing left."""
    used = lo.sum(axis=1)
    hi = np.minimum(hi, (limit - used)[:, None] + lo)
    keep = (used <= limit) & np.all(hi >= lo, axis=1)
    return lo[keep], hi[keep], key[keep]


def split(
    lo: IntArray, hi: IntArray, pull: FloatArray, key: FloatArray
) -> tuple[IntArray, IntArray, FloatArray]:
    """Halve every box along the pigment that moves its colour most, and the next one too.

    Parameters
    ----------
    lo, hi
        Boxes, shapes (m, n); a single recipe stays as it is.
    pull
        How far each pigment moves the colour within the box, shape (m, n).
    key
        Handed on to both halves, shape (m,).
    """
    for _ in range(2):
        width = hi - lo
        weight = np.where(width > 0, np.maximum(pull, 1e-300), -1.0)
        at = np.argmax(weight, axis=1)
        rows = np.arange(at.size)
        halved = weight[rows, at] > 0
        middle = (lo[rows, at] + hi[rows, at]) // 2
        left_hi, right_lo = hi.copy(), lo.copy()
        left_hi[rows, at] = middle
        right_lo[rows, at] = middle + 1
        half = pull.copy()
        half[rows, at] *= 0.5
        lo = np.concatenate([lo, right_lo[halved]])
        hi = np.concatenate([left_hi, hi[halved]])
        pull = np.concatenate([half, half[halved]])
        key = np.concatenate([key, key[halved]])
    return lo, hi, key
