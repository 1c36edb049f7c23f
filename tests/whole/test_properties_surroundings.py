"""Threads, processes, the network, and files that nobody named."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

import shadematch as sm

ROOT = Path(__file__).parents[2]
CODES = ("#d9822b", "#7a8f3c", "#204060", "#ffffff", "#000000")
ASK = """
import json, sys
import shadematch as sm
found = sm.match("#7a8f3c", pour=sm.Pour(batch_g=300, white=0.1))
many = sm.match_many(["#d9822b", "#204060"], pour=sm.Pour(batch_g=200))
spread = sm.spread(found.recipe)
print(json.dumps([dict(found.recipe.doses), found.closest.delta_e.hex(), found.bound.hex(),
                  [m.delta_e.hex() for m in many], spread.p90.hex()]))
"""


def run(code: str, *, cwd: Path = ROOT, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-B", "-W", "error", "-c", code],
        cwd=cwd,
        env={**os.environ, "PYTHONPATH": str(ROOT), **environment},
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )


def test_the_same_match_from_eight_threads_at_once() -> None:
    def ask(number: int) -> list[tuple[dict[str, float], float, float]]:
        # Each starts elsewhere, so that caches are filled in every order at once.
        codes = CODES[number % 5 :] + CODES[: number % 5]
        found = {}
        for code in codes:
            answer = sm.match(code, pour=sm.Pour(batch_g=210, thickness_cm=1.3))
            found[code] = (dict(answer.recipe.doses), answer.delta_e, answer.bound)
        return [found[code] for code in CODES]

    with ThreadPoolExecutor(8) as pool:
        answers = list(pool.map(ask, range(8)))
    alone = [sm.match(c, pour=sm.Pour(batch_g=210, thickness_cm=1.3)) for c in CODES]
    for answer in answers:
        for (doses, value, bound), match in zip(answer, alone, strict=True):
            assert doses == dict(match.recipe.doses)
            # Looked up or searched for, a value may differ in its last bits.
            assert (value, bound) == pytest.approx((match.delta_e, match.bound), abs=1e-12)


def test_the_same_answer_in_every_process_and_thread_count() -> None:
    answers = []
    for threads, seed in (("1", "0"), ("2", "1")):
        done = run(ASK, OMP_NUM_THREADS=threads, OPENBLAS_NUM_THREADS=threads, PYTHONHASHSEED=seed)
        assert done.returncode == 0, done.stderr
        answers.append(json.loads(done.stdout))
    assert answers[0] == answers[1]


def test_no_network() -> None:
    blocked = """
import socket
def no(*_, **__):
    raise AssertionError("the network was asked for")
for name in ("socket", "create_connection", "getaddrinfo", "gethostbyname"):
    setattr(socket, name, no)
"""
    done = run(blocked + ASK)
    assert done.returncode == 0, done.stderr
    with_lights = "sm.lights(found, lights=['D65', 'A']); sm.batch_sheet(found).text"
    done = run(blocked + ASK + with_lights)
    assert done.returncode == 0, done.stderr


def test_nothing_is_written_but_what_is_named(tmp_path: Path) -> None:
    home, work, out = (tmp_path / name for name in ("home", "work", "out"))
    for folder in (home, work, out):
        folder.mkdir()
    watched = f"""
import sys
named = {str(out)!r}
def watch(event, args):
    # Whatever is opened for writing, made, renamed or removed must lie where the user said.
    if event == "open":
        path, mode, flags = args
        writes = isinstance(mode, str) and any(c in mode for c in "wax+") or flags & 0o1103
        if not writes or path == "/dev/null" or not isinstance(path, str):
            return
    elif event not in ("os.mkdir", "os.rename", "os.remove", "os.rmdir"):
        return
    path = str(args[0])
    if not path.startswith(named):
        raise AssertionError(f"{{event}} {{path}}")
sys.addaudithook(watch)
"""
    code = (
        watched
        + ASK
        + f"""
from pathlib import Path
out = Path({str(out)!r})
sm.save(found, out / "a.json"); sm.read(out / "a.json")
sm.save(sm.demo_palette(), out / "p.json")
sm.batch_sheet(found).save(out / "s.html")
sm.save_results([found], out / "t.csv")
sm.gamut(palette=sm.demo_palette().only("gorse", "jetty")).contains("#d9822b")
print("done")
"""
    )
    done = run(code, cwd=work, HOME=str(home), XDG_CACHE_HOME=str(home / "cache"))
    assert done.returncode == 0, done.stderr
    assert done.stdout.endswith("done\n")
    assert list(home.iterdir()) == list(work.iterdir()) == []
    assert sorted(p.name for p in out.iterdir()) == [
        "a.json",
        "p.json",
        "s.html",
        "t.csv",
    ]
    # The watch itself works.
    bad = run(watched + f"open({str(work / 'x')!r}, 'w')", cwd=work)
    assert "AssertionError" in bad.stderr


@pytest.mark.parametrize("name", ["OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"])
def test_the_library_leaves_thread_counts_alone(name: str) -> None:
    done = run(f"import shadematch, os; print(os.environ.get({name!r}))", **{name: "3"})
    assert done.stdout.strip() == "3"
