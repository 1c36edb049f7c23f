"""The slow tail: ``python -m tests.bench.tail [--targets 400] [--write]``.

Random invented palettes of 5 to 8 pastes in 1 to 20 kg, half screen colours and half colours near
what some recipe gives: how long a whole `match` takes on one core, and how many are proved. Then
palettes of 12 pastes with at most 4 in a recipe, in 1 kg.

With ``--results FILE`` each answer is kept in a file of JSON lines as it comes, and those that
the file has are not computed again; with ``--seconds`` the run ends then, to go on another time.
``--write`` puts the table into ``docs/tail.md`` once all answers are there.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Final, NamedTuple

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import numpy as np

import shadematch as sm
from tests.bench.resumed import add_options, resumed
from tests.bench.speed import searcher_for, targets_for
from tests.invented.problems import invented_palette

OUT: Final = Path(__file__).parents[2] / "docs" / "tail.md"
BATCHES: Final = (1000, 2000, 5000, 10_000, 20_000)
PASTES: Final = (5, 6, 7, 8)
SHELF: Final = 12
MOST_OF_SHELF: Final = 4
SLOW: Final = 10.0
WAITED: Final = 2.0


class Problem(NamedTuple):
    """One target with a palette."""

    pastes: int
    batch_g: float
    number: int
    seed: int


class Told(NamedTuple):
    """How a match went."""

    seconds: float
    delta_e: float
    bound: float
    proved: bool
    both: bool
    boxes: int


def problems(targets: int, shelf: int, seed: int) -> Iterator[Problem]:
    """All of them, those of a palette and batch in a row."""
    each = targets // (len(BATCHES) * len(PASTES))
    for pastes in PASTES:
        for batch in BATCHES:
            for number in range(each):
                yield Problem(pastes, batch, number, seed)
    for number in range(shelf):
        yield Problem(SHELF, 1000, number, seed)


def solve(p: Problem, targets: int) -> Told:
    """Match one, its time printed where it is long."""
    each = max(targets // (len(BATCHES) * len(PASTES)), 1)
    if p.pastes == SHELF:
        rng = np.random.default_rng(100 + 1000 * p.seed + p.number)
        palette, most = invented_palette(rng, SHELF), MOST_OF_SHELF
        target = sm.Target.from_srgb(rng.random(3).tolist())
    else:
        own = p.pastes + 1000 * p.seed
        palette, most = invented_palette(np.random.default_rng(own), p.pastes), None
        labs = targets_for(searcher_for(p.batch_g, palette).space, each, seed=own)
        target = sm.Target(tuple(labs[p.number].tolist()))
    start = time.process_time()
    m = sm.match(target, palette=palette, pour=sm.Pour(batch_g=p.batch_g), max_pigments=most)
    took = time.process_time() - start
    told = Told(
        seconds=took,
        delta_e=m.closest.delta_e,
        bound=m.bound,
        proved=m.proved,
        both=m.proved and m.frugal_proved,
        boxes=m.boxes,
    )
    if took > 1.0 or not told.both:
        print(f"{tuple(p)} {np.round(target.lab, 1)}: {told}", file=sys.stderr, flush=True)
    return told


def row(name: str, found: list[Told]) -> str:
    """How long they took, and how they stand."""
    took = [each.seconds for each in found]
    return (
        f"| {name} | {np.median(took):.2f}, {np.quantile(took, 0.95):.2f}, {max(took):.1f} s | "
        f"{sum(t > SLOW for t in took)} | {sum(each.proved for each in found)} of {len(found)} | "
        f"{sum(each.both for each in found)} of {len(found)} |"
    )


def page(found: dict[Problem, Told]) -> str:
    """What the results say."""
    rows = []
    for pastes in PASTES:
        own = [told for p, told in found.items() if p.pastes == pastes]
        if own:
            rows.append(row(f"{pastes} pastes, 1 to 20 kg", own))
    if rows:
        rows.append(row("all of these", [told for p, told in found.items() if p.pastes != SHELF]))
    shelf = [told for p, told in found.items() if p.pastes == SHELF]
    said = ""
    if shelf:
        rows.append(row(f"{SHELF} pastes, at most {MOST_OF_SHELF}, 1 kg", shelf))
        soon = sum(told.both and told.seconds <= WAITED for told in shelf)
        said = (
            f" Of {len(shelf)} palettes of {SHELF} pastes, {soon} had both proved "
            f"within {WAITED:g} s."
        )
    lines = [
        "# The slow tail",
        "",
        "Written by `python -m tests.bench.tail --write`. Random invented palettes; half of the "
        "targets are screen colours, half lie near what some recipe gives. The time of a whole "
        "`match`, the first with its palette and batch or a later one, on one core: median, 95th "
        f"percentile and largest; how many took longer than {SLOW:g} s; and of how many the "
        f"closest recipe is proved, and the frugal one too.{said}",
        "",
        "| problems | time | slow | closest proved | both proved |",
        "| --- | --- | --- | --- | --- |",
        *rows,
    ]
    return "\n".join(lines) + "\n"


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--targets", type=int, default=400)
    parser.add_argument("--shelf", type=int, default=20)
    parser.add_argument("--seed", type=int, default=0)
    add_options(parser)
    parser.add_argument("--write", action="store_true")
    asked = parser.parse_args()
    found, complete = resumed(
        problems(asked.targets, asked.shelf, asked.seed),
        lambda p: solve(p, asked.targets),
        asked,
        lambda p, told: (Problem(*p), Told(*told)),
    )
    text = page(found)
    print(text)
    if asked.write and complete:
        OUT.write_text(text, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
