"""A wanted colour, as the searches see boxes of doses: how near each can come.

Under several lights the worst CIEDE2000 counts. A floor under any one light is a floor of the
worst, so the largest of them counts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from shadematch.colour.difference import delta_e
from shadematch.colour.floors import minorant
from shadematch.search.bounds import Judged, beyond, images_of, judge
from shadematch.search.space import Space
from shadematch.support.arrays import FloatArray, IntArray

__all__ = ["ROUNDING", "Nearness", "lengths"]

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
    norms
        A matrix W for each view: what counts is then not CIEDE2000 but the length of W times
        the difference in CIELAB, such as `minorant` gives.
    """

    def __init__(
        self,
        space: Space,
        target: FloatArray,
        radius: float = np.inf,
        norms: Sequence[FloatArray] | None = None,
    ) -> None:
        self.space = space
        self.targets: FloatArray = np.reshape(target, (len(space.seen), 3))
        self._radius, self._given = np.inf, norms is not None
        self._norms = [np.zeros((3, 3)) for _ in space.seen] if norms is None else list(norms)
        self.narrow(radius)

    def narrow(self, limit: float) -> None:
        """Only what is nearer than `limit` counts from here on: make the norms fit closer."""
        if not self._given and np.isfinite(limit) and limit < _SHRUNK * self._radius:
            self._radius = limit
            if limit > 0:
                self._norms = [minorant(target, limit) for target in self.targets]

    def worst(self, steps: FloatArray | IntArray) -> FloatArray:
        """Largest distance over the views, shape (m,), of steps of shape (m, k)."""
        labs = self.space.labs(steps)
        if self._given:
            values = lengths(labs, self.targets, self._norms)
        else:
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
            # Where the norm itself is asked for, floors of CIEDE2000 are none.
            most = -np.inf if self._given else limit + ROUNDING
            judged = judge(images, target, self._norms[i], self._radius, most)
            floor = judged.floor - ROUNDING
            if not self._given and _FAR < limit < np.inf:
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


def lengths(
    labs: Sequence[FloatArray], targets: FloatArray, norms: Sequence[FloatArray]
) -> list[FloatArray]:
    """Of colours (..., 3) in each view, the lengths of W (lab - target), shapes (...)."""
    return [
        np.asarray(np.linalg.norm((lab - goal) @ norm.T, axis=-1))
        for lab, goal, norm in zip(labs, targets, norms, strict=True)
    ]
