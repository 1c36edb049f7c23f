"""Attack the proof: ``python -m tests.bench.proof [--small 2000] [--large 200]``.

Small problems are judged by plain enumeration: no miss, and the bound never above the true
optimum. Large ones (5 to 20 kg) are attacked by SciPy's differential evolution at ten times its
default effort, which must never get below the bound.
"""

from __future__ import annotations

import argparse
import os
import sys
from concurrent.futures import ProcessPoolExecutor

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import numpy as np
from scipy.optimize import differential_evolution

import shadematch as sm
from shadematch.colour.difference import delta_e
from shadematch.predicting.prediction import model_for
from shadematch.search.searcher import Searcher
from shadematch.search.space import whole_space
from tests.invented.problems import KINDS, invented_palette, problem, target_of


def small(seed: int) -> tuple[str, str]:
    """Kind of a problem, and what was wrong with its answer (nothing, if all is well)."""
    p = problem(seed)
    answer = p.searcher.answer(p.target, 0.5)
    best, _ = p.best()
    wrong = []
    if not answer.closest.proved or not answer.frugal.proved:
        wrong.append("not proved")
    if abs(answer.closest.delta_e - best) > 1e-9:
        wrong.append(f"missed {best} with {answer.closest.delta_e}")
    if answer.closest.bound > best + 1e-12:
        wrong.append(f"bound {answer.closest.bound} above {best}")
    least = p.least_paste(best + 0.5)
    if answer.frugal.steps is None or int(answer.frugal.steps.sum()) != least:
        wrong.append(f"frugal is not {least}")
    ideal = p.searcher.ideal(p.target, answer.closest)[1]
    if ideal > best + 0.01 and p.searcher.space.limits.max_tubes == p.searcher.space.size:
        wrong.append(f"ideal {ideal} above whole {best}")
    return p.kind, "; ".join(wrong)


def large(seed: int) -> tuple[str, str]:
    """The same for a problem that can't be enumerated."""
    rng = np.random.default_rng(seed)
    count = int(rng.integers(3, 9))
    palette = invented_palette(rng, count) if seed % 2 else sm.demo_palette()
    pour = sm.Pour(
        batch_g=float(rng.uniform(5000, 20_000)),
        thickness_cm=float(rng.choice([1.0, 2.0])),
        white=float(rng.choice([0.0, 0.3, 1.0])),
    )
    model = model_for(palette, pour.thickness_cm, pour.white, sm.View())
    whole = whole_space(model, load_per_step=pour.load_per_step, max_steps=pour.max_steps)
    most = whole.limits.total
    kind = KINDS[seed % len(KINDS)]
    n = whole.size
    loads = rng.dirichlet(np.full(n + 1, 0.7))[:n] * pour.max_load
    target = target_of(kind, rng, model, loads)
    answer = Searcher(whole).answer(target, 0.5)

    def cost(x: np.ndarray) -> np.ndarray:
        steps = x.T
        over = np.maximum(steps.sum(axis=1) - most, 0.0)
        return np.where(over > 0, 200.0 + over, delta_e(whole.lab(steps), target))

    found = min(
        differential_evolution(
            cost,
            [(0, most)] * n,
            integrality=np.ones(n, dtype=bool),
            vectorized=True,
            updating="deferred",
            polish=False,
            popsize=50,
            maxiter=3000,
            tol=1e-6,
            rng=start,
        ).fun
        for start in range(3)
    )
    wrong = []
    if found < answer.closest.bound - 1e-9:
        wrong.append(f"bound {answer.closest.bound} beaten by {found}")
    if found < answer.closest.delta_e - 0.01:
        wrong.append(f"{answer.closest.delta_e} beaten by {found}")
    if not answer.closest.proved or not answer.frugal.proved:
        wrong.append(
            f"not proved: {answer.closest.bound:.4f} to {answer.closest.delta_e:.4f}, "
            f"{answer.closest.boxes} boxes; paste from {answer.frugal.bound}"
        )
    return kind, "; ".join(wrong)


def main() -> int:
    """Run both kinds of attack and print a line for each kind of target."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--small", type=int, default=2000)
    parser.add_argument("--large", type=int, default=200)
    parser.add_argument("--first", type=int, default=0, help="go on from this problem of each kind")
    parser.add_argument("--workers", type=int, default=2)
    asked = parser.parse_args()
    failures = 0
    with ProcessPoolExecutor(asked.workers) as pool:
        for work, count in ((small, asked.small), (large, asked.large)):
            tally = {kind: [0, 0] for kind in KINDS}
            seeds = range(asked.first, count)
            for seed, (kind, wrong) in zip(seeds, pool.map(work, seeds, chunksize=4), strict=True):
                tally[kind][0] += 1
                if wrong:
                    tally[kind][1] += 1
                    failures += 1
                    print(f"\n{work.__name__} {seed} ({kind}): {wrong}", flush=True)
                print(f"\r{work.__name__}: {seed + 1} of {count}", end="", file=sys.stderr)
            print(file=sys.stderr)
            for kind, (total, bad) in tally.items():
                print(f"{work.__name__:6} {kind:9} {total:5} problems, {bad} failures", flush=True)
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
