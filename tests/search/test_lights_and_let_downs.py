"""Several lights at once and let-downs, against plain enumeration and other solvers."""

from __future__ import annotations

import itertools
import pickle

import numpy as np
import pytest
from scipy.optimize import differential_evolution

import shadematch as sm
from shadematch.colour.colorimetry import xyz_to_lab
from shadematch.colour.difference import delta_e
from shadematch.colour.standards import WAVELENGTHS_NM, observation
from shadematch.predicting.prediction import model_for
from shadematch.search.limits import pour_limits, step_limits
from shadematch.search.minimax import minimax
from shadematch.search.space import Space, whole_space
from tests.invented.joint_problems import joint_problem, some_spectrum
from tests.invented.problems import with_chalk

SEEDS = range(200, 215)


@pytest.mark.parametrize("part", range(5))
def test_no_miss_and_no_bound_above_the_optimum(part: int) -> None:
    for seed in SEEDS[part::5]:
        p = joint_problem(seed, most=30_000, scatter=0.0)
        m = sm.match(p.target, **p.arguments)  # type: ignore[arg-type]
        assert m.closest.delta_e == pytest.approx(p.best, abs=1e-9), seed
        assert m.bound <= p.best + 1e-12, seed
        assert m.bound >= p.best - 0.01, seed
        least = p.least_paste(m.closest.delta_e + 0.5)
        assert m.recipe.total == pytest.approx(least, abs=1e-6), seed
        assert m.delta_e <= p.best + 0.5 + 1e-9, seed
        assert m.proved, seed
        assert m.frugal_proved, seed


@pytest.mark.parametrize("seed", [253, 299, 315, 329])
def test_the_closest_of_those_with_the_least_paste(seed: int) -> None:
    # So loose that several recipes take equally little.
    p = joint_problem(seed, most=30_000, scatter=0.0)
    m = sm.match(p.target, tolerance=6.0, **p.arguments)  # type: ignore[arg-type]
    near = p.values <= m.closest.delta_e + 6.0
    least = p.paste[near].min()
    assert m.recipe.total == pytest.approx(least, abs=1e-6)
    short = near & (p.paste <= least + 1e-9)
    assert m.delta_e == pytest.approx(p.values[short].min(), abs=1e-9)


def spectral(seed: int) -> sm.Target:
    curve = some_spectrum(np.random.default_rng(seed))
    return sm.Target.from_reflectance(WAVELENGTHS_NM.tolist(), curve.tolist())


def worst_of(
    doses: dict[str, float], target: sm.Target, pour: sm.Pour, lights: tuple[str, ...]
) -> float:
    """By `predict` and `lab_in` alone."""
    values = []
    for light in lights:
        view = sm.View(illuminant=light)
        lab = np.array(sm.predict(doses, pour=pour, view=view).lab)
        values.append(float(delta_e(lab, target.lab_in(view))))
    return max(values)


@pytest.mark.parametrize("seed", [1])
def test_worst_light_against_differential_evolution(seed: int) -> None:
    # scipy.optimize.differential_evolution with `integrality`: another solver altogether.
    target, lights = spectral(seed), ("D65", "A", "LED-B3")
    pour = sm.Pour(batch_g=300)
    names = sm.demo_palette().names
    m = sm.match(target, pour=pour, lights=lights, tolerance=0.0)
    assert m.delta_e == pytest.approx(worst_of(dict(m.recipe.doses), target, pour, lights))
    assert m.lights == pytest.approx(
        {light: worst_of(dict(m.recipe.doses), target, pour, (light,)) for light in lights}
    )
    models = [model_for(sm.demo_palette(), 1.0, 0.0, sm.View(illuminant=x)) for x in lights]

    def cost(x: np.ndarray) -> float:
        if x.sum() > pour.max_steps:
            return 100.0 + float(x.sum())
        loads = np.asarray(x) * pour.load_per_step
        return max(float(delta_e(model.lab(loads), target.lab_in(model.view))) for model in models)

    other = differential_evolution(
        cost,
        [(0, pour.max_steps)] * len(names),
        integrality=[True] * len(names),
        seed=seed,
        maxiter=40,
        popsize=10,
        polish=False,
        updating="deferred",
    )
    assert m.closest.delta_e <= other.fun + 1e-9
    assert m.proved
    assert m.bound <= m.closest.delta_e + 1e-12


def test_one_light_alone_is_the_plain_match() -> None:
    plain = sm.match("#d9822b", pour=sm.Pour(batch_g=300))
    one = sm.match("#d9822b", pour=sm.Pour(batch_g=300), lights=["D65"])
    assert one.closest.recipe == plain.closest.recipe
    assert one.closest.delta_e == pytest.approx(plain.closest.delta_e, abs=1e-12)
    assert one.recipe.total == plain.recipe.total
    assert one.ideal.delta_e == pytest.approx(plain.ideal.delta_e, abs=1e-6)


def test_worst_is_no_better_than_any_light_alone_and_no_worse_than_its_recipe() -> None:
    target, pour, lights = spectral(5), sm.Pour(batch_g=500), ("D65", "A", "FL11")
    joint = sm.match(target, pour=pour, lights=lights)
    for light in lights:
        alone = sm.match(target, pour=pour, view=sm.View(illuminant=light))
        assert joint.closest.delta_e >= alone.closest.delta_e - 1e-9
        doses = dict(alone.closest.recipe.doses)
        assert joint.closest.delta_e <= worst_of(doses, target, pour, lights) + 1e-9
    assert joint.ideal.delta_e <= joint.closest.delta_e + 1e-9
    assert joint.verdict.sentence
    for said in (str(joint), joint._repr_html_()):
        assert "worst of D65" in said and ", A " in said
    front = joint.choices
    assert front[0].delta_e == pytest.approx(joint.closest.delta_e, abs=0.011)
    assert all(a.delta_e <= b.delta_e for a, b in itertools.pairwise(front))


def test_ideal_of_several_lights_is_no_worse_than_a_random_search() -> None:
    target, lights = spectral(8), ("D65", "A", "LED-B3")
    pour = sm.Pour(batch_g=1000)
    m = sm.match(target, pour=pour, lights=lights)
    rng = np.random.default_rng(0)
    model = model_for(sm.demo_palette(), 1.0, 0.0, sm.View())
    loads = rng.dirichlet(np.full(6, 0.5), size=20_000)[:, :5] * pour.max_load
    spectra = model.spectra(loads)
    values = []
    for light in lights:
        weights, white = observation(light)
        lab = xyz_to_lab(spectra @ weights.T, white)
        values.append(delta_e(lab, target.lab_in(sm.View(illuminant=light))))
    assert m.ideal.delta_e <= float(np.maximum.reduce(values).min()) + 1e-6


@pytest.mark.parametrize(("seed", "max_load"), [(2, 4.0), (5, 4.0), (9, 1.0)])
def test_minimax_against_differential_evolution(seed: int, max_load: float) -> None:
    # With the smaller limit it is the load that holds the colour back.
    rng = np.random.default_rng(seed)
    lights, pour = ("D65", "A", "FL11"), sm.Pour(batch_g=1000, max_load=max_load)
    palette, target = sm.demo_palette(), spectral(seed)
    if max_load < 4:
        dark = 0.1 * some_spectrum(np.random.default_rng(seed))
        target = sm.Target.from_reflectance(WAVELENGTHS_NM.tolist(), dark.tolist())
    views = [sm.View(illuminant=light) for light in lights]
    models = [model_for(palette, pour.thickness_cm, pour.white, view) for view in views]
    space = Space.of(models, pour.load_per_step, step_limits(5, pour.max_steps))
    goals = np.array([target.lab_in(view) for view in views])

    def worst(steps):  # type: ignore[no-untyped-def]
        values = [delta_e(lab, g) for lab, g in zip(space.labs(steps), goals, strict=True)]
        return np.maximum.reduce(values)

    def cost(x):  # type: ignore[no-untyped-def]
        over = np.maximum(x.sum(axis=0) - pour.max_steps, 0)
        return np.where(over > 0, 200.0 + over, worst(x.T))

    theirs = differential_evolution(
        cost,
        [(0, pour.max_steps)] * 5,
        vectorized=True,
        updating="deferred",
        seed=seed,
        tol=1e-8,
        maxiter=600,
    )
    start = np.clip(theirs.x + rng.normal(0, 1.0, 5), 0, None)
    start *= min(1.0, pour.max_steps / start.sum())
    steps, value = minimax(space, goals, start)
    assert worst(start) > 1.02 * theirs.fun
    assert max_load == 4 or theirs.x.sum() > 0.99 * pour.max_steps
    assert value == pytest.approx(float(worst(steps)), abs=1e-12)
    assert value <= theirs.fun + 1e-3
    assert steps.min() >= 0
    assert steps.sum() <= pour.max_steps + 1e-9


# --- let-downs


def made(name: str, base_g: float = 50.0, **more: float) -> sm.LetDown:
    return sm.LetDown.made(name, paste=1, base_g=base_g, **more)


def test_a_let_down_gives_what_its_paste_gives() -> None:
    m = sm.match(
        "#f4d9c6",
        let_downs=[made(n) for n in ("gorse", "rosehip", "kelp")],
        pour=sm.Pour(batch_g=100),
    )
    assert m.closest.delta_e < 1.0 < sm.match("#f4d9c6", pour=sm.Pour(batch_g=100)).closest.delta_e
    for choice in (m.closest, m.frugal):
        recipe = choice.recipe
        again = sm.predict(recipe.doses, pour=recipe.pour)
        assert again.lab == pytest.approx(choice.predicted.lab, abs=1e-9)
        for part in recipe.weighed:
            assert part.mass_g == pytest.approx(round(part.mass_g), abs=1e-9)
        assert sum(p.mass_g for p in recipe.weighed) + recipe.clear_g == pytest.approx(100.0)
        squeezed = recipe.from_tubes
        assert all(dose == round(dose) for dose in squeezed.values())
        for name, dose in recipe.doses.items():
            weighed = sum(p.paste for p in recipe.weighed if p.let_down.pigment == name)
            assert dose == pytest.approx(squeezed.get(name, 0.0) + weighed, abs=1e-9)
        assert pickle.loads(pickle.dumps(recipe)) == recipe
        assert hash(pickle.loads(pickle.dumps(recipe))) == hash(recipe)
    assert "let-down" in str(m)
    assert "let-down" in m._repr_html_()
    assert m.frugal.recipe.proportions is None


def test_a_half_centimetre_by_weight_is_a_half_centimetre_by_the_ruler() -> None:
    # 1 cm in 2 g, weighed to 1 g, is half a centimetre a step: the same colours as dosing to
    # half centimetres, as far as the base suffices.
    names = sm.demo_palette().names
    by_ruler = sm.match("#c98f5a", pour=sm.Pour(batch_g=100, dose_step=0.5))
    by_scale = sm.match(
        "#c98f5a", let_downs=[made(n, 2.0) for n in names], pour=sm.Pour(batch_g=100)
    )
    assert by_scale.closest.delta_e == pytest.approx(by_ruler.closest.delta_e, abs=1e-9)
    assert by_scale.closest.recipe.doses == pytest.approx(by_ruler.closest.recipe.doses)


def test_the_base_of_a_let_down_is_part_of_the_batch() -> None:
    # 1 cm in 400 g: 40 g of the batch's base hold at most 0.1 cm.
    weak = made("dusk", 400.0)
    m = sm.match(
        "#202060", pour=sm.Pour(batch_g=40, white=0.5), must_avoid=["gorse"], let_downs=[weak]
    )
    assert any(choice.recipe.weighed for choice in m.choices)
    for choice in m.choices:
        assert sum(p.mass_g for p in choice.recipe.weighed) <= 20.0 + 1e-9
        assert choice.recipe.clear_g >= -1e-9
        assert choice.recipe.white_g == pytest.approx(20.0)


def test_white_base_in_a_let_down_replaces_white_base() -> None:
    pour = sm.Pour(batch_g=50, white=0.5)
    m = sm.match("#c0a0a0", pour=pour, must_use=["rosehip"], let_downs=[made("rosehip", white=0.5)])
    recipe = min(
        (c.recipe for c in (*m.choices, m.closest)),
        key=lambda r: -sum(p.mass_g for p in r.weighed),
    )
    mass = sum(p.mass_g for p in recipe.weighed)
    assert mass > 0
    assert recipe.clear_g == pytest.approx(25.0 - 0.5 * mass)
    assert recipe.white_g == pytest.approx(25.0 - 0.5 * mass)


def test_nothing_is_lost_by_not_weighing_whole_centimetres() -> None:
    # A let-down of 1 cm in 10 g: ten weighed grams are one squeezed centimetre.
    pour = sm.Pour(batch_g=100)
    strong = made("gorse", 10.0)
    limits = pour_limits(pour, 5, [(0, strong)])
    assert limits.upper[5] == 9
    loads = {round(0.1 * k, 9) for k in range(41)}
    steps = limits.recipes()
    gorse = steps[np.count_nonzero(steps[:, 1:5], axis=1) == 0]
    assert {round(float(v), 9) for v in gorse @ limits.paste} == loads


def test_a_scattering_paste_let_down() -> None:
    palette = with_chalk()
    chalk = next(p.name for p in palette.pigments if p.scatters)
    m = sm.match(
        "#d8d0c8",
        palette=palette,
        let_downs=[made(chalk, 20.0, step_g=2.0)],
        pour=sm.Pour(batch_g=100),
    )
    model = model_for(palette, 1.0, 0.0, sm.View())
    best = np.inf
    others = [i for i, n in enumerate(palette.names) if n != chalk]
    at = palette.index(chalk)
    plain = whole_space(model, load_per_step=1.0, max_steps=4).limits.recipes()
    for fine in range(51):
        rows = plain + 0.0
        rows[:, at] += fine * 0.1
        rows = rows[rows.sum(axis=1) <= 4 + 1e-9]
        for load in np.unique(rows[:, at]):
            mine = rows[rows[:, at] == load]
            only = np.zeros(len(palette.names))
            only[at] = load
            layer = model.layer_with(only)
            R = layer.value(model.base_absorption + mine @ model.absorption)
            lab = xyz_to_lab(R @ model.weights.T, model.white)
            best = min(best, float(delta_e(lab, np.array(m.target.lab)).min()))
    assert others
    assert m.closest.delta_e == pytest.approx(best, abs=1e-9)
    assert m.bound <= best + 1e-12


def test_one_step_of_a_paste_that_scatters_under_several_lights() -> None:
    palette, pour = with_chalk(), sm.Pour(batch_g=25)
    assert pour.max_steps == 1
    chalk = next(p.name for p in palette.pigments if p.scatters)
    lights = ("D65", "A")
    look = sm.predict({chalk: 1}, palette=palette, pour=pour)
    m = sm.match(sm.Target.from_xyz(look.xyz), palette=palette, pour=pour, lights=lights)
    assert m.recipe.doses == {chalk: 1}
    values = []
    for light in lights:
        view = sm.View(illuminant=light)
        lab = sm.predict({chalk: 1}, palette=palette, pour=pour, view=view).lab
        values.append(float(delta_e(np.array(lab), m.target.lab_in(view))))
    assert m.delta_e == pytest.approx(max(values), abs=1e-9)


@pytest.mark.parametrize(
    ("arguments", "field"),
    [
        ({"let_downs": [sm.LetDown(pigment="ink", paste_per_g=0.1)]}, "pigment"),
        ({"let_downs": ["gorse"]}, "let_downs"),
        ({"let_downs": 3}, "let_downs"),
        ({"let_downs": [made("gorse", white=1.0)]}, "let_downs"),
        ({"let_downs": [made("gorse")], "pour": sm.Pour(batch_g=100, white=1.0)}, "let_downs"),
        ({"let_downs": [made("gorse", 10.0 + i) for i in range(9)]}, "let_downs"),
        ({"lights": ["candle"]}, "lights"),
        ({"lights": ["A", "A"]}, "lights"),
        ({"lights": 3}, "lights"),
        ({"lights": [None]}, "lights"),
    ],
)
def test_bad_question(arguments: dict[str, object], field: str) -> None:
    with pytest.raises(sm.ShadematchError) as found:
        sm.match("#d9822b", **arguments)  # type: ignore[arg-type]
    assert found.value.field == field
    assert found.value.remedy


@pytest.mark.parametrize(
    ("arguments", "field"),
    [
        ({"paste": 0, "base_g": 50}, "paste"),
        ({"paste": 1, "base_g": float("nan")}, "base_g"),
        ({"paste": 1, "base_g": True}, "base_g"),
        ({"paste": 100, "base_g": 1}, "paste_per_g"),
        ({"paste": 1, "base_g": 50, "step_g": 0}, "step_g"),
        ({"paste": 1, "base_g": 50, "white": 2}, "white"),
    ],
)
def test_bad_let_down(arguments: dict[str, float], field: str) -> None:
    with pytest.raises(sm.PourError) as found:
        sm.LetDown.made("gorse", **arguments)
    assert found.value.field == field


@pytest.mark.parametrize("seed", [231, 240, 252])
def test_choices_of_several_lights_are_a_front(seed: int) -> None:
    p = joint_problem(seed, most=30_000, scatter=0.0)
    m = sm.match(p.target, **p.arguments)  # type: ignore[arg-type]
    rows = [(c.delta_e, c.recipe.total, c.recipe.tubes) for c in m.choices]
    assert rows[0][0] == pytest.approx(p.best, abs=0.01)
    for value, paste, tubes in rows:
        # Among recipes with as little paste and as few pigments nothing is closer.
        same = (p.paste <= paste + 1e-9) & (p.tubes <= tubes)
        assert value == pytest.approx(p.values[same].min(), abs=0.0101)
    for a, b in itertools.permutations(rows, 2):
        assert not all(x <= y for x, y in zip(a, b, strict=True))
