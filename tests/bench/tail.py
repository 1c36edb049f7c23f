"""The slow tail: ``python -m tests.bench.tail [--targets 400] [--write]``.

Random invented palettes of 5 to 8 pastes in 1 to 20 kg, targets of every kind: how long a whole
`match` takes on one core, and how many are proved. Then palettes of 12 pastes with at most 4 in a
recipe, in 1 kg. ``--write`` puts the table into ``docs/tail.md``.
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
from tests.bench.speed import searcher_for, targets_for
from tests.invented.problems import invented_palette

OUT = Path(__file__).parents[2] / "docs" / "tail.md"
BATCHES = (1000, 2000, 5000, 10_000, 20_000)
PASTES = (5, 6, 7, 8)
SLOW = 10.0


def timed(target: sm.Target, palette: sm.Palette, batch: float, most: int | None) -> sm.Match:
    """The match, its time printed where it is long."""
    start = time.process_time()
    m = sm.match(target, palette=palette, pour=sm.Pour(batch_g=batch), max_pigments=most)
    TOOK.append(time.process_time() - start)
    if TOOK[-1] > 1.0 or not m.proved:
        told = f"{len(palette.pigments)} pastes, {batch:g} g, {np.round(target.lab, 1)}"
        print(
            f"{told}: {TOOK[-1]:.1f} s, {m.closest.delta_e:.2f}, bound {m.bound:.2f}, "
            f"{m.boxes} boxes",
            file=sys.stderr,
            flush=True,
        )
    return m


TOOK: list[float] = []


def row(name: str, found: list[sm.Match], took: list[float]) -> str:
    """How long they took, and how they stand."""
    proved = sum(m.proved for m in found)
    both = sum(m.proved and m.frugal_proved for m in found)
    return (
        f"| {name} | {np.median(took):.2f}, {np.quantile(took, 0.95):.2f}, {max(took):.1f} s | "
        f"{sum(t > SLOW for t in took)} | {proved} of {len(found)} | {both} of {len(found)} |"
    )


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--targets", type=int, default=400)
    parser.add_argument("--write", action="store_true")
    asked = parser.parse_args()
    each = max(asked.targets // (len(BATCHES) * len(PASTES)), 1)
    rows, every = [], []
    for pastes in PASTES:
        palette, found, before = (
            invented_palette(np.random.default_rng(pastes), pastes),
            [],
            len(TOOK),
        )
        for batch in BATCHES:
            labs = targets_for(searcher_for(batch, palette).space, each, seed=pastes)
            for lab in labs:
                target = sm.Target(tuple(lab.tolist()))
                found.append(timed(target, palette, batch, None))
        rows.append(row(f"{pastes} pastes, 1 to 20 kg", found, TOOK[before:]))
        every += found
    rows.append(row("all of these", every, TOOK))
    shelf, before = [], len(TOOK)
    for seed in range(20):
        rng = np.random.default_rng(100 + seed)
        palette = invented_palette(rng, 12)
        target = sm.Target.from_srgb(rng.random(3).tolist())
        shelf.append(timed(target, palette, 1000, 4))
    rows.append(row("12 pastes, at most 4, 1 kg", shelf, TOOK[before:]))
    lines = [
        "# The slow tail",
        "",
        "Written by `python -m tests.bench.tail --write`. Random invented palettes; the time of a "
        "whole `match` on one core: median, 95th percentile and largest; how many took longer "
        f"than {SLOW:g} s; and of how many the closest recipe is proved, and the frugal one too.",
        "",
        "| problems | time | slow | closest proved | both proved |",
        "| --- | --- | --- | --- | --- |",
        *rows,
    ]
    text = "\n".join(lines) + "\n"
    print(text)
    if asked.write:
        OUT.write_text(text, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
