"""Cost and correctness of gamuts: ``python -m tests.bench.gamut`` writes docs/gamut-benchmarks.md.

About two minutes on one core. Parts by name: ``python -m tests.bench.gamut cost inside``; then
nothing is written.
"""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import platform
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import scipy
from scipy.optimize import minimize
from skimage.color import deltaE_ciede2000

import shadematch as sm
from shadematch.colour.difference import delta_e
from shadematch.gamuts.real_doses import RealDoses
from shadematch.predicting.prediction import model_for
from shadematch.support.arrays import FloatArray
from tests.invented.problems import invented_palette

PAGE = Path(__file__).parents[2] / "docs" / "gamut-benchmarks.md"


def clocked(work: Callable[[], Any]) -> tuple[float, Any]:
    """Seconds of this process's own time, so that a busy machine counts little."""
    start = time.process_time()
    made = work()
    return time.process_time() - start, made


def sampled(rng: np.random.Generator, size: int, limit: float, count: int) -> FloatArray:
    """Loads all over the permitted region, sparse ones among them."""
    loads = rng.dirichlet(np.full(size + 1, 0.6), size=count)[:, :size] * limit
    loads *= rng.random((count, 1)) ** rng.integers(0, 3, size=(count, 1))
    return np.where(rng.random((count, size)) < 0.25, 0.0, loads)


def grown(count: int) -> sm.Palette:
    """The demo palette cut to, or filled up with invented pastes to, a number of pigments."""
    demo = sm.demo_palette()
    more = invented_palette(np.random.default_rng(7), 3).pigments
    return demo.model_copy(update={"pigments": (*demo.pigments, *more)[:count]})


def cost() -> list[str]:
    """What a surface costs, by number of pigments."""
    lines = [
        "## Cost",
        "",
        "Times are seconds of one core. *Surface* is computed with only tables loaded; *again* is "
        "the same palette at another thickness; *volume* is the estimate with its error; "
        "*targets* are distances of random screen colours, and *met* is the share that can be "
        "made; *proof* is the mean of `nearest` for six that can't.",
        "",
        "| pigments | surface | again, 2 cm | volume | targets a second | met | proof | "
        "proved within 0.1 | volume in CIELAB |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    rng = np.random.default_rng(1)
    rgb = rng.random((1000, 3))
    targets = [sm.Target.from_srgb(c.tolist()) for c in rgb]
    RealDoses(grown(3), sm.Pour(batch_g=100), sm.View()).surface  # noqa: B018  (loads the tables)
    for count in (3, 4, 5, 6, 8):
        palette = grown(count)
        first, _ = clocked(lambda: sm.gamut(palette=palette, pour=sm.Pour(batch_g=100)).surface)
        again, _ = clocked(
            lambda: sm.gamut(palette=palette, pour=sm.Pour(batch_g=100, thickness_cm=2)).surface
        )
        found = sm.gamut(palette=palette, pour=sm.Pour(batch_g=100))
        volume, _ = clocked(lambda: found.volume)
        many, far = clocked(lambda: found.distances(targets))
        outside = [t for t, v in zip(targets, far, strict=True) if v > 0.2][:6]
        proof, answers = clocked(lambda: [found.nearest(t) for t in outside])
        proved = sum(a.proved for a in answers)
        lines.append(
            f"| {count} | {first:.1f} | {again:.1f} | {volume:.1f} | {len(targets) / many:,.0f} | "
            f"{np.mean(far == 0):.0%} | {proof / len(outside):.2f} | "
            f"{proved} of {len(outside)} | {found.volume.value:,.0f} ± {found.volume.error:,.0f} |"
        )
    return lines


def inside() -> list[str]:
    """Sampled recipes must be inside."""
    lines = [
        "## Inside",
        "",
        "The colours of 20,000 random recipes in each pour. All must be found inside.",
        "",
        "| pour | largest distance found | beyond CIEDE2000 0.1 |",
        "| --- | --- | --- |",
    ]
    for pour in (
        sm.Pour(batch_g=100),
        sm.Pour(batch_g=100, thickness_cm=3, white=0.05),
        sm.Pour(batch_g=100, white=1.0),
    ):
        model = model_for(sm.demo_palette(), pour.thickness_cm, pour.white, sm.View())
        labs = model.lab(sampled(np.random.default_rng(2), 5, pour.max_load, 20_000))
        far = sm.gamut(pour=pour).distances(labs)
        lines.append(f"| {pour} | {far.max():.2g} | {int(np.sum(far > 0.1))} |")
    return lines


def outside() -> list[str]:
    """Targets moved outward must be outside, and no sample may come nearer than the search."""
    lines = [
        "## Outside",
        "",
        "24 points of the surface, moved outward by a share of their distance from the middle, are "
        "compared with the nearest of 200,000 random recipes. *Wrong* counts answers that the "
        "samples or the proof contradict by more than CIEDE2000 0.1.",
        "",
        "| moved by | found outside | proved outside | nearest beaten by a sample | wrong |",
        "| --- | --- | --- | --- | --- |",
    ]
    found = sm.gamut(pour=sm.Pour(batch_g=100))
    model = model_for(found.palette, 1.0, 0.0, found.view)
    rng = np.random.default_rng(3)
    brute = np.concatenate([model.lab(sampled(rng, 5, 4.0, 50_000)) for _ in range(4)])
    vertices = found.surface.vertices
    chosen = vertices[rng.choice(len(vertices), 24, replace=False)]
    centre = np.array([55.0, 0.0, 0.0])
    for share in (0.02, 0.05, 0.15):
        outer, proved, beaten, wrong = 0, 0, 0, 0
        for lab in centre + (1 + share) * (chosen - centre):
            target = sm.Target(tuple(lab.tolist()))
            sample = float(delta_e(brute, lab).min())
            value = found.distance(target)
            says = found.contains(target)
            floor = found._doses.floor(lab, reached=value, gap=max(value - 0.1, 0), effort=120_000)
            outer += not says
            proved += (not says) and floor >= 0.1
            beaten += sample < value - 1e-6
            wrong += sample < value - 0.1 or (not says and sample <= 0.1)
        lines.append(f"| {share:.0%} | {outer} of 24 | {proved} | {beaten} | {wrong} |")
    return lines


def nearest() -> list[str]:
    """Multi-start SciPy must not beat the search."""
    found = sm.gamut(pour=sm.Pour(batch_g=100))
    model = model_for(found.palette, 1.0, 0.0, found.view)
    rng = np.random.default_rng(4)
    limit = {"type": "ineq", "fun": lambda x: 4.0 - x.sum()}
    beaten, worst, count, ours, theirs = 0, -np.inf, 0, 0.0, 0.0
    while count < 20:
        target = sm.Target.from_srgb(rng.random(3).tolist())
        spent, value = clocked(lambda: found.distance(target))
        if value < 0.2:
            continue
        count, ours = count + 1, ours + spent
        wanted = np.array(target.lab)

        def cost(loads: FloatArray) -> float:
            return float(deltaE_ciede2000(wanted, model.lab(np.clip(loads, 0, 4))))

        def search() -> float:
            best = np.inf
            for start in sampled(rng, 5, 4.0, 10):
                done = minimize(
                    cost,
                    start,
                    method="SLSQP",
                    bounds=[(0, 4)] * 5,
                    constraints=[limit],
                    options={"maxiter": 100},
                )
                loads = np.clip(done.x, 0, None)
                best = min(best, cost(loads * min(1.0, 4.0 / max(loads.sum(), 1e-9))))
            return best

        spent, other = clocked(search)
        theirs += spent
        worst = max(worst, value - other)
        beaten += value > other + 1e-3
    return [
        "## Nearest",
        "",
        f"{count} random screen colours outside are compared with SciPy's SLSQP from 10 starts "
        "on scikit-image's CIEDE2000.",
        "",
        f"Targets where SciPy was better by more than 0.001: {beaten}. Its largest advantage: "
        f"{worst:.1e}. "
        f"SciPy took {theirs / ours:.0f} times as long.",
    ]


def volume() -> list[str]:
    """The stated error of a volume against a plain Monte Carlo."""
    found = sm.gamut(pour=sm.Pour(batch_g=100))
    low, high = np.array([0.0, -105.0, -115.0]), np.array([100.0, 105.0, 125.0])
    rng = np.random.default_rng(5)
    share = np.mean(
        np.concatenate(
            [found.distances(rng.uniform(low, high, (10_000, 3))) == 0.0 for _ in range(3)]
        )
    )
    size = float(np.prod(high - low))
    plain, error = share * size, 2 * size * np.sqrt(share * (1 - share) / 30_000)
    return [
        "## Volume",
        "",
        f"Demo palette, 1 cm of clear base: {found.volume} (two standard errors). A plain Monte "
        f"Carlo of 30,000 colours over a box gives {plain:,.0f} ± {error:,.0f}. The drawn surface "
        f"encloses {found.surface.volume:,.0f}.",
    ]


PARTS = (cost, inside, outside, nearest, volume)


def main(names: list[str]) -> int:
    """Run all parts and write the page, or some and print them."""
    head = [
        "# Benchmarks of the gamut",
        "",
        "This page measures how long gamuts take, and how often they are right. It is written by "
        f"`python -m tests.bench.gamut`. Python {platform.python_version()}, NumPy "
        f"{np.__version__}, SciPy {scipy.__version__}, {platform.machine()}. Clear base at 1 cm "
        "unless stated otherwise. Palettes of more "
        "than five pigments are the demo palette and more invented pastes.",
    ]
    pieces = []
    for part in PARTS:
        if names and part.__name__ not in names:
            continue
        pieces.append("\n".join(part()))
        print(pieces[-1], flush=True)
    if not names:
        PAGE.write_text("\n".join(head) + "\n\n" + "\n\n".join(pieces) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
