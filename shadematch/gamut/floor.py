"""A proven floor of the distance between a target and the whole gamut.

Branch and bound as in `search.whole`, but over real-valued doses: boxes share their walls, so
that nothing falls between them, and `bounds` says how near each can come. It ends once the floor
is within a gap of what was reached, so it costs most for a gap of nothing.
"""

from __future__ import annotations

import numpy as np

from shadematch.arrays import FloatArray
from shadematch.difference import minorant
from shadematch.search.bounds import images_of, judge
from shadematch.search.space import Space

__all__ = ["proven_floor"]

_WAVE = 512
_ROUNDING = 1e-9


def proven_floor(
    space: Space, target: FloatArray, *, reached: float, gap: float, effort: int = 40_000
) -> tuple[float, int]:
    """A number that the CIEDE2000 of no permitted real-valued recipe falls below.

    Parameters
    ----------
    space
        Whose absorption is all that varies.
    target
        CIELAB, shape (3,).
    reached
        CIEDE2000 of a known recipe.
    gap
        How far below `reached` the floor may stay.
    effort
        Most boxes to look at.

    Returns
    -------
    floor, boxes
        The floor, at most `reached`, and how many boxes it took.
    """
    wanted = reached - gap
    if wanted <= 0:
        return 0.0, 0
    lo, hi = (np.asarray(ends, dtype=float) for ends in space.roots())
    hi = np.minimum(hi, float(space.max_steps))
    key = np.zeros(len(lo))
    norm = minorant(target, reached)
    settled, boxes = np.inf, 0
    while key.size and boxes < effort:
        order = np.argpartition(key, min(_WAVE, key.size) - 1)
        now, later = order[:_WAVE], order[_WAVE:]
        boxes += now.size
        judged = judge(images_of(space, lo[now], hi[now]), target, norm, reached)
        found = np.maximum(key[now], judged.floor - _ROUNDING)
        done = found >= wanted
        settled = min(settled, float(found[done].min(initial=np.inf)))
        open_ = now[~done]
        axis = np.argmax(np.where(hi[open_] > lo[open_], judged.pull[~done], -1.0), axis=1)
        rows = np.arange(open_.size)
        middle = 0.5 * (lo[open_, axis] + hi[open_, axis])
        upper, lower = lo[open_].copy(), hi[open_].copy()
        upper[rows, axis] = middle
        lower[rows, axis] = middle
        lo = np.concatenate([lo[later], lo[open_], upper])
        hi = np.concatenate([hi[later], lower, hi[open_]])
        key = np.concatenate([key[later], found[~done], found[~done]])
        room = space.max_steps * (1.0 + 1e-12) - lo.sum(axis=1)
        inside = room >= 0.0
        lo, hi, key = lo[inside], hi[inside], key[inside]
        hi = np.minimum(hi, lo + room[inside, None])
    left = float(key.min(initial=np.inf))
    return max(min(reached, settled, left), 0.0), boxes
