"""What stacks of layers cost: ``python -m tests.bench.layers``.

Time of a stack whose media are new, and of one whose media are known already, beside that of a
plain prediction, all in one run; and the largest difference from the plain pour when a layer is
cut in two, and from the table that plain pours are read from.
"""

from __future__ import annotations

import os
import sys
import time

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np

import shadematch as sm
from shadematch.optics.stack import medium


def median(times: list[float]) -> float:
    """In milliseconds."""
    return 1000 * float(np.median(times))


def main() -> int:
    """Print the costs."""
    rng = np.random.default_rng(1)
    names = sm.demo_palette().names
    sm.predict({}, pour=sm.Pour(batch_g=100))
    plain, fresh, known, worst_cut, worst_table = [], {}, {}, 0.0, 0.0
    for _ in range(30):
        doses = dict(zip(names, rng.uniform(0, 1, len(names)).tolist(), strict=True))
        pour = sm.Pour(
            batch_g=100, thickness_cm=float(rng.uniform(0.3, 3)), white=float(rng.choice([0, 0.2]))
        )
        start = time.perf_counter()
        seen = sm.predict(doses, pour=pour)
        plain.append(time.perf_counter() - start)
        half = pour.thickness_cm / 2
        one = sm.layers([(doses, pour.thickness_cm)], pour=pour).seen.reflectance
        cut = sm.layers([(doses, half), (doses, half)], pour=pour).seen.reflectance
        worst_cut = max(worst_cut, float(np.abs(one - cut).max()))
        worst_table = max(worst_table, float(np.abs(one - seen.reflectance).max()))
        for count in (1, 2, 4, 8):
            stack = [(rng.uniform(0, 1, len(names)), 0.5) for _ in range(count)]
            named = [(dict(zip(names, d.tolist(), strict=True)), t) for d, t in stack]
            medium.cache_clear()
            for kept in (fresh, known):
                start = time.perf_counter()
                sm.layers(named, pour=pour)
                kept.setdefault(count, []).append(time.perf_counter() - start)
    print(f"plain prediction, new conditions: {median(plain):.1f} ms")
    for count in fresh:
        print(
            f"stack of {count}: {median(fresh[count]):.1f} ms, "
            f"{median(known[count]):.1f} ms with media known"
        )
    medium.cache_clear()
    start = time.perf_counter()
    sm.wedge({"rosehip": 3}, from_cm=0, to_cm=3, steps=25, pour=sm.Pour(batch_g=100))
    print(f"wedge of 25 steps: {1000 * (time.perf_counter() - start):.0f} ms")
    print(f"one layer cut in two: R differs by at most {worst_cut:.1e}")
    print(f"one layer against the table: R differs by at most {worst_table:.1e}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
