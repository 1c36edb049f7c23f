"""Many targets in, whole centimetres out for each."""

from __future__ import annotations

import contextlib
import itertools
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future
from typing import Final, NamedTuple

import numpy as np

from shadematch.colour.illuminant import Light
from shadematch.errors import PourError
from shadematch.matching.asked import checked_asked
from shadematch.matching.match import TOLERANCE, Match, checked_choice, match_of
from shadematch.matching.question import Asked, Question
from shadematch.matching.robust import RobustAnswer, robust_answer
from shadematch.predicting.readings import Readings
from shadematch.search.all_recipes import Answer
from shadematch.studio.palette import Palette
from shadematch.studio.pour import Pour
from shadematch.studio.recipe import LetDown
from shadematch.studio.target import HoldsTarget, Target, as_target
from shadematch.studio.view import View
from shadematch.support.arrays import FloatArray
from shadematch.support.models import check_progress

__all__ = ["match_many"]

_LARGEST_CHUNK: Final = 10_000_000


def match_many(
    targets: Iterable[HoldsTarget | str],
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
) -> Iterator[Match]:
    """The doses for many colours, one after the other, the same as `match` gives for each.

    Up to three million permitted recipes (1 kg of five pastes has 1.2 million) the colours of
    all recipes are computed once and kept in a tree, which takes seconds, if there are enough
    targets for that to pay; each target then takes well under a millisecond. Else each target
    is searched for by itself.

    Parameters
    ----------
    targets
        Any iterable; it is read as the results are taken, `chunk` targets at a time, so that
        memory does not grow with their number.
    palette, pour, view, tolerance, max_pigments, must_use, must_avoid, lights, let_downs
        As for `match`.
    robust, dose_slip, scale_g
        As for `match`. Where slips and pastes count in the choice, each target takes some tenths
        of a second.
    executor
        Any `concurrent.futures.Executor`; chunks are worked on in its workers, each of which
        builds the tree once. Results do not depend on it.
    progress
        Called with the number of targets done so far.
    chunk
        Targets in one piece of work.

    Yields
    ------
    Match
        In the order of the targets.

    Raises
    ------
    ShadematchError
        As `match` does; for a wrong target when its turn comes.
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
    if isinstance(chunk, bool) or not isinstance(chunk, int) or not 1 <= chunk <= _LARGEST_CHUNK:
        raise PourError(
            "must be a whole number from 1",
            field="chunk",
            value=chunk,
            remedy="A few thousand suit most machines",
        )
    try:
        stream = iter(() if isinstance(targets, str) else targets)
    except TypeError:
        stream = None
    if stream is None or isinstance(targets, str):
        raise PourError(
            "is no list of targets",
            field="targets",
            value=targets,
            remedy="For one target use match",
        )
    if executor is not None and not callable(getattr(executor, "submit", None)):
        raise PourError(
            "is no executor",
            field="executor",
            value=executor,
            remedy="Give a concurrent.futures.Executor",
        )
    check_progress(progress)
    counted, readings = checked_choice(asked, robust, dose_slip, scale_g)
    way = _Way(asked, TOLERANCE if tolerance is None else tolerance, readings, counted)
    return _stream(stream, way, executor, progress, chunk)


class _Way(NamedTuple):
    """How all targets are answered."""

    asked: Asked
    tolerance: float
    readings: Readings
    counted: bool


def _stream(
    targets: Iterator[HoldsTarget | str],
    way: _Way,
    executor: Executor | None,
    progress: Callable[[int], None] | None,
    chunk: int,
) -> Iterator[Match]:
    waiting: deque[tuple[list[Target], FloatArray, Future[list[_Solved]]]] = deque()
    workers = getattr(executor, "_max_workers", None) or 2
    done = 0
    more = True
    while more or waiting:
        while more and len(waiting) < (2 * workers if executor else 1):
            goals = [as_target(t) for t in itertools.islice(targets, chunk)]
            more = len(goals) == chunk
            if not goals:
                break
            labs = np.array([[goal.lab_in(view) for view in way.asked.views] for goal in goals])
            waiting.append((goals, labs, _submitted(executor, way, labs)))
        if not waiting:
            return
        goals, labs, future = waiting.popleft()
        try:
            answers = future.result()
        except BrokenExecutor:  # a worker died: its chunk is done here, and nothing is lost
            answers = _solve(way, labs)
        for goal, lab, (answer, sure) in zip(goals, labs, answers, strict=True):
            question = Question(way.asked, lab)
            yield match_of(question, goal, way.tolerance, answer, way.readings, sure)
            done += 1
        if progress is not None:
            progress(done)


_Solved = tuple[Answer, RobustAnswer | None]


def _submitted(executor: Executor | None, way: _Way, labs: FloatArray) -> Future[list[_Solved]]:
    if executor is not None:
        # An executor that has lost a worker takes no more work; the rest is then done here.
        with contextlib.suppress(BrokenExecutor):
            return executor.submit(_solve, way, labs)
    future: Future[list[_Solved]] = Future()
    future.set_result(_solve(way, labs))
    return future


def _solve(way: _Way, labs: FloatArray) -> list[_Solved]:
    """What is found for targets, shape (t, v, 3); in a worker."""
    asked, tolerance, readings, counted = way
    answers = asked.searcher.answers(labs, tolerance)
    return [
        (answer, robust_answer(asked, lab, answer, tolerance, readings) if counted else None)
        for lab, answer in zip(labs, answers, strict=True)
    ]
