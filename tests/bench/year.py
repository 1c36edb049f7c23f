"""A studio's year with a journal: ``python -m tests.bench.year [options]``.

In an invented world (`tests/invented/worlds.py`: layers by iadpython with asymmetry 0.5 and index
1.46, the library's being 0.6 and 1.5) a studio gets 120 orders of 300 to 1000 g in clear, blended
or white base, 1 to 3 cm thick, for colours that its pastes can give. Tubes of 87 cm differ by
10 %; the base drifts (0.5 % from order to order); now and then paste comes from a wrong tube. A
recipe is chosen, poured with a ruler read to 2 mm either way, and the bar is measured once: by a
colorimeter (0.3 in each of L*, a*, b*), or by a phone (1.0, with a bias that all its readings
share: 1.8, 1.5, 1.8 and 5 % of chroma). Told is the mean CIEDE2000, to the order's colour, that
the chosen recipes truly have, without slips.

Ways: ``known`` has the true spectra of each day and tube (through the library's solver); ``never``
calibrates from the campaign of 17 readings and never learns; ``campaign`` does the same and learns;
``five`` pours one bar of 250 g of each paste, as the journal asks, and learns.
``--bent`` pastes lose strength with load, exp(-0.05 c) at c cm per 100 g (18 % at 4), a form that
the library doesn't have. ``--rough`` is a studio with a ruler off by 2.5 mm (standard deviation), a
meter by 0.8, tubes by 20 %. All worlds are invented; worlds 1, 2 and 3 were seen while the method
was made, later ones not.
"""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import dataclasses
import tempfile
import time
from collections.abc import Mapping
from pathlib import Path
from typing import NamedTuple

import numpy as np

import shadematch as sm
from shadematch.colour.difference import delta_e
from shadematch.support.arrays import FloatArray
from tests.invented import worlds
from tests.invented.campaign import campaign

NAMES = ("lemon", "brick", "sea", "moss", "plum")
WAYS = ("known", "never", "campaign", "five")
ORDERS = 120
SPANS = ((0, 10), (10, 30), (30, ORDERS))
DRIFT = 0.005
WRONG = 1 / 40
TUBE_CM = 87.0


class Studio(NamedTuple):
    """Standard deviations: of a dose [cm], of a reading, of tubes; whether a phone reads; bend."""

    ruler: float = 0.2 / np.sqrt(3.0)
    read: float = 0.3
    tubes: float = 0.10
    phone: bool = False
    bent: float = 0.0


class Order(NamedTuple):
    """One order, and the chances that are the same whichever way it is worked at."""

    target: FloatArray
    pour: sm.Pour
    slips: FloatArray
    noise: FloatArray
    wrong: tuple[float, float] | None


class Told(NamedTuple):
    """What came of one way."""

    far: FloatArray
    frugal: FloatArray
    inside: list[bool]
    doubted: int
    right: int
    wrong: int
    caught: int
    named: int
    seconds: FloatArray


class Truth:
    """A world with tubes that run out and a base that drifts."""

    def __init__(self, seed: int, studio: Studio) -> None:
        self.rng = np.random.default_rng([seed, 17])
        self.world = worlds.random_world(self.rng, names=NAMES)  # type: ignore[arg-type]
        self.studio = studio
        self.strengths = np.exp(studio.tubes * self.rng.standard_normal((len(NAMES), 400)))
        walk = DRIFT * self.rng.standard_normal((ORDERS + 1, 3)).cumsum(axis=0)
        self.drift = np.exp(walk - walk[0])
        self.bias = self.rng.standard_normal(4) * (1.8, 1.5, 1.8, 0.05)
        self.orders = [self._order() for _ in range(ORDERS)]

    def _order(self) -> Order:
        rng = self.rng
        few = rng.permutation(len(NAMES))[: rng.integers(1, 4)]
        loads = rng.dirichlet(np.ones(few.size)) * rng.uniform(0.3, 3.0)
        white = float(rng.choice([0.0, 0.0, 0.0, rng.uniform(0.05, 0.4), 1.0]))
        pour = sm.Pour(
            batch_g=float(rng.integers(3, 11)) * 100.0,
            thickness_cm=float(rng.choice([1.0, 1.0, 2.0, 3.0])),
            white=white,
        )
        wanted = {NAMES[i]: float(x) for i, x in zip(few, loads, strict=True)}
        target = worlds.lab_of(self.world.spectrum(self.bent(wanted), pour))
        wrong = (float(rng.random()), float(rng.random())) if rng.random() < WRONG else None
        return Order(target, pour, rng.standard_normal(5), rng.standard_normal(3), wrong)

    def bent(self, loads: Mapping[str, float]) -> dict[str, float]:
        """Loads that would do as much in proportion."""
        return {name: c * float(np.exp(-self.studio.bent * c)) for name, c in loads.items()}

    def on(self, day: int) -> worlds.World:
        """The world on some day, its base having drifted."""
        a, w, s = self.drift[day]
        return dataclasses.replace(
            self.world,
            clear=(self.world.clear[0] * a, self.world.clear[1]),
            white=(self.world.white[0] * w, self.world.white[1] * s),
        )

    def lab(
        self, doses: Mapping[str, float], pour: sm.Pour, day: int, tubes: list[int]
    ) -> FloatArray:
        """The true colour of doses on some day, from tubes that are open."""
        loads = {
            n: d * 100.0 / pour.batch_g * self.strengths[NAMES.index(n), tubes[NAMES.index(n)]]
            for n, d in doses.items()
        }
        return np.asarray(worlds.lab_of(self.on(day).spectrum(self.bent(loads), pour)))

    def read(self, lab: FloatArray, noise: FloatArray) -> tuple[float, float, float]:
        """What the instrument says."""
        seen = lab.copy()
        if self.studio.phone:
            seen[1:] *= 1.0 + self.bias[3]
            seen = seen + self.bias[:3]
        seen = seen + self.studio.read * noise
        return float(np.clip(seen[0], 0.5, 100.0)), float(seen[1]), float(seen[2])

    def slipped(self, doses: Mapping[str, float], slips: FloatArray) -> dict[str, float]:
        """Doses as they really are."""
        by = self.studio.ruler * slips
        return {n: max(d + by[NAMES.index(n)], 0.0) for n, d in doses.items()}


def calibrated(truth: Truth) -> sm.Palette:
    """The palette of the campaign of 17 readings, measured as this studio measures."""
    rng, pours = np.random.default_rng(5), []
    for planned in campaign(NAMES).pours:
        real = truth.slipped(planned.doses, rng.standard_normal(5))
        for view in planned.views:
            loads = {
                n: d * 100.0 / planned.pour.batch_g * truth.strengths[NAMES.index(n), 0]
                for n, d in real.items()
            }
            lab = worlds.lab_of(truth.world.spectrum(truth.bent(loads), planned.pour, view), view)
            about = {"name": planned.name, "pour": planned.pour, "view": view}
            read = truth.read(np.asarray(lab), rng.standard_normal(3))
            covariance = 1.5**2 * np.eye(3) if truth.studio.phone else None
            made = sm.TestPour.from_lab(planned.doses, read, covariance=covariance, **about)  # type: ignore[arg-type]
            pours.append(made)
    return sm.calibrate(pours, scattering="none").palette


def known(truth: Truth, day: int, tubes: list[int]) -> sm.Palette:
    """The true spectra of a day and the tubes that are open."""
    w = truth.on(day)
    return sm.Palette(
        pigments=tuple(
            sm.Pigment(name=n, absorption=tuple((a * truth.strengths[i, tubes[i]]).tolist()))
            for i, (n, a) in enumerate(w.absorption.items())
        ),
        clear=sm.Base(absorption=tuple(w.clear[0].tolist()), scattering=tuple(w.clear[1].tolist())),
        white=sm.Base(absorption=tuple(w.white[0].tolist()), scattering=tuple(w.white[1].tolist())),
    )


def worked(truth: Truth, way: str, folder: Path, orders: int) -> Told:
    """A year in one way."""
    means = "phone" if truth.studio.phone else "colorimeter"
    journal = palette = None
    tubes, used = [0] * 5, np.zeros(5)
    if way == "never":
        palette = calibrated(truth)
    elif way != "known":
        begin = calibrated(truth) if way == "campaign" else None
        journal = sm.Journal(folder / f"{way}.jsonl", pigments=NAMES, palette=begin)
    if way == "five" and journal is not None:
        rng = np.random.default_rng(6)
        for _ in NAMES:
            bar = journal.next().recipe
            real = truth.slipped(bar.doses, rng.standard_normal(5))
            lab = truth.lab(real, bar.pour, 0, tubes)
            journal.add(bar, truth.read(lab, rng.standard_normal(3)), means=means)  # type: ignore[arg-type]
            used += [bar.doses.get(n, 0.0) for n in NAMES]
    far, frugal, inside, seconds = [], [], [], []
    doubted = right = wrong = caught = named = 0
    for day, order in enumerate(truth.orders[:orders]):
        begun = time.perf_counter()
        now = palette if journal is None else journal.palette
        if way == "known":
            now = known(truth, day, tubes)
        match = sm.match(sm.Target.from_lab(order.target), palette=now, pour=order.pour)
        doses = match.closest.recipe.doses
        spent = time.perf_counter() - begun
        far.append(float(delta_e(truth.lab(doses, order.pour, day, tubes), order.target)))
        also = truth.lab(match.recipe.doses, order.pour, day, tubes)
        frugal.append(float(delta_e(also, order.target)))
        for i, n in enumerate(NAMES):  # a tube that won't do is thrown away and a new one opened
            if used[i] + doses.get(n, 0.0) > TUBE_CM:
                tubes[i], used[i] = tubes[i] + 1, 0.0
                if journal is not None:
                    journal.new_tube(n)
            used[i] += doses.get(n, 0.0)
        real, swapped = truth.slipped(doses, order.slips), None
        if order.wrong is not None and doses:
            one = list(doses)[int(order.wrong[0] * len(doses))]
            rest = [n for n in NAMES if n != one]
            other = rest[int(order.wrong[1] * len(rest))]
            real[other] = real.get(other, 0.0) + real.pop(one)
            swapped = (one, other)
        if journal is None:
            continue
        lab = truth.lab(real, order.pour, day, tubes)
        read = truth.read(lab, order.noise)
        begun = time.perf_counter()
        lesson = journal.add(doses, read, pour=order.pour, means=means)  # type: ignore[arg-type]
        seconds.append(spent + time.perf_counter() - begun)
        if swapped is None:
            right += 1
            doubted += lesson.aside
            inside.append(lesson.contains(0.9))
        else:
            wrong += 1
            caught += lesson.aside
            named += bool(lesson.explanations) and lesson.explanations[0].pastes == swapped
    return Told(
        far=np.array(far),
        frugal=np.array(frugal),
        inside=inside,
        doubted=doubted,
        right=right,
        wrong=wrong,
        caught=caught,
        named=named,
        seconds=np.array(seconds),
    )


def main() -> None:
    """Tell a table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--worlds", type=int, nargs="+", default=[1, 2])
    parser.add_argument("--ways", nargs="+", choices=WAYS, default=list(WAYS))
    parser.add_argument("--orders", type=int, default=ORDERS)
    parser.add_argument("--phone", action="store_true")
    parser.add_argument("--rough", action="store_true")
    parser.add_argument("--bent", action="store_true")
    parser.add_argument("--picture", type=Path, help="draw the learning curves into this .svg")
    args = parser.parse_args()
    studio = Studio(ruler=0.25, read=0.8, tubes=0.2) if args.rough else Studio()
    if args.phone:
        studio = studio._replace(read=1.0, phone=True)
    if args.bent:
        studio = studio._replace(bent=0.05)
    print("way       world  orders 1-10  11-30  31-120 | with frugal recipes | ranges hold")
    curves = {}
    for way in args.ways:
        every: list[Told] = []
        for seed in args.worlds:
            with tempfile.TemporaryDirectory() as folder:
                told = worked(Truth(seed, studio), way, Path(folder), args.orders)
            every.append(told)
            _say(way, str(seed), [told])
        if len(every) > 1:
            _say(way, "all", every)
        curves[way] = np.mean([told.far for told in every], axis=0)
    if args.picture is not None:
        draw(curves, args.picture)


def draw(curves: Mapping[str, FloatArray], path: Path) -> None:
    """Learning curves: means over the worlds, and over fifteen orders about each."""
    import matplotlib as mpl

    mpl.use("Agg")
    from matplotlib import pyplot

    from shadematch.support.paper import STYLE, svg_of, title

    mpl.rcParams.update(STYLE)
    words = {
        "known": "all known, every day",
        "never": "17 readings, never learning",
        "campaign": "17 readings, and learning",
        "five": "five bars, and learning",
    }
    figure, ax = pyplot.subplots(figsize=(7.4, 3.5), layout="constrained")
    for way, style in zip(curves, ("-", "--", ":", "-."), strict=False):
        curve = curves[way]
        smooth = [curve[max(i - 7, 0) : i + 8].mean() for i in range(curve.size)]
        ax.plot(np.arange(1, curve.size + 1), smooth, style, label=words[way], linewidth=2)
    ax.set(xlabel="order", ylabel="CIEDE2000 to the wanted colour", xlim=(1, None), ylim=(0, None))
    ax.legend(frameon=False)
    title(ax, "", alt="CIEDE2000 to the wanted colour over a year of orders, by way of learning")
    path.write_text(svg_of(figure) + "\n", encoding="utf-8")


def _say(way: str, world: str, every: list[Told]) -> None:
    def means(values: list[FloatArray]) -> str:
        spans = [np.concatenate([v[a:b] for v in values]) for a, b in SPANS]
        return "  ".join(f"{s.mean():5.2f}" if s.size else "    -" for s in spans)

    line = f"{way:9} {world:>5}  {means([t.far for t in every])}"
    line += f" | {means([t.frugal for t in every])}"
    inside = [hit for t in every for hit in t.inside]
    if inside:
        sums = [
            sum(getattr(t, f) for t in every)
            for f in ("doubted", "right", "caught", "wrong", "named")
        ]
        seconds = np.concatenate([t.seconds for t in every])
        half = seconds[len(seconds) // 2 :]
        line += f" | {np.mean(inside):.0%}; right bars doubted {sums[0]} of {sums[1]}, wrong tubes "
        line += f"put aside {sums[2]} and named {sums[4]} of {sums[3]}; decided and learnt in "
        line += f"{np.mean(half):.2f} s"
    print(line, flush=True)


if __name__ == "__main__":
    main()
