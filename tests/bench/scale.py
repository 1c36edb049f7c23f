"""A million targets over worker processes: ``python -m tests.bench.scale [--targets 1000000]``.

Prints throughput against workers, with processes and with Dask, checks that every way gives the
same answers bit for bit, kills a Dask worker in mid-run, and writes a million results to Parquet
while it watches the memory of this process and of the workers. ``--write`` puts the table into
``docs/scale.md``.
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
from pathlib import Path

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import numpy as np

import shadematch as sm

OUT = Path(__file__).parents[2] / "docs" / "scale.md"
POUR = sm.Pour(batch_g=250)


def targets(count: int) -> Iterator[sm.Target]:
    """Random screen colours, one at a time."""
    rng = np.random.default_rng(1)
    for _ in range(count):
        yield sm.Target.from_srgb(rng.random(3).tolist())


def digest(count: int, executor: Executor | None, victim: list[int] | None = None) -> str:
    """A fingerprint of all answers, to the last bit; kills a process on the way if asked."""
    mark = hashlib.sha256()
    for i, m in enumerate(sm.match_many(targets(count), pour=POUR, executor=executor)):
        mark.update(repr((sorted(m.recipe.doses.items()), m.delta_e.hex())).encode())
        if victim and i == count // 3:
            os.kill(victim.pop(), signal.SIGKILL)
    return mark.hexdigest()


def peak() -> float:
    """Largest memory of this process so far [MB]."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3


def main() -> int:
    """Measure, compare and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--targets", type=int, default=1_000_000)
    parser.add_argument("--compare", type=int, default=20_000)
    parser.add_argument("--write", action="store_true")
    asked = parser.parse_args()
    import dask
    from distributed import Client, LocalCluster

    # Dask keeps its last 1,000 messages to debug with, each with the targets of a chunk.
    dask.config.set({"distributed.admin.low-level-log-length": 10})
    rows, marks = [], set()

    def run(name: str, executor: Executor | None, victim: list[int] | None = None) -> None:
        digest(100, executor)  # workers start, the list of recipes is made
        start = time.perf_counter()
        marks.add(digest(asked.compare, executor, victim))
        rows.append((name, asked.compare / (time.perf_counter() - start)))
        print(f"{name}: {rows[-1][1]:,.0f} a second", file=sys.stderr, flush=True)

    run("none (this process)", None)
    for workers in (1, 2):
        with ProcessPoolExecutor(workers) as pool:
            run(f"{workers} processes", pool)
    for workers in (1, 2):
        with (
            LocalCluster(n_workers=workers, threads_per_worker=1, dashboard_address=None) as here,
            Client(here) as client,
            client.get_executor() as pool,
        ):
            run(f"Dask, {workers} workers", pool)
            if workers == 2:
                victim = [next(iter(here.workers.values())).process.pid]
                run("Dask, 2 workers, one killed on the way", pool, victim)
                before = peak()
                start = time.perf_counter()
                with tempfile.TemporaryDirectory() as folder:
                    path = Path(folder) / "results.parquet"
                    stream = sm.match_many(targets(asked.targets), pour=POUR, executor=pool)

                    def tell(done: int) -> None:
                        print(f"\r{done:,} {peak():.0f} MB", end="", file=sys.stderr)

                    count = sm.save_results(stream, path, progress=tell)
                    size = path.stat().st_size / 1e6
                spent = time.perf_counter() - start
                memory = max(
                    info["metrics"]["memory"] / 1e6
                    for info in client.scheduler_info()["workers"].values()
                )
    same = len(marks) == 1
    lines = [
        "# Scale-out",
        "",
        "Written by `python -m tests.bench.scale --write`. "
        f"Python {platform.python_version()}, {os.cpu_count()} cores, {platform.machine()}. "
        f"Batches of {POUR.batch_g:g} g of the demo palette, {asked.compare:,} targets each.",
        "",
        "| executor | targets a second |",
        "| --- | --- |",
        *(f"| {name} | {rate:,.0f} |" for name, rate in rows),
        "",
        f"All ways gave {'the same answers, bit for bit' if same else 'DIFFERENT ANSWERS'}.",
        "",
        f"{count:,} targets over two Dask workers into a Parquet file of {size:.0f} MB: "
        f"{spent:.0f} s, {count / spent:,.0f} a second with the table. Memory of this process "
        f"grew from {before:.0f} to {peak():.0f} MB at its peak; the larger worker held "
        f"{memory:.0f} MB at the end.",
    ]
    text = "\n".join(lines) + "\n"
    print(text)
    if asked.write:
        OUT.write_text(text, encoding="utf-8")
    return 0 if same and count == asked.targets else 1


if __name__ == "__main__":
    sys.exit(main())
