"""Pastes that scatter: ``python -m tests.bench.scattering [--targets 200] [--write]``.

Random invented palettes of five pastes, one to five of which scatter. In 1 kg: how long a whole
`match` takes, the first with a palette and later ones, and how many are proved. In 500 g: whether
any recipe of all there are, their colours from the two-variable table, comes nearer than what was
found, and whether the bound holds. ``--write`` puts the table into ``docs/scattering.md``.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from pathlib import Path

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import numpy as np

import shadematch as sm
from shadematch.colour.colorimetry import xyz_to_lab
from shadematch.colour.difference import delta_e
from shadematch.predicting.prediction import model_for
from shadematch.search.limits import step_limits
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


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--targets", type=int, default=200)
    parser.add_argument("--each", type=int, default=10)
    parser.add_argument("--write", action="store_true")
    asked = parser.parse_args()
    pour, rows = sm.Pour(batch_g=1000), []
    took: dict[int, list[list[float]]] = {k: [[], []] for k in range(1, 6)}
    proved, errors = dict.fromkeys(took, 0), dict.fromkeys(took, 0)
    for scattering, palette, targets in problems(asked.targets, asked.each):
        for number, target in enumerate(targets):
            start = time.process_time()
            m = sm.match(target, palette=palette, pour=pour)
            took[scattering][number > 0].append(time.process_time() - start)
            proved[scattering] += m.proved and m.frugal_proved
        errors[scattering] += wrong(palette, targets)
        print(scattering, np.round(took[scattering][0][-1], 2), file=sys.stderr, flush=True)
    for k, (first, later) in took.items():
        if first and later:
            rows.append(
                f"| {k} of 5 | {len(first)} | {np.median(first):.2f}, {max(first):.2f} s | "
                f"{np.median(later):.2f}, {max(later):.2f} s | "
                f"{proved[k]} of {len(first) + len(later)} | {errors[k]} |"
            )
    every = [t for both in took.values() for part in both for t in part]
    lines = [
        "# Pastes that scatter",
        "",
        "Written by `python -m tests.bench.scattering --write`. Random invented palettes of five "
        f"pastes, {asked.each} screen colours each; the time of a whole `match` in 1 kg on one "
        "core, median and largest. The first one with a palette lists all recipes, as a rule. "
        "*Wrong* counts answers in 500 g for which going through all recipes finds a better one, "
        f"or a bound above it (the table's colours, to {SAME:g}).",
        "",
        "| scatter | palettes | first | later | proved | wrong |",
        "| --- | --- | --- | --- | --- | --- |",
        *rows,
        "",
        f"All {len(every)}: {sum(proved.values())} proved, median {np.median(every):.2f} s, "
        f"{sum(errors.values())} wrong.",
    ]
    text = "\n".join(lines) + "\n"
    print(text)
    if asked.write:
        OUT.write_text(text, encoding="utf-8")
    return 1 if sum(errors.values()) else 0


if __name__ == "__main__":
    sys.exit(main())
