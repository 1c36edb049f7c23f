"""Pastes that bend, let-downs and scattering among them: the search against plain enumeration."""

from __future__ import annotations

import numpy as np
import pytest

import shadematch as sm
from shadematch.colour.colorimetry import LAB_FROM_RESPONSE, xyz_to_lab
from shadematch.colour.difference import delta_e
from shadematch.optics.layer import Layer
from shadematch.predicting.prediction import Model, model_for
from shadematch.search.bounds import images_of
from shadematch.search.limits import pour_limits, step_limits
from shadematch.search.nearness import Nearness
from shadematch.search.real import real_floor
from shadematch.search.space import Space, whole_space
from shadematch.support.arrays import FloatArray
from tests.invented.joint_problems import joint_problem
from tests.invented.problems import (
    bent,
    by_adding_doubling,
    invented_palette,
    milky,
    problem,
)

HAIR = 1e-9
SEEDS = range(60_000, 60_030)


def plainly(palette: sm.Palette, loads: FloatArray, white: float) -> tuple[FloatArray, FloatArray]:
    """Absorption and scattering of loads, shape (m, n), written down from the two formulas."""
    mu_a = (1 - white) * np.array(palette.clear.absorption)
    mu_a = mu_a + white * np.array(palette.white.absorption)
    crowds = np.exp(-palette.white.crowding * (white - 0.1))
    mu_s = (1 - white) * np.array(palette.clear.scattering)
    mu_s = mu_s + white * crowds * np.array(palette.white.scattering)
    for p, c in zip(palette.pigments, loads.T, strict=True):
        e = c * (1 + p.bend) / (1 + p.bend * c)
        if p.bend < 0:
            far = -0.5 / p.bend
            beyond = 4 * (1 + p.bend) * (c - far) + 2 * (1 + p.bend) * far
            e = np.where(c > far, beyond, e)
        mu_a = mu_a + np.outer(e, p.absorption)
        if p.scattering is not None:
            mu_s = mu_s + np.outer(e, p.scattering)
    return mu_a, np.broadcast_to(mu_s, mu_a.shape)


@pytest.mark.parametrize("scattering", [0, 2])
def test_a_prediction_is_that_of_the_bent_coefficients(scattering: int) -> None:
    # Against iadpython (S. A. Prahl), another solver, at a few wavelengths.
    rng = np.random.default_rng(scattering)
    palette = bent(milky(rng, 4, scattering), rng)
    loads = rng.dirichlet(np.ones(4), size=3) * 6.0
    mu_a, mu_s = plainly(palette, loads, 0.2)
    model = Model(palette, 1.5, 0.2, sm.View())
    found = model.spectra(loads)
    for at in (3, 17, 30):
        for row in range(3):
            exact = by_adding_doubling(mu_a[row, at], mu_s[row, at], 1.5, 0.9)
            assert found[row, at] == pytest.approx(exact, abs=3e-4)
    named = dict(zip(palette.names, (loads[0] * 3).tolist(), strict=True))
    pour = sm.Pour(batch_g=300, thickness_cm=1.5, white=0.2)
    seen = sm.predict(named, palette=palette, pour=pour).reflectance
    assert seen == pytest.approx(found[0], abs=1e-3)


@pytest.mark.parametrize("scattering", [0, 2])
def test_slopes_are_those_of_the_dose(scattering: int) -> None:
    rng = np.random.default_rng(5)
    palette = bent(milky(rng, 4, scattering), rng)
    model = Model(palette, 1.0, 0.1, sm.View())
    down = sm.LetDown.made(palette.names[3], paste=1, base_g=25, white=0.0)
    pour = sm.Pour(batch_g=300, white=0.1)
    limits = pour_limits(pour, 4, [(3, down)])
    space = Space.of([model], pour.load_per_step, limits)
    steps, h = np.array([[1.0, 2.0, 0.0, 3.0, 7.0]]), 1e-5
    _, slope = space.lab_and_slope(steps)
    eye = np.eye(5)
    for k in range(5):
        ends = [space.lab(np.abs(steps + s * h * eye[k])) for s in (1, -1)]
        width = 2 * h if steps[0, k] else h
        ends = ends if steps[0, k] else [ends[0], space.lab(steps)]
        assert slope[0, :, k] == pytest.approx((ends[0] - ends[1])[0] / width, rel=2e-3, abs=1e-3)
    loads = np.array([[0.5, 1.0, 0.0, 2.0]])
    _, by_load = model.lab_and_slope(loads)
    for k in (0, 1, 3):
        ends = [model.lab(loads + s * h * eye[k, :4]) for s in (1, -1)]
        assert by_load[0, :, k] == pytest.approx((ends[0] - ends[1])[0] / (2 * h), rel=2e-3)


@pytest.mark.parametrize("part", range(6))
def test_no_miss_and_no_bound_above_the_optimum(part: int) -> None:
    bent_ones = 0
    for seed in SEEDS[part::6]:
        p = problem(seed, bends=True)
        bent_ones += p.searcher.space.bent
        answer = p.searcher.answer(p.target, 0.5)
        best, _ = p.best()
        assert answer.closest.proved, seed
        assert answer.closest.delta_e == pytest.approx(best, abs=1e-9), seed
        assert best - 0.01 <= answer.closest.bound <= best + 1e-12, seed
        assert answer.frugal.proved, seed
        assert answer.frugal.steps is not None
        assert int(answer.frugal.steps.sum()) == p.least_paste(best + 0.5), seed
        if p.searcher.space.limits.max_tubes == p.searcher.space.size:
            assert p.searcher.ideal(p.target, answer.closest)[1] <= best + 1e-6, seed
    assert bent_ones >= 3


def test_colours_of_the_space_are_those_of_the_plain_formulas() -> None:
    rng = np.random.default_rng(11)
    palette = bent(invented_palette(rng, 4), rng)
    model = model_for(palette, 1.0, 0.3, sm.View())
    space = whole_space(model, load_per_step=0.5, max_steps=60)
    steps = rng.integers(0, 16, (200, 4))
    mu_a, mu_s = plainly(palette, steps * 0.5, 0.3)
    R = Layer(mu_s[0], 1.0, sm.View().surroundings).value(mu_a)
    assert space.lab(steps) == pytest.approx(xyz_to_lab(R @ model.weights.T, model.white), abs=1e-9)


@pytest.mark.parametrize("part", range(5))
def test_let_downs_and_lights_bend_by_all_the_paste_there_is(part: int) -> None:
    # The enumeration adds up the paste of tubes and let-downs, and asks the model.
    for seed in range(900 + part, 925, 5):
        p = joint_problem(seed, most=30_000, scatter=0.3, bends=True)
        m = sm.match(p.target, **p.arguments)  # type: ignore[arg-type]
        assert m.closest.delta_e == pytest.approx(p.best, abs=1e-9), seed
        assert p.best - 0.01 <= m.bound <= p.best + 1e-12, seed
        assert m.recipe.total == pytest.approx(p.least_paste(p.best + 0.5), abs=1e-6), seed
        assert m.proved and m.frugal_proved, seed


@pytest.mark.parametrize("seed", range(12))
def test_colours_of_a_box_lie_in_its_image(seed: int) -> None:
    rng = np.random.default_rng([seed, 3])
    n = int(rng.integers(2, 6))
    palette = bent(invented_palette(rng, n), rng)
    model = model_for(palette, 1.0, float(rng.choice([0.0, 0.05, 1.0])), sm.View())
    space = whole_space(model, load_per_step=0.01, max_steps=int(rng.choice([400, 2000])))
    most = space.limits.total
    lo = most * rng.random((24, n)) * rng.random((24, 1)) ** 2 / n
    hi = lo + most * 10.0 ** rng.uniform(-3, 0, (24, 1)) * rng.random((24, n)) ** 2
    (images,) = images_of(space, lo, hi)
    bowed = 0.0
    for box in range(24):
        shares = np.concatenate([rng.uniform(-1, 1, (150, n)), np.sign(rng.normal(size=(60, n)))])
        steps = 0.5 * (lo[box] + hi[box]) + shares * 0.5 * (hi[box] - lo[box])
        lab = space.lab(steps)
        assert (lab <= images.lab_hi[box] + HAIR).all() and (lab >= images.lab_lo[box] - HAIR).all()
        # In effective loads the colours are as the bound says ...
        ends = space.effective(lo[box]), space.effective(hi[box])
        moved = (space.effective(steps) - 0.5 * (ends[0] + ends[1])) / (0.5 * (ends[1] - ends[0]))
        half = np.abs(images.generators[box, (1, 1, 2), (-3, -2, -1)]) / np.array([500, 500, 200])
        rest = lab - images.centre[box] - moved @ images.generators[box, :, :-3].T
        parts = np.linalg.solve(LAB_FROM_RESPONSE, rest.T).T
        assert 500 * (np.abs(parts) - half).max() <= 1e-6
        # ... and these are off their share of the box by no more than the bow.
        off, half = np.abs(moved - shares).max(axis=0), 0.5 * (ends[1] - ends[0])
        assert (off * half <= images.load.bow[box] * half + HAIR).all()
        told = images.load.bow[box] > 1e-4
        bowed = max(bowed, float((off[told] / images.load.bow[box][told]).max(initial=0.0)))
    assert bowed > 0.2 or not space.bent  # it isn't idle


def test_floors_of_real_valued_doses_hold() -> None:
    rng = np.random.default_rng(4)
    for _ in range(6):
        palette = bent(invented_palette(rng, 3), rng)
        model = model_for(palette, 1.0, 0.0, sm.View())
        space = whole_space(model, load_per_step=0.004, max_steps=1000)
        target = np.array([rng.uniform(20, 80), *rng.uniform(-60, 60, 2)])
        drawn = rng.dirichlet(np.ones(4), size=20_000)[:, :3] * 1000
        reached = float(delta_e(space.lab(drawn), target).min())
        floor = real_floor(space, target, reached=reached, gap=0.05)
        assert floor <= reached + HAIR
        judged = Nearness(space, target, reached + 5.0).judge(
            np.zeros((1, 3)), np.full((1, 3), 1000.0)
        )
        assert judged.floor[0] <= reached


def test_a_paste_in_two_tubes_bends_by_itself_in_each() -> None:
    # Two names are two pastes: half in each tube bends less than all in one.
    one = sm.Pigment(name="one", absorption=(0.5,) * 36, bend=0.5)
    two = one.model_copy(update={"name": "two"})
    demo = sm.demo_palette()
    palette = sm.Palette(pigments=(one, two), clear=demo.clear, white=demo.white)
    both = sm.predict({"one": 2, "two": 2}, palette=palette, pour=sm.Pour(batch_g=100)).lab[0]
    assert both < sm.predict({"one": 4}, palette=palette, pour=sm.Pour(batch_g=100)).lab[0] - 1.0


def test_limits_are_those_of_the_dose() -> None:
    # The load limit binds by what is squeezed out, not by what it does.
    rng = np.random.default_rng(9)
    palette = bent(invented_palette(rng, 3), rng)
    m = sm.match("#000000", palette=palette, pour=sm.Pour(batch_g=300))
    assert m.closest.recipe.total <= 12.0 + 1e-9
    assert m.ideal.recipe.total <= 12.0 + 1e-6
    limits = step_limits(3, 12)
    space = Space.of([model_for(palette, 1.0, 0.0, sm.View())], 1 / 3, limits)
    every = limits.recipes()
    assert m.closest.delta_e == pytest.approx(
        float(delta_e(space.lab(every), np.array(m.target.lab)).min()), abs=1e-9
    )
