"""What starting costs: ``python -m tests.bench.start [--runs 9]``.

CPU time (user and system) of fresh processes, in turns, so that what else the machine does falls
on all of them alike. Prints medians, and medians of the ratios of each turn. The goals: ``import
shadematch`` at most 1.5 times ``import scipy.optimize``; a match from the command line at most
``import colour``. Since a public name's room is imported when the name is first asked for, the
first import alone tells little: what the first call needs, and all rooms together, stand beside it.
"""

from __future__ import annotations

import argparse
import os
import platform
import resource
import statistics
import subprocess
import sys
from pathlib import Path

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(name, "1")

ROOT = Path(__file__).parents[2]
MATCH = "shadematch as sm; sm.match('#d9822b', pour=sm.Pour(batch_g=1000, thickness_cm=2))"
COMMANDS: dict[str, list[str]] = {
    "nothing": ["-c", ""],
    "import numpy": ["-c", "import numpy"],
    "import scipy.optimize": ["-c", "import scipy.optimize"],
    "import colour": ["-c", "import colour"],
    "import shadematch": ["-c", "import shadematch"],
    "import shadematch, first match": ["-c", f"import {MATCH}"],
    "import shadematch, every public name": ["-c", "from shadematch import *"],
    "shadematch match #d9822b": [
        *("-m", "shadematch", "match", "#d9822b", "--batch", "1000", "--thickness", "2"),
    ],
}
GOALS = (
    ("import shadematch", "import scipy.optimize", 1.5),
    ("shadematch match #d9822b", "import colour", 1.0),
)
ALSO = (
    ("import shadematch, first match", "import scipy.optimize"),
    ("import shadematch, every public name", "import scipy.optimize"),
    ("import shadematch, first match", "import colour"),
)


def cpu_s(arguments: list[str]) -> float:
    """CPU seconds of one fresh process."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(
        [sys.executable, "-W", "ignore", *arguments],
        check=True,
        stdout=subprocess.DEVNULL,
        cwd=ROOT,
    )
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=9)
    runs = parser.parse_args().runs
    for arguments in COMMANDS.values():
        cpu_s(arguments)  # byte code is written, files are in memory
    seen: dict[str, list[float]] = {name: [] for name in COMMANDS}
    for _ in range(runs):
        for name, arguments in COMMANDS.items():
            seen[name].append(cpu_s(arguments))
    print(f"Python {platform.python_version()}, {platform.machine()}, {runs} turns\n")
    for name, values in seen.items():
        print(f"{name:40} {statistics.median(values):6.3f} s of CPU")
    print()
    met = True
    for name, other, *goal in (*GOALS, *ALSO):
        ratio = statistics.median(a / b for a, b in zip(seen[name], seen[other], strict=True))
        told = ""
        if goal:
            met &= ratio <= goal[0]
            told = f"  (goal: at most {goal[0]})"
        print(f"{name} / {other}: {ratio:.2f}{told}")
    return 0 if met else 1


if __name__ == "__main__":
    sys.exit(main())
