"""Speed, as ratios measured in one run: ``python -m tests.bench.speed``.

Writes ``docs/benchmarks.md``. Everything runs on one core with the same forward model. Times
are process times; the median over the targets counts. ``--quick`` takes fewer targets and
writes nothing; ``--only bends growth`` runs these sections, and writes nothing either.

With ``--results FILE`` each piece is kept in a file of JSON lines, and those that the file has are
not measured again; with ``--seconds`` none is begun after that. Delete the file after a change.
"""

from __future__ import annotations

import argparse
import os
import platform
import resource
import statistics
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Final, NamedTuple, TypeVar

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import numpy as np
import scipy
from scipy.optimize import differential_evolution

import shadematch as sm
from shadematch.colour.difference import delta_e
from shadematch.matching import question
from shadematch.matching.match import Match
from shadematch.predicting.prediction import model_for
from shadematch.search.searcher import Searcher
from shadematch.search.space import Space, whole_space
from shadematch.search.whole import Solution
from tests.bench.resumed import add_options, resumed
from tests.invented.problems import invented_palette

EFFORTS: Final = (
    ("best1bin", 15),
    ("rand1bin", 15),
    ("rand1bin", 30),
    ("rand1bin", 60),
    ("rand1bin", 90),
)
"""Of differential evolution: strategy, and members per unknown; its default first."""
BATCHES: Final = {"match": (100, 1000, 10_000), "many": (250, 500, 1000)}
BENT: Final = (100, 1000, 10_000)
GROWN: Final = (100, 1000, 5000, 20_000)
SECTIONS: Final = ("match", "many", "bends", "growth")
T = TypeVar("T")
OUT: Final = Path(__file__).parents[2] / "docs" / "benchmarks.md"


def searcher_for(batch_g: float, palette: sm.Palette) -> Searcher:
    """The permitted region of a batch in clear base at 1 cm."""
    pour = sm.Pour(batch_g=batch_g)
    model = model_for(palette, pour.thickness_cm, pour.white, sm.View())
    whole = whole_space(model, load_per_step=pour.load_per_step, max_steps=pour.max_steps)
    return Searcher(whole)


def targets_for(space: Space, count: int, seed: int) -> list[np.ndarray]:
    """Half random sRGB colours, half colours near what some recipe gives."""
    rng = np.random.default_rng(seed)
    result = []
    for i in range(count):
        if i % 2:
            result.append(np.array(sm.Target.from_srgb(rng.random(3).tolist()).lab))
        else:
            shares = rng.dirichlet(np.full(space.size + 1, 0.7))[: space.size]
            result.append(space.lab(shares * space.limits.total) + rng.normal(0, 0.1, 3))
    return result


def timed(work: Callable[[], T]) -> tuple[float, T]:
    """Process time [s] of a call, and what it gave."""
    start = time.process_time()
    result = work()
    return time.process_time() - start, result


def whole_match(target: np.ndarray, palette: sm.Palette, batch: float) -> Match:
    """A whole call, as a person makes it."""
    return sm.match(sm.Target(tuple(target.tolist())), palette=palette, pour=sm.Pour(batch_g=batch))


def first_match(target: np.ndarray, palette: sm.Palette, batch: float) -> float:
    """Time [s] of one in a process that has kept nothing of the palette and the pour."""
    model_for.cache_clear()
    question._kept_searcher.cache_clear()
    return timed(lambda: whole_match(target, palette, batch))[0]


class Piece(NamedTuple):
    """What is measured at once: a section, a mass [g] or number of pastes, and how many targets."""

    section: str
    size: int
    targets: int


class Told(NamedTuple):
    """Cells of a row, how many answers were wrong or not proved, and the peak of memory [GB]."""

    cells: list[str]
    wrong: int
    peak: float


def general(
    space: Space, targets: list[np.ndarray], best: list[Solution]
) -> tuple[list[str], float]:
    """The general solver at its default, and with the effort that nearly always hits.

    Returns a cell for each, and the median time of the second [s].
    """
    cells, middle = [], 0.0
    for wanted in (0, len(best) - 2):
        for effort in EFFORTS:
            runs = [timed(lambda t=t, e=effort: evolve(space, t, *e)) for t in targets]
            near = [0.0 if b.bound == b.delta_e else 0.01 for b in best]
            hits = sum(
                v <= b.delta_e + n + 1e-9 for (_, v), b, n in zip(runs, best, near, strict=True)
            )
            beaten = sum(v < b.bound - 1e-9 for (_, v), b in zip(runs, best, strict=True))
            if hits >= wanted or effort == EFFORTS[-1]:
                break
        middle = statistics.median(time_ for time_, _ in runs)
        cells.append(
            f"{1e3 * middle:.0f} ms, {hits} of {len(best)}"
            + (f", below the bound {beaten}" if beaten else "")
            + (f" ({effort[0]}, {effort[1]})" if wanted else "")
        )
    return cells, middle


def proved(searcher: Searcher, target: np.ndarray) -> Solution:
    """The closest whole recipe of a target, from nothing but the target."""
    return searcher.closest(target)


def evolve(space: Space, target: np.ndarray, strategy: str, members: int) -> float:
    """What a general solver reaches with some effort, from recipes that are all permitted."""
    total, rng = space.limits.total, np.random.default_rng(1)
    shares = rng.dirichlet(np.ones(space.size + 1), max(members * space.size, 5))
    begun = np.floor(shares[:, : space.size] * (total + 1))

    def cost(x: np.ndarray) -> np.ndarray:
        steps = x.T
        over = np.maximum(steps.sum(axis=1) - space.limits.total, 0.0)
        return np.where(over > 0, 200.0 + over, delta_e(space.lab(steps), target))

    return float(
        differential_evolution(
            cost,
            [(0, space.limits.total)] * space.size,
            integrality=np.ones(space.size, dtype=bool),
            vectorized=True,
            updating="deferred",
            polish=False,
            seed=1,
            init=begun,
            strategy=strategy,
            maxiter=2000,
        ).fun
    )


def enumerate_all(space: Space, target: np.ndarray) -> float:
    """The smallest CIEDE2000 by plain enumeration."""
    steps = space.limits.recipes()
    parts = [
        delta_e(space.lab(steps[i : i + 65_536].astype(float)), target).min()
        for i in range(0, len(steps), 65_536)
    ]
    return float(min(parts))


def matching(batch: int, count: int) -> tuple[list[str], int]:
    """One target in one batch: searches, whole calls, and what else finds the optimum."""
    palette = sm.demo_palette()
    searcher = searcher_for(batch, palette)
    space = searcher.space
    targets = targets_for(space, count + 5, seed=batch)[5:]
    searches = []
    for target in targets:
        fresh = searcher_for(batch, palette)
        searches.append(timed(lambda t=target, s=fresh: proved(s, t)))
    best = [found for _, found in searches]
    firsts = [first_match(target, palette, batch) for target in targets]
    keep, kept = timed(searcher.all_recipes)
    if kept is not None:  # as after many searches
        question._kept_searcher.cache_clear()
        question.Asked(palette, sm.Pour(batch_g=batch), sm.View()).searcher.all_recipes()
    laters = [timed(lambda t=t: whole_match(t, palette, batch))[0] for t in targets]
    wrong = sum(not found.proved for found in best)
    slow = []
    if space.limits.count() < 2_000_000:
        for target, found in list(zip(targets, best, strict=True))[:4]:
            took, value = timed(lambda t=target: enumerate_all(space, t))
            wrong += abs(value - found.delta_e) > 1e-9
            slow.append(took)
    cells, evolved = general(space, targets, best)
    search = statistics.median(time_ for time_, _ in searches)
    first, later = statistics.median(firsts), statistics.median(laters)
    row = [
        *(f"{batch / 1000:g} kg", f"{space.limits.count():,.0f}", f"{1e3 * search:.1f} ms"),
        *(f"{1e3 * first:.1f} ms", f"{1e3 * keep:.0f} ms", f"{1e3 * later:.1f} ms"),
        *(*cells, f"{evolved / first:.1f}"),
    ]
    if not slow:
        return [*row, "out of reach", ""], wrong
    middle = statistics.median(slow)
    return [*row, f"{1e3 * middle:.0f} ms", f"{middle / first:.1f}"], wrong


def many(batch: int, side: int) -> tuple[list[str], int]:
    """A list of all recipes, and looking up colours of a grid in sRGB in it."""
    searcher = searcher_for(batch, sm.demo_palette())
    build, listed = timed(searcher.all_recipes)
    axis = (np.arange(side) + 0.5) / side
    grid = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1).reshape(-1, 3)
    labs = np.array([sm.Target.from_srgb(rgb).lab for rgb in grid])
    spent, _ = timed(lambda: listed.look_up(labs[:, None], 0.5))
    row = [f"{batch / 1000:g} kg", f"{searcher.space.limits.count():,.0f}", f"{build:.1f} s"]
    return [*row, f"{len(labs):,}", f"{len(labs) / spent:,.0f}"], 0


def bends(batch: int, count: int) -> tuple[list[str], int]:
    """Whole matches with pastes that bend against the same with straight ones, in one batch."""
    straight = sm.demo_palette()
    bent = straight.model_copy(
        update={"pigments": tuple(p.model_copy(update={"bend": 1 / 16}) for p in straight.pigments)}
    )
    spent: dict[int, list[float]] = {0: [], 1: []}
    done = [0, 0]
    for target in targets_for(searcher_for(batch, straight).space, count, seed=batch + 1):
        for kind, palette in enumerate((straight, bent)):
            spent[kind].append(first_match(target, palette, batch))
            done[kind] += whole_match(target, palette, batch).proved
    middles = [statistics.median(times) for times in spent.values()]
    sums = [sum(times) for times in spent.values()]
    cells = [
        f"{1e3 * middles[kind]:.1f} ms, {sums[kind]:.1f} s; {done[kind]} of {count} proved"
        for kind in spent
    ]
    ratios = f"{middles[1] / middles[0]:.2f}, {sums[1] / sums[0]:.2f}"
    return [f"{batch / 1000:g} kg", *cells, ratios], 0


def growth(pastes: int, count: int) -> tuple[list[str], int]:
    """How the cost of one search from scratch grows with the batch, for so many pastes."""
    cells = [str(pastes)]
    for batch in GROWN:
        palette = invented_palette(np.random.default_rng(pastes), pastes)
        spent, done = [], 0
        for target in targets_for(searcher_for(batch, palette).space, count, seed=pastes):
            time_, found = timed(lambda t=target: proved(searcher_for(batch, palette), t))
            spent.append(1e3 * time_)
            done += found.proved
        cells.append(f"{statistics.median(spent):.0f}, {max(spent):.0f} ms; {done}")
    return cells, 0


def measured(piece: Piece) -> Told:
    """One piece; its row is printed at once."""
    work = {"match": matching, "many": many, "bends": bends, "growth": growth}
    cells, wrong = work[piece.section](piece.size, piece.targets)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(f"{piece.section}: {' | '.join(cells)}", file=sys.stderr, flush=True)
    return Told(cells, int(wrong), peak)


def pieces(quick: bool, sections: list[str]) -> list[Piece]:
    """All that is to be measured."""
    found = [Piece("match", batch, 8 if quick else 40) for batch in BATCHES["match"]]
    found += [Piece("many", batch, 8 if quick else 32) for batch in BATCHES["many"]]
    found += [Piece("bends", batch, 8 if quick else 40) for batch in BENT]
    found += [Piece("growth", pastes, 4 if quick else 20) for pastes in range(1, 9)]
    return [piece for piece in found if piece.section in sections]


def table(
    told: dict[Piece, Told], section: str, heads: tuple[str, ...], first: int = 1
) -> list[str]:
    """A table of a section's cells, ended by an empty line: the first of each row, and some more.

    These begin at `first`.
    """
    last = first + len(heads) - 1
    rows = [
        [each.cells[0], *each.cells[first:last]]
        for piece, each in told.items()
        if piece.section == section
    ]
    lines = [heads, ("---",) * len(heads), *rows]
    return [*("| " + " | ".join(cells) + " |" for cells in lines), ""]


def page(told: dict[Piece, Told], count: dict[str, int]) -> str:
    """The page."""
    lines = [
        "# Benchmarks",
        "",
        "This page measures how long a match takes, beside general solvers in the same run on one "
        "core. It is written by `python -m tests.bench.speed`.",
        f"Python {platform.python_version()}, NumPy {np.__version__}, SciPy {scipy.__version__}, "
        f"{platform.machine()}. The demo palette in clear base at 1 cm.",
        "",
        "## One target",
        "",
        "Times are medians on one core.",
        "",
        "- *Search* finds the closest recipe with its proof, from scratch.",
        "- *Match* is a whole call, with the frugal recipe and the layer: the *first* in a "
        "process, and *later* ones. Later ones look the answer up in a list, which is made "
        "once the searches have cost as much as the list does.",
        "- *DE* is SciPy's differential evolution with integrality, which proves nothing: at "
        "its default, and with the least of five efforts (strategy, members per unknown) that"
        " hits the optimum in all but two cases. The table gives its time, and how often it "
        "hit (to within 0.01 where the proof leaves a gap).",
        "- *Enumeration* tries all recipes, in arrays of 65,536.",
        "",
        *table(
            told,
            "match",
            ("batch", "recipes", "search", "first match", "list", "later match"),
        ),
        "What general methods take, and how many times a first match that is:",
        "",
        *table(
            told,
            "match",
            (
                *("batch", "DE, default", "DE, set to hit", "over first match"),
                *("enumeration", "over first match"),
            ),
            first=6,
        ),
        "## Many targets",
        "",
        "Exact closest and frugal recipes for sRGB colours.",
        "",
        *table(told, "many", ("batch", "recipes", "build", "targets", "per second")),
        "## Pastes that bend",
        "",
        "First matches as above, and the same with every paste a fifth weaker at 4 cm per 100 g "
        f"than in proportion: {count['bends']} targets, median and sum of times, and how many were "
        "proved.",
        "",
        *table(told, "bends", ("batch", "straight", "bent", "ratio of medians, of sums")),
        "## Growth",
        "",
        "Each cell gives the median and the largest time of a search from scratch with random "
        f"invented pastes, and how many of {count['growth']} targets were proved.",
        "",
        *table(told, "growth", ("pastes", *(f"{batch / 1000:g} kg" for batch in GROWN))),
        f"Peak memory: {max((each.peak for each in told.values()), default=0.0):.2f} GB.",
    ]
    return "\n".join(lines) + "\n"


def main() -> int:
    """Measure, print and write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--only", nargs="+", choices=SECTIONS, default=list(SECTIONS))
    add_options(parser)
    asked = parser.parse_args()
    wanted = pieces(asked.quick, asked.only)
    found, complete = resumed(
        wanted, measured, asked, lambda piece, told: (Piece(*piece), Told(*told))
    )
    told = {piece: found[piece] for piece in wanted if piece in found}
    text = page(told, {piece.section: piece.targets for piece in pieces(asked.quick, [*SECTIONS])})
    print(text)
    if complete and not asked.quick and set(asked.only) == set(SECTIONS):
        OUT.write_text(text, encoding="utf-8")
    return 1 if any(each.wrong for each in told.values()) else 0


if __name__ == "__main__":
    sys.exit(main())
