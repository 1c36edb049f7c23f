"""Pastes that scatter: ``python -m tests.bench.scattering [--targets 200] [--write]``.

Random invented palettes of five pastes, one to five of which scatter. In 1 kg: how long a whole
`match` takes, the first with a palette and later ones, and how many are proved. In 500 g: whether
any recipe of all there are, their colours from the two-variable table, comes nearer than what was
found, and whether the bound holds. ``--write`` puts the table into ``docs/scattering.md``.

With ``--results FILE`` what comes out for a palette is kept in a file of JSON lines, and those
that the file has are not computed again; with ``--seconds`` the run ends then.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from pathlib import Path
from typing import NamedTuple

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import numpy as np

import shadematch as sm
from shadematch.colour.colorimetry import xyz_to_lab
from shadematch.colour.difference import delta_e
from shadematch.predicting.prediction import model_for
from shadematch.search.limits import step_limits
from tests.bench.resumed import add_options, resumed
from tests.invented.problems import milky

OUT = Path(__file__).parents[2] / "docs" / "scattering.md"
SAME = 0.005
"""CIEDE2000 by which the table and the layers that colours come from may differ."""


def problems(targets: int, each: int) -> list[tuple[int, sm.Palette, list[sm.Target]]]:
    """Palettes with 1 to 5 pastes that scatter, and screen colours for each."""
    found = []
    for seed in range(-(-targets // each)):
        rng = np.random.default_rng(seed)
        palette = milky(rng, 5, 1 + seed % 5)
        colours = rng.random((min(each, targets - each * seed), 3)).tolist()
        found.append((1 + seed % 5, palette, [sm.Target.from_srgb(c) for c in colours]))
    return found


def wrong(palette: sm.Palette, targets: list[sm.Target]) -> int:
    """How many answers in 500 g all recipes, gone through one by one, say are wrong."""
    pour = sm.Pour(batch_g=500)
    model = model_for(palette, pour.thickness_cm, pour.white, sm.View())
    steps = step_limits(len(palette.pigments), pour.max_steps).recipes()
    xyz = np.concatenate(
        [model.xyz(part * pour.load_per_step) for part in np.array_split(steps.astype(float), 64)]
    )
    labs, total = xyz_to_lab(xyz, model.white), steps.sum(axis=1)
    count = 0
    for target in targets:
        m = sm.match(target, palette=palette, pour=pour)
        away = delta_e(labs, np.array(target.lab))
        good = m.bound <= away.min() + SAME and m.closest.delta_e <= away.min() + SAME
        least = total[away <= m.closest.delta_e + m.tolerance - SAME].min()
        good &= m.recipe.total <= least and m.delta_e <= m.closest.delta_e + m.tolerance + 1e-9
        count += not good or not m.proved
    return count


class Told(NamedTuple):
    """What came out for one palette."""

    scattering: int
    first: float  # seconds
    later: list[float]
    proved: int
    wrong: int


def solve(scattering: int, palette: sm.Palette, targets: list[sm.Target]) -> Told:
    """Match in 1 kg, then check in 500 g."""
    took, proved = [], 0
    for target in targets:
        start = time.process_time()
        m = sm.match(target, palette=palette, pour=sm.Pour(batch_g=1000))
        took.append(time.process_time() - start)
        proved += m.proved and m.frugal_proved
    return Told(scattering, took[0], took[1:], proved, wrong(palette, targets))


def page(found: dict[int, Told], each: int) -> str:
    """What the results say."""
    rows, every = [], [t for told in found.values() for t in (told.first, *told.later)]
    for k in range(1, 6):
        own = [told for told in found.values() if told.scattering == k]
        if not own:
            continue
        first, later = [told.first for told in own], [t for told in own for t in told.later]
        rows.append(
            f"| {k} of 5 | {len(own)} | {np.median(first):.2f}, {max(first):.2f} s | "
            f"{np.median(later):.2f}, {max(later):.2f} s | "
            f"{sum(told.proved for told in own)} of {len(first) + len(later)} | "
            f"{sum(told.wrong for told in own)} |"
        )
    lines = [
        "# Pastes that scatter",
        "",
        "This page measures how long a match takes with pastes that scatter, and whether its proof "
        "comes to its end. It is written by `python -m tests.bench.scattering --write`. The "
        f"palettes are random and invented: five pastes, {each} screen colours each.",
        "",
        "- *First* and *later* are the times of a whole `match` in 1 kg on one core, median and "
        "largest. The first match in a process also makes the surface that bounds the layers.",
        "- Once searches have cost as much as a list of all recipes, answers are looked up in it.",
        "- *Wrong* counts answers in 500 g for which going through all recipes finds a better one, "
        f"or a bound above it (by the table's colours, to {SAME:g}). So few recipes are listed at "
        "once; `tests/search/test_scattering.py` tests the boxes.",
        "",
        "| scatter | palettes | first | later | proved | wrong |",
        "| --- | --- | --- | --- | --- | --- |",
        *rows,
        "",
        f"All {len(every)}: {sum(told.proved for told in found.values())} proved, median "
        f"{np.median(every):.2f} s, {sum(told.wrong for told in found.values())} wrong.",
    ]
    return "\n".join(lines) + "\n"


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--targets", type=int, default=200)
    parser.add_argument("--each", type=int, default=10)
    add_options(parser)
    parser.add_argument("--write", action="store_true")
    asked = parser.parse_args()
    if asked.each < 2:
        parser.error("--each must be at least 2: the first with a palette, and later ones")
    every = problems(asked.targets, asked.each)

    def solved(number: int) -> Told:
        told = solve(*every[number])
        print(number, told, file=sys.stderr, flush=True)
        return told

    found, complete = resumed(range(len(every)), solved, asked, lambda n, told: (n, Told(*told)))
    text = page(found, asked.each)
    print(text)
    if asked.write and complete:
        OUT.write_text(text, encoding="utf-8")
    return 1 if any(told.wrong for told in found.values()) else 0


if __name__ == "__main__":
    sys.exit(main())
