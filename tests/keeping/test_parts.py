"""Tables in parts: whole or not at all, and a run that was killed goes on."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import textwrap
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import shadematch as sm
from shadematch.keeping.results import results_frame
from shadematch.matching.many import Matches

POUR = sm.Pour(batch_g=200)
LABS = np.random.default_rng(1).random((40, 3)) * [60, 40, 40] + [20, -20, -20]


def matches(**asked: object) -> Matches:
    return sm.match_many(LABS, **{"pour": POUR, "chunk": 16, **asked})  # type: ignore[arg-type]


def parts(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


THREE = ["part-00000.parquet", "part-00001.parquet", "part-00002.parquet"]


def test_a_folder_of_parts_is_the_table(tmp_path: Path) -> None:
    seen: list[int] = []
    assert sm.save_results(matches(), tmp_path / "a" / "b", progress=seen.append) == 40
    assert seen == [16, 32, 40]
    assert parts(tmp_path / "a" / "b") == THREE
    whole = pd.read_parquet(tmp_path / "a" / "b")
    pd.testing.assert_frame_equal(whole, results_frame(matches()), check_dtype=False)


def test_what_is_there_is_kept_and_what_is_missing_made(tmp_path: Path) -> None:
    sm.save_results(matches(), tmp_path / "t")
    times = {name: (tmp_path / "t" / name).stat().st_mtime_ns for name in THREE}
    (tmp_path / "t" / THREE[1]).unlink()
    (tmp_path / "t" / ".part-00001.parquet.0123456789abcdef").write_bytes(b"half")
    assert sm.save_results(matches(), tmp_path / "t") == 40
    now = {name: (tmp_path / "t" / name).stat().st_mtime_ns for name in THREE}
    assert [name for name in THREE if now[name] != times[name]] == [THREE[1]]
    pd.testing.assert_frame_equal(
        pd.concat([pd.read_parquet(tmp_path / "t" / n) for n in THREE], ignore_index=True),
        results_frame(matches()),
        check_dtype=False,
    )


@pytest.mark.parametrize(
    "other",
    [
        {"tolerance": 0.4},
        {"pour": sm.Pour(batch_g=210)},
        {"view": sm.View(backing="black")},
        {"palette": sm.demo_palette().known_to(0.2)},
        {"max_pigments": 2},
        {"must_avoid": ["gorse"]},
        {"lights": ["A"]},
        {"dose_slip": 0.3},
    ],
    ids=lambda other: next(iter(other)),
)
def test_parts_of_another_question_are_refused(tmp_path: Path, other: dict[str, object]) -> None:
    sm.save_results(matches(), tmp_path / "t")
    before = {name: (tmp_path / "t" / name).read_bytes() for name in THREE}
    with pytest.raises(sm.FileError, match="another question"):
        sm.save_results(matches(**other), tmp_path / "t")
    assert {name: (tmp_path / "t" / name).read_bytes() for name in THREE} == before


def test_other_colours_are_another_question(tmp_path: Path) -> None:
    sm.save_results(sm.match_many(LABS, pour=POUR), tmp_path / "t")
    with pytest.raises(sm.FileError, match="another question"):
        sm.save_results(sm.match_many(LABS + 0.01, pour=POUR), tmp_path / "t")
    # A shorter catalogue leaves parts over.
    sm.save_results(matches(), tmp_path / "u")
    with pytest.raises(sm.FileError, match="another question"):
        sm.save_results(sm.match_many(LABS[:32], pour=POUR, chunk=16), tmp_path / "u")
    stream = sm.match_many(LABS[:32], pour=POUR, chunk=16)
    assert sm.save_results(stream, tmp_path / "u", replace=True) == 32
    assert parts(tmp_path / "u") == THREE[:2]
    assert len(pd.read_parquet(tmp_path / "u")) == 32


def test_what_can_be_no_folder(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    for path in (tmp_path / "file", tmp_path / "file" / "t", "a\0b"):
        with pytest.raises(sm.FileError, match="path"):
            sm.save_results(matches(), path)
    with pytest.raises(sm.FileError, match="what match_many returns"):
        sm.save_results(list(matches()), tmp_path / "t")
    assert (tmp_path / "file").read_text() == "x"
    # A damaged part is made anew only if it may be.
    sm.save_results(matches(), tmp_path / "t")
    (tmp_path / "t" / THREE[0]).write_bytes(b"no parquet")
    with pytest.raises(sm.FileError, match="another question"):
        sm.save_results(matches(), tmp_path / "t")
    assert sm.save_results(matches(), tmp_path / "t", replace=True) == 40


def test_a_worker_that_is_killed_costs_no_part(tmp_path: Path) -> None:
    victims: list[int] = []

    def kill(done: int) -> None:
        while done and victims:
            os.kill(victims.pop(), signal.SIGKILL)

    with ProcessPoolExecutor(1) as pool:
        victims += [pool.submit(os.getpid).result()]
        stream = sm.match_many(LABS, pour=POUR, chunk=4, executor=pool)
        assert sm.save_results(stream, tmp_path / "t", progress=kill) == 40
    assert not victims
    whole = pd.read_parquet(tmp_path / "t")
    pd.testing.assert_frame_equal(whole, results_frame(matches()), check_dtype=False)


RUN = """
import sys
import numpy as np
import shadematch as sm
labs = np.random.default_rng(1).random((40, 3)) * [60, 40, 40] + [20, -20, -20]
stream = sm.match_many(labs, pour=sm.Pour(batch_g=200), chunk=1)
sm.save_results(stream, sys.argv[1])
"""


def test_a_run_that_is_killed_goes_on(tmp_path: Path) -> None:
    goal = tmp_path / "t"
    run = subprocess.Popen([sys.executable, "-c", textwrap.dedent(RUN), str(goal)])
    try:
        waited = time.monotonic()
        while not (goal / "part-00003.parquet").exists():
            assert run.poll() is None and time.monotonic() - waited < 120
            time.sleep(0.001)
    finally:
        run.kill()
        run.wait()
    there = {path.name: path.stat().st_mtime_ns for path in goal.glob("part-*.parquet")}
    assert 4 <= len(there) < 40  # it was killed in mid-run
    for name in there:
        assert len(pd.read_parquet(goal / name)) == 1  # nothing half written
    assert sm.save_results(sm.match_many(LABS, pour=POUR, chunk=1), goal) == 40
    now = {path.name: path.stat().st_mtime_ns for path in goal.glob("part-*.parquet")}
    assert len(now) == 40 and all(now[name] == there[name] for name in there)
    pd.testing.assert_frame_equal(
        pd.read_parquet(goal).reset_index(drop=True), results_frame(matches()), check_dtype=False
    )
