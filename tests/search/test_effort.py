"""What searches cost, counted in boxes, spectra and differences, so that no machine changes it.

The numbers are this tree's own: a search that came to cost more in earnest fails here, and one
that came to cost less should be written down. Processors round differently, hence a tenth more.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

import shadematch as sm
from shadematch.optics.layer import Layer
from shadematch.predicting.prediction import model_for
from shadematch.search import all_recipes
from shadematch.search.ideal import ideal
from shadematch.search.near import lean_within, within
from shadematch.search.nearness import Nearness
from shadematch.search.real import real_floor
from shadematch.search.searcher import Searcher
from shadematch.search.space import Space, whole_space
from shadematch.search.whole import closest, frugal
from shadematch.support.arrays import FloatArray
from tests.invented.problems import invented_palette, problem

SLACK = 1.1


def at_most(measured: object, written: object) -> None:
    """No more than written, and no less than something."""
    found, known = np.atleast_1d(measured), np.atleast_1d(written)  # type: ignore[call-overload]
    assert np.all(found > 0), found
    assert np.all(found <= SLACK * known), f"measured {found.tolist()}, written {known.tolist()}"


def a_space(pastes: int, batch_g: float, white: float) -> Space:
    pour = sm.Pour(batch_g=batch_g, white=white)
    palette = invented_palette(np.random.default_rng(pastes), pastes)
    model = model_for(palette, pour.thickness_cm, pour.white, sm.View())
    return whole_space(model, load_per_step=pour.load_per_step, max_steps=pour.max_steps)


def a_target(space: Space, rng: np.random.Generator, *, far: bool) -> FloatArray:
    if far:
        return np.array(sm.Target.from_srgb(rng.random(3).tolist()).lab)
    return space.lab(rng.dirichlet(np.ones(space.size + 1))[: space.size] * space.limits.total)


@pytest.mark.parametrize(
    ("pastes", "batch_g", "white", "far", "nearest", "leanest"),
    [
        (4, 5000, 0.0, False, 21944, 13770),
        (4, 5000, 0.0, True, 2192, 285),
        (5, 2000, 0.3, False, 7341, 4210),
        (5, 2000, 0.0, True, 9200, 1686),
        (6, 1000, 0.0, True, 6801, 1447),
        (3, 20_000, 1.0, False, 2080, 745),
    ],
)
def test_boxes_of_a_proof(
    pastes: int, batch_g: float, white: float, far: bool, nearest: int, leanest: int
) -> None:
    space, rng = a_space(pastes, batch_g, white), np.random.default_rng(pastes)
    boxes = np.zeros(2, dtype=int)
    for _ in range(4):
        target = a_target(space, rng, far=far)
        hints = ideal(space, target)[0][None]
        best = closest(Nearness(space, target), hints=hints)
        assert best.proved
        assert best.steps is not None
        paste = float(best.steps.sum())
        limit = best.delta_e + 0.5
        sought = Nearness(space, target)
        lean = frugal(sought, within=limit, less_than=paste, near=best.steps)
        assert lean.proved
        boxes += best.boxes, lean.boxes
    at_most(boxes, [nearest, leanest])


@pytest.fixture
def spectra(monkeypatch: pytest.MonkeyPatch) -> Callable[[], int]:
    """How many spectra layers have computed since the last time it was asked."""
    rows = 0

    def counted(method: Callable[..., Any]) -> Callable[..., Any]:
        def call(self: Layer, mu_a: FloatArray) -> Any:
            nonlocal rows
            rows += mu_a.size // mu_a.shape[-1]
            return method(self, mu_a)

        return call

    monkeypatch.setattr(Layer, "value", counted(Layer.value))
    monkeypatch.setattr(Layer, "evaluate", counted(Layer.evaluate))

    def since() -> int:
        nonlocal rows
        rows, found = 0, rows
        return found

    return since


def test_spectra_of_a_continuous_optimum(spectra: Callable[[], int]) -> None:
    space, rng = a_space(5, 1000, 0.0), np.random.default_rng(1)
    for far, most in ((False, 3128), (True, 3575)):
        targets = [a_target(space, rng, far=far) for _ in range(8)]
        spectra()
        for target in targets:
            ideal(space, target)
        at_most(spectra(), most)


def test_spectra_of_what_is_near(spectra: Callable[[], int]) -> None:
    space, rng = a_space(5, 600, 0.0), np.random.default_rng(2)
    for limit, near, leanest in ((0.5, 13_380, 13_380), (1.5, 25_722, 25_710)):
        targets = [a_target(space, rng, far=False) for _ in range(4)]
        spectra()
        for target in targets:
            assert within(Nearness(space, target, limit), limit, 100_000)[2]
        first = spectra()
        for target in targets:
            assert lean_within(space, target, within=limit).complete
        at_most([first, spectra()], [near, leanest])


def test_spectra_of_a_floor_under_real_valued_doses(spectra: Callable[[], int]) -> None:
    space, rng = a_space(3, 1000, 0.0), np.random.default_rng(5)
    targets = [a_target(space, rng, far=True) for _ in range(5)]
    reached = [ideal(space, target)[1] for target in targets]
    spectra()
    for target, value in zip(targets, reached, strict=True):
        floor = real_floor(space, target, reached=value)
        assert value - 0.01 - 1e-6 <= floor <= value
    at_most(spectra(), 97_854)


def test_spectra_of_several_lights_and_let_downs(spectra: Callable[[], int]) -> None:
    rosehip = sm.LetDown.made("rosehip", paste=1, base_g=25)
    for asked, most in (
        ({"lights": ("D65", "A", "FL11"), "pour": sm.Pour(batch_g=900)}, 63_015),
        ({"let_downs": [rosehip], "pour": sm.Pour(batch_g=400)}, 18_791),
    ):
        spectra()
        for code in ("#c98a5b", "#7a3b8f"):
            assert sm.match(code, **asked).proved  # type: ignore[arg-type]
        at_most(spectra(), most)


def test_differences_of_a_list(monkeypatch: pytest.MonkeyPatch) -> None:
    rows = {"floor": 0, "delta_e": 0}

    def counted(name: str, function: Callable[..., Any]) -> Callable[..., Any]:
        def call(*arguments: Any) -> Any:
            found = function(*arguments)
            rows[name] += np.size(found)
            return found

        return call

    p = problem(20_004, least=45_000, most=60_000)
    listed = p.searcher.all_recipes()
    assert listed is not None
    rng = np.random.default_rng(4)
    targets = p.lab[rng.integers(len(p.lab), size=50)] + rng.normal(0, 1.0, (50, 3))
    for name in rows:
        monkeypatch.setattr(all_recipes, name, counted(name, getattr(all_recipes, name)))
    listed.look_up(targets[:, None], 0.5)
    # Of 50 times 53,130 recipes.
    at_most([rows["floor"], rows["delta_e"]], [6789, 9191])
    # A list is made once it pays: it costs as much as some ten searches.
    fresh = Searcher(p.searcher.space)
    turns = 0
    while fresh._all is None:
        assert fresh.answer(targets[turns], 0.5).closest.proved
        turns += 1
    assert 5 <= turns <= 20
