"""A proven floor under the real-valued optimum.

`ideal` finds a local optimum and proves nothing. Here the permitted region is cut into boxes of
real-valued doses that leave nothing out between them; each has a floor (`bounds`). What holds
for real-valued doses holds for whole ones on any grid, whatever the mass of the batch.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from shadematch.arrays import FloatArray
from shadematch.difference import minorant
from shadematch.search.bounds import beyond, images_of, judge
from shadematch.search.space import Space

__all__ = ["real_floor"]

_ROUNDING: Final = 1e-9
_WAVE: Final = 1024
_FAR: Final = 1.0
"""CIEDE2000 from which on the norm of `minorant` is loose, and `bounds.beyond` says more."""


def real_floor(
    space: Space,
    target: FloatArray,
    *,
    reached: float,
    gap: float = 0.01,
    effort: int = 40_000,
) -> float:
    """A number that CIEDE2000 does not fall below anywhere in a region of real-valued doses.

    Parameters
    ----------
    space
        The region; pigments that scatter must stand still in it.
    target
        CIELAB, shape (3,).
    reached
        CIEDE2000 of a recipe that is there; no floor lies above.
    gap
        How near to `reached` the floor is driven.
    effort
        Most boxes to look at.

    Returns
    -------
    float
        The floor; weaker, but still true, where the effort did not suffice.
    """
    if reached <= gap:
        return 0.0
    lows, highs = space.roots()
    lo, hi = lows.astype(float), highs.astype(float)
    key = np.zeros(len(lo))
    norm = minorant(target, reached)
    settled, boxes = reached, 0
    while key.size and boxes < effort:
        order = np.argsort(key, kind="stable")
        first, rest = order[:_WAVE], order[_WAVE:]
        boxes += first.size
        here_lo, here_hi, here_key = lo[first], hi[first], key[first]
        images = images_of(space, here_lo, here_hi)
        judged = judge(images, target, norm, reached)
        here_key = np.maximum(here_key, judged.floor - _ROUNDING)
        if reached > _FAR:
            left = np.flatnonzero(here_key < reached - gap)
            certain = left[beyond(images.chosen(left), target, reached - gap)]
            here_key[certain] = reached - gap
        open_ = here_key < reached - gap
        settled = min(settled, float(here_key[~open_].min(initial=reached)))
        child_lo, child_hi, child_key = _halves(
            here_lo[open_], here_hi[open_], judged.pull[open_], here_key[open_], space.max_steps
        )
        lo = np.concatenate([lo[rest], child_lo])
        hi = np.concatenate([hi[rest], child_hi])
        key = np.concatenate([key[rest], child_key])
    return max(0.0, min(settled, float(key.min(initial=reached))))


def _halves(
    lo: FloatArray, hi: FloatArray, pull: FloatArray, key: FloatArray, limit: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Every box in four, along the pigments that move its colour most; none beyond the limit."""
    for _ in range(2):
        at = np.argmax(np.where(hi > lo, pull, -1.0), axis=1)
        rows = np.arange(at.size)
        middle = 0.5 * (lo[rows, at] + hi[rows, at])
        left_hi, right_lo = hi.copy(), lo.copy()
        left_hi[rows, at] = middle
        right_lo[rows, at] = middle
        half = pull.copy()
        half[rows, at] *= 0.5
        lo, hi = np.concatenate([lo, right_lo]), np.concatenate([left_hi, hi])
        pull, key = np.concatenate([half, half]), np.concatenate([key, key])
    used = lo.sum(axis=1)
    hi = np.minimum(hi, (limit - used)[:, None] + lo)
    keep = used <= limit
    return lo[keep], hi[keep], key[keep]
