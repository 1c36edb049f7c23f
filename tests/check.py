"""One command that runs every check: ``python -m tests.check``.

With ``--coverage`` the tests are run with every line and branch counted, which takes twice as
long, and the check fails where fewer than 95 % of those of `shadematch/` were reached.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parent.parent
COVERED = ("--cov", "--cov-report=term", "--cov-fail-under=95")
STEPS = (
    ("lint", ["ruff", "check", "."]),
    ("format", ["ruff", "format", "--check", "."]),
    ("types", ["mypy"]),
    ("tests", ["pytest", "-n", "2", "--dist", "worksteal", "-rs"]),
)


def main() -> int:
    failed = []
    for name, step in STEPS:
        counted = name == "tests" and "--coverage" in sys.argv[1:]
        command = [*step, *COVERED] if counted else step
        print(f"== {name}: {' '.join(command)}", flush=True)
        if subprocess.run([sys.executable, "-m", *command], cwd=ROOT, check=False).returncode:
            failed.append(name)
    print(f"failed: {', '.join(failed)}" if failed else "every check passed", flush=True)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
