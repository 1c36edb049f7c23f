"""A proven floor of the real-valued optimum.

`ideal` finds a local optimum and proves nothing. Here the permitted region is split into boxes of
real-valued doses that cover it; each has a floor (`nearness`). A floor for real-valued doses holds
for whole ones on any grid, whatever the mass of the batch. The smaller the gap, the longer it
takes.
"""

from __future__ import annotations

import numpy as np

from shadematch.search.boxes import Boxes, halves
from shadematch.search.nearness import Nearness
from shadematch.search.space import Space
from shadematch.support.arrays import FloatArray

__all__ = ["real_floor"]


def real_floor(
    space: Space,
    target: FloatArray,
    *,
    reached: float,
    gap: float = 0.01,
    effort: int = 40_000,
) -> float:
    """A floor of CIEDE2000 over a region of real-valued doses.

    Parameters
    ----------
    space
        The region; no free kind of dose may scatter.
    target
        CIELAB, shape (3,).
    reached
        CIEDE2000 of a recipe in the region; the floor is at most this.
    gap
        How near to `reached` the floor is raised.
    effort
        Most boxes to search; after that the floor is valid, but lower.
    """
    wanted = reached - gap
    if wanted <= 0:
        return 0.0
    sought, total = Nearness(space, target, reached), space.limits.total
    lo, hi = space.limits.roots()
    pool = Boxes(lo.astype(float), np.minimum(hi.astype(float), total), np.zeros(len(lo)))
    settled, boxes = reached, 0
    while len(pool) and boxes < effort:
        wave = pool.first()
        boxes += len(wave)
        judged = sought.judge(wave.lo, wave.hi, wanted)
        wave.key = np.maximum(wave.key, judged.floor)
        open_ = wave.key < wanted
        settled = min(settled, wave.at(~open_).least())
        pool.add(halves(wave.at(open_), judged.pull[open_], total))
    return max(0.0, min(settled, pool.least()))
