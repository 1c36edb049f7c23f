"""What a stranger gets: ``python -m tests.install``.

Builds the sdist and, from it, the wheel; looks at size and content; installs the wheel into an
empty environment away from the project; and does there what the README promises of the main job.
Needs the package registry for the library's own dependencies.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tarfile
import tempfile
import time
import zipfile
from pathlib import Path

ROOT = Path(__file__).parent.parent
LARGEST_WHEEL = 3_000_000
INSIDE = """
import sys, pathlib
import shadematch as sm
assert pathlib.Path(sm.__file__).is_relative_to(sys.prefix), sm.__file__
assert sm.__version__ == {version!r}
match = sm.match("#d9822b", pour=sm.Pour(batch_g=1000, thickness_cm=2.0))
assert match.proved and match.delta_e >= match.bound
print(match)
sm.save(match, "order.json")
assert sm.load("order.json").match == match
orders = sm.read_orders("data/order-book.csv")
plan = sm.plan(orders, sm.read_stock("data/shelf.csv"))
assert plan.poured
assert len(sm.read_test_pours("data/test-pours.csv")) > 5
try:
    sm.results_frame([match])
except sm.MissingExtraError as found:
    assert ".[tables]" in str(found)
else:
    raise AssertionError("pandas came with the library")
try:
    sm.read_photo("data/photos/window.jpg", region=(0.7, 0.15, 0.95, 0.6))
except sm.MissingExtraError as found:
    assert ".[photos]" in str(found)
else:
    raise AssertionError("pillow came with the library")
"""


def run(*words: str | Path, cwd: Path) -> str:
    """What a command prints; its failure is ours."""
    clean = {k: v for k, v in os.environ.items() if not k.startswith(("PYTHON", "VIRTUAL_ENV"))}
    done = subprocess.run(
        [str(word) for word in words],
        cwd=cwd,
        env=clean,
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        raise SystemExit(f"{' '.join(map(str, words))}\n{done.stdout}\n{done.stderr}")
    return done.stdout


def built(folder: Path) -> Path:
    """The wheel, made from the sdist, with nothing in it that is not ours."""
    run(sys.executable, "-m", "build", "--no-isolation", "--outdir", folder, ROOT, cwd=folder)
    (wheel,), (sdist,) = folder.glob("*.whl"), folder.glob("*.tar.gz")
    size = wheel.stat().st_size
    print(f"{wheel.name}: {size:,} bytes; {sdist.name}: {sdist.stat().st_size:,} bytes")
    if size >= LARGEST_WHEEL:
        raise SystemExit(f"the wheel must stay below {LARGEST_WHEEL:,} bytes")
    names = set(zipfile.ZipFile(wheel).namelist())
    info = f"{wheel.name.rsplit('-', 3)[0]}.dist-info/"
    strange = [n for n in names if not n.startswith(("shadematch/", info))]
    ours = {p.relative_to(ROOT).as_posix() for p in (ROOT / "shadematch").rglob("*.py*")}
    missing = {n for n in ours if "__pycache__" not in n} - names
    missing |= {"shadematch/py.typed", f"{info}licenses/LICENSE"} - names
    if strange or missing:
        raise SystemExit(f"in the wheel: strange {strange}, missing {sorted(missing)}")
    with tarfile.open(sdist) as archive:
        tops = {n.split("/")[1] for n in archive.getnames() if n.count("/")}
    wanted = {"README.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml"}
    wanted |= {"shadematch", "tests", "docs", "data", "notebooks"}
    if not wanted <= tops:
        raise SystemExit(f"the sdist lacks {sorted(wanted - tops)}")
    return wheel


def main() -> int:
    """Build, install, use."""
    start = time.perf_counter()
    sys.path.insert(0, str(ROOT))
    from shadematch._version import __version__

    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        wheel = built(folder)
        away = folder / "away"
        away.mkdir()
        run(sys.executable, "-m", "venv", folder / "venv", cwd=away)
        bin_ = folder / "venv" / ("Scripts" if os.name == "nt" else "bin")
        run(
            bin_ / "pip",
            "install",
            "--quiet",
            "--no-compile",
            "--disable-pip-version-check",
            wheel,
            cwd=away,
        )
        words = ("match", "#d9822b", "--batch", "1000", "--thickness", "2")
        told = run(bin_ / "shadematch", *words, cwd=away)
        if "nothing permitted comes closer" not in told or "Hot base burns" not in told:
            raise SystemExit(told)
        entries = json.loads(run(bin_ / "shadematch", *words, "--json", cwd=away))
        run(bin_ / "shadematch", "samples", cwd=away)
        inside = INSIDE.format(version=__version__)
        again = run(bin_ / "python", "-W", "error", "-c", inside, cwd=away)
        if entries["proved"] is not True or f"{entries['delta_e']:.2f}" not in again:
            raise SystemExit(again)
        left = sorted(p.name for p in away.iterdir())
        if left != ["data", "order.json"]:
            raise SystemExit(f"written without being asked: {left}")
    print(f"installed and used from the wheel alone, {time.perf_counter() - start:.0f} s")
    return 0


if __name__ == "__main__":
    sys.exit(main())
