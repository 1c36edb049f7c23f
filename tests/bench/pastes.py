"""Calibration where pastes are not as the model has them: ``python -m tests.bench.pastes``.

``python -m tests.bench.pastes [--seeds 3] [--unseen 200] [--results FILE] [world ...]``

In each invented world the 15 bars of `tests.invented.campaign` (five pastes, 500 g each) and one
mixture of two pastes in white base, 18 readings in all, are poured with a dosing error of 2 mm and
measured as spectra with 1 % noise; then unseen mixtures are predicted (0.3 to 4 cm per 100 g, 0.5
to 4 cm thick, clear, blends and white). Layers are computed by iadpython (`tests.invented.worlds`)
with the library's index and asymmetry, 1.5 and 0.6; where the world is named so, with 1.46 and 0.5,
or by discrete ordinates with other constants. On top of that comes what each name says. Printed:
CIEDE2000 between prediction and truth (mean, 95th percentile); the share of fresh pours, made with
dosing error and measured with the same noise, that fall into the 90 % region; the mean of each
world; the largest bend, white's crowding; CIEDE2000 to the target of the closest recipe at 1 kg
where some recipe meets the target; worlds in which the calibration warns; seconds of one processor.
"""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import sys
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np

import shadematch as sm
from shadematch.calibration.result import Calibration
from shadematch.colour.difference import delta_e
from shadematch.colour.standards import WAVELENGTHS_NM as NM
from shadematch.optics.transport import slab
from shadematch.support.arrays import FloatArray
from tests.bench.resumed import add_options, resumed
from tests.invented import campaign, worlds

NOISE = 0.01
TARGETS = 12


@dataclass(frozen=True)
class Real(worlds.World):
    """A world whose pastes bend, and more.

    Attributes
    ----------
    bends
        k of each paste.
    crowding
        h of white base.
    edge
        Share of the light that came through 1 cm and is lost at the side.
    optics
        Index and asymmetry, solved by discrete ordinates; None for one of the tables.
    own
        Which table: with the library's constants, or others.
    dose_share, thickness_share
        Errors of pouring beyond the ruler's: of each dose, and of the thickness of each bar.
    yellows
        Standard deviation of the logarithm of clear base's absorption, from bar to bar.
    """

    bends: Mapping[str, float] = field(default_factory=dict)
    crowding: float = 0.0
    edge: float = 0.0
    optics: tuple[float, float] | None = None
    own: bool = True
    dose_share: float = 0.0
    thickness_share: float = 0.0
    yellows: float = 0.0

    def paste(self, name: str, loads: Mapping[str, float]) -> tuple[FloatArray, FloatArray]:
        """What a paste absorbs and scatters among all loads of a bar, shape (36,) each."""
        k, load = self.bends.get(name, 0.0), loads[name]
        acts = load * (1 + k) / (1 + k * load)
        scatters = self.scattering.get(name, np.zeros(NM.size))
        return acts * self.absorption[name], acts * scatters

    def spectrum(
        self, loads: Mapping[str, float], pour: sm.Pour, view: sm.View | None = None
    ) -> FloatArray:
        """Exact radiance factor, shape (36,)."""
        view = view or sm.View()
        w, x = pour.white, pour.thickness_cm
        mu_a = (1 - w) * self.clear[0] + w * self.white[0]
        mu_s = (1 - w) * self.clear[1] + w * np.exp(-self.crowding * (w - 0.1)) * self.white[1]
        for name in loads:
            absorbs, scatters = self.paste(name, loads)
            mu_a, mu_s = mu_a + absorbs, mu_s + scatters
        backing, kept = view.backing_reflectance, (1.0 - self.edge) ** x
        if self.optics is None:
            black, full = (
                worlds.layer(mu_a * x, mu_s * x, under, through=False, own=self.own)
                for under in (np.zeros(NM.size), backing)
            )
        else:
            n, g = self.optics
            r = slab(mu_a, mu_s, np.array(x), n=n, g=g, half=10)
            black = np.maximum(r.R1 - ((n - 1) / (n + 1)) ** 2, 0.0)
            full = black + r.T1 * r.Td * backing / (1 - backing * r.Rd)
        return np.asarray(black + kept * (full - black))

    def bar(
        self,
        doses: Mapping[str, float],
        pour: sm.Pour,
        rng: np.random.Generator,
        views: tuple[sm.View, ...] = (sm.View(),),
    ) -> list[FloatArray]:
        """Readings of a bar poured as well as can be, one for each view."""
        loads = {
            name: load * np.exp(self.dose_share * rng.standard_normal())
            for name, load in self.poured(doses, pour, rng).items()
        }
        thick = pour.thickness_cm * np.exp(self.thickness_share * rng.standard_normal())
        real = pour.model_copy(update={"thickness_cm": float(thick)})
        older = np.exp(self.yellows * rng.standard_normal())
        clear = (self.clear[0] * older, self.clear[1])
        here = self if older == 1.0 else replace(self, clear=clear)
        seen = [here.spectrum(loads, real, view) for view in views]
        return [np.clip(R * (1 + NOISE * rng.standard_normal(NM.size)), 0, 1.2) for R in seen]


ALL = "ABCDE"
WORLDS: dict[str, dict[str, object]] = {
    "proportional": {},
    "pastes 10 % weaker at 4": {"bends": dict.fromkeys(ALL, 1 / 36)},
    "pastes 20 % weaker at 4": {"bends": dict.fromkeys(ALL, 1 / 16)},
    "unequal 0 to 30 %, white crowds 15 %": {
        "bends": dict(zip(ALL, (0.0, 1 / 36, 3 / 28, 1 / 16, 0.05 / 3.8), strict=True)),
        "crowding": -np.log(0.85) / 0.9,
    },
    "white crowds 30 %": {"crowding": -np.log(0.7) / 0.9},
    "light lost at the edge, 10 %": {"edge": 0.1},
    "index 1.46, asymmetry 0.5": {"own": False},
    "asymmetry 0.9": {"optics": (1.5, 0.9)},
    "index 1.47": {"optics": (1.47, 0.6)},
    "paste's section 3 %": {"dose_share": 0.03},
    "thickness 2 %": {"thickness_share": 0.02},
    "base that yellows": {"yellows": 0.4},
}


class Tried(NamedTuple):
    """What came of one world and seed, as it stands in the file of results."""

    world: str
    seed: int
    errors: list[float]
    inside: list[bool]
    bend: float
    crowding: float
    regret: list[float]
    warnings: list[str]
    seconds: float


def drawn_as(drawn: worlds.World) -> dict[str, object]:
    """What a world of another kind takes over."""
    return {f: getattr(drawn, f) for f in ("clear", "white", "absorption", "scattering")}


def test_pours(truth: Real, rng: np.random.Generator) -> list[sm.TestPour]:
    """The 18 readings."""
    pours = []
    for p in campaign.in_white(campaign.campaign(tuple(truth.absorption))).pours:
        for view, read in zip(p.views, truth.bar(p.doses, p.pour, rng, p.views), strict=True):
            about = {"name": p.name, "pour": p.pour, "view": view, "unit": p.unit}
            pours.append(sm.TestPour.from_spectrum(p.doses, NM, read, **about))
    return pours


def predicted(
    found: Calibration, truth: Real, rng: np.random.Generator, unseen: int
) -> tuple[list[float], list[bool]]:
    """CIEDE2000 of unseen mixtures to the truth, and whether fresh pours are in the range."""
    errors, inside = [], []
    for doses, pour in worlds.unseen(truth, rng, unseen):
        lab = worlds.lab_of(truth.spectrum(worlds.loads(doses, pour), pour))
        interval = found.interval(doses, pour=pour)
        errors.append(float(delta_e(np.array(interval.lab), lab)))
        (read,) = truth.bar(doses, pour, rng)
        a, b, c = worlds.lab_of(read).tolist()
        inside.append(interval.contains((a, b, c)))
    return errors, inside


def try_world(name: str, seed: int, unseen: int) -> Tried:
    """Calibrate and predict in one world."""
    drawn = worlds.random_world(np.random.default_rng([seed, 77]))
    truth = Real(**drawn_as(drawn), **WORLDS[name])  # type: ignore[arg-type]
    rng = np.random.default_rng([seed, 5])
    pours = test_pours(truth, rng)
    begun = time.process_time()
    found = sm.calibrate(pours)
    seconds = time.process_time() - begun
    errors, inside = predicted(found, truth, rng, unseen)
    return Tried(
        world=name,
        seed=seed,
        errors=errors,
        inside=inside,
        bend=max(p.bend for p in found.palette.pigments),
        crowding=found.palette.white.crowding if found.palette.white else 0.0,
        regret=_regret(truth, found, rng),
        warnings=list(found.warnings),
        seconds=seconds,
    )


def _regret(truth: Real, found: Calibration, rng: np.random.Generator) -> list[float]:
    """CIEDE2000 to targets that some recipe of 1 kg meets, of the closest recipes by `found`.

    As the eye sees them: what an instrument loses at the edge is there.
    """
    values, truth = [], replace(truth, edge=0.0)
    for doses, pour in worlds.unseen(truth, rng, TARGETS, 1000.0, whole=True):
        pour = pour.model_copy(update={"thickness_cm": 1.0})
        aim = worlds.lab_of(truth.spectrum(worlds.loads(doses, pour), pour))
        target = sm.Target((float(aim[0]), float(aim[1]), float(aim[2])))
        recipe = found.match(target, pour=pour).closest.recipe
        made = worlds.lab_of(truth.spectrum(worlds.loads(recipe.doses, pour), pour))
        values.append(float(delta_e(made, aim)))
    return values


def table(results: Sequence[Tried]) -> str:
    """A row a world, and how warnings go with errors."""
    rows = [
        "| world | mean | 95th | 90 % holds | mean of each | largest bend | crowding | 1 kg | "
        "warned | seconds |",
        "|" + " --- |" * 10,
    ]
    for name in dict.fromkeys(t.world for t in results):
        tried = [t for t in results if t.world == name]
        far, holds, regret = (
            np.concatenate([part(t) for t in tried])
            for part in (lambda t: t.errors, lambda t: t.inside, lambda t: t.regret)
        )
        rows.append(
            f"| {name} | {far.mean():.2f} | {np.quantile(far, 0.95):.2f} | {holds.mean():.1%} | "
            f"{', '.join(f'{np.mean(t.errors):.2f}' for t in tried)} | "
            f"{np.mean([t.bend for t in tried]):.3f} | "
            f"{np.mean([t.crowding for t in tried]):.2f} | {regret.mean():.2f} | "
            f"{sum(bool(t.warnings) for t in tried)} of {len(tried)} | "
            f"{np.mean([t.seconds for t in tried]):.1f} |"
        )
    for words, kept in (
        ("above 1", lambda t: np.mean(t.errors) > 1.0),
        ("below 0.5", lambda t: np.mean(t.errors) < 0.5),
    ):
        those = [t for t in results if kept(t)]
        warned = sum(bool(t.warnings) for t in those)
        rows.append(f"Warned in {warned} of {len(those)} worlds with a mean {words}.")
    return "\n".join(rows)


def main() -> int:
    """Try what the file of results does not hold yet, and print a table of all it holds."""
    parser = argparse.ArgumentParser(description="Calibration of real pastes, in invented worlds.")
    parser.add_argument("worlds", nargs="*", default=[], help="by default all")
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--unseen", type=int, default=200)
    add_options(parser)
    args = parser.parse_args()
    found, _ = resumed(
        [(name, seed) for seed in range(args.seeds) for name in args.worlds or WORLDS],
        lambda key: try_world(*key, args.unseen),
        args,
        lambda key, tried: ((str(key[0]), int(key[1])), Tried(*tried)),
    )
    order = list(WORLDS)
    print(table(sorted(found.values(), key=lambda t: (order.index(t.world), t.seed))))
    return 0


if __name__ == "__main__":
    sys.exit(main())
