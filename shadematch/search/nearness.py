"""A wanted colour, as the searches see boxes of doses: how near each can come.

Under several lights the worst CIEDE2000 counts. A floor under any one light is a floor of the
worst, so the largest of them counts.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from shadematch.colour.difference import delta_e
from shadematch.colour.floors import minorant
from shadematch.search.bounds import Judged, beyond, images_of, judge
from shadematch.search.space import Space
from shadematch.support.arrays import FloatArray, IntArray

__all__ = ["ROUNDING", "Nearness"]

ROUNDING: Final = 1e-9
"""CIEDE2000 that rounding may have added to a floor."""
_FAR: Final = 1.0
"""CIEDE2000 from which on a target counts as far, where the norm of `minorant` is loose."""
_SHRUNK: Final = 0.6


class Nearness:
    """How near the doses of a space come to a target.

    Parameters
    ----------
    space
        The doses, and the views that count.
    target
        CIELAB in each view, shape (v, 3); (3,) where there is one.
    radius
        Boxes farther away than this CIEDE2000 need not be told apart. Infinite as long as
        nothing is known; see `narrow`.
    """

    def __init__(self, space: Space, target: FloatArray, radius: float = np.inf) -> None:
        self.space = space
        self.targets: FloatArray = np.reshape(target, (len(space.seen), 3))
        self._radius = np.inf
        self._norms = [np.zeros((3, 3)) for _ in space.seen]
        self.narrow(radius)

    def narrow(self, limit: float) -> None:
        """Only what is nearer than `limit` counts from here on: make the norms fit closer."""
        if np.isfinite(limit) and limit < _SHRUNK * self._radius:
            self._radius = limit
            if limit > 0:
                self._norms = [minorant(target, limit) for target in self.targets]

    def worst(self, steps: FloatArray | IntArray) -> FloatArray:
        """Largest CIEDE2000 over the views, shape (m,), of steps of shape (m, k)."""
        labs = self.space.labs(steps)
        values = [delta_e(lab, goal) for lab, goal in zip(labs, self.targets, strict=True)]
        return values[0] if len(values) == 1 else np.asarray(np.maximum.reduce(values))

    def judge(
        self, lo: IntArray | FloatArray, hi: IntArray | FloatArray, limit: float = np.inf
    ) -> Judged:
        """Floors of boxes [lo, hi], shapes (m, k), rounding seen to.

        Parameters
        ----------
        lo, hi
            Of whole or real-valued steps.
        limit
            A floor of at least this is as good as any larger one, so no more work is spent on
            it.

        Returns
        -------
        Judged
            `floor` is the largest over the views, `shares` is that view's, `pull` the largest;
            `offset` and `generators` are the first view's.
        """
        all_ = []
        for i, images in enumerate(images_of(self.space, lo, hi)):
            target = self.targets[i]
            judged = judge(images, target, self._norms[i], self._radius, limit + ROUNDING)
            floor = judged.floor - ROUNDING
            if _FAR < limit < np.inf:
                open_ = np.flatnonzero(floor < limit)
                floor[open_[beyond(images.chosen(open_), target, limit)]] = limit
            all_.append(replace(judged, floor=floor))
        if len(all_) == 1:
            return all_[0]
        floors = np.stack([j.floor for j in all_])
        at, rows = np.argmax(floors, axis=0), np.arange(len(lo))
        return replace(
            all_[0],
            floor=floors.max(axis=0),
            shares=np.stack([j.shares for j in all_])[at, rows],
            pull=np.maximum.reduce([j.pull for j in all_]),
        )
