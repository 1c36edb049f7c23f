"""Batches that came out off: in a world of other constants, and judged by enumeration.

The other world has n = 1.46 and g = 0.5 (the library takes 1.5 and 0.6): tables of the exact
slab for it, a forward calculation of its own for batches with known strengths and errors, and a
way to let the library's searches run there, to know what could have been saved.
"""

from __future__ import annotations

import contextlib
import functools
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from unittest import mock

import numpy as np
from scipy.interpolate import RectBivariateSpline

import shadematch as sm
from shadematch.colour.colorimetry import xyz_to_lab
from shadematch.colour.difference import delta_e
from shadematch.correction.additions import Additions
from shadematch.correction.belief import Priors, first_belief
from shadematch.correction.results import Correction
from shadematch.optics import layer
from shadematch.optics.table import surfaces, to_table_range, u_axis, v_axis
from shadematch.optics.transport import REFRACTIVE_INDEX, slab
from shadematch.predicting.prediction import Model
from shadematch.predicting.uncertainty import Uncertainty
from shadematch.studio.recipe import Weighed
from shadematch.support.arrays import FloatArray
from tests.invented.problems import bent, every_recipe, invented_palette

INDEX, ASYMMETRY = 1.46, 0.5
R0 = ((INDEX - 1) / (INDEX + 1)) ** 2
U_SCALE, V_SCALE, U_MAX, V_MAX = 0.002, 0.005, 60.0, 2000.0
WRONGLY_MADE: tuple[tuple[dict[str, object], str], ...] = (
    ({"let_down_paste": {"gorse": 1}}, "let_down_paste"),
    ({"let_down_paste": {"rosehip": 0}}, "let_down_paste.rosehip"),
    ({"let_down_paste": {"rosehip": 0.05}}, "let_down_paste.rosehip"),
    ({"let_down_paste": 3}, "let_down_paste"),
)
"""What nobody can have made a let-down of rosehip with, and the field that is wrong."""


@functools.cache
def other_surfaces(points: tuple[int, int] = (80, 72)) -> dict[str, RectBivariateSpline]:
    """Splines as `optics.table.surfaces` has them, for the other constants."""
    x = np.linspace(0.0, np.arcsinh(U_MAX / U_SCALE), points[0])
    y = np.linspace(0.0, np.arcsinh(V_MAX / V_SCALE), points[1])
    u, v = np.meshgrid(U_SCALE * np.sinh(x), V_SCALE * np.sinh(y), indexing="ij")
    solved = slab(u, v, np.array(1.0), n=INDEX, g=ASYMMETRY, half=12)
    return {
        name: RectBivariateSpline(x, y, np.asarray(values))
        for name, values in solved._asdict().items()
    }


@contextlib.contextmanager
def other_world() -> Iterator[None]:
    """Within it, the library's layers obey the other constants."""
    with (
        mock.patch.object(layer, "surfaces", other_surfaces),
        mock.patch.object(layer, "_SURFACE", R0),
    ):
        yield


@dataclass
class Pot:
    """A real batch: what is in it, not what was read off."""

    palette: sm.Palette
    thickness_cm: float
    strengths: FloatArray
    white_strength: float
    squeezed_doses: FloatArray
    base_g: FloatArray
    made: dict[str, float] = field(default_factory=dict)  # strength of let-downs, 1 as meant

    @classmethod
    def poured(
        cls,
        recipe: sm.Recipe,
        palette: sm.Palette,
        rng: np.random.Generator,
        *,
        strength: float = 0.1,
        white: float = 0.05,
    ) -> Pot:
        """A recipe as it is really made, ruler within 2 mm and scale within 1 g."""
        pot = cls(
            palette=palette,
            thickness_cm=recipe.pour.thickness_cm,
            strengths=np.exp(rng.normal(0, strength, len(palette.pigments))),
            white_strength=float(np.exp(rng.normal(0, white))),
            squeezed_doses=np.zeros(len(palette.pigments)),
            base_g=np.zeros(2),
        )
        pot.add(recipe.from_tubes, recipe.clear_g, recipe.white_g, rng)
        for part in recipe.weighed:
            pot.dose(part, recipe.pour.dose_step, rng)
        return pot

    def add(self, doses, clear_g, white_g, rng) -> None:  # type: ignore[no-untyped-def]
        """Squeeze and weigh more in, with errors of reading."""
        for name, dose in doses.items():
            self.squeezed_doses[self.palette.index(name)] += dose + rng.uniform(-0.2, 0.2)
        for at, grams in enumerate((clear_g, white_g)):
            if grams:
                self.base_g[at] += grams + rng.uniform(-1, 1)

    def dose(self, part: Weighed, step: float, rng: np.random.Generator) -> None:
        """Make a let-down, as little as will do, and weigh so much of it in."""
        let_down, paste = part.let_down, step
        while paste / let_down.paste_per_g < max(part.mass_g, 4.0) - 1e-9:
            paste += step
        in_it = paste + rng.uniform(-0.2, 0.2)
        paste_per_g = in_it / (paste / let_down.paste_per_g + rng.uniform(-1, 1))
        at, grams = self.palette.index(let_down.pigment), part.mass_g + rng.uniform(-1, 1)
        self.made[let_down.pigment] = paste_per_g / let_down.paste_per_g
        self.squeezed_doses[at] += grams * paste_per_g
        self.base_g += grams * np.array([1 - let_down.white, let_down.white])

    def lab(self) -> FloatArray:
        """Its colour, D65, 2 degrees, dry on white paper, for the other constants."""
        total = self.base_g.sum()
        clear, white = self.base_g / total
        mu_a = clear * np.array(self.palette.clear.absorption)
        mu_a = mu_a + white * np.array(self.palette.white.absorption)
        mu_s = clear * np.array(self.palette.clear.scattering)
        mu_s = mu_s + white * self.white_strength * np.array(self.palette.white.scattering)
        for cm, f, p in zip(
            self.squeezed_doses, self.strengths, self.palette.pigments, strict=True
        ):
            mu_a = mu_a + 100 * cm / total * f * np.array(p.absorption)
        x = np.arcsinh(mu_a * self.thickness_cm / U_SCALE)
        y = np.arcsinh(mu_s * self.thickness_cm / V_SCALE)
        assert mu_a.max() * self.thickness_cm < U_MAX
        R1, T1, Td, Rd = (other_surfaces()[n].ev(x, y) for n in ("R1", "T1", "Td", "Rd"))
        R = R1 - R0 + T1 * Td * 0.9 / (1 - 0.9 * Rd)
        view = sm.View().observation
        return xyz_to_lab(view.weights @ R, view.white)


# --- two rounds in the other world


@dataclass(frozen=True)
class Story:
    """A batch that came out off, and what became of it.

    Attributes
    ----------
    savable
        Whether any permitted addition to the real batch, made without error, gets within what
        was asked.
    delta_e
        Real CIEDE2000 to the target: as poured, and after each round.
    corrections
        What was advised.
    pot
        What was really in it at last.
    """

    savable: bool
    delta_e: tuple[float, ...]
    corrections: tuple[Correction, ...]
    pot: Pot


def could_be_saved(pot: Pot, recipe: sm.Recipe, aim: FloatArray, within: float) -> bool:
    """Whether an addition exists, with the default limits of `correct`; in the other world."""
    pour, names = recipe.pour, pot.palette.names
    read = np.array([recipe.doses.get(name, 0.0) for name in names])
    base = np.array([pour.clear_g, pour.white_g])
    belief = first_belief(
        pot.palette,
        sm.View(),
        thickness_cm=pour.thickness_cm,
        doses=read,
        base_g=base,
        priors=Priors(0, 0, 0, 0, 0),
    )
    truth = np.concatenate(
        [
            np.log(pot.strengths),
            [np.log(pot.white_strength)],
            pot.squeezed_doses - read,
            pot.base_g - base,
            np.zeros(3),
        ]
    )
    kinds = {0.0: ("clear",), 1.0: ("white",)}.get(pour.white, ("own", "clear", "white"))
    with other_world():
        additions = Additions(
            replace(belief, mean=truth),
            aim,
            step=pour.dose_step,
            max_load=pour.max_load,
            pot_g=1.5 * pour.batch_g,
            bases=kinds,
            base_step_g=max(10.0, 10.0 * round(pour.batch_g / 500.0)),
        )
        now = additions.value(np.zeros(len(names), int), (0.0, 0.0))[1]
        # Two ways to the same colour: the library's arithmetic, and that of `Pot`.
        assert abs(now - delta_e(pot.lab(), aim)) < 2e-3
        found = additions.closest(enough=within)
    return found.delta_e <= within


def thinned(
    rng: np.random.Generator, palette: sm.Palette
) -> tuple[sm.Target, sm.Recipe, FloatArray]:
    """A pastel shade in a small pour, its closest recipe with two let-downs, and its colour."""
    while True:
        pour = sm.Pour(
            batch_g=float(rng.choice([60, 100, 150, 200])),
            thickness_cm=float(rng.choice([1, 2])),
            white=float(rng.choice([0, 0, 0.1, 1])),
        )
        names = [str(n) for n in rng.permutation(palette.names)[:2]]
        loads = np.zeros(len(palette.pigments))
        loads[[palette.index(n) for n in names]] = rng.uniform(0.1, 1.5, 2)
        aim = Model(palette, pour.thickness_cm, pour.white, sm.View()).lab(loads)
        target = sm.Target(tuple(aim.tolist()))
        let_downs = [
            sm.LetDown.made(n, paste=1, base_g=25, white=float(pour.white == 1)) for n in names
        ]
        match = sm.match(target, pour=pour, tolerance=0.0, let_downs=let_downs)
        if match.delta_e <= 1.0 and match.recipe.weighed:
            return target, match.recipe, aim


def plain(rng: np.random.Generator, palette: sm.Palette) -> tuple[sm.Target, sm.Recipe, FloatArray]:
    """A shade in a larger pour, its closest recipe in whole centimetres, and its colour."""
    n = len(palette.pigments)
    while True:
        pour = sm.Pour(
            batch_g=float(rng.choice([200, 300, 500, 1000])),
            thickness_cm=float(rng.choice([1, 2])),
            white=float(rng.choice([0, 0, 0.1, 0.5, 1])),
        )
        loads = rng.dirichlet(np.full(n + 1, 0.7))[:n] * pour.max_load * rng.uniform(0.3, 1.0)
        aim = Model(palette, pour.thickness_cm, pour.white, sm.View()).lab(loads)
        target = sm.Target(tuple(aim.tolist()))
        match = sm.match(target, pour=pour, tolerance=0.0)
        if match.delta_e <= 1.0:
            return target, match.recipe, aim


def two_rounds(seed: int, *, within: float = 1.5, let_downs: bool = False) -> Story:
    """A random batch, off by more than `within`, measured and corrected twice."""
    rng = np.random.default_rng(seed)
    palette = sm.demo_palette()
    while True:
        target, recipe, aim = (thinned if let_downs else plain)(rng, palette)
        pot = Pot.poured(recipe, palette, rng)
        if delta_e(pot.lab(), aim) > within:
            break
    savable = could_be_saved(pot, recipe, aim, within)
    values, said = [float(delta_e(pot.lab(), aim))], []
    what: sm.Recipe | Correction = recipe
    for _ in range(2):
        measured = pot.lab() + rng.normal(0, 0.3, 3)
        what = sm.correct(what, measured, target)
        said.append(what)
        pot.add(what.advice.doses, what.advice.clear_g, what.advice.white_g, rng)
        values.append(float(delta_e(pot.lab(), aim)))
    return Story(savable, tuple(values), tuple(said), pot)


def misses(seed: int) -> list[tuple[float, float]]:
    """What a first measurement of a pastel bar of the other world teaches of its let-downs.

    Of each let-down: the logarithm of its real strength (of its paste, times as it was made),
    less what was believed of it, over the deviation of that; before the measurement, and after.
    """
    rng = np.random.default_rng(seed)
    palette = sm.demo_palette()
    target, recipe, _ = thinned(rng, palette)
    pot = Pot.poured(recipe, palette, rng)
    belief = sm.correct(recipe, pot.lab() + rng.normal(0, 0.3, 3), target)._belief
    rows = []
    for at, part in enumerate(belief.let_downs):
        name = part.let_down.pigment
        paste = palette.index(name)
        pair = [paste, 2 * belief.count + 3 + at]
        truth = np.log(pot.strengths[paste] * pot.made[name])
        before = np.hypot(0.1, np.hypot(0.2 / part.paste, 1.0 / part.base_g) / np.sqrt(3))
        after = np.sqrt(belief.covariance[np.ix_(pair, pair)].sum())
        rows.append((truth / before, (truth - belief.mean[pair].sum()) / after))
        rows[-1] += (after / before,)
    return rows


# --- against enumeration


def random_off_batch(seed: int, let_downs: bool = False, bends: bool = False) -> Correction:
    """A correction of a random batch that is off, small enough to look at every addition.

    Where it has let-downs, there is one of half of its pastes, or of its first. With `bends`,
    pastes are weaker where there is much of them.
    """
    rng = np.random.default_rng(seed)
    n = int(rng.integers(1, 6))
    palette = sm.demo_palette() if seed % 3 == 0 else invented_palette(rng, n)
    palette = bent(palette, rng) if bends else palette
    n = len(palette.pigments)
    tolerance = float(rng.choice([0.7, 1.0, 1.5, 3.0]))
    while True:
        pour = sm.Pour(
            batch_g=float(rng.choice([100, 200, 300, 500][1 if n < 4 else 0 : 6 - max(n, 2)])),
            thickness_cm=float(rng.choice([0.5, 1.0, 2.0])),
            white=float(rng.choice([0.0, 0.0, 0.1, 0.5, 1.0])),
            dose_step=float(rng.choice([1.0, 1.0, 0.5 if n < 4 else 1.0])),
        )
        shares = rng.dirichlet(np.full(n + 1, 0.7))[:n] * rng.uniform(0.2, 0.9)
        doses = np.floor(shares * pour.max_steps) * pour.dose_step
        model = Model(palette, pour.thickness_cm, pour.white, sm.View())
        parts: list[Weighed] = []
        for at in range(n if let_downs else 0):
            grams = float(rng.integers(1, int(pour.batch_g / (2 * n))))
            if rng.random() < 0.5 or (at == n - 1 and not parts):
                made = sm.LetDown.made(
                    palette.names[at],
                    paste=1,
                    base_g=float(rng.choice([10, 25])),
                    white=float(rng.integers(2)) if 0 < pour.white < 1 else pour.white,
                )
                parts.append(Weighed(made, grams))
                doses[at] += parts[-1].paste
        sides = [sum(p.mass_g * abs(p.let_down.white - w) for p in parts) for w in (0, 1)]
        if sides[0] > pour.white_g or sides[1] > pour.clear_g or doses.sum() > pour.max_total:
            continue
        loads = doses * 100 / pour.batch_g
        measured = model.lab(loads * np.exp(rng.normal(0, 0.25, n))) + rng.normal(0, 0.3, 3)
        aims = (model.lab(loads), model.lab(shares * pour.max_load), measured + rng.normal(0, 6, 3))
        aim = np.clip(aims[int(rng.choice([0, 0, 0, 0, 1, 2]))], (0, -150, -150), (100, 150, 150))
        if delta_e(measured, aim) > tolerance + 0.3:
            break
    names = palette.names
    kinds = ("clear", "white", "own")
    return sm.correct(
        sm.Recipe({k: d for k, d in zip(names, doses.tolist(), strict=True) if d}, pour, parts),
        sm.Target(tuple(measured.tolist())),
        sm.Target(tuple(aim.tolist())),
        palette=palette,
        within=tolerance,
        pot_g=pour.batch_g * float(rng.choice([1.0, 1.5, 2.0, 2.5])),
        base_step_g=float(rng.choice([10.0, 25.0])),
        bases=[k for k in kinds if rng.random() < 0.6] if rng.random() < 0.7 else None,
    )


def every_addition(
    c: Correction, bases: tuple[str, ...], pot_g: float, base_step_g: float, max_load: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Steps (k, n), mass of base (k,) and CIEDE2000 (k,) of every permitted addition.

    Colours come from `Model` with the learned palette, and what is in the pot from the most likely
    errors by arithmetic of its own.
    """
    belief, pour, names = c._belief, c.recipe.pour, c.palette.names
    n, errors = len(names), belief.mean
    squeezed = np.array([c.recipe.from_tubes.get(name, 0.0) for name in names])
    lengths = np.maximum(squeezed + errors[n + 1 : 2 * n + 1], 0)
    real = np.array([c.recipe.clear_g, c.recipe.white_g]) + errors[2 * n + 1 : 2 * n + 3]
    count = len(c.recipe.weighed)
    made, off = errors[2 * n + 3 : -3].reshape(2, count)
    for part, f, e in zip(c.recipe.weighed, made, off, strict=True):
        grams = max(part.mass_g + e, 0.0)
        lengths[names.index(part.let_down.pigment)] += grams * part.let_down.paste_per_g * np.exp(f)
        real += grams * np.array([1 - part.let_down.white, part.let_down.white])
    step = pour.dose_step
    aim = c.target.lab_in(sm.View())
    rows, masses, values = [], [], []
    portions = int((pot_g - pour.batch_g) / base_step_g + 1e-9)
    for k in range(portions + 1):
        grams = k * base_step_g
        for kind in bases if k else ("own",):
            white = {"own": round(grams * pour.white), "clear": 0.0, "white": grams}[kind]
            most = (pour.batch_g + grams) * max_load / 100 - c.recipe.total
            room = int(np.floor(most / step + 1e-9))
            if room < 0 and k == 0:
                room = 0
            if room < 0:
                continue
            steps = every_recipe(n, room)
            mass = real.sum() + grams
            share = (real[1] + white) / mass
            model = Model(c.palette, pour.thickness_cm, share, sm.View())
            lab = model.lab((lengths + steps * step) * 100 / mass) + c.unexplained_lab
            rows.append(steps)
            masses.append(np.full(len(steps), grams))
            values.append(delta_e(lab, aim))
    return np.concatenate(rows), np.concatenate(masses), np.concatenate(values)


def faults(seed: int, *, bends: bool = False) -> tuple[str, list[str]]:
    """Status of a random correction, and everything that enumeration finds wrong with it.

    Every fourth batch has let-downs.
    """
    c = random_off_batch(seed, let_downs=seed % 4 == 3, bends=bends)
    last, pour = c._additions, c.recipe.pour
    steps, grams, values = every_addition(
        c, last.bases, last.pot_g, last.base_step_g, last.max_load
    )
    wrong = []
    if not c.proved:
        wrong.append("not proved")
    good = values <= c.within
    if good.any() != (c.smallest is not None):
        wrong.append(f"status {c.status}, but the best is {values.min()}")
    if c.smallest is not None and good.any():
        totals = steps.sum(axis=1) * pour.dose_step
        order = np.lexsort((values[good], grams[good], totals[good]))[0]
        best = totals[good][order], grams[good][order], values[good][order]
        a = c.smallest
        mine = a.total, a.clear_g + a.white_g, a.delta_e
        if not np.allclose(best, mine, rtol=0, atol=1e-9):
            wrong.append(f"smallest {mine}, but {best} will do")
    listed = len(steps) <= 4000
    if c.closest.delta_e > values.min() + (1e-9 if listed else 0.01):
        wrong.append(f"closest {c.closest.delta_e}, but {values.min()} is there")
    if c.bound > values.min() + 1e-9:
        wrong.append(f"bound {c.bound} above {values.min()}")
    for a in (c.advice, c.closest):
        after = a.recipe
        if any(d < 0 or abs(d / pour.dose_step % 1) > 1e-9 for d in a.doses.values()):
            wrong.append(f"not whole steps, or taken out: {a}")
        if a.clear_g < 0 or a.white_g < 0 or after.pour.batch_g > last.pot_g + 1e-9:
            wrong.append(f"base taken out, or too much for the pot: {a}")
        if not a.nothing and after.load > last.max_load + 1e-9:
            wrong.append(f"over the load limit: {a}")
        for name, dose in c.recipe.doses.items():
            if after.doses[name] < dose - 1e-9:
                wrong.append(f"taken out: {name}")
        if after.weighed != c.recipe.weighed:
            wrong.append("let-downs lost")
    return c.status, wrong


# --- what readings of ruler and scale do, squeezed a hundred thousand times


def by_monte_carlo(
    recipe: sm.Recipe,
    aim: FloatArray,
    *,
    dose_slip: float,
    scale_g: float,
    seed: int,
    count: int = 100_000,
    made_g: tuple[float, ...] = (),
    lights: tuple[str, ...] = ("D65",),
) -> FloatArray:
    """CIEDE2000 of random squeezes of the demo palette, shape (count,); by the full table.

    Let-downs are of `made_g` grams of base each. With several lights `aim` has a row for each,
    and the worst counts.
    """
    rng = np.random.default_rng(seed)
    palette, pour = sm.demo_palette(), recipe.pour
    seen = [sm.View(illuminant=light).observation for light in lights]
    aims = np.atleast_2d(aim)
    surface = surfaces()
    r0 = ((REFRACTIVE_INDEX - 1) / (REFRACTIVE_INDEX + 1)) ** 2
    values = []
    for size in np.full(max(count // 10_000, 1), min(count, 10_000)).tolist():
        clear, white = (
            np.maximum(g + rng.uniform(-scale_g, scale_g, size), 0) if g else np.zeros(size)
            for g in (recipe.clear_g, recipe.white_g)
        )
        pastes = {name: np.zeros(size) for name in palette.names}
        for name, dose in recipe.from_tubes.items():
            pastes[name] += np.maximum(dose + rng.uniform(-dose_slip, dose_slip, size), 0)
        for part, base_g in zip(recipe.weighed, made_g, strict=True):
            in_it = base_g * part.let_down.paste_per_g + rng.uniform(-dose_slip, dose_slip, size)
            dosed = np.maximum(part.mass_g + rng.uniform(-scale_g, scale_g, size), 0)
            base = base_g + rng.uniform(-scale_g, scale_g, size)
            pastes[part.let_down.pigment] += dosed * np.maximum(in_it, 0) / base
            clear = clear + dosed * (1 - part.let_down.white)
            white = white + dosed * part.let_down.white
        share = white / (clear + white)
        mu_a = np.outer(1 - share, palette.clear.absorption)
        mu_a += np.outer(share, palette.white.absorption)
        mu_s = np.outer(1 - share, palette.clear.scattering)
        mu_s += np.outer(share, palette.white.scattering)
        for name, length in pastes.items():
            mu_a += np.outer(length * 100 / (clear + white), palette[name].absorption)
        u, v, _ = to_table_range(mu_a * pour.thickness_cm, mu_s * pour.thickness_cm)
        x, y = u_axis(u), v_axis(v)
        R1, T1, Td, Rd = (surface[name].ev(x, y) for name in ("R1", "T1", "Td", "Rd"))
        R = np.maximum(R1 - r0 + T1 * Td * 0.9 / (1 - 0.9 * Rd), 0)
        each = [
            delta_e(xyz_to_lab(R @ s.weights.T, s.white), own)
            for s, own in zip(seen, aims, strict=True)
        ]
        values.append(np.max(each, axis=0))
    return np.concatenate(values)


def spread_against_monte_carlo(seed: int) -> float:
    """Largest relative error of mean, median, 90th and 95th percentile, for a random recipe."""
    rng = np.random.default_rng(seed)
    palette = sm.demo_palette()
    pour = sm.Pour(
        batch_g=float(rng.choice([60, 100, 300, 1000])),
        thickness_cm=float(rng.choice([0.5, 1.0, 2.0])),
        white=float(rng.choice([0.0, 0.02, 0.1, 0.5, 1.0])),
    )
    steps = np.floor(rng.dirichlet(np.full(6, 0.6))[:5] * (pour.max_steps + 1))
    doses = {n: d for n, d in zip(palette.names, steps.tolist(), strict=True) if d} or {"kelp": 1.0}
    ruler, scale = float(rng.choice([0.1, 0.2, 0.5])), float(rng.choice([0.1, 1.0, 5.0]))
    aim = np.array(sm.predict(doses, pour=pour).lab) + rng.normal(0, 2, 3) * (seed % 2)
    target = sm.Target(tuple(aim.tolist())) if seed % 2 else None
    found = sm.spread(doses, pour=pour, dose_slip=ruler, scale_g=scale, target=target)
    values = by_monte_carlo(found.recipe, aim, dose_slip=ruler, scale_g=scale, seed=seed)
    theirs = np.array([values.mean(), *np.quantile(values, (0.5, 0.9, 0.95))])
    ours = np.array([found.mean, found.median, found.p90, found.p95])
    return float(np.abs(ours / theirs - 1).max())


def robust_against_all(seed: int, batch_g: float | None = None) -> tuple[float, float, float]:
    """Expected CIEDE2000 for a random target: of the answer, the best of all, of the closest."""
    rng = np.random.default_rng(seed)
    palette = sm.demo_palette() if seed % 2 else invented_palette(rng, int(rng.integers(2, 6)))
    palette = palette.known_to(0.1) if seed % 4 > 1 else palette
    n = len(palette.pigments)
    pour = sm.Pour(
        batch_g=batch_g or float(rng.choice([100, 200, 300])),
        thickness_cm=float(rng.choice([1.0, 2.0])),
        white=float(rng.choice([0.0, 0.0, 0.3, 1.0])),
    )
    loads = rng.dirichlet(np.full(n + 1, 0.7))[:n] * pour.max_load
    lab = Model(palette, pour.thickness_cm, pour.white, sm.View()).lab(loads)
    target = sm.Target(tuple((lab + rng.normal(0, 1.0, 3)).tolist()))
    found = sm.match(target, palette=palette, pour=pour, robust=True)
    assert found.robust is not None and found.robust.expected is not None
    known = Uncertainty(palette, pour, sm.View(), dose_slip=0.2, scale_g=1.0)
    every = every_recipe(n, pour.max_steps).astype(float)
    # Of every one, by the formula itself; no norm, no floor.
    colours = known.colours(every)
    values, plain = colours.expected(np.array([target.lab])), delta_e(colours.lab[:, 0], target.lab)
    most = plain[values.argmin()] + found.tolerance
    near = every[(values <= values.min() + found.tolerance) & (plain <= most)]
    assert found.frugal_proved
    assert found.recipe.total == near.sum(axis=1).min()
    held = [found.closest.recipe.doses.get(name, 0.0) for name in palette.names]
    closest = values[(every == held).all(axis=1)][0]
    return found.robust.expected, float(values.min()), float(closest)


def let_downs_against_monte_carlo(seed: int) -> float:
    """As `spread_against_monte_carlo`, for a recipe with one to three let-downs."""
    rng = np.random.default_rng(seed)
    palette = sm.demo_palette()
    pour = sm.Pour(
        batch_g=float(rng.choice([60, 100, 300])),
        thickness_cm=float(rng.choice([0.5, 1.0, 2.0])),
        white=float(rng.choice([0.0, 0.1, 1.0])),
    )
    ruler, scale = float(rng.choice([0.1, 0.2])), float(rng.choice([0.1, 0.5, 1.0]))
    names = [str(n) for n in rng.permutation(palette.names)[: int(rng.integers(1, 4))]]
    doses = {n: float(rng.integers(0, 3)) for n in palette.names}
    parts, made, told = [], [], {}
    for name in names:
        strength = 1.0 / float(rng.choice([10.0, 25.0, 50.0]))
        kind = float(pour.white if pour.white in (0.0, 1.0) else rng.choice([0.0, 1.0]))
        room = pour.batch_g * (pour.white if kind else 1 - pour.white) / 4
        part = Weighed(
            sm.LetDown(pigment=name, paste_per_g=strength, white=kind),
            float(rng.integers(1, max(room, 2))),
        )
        parts.append(part)
        doses[name] += part.paste
        # What the default comes to, worked out another way; or five times as much as 1 cm.
        if rng.random() < 0.5:
            told[name] = 5.0
        paste = told.get(name, 1.0)
        while name not in told and paste / strength < max(part.mass_g, 4 * scale) - 1e-9:
            paste += 1.0
        made.append(paste / strength)
    recipe = sm.Recipe({n: d for n, d in doses.items() if d}, pour, tuple(parts))
    lights = ("D65", "A") if seed % 3 == 0 else ("D65",)
    views = [sm.View(illuminant=light) for light in lights]
    aims = np.array([sm.predict(recipe.doses, pour=pour, view=v).lab for v in views])
    found = sm.spread(
        recipe,
        dose_slip=ruler,
        scale_g=scale,
        let_down_paste=told,
        lights=lights if len(lights) > 1 else (),
    )
    values = by_monte_carlo(
        recipe, aims, dose_slip=ruler, scale_g=scale, seed=seed, made_g=tuple(made), lights=lights
    )
    theirs = np.array([values.mean(), *np.quantile(values, (0.5, 0.9, 0.95))])
    ours = np.array([found.mean, found.median, found.p90, found.p95])
    return float(np.abs(ours / theirs - 1).max())
