"""Floors of the distance between boxes of doses and a target.

Under several lights the largest CIEDE2000 counts. A floor under any one light is a floor of that,
so the largest floor counts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from shadematch.colour.difference import delta_e, squared_difference
from shadematch.colour.floors import farthest, minorant
from shadematch.search.bounds import Images, Judged, beyond, images_of, judge
from shadematch.search.space import Space
from shadematch.support.arrays import BoolArray, FloatArray, IntArray

__all__ = ["ROUNDING", "Nearness", "lengths"]

ROUNDING: Final = 1e-9
"""Allowance for rounding in a floor [CIEDE2000]."""
_FAR: Final = 1.0
"""CIEDE2000 from which on a target counts as far: the norm of `minorant` is loose there."""
_SHRUNK: Final = 0.6
_PATIENCE: Final = 8
"""Number of waves of boxes that cost more than a plane."""
_EVERYWHERE: Final = np.array([-50.0, -512.0, -512.0]), np.array([150.0, 512.0, 512.0])
"""CIELAB of all reflectances between 0 and 1, and more."""


class Nearness:
    """Distances of the doses of a space from a target.

    Parameters
    ----------
    space
        The doses, and the views that count.
    target
        CIELAB in each view, shape (v, 3), or (3,) for one.
    radius
        Floors need not exceed this CIEDE2000; see `narrow`.
    norms
        A matrix W for each view, such as from `minorant`: distance is then not CIEDE2000 but the
        length of W times the difference in CIELAB.
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
        self._away: FloatArray | None = None
        self._plane: _Plane | None = None
        self._waves = 0
        self.narrow(radius)

    def narrow(self, limit: float) -> None:
        """Tighten the norms: from here on only what is nearer than `limit` matters."""
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

    def face(self, steps: FloatArray) -> None:
        """Say which steps, shape (k,), are about the best, for a target that is far from all.

        What is nearer than some limit lies in front of a plane across the gradient there. How far
        in front is proved for all of CIELAB at once, so that a box needs only be held against it.
        Under several lights the worst counts, whose gradient is that of no one light.
        """
        if len(self.targets) > 1 or self._given:
            return
        square, slope, _ = squared_difference(self.space.lab(steps[None])[0], self.targets[0])
        if square > _FAR * _FAR:
            self._away = slope / (2.0 * np.sqrt(square))

    def _behind(self, images: Images, limit: float) -> BoolArray:
        """Which boxes are behind such a plane."""
        self._waves += 1
        if self._away is None or self._waves < _PATIENCE:
            return np.zeros(len(images.centre), dtype=bool)
        known = self._plane
        stale = known is None or self._waves - known.wave >= _PATIENCE
        if known is None or limit > known.limit or (stale and limit < known.limit - ROUNDING):
            level = farthest(self.targets[0], limit, self._away, *_EVERYWHERE)
            known = self._plane = _Plane(self._away, level, limit, self._waves)
        across = images.centre @ known.direction
        reach = np.abs(np.einsum("c,mck->mk", known.direction, images.generators)).sum(axis=1)
        return np.asarray(across - reach - 1e-9 * (1.0 + np.abs(across)) >= known.level)

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
                behind = self._behind(images.chosen(open_), limit)
                floor[open_[behind]] = limit
                open_ = open_[~behind]
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


@dataclass(frozen=True)
class _Plane:
    """A plane in front of which all colours nearer to the target than `limit` lie."""

    direction: FloatArray  # (3,)
    level: float
    limit: float
    wave: int  # when it was made


def lengths(
    labs: Sequence[FloatArray], targets: FloatArray, norms: Sequence[FloatArray]
) -> list[FloatArray]:
    """Of colours (..., 3) in each view, the lengths of W (lab - target), shapes (...)."""
    return [
        np.asarray(np.linalg.norm((lab - goal) @ norm.T, axis=-1))
        for lab, goal, norm in zip(labs, targets, norms, strict=True)
    ]
