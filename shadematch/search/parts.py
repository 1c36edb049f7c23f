"""A space cut into parts in which absorption is all that varies.

Doses of kinds that scatter are gone through one by one; where none scatters there is one part.
"""

from __future__ import annotations

import functools
from collections.abc import Iterable
from dataclasses import replace
from typing import Final

import numpy as np

from shadematch.optics.layer import Layer
from shadematch.search.space import Space
from shadematch.support.arrays import FloatArray, IntArray

__all__ = ["MOST_PARTS", "Parts"]

MOST_PARTS: Final = 1000
"""Combinations of doses of pastes that scatter gone through one by one, some 30 ms each ..."""
_MOST_JOINT_PARTS: Final = 250
"""... and with several lights or let-downs."""
_FEW_PARTS: Final = 64


class Parts:
    """The parts of a space.

    Parameters
    ----------
    space
        Doses, limits and views.

    Attributes
    ----------
    still
        Positions of the kinds that scatter: they stand still in a part.
    """

    def __init__(self, space: Space) -> None:
        self._space = space
        self.still = space.scattering_kinds
        self._layers: dict[bytes, Layer] = {}

    @functools.cached_property
    def count(self) -> float:
        """How many there are, at most."""
        return self._space.limits.of(self.still).count() if self.still else 1.0

    @property
    def most(self) -> int:
        """How many are gone through."""
        joint = len(self._space.seen) > 1 or not self._space.limits.grain
        return _MOST_JOINT_PARTS if joint else MOST_PARTS

    def of(
        self, space: Space, around: FloatArray, *, whole: bool = False
    ) -> tuple[Iterable[tuple[IntArray, Space]], bool]:
        """The parts, and whether all is there.

        Parameters
        ----------
        space
            This space, or the same with tighter limits.
        around
            Steps, shape (k,): what is near them comes first.
        whole
            Whether vague colours will do: if the space has a surface it is all one part.

        Returns
        -------
        parts
            Each with the steps that stand still in it, shape (k,).
        complete
            Whether these are all.
        """
        if not self.still or (whole and space.vague):
            rough = replace(space, rough=True) if space.vague else space
            return [(np.zeros(space.size, np.intp), rough)], True
        chosen, complete = space.limits.nearest(self.still, around, self.most)
        few = complete and len(chosen) <= _FEW_PARTS
        return ((fixed, self._part(space, fixed, few)) for fixed in chosen), complete

    def _part(self, space: Space, fixed: IntArray, keep: bool) -> Space:
        part = space.holding(fixed, self._layers.get(fixed.tobytes()))
        if keep and part.layer is not None:
            self._layers[fixed.tobytes()] = part.layer  # over a megabyte each
        return part

    def colours(self, steps: IntArray) -> FloatArray:
        """CIELAB of recipes in each view, shape (m, v, 3), as `predict` gives it.

        For each dose of what scatters a layer is made.
        """
        still = np.zeros_like(steps)
        still[:, self.still] = steps[:, self.still]
        labs = np.empty((len(steps), len(self._space.seen), 3))
        for fixed in np.unique(still, axis=0):
            rows = np.flatnonzero((still == fixed).all(axis=1))
            labs[rows] = self._part(self._space, fixed, False).sketched(steps[rows] - fixed)
        return labs
