"""How soon a journal knows a browned base: ``python -m tests.bench.bases --worlds 11 12``.

In each invented world (`tests/invented/worlds.py`: layers by iadpython with asymmetry 0.5 and
index 1.46, the library's being 0.6 and 1.5; three pastes, a ruler read to 2 mm, a colorimeter)
nine bars are poured in clear base and blends, then one of a further base alone, then four ordinary
bars in it. The base absorbs 0.1, 0.4 or 1.0 per cm more than clear base at 450 nm. Told is the mean
CIEDE2000 of predicted colours of unseen mixtures: in the base before any bar of it, after one and
after five; and in clear base. All worlds are invented; world 1 was seen while the method was made.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

import numpy as np

from tests.invented.studio import begun
from tests.journal.test_bases import BASE, IN_BASE, bench, miss

DEPTHS = (0.1, 0.4, 1.0)
MORE = 4


def told(seed: int, depth: float, folder: Path) -> tuple[list[float], list[bool], int]:
    """Mean misses, whether each reading fell into its range of 90 %, and how many were doubted."""
    made, journal = bench(seed, depth), begun(folder)
    made.taught(journal, 9)
    journal.new_base(BASE)
    misses = [miss(made, journal, BASE)]
    lessons = [journal.add({}, made.read({}, IN_BASE), pour=IN_BASE)]
    misses.append(miss(made, journal, BASE))
    clear = miss(made, journal, "clear")
    for _ in range(MORE):
        doses, pour = made.bar()
        there = pour.model_copy(update={"base": BASE, "white": min(pour.white, 0.2)})
        lessons.append(journal.add(doses, made.read(doses, there), pour=there))
    misses += [miss(made, journal, BASE), clear]
    return misses, [x.contains(0.9) for x in lessons], sum(x.aside for x in lessons)


def main() -> None:
    """Tell a table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--worlds", type=int, nargs="+", default=[11, 12, 13, 14])
    args = parser.parse_args()
    print("world  1/cm   before   one bar  five bars  clear base | ranges hold, bars doubted")
    rows, inside, doubted = [], list[bool](), 0
    for seed in args.worlds:
        for depth in DEPTHS:
            with tempfile.TemporaryDirectory() as folder:
                misses, held, aside = told(seed, depth, Path(folder))
            rows.append(misses)
            inside, doubted = inside + held, doubted + aside
            line = "  ".join(f"{m:8.2f}" for m in misses)
            print(f"{seed:5}  {depth:4}  {line} | {np.mean(held):.0%}, {aside}", flush=True)
    line = "  ".join(f"{m:8.2f}" for m in np.mean(rows, axis=0))
    print(f"  all        {line} | {np.mean(inside):.0%}, {doubted} of {len(inside)}")


if __name__ == "__main__":
    main()
