"""How long plans take, and how far they are proved: ``python -m tests.bench.plan``.

Order books of 10 to 200 orders with the demo palette, their targets spread over its gamut, and
a shelf with about half of the paste that they want. For each book: the time of listing recipes
and the time of the plan once they are listed, with nothing, anything or a budget to spend.
``--quick`` stops at 50 orders.
"""

from __future__ import annotations

import os
import sys
import time

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np

import shadematch as sm
from shadematch.planning.options import options_for
from shadematch.prediction import model_for


def book(count: int, seed: int) -> tuple[list[sm.Order], sm.Stock]:
    """An invented order book and a shelf that is about half as full as it should be."""
    rng = np.random.default_rng(seed)
    palette = sm.load_palette()
    n = len(palette.pigments)
    orders = []
    for i in range(count):
        pour = sm.Pour(
            batch_g=float(rng.choice([500, 1000, 1200])),
            thickness_cm=float(rng.choice([1.0, 2.0, 2.5])),
            white=float(rng.choice([0.0, 0.0, 0.1])),
        )
        loads = rng.dirichlet(np.full(n + 1, 0.7))[:n] * 3.0
        lab = model_for(palette, pour.thickness_cm, pour.white, sm.View()).lab(loads)
        orders.append(
            sm.Order(
                name=f"order {i}",
                target=sm.Target(tuple((lab + rng.normal(0, 1, 3)).tolist())),
                bars=int(rng.integers(10, 60)),
                pour=pour,
                tolerance=float(rng.choice([0.5, 1.0, 1.5])),
                value=float(rng.integers(40, 300)),
            )
        )
    wanted = np.mean([options_for(o, palette).use_cm.mean(axis=0) for o in orders], axis=0) * count
    stock = sm.Stock(
        tubes=tuple(
            sm.Tubes(pigment=name, full=int(cm * 0.5 // 87), opened_cm=(round(cm * 0.5 % 87, 1),))
            for name, cm in zip(palette.names, wanted, strict=True)
        ),
        clear_price_kg=6.4,
        white_price_kg=6.8,
    )
    return orders, stock


def main(words: list[str]) -> int:
    """Print one line for each book and purse."""
    for count in (10, 50) if "--quick" in words else (10, 50, 100, 200):
        start = time.perf_counter()
        orders, stock = book(count, count)
        listing = time.perf_counter() - start
        options = [options_for(o, sm.load_palette()) for o in orders]
        sizes = [len(o.choices) for o in options]
        print(
            f"{count} orders: recipes listed in {listing:.1f} s, {sum(sizes)} in all, at most "
            f"{max(sizes)}, {sum(not o.complete for o in options)} lists cut",
            flush=True,
        )
        for buy in (False, True, 60.0):
            start = time.perf_counter()
            plan = sm.plan(orders, stock, buy=buy, seconds=10.0)
            took = time.perf_counter() - start
            gaps = ", ".join(f"{'proved' if s.proved else f'{s.gap:.2%}'}" for s in plan.stages)
            print(
                f"  buy {buy!s:>5}: {took:6.2f} s, {len(plan.poured)} poured worth "
                f"{plan.value:g}, {len(plan.left_out)} left out, bought for {plan.money:.2f}; "
                f"stages {gaps}",
                flush=True,
            )
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
