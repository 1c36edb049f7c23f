"""Recipes for many targets.

Answers are kept as columns (`shadematch.search.answers`); a `Match` is made only when one is
taken, and tables are made without any.
"""

from __future__ import annotations

import contextlib
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future
from typing import TYPE_CHECKING, Final, NamedTuple, TypeVar

import numpy as np

from shadematch.colour.illuminant import Light
from shadematch.errors import PourError
from shadematch.matching.asked import checked_asked
from shadematch.matching.columns import Columns, columns_of
from shadematch.matching.match import TOLERANCE, Match, checked_choice, match_of
from shadematch.matching.question import Asked, Question
from shadematch.matching.robust import RobustAnswer, robust_answer
from shadematch.matching.wanted import Wanted, pieces_of
from shadematch.predicting.readings import Readings
from shadematch.search.answers import Answers
from shadematch.studio.palette import Palette
from shadematch.studio.pour import Pour
from shadematch.studio.recipe import LetDown
from shadematch.studio.target import HoldsTarget
from shadematch.studio.view import View
from shadematch.support.arrays import FloatArray
from shadematch.support.models import check_progress, whole

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Matches", "Way", "match_many", "piece_table"]

_LARGEST_CHUNK: Final = 10_000_000
_T = TypeVar("_T")


class Way(NamedTuple):
    """The question without its colours; `counted`: whether slips and pastes count in the choice."""

    asked: Asked
    tolerance: float
    readings: Readings
    counted: bool


class _Solved(NamedTuple):
    """The answers to a piece of the catalogue."""

    labs: FloatArray
    answers: Answers
    sure: list[RobustAnswer] | None


class Matches(Iterator[Match]):
    """The answers of `match_many`, in the order of the targets; a `Match` is made when taken.

    `shadematch.save_results` and `shadematch.keeping.results.results_frame` make tables from it
    without a `Match` for each, if none has been taken yet.
    """

    def __init__(
        self,
        pieces: Iterator[Wanted],
        way: Way,
        executor: Executor | None,
        progress: Callable[[int], None] | None,
    ) -> None:
        self.way = way
        self._pieces, self._executor, self._progress = pieces, executor, progress
        self._stream: Iterator[Match] | None = None

    def __next__(self) -> Match:
        if self._stream is None:
            self._stream = self._made()
        return next(self._stream)

    @property
    def untouched(self) -> bool:
        """Whether no match has been taken yet."""
        return self._stream is None

    def _made(self) -> Iterator[Match]:
        asked, tolerance, readings, _ = self.way
        done = 0
        for wanted, (labs, answers, sure) in self._worked(_solve, self._pieces):
            for at, answer in enumerate(answers):
                question = Question(asked, labs[at])
                own = None if sure is None else sure[at]
                yield match_of(
                    question=question,
                    target=wanted.target(at),
                    tolerance=tolerance,
                    answer=answer,
                    readings=readings,
                    sure=own,
                )
            done += len(wanted)
            if self._progress is not None:
                self._progress(done)

    def _done_by(self, work: Callable[[Way, Wanted], _T]) -> Iterator[_T]:
        """The result of `work`, which must be picklable, for each piece of the catalogue."""
        pieces, self._stream, done = self._pieces, iter(()), 0
        for wanted, result in self._worked(work, pieces):
            yield result
            done += len(wanted)
            if self._progress is not None:
                self._progress(done)

    def _worked(
        self, work: Callable[[Way, Wanted], _T], pieces: Iterator[Wanted]
    ) -> Iterator[tuple[Wanted, _T]]:
        """Pieces and their results, computed a few ahead."""
        waiting: deque[tuple[Wanted, Future[_T]]] = deque()
        ahead = 2 * (getattr(self._executor, "_max_workers", None) or 2) if self._executor else 1
        while True:
            while len(waiting) < ahead and (wanted := next(pieces, None)) is not None:
                waiting.append((wanted, self._submitted(work, wanted)))
            if not waiting:
                return
            wanted, future = waiting.popleft()
            try:
                result = future.result()
            except BrokenExecutor:  # a worker died: do its piece here
                result = work(self.way, wanted)
            yield wanted, result

    def _submitted(self, work: Callable[[Way, Wanted], _T], wanted: Wanted) -> Future[_T]:
        if self._executor is not None:
            # An executor that has lost a worker refuses work: do the rest here.
            with contextlib.suppress(BrokenExecutor):
                return self._executor.submit(work, self.way, wanted)
        future: Future[_T] = Future()
        future.set_result(work(self.way, wanted))
        return future


def match_many(
    targets: Iterable[HoldsTarget | str] | FloatArray | pd.DataFrame,
    *,
    palette: Palette | None = None,
    pour: Pour | None = None,
    view: View | None = None,
    tolerance: float = TOLERANCE,
    max_pigments: int | None = None,
    must_use: Sequence[str] = (),
    must_avoid: Sequence[str] = (),
    lights: Sequence[Light] = (),
    let_downs: Sequence[LetDown] = (),
    robust: bool = False,
    dose_slip: float | None = None,
    scale_g: float | None = None,
    executor: Executor | None = None,
    progress: Callable[[int], None] | None = None,
    chunk: int = 2048,
) -> Matches:
    """The doses for many colours, the same as `match` gives for each.

    With enough targets, and at most three million permitted recipes (1 kg of five pastes has 1.2
    million), the colours of all recipes are computed once and kept in a tree. That takes seconds;
    each target then takes some hundredths of a millisecond. Otherwise each target is searched for
    separately. Nothing is computed before the first match is taken or a table is made.

    Parameters
    ----------
    targets
        Any iterable, read `chunk` targets at a time as results are taken, so that memory does
        not grow with their number. Or CIELAB under the light of `view`, an array of shape (t, 3),
        or a data frame with columns L, a, b (D65, 2 degrees) or hex; arrays and L, a, b are the
        fastest, since no `Target` is made of them.
    palette, pour, view, tolerance, max_pigments, must_use, must_avoid, lights, let_downs
        As for `match`.
    robust, dose_slip, scale_g
        As for `match`. If slips and pastes count in the choice, each target takes some tenths
        of a second.
    executor
        Any `concurrent.futures.Executor`; its workers take chunks, and each builds the tree
        once. Results do not depend on it.
    progress
        Called with the number of targets done so far.
    chunk
        Targets in one piece of work.

    Returns
    -------
    Matches
        An iterator in the order of the targets; `save_results` makes a table of it without a
        `Match` for each.

    Raises
    ------
    ShadematchError
        As `match` does; for a wrong target when it is reached.
    """
    asked = checked_asked(
        palette,
        pour,
        view,
        tolerance=tolerance,
        max_pigments=max_pigments,
        must_use=must_use,
        must_avoid=must_avoid,
        lights=lights,
        let_downs=let_downs,
    )
    size = whole(chunk, "chunk", 1, _LARGEST_CHUNK, "A few thousand suit most machines")
    pieces = pieces_of(targets, asked.view, size)
    if executor is not None and not callable(getattr(executor, "submit", None)):
        remedy = "Give a concurrent.futures.Executor"
        raise PourError("is not an executor", field="executor", value=executor, remedy=remedy)
    check_progress(progress)
    counted, readings = checked_choice(asked, robust, dose_slip, scale_g)
    return Matches(pieces, Way(asked, tolerance, readings, counted), executor, progress)


def _solve(way: Way, wanted: Wanted) -> _Solved:
    """The answers to a piece; in a worker."""
    asked, tolerance, readings, counted = way
    labs = wanted.labs(asked.views)
    answers = asked.searcher.answers(labs, None if counted else tolerance)
    sure = None
    if counted:
        pairs = zip(labs, answers, strict=True)
        sure = [robust_answer(asked, lab, each, tolerance, readings) for lab, each in pairs]
    return _Solved(labs, answers, sure)


def piece_table(way: Way, wanted: Wanted) -> Columns:
    """The answers to a piece as the columns of a table; in a worker."""
    labs, answers, sure = _solve(way, wanted)
    steps, delta_e = answers.frugal, answers.frugal_delta_e
    if sure is not None:
        steps = np.array([each.frugal.steps for each in sure])
        delta_e = np.array([each.frugal.delta_e for each in sure])
    return columns_of(
        way.asked,
        way.readings,
        wanted,
        labs,
        steps=steps,
        delta_e=delta_e,
        bound=answers.bound,
        proved=answers.proved,
    )
