"""What may be dosed when not everything is dosed alike: centimetres, and let-downs by weight.

A *kind* is a way of dosing: a paste by the centimetre, or one of its let-downs by the gram. Each
has a step of its own, so what the search counts is steps of kinds, under linear limits: the load
limit, and the base that the let-downs take the place of.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, replace

import numpy as np

from shadematch.search.boxes import Boxes
from shadematch.support.arrays import BoolArray, FloatArray, IntArray

__all__ = ["Region"]

_SLACK = 1e-9


@dataclass(frozen=True, eq=False)
class Region:
    """Whole steps of k kinds of dose of n pigments.

    Attributes
    ----------
    loads
        Load of each pigment [cm per 100 g] that a step of each kind brings, shape (k, n).
    paste
        Paste in a step of each kind [cm], shape (k,).
    pigment
        Position of each kind's pigment, shape (k,).
    rows, most
        Limits ``rows @ steps <= most``, shapes (r, k) and (r,), nothing negative in them; the
        first is that of the paste in all [cm].
    upper
        Most steps of each kind, shape (k,).
    required
        Positions of pigments that must have a dose.
    max_tubes
        Most pigments with a dose.
    """

    loads: FloatArray
    paste: FloatArray
    pigment: IntArray
    rows: FloatArray
    most: FloatArray
    upper: IntArray
    required: tuple[int, ...]
    max_tubes: int

    @property
    def size(self) -> int:
        """Number of kinds."""
        return int(self.paste.size)

    def limited(self, *, max_paste: float | None = None, max_tubes: int | None = None) -> Region:
        """The same with tighter limits."""
        most = self.most.copy()
        if max_paste is not None:
            most[0] = min(most[0], max_paste)
        tubes = self.max_tubes if max_tubes is None else min(max_tubes, self.max_tubes)
        return replace(self, most=most, max_tubes=tubes)

    def held(self, fixed: IntArray) -> Region:
        """What is left beside `fixed` steps, shape (k,), of kinds that then stand still."""
        there = np.unique(self.pigment[fixed > 0])
        return replace(
            self,
            most=self.most - self.rows @ fixed,
            required=tuple(i for i in self.required if i not in there),
        )

    def count(self) -> float:
        """How many recipes there are at most."""
        total = 1.0
        by_limit = self.rows[0] > 0
        step = self.rows[0][by_limit].max(initial=0.0)
        coarse = by_limit & (self.rows[0] >= step * (1 - _SLACK))
        if coarse.any():
            free = int(np.sum(self.upper[coarse] > 0))
            total = float(math.comb(int(self.most[0] / step + _SLACK) + free, free))
        return total * float(np.prod(self.upper[~coarse] + 1.0))

    def tubes(self, steps: IntArray) -> IntArray:
        """How many pigments have a dose, shape (m,), in steps of shape (m, k)."""
        return np.asarray(self._used(steps).sum(axis=1), dtype=np.int64)

    def _used(self, steps: IntArray) -> BoolArray:
        used = np.zeros((len(steps), self.loads.shape[1]), dtype=bool)
        for kind, pigment in enumerate(self.pigment):
            used[:, pigment] |= steps[:, kind] > 0
        return used

    def permitted(self, steps: IntArray) -> IntArray:
        """Those of the recipes, shape (m, k), that are permitted."""
        steps = np.asarray(steps, dtype=np.int64).reshape(-1, self.size)
        fits = np.all((steps >= 0) & (steps <= self.upper), axis=1)
        fits &= np.all(steps @ self.rows.T <= self.most + _SLACK, axis=1)
        used = self._used(steps)
        fits &= used.sum(axis=1) <= self.max_tubes
        for pigment in self.required:
            fits &= used[:, pigment]
        return np.asarray(steps[fits])

    @property
    def grain(self) -> float:
        """Kinds have steps of their own; no amount of paste divides them all for certain."""
        return 0.0

    def tighten(self, boxes: Boxes[IntArray], *, most_paste: float = np.inf) -> Boxes[IntArray]:
        """Cut from boxes what the limits forbid, and drop boxes with nothing left."""
        lo, hi = boxes.lo, boxes.hi.copy()
        limits = [min(float(self.most[0]), most_paste), *self.most[1:]]
        for row, most in zip(self.rows, limits, strict=True):
            left = most + _SLACK - lo @ row
            bears = np.flatnonzero(row > 0)
            room = np.floor(left[:, None] / row[bears] + _SLACK)
            hi[:, bears] = np.minimum(hi[:, bears], lo[:, bears] + room.astype(np.int64))
        keep = np.all(hi >= lo, axis=1)
        for pigment in self.required:
            keep &= (hi[:, self.pigment == pigment] > 0).any(axis=1)
        return Boxes(lo, hi, boxes.key).at(keep)

    def roots(self) -> tuple[IntArray, IntArray]:
        """Boxes that hold every permitted recipe, each of no more than `max_tubes` pigments."""
        open_ = sorted(set(self.pigment[self.upper > 0].tolist()))
        others = [i for i in open_ if i not in self.required]
        spare = self.max_tubes - len(self.required)
        highs = []
        if spare >= 0:
            for chosen in itertools.combinations(others, min(spare, len(others))):
                mine = np.isin(self.pigment, [*self.required, *chosen])
                highs.append(np.where(mine, self.upper, 0))
        hi = np.array(highs, dtype=np.int64).reshape(-1, self.size)
        return np.zeros_like(hi), hi

    def recipes(self) -> IntArray:
        """Every permitted recipe, shape (m, k); for regions that are small enough to list."""
        parts = np.zeros((1, self.size), dtype=np.int64)
        for kind in np.flatnonzero(self.upper > 0):
            left = self.most + _SLACK - parts @ self.rows.T
            bears = self.rows[:, kind] > 0
            room = np.full(len(parts), self.upper[kind])
            if bears.any():
                most = np.floor((left[:, bears] / self.rows[bears, kind]).min(axis=1) + _SLACK)
                room = np.minimum(room, most.astype(np.int64))
            at = np.repeat(np.arange(len(parts)), room + 1)
            starts = np.cumsum(room + 1) - (room + 1)
            parts = parts[at]
            parts[:, kind] = np.arange(at.size) - starts[at]
        return self.permitted(parts)
