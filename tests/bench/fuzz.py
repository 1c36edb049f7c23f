"""Spoil files of every kind: ``python -m tests.bench.fuzz [--files 10000] [--jobs 2]``.

Each kind gets that many files (see `tests.whole.fuzz`). Told are files that end in anything but a
clear error or a right answer, take more than 2 s of processor time, or more than 500 MB of memory
on top of what the program itself takes (set as a limit on the process, so that more is a failure).
"""

from __future__ import annotations

import argparse
import os
import resource
import sys
import tempfile
import time
from multiprocessing import get_context
from pathlib import Path

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(name, "1")

from tests.whole import fuzz, fuzz_calls

MEMORY = 500_000_000
SECONDS = 2.0
CHUNK = 250


def _limit() -> None:
    """At most so much more memory from here on."""
    with Path("/proc/self/statm").open(encoding="ascii") as stream:
        now = int(stream.read().split()[0]) * resource.getpagesize()
    resource.setrlimit(resource.RLIMIT_AS, (now + MEMORY, resource.RLIM_INFINITY))


def work(kind: str, first: int, last: int) -> tuple[int, int, float, list[str]]:
    """Files, how many were accepted, the longest time [s], and what was wrong."""
    fuzz.seed_of(kind)
    fuzz_calls.palette()
    with tempfile.TemporaryDirectory() as folder:
        fuzz.trial(kind, 1, Path(folder))  # tables and fonts are loaded
        _limit()
        slowest, wrong = 0.0, []
        for seed in range(first, last):
            started = time.process_time()
            try:
                found = fuzz.trial(kind, seed, Path(folder))
            except MemoryError:
                found = "more than 500 MB"
            taken = time.process_time() - started
            slowest = max(slowest, taken)
            if taken > SECONDS:
                found = f"{found} takes {taken:.1f} s"
            if found:
                wrong.append(f"{kind} {seed}: {found}")
    return last - first, 0, slowest, wrong


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--files", type=int, default=10_000)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--kind", choices=fuzz.READERS)
    args = parser.parse_args()
    everything: list[str] = []
    for kind in [args.kind] if args.kind else fuzz.READERS:
        starts = range(0, args.files, CHUNK)
        started = time.monotonic()
        # Not ProcessPoolExecutor: with Python 3.11.7 it hung where its workers were replaced.
        with get_context("spawn").Pool(args.jobs, maxtasksperchild=10) as pool:
            pieces = pool.starmap(
                work, [(kind, s, min(s + CHUNK, args.files)) for s in starts], chunksize=1
            )
        wrong = [text for piece in pieces for text in piece[3]]
        everything += wrong
        print(
            f"{kind}: {sum(p[0] for p in pieces)} files, {len(wrong)} wrong, the slowest took "
            f"{max(p[2] for p in pieces):.2f} s; {time.monotonic() - started:.0f} s in all",
            flush=True,
        )
        for text in wrong[:20]:
            print("   ", text, flush=True)
    return 1 if everything else 0


if __name__ == "__main__":
    sys.exit(main())
