"""Floors under real-valued recipes."""

from __future__ import annotations

import numpy as np
import pytest

import shadematch as sm
from shadematch.colour.difference import delta_e
from shadematch.predicting.prediction import model_for
from shadematch.search.ideal import ideal
from shadematch.search.real import real_floor
from shadematch.search.space import whole_space


@pytest.mark.parametrize("code", ["#0000ff", "#00ff00", "#101010", "#ff00ff"])
def test_real_floor_lies_below_every_recipe_and_near_the_best(code: str) -> None:
    model = model_for(sm.demo_palette(), 1.0, 0.0, sm.View())
    space = whole_space(model, load_per_step=4.0 / 10_000, max_steps=10_000)
    lab = sm.Target.from_hex(code).lab_in(sm.View())
    reached = ideal(space, lab)[1]
    floor = real_floor(space, lab, reached=reached)
    assert floor <= reached + 1e-9
    assert floor >= reached - 0.15
    rng = np.random.default_rng(3)
    loads = rng.dirichlet(np.full(6, 0.4), size=20_000)[:, :5] * 4.0
    assert floor <= float(delta_e(model.lab(loads), lab).min())
    # Whole centimetres in batches of any mass lie above it too.
    for batch in (100, 170, 330):
        assert floor <= sm.match(code, pour=sm.Pour(batch_g=batch)).bound + 1e-9


@pytest.mark.parametrize("most", [1, 2, 5])
def test_real_floor_holds_where_the_load_limit_binds(most: int) -> None:
    # Steps so large that the last one before the limit counts.
    model = model_for(sm.demo_palette(), 1.0, 0.0, sm.View())
    space = whole_space(model, load_per_step=4.0 / most, max_steps=most)
    rng = np.random.default_rng(most)
    loads = rng.dirichlet(np.full(5, 0.5), size=5_000) * 4.0
    for code in ("#000000", "#200010", "#001020"):
        lab = sm.Target.from_hex(code).lab_in(sm.View())
        steps, reached = ideal(space, lab)
        assert steps.sum() == pytest.approx(most)
        least = float(delta_e(model.lab(loads), lab).min())
        floor = real_floor(space, lab, reached=least + 1.0, effort=3000)
        assert floor <= min(least, reached)
