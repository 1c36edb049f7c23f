"""The tests with the oldest versions allowed: ``python -m tests.bench.minimum [-- PYTEST WORDS]``.

Makes an environment in a temporary folder in which every library that `pyproject.toml` names for
the package and its extras has exactly its lower bound (uv resolves them: ``pip install uv``), and
runs pytest there, from the project's folder. Tools that only the tests need are as new as these
allow, so old libraries meet new ones below them and warn: here warnings are no errors. Without
words for pytest all tests but those marked slow are run. Then the versions of `BETWEEN`, which
have failings of their own, take the place of the oldest, one after the other, for the tests of the
searches alone.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).parents[2]
EXTRAS = ("photos", "chart", "plots", "tables", "distribution")
TOOLS = (
    "pytest",
    "pytest-xdist",
    "hypothesis",
    "iadpython",
    "PythonicDISORT",
    "nbformat",
    "nbclient",
    "nbconvert",
    "ipykernel",
    "pypdfium2",
    "build",
    "hatchling",
    "plotly",
    "ruff",
)

BETWEEN = ("scipy==1.13.1", "scipy==1.14.1")
"""Versions whose `nnls` gives up on problems that have a solution."""
SEARCHES = ["-m", "not slow", "tests/search", "tests/matching"]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--python", default=f"{sys.version_info[0]}.{sys.version_info[1]}")
    own, words = sys.argv[1:], ["-m", "not slow"]
    if "--" in own:
        own, words = own[: own.index("--")], own[own.index("--") + 1 :]
    args = parser.parse_args(own)
    uv = [sys.executable, "-m", "uv"]
    with tempfile.TemporaryDirectory() as folder:
        bounds, home = Path(folder) / "lowest.txt", Path(folder) / "venv"
        compiled = [*uv, "pip", "compile", "-q", "--resolution", "lowest-direct", "--no-header"]
        compiled += ["--python-version", args.python, "--no-annotate", "-o", str(bounds)]
        extras = [word for extra in EXTRAS for word in ("--extra", extra)]
        subprocess.run([*compiled, "pyproject.toml", *extras], cwd=ROOT, check=True)
        print(bounds.read_text(encoding="utf-8"), flush=True)
        subprocess.run([*uv, "venv", "-q", "--python", args.python, str(home)], check=True)
        python = home / "bin" / "python"
        install = [*uv, "pip", "install", "-q", "--python", str(python)]
        subprocess.run([*install, "-r", str(bounds), "-c", str(bounds), *TOOLS], check=True)
        failed = tried(python, words)
        for version in BETWEEN:
            print(version, flush=True)
            subprocess.run([*install, version], check=True)
            failed = tried(python, SEARCHES) or failed
        return failed


def tried(python: Path, words: list[str]) -> int:
    """Exit code of pytest in an environment."""
    return subprocess.run(
        [str(python), "-m", "pytest", "-p", "no:cacheprovider", "-W", "default", *words],
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        check=False,
    ).returncode


if __name__ == "__main__":
    sys.exit(main())
