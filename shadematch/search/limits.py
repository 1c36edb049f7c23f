"""Permitted doses: whole steps of several kinds of dose, under linear limits.

A *kind* is a way of dosing: a paste from its tube, or one of its let-downs by weight. Each has its
own step; paste is counted in dose steps, whatever their unit.
"""

from __future__ import annotations

import functools
import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Final

import numpy as np

from shadematch.search.boxes import Boxes
from shadematch.studio.pour import Pour
from shadematch.studio.recipe import LetDown
from shadematch.support.arrays import BoolArray, FloatArray, IntArray

__all__ = ["DoseLimits", "pour_limits", "step_limits"]

_SLACK: Final = 1e-9


@dataclass(frozen=True, eq=False)
class DoseLimits:
    """Whole steps of k kinds of dose of n pigments.

    The first n kinds are the pigments from their tubes, a dose step each.

    Attributes
    ----------
    pigment
        Position of each kind's pigment, shape (k,).
    rows, most
        Limits ``rows @ steps <= most``, shapes (r, k) and (r,), without negative entries; the
        first limits all paste [dose steps].
    upper
        Most steps of each kind, shape (k,).
    required
        Positions of pigments that must have a dose.
    max_tubes
        Most pigments with a dose.
    """

    pigment: IntArray
    rows: FloatArray
    most: FloatArray
    upper: IntArray
    required: tuple[int, ...]
    max_tubes: int

    @property
    def size(self) -> int:
        """Number of kinds."""
        return int(self.upper.size)

    @functools.cached_property
    def pigments(self) -> int:
        """Number of pigments."""
        return int(self.pigment.max()) + 1

    @property
    def paste(self) -> FloatArray:
        """Paste in a step of each kind [dose steps], shape (k,)."""
        return np.asarray(self.rows[0])

    @property
    def total(self) -> float:
        """Most paste [dose steps]."""
        return float(self.most[0])

    @property
    def grain(self) -> float:
        """Every amount of paste is a multiple of this; 0 if there is no such number."""
        return 0.0 if self.size > self.pigments else 1.0

    @functools.cached_property
    def lower(self) -> IntArray:
        """Fewest steps of each kind, shape (k,)."""
        lower = np.zeros(self.size, np.intp)
        for pigment in self.required:
            kinds = np.flatnonzero((self.pigment == pigment) & (self.upper > 0))
            if kinds.size == 1:
                lower[kinds] = 1
        return lower

    @property
    def empty(self) -> bool:
        """Whether obviously nothing is permitted."""
        return self.max_tubes < 0 or bool(np.any(self.most < -_SLACK))

    @property
    def undiluted(self) -> DoseLimits:
        """The limits without let-downs."""
        n = self.pigments
        if n == self.size:
            return self
        return replace(
            self,
            pigment=self.pigment[:n],
            rows=self.rows[:1, :n],
            most=np.floor(self.most[:1] + _SLACK),
            upper=self.upper[:n],
        )

    def paste_of(self, steps: IntArray) -> float:
        """All paste of one recipe, shape (k,) [dose steps]."""
        return float(steps @ self.paste)

    def brought(self, steps: FloatArray) -> FloatArray:
        """Paste of each pigment [dose steps], shape (..., n), in steps of shape (..., k)."""
        if self.size == self.pigments:  # all from tubes
            return np.asarray(steps)
        own = self.pigment[:, None] == np.arange(self.pigments)
        return np.asarray((steps * self.paste) @ own.astype(float))

    def limited(
        self, *, max_paste: float | None = None, max_tubes: int | None = None
    ) -> DoseLimits:
        """These limits, tightened."""
        most = self.most.copy()
        if max_paste is not None:
            most[0] = min(most[0], max_paste)
        tubes = self.max_tubes if max_tubes is None else min(max_tubes, self.max_tubes)
        return replace(self, most=most, max_tubes=tubes)

    def held(self, fixed: IntArray, kinds: Sequence[int]) -> DoseLimits:
        """The limits that remain when some kinds are fixed at `fixed` steps, shape (k,)."""
        upper = self.upper.copy()
        upper[list(kinds)] = 0
        there = set(self.pigment[fixed > 0].tolist())
        return replace(
            self,
            upper=upper,
            most=self.most - self.rows @ fixed,
            required=tuple(i for i in self.required if i not in there),
            max_tubes=self.max_tubes - len(there),
        )

    def of(self, kinds: Sequence[int]) -> DoseLimits:
        """The limits on some kinds alone, without required pigments."""
        upper = np.zeros_like(self.upper)
        upper[list(kinds)] = self.upper[list(kinds)]
        return replace(self, upper=upper, required=())

    def count(self) -> float:
        """An upper bound on the number of recipes."""
        step = float(self.paste.max())
        coarse = self.paste >= step * (1 - _SLACK)
        free = int(np.sum(self.upper[coarse] > self.lower[coarse]))
        room = max(int(self.total / step + _SLACK) - int(self.lower[coarse].sum()), 0)
        fine = (self.upper - self.lower + 1.0)[~coarse]
        return float(math.comb(room + free, free)) * float(np.prod(fine))

    def tubes(self, steps: IntArray) -> IntArray:
        """Number of pigments with a dose, shape (m,), in steps of shape (m, k)."""
        return np.asarray(self._used(steps).sum(axis=1), dtype=np.intp)

    def _used(self, steps: IntArray) -> BoolArray:
        used = np.zeros((len(steps), self.pigments), dtype=bool)
        for kind, pigment in enumerate(self.pigment):
            used[:, pigment] |= steps[:, kind] > 0
        return used

    def permitted(self, steps: IntArray) -> IntArray:
        """Those of the recipes, shape (m, k), that are permitted."""
        fits = np.all((steps >= self.lower) & (steps <= self.upper), axis=1)
        fits &= self._fitting(steps)
        if self.required:
            fits &= self._used(steps)[:, list(self.required)].all(axis=1)
        return np.asarray(steps[fits])

    def _fitting(self, steps: IntArray) -> BoolArray:
        fits = np.all(steps @ self.rows.T <= self.most + _SLACK, axis=1)
        if self.max_tubes < self.pigments:
            fits &= self.tubes(steps) <= self.max_tubes
        return np.asarray(fits)

    def tighten(self, boxes: Boxes[IntArray], *, most_paste: float = np.inf) -> Boxes[IntArray]:
        """Shrink boxes to the limits, and drop empty ones."""
        lo, hi = boxes.lo, boxes.hi
        limits = [min(self.total, most_paste), *self.most[1:].tolist()]
        for row, most in zip(self.rows, limits, strict=True):
            left = most + _SLACK - lo @ row
            bears = slice(None) if row.all() else np.flatnonzero(row)
            room = np.minimum(np.floor(left[:, None] / row[bears] + _SLACK), self.upper[bears])
            hi = hi.copy()
            hi[:, bears] = np.minimum(hi[:, bears], lo[:, bears] + room.astype(np.intp))
        keep = np.all(hi >= lo, axis=1)
        for pigment in self.required:
            keep &= (hi[:, self.pigment == pigment] > 0).any(axis=1)
        return Boxes(lo, hi, boxes.key).at(keep)

    def roots(self) -> tuple[IntArray, IntArray]:
        """Boxes that cover every permitted recipe, each with at most `max_tubes` pigments."""
        open_ = set(self.pigment[self.upper > 0].tolist())
        others = sorted(open_ - set(self.required))
        spare = self.max_tubes - len(self.required)
        highs = []
        if spare >= 0:
            for chosen in itertools.combinations(others, min(spare, len(others))):
                mine = np.isin(self.pigment, [*self.required, *chosen])
                highs.append(np.where(mine, self.upper, 0))
        hi = np.array(highs, dtype=np.intp).reshape(-1, self.size)
        return np.tile(self.lower, (len(hi), 1)), hi

    def recipes(self) -> IntArray:
        """Every permitted recipe, shape (m, k), in order; only for few enough of them."""
        parts = self.lower[None]
        for kind in np.flatnonzero(self.upper > self.lower):
            left = self.most + _SLACK - parts @ self.rows.T
            bears = self.rows[:, kind] > 0
            most = np.floor((left[:, bears] / self.rows[bears, kind]).min(axis=1) + _SLACK)
            # Nothing fits if the fewest doses are too much already.
            room = np.clip(most, -1, self.upper[kind] - self.lower[kind]).astype(np.intp)
            at = np.repeat(np.arange(len(parts)), room + 1)
            starts = np.cumsum(room + 1) - (room + 1)
            parts = parts[at]
            parts[:, kind] += np.arange(at.size) - starts[at]
        return self.permitted(parts)

    def nearest(self, kinds: Sequence[int], around: FloatArray, most: int) -> tuple[IntArray, bool]:
        """The permitted steps of some kinds nearest to `around`, shape (k,), others zero.

        By the sum of differences. Only those within a radius are listed, which grows until there
        are enough, since all of them might not fit into memory.

        Returns
        -------
        steps
            Shape (m, k), nearest first, at most `most`. Of those with the same paste of every
            pigment, only those that take the least base.
        complete
            Whether these are all.
        """
        axes = [np.arange(self.lower[k], self.upper[k] + 1) for k in kinds]
        ways = [np.abs(axis - around[k]) for axis, k in zip(axes, kinds, strict=True)]
        least = sum(float(way.min()) for way in ways)
        reach = sum(float(way.max()) for way in ways)
        radius = least + 1.0
        while True:
            grid, far = np.zeros((1, self.size), np.intp), np.full(1, least)
            for kind, axis, way in zip(kinds, axes, ways, strict=True):
                near = np.flatnonzero(way - way.min() <= radius - least + 1e-9)
                further = far[:, None] + (way[near] - way.min())
                row, at = np.nonzero(further <= radius + 1e-9)
                grid, far = grid[row], further[row, at]
                grid[:, kind] = axis[near][at]
                kept = self._fitting(grid)
                grid, far = grid[kept], far[kept]
            grid = self.leanest(grid)
            if len(grid) > most or radius >= reach:
                break
            radius += radius - least
        far = np.abs(grid - around)[:, list(kinds)].sum(axis=1)
        return grid[np.argsort(far, kind="stable")[:most]], len(grid) <= most

    def hints(self, steps: FloatArray) -> FloatArray:
        """Steps of about the same paste, shape (h, k): as given, then with let-downs."""
        n = self.pigments
        if self.size == n:
            return steps[None]
        mixed = np.zeros(self.size)
        mixed[:n] = self.brought(steps)
        order = np.argsort(-self.paste, kind="stable")
        for kind in order[order >= n]:
            # The remainder after whole steps of coarser kinds goes into the let-down.
            rest = 0.0
            for k in np.flatnonzero(
                (self.pigment == self.pigment[kind]) & (self.paste > self.paste[kind])
            ):
                whole = np.floor(mixed[k] + 1e-9)
                rest += (mixed[k] - whole) * self.paste[k]
                mixed[k] = whole
            mixed[kind] = min(rest / self.paste[kind], float(self.upper[kind]))
        return np.stack([steps, mixed])

    def leanest(self, steps: IntArray) -> IntArray:
        """Drop recipes with the paste of another that take at least as much of both bases."""
        if len(self.rows) == 1:
            return steps
        brought = np.round(self.brought(steps.astype(float)), 9)
        first, second = np.round(steps @ self.rows[1:].T, 9).T
        order = np.lexsort((*steps.T[::-1], second, first, *brought.T))
        group = np.append(0, np.cumsum((brought[order][1:] != brought[order][:-1]).any(axis=1)))
        # Ordered by the first base, keep those that take less of the second than all before.
        taken = second[order] - group * (1.0 + 2.0 * second.max(initial=0.0))
        kept = np.append(True, taken[1:] < np.minimum.accumulate(taken)[:-1] - _SLACK)
        return np.asarray(steps[np.sort(order[kept[: len(order)]])])


def step_limits(
    pigments: int,
    max_steps: int,
    *,
    max_tubes: int | None = None,
    required: Sequence[int] = (),
    excluded: Sequence[int] = (),
) -> DoseLimits:
    """Limits on whole dose steps, without let-downs.

    Parameters
    ----------
    pigments, max_steps, max_tubes
        Number of pigments, most steps in all, and most pigments in a recipe.
    required, excluded
        Positions of pigments that must, or must not, have a dose.
    """
    upper = np.full(pigments, max_steps, dtype=np.intp)
    upper[list(excluded)] = 0
    return DoseLimits(
        pigment=np.arange(pigments, dtype=np.intp),
        rows=np.ones((1, pigments)),
        most=np.array([float(max_steps)]),
        upper=upper,
        required=tuple(required),
        max_tubes=pigments if max_tubes is None else max_tubes,
    )


def pour_limits(
    pour: Pour,
    pigments: int,
    let_downs: Sequence[tuple[int, LetDown]] = (),
    *,
    max_tubes: int | None = None,
    required: Sequence[int] = (),
    excluded: Sequence[int] = (),
) -> DoseLimits:
    """The limits of a pour: dose steps of every pigment first, then the let-downs.

    A let-down's paste counts towards the load limit; its base replaces the batch's, so it can't
    be more than the pour has of that base.

    Parameters
    ----------
    pour
        The pour.
    pigments
        Number of pigments of the palette.
    let_downs
        Pairs of a pigment's position and its let-down.
    max_tubes, required, excluded
        As for `step_limits`.

    Notes
    -----
    If p weighing steps hold as much paste as q dose steps, p or more of them are never needed: q
    dose steps give the same load and leave more base. So at most p - 1 are permitted.
    """
    plain = step_limits(
        pigments, pour.max_steps, max_tubes=max_tubes, required=required, excluded=excluded
    )
    if not let_downs:
        return plain
    columns, uppers = [], []
    most = np.array([pour.max_total / pour.dose_step, pour.clear_g, pour.white_g])
    for which, let_down in let_downs:
        column = np.array(
            [
                let_down.paste_per_step / pour.dose_step,
                let_down.step_g * (1 - let_down.white),
                let_down.step_g * let_down.white,
            ]
        )
        bears = column > 0
        upper = int((most[bears] / column[bears]).min() + _SLACK)
        ratio = Fraction(pour.dose_step / let_down.paste_per_step).limit_denominator(100)
        even = abs(float(ratio) * let_down.paste_per_step - pour.dose_step) < 1e-12
        if even and ratio > 0:
            upper = min(upper, ratio.numerator - 1)
        columns.append(column)
        uppers.append(0 if which in excluded else upper)
    rows = np.zeros((3, pigments))
    rows[0] = 1.0
    return replace(
        plain,
        pigment=np.append(plain.pigment, [which for which, _ in let_downs]),
        rows=np.column_stack([rows, *columns]),
        most=most + np.array([1e-12 * most[0] + _SLACK, 0.0, 0.0]),
        upper=np.append(plain.upper, uppers).astype(np.intp),
    )
