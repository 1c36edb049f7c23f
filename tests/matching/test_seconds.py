"""A match that may take only so long, or is stopped, answers with what it has."""

from __future__ import annotations

import itertools
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator

import numpy as np
import pytest

import shadematch as sm
from tests.invented.problems import invented_palette, milky

# Nearly black, where very many recipes of a large batch look the same: many seconds to prove.
PALETTE = invented_palette(np.random.default_rng(7), 7)
POUR = sm.Pour(batch_g=20_000)
HARD = sm.Target.from_lab((2.3, 0.8, 1.4))


def sound(m: sm.Match) -> None:
    """What holds of every answer, proved or not."""
    assert 0.0 <= m.bound <= m.closest.delta_e <= m.delta_e + 1e-12
    assert m.delta_e <= m.closest.delta_e + m.tolerance + 1e-9
    assert m.recipe.total <= m.closest.recipe.total
    told = sm.predict(m.recipe, palette=m.palette)
    assert sm.delta_e(told, m.target) == pytest.approx(m.delta_e, abs=1e-6)


@pytest.mark.parametrize(
    "asked",
    [
        {"palette": PALETTE, "pour": POUR},
        {"palette": PALETTE, "pour": POUR, "robust": True},
        {"palette": PALETTE, "pour": POUR, "lights": ["D65", "A"]},
        {"palette": milky(np.random.default_rng(1), 5, 3), "pour": sm.Pour(batch_g=5000)},
        {"palette": milky(np.random.default_rng(1), 5, 3), "pour": sm.Pour(batch_g=1000)},
    ],
    ids=["plain", "robust", "lights", "scattering", "listable"],
)
def test_when_the_time_is_over_it_says_how_it_stands(asked: dict[str, object]) -> None:
    m = sm.match(HARD, seconds=0.01, **asked)  # type: ignore[arg-type]
    sound(m)
    assert not m.proved
    assert "stopped early" in m.proof


def test_with_time_enough_nothing_changes() -> None:
    pour = sm.Pour(batch_g=500)
    plain = sm.match("#7a3b8f", pour=pour)
    assert sm.match("#7a3b8f", pour=pour, seconds=1000.0) == plain
    assert plain.proved


def test_progress_closes_in() -> None:
    seen: list[tuple[float, float]] = []
    m = sm.match(
        HARD,
        palette=PALETTE,
        pour=POUR,
        seconds=3.0,
        progress=lambda delta_e, bound: seen.append((delta_e, bound)),
    )
    sound(m)
    assert seen
    values, bounds = zip(*seen, strict=True)
    assert all(one >= other for one, other in itertools.pairwise(values))
    assert all(bound <= value for value, bound in seen)
    assert m.closest.delta_e <= values[-1] and m.bound >= max(bounds) - 1e-9


@pytest.fixture
def heard() -> Iterator[None]:
    """Ctrl-C as in a terminal, whatever these tests were started from."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


@pytest.mark.usefixtures("heard")
def test_ctrl_c_ends_the_search_with_an_answer() -> None:
    def press() -> None:
        os.kill(os.getpid(), signal.SIGINT)

    timer = threading.Timer(0.5, press)
    timer.start()
    m = sm.match(HARD, palette=PALETTE, pour=POUR, seconds=300.0)
    timer.join()
    sound(m)
    assert not m.proved
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


@pytest.mark.usefixtures("heard")
def test_ctrl_c_after_the_proof_is_not_lost(monkeypatch: pytest.MonkeyPatch) -> None:
    from shadematch.search.searcher import Searcher

    answer = Searcher.answer

    def late(self: Searcher, *asked: object) -> object:
        found = answer(self, *asked)  # type: ignore[arg-type]
        os.kill(os.getpid(), signal.SIGINT)
        time.sleep(0.01)
        return found

    monkeypatch.setattr(Searcher, "answer", late)
    with pytest.raises(KeyboardInterrupt):
        sm.match("#7a3b8f", pour=sm.Pour(batch_g=200))


def test_in_a_thread_nothing_is_done_to_signals() -> None:
    found: list[sm.Match] = []
    pour = sm.Pour(batch_g=200)
    thread = threading.Thread(target=lambda: found.append(sm.match("#7a3b8f", pour=pour)))
    thread.start()
    thread.join()
    assert found[0].proved


@pytest.mark.parametrize("seconds", [0, -1.0, float("nan"), "1", True])
def test_what_is_no_time(seconds: object) -> None:
    with pytest.raises(sm.PourError, match="seconds"):
        sm.match("#7a3b8f", seconds=seconds)  # type: ignore[arg-type]
    with pytest.raises(sm.PourError, match="progress"):
        sm.match("#7a3b8f", progress=1)  # type: ignore[arg-type]


def test_on_the_command_line() -> None:
    run = [sys.executable, "-m", "shadematch", "match", "#7a3b8f", "--seconds", "100"]
    done = subprocess.run(run, capture_output=True, text=True, check=True)
    assert "nothing permitted comes closer" in done.stdout
