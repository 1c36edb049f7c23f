"""Many targets at once, against `match` for each."""

from __future__ import annotations

import os
import signal

import numpy as np
import pytest

import shadematch as sm


def test_match_many_is_match() -> None:
    rng = np.random.default_rng(4)
    targets = [sm.Target.from_srgb(c) for c in rng.random((60, 3)).tolist()]
    pour = sm.Pour(batch_g=300)
    seen: list[int] = []
    many = list(sm.match_many(iter(targets), pour=pour, chunk=25, progress=seen.append))
    assert seen == [25, 50, 60]
    for target, m in zip(targets, many, strict=True):
        one = sm.match(target, pour=pour)
        assert m.target is target
        assert m.closest.recipe == one.closest.recipe
        assert m.recipe == one.recipe
        # To rounding: many rows at once are summed in another order than one.
        assert m.delta_e == pytest.approx(one.delta_e, abs=1e-9)
        assert m.proved
        assert m.ideal.delta_e == pytest.approx(one.ideal.delta_e, abs=1e-6)


def test_match_many_in_other_processes_and_with_bad_input() -> None:
    from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor

    rng = np.random.default_rng(5)
    targets = [sm.Target.from_srgb(c) for c in rng.random((30, 3)).tolist()]
    pour = sm.Pour(batch_g=200)
    plain = list(sm.match_many(targets, pour=pour))
    with ThreadPoolExecutor(2) as pool:
        threads = list(sm.match_many(targets, pour=pour, executor=pool, chunk=7))
    with ProcessPoolExecutor(2) as pool:
        processes = list(sm.match_many(targets, pour=pour, executor=pool, chunk=7))
    for a, b, c in zip(plain, threads, processes, strict=True):
        assert a.recipe == b.recipe == c.recipe
        assert a.delta_e == b.delta_e == c.delta_e
    with pytest.raises(sm.ColourError, match="hex"):
        list(sm.match_many(["#fff", "nonsense"], pour=pour))
    with pytest.raises(sm.PourError, match="chunk"):
        sm.match_many([], chunk=0, pour=sm.Pour(batch_g=100))
    assert list(sm.match_many([], pour=pour)) == []


def test_a_worker_that_is_killed_costs_no_result() -> None:
    from concurrent.futures import ProcessPoolExecutor

    rng = np.random.default_rng(6)
    targets = [sm.Target.from_srgb(c) for c in rng.random((40, 3)).tolist()]
    pour = sm.Pour(batch_g=200)
    plain = list(sm.match_many(targets, pour=pour, chunk=5))
    killed = False
    got = []
    with ProcessPoolExecutor(1) as pool:
        for m in sm.match_many(targets, pour=pour, chunk=5, executor=pool):
            got.append(m)
            if not killed:
                for process in list(pool._processes.values()):
                    os.kill(process.pid, signal.SIGKILL)
                killed = True
    assert killed
    assert [m.recipe for m in got] == [m.recipe for m in plain]
    assert [m.delta_e for m in got] == [m.delta_e for m in plain]


@pytest.mark.parametrize("lights", [(), ("A", "FL11")])
def test_match_many_with_lights_and_let_downs(lights: tuple[str, ...]) -> None:
    rosehip = sm.LetDown.made("rosehip", paste=1, base_g=25)
    asked = {"pour": sm.Pour(batch_g=100), "lights": lights, "let_downs": [rosehip]}
    targets = ["#eab9a9", "#d9822b"]
    many = list(sm.match_many(targets, chunk=1, **asked))  # type: ignore[arg-type]
    for target, m in zip(targets, many, strict=True):
        one = sm.match(target, **asked)  # type: ignore[arg-type]
        assert (m.recipe, m.closest.recipe) == (one.recipe, one.closest.recipe)
        assert m.delta_e == pytest.approx(one.delta_e, abs=1e-9)
        assert (m.proved, m.frugal_proved) == (one.proved, one.frugal_proved)
    assert [tuple(m.lights) for m in many] == [lights, lights]
    with pytest.raises(sm.ShadematchError):
        sm.match_many(targets, lights=["moon"], pour=sm.Pour(batch_g=100))
