"""A catalogue into tables: ``python -m tests.bench.scale [--workers 2] [--targets 1000000]``.

At 250 g and at 1 kg, in one run: the way by objects (a `Target` and a `Match` for each colour, then
the table), and the way by columns, with the table written. Then the columns over worker processes,
which write a folder of parts; the share of the work that this process does itself, and what 16
workers would come to if that share and the work in a worker stayed as measured (simulated: Amdahl's
law). At last so many targets into Parquet, with the memory of this process and of the workers, a
worker killed on the way. ``--dask`` does the same over Dask workers. ``--write`` puts the tables
into ``docs/scale.md``.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import platform
import resource
import signal
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager
from pathlib import Path

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import numpy as np

import shadematch as sm
from shadematch.colour.colorimetry import SRGB_WHITE, srgb_to_xyz, xyz_to_lab
from shadematch.support.arrays import FloatArray

OUT = Path(__file__).parents[2] / "docs" / "scale.md"
BATCHES = (250, 1000)
SIMULATED = 16
ROUNDS = 3


def labs(count: int) -> FloatArray:
    """Random screen colours."""
    colours = np.random.default_rng(1).random((count, 3))
    return xyz_to_lab(srgb_to_xyz(colours), SRGB_WHITE)


def spent() -> float:
    """CPU time of this process and of the workers that have ended [s]."""
    times = os.times()
    return times.user + times.system


def by_objects(given: FloatArray, pour: sm.Pour, path: Path) -> float:
    """CPU seconds with a `Target` and a `Match` for each, then the table."""
    start = spent()
    targets = [sm.Target.from_lab(lab) for lab in given.tolist()]
    sm.save_results(list(sm.match_many(targets, pour=pour)), path, replace=True)
    return spent() - start


def by_columns(given: FloatArray, pour: sm.Pour, path: Path) -> float:
    """CPU seconds by columns."""
    start = spent()
    sm.save_results(sm.match_many(given, pour=pour), path, replace=True)
    return spent() - start


def peak(who: int = resource.RUSAGE_SELF) -> float:
    """Largest memory so far [MB]."""
    return resource.getrusage(who).ru_maxrss / 1e3


@contextmanager
def workers_of(kind: str, count: int) -> Iterator[Executor]:
    """Processes or Dask workers."""
    if kind == "processes":
        with ProcessPoolExecutor(count) as pool:
            yield pool
        return
    import dask
    from distributed import Client, LocalCluster

    # Dask keeps its last 1,000 messages to debug with, each with the targets of a chunk.
    dask.config.set({"distributed.admin.low-level-log-length": 10})
    with (
        LocalCluster(n_workers=count, threads_per_worker=1, dashboard_address=None) as here,
        Client(here) as client,
        client.get_executor() as pool,
    ):
        yield pool


def one_core(count: int, folder: Path) -> tuple[list[str], dict[int, float]]:
    """Rows of both ways, and CPU seconds a target by columns."""
    rows, each = [], {}
    given = labs(count)
    for batch in BATCHES:
        pour = sm.Pour(batch_g=batch)
        by_columns(labs(100_000)[:: 1 if batch > 250 else 100][: 4 * count], pour, folder / "w.csv")
        old = min(by_objects(given, pour, folder / "a.parquet") for _ in range(ROUNDS))
        new = min(by_columns(given, pour, folder / "b.parquet") for _ in range(ROUNDS))
        each[batch] = new / count
        rows.append(f"| {batch:g} g | {count / old:,.0f} | {count / new:,.0f} | {old / new:.1f} |")
        print(rows[-1], file=sys.stderr, flush=True)
    return rows, each


def over_workers(count: int, workers: int, kind: str, folder: Path) -> tuple[str, float]:
    """A row for workers that write parts, and the share that this process did itself."""
    given, pour = labs(count), sm.Pour(batch_g=BATCHES[0])
    with workers_of(kind, workers) as pool:
        sm.save_results(
            sm.match_many(given[: 64 * workers], pour=pour, chunk=32, executor=pool),
            folder / f"warm {kind} {workers}",
        )
        start, own = time.perf_counter(), spent()
        sm.save_results(
            sm.match_many(given, pour=pour, chunk=8192, executor=pool), folder / f"{workers} {kind}"
        )
        wall, own = time.perf_counter() - start, spent() - own
    row = f"| {workers} {kind} | {count / wall:,.0f} | {1e6 * own / count:.2f} us |"
    print(row, file=sys.stderr, flush=True)
    return row, own / count


def digest(folder: Path) -> str:
    """A fingerprint of all parts but for their names."""
    import pyarrow.parquet as pq

    mark = hashlib.sha256()
    for path in sorted(folder.glob("part-*.parquet")):
        for column in pq.read_table(path).columns:
            mark.update(repr(column.to_pylist()).encode())
    return mark.hexdigest()


def many(count: int, workers: int, folder: Path) -> str:
    """So many targets into parts, a worker killed on the way."""
    given, pour = labs(count), sm.Pour(batch_g=BATCHES[0])
    victims: list[int] = []
    readings: list[float] = []

    def watch(done: int) -> None:
        readings.append(peak())
        print(f"\r{done:,} {readings[-1]:.0f} MB", end="", file=sys.stderr)
        if victims and done > count // 3:
            os.kill(victims.pop(), signal.SIGKILL)

    start = time.perf_counter()
    with ProcessPoolExecutor(workers) as pool:
        stream = sm.match_many(given, pour=pour, chunk=8192, executor=pool)
        rows = sm.save_results(stream, folder / "many", progress=watch)
    wall = time.perf_counter() - start
    short = min(count, 50_000)
    with ProcessPoolExecutor(workers) as pool:
        victims.append(pool.submit(os.getpid).result())
        count = short
        stream = sm.match_many(given[:short], pour=pour, chunk=1024, executor=pool)
        sm.save_results(stream, folder / "killed", progress=watch)
    sm.save_results(sm.match_many(given[:short], pour=pour, chunk=1024), folder / "plain")
    same = digest(folder / "killed") == digest(folder / "plain") and not victims
    quarter = readings[len(readings) // 4]
    size = sum(path.stat().st_size for path in (folder / "many").iterdir()) / 1e6
    return (
        f"{rows:,} targets over {workers} worker processes into a folder of {size:.0f} MB: "
        f"{wall:.0f} s, {rows / wall:,.0f} a second. The memory of this process peaked at "
        f"{peak():.0f} MB, of which {quarter:.0f} MB were reached after a quarter of the run (the "
        f"targets alone are {given.nbytes / 1e6:.0f} MB); that of the largest worker at "
        f"{peak(resource.RUSAGE_CHILDREN):.0f} MB. With a worker killed on the way, {short:,} "
        f"targets gave {'the same table, bit for bit' if same else 'ANOTHER TABLE'}."
    )


def main() -> int:
    """Measure, compare and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--targets", type=int, default=1_000_000)
    parser.add_argument("--compare", type=int, default=8192)
    parser.add_argument("--workers", type=int, nargs="+", default=[1, 2])
    parser.add_argument("--dask", action="store_true")
    parser.add_argument("--write", action="store_true")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        last = many(asked.targets, max(asked.workers), folder)  # first: memory only grows
        alone, each = one_core(asked.compare, folder)
        kinds = ["processes", *(["Dask workers"] if asked.dask else [])]
        runs = [
            over_workers(8 * asked.compare, workers, kind, folder)
            for kind in kinds
            for workers in asked.workers
        ]
        marks = {
            digest(path) for path in folder.iterdir() if path.name.startswith(tuple("0123456789"))
        }
        own, work = runs[len(asked.workers) - 1][1], each[BATCHES[0]]
        simulated = 1.0 / (own + work / SIMULATED)
    same = len(marks) == 1 and "ANOTHER" not in last
    lines = [
        "# Scale-out",
        "",
        "This page measures how fast a large catalogue becomes a table, alone and over workers. It "
        "is written by `python -m tests.bench.scale --write`. "
        f"Python {platform.python_version()}, {os.cpu_count()} cores, {platform.machine()}. The "
        f"demo palette, {asked.compare:,} random screen colours.",
        "",
        "Targets per second of one core, including writing the Parquet file: by objects (a "
        "`Target` and a `Match` for each colour) and by columns.",
        "",
        "| batch | by objects | by columns | ratio |",
        "| --- | --- | --- | --- |",
        *alone,
        "",
        f"Workers that write parts, {BATCHES[0]:g} g: targets per second, and the time that this "
        "process itself spends on each.",
        "",
        "| workers | targets a second | this process |",
        "| --- | --- | --- |",
        *(row for row, _ in runs),
        "",
        f"All ways gave {'the same tables, bit for bit' if same else 'DIFFERENT TABLES'}. This "
        f"process does {own / (own + work):.2%} of the work. Simulated, not measured: with that "
        f"share and the measured work of a worker, {SIMULATED} workers on as many cores would "
        f"match {simulated:,.0f} targets a second.",
        "",
        last,
    ]
    text = "\n".join(lines) + "\n"
    print(text)
    if asked.write:
        OUT.write_text(text, encoding="utf-8")
    return 0 if same else 1


if __name__ == "__main__":
    sys.exit(main())
