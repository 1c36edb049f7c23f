"""Results of a search, for one target and for many."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from shadematch.search.whole import Solution
from shadematch.support.arrays import BoolArray, FloatArray, IntArray

__all__ = ["Answer", "Answers"]


class Answer(NamedTuple):
    """The closest recipe, and the frugal one, whose `bound` is the least paste [dose steps]."""

    closest: Solution
    frugal: Solution


@dataclass(frozen=True, eq=False)
class Answers:
    """Answers for t targets, as columns; an `Answer` is made only when needed.

    Attributes
    ----------
    closest, frugal
        Doses in steps, shape (t, k).
    delta_e, bound, proved
        Of the closest, shape (t,).
    frugal_delta_e, least_paste, frugal_proved
        Of the frugal ones, shape (t,); `least_paste` is their `bound` [dose steps].
    boxes
        Number of boxes searched for each of the two, shape (t, 2).
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
        """Answers found one by one, at least one."""
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
        """The answer for one target."""
        near = self.closest, self.delta_e, self.bound, self.proved
        lean = self.frugal, self.frugal_delta_e, self.least_paste, self.frugal_proved
        return Answer(
            *(
                Solution(
                    steps[at].astype(np.intp),
                    float(delta_e[at]),
                    float(bound[at]),
                    bool(proved[at]),
                    int(boxes),
                )
                for (steps, delta_e, bound, proved), boxes in zip(
                    (near, lean), self.boxes[at], strict=True
                )
            )
        )

    def __iter__(self) -> Iterator[Answer]:
        return map(self.__getitem__, range(len(self)))
