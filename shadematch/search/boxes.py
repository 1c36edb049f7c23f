"""Boxes of doses, ordered by key and split."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Generic, TypeVar

import numpy as np

from shadematch.support.arrays import BoolArray, FloatArray, IntArray

__all__ = ["WAVE", "Boxes", "halves", "split"]

WAVE: Final = 1024
"""Boxes processed at once: enough that the overhead of array calls is small."""
_FEW: Final = 16
_SEVERAL: Final = 64

Steps = TypeVar("Steps", IntArray, FloatArray)
"""Whole or real-valued."""


@dataclass
class Boxes(Generic[Steps]):
    """Boxes [lo, hi] of whole or real-valued doses.

    Attributes
    ----------
    lo, hi
        Shapes (m, k).
    key
        A floor of each box, shape (m,): the smallest come first.
    """

    lo: Steps
    hi: Steps
    key: FloatArray

    def __len__(self) -> int:
        return int(self.key.size)

    def at(self, rows: IntArray | BoolArray | slice) -> Boxes[Steps]:
        """Some of them."""
        return Boxes(self.lo[rows], self.hi[rows], self.key[rows])

    def keep(self, mask: BoolArray) -> None:
        """Drop the others."""
        self.lo, self.hi, self.key = self.lo[mask], self.hi[mask], self.key[mask]

    def first(self, count: int = WAVE) -> Boxes[Steps]:
        """Remove and return those with the smallest keys."""
        if len(self) <= count:
            taken = self.at(slice(None))
            self.lo, self.hi, self.key = self.lo[:0], self.hi[:0], self.key[:0]
            return taken
        order = np.argpartition(self.key, count)
        taken, rest = self.at(order[:count]), self.at(order[count:])
        self.lo, self.hi, self.key = rest.lo, rest.hi, rest.key
        return taken

    def add(self, more: Boxes[Steps]) -> None:
        """Add boxes."""
        self.lo = np.concatenate([self.lo, more.lo])
        self.hi = np.concatenate([self.hi, more.hi])
        self.key = np.concatenate([self.key, more.key])

    def least(self) -> float:
        """The smallest key; infinite without boxes."""
        return float(self.key.min(initial=np.inf))


def _cuts(boxes: Boxes[IntArray] | Boxes[FloatArray]) -> int:
    # An array call costs as much for one box as for a hundred, so few boxes are split finer.
    return 4 if len(boxes) <= _FEW else 3 if len(boxes) <= _SEVERAL else 2


def split(boxes: Boxes[IntArray], pull: FloatArray, cuts: int | None = None) -> Boxes[IntArray]:
    """Halve boxes of whole doses, several times, along the pigment that moves the colour most.

    Parameters
    ----------
    boxes
        A single recipe stays as it is.
    pull
        How far each pigment moves the colour within the box, shape (m, k).
    cuts
        How often to halve each; by default few boxes are halved more often.
    """
    lo, hi, key = boxes.lo, boxes.hi, boxes.key
    for _ in range(cuts or _cuts(boxes)):
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
    return Boxes(lo, hi, key)


def halves(boxes: Boxes[FloatArray], pull: FloatArray, limit: float) -> Boxes[FloatArray]:
    """`split` for real-valued doses: halves share a face, so nothing is lost between them.

    Boxes with more than `limit` steps in all are dropped.
    """
    lo, hi, key = boxes.lo, boxes.hi, boxes.key
    for _ in range(_cuts(boxes)):
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
    room = limit * (1.0 + 1e-12) - lo.sum(axis=1)
    hi = np.minimum(hi, room[:, None] + lo)
    return Boxes(lo, hi, key).at(room >= 0.0)
