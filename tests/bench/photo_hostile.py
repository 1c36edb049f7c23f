"""Photo files of every bad kind: ``python -m tests.bench.photo_hostile [files] [first]``.

See `tests.invented.hostile_photos`; 2,000 files by default. Told are files that end in anything
but a colour or a clear error, take more than 10 s of processor time, or more than 900 MB in all
(the process is kept from taking more, so that more is a failure).
"""

from __future__ import annotations

import os
import resource
import sys
import tempfile
import time
from multiprocessing import get_context
from pathlib import Path

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(name, "1")

from tests.invented import hostile_photos

MEMORY = 900_000_000
SECONDS = 10.0
CHUNK = 100


def work(first: int, last: int) -> tuple[int, float, int, list[str]]:
    """How many were accepted, the longest time [s], the largest memory [bytes], what was wrong."""
    accepted, slowest, wrong = 0, 0.0, []
    with tempfile.TemporaryDirectory() as folder:
        hostile_photos.trial(0, Path(folder))  # libraries are loaded
        for seed in range(first, last):
            hostile_photos.spoilt(seed)
            resident = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
            mapped = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0])
            free = MEMORY - resident * resource.getpagesize()
            most = mapped * resource.getpagesize() + free
            resource.setrlimit(resource.RLIMIT_AS, (most, resource.RLIM_INFINITY))
            started = time.process_time()
            found, good = hostile_photos.trial(seed, Path(folder))
            taken = time.process_time() - started
            resource.setrlimit(resource.RLIMIT_AS, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
            slowest, accepted = max(slowest, taken), accepted + good
            if taken > SECONDS:
                found = f"{found} takes {taken:.1f} s"
            if found:
                wrong.append(f"{seed}: {found}")
    return accepted, slowest, 1024 * resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, wrong


def main() -> int:
    files = int(sys.argv[1]) if len(sys.argv) > 1 else 2_000
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    starts = range(first, first + files, CHUNK)
    with get_context("spawn").Pool(1, maxtasksperchild=1) as pool:
        pieces = pool.starmap(
            work, [(s, min(s + CHUNK, first + files)) for s in starts], chunksize=1
        )
    wrong = [text for piece in pieces for text in piece[3]]
    slowest, largest = max(p[1] for p in pieces), max(p[2] for p in pieces) / 1e6
    print(
        f"{files} files: {sum(p[0] for p in pieces)} accepted, {len(wrong)} wrong; the slowest "
        f"took {slowest:.1f} s of processor time, the largest {largest:.0f} MB"
    )
    for text in wrong[:40]:
        print("   ", text)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
