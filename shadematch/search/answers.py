"""What a search has found, for one target and for many."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from shadematch.search.whole import Solution
from shadematch.support.arrays import BoolArray, FloatArray, IntArray

__all__ = ["Answer", "Answers"]


class Answer(NamedTuple):
    """Everything found for one target; doses in steps.

    Attributes
    ----------
    closest
        The whole recipe with the smallest CIEDE2000.
    frugal
        The one with the least paste among those that the tolerance lets count; `bound` is the
        least paste [dose steps].
    """

    closest: Solution
    frugal: Solution


@dataclass(frozen=True, eq=False)
class Answers:
    """The same for t targets, as columns; each `Answer` is made when it is asked for.

    Attributes
    ----------
    closest, frugal
        Doses in steps, shape (t, k).
    delta_e, bound, proved
        Of the closest, shape (t,).
    frugal_delta_e, least_paste, frugal_proved
        Of the frugal ones; `least_paste` is their `bound` [dose steps].
    boxes
        How many were looked at for either, shape (t, 2).
    """

    closest: IntArray
    delta_e: FloatArray
    bound: FloatArray
    proved: BoolArray
    frugal: IntArray
    frugal_delta_e: FloatArray
    least_paste: FloatArray
    frugal_proved: BoolArray
    boxes: IntArray

    @classmethod
    def of(cls, found: Sequence[Answer]) -> Answers:
        """Answers that were found one by one, at least one."""
        near, lean = [each.closest for each in found], [each.frugal for each in found]
        return cls(
            closest=np.array([each.steps for each in near], dtype=np.intp),
            delta_e=np.array([each.delta_e for each in near]),
            bound=np.array([each.bound for each in near]),
            proved=np.array([each.proved for each in near]),
            frugal=np.array([each.steps for each in lean], dtype=np.intp),
            frugal_delta_e=np.array([each.delta_e for each in lean]),
            least_paste=np.array([each.bound for each in lean]),
            frugal_proved=np.array([each.proved for each in lean]),
            boxes=np.array([(each.closest.boxes, each.frugal.boxes) for each in found]),
        )

    def __len__(self) -> int:
        return len(self.delta_e)

    def __getitem__(self, at: int) -> Answer:
        """One target's."""
        near, lean = self.boxes[at].tolist()
        return Answer(
            Solution(
                self.closest[at].astype(np.intp),
                float(self.delta_e[at]),
                float(self.bound[at]),
                bool(self.proved[at]),
                near,
            ),
            Solution(
                self.frugal[at].astype(np.intp),
                float(self.frugal_delta_e[at]),
                float(self.least_paste[at]),
                bool(self.frugal_proved[at]),
                lean,
            ),
        )

    def __iter__(self) -> Iterator[Answer]:
        return map(self.__getitem__, range(len(self)))
