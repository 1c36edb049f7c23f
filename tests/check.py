"""One command that runs every check: ``python -m tests.check``.

With ``--coverage`` the tests are run with every line and branch counted, which takes twice as
long, and the check fails where fewer than 97 % of those of `shadematch/` were reached.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).parent.parent
COVERED = ("--cov", "--cov-report=term", "--cov-fail-under=97")
STEPS = (
    ("lint", ["ruff", "check", "."]),
    ("format", ["ruff", "format", "--check", "."]),
    ("types", ["mypy"]),
    # Warnings are errors, and so are links between pages that lead nowhere. The notebooks are
    # shown as they are stored: the tests run every one of them and compare, so that running them
    # here would be the same work twice. Without -D the build runs them.
    (
        "docs",
        ["sphinx", "-W", "-q", "-b", "html", "-D", "nb_execution_mode=off", "docs", "build/docs"],
    ),
    # Only pages whose source is new; by hand, all of them: python -m tests.pages build/docs
    ("pages", ["tests.pages", "build/docs", "--changed", "HEAD^"]),
    ("tests", ["pytest", "-n", "2", "--dist", "worksteal", "-rs"]),
)
# Waits for the registry and the disk most of the time, so it runs beside the others.
BESIDE = ("install", ["tests.install"])


def main() -> int:
    """Run every step; the exit status says whether all passed."""
    failed = []
    with tempfile.TemporaryFile("w+") as told:
        name, command = BESIDE
        beside = subprocess.Popen(
            [sys.executable, "-m", *command], cwd=ROOT, stdout=told, stderr=subprocess.STDOUT
        )
        for step, usual in STEPS:
            counted = step == "tests" and "--coverage" in sys.argv[1:]
            words = [*usual, *COVERED] if counted else usual
            print(f"== {step}: {' '.join(words)}", flush=True)
            start = time.perf_counter()
            if subprocess.run([sys.executable, "-m", *words], cwd=ROOT, check=False).returncode:
                failed.append(step)
            print(f"   {time.perf_counter() - start:.0f} s", flush=True)
        print(f"== {name}: {' '.join(command)}", flush=True)
        if beside.wait():
            failed.append(name)
        told.seek(0)
        print(told.read().rstrip(), flush=True)
    print(f"failed: {', '.join(failed)}" if failed else "every check passed", flush=True)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
