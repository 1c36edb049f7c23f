"""One searcher for all: lists, pastes that scatter, solvers that give up, other platforms."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import scipy.optimize

import shadematch as sm
from shadematch.colour.colorimetry import xyz_to_lab
from shadematch.colour.difference import delta_e
from shadematch.predicting.prediction import model_for
from shadematch.search.all_recipes import STRAY
from shadematch.search.ideal import ideal
from shadematch.search.limits import pour_limits, step_limits
from shadematch.search.searcher import Searcher
from tests.invented.joint_problems import joint_problem
from tests.invented.problems import every_recipe, milky, problem

CODES = ("#c9b2a0", "#88a0b0", "#303038")


def views_of(lights: tuple[str, ...]) -> list[sm.View]:
    return [sm.View(illuminant=light) for light in lights or ("D65",)]


def by_predict(
    palette: sm.Palette, pour: sm.Pour, view: sm.View, doses: np.ndarray
) -> list[tuple[float, float, float]]:
    """CIELAB of each recipe as `predict` gives it, which makes a layer for each."""
    names = palette.names
    return [
        sm.predict(dict(zip(names, row, strict=True)), palette=palette, pour=pour, view=view).lab
        for row in doses.tolist()
    ]


@pytest.mark.parametrize("lights", [(), ("D65", "A")])
def test_three_pastes_that_scatter(lights: tuple[str, ...]) -> None:
    # 20 cm of three pastes are 1,771 recipes, all with a layer of their own.
    palette, pour = milky(np.random.default_rng(3), 3, 3), sm.Pour(batch_g=500)
    views = views_of(lights)
    steps = every_recipe(3, pour.max_steps)
    assert len(steps) == 1771
    loads = steps * pour.load_per_step
    labs = [model_for(palette, 1.0, 0.0, view).lab(loads) for view in views]
    alone = [sm.match(code, palette=palette, pour=pour, lights=lights) for code in CODES]
    for m in alone:
        goals = [m.target.lab_in(view) for view in views]
        values = np.max([delta_e(*each) for each in zip(labs, goals, strict=True)], axis=0)
        assert m.proved and m.frugal_proved
        assert m.bound == m.closest.delta_e
        # These colours are the table's; the library reckons with a layer for each recipe.
        assert m.closest.delta_e == pytest.approx(values.min(), abs=1e-3)
        near = steps[values <= values.min() + 0.01] * pour.dose_step
        exact = [
            delta_e(np.array(by_predict(palette, pour, view, near)), goal)
            for view, goal in zip(views, goals, strict=True)
        ]
        assert m.closest.delta_e == pytest.approx(np.max(exact, axis=0).min(), abs=1e-9)
        assert m.recipe.total == steps[values <= m.closest.delta_e + 0.5].sum(axis=1).min()
    many = list(sm.match_many(CODES, palette=palette, pour=pour, lights=lights))
    assert [(m.recipe, m.delta_e, m.closest) for m in many] == [
        (m.recipe, m.delta_e, m.closest) for m in alone
    ]


def test_pastes_that_scatter_and_their_let_downs() -> None:
    palette, pour = milky(np.random.default_rng(4), 2, 2), sm.Pour(batch_g=100)
    let_down = sm.LetDown.made(palette.names[0], paste=1, base_g=20, step_g=2)
    fine, whole = np.meshgrid(0.1 * np.arange(41), np.arange(5.0))
    doses = np.column_stack([fine.ravel(), whole.ravel()])
    doses = doses[doses.sum(axis=1) <= 4 + 1e-9]
    lab = np.array(by_predict(palette, pour, sm.View(), doses))
    for code in CODES:
        m = sm.match(code, palette=palette, pour=pour, let_downs=[let_down])
        values = delta_e(lab, np.array(m.target.lab))
        assert m.proved and m.frugal_proved
        assert m.closest.delta_e == pytest.approx(values.min(), abs=1e-9)
        within = values <= m.closest.delta_e + 0.5
        assert m.recipe.total == pytest.approx(doses[within].sum(axis=1).min())


@pytest.mark.parametrize("seed", range(6))
def test_the_table_strays_no_farther_from_layers_than_is_reckoned_with(seed: int) -> None:
    rng = np.random.default_rng(seed)
    palette = milky(rng, 4, int(rng.integers(1, 5)))
    view = sm.View(
        contact=str(rng.choice(["dry", "wet"])),
        through=str(rng.choice(["reflected", "transmitted"])) == "transmitted",
        backing=str(rng.choice(["white", "black"])),
    )
    white = float(rng.choice([0.0, 0.1, 1.0]))
    model = model_for(palette, float(rng.choice([0.2, 1.0, 4.0])), white, view)
    loads = rng.dirichlet(np.ones(5), 40)[:, :4] * 8.0
    each = np.array([model.spectra(row) for row in loads])
    away = xyz_to_lab(each @ model.weights.T, model.white) - model.lab(loads)
    assert np.abs(away).max() < STRAY / 5


@pytest.mark.parametrize("seed", range(200, 212))
def test_a_list_of_lights_and_let_downs_gives_what_a_search_gives(seed: int) -> None:
    p = joint_problem(seed, most=30_000, scatter=0.0)
    m = sm.match(p.target, **p.arguments)  # type: ignore[arg-type]
    asked, goals = m._question.asked, m._question.labs
    fresh = asked.new_searcher()
    listed = fresh.all_recipes()
    assert listed is not None
    (answer,) = listed.look_up(goals[None], 0.5)
    assert answer.closest.delta_e == pytest.approx(p.best, abs=1e-9)
    assert answer.frugal.bound * asked.pour.dose_step == pytest.approx(p.least_paste(p.best + 0.5))
    most, tubes = 0.5 * asked.pour.max_total, int(p.tubes.max()) - 1
    found = listed.closest(goals, max_paste=most / asked.pour.dose_step, max_tubes=tubes)
    few = (p.paste <= most + 1e-9) & (p.tubes <= tubes)
    best = p.values[few].min() if few.any() else np.inf
    assert found.delta_e == pytest.approx(best, abs=1e-9)


def test_a_list_is_made_for_many_targets_where_that_pays() -> None:
    p = problem(20_001, least=13_000, most=20_000)
    few, many = p.lab[:1] + 0.1, np.repeat(p.lab[:40] + 0.1, 2, axis=0)
    searcher = Searcher(p.searcher.space)
    alone = searcher.answers(few[:, None], 0.5)
    assert searcher._all is None
    found = searcher.answers(many[:, None], 0.5)
    assert searcher._all is not None
    assert found[0].closest.steps is not None and alone[0].closest.steps is not None
    assert found[0].closest.steps.tolist() == alone[0].closest.steps.tolist()


def test_a_solver_that_gives_up(monkeypatch: pytest.MonkeyPatch) -> None:
    # SciPy 1.12 to 1.14: "Maximum number of iterations reached", on problems that have a solution.
    p = problem(500)
    targets = p.lab[:: len(p.lab) // 12] + np.array([0.4, -0.3, 0.5])
    usual = [ideal(p.searcher.space, target)[1] for target in targets]

    def gives_up(*_: object) -> None:
        raise RuntimeError("Maximum number of iterations reached.")

    monkeypatch.setattr(scipy.optimize, "nnls", gives_up)
    without = [ideal(p.searcher.space, target)[1] for target in targets]
    assert without == pytest.approx(usual, abs=1e-6)
    m = sm.match("#cc3344", pour=sm.Pour(batch_g=1000))
    assert m.proved
    assert m.ideal.delta_e <= m.closest.delta_e


def test_indices_are_as_wide_as_the_platforms(monkeypatch: pytest.MonkeyPatch) -> None:
    # Where addresses have 32 bits NumPy takes no wider numbers for `repeat` and `take`.
    repeat, counts = np.repeat, []

    def watched(array: object, repeats: np.ndarray) -> np.ndarray:
        counts.append(repeats.dtype)
        return repeat(array, repeats)  # type: ignore[call-overload,no-any-return]

    pour = sm.Pour(batch_g=100)
    layer = model_for(sm.demo_palette(), 1.0, 0.0, sm.View()).layer
    monkeypatch.setattr(np, "intp", np.int32)
    monkeypatch.setattr(np, "repeat", watched)
    made = sm.LetDown.made("gorse", paste=1, base_g=25)
    for limits in (step_limits(3, 5), pour_limits(pour, 2, [(0, made)])):
        assert len(limits.recipes()) > 20
    assert set(counts) == {np.dtype(np.int32)}
    for top in (1.0, 1e6):
        assert layer._intervals(np.linspace(0.0, top, 36)).dtype == np.int32
    root = Path(sm.__file__).parent
    for room in (*(root / "search").glob("*.py"), root / "optics" / "layer.py"):
        assert "int64" not in room.read_text(encoding="utf-8"), room.name
