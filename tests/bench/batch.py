"""The life of a batch, judged: ``python -m tests.bench.batch [kind ...]``.

Kinds:

``additions``
    `correct` against enumeration of every permitted addition, on 200 random off-batches, every
    fourth with let-downs.
``rounds``
    200 batches made in a world of other constants (n 1.46, asymmetry 0.5, every strength off
    by some 10 %, ruler, scale and measurement off as well), each measured and corrected twice.
``pastel``
    The same for 100 pale bars with let-downs; and what the first measurement tells of these.
``spread``
    `spread` against Monte Carlo of 100,000 squeezes each, for 24 recipes.
``let-downs``
    The same for recipes with let-downs.
``robust``
    `match(robust=True)` against the expected CIEDE2000 of all recipes, 53,130 of five pastes in
    500 g, for 24 targets; with ``--results FILE --seconds N`` it goes on where it stopped.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from typing import TypeVar

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import numpy as np

from tests.bench.resumed import add_options, resumed
from tests.invented.batches import (
    faults,
    let_downs_against_monte_carlo,
    misses,
    robust_against_all,
    spread_against_monte_carlo,
    two_rounds,
)

T = TypeVar("T")


def _each(work: Callable[[int], T], count: int, pool: ProcessPoolExecutor) -> Iterator[T]:
    for seed, result in enumerate(pool.map(work, range(count))):
        print(f"\r{work.__name__}: {seed + 1} of {count}", end="", file=sys.stderr, flush=True)
        yield result
    print(file=sys.stderr)


def additions(count: int, pool: ProcessPoolExecutor) -> bool:
    """Misses against enumeration."""
    tally: Counter[str] = Counter()
    misses = 0
    for seed, (status, wrong) in enumerate(_each(faults, count, pool)):
        tally[status] += 1
        misses += bool(wrong)
        for text in wrong:
            print(f"additions {seed}: {text}")
    kinds = ", ".join(f"{n} {status}" for status, n in sorted(tally.items()))
    print(f"additions: {count} off-batches ({kinds}), {misses} misses")
    return misses == 0


def _outcome(seed: int, let_downs: bool = False) -> tuple[bool, tuple[float, ...]]:
    story = two_rounds(seed, let_downs=let_downs)
    return story.savable, story.delta_e


def _pale_outcome(seed: int) -> tuple[bool, tuple[float, ...]]:
    return _outcome(seed, let_downs=True)


def _saved(
    work: Callable[[int], tuple[bool, tuple[float, ...]]],
    count: int,
    pool: ProcessPoolExecutor,
    name: str,
) -> float:
    """Print what two rounds make of batches; the share within 1.5 of those that can be saved."""
    savable, values = zip(*_each(work, count, pool), strict=True)
    able_, table = np.array(savable), np.array(values)
    within = (table <= 1.5).mean(axis=0, where=able_[:, None])
    print(
        f"{name}: {able_.sum()} of {count} can be saved; within 1.5 are {within[1]:.1%} of them "
        f"after one round, {within[2]:.1%} after two"
    )
    for row, what in ((table[able_], "can be saved"), (table[~able_], "can't")):
        if len(row):
            shown = ", ".join(f"{v:.2f}" for v in np.median(row, axis=0))
            print(f"        median CIEDE2000 of those that {what}: {shown}")
    return float(within[2])


def rounds(count: int, pool: ProcessPoolExecutor) -> bool:
    """Share of batches that can be saved which two rounds bring within 1.5."""
    return _saved(_outcome, count, pool, "rounds") >= 0.95


def pastel(count: int, pool: ProcessPoolExecutor) -> bool:
    """The same of pale bars, and how well the strength of their let-downs is then known."""
    saved = _saved(_pale_outcome, count, pool, "pastel")
    rows = np.array([row for rows in _each(misses, count, pool) for row in rows])
    before, after = np.sqrt(np.mean(rows[:, :2] ** 2, axis=0))
    print(
        f"        strengths of {len(rows)} let-downs miss what is believed of them by {before:.2f} "
        f"standard deviations (root mean square) before a measurement, by {after:.2f} after one; "
        f"the deviation is then {np.mean(rows[:, 2]):.2f} of what it was"
    )
    return bool(saved >= 0.8 and 0.8 <= after <= 1.2)


def spread(count: int, pool: ProcessPoolExecutor) -> bool:
    """Relative error of mean and percentiles."""
    errors = np.array(list(_each(spread_against_monte_carlo, count, pool)))
    print(
        f"spread: {count} recipes, relative error of mean, median, 90th and 95th percentile "
        f"at most {errors.max():.1%}, on average {errors.mean():.1%}"
    )
    return bool(errors.max() <= 0.05)


def let_downs(count: int, pool: ProcessPoolExecutor) -> bool:
    """The same for recipes with let-downs, a third of them under two lights."""
    errors = np.array(list(_each(let_downs_against_monte_carlo, count, pool)))
    print(
        f"let-downs: {count} recipes, relative error of mean, median, 90th and 95th percentile "
        f"at most {errors.max():.1%}, on average {errors.mean():.1%}"
    )
    return bool(errors.max() <= 0.05)


def _robust(seed: int) -> tuple[float, float, float]:
    return robust_against_all(seed, 500.0)


def robust(count: int, asked: argparse.Namespace) -> bool:
    """Excess of the answer's expected CIEDE2000 over the best of all recipes."""
    tried, _ = resumed(range(count), _robust, asked, lambda seed, told: (int(seed), tuple(told)))
    found, best, plain = np.array(list(tried.values())).T
    print(
        f"robust: {np.sum(found <= best + 1e-9)} of {len(tried)} targets have the best of all; "
        f"the closest recipe's expected CIEDE2000 is above the answer's by "
        f"{(plain - found).mean():.2f} on average, by {(plain - found).max():.2f} at most"
    )
    return bool((found - best).max() <= 1e-9)


KINDS = {"additions": (additions, 200), "rounds": (rounds, 200), "spread": (spread, 24)}
KINDS["let-downs"] = (let_downs, 24)
KINDS["pastel"] = (pastel, 100)
ROBUST = 24


def main() -> int:
    """Run what was asked for, by default everything."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("kinds", nargs="*", metavar="kind", help=", ".join([*KINDS, "robust"]))
    parser.add_argument("--count", type=int)
    parser.add_argument("--workers", type=int, default=2)
    add_options(parser)
    asked = parser.parse_args()
    good = True
    with ProcessPoolExecutor(asked.workers) as pool:
        for kind in asked.kinds or [*KINDS, "robust"]:
            if kind == "robust":
                good &= robust(asked.count or ROBUST, asked)
                continue
            if kind not in KINDS:
                parser.error(f"no such kind: {kind}")
            work, count = KINDS[kind]
            good &= work(asked.count or count, pool)
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
