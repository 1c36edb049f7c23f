"""Random problems for the search, and the plain enumeration and other solver that judge it."""

from __future__ import annotations

from dataclasses import dataclass

import iadpython
import numpy as np

import shadematch as sm
from shadematch.colour.difference import delta_e
from shadematch.colour.standards import WAVELENGTHS_NM
from shadematch.optics.transport import ASYMMETRY, REFRACTIVE_INDEX
from shadematch.predicting.prediction import Model, model_for
from shadematch.search.searcher import Searcher
from shadematch.search.space import whole_space
from shadematch.support.arrays import FloatArray, IntArray

R0 = ((REFRACTIVE_INDEX - 1) / (REFRACTIVE_INDEX + 1)) ** 2
KINDS = ("inside", "edge", "outside", "grey", "hue jump", "dark")


def altered(palette: sm.Palette, name: str, factor: float) -> sm.Palette:
    """The palette with one paste stronger."""
    data = palette.model_dump(mode="json")
    for pigment in data["pigments"]:
        if pigment["name"] == name:
            pigment["absorption"] = [factor * v for v in pigment["absorption"]]
    return sm.Palette(**data)


def invented_palette(rng: np.random.Generator, count: int, *, twins: bool = False) -> sm.Palette:
    """Pastes with random smooth bands; with `twins`, two of them are nearly the same."""
    demo = sm.demo_palette()
    pigments = []
    for i in range(count):
        curve = np.full(WAVELENGTHS_NM.size, rng.uniform(0.0, 0.05))
        for _ in range(rng.integers(1, 4)):
            centre, width = rng.uniform(380, 730), rng.uniform(20, 90)
            curve += rng.uniform(0.2, 3.0) * np.exp(-(((WAVELENGTHS_NM - centre) / width) ** 2))
        if twins and i == 1:
            curve = np.array(pigments[0].absorption) * (1 + 1e-6 * rng.normal(size=curve.size))
        pigments.append(sm.Pigment(name=f"paste {i}", absorption=tuple(curve.tolist())))
    return sm.Palette(pigments=tuple(pigments), clear=demo.clear, white=demo.white)


def with_chalk(count: int = 3) -> sm.Palette:
    """The demo palette with an invented paste that scatters in place of some others."""
    demo = sm.demo_palette()
    wave = np.arange(380, 731, 10) / 550
    chalk = sm.Pigment(
        name="chalk", absorption=(0.01,) * 36, scattering=tuple((5.0 / wave).tolist())
    )
    return sm.Palette(pigments=(*demo.pigments[:count], chalk), clear=demo.clear, white=demo.white)


def milky(rng: np.random.Generator, count: int, scattering: int) -> sm.Palette:
    """Random pastes, the first of which scatter."""
    plain = invented_palette(rng, count)
    curves = [
        (rng.uniform(0.5, 10) * (550 / WAVELENGTHS_NM) ** rng.uniform(0, 2)).tolist()
        for _ in range(scattering)
    ]
    pastes = [
        p.model_copy(update={"scattering": tuple(curve)})
        for p, curve in zip(plain.pigments, curves, strict=False)
    ]
    pigments = (*pastes, *plain.pigments[scattering:])
    return sm.Palette(pigments=pigments, clear=plain.clear, white=plain.white)


def bent(palette: sm.Palette, rng: np.random.Generator) -> sm.Palette:
    """The same, its pastes weaker or a little stronger where there is much, and white crowding."""
    bends = [float(rng.choice([-0.05, 0.0, 0.0625, rng.uniform(0, 1)])) for _ in palette.pigments]
    pigments = [
        p.model_copy(update={"bend": k}) for p, k in zip(palette.pigments, bends, strict=True)
    ]
    white = palette.white.model_copy(update={"crowding": float(rng.uniform(-0.5, 0.9))})
    return sm.Palette(pigments=tuple(pigments), clear=palette.clear, white=white)


def every_recipe(count: int, most: int) -> FloatArray:
    """All whole recipes of at most `most` steps, by plain recursion."""
    if count == 0:
        return np.zeros((1, 0))
    rest = every_recipe(count - 1, most)
    parts = [
        np.column_stack([np.full(len(keep), k), keep])
        for k in range(most + 1)
        if len(keep := rest[rest.sum(axis=1) <= most - k])
    ]
    return np.concatenate(parts)


def by_adding_doubling(mu_a: float, mu_s: float, thickness: float, backing: float) -> float:
    """One wavelength of a bar on a backing, from iadpython (S. A. Prahl), gloss left out."""
    scattering = mu_s / (1 - ASYMMETRY)
    sample = iadpython.Sample(
        a=scattering / (scattering + mu_a),
        b=(scattering + mu_a) * thickness,
        g=ASYMMETRY,
        n=REFRACTIVE_INDEX,
        quad_pts=24,
    )
    r1, t1, rd, td = sample.rt()
    return float(r1 - R0 + t1 * td * backing / (1 - backing * rd))


@dataclass(frozen=True)
class Problem:
    """A target in a permitted region, and everything that lies in the region."""

    kind: str
    target: FloatArray
    searcher: Searcher
    steps: IntArray
    lab: FloatArray

    def best(self) -> tuple[float, int]:
        """Smallest CIEDE2000, and how many recipes have it."""
        values = delta_e(self.lab, self.target)
        return float(values.min()), int(np.sum(values == values.min()))

    def least_paste(self, within: float) -> int:
        """Fewest steps among recipes with at most that CIEDE2000."""
        return int(self.steps[delta_e(self.lab, self.target) <= within].sum(axis=1).min())


def target_of(kind: str, rng: np.random.Generator, model: Model, loads: FloatArray) -> FloatArray:
    """A target of a kind, near the colour of `loads` where the kind asks for it."""
    lab = model.lab(loads)
    if kind == "inside":
        return lab + rng.normal(0, 0.2, 3)
    if kind == "edge":
        # A recipe of two pastes at most lies on the gamut's skin or near it.
        lean = np.where(np.argsort(np.argsort(-loads)) < 2, loads, 0.0)
        return model.lab(lean) * np.array([1.0, 1.02, 1.02])
    if kind == "grey":
        return np.array([rng.uniform(5, 95), *rng.normal(0, 0.05, 2)])
    if kind == "hue jump":
        # A target whose hue is opposite to that of a reachable, nearly grey colour.
        return np.array([lab[0], *(-rng.uniform(0.01, 0.5) * lab[1:])])
    if kind == "dark":
        return np.array([rng.uniform(0, 8), *rng.normal(0, 2, 2)])
    return np.array(sm.Target.from_srgb(rng.random(3).tolist()).lab)


def problem(seed: int, *, least: int = 3001, most: int = 60_000, bends: bool = False) -> Problem:
    """A random problem with between `least` and `most` recipes; with `bends`, paste bends."""
    rng = np.random.default_rng(seed)
    while True:
        count = int(rng.integers(1, 9))
        palette = invented_palette(rng, count, twins=bool(count > 1 and rng.random() < 0.2))
        palette = bent(palette, rng) if bends else palette
        step = float(rng.choice([1.0, 0.5]))
        pour = sm.Pour(
            batch_g=float(rng.choice([100, 200, 300, 500, 1000, 20_000])),
            thickness_cm=float(rng.choice([0.3, 1.0, 2.0, 4.0])),
            white=float(rng.choice([0.0, 0.0, 0.05, 0.5, 1.0])),
            max_load=float(rng.choice([1.0, 2.0, 4.0, 8.0])),
            dose_step=step,
        )
        view = sm.View(
            illuminant=str(rng.choice(["D65", "D65", "A", "FL11"])),
            observer=str(rng.choice(["2", "10"])),
            backing=str(rng.choice(["white", "black"])),
            contact=str(rng.choice(["dry", "wet"])),
            through=bool(rng.choice([False, False, True])),
        )
        model = model_for(palette, pour.thickness_cm, pour.white, view)
        tubes = int(rng.integers(1, count + 1)) if rng.random() < 0.3 else None
        required = (0,) if rng.random() < 0.2 else ()
        excluded = (count - 1,) if count > 2 and rng.random() < 0.2 else ()
        if pour.max_steps < 2:
            continue
        whole = whole_space(
            model,
            load_per_step=pour.load_per_step,
            max_steps=pour.max_steps,
            max_tubes=tubes,
            required=required,
            excluded=excluded,
        )
        if least <= whole.limits.count() <= most:
            break
    kind = KINDS[seed % len(KINDS)]
    loads = rng.dirichlet(np.full(count + 1, 0.7))[:count] * pour.max_load
    steps = whole.limits.recipes()
    lab = np.concatenate([whole.lab(steps[i : i + 20_000]) for i in range(0, len(steps), 20_000)])
    target = target_of(kind, rng, model, loads)
    return Problem(kind, target, Searcher(whole), steps, lab)
