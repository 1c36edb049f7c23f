"""Speed, as ratios measured in one run: ``python -m tests.bench.speed``.

Writes ``docs/benchmarks.md``. Everything runs on one core with the same forward model. Times
are process times; the median over the targets counts. ``--quick`` takes fewer targets and
writes nothing.
"""

from __future__ import annotations

import argparse
import os
import platform
import resource
import statistics
import sys
import time
from collections.abc import Callable
from pathlib import Path

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import numpy as np
import scipy
from scipy.optimize import differential_evolution

import shadematch as sm
from shadematch.colour.difference import delta_e
from shadematch.predicting.prediction import model_for
from shadematch.search.searcher import Searcher
from shadematch.search.space import Space, whole_space
from shadematch.search.whole import Solution
from tests.invented.problems import invented_palette

OUT = Path(__file__).parents[2] / "docs" / "benchmarks.md"


def searcher_for(batch_g: float, palette: sm.Palette) -> Searcher:
    """The permitted region of a batch in clear base at 1 cm."""
    pour = sm.Pour(batch_g=batch_g)
    model = model_for(palette, pour.thickness_cm, pour.white, sm.View())
    whole = whole_space(model, load_per_step=pour.load_per_step, max_steps=pour.max_steps)
    return Searcher(whole)


def targets_for(space: Space, count: int, seed: int) -> list[np.ndarray]:
    """Half random sRGB colours, half colours near what some recipe gives."""
    rng = np.random.default_rng(seed)
    result = []
    for i in range(count):
        if i % 2:
            result.append(np.array(sm.Target.from_srgb(rng.random(3).tolist()).lab))
        else:
            shares = rng.dirichlet(np.full(space.size + 1, 0.7))[: space.size]
            result.append(space.lab(shares * space.limits.total) + rng.normal(0, 0.1, 3))
    return result


def timed(work: Callable[[], object]) -> tuple[float, object]:
    """Process time [s] of a call, and what it gave."""
    start = time.process_time()
    result = work()
    return time.process_time() - start, result


def proved(searcher: Searcher, target: np.ndarray) -> Solution:
    """The closest whole recipe of a target, from nothing but the target."""
    return searcher.closest(target)


def evolve(space: Space, target: np.ndarray) -> float:
    """What a general solver reaches with its default effort."""

    def cost(x: np.ndarray) -> np.ndarray:
        steps = x.T
        over = np.maximum(steps.sum(axis=1) - space.limits.total, 0.0)
        return np.where(over > 0, 200.0 + over, delta_e(space.lab(steps), target))

    return float(
        differential_evolution(
            cost,
            [(0, space.limits.total)] * space.size,
            integrality=np.ones(space.size, dtype=bool),
            vectorized=True,
            updating="deferred",
            polish=False,
            seed=1,
        ).fun
    )


def enumerate_all(space: Space, target: np.ndarray) -> float:
    """The smallest CIEDE2000 by plain enumeration."""
    steps = space.limits.recipes()
    parts = [
        delta_e(space.lab(steps[i : i + 65_536].astype(float)), target).min()
        for i in range(0, len(steps), 65_536)
    ]
    return float(min(parts))


def growth(count: int) -> list[str]:
    """How the cost of one search from scratch grows with pastes and batch."""
    lines = [
        "",
        "## Growth",
        "",
        "A search from scratch with random invented pastes: median and largest time, and how many "
        f"of {count} targets were proved.",
        "",
        "| pastes | 0.1 kg | 1 kg | 5 kg | 20 kg |",
        "| --- | --- | --- | --- | --- |",
    ]
    for pastes in range(1, 9):
        cells = []
        for batch in (100, 1000, 5000, 20_000):
            palette = invented_palette(np.random.default_rng(pastes), pastes)
            spent, done = [], 0
            for target in targets_for(searcher_for(batch, palette).space, count, seed=pastes):
                time_, found = timed(lambda t=target: proved(searcher_for(batch, palette), t))
                spent.append(1e3 * time_)
                done += found.proved
            cells.append(f"{statistics.median(spent):.0f}, {max(spent):.0f} ms; {done}")
        lines.append(f"| {pastes} | " + " | ".join(cells) + " |")
        print(lines[-1], file=sys.stderr, flush=True)
    return lines


def main() -> int:
    """Measure, print and write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    quick = parser.parse_args().quick
    palette = sm.demo_palette()
    lines = [
        "# Benchmarks",
        "",
        "Written by `python -m tests.bench.speed`; ratios in one run on one core.",
        f"Python {platform.python_version()}, NumPy {np.__version__}, SciPy {scipy.__version__}, "
        f"{platform.machine()}. The demo palette in clear base at 1 cm.",
        "",
        "## One target",
        "",
        "Closest recipe with its proof, against SciPy's differential evolution with integrality "
        "(no proof) and against plain enumeration. Medians. *First* is a search from scratch. "
        "Up to three million recipes the library lists them all once its searches have cost as "
        "much as that (`list`, once), and looks *later* answers up.",
        "",
        "| batch | recipes | first | list | later | frugal as well | differential evolution "
        "| ratio to first, later | beaten by it | enumeration | ratio to first, later |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    failures = 0
    for batch, count in ((100, 40), (1000, 40), (10_000, 40)):
        searcher = searcher_for(batch, palette)
        space = searcher.space
        targets = targets_for(space, (8 if quick else count) + 5, seed=batch)
        keep, _ = timed(searcher.all_recipes)
        rows = []
        for i, target in enumerate(targets[5:]):
            fresh = searcher_for(batch, palette)
            first, _ = timed(lambda t=target, s=fresh: proved(s, t))
            ours, found = timed(lambda t=target: proved(searcher, t))
            lean, _ = timed(lambda t=target, f=found: searcher.frugal(t, f, 0.5))
            theirs, value = timed(lambda t=target: evolve(searcher.space, t))
            listed = None
            if space.limits.count() < 2_000_000 and i < 4:
                listed, best = timed(lambda t=target: enumerate_all(searcher.space, t))
                failures += abs(best - found.delta_e) > 1e-9
            failures += not found.proved
            beaten = value < found.delta_e - (1e-9 if found.bound == found.delta_e else 0.01)
            rows.append((first, ours, lean, theirs, beaten, listed))
            print(f"\r{batch} g: {i + 1} targets", end="", file=sys.stderr, flush=True)
        print(file=sys.stderr)
        first, ours, lean, theirs = (statistics.median(r[k] for r in rows) for k in range(4))
        slow = [r[5] for r in rows if r[5] is not None]
        listing = f"{1e3 * statistics.median(slow):.0f} ms" if slow else "out of reach"
        middle = statistics.median(slow) if slow else 0.0
        ratio = f"{middle / first:.1f}, {middle / ours:.1f}" if slow else ""
        lines.append(
            f"| {batch / 1000:g} kg | {space.limits.count():,.0f} | {1e3 * first:.1f} ms "
            f"| {1e3 * keep:.0f} ms | {1e3 * ours:.1f} ms | {1e3 * (ours + lean):.1f} ms "
            f"| {1e3 * theirs:.1f} ms | {theirs / first:.1f}, {theirs / ours:.1f} "
            f"| {sum(r[4] for r in rows)} of {len(rows)} | {listing} | {ratio} |"
        )
    lines += ["", "## Many targets", "", "Exact closest and frugal recipes for sRGB colours.", ""]
    lines += [
        "| batch | recipes | build | targets | per second |",
        "| --- | --- | --- | --- | --- |",
    ]
    for batch in (250, 500, 1000):
        searcher = searcher_for(batch, palette)
        build, listed = timed(searcher.all_recipes)
        side = 8 if quick else 32
        axis = (np.arange(side) + 0.5) / side
        grid = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1).reshape(-1, 3)
        labs = np.array([sm.Target.from_srgb(rgb).lab for rgb in grid])
        spent, _ = timed(lambda c=listed, t=labs: c.look_up(t[:, None], 0.5))
        lines.append(
            f"| {batch / 1000:g} kg | {searcher.space.limits.count():,.0f} | {build:.1f} s "
            f"| {len(labs):,} | {len(labs) / spent:,.0f} |"
        )
        print(lines[-1], file=sys.stderr, flush=True)
    lines += growth(4 if quick else 20)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    lines += ["", f"Peak memory of the whole run: {peak:.2f} GB."]
    text = "\n".join(lines) + "\n"
    print(text)
    if not quick:
        OUT.write_text(text, encoding="utf-8")
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
