"""How long plans take, and how far they are proved: ``python -m tests.bench.plan``.

Order books of 10 to 200 orders as a studio has them: a few dozen shades that come again and
again, in the same mould but in lots of their own, at a price per bar; among them recipes to
repeat. On the shelf is about 60 % of the paste that they want, and of one pigment a fifth. Three
books of each size (two from 100 orders on), each with nothing, anything or a budget to spend.
The table goes into docs/planning.md. ``--quick`` stops at 50 orders and writes nothing.
"""

from __future__ import annotations

import os
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Final

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np

import shadematch as sm
from shadematch.planning.options import _searched, options_for
from shadematch.planning.stock import Tubes
from shadematch.predicting.prediction import model_for
from shadematch.support.files import write_text

SECONDS: Final = 20.0
"""Time for each goal."""
PURSES: Final = (False, True, 60.0)
_PAGE: Final = Path(__file__).parents[2] / "docs" / "planning.md"
_MARKS: Final = ("<!-- table: python -m tests.bench.plan -->", "<!-- end of table -->")


def shades(rng: np.random.Generator, count: int) -> list[sm.Order]:
    """Orders of one bar each for so many shades, to be copied with other names and numbers."""
    palette = sm.demo_palette()
    n = len(palette.pigments)
    found = []
    for i in range(count):
        pour = sm.Pour(
            batch_g=float(rng.choice([500, 1000, 1000, 1200])),
            thickness_cm=float(rng.choice([1.0, 2.0, 2.5])),
            white=float(rng.choice([0.0, 0.0, 0.1])),
        )
        loads = rng.dirichlet(np.full(n + 1, 0.7))[:n] * 3.0
        common = {"name": f"shade {i}", "bars": 1, "bar_g": 100.0}
        price = float(rng.choice([4.5, 5.0, 5.5, 6.0, 7.5]))
        if rng.random() < 0.15:
            doses = np.rint(loads / pour.load_per_step)
            recipe = sm.Recipe(dict(zip(palette.names, doses.tolist(), strict=True)), pour)
            found.append(sm.Order(recipe=recipe, value=price, **common))  # type: ignore[arg-type]
            continue
        lab = model_for(palette, pour.thickness_cm, pour.white, sm.View()).lab(loads)
        target = sm.Target(tuple((lab + rng.normal(0, 1, 3)).tolist()))
        tolerance = float(rng.choice([0.5, 0.8, 1.0]))
        found.append(
            sm.Order(target=target, pour=pour, tolerance=tolerance, value=price, **common)  # type: ignore[arg-type]
        )
    return found


def book(count: int, seed: int) -> tuple[list[sm.Order], sm.Stock]:
    """An invented order book and a shelf that is too empty for it."""
    rng = np.random.default_rng(seed)
    palette = sm.demo_palette()
    known = shades(rng, min(36, max(6, count // 3)))
    popular = rng.dirichlet(np.ones(len(known)))
    orders = []
    for i in range(count):
        one = known[int(rng.choice(len(known), p=popular))]
        bars = int(rng.choice([6, 10, 12, 20, 24, 36, 48, 60]))
        update = {"name": f"order {i}", "bars": bars, "value": one.value * bars}
        orders.append(one.model_copy(update=update))
    wanted = np.mean([options_for(o, palette).use.mean(axis=0) for o in orders], axis=0) * count
    share = np.full(wanted.size, 0.6)
    share[rng.integers(wanted.size)] = 0.2
    stock = sm.Stock(
        tubes=tuple(
            Tubes(pigment=name, full=int(cm // 87), opened=(round(cm % 87, 1),))
            for name, cm in zip(palette.names, wanted * share, strict=True)
        ),
        clear_price_kg=6.4,
        white_price_kg=6.8,
    )
    return orders, stock


@dataclass(frozen=True)
class Row:
    """How one plan went."""

    orders: int
    buy: bool | float
    proved: bool
    gap: float
    listing: float
    seconds: float


def timed(count: int, seed: int) -> list[Row]:
    """One book with each purse."""
    _searched.cache_clear()
    start = time.perf_counter()
    orders, stock = book(count, 1000 * seed + count)
    listing = time.perf_counter() - start
    options = [options_for(o, sm.demo_palette()) for o in orders]
    sizes = [len(o.choices) for o in options]
    print(
        f"{count} orders: recipes listed in {listing:.1f} s, {sum(sizes)} in all, at most "
        f"{max(sizes)}, {sum(not o.complete for o in options)} lists cut",
        flush=True,
    )
    rows = []
    for buy in PURSES:
        start = time.perf_counter()
        plan = sm.plan(orders, stock, buy=buy, seconds=SECONDS)
        took = time.perf_counter() - start
        rows.append(
            Row(
                orders=count,
                buy=buy,
                proved=plan.proved,
                gap=plan.gap,
                listing=listing,
                seconds=took,
            )
        )
        gaps = ", ".join(f"{'proved' if s.proved else f'{s.gap:.3%}'}" for s in plan.stages)
        print(
            f"  buy {buy!s:>5}: {took:6.2f} s, {len(plan.poured)} poured worth {plan.value:g}, "
            f"{len(plan.left_out)} left out, bought for {plan.money:.2f}; goals {gaps}",
            flush=True,
        )
    return rows


def table(rows: list[Row]) -> str:
    """The page's table."""
    told = {False: "nothing", True: "anything", 60.0: "60"}
    lines = [
        "| orders | to spend | proved to the end | largest gap | listing recipes, s | plan, s |",
        "| ---: | --- | ---: | ---: | ---: | ---: |",
    ]
    for count in sorted({r.orders for r in rows}):
        for buy in PURSES:
            mine = [r for r in rows if r.orders == count and r.buy is buy]
            listing, took = (
                np.median([getattr(r, n) for r in mine]) for n in ("listing", "seconds")
            )
            lines.append(
                f"| {count} | {told[buy]} | {sum(r.proved for r in mine)} of {len(mine)} | "
                f"{max(r.gap for r in mine):.2%} | {listing:.1f} | {took:.1f} |"
            )
    return "\n".join(lines)


def main(words: list[str]) -> int:
    """Print one line for each book and purse, and put the table into the page."""
    quick = "--quick" in words
    rows = []
    for count in (10, 20, 50) if quick else (10, 20, 50, 100, 200):
        for seed in range(1 if quick else 3 if count < 100 else 2):
            rows += timed(count, seed)
    print(table(rows))
    if not quick:
        text = _PAGE.read_text(encoding="utf-8")
        before, rest = text.split(_MARKS[0])
        after = rest.split(_MARKS[1])[1]
        parts = (before, _MARKS[0], "\n\n", table(rows), "\n\n", _MARKS[1], after)
        write_text(_PAGE, "".join(parts))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
