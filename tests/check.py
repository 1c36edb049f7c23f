"""One command that runs every check: ``python -m tests.check``."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parent.parent
STEPS = (
    ("lint", ["ruff", "check", "."]),
    ("format", ["ruff", "format", "--check", "."]),
    ("types", ["mypy"]),
    ("tests", ["pytest", "-n", "2", "--dist", "worksteal", "-rs"]),
)


def main() -> int:
    failed = []
    for name, command in STEPS:
        print(f"== {name}: {' '.join(command)}", flush=True)
        if subprocess.run([sys.executable, "-m", *command], cwd=ROOT, check=False).returncode:
            failed.append(name)
    print(f"failed: {', '.join(failed)}" if failed else "every check passed", flush=True)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
