"""What a stranger gets: ``python -m tests.install``.

Builds the sdist and, from it, the wheel; looks at size and content; installs the wheel into an
empty environment away from the project; and does there what the README promises of the main job.
Needs the package registry for the library's own dependencies.

``--all`` does the same for every extra, each in an empty environment with what it is for (`USES`);
``--turn`` for the pages and one other extra, another each day; ``--extra NAME`` for those named.
"""

from __future__ import annotations

import argparse
import datetime
import json
import os
import shutil
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
assert sm.read("order.json").match == match
orders = sm.read_orders("data/order-book.csv")
plan = sm.plan(orders, sm.read_stock("data/shelf.csv"))
assert plan.poured
assert len(sm.read_test_pours("data/test-pours.csv")) > 5
try:
    from shadematch.keeping.results import results_frame

    results_frame([match])
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


PHOTO = """
import shadematch as sm
read = sm.read_photo(
    "data/photos/window.jpg", region=(0.70, 0.15, 0.95, 0.60), neutral=(0.08, 0.78, 0.55, 0.95)
)
assert 0 < read.target.lab[0] < 100
"""
CHART = """
import shadematch as sm
assert len(sm.find_chart("data/photos/lamp.jpg").corners) == 4
"""
PLOTS = """
import matplotlib
matplotlib.use("Agg")
import shadematch as sm
from shadematch import plots
plots.draw_match(sm.match("#d9822b")).figure.savefig("match.png")
plots.draw_slice(sm.gamut().slice(lightness=60)).figure.savefig("gamut.png")
"""
TABLES = """
import pandas
import shadematch as sm
from shadematch.keeping.results import results_frame
frame = results_frame([sm.match("#d9822b")])
frame.to_parquet("results.parquet")
assert len(pandas.read_parquet("results.parquet")) == 1
"""
DASK = """
import shadematch as sm
from dask.distributed import Client
if __name__ == "__main__":
    codes = ["#d9822b", "#70a040"]
    with Client(n_workers=1, threads_per_worker=1, dashboard_address=None) as client:
        with client.get_executor() as pool:
            far = [m.delta_e for m in sm.match_many(codes, executor=pool)]
    assert far == [m.delta_e for m in map(sm.match, codes)]
"""
NOTEBOOKS = """
import pathlib, subprocess, sys
for path in sorted(pathlib.Path("notebooks").glob("*.ipynb")):
    words = ("jupyter", "nbconvert", "--to", "notebook", "--execute", "--inplace", str(path))
    subprocess.run([sys.executable, "-m", *words], check=True)
"""
PAGES = """
import subprocess, sys
words = ("sphinx", "-W", "-q", "-b", "html", "docs", "build/docs")
subprocess.run([sys.executable, "-m", *words], check=True)
"""
USES = {
    "photos": (PHOTO,),
    "chart": (CHART,),
    "plots": (PLOTS,),
    "notebooks": (NOTEBOOKS,),
    "tables": (TABLES,),
    "distribution": (DASK,),
    "all": (PHOTO, CHART, PLOTS, TABLES, DASK, NOTEBOOKS),
    "docs": (PAGES,),
}
"""What each extra is for, done in a copy of the project; `dev` is what all other checks run in."""
COPIED = ("shadematch", "docs", "notebooks", "data", "README.md", "LICENSE", "pyproject.toml")


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


def environment(folder: Path, *wanted: str | Path, cwd: Path) -> Path:
    """The programs of an empty environment in which something was installed."""
    run(sys.executable, "-m", "venv", folder, cwd=cwd)
    bin_ = folder / ("Scripts" if os.name == "nt" else "bin")
    quiet = ("--quiet", "--no-compile", "--disable-pip-version-check")
    run(bin_ / "pip", "install", *quiet, *wanted, cwd=cwd)
    return bin_


def try_extra(name: str) -> None:
    """Install one extra as the README says, in a copy of the project, and use it there."""
    start = time.perf_counter()
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        tree = folder / "project"
        tree.mkdir()
        for part in COPIED:
            if (ROOT / part).is_dir():
                leave = shutil.ignore_patterns("__pycache__", "build", "guides")
                shutil.copytree(ROOT / part, tree / part, ignore=leave)
            else:
                shutil.copy(ROOT / part, tree)
        bin_ = environment(folder / "venv", "-e", f".[{name}]", cwd=tree)
        for code in USES[name]:
            (tree / "used.py").write_text(code, encoding="utf-8")
            run(bin_ / "python", "used.py", cwd=tree)
    print(f"{name}: installed and used, {time.perf_counter() - start:.0f} s", flush=True)


def extras_asked() -> list[str]:
    """Which extras to try."""
    parser = argparse.ArgumentParser(description="What a stranger gets.")
    parser.add_argument("--all", action="store_true", help="every extra")
    parser.add_argument("--turn", action="store_true", help="the pages, and another extra each day")
    parser.add_argument("--extra", nargs="+", choices=USES, default=[])
    args = parser.parse_args()
    if args.all:
        return list(USES)
    if args.turn:
        others = [name for name in USES if name != "docs"]
        return ["docs", others[datetime.date.today().toordinal() % len(others)]]
    return list(args.extra)


def main() -> int:
    """Build, install, use."""
    if extras := extras_asked():
        for name in extras:
            try_extra(name)
        return 0
    start = time.perf_counter()
    sys.path.insert(0, str(ROOT))
    from shadematch._version import __version__

    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        wheel = built(folder)
        away = folder / "away"
        away.mkdir()
        bin_ = environment(folder / "venv", wheel, cwd=away)
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
