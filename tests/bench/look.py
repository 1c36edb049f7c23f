"""Batches, looks, lights and let-downs: ``python -m tests.bench.look [COUNT]``.

Prints, for COUNT (usually 200) random questions: misses of the search for several lights and
let-downs against plain enumeration; misses of `smallest_batch`; what one mould does to every
recipe; pastel shades in small bars with and without let-downs; spectra matched under one light
and under three. Misses are 0 or the exit status is 1.
"""

from __future__ import annotations

import os

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import sys
import time
import warnings

import numpy as np

import shadematch as sm
from shadematch.predicting.prediction import model_for
from tests.invented.joint_problems import joint_problem
from tests.invented.problems import invented_palette
from tests.matching.test_same_look import whole_recipes
from tests.matching.test_smallest_batch import best_by_enumeration


def joint(count: int) -> int:
    """Several lights and let-downs against enumeration."""
    misses = above = unproved = paste = recipes = 0
    took = 0.0
    for seed in range(100_000, 100_000 + count):
        p = joint_problem(seed, scatter=0.1)
        start = time.perf_counter()
        m = sm.match(p.target, **p.arguments)  # type: ignore[arg-type]
        took += time.perf_counter() - start
        recipes += len(p.values)
        misses += m.closest.delta_e > p.best + 1e-9
        above += m.bound > p.best + 1e-12
        unproved += not m.proved
        least = p.least_paste(m.closest.delta_e + 0.5)
        paste += m.frugal_proved and abs(m.recipe.total - least) > 1e-6
    print(
        f"several lights and let-downs: {count} random questions, {recipes} recipes in all: "
        f"{misses} misses, {above} bounds above the optimum, {paste} wrong proofs of least paste, "
        f"{unproved} not proved; {1000 * took / count:.0f} ms each"
    )
    return misses + above + paste


def batches(count: int) -> int:
    """Every mass of a grid against enumeration."""
    misses = masses = 0
    for seed in range(200_000, 200_000 + count):
        rng = np.random.default_rng(seed)
        palette = invented_palette(rng, int(rng.integers(1, 4)))
        pour = sm.Pour(
            batch_g=100,
            thickness_cm=float(rng.choice([0.5, 1.0, 2.0])),
            white=float(rng.choice([0.0, 0.2, 1.0])),
            max_load=float(rng.choice([2.0, 4.0])),
        )
        model = model_for(palette, pour.thickness_cm, pour.white, sm.View())
        loads = rng.dirichlet(np.full(len(palette.names) + 1, 0.7))[:-1] * pour.max_load
        lab = model.lab(loads) + rng.normal(0, 1.5, 3)
        target = sm.Target((float(np.clip(lab[0], 1, 99)), float(lab[1]), float(lab[2])))
        wanted = float(rng.choice([0.5, 1.0, 2.0]))
        found = sm.smallest_batch(
            target, palette=palette, pour=pour, within=wanted, step_g=20.0, largest_g=400.0
        )
        grid = [20.0 * k for k in range(1, 21) if 20.0 * k * pour.max_load / 100 >= 1]
        values = best_by_enumeration(target, palette, pour, grid)
        good = [m for m, v in zip(grid, values, strict=True) if v <= wanted]
        misses += found.mass_g != (good[0] if good else None)
        misses += found.floor > min(values) + 1e-12
        masses += len(found.curve)
    print(f"smallest batch: {count} random targets, {masses} masses searched: {misses} misses")
    return misses


def mould() -> int:
    """One mould: 50, 100 and 200 g at 0.5, 1 and 2 cm."""
    changed = asked = 0
    worst = 0.0
    for mass, most in ((50, 2), (100, 4), (200, 4)):
        for to in (50, 100, 200):
            for doses in whole_recipes(most):
                if sum(doses.values()) * 100 / to > 4:
                    continue  # more than the load limit there
                recipe = sm.Recipe(doses, sm.Pour(batch_g=mass, thickness_cm=mass / 100))
                look = sm.same_look(recipe, to_pour=sm.Pour(batch_g=to, thickness_cm=to / 100))
                asked += 1
                changed += look.how != "same doses"
                worst = max(worst, look.delta_e)
    print(
        f"one mould, clear base: {asked} recipes taken between 50, 100 and 200 g: "
        f"{changed} changed their doses; CIEDE2000 at most {worst:.2f} (the base's own tint)"
    )
    return changed


def pastels(count: int) -> None:
    """Pastel shades in 50 g bars."""
    rng = np.random.default_rng(7)
    model = model_for(sm.demo_palette(), 1.0, 0.0, sm.View())
    alone, helped, number, took = [], [], [], 0.0
    for _ in range(count):
        loads = rng.dirichlet(np.ones(5)) * rng.uniform(0.05, 0.5)
        target = sm.Target(tuple(model.lab(loads).tolist()))
        start = time.perf_counter()
        plan = sm.propose_let_down(target, pour=sm.Pour(batch_g=50))
        took += time.perf_counter() - start
        alone.append(plan.without.closest.delta_e)
        helped.append((plan.match or plan.without).closest.delta_e)
        number.append(len(plan.to_make))
    within = np.mean(np.array(helped) <= 1.0)
    print(
        f"let-downs: {count} pastel shades (0.05 to 0.5 cm per 100 g) in 50 g bars: median "
        f"CIEDE2000 {np.median(alone):.1f} with the tubes alone; {within:.0%} within 1 with "
        f"{np.mean(number):.1f} let-downs on average; {took / count:.1f} s each"
    )


def several(count: int) -> None:
    """The CIE 2017 colour evaluation samples (99 spectra, in colour-science)."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from colour import SpectralShape
        from colour.quality.cfi2017 import load_TCS_CIE2017

        table = load_TCS_CIE2017(SpectralShape(380, 780, 5))
    wavelengths = table.wavelengths.tolist()
    samples = np.clip(table.values.T, 0.0, 1.0).tolist()
    one, three, index = [], [], []
    lights = ("D65", "A", "LED-B3")
    pour = sm.Pour(batch_g=500)
    for values in samples[:: max(1, len(samples) // count)]:
        target = sm.Target.from_reflectance(wavelengths, values)
        day = sm.match(target, pour=pour, tolerance=0.0)
        if day.delta_e > 3:
            continue  # out of reach
        told = sm.lights(day, lights=lights)
        one.append(told.worst.delta_e)
        index.append(max(light.index or 0.0 for light in told.lights))
        three.append(sm.match(target, pour=pour, lights=lights, tolerance=0.0).delta_e)
    print(
        f"lights: {len(one)} spectra within 3 of a 500 g recipe under D65: worst CIEDE2000 over "
        f"{', '.join(lights)} has a median of {np.median(one):.2f} matched under D65 alone and "
        f"{np.median(three):.2f} matched for all three; median of the largest metameric index "
        f"{np.median(index):.2f}"
    )
    assert all(b <= a + 1e-9 for a, b in zip(one, three, strict=True))


def main() -> int:
    """Run all; the exit status."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    wrong = joint(count) + batches(max(1, count // 4)) + mould()
    pastels(max(1, count // 10))
    several(max(1, count // 5))
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
