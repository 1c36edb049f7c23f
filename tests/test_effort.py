"""How many boxes a proof looks at: what a search costs, counted so that no machine changes it.

The numbers are this tree's own, so a search that got slower in earnest fails here, and one that
got quicker should be written down. Other processors round differently, hence the tenth more.
"""

from __future__ import annotations

import numpy as np
import pytest

import shadematch as sm
from shadematch.prediction import model_for
from shadematch.search.ideal import ideal
from shadematch.search.leeway import Leeway
from shadematch.search.sight import Sight
from shadematch.search.space import whole_space
from shadematch.search.whole import closest, frugal
from tests.problems import invented_palette


@pytest.mark.parametrize(
    ("pastes", "batch_g", "white", "far", "nearest", "leanest"),
    [
        (4, 5000, 0.0, False, 12758, 12137),
        (4, 5000, 0.0, True, 2012, 572),
        (5, 2000, 0.3, False, 9015, 1407),
        (5, 2000, 0.0, True, 11217, 8037),
        (6, 1000, 0.0, True, 7344, 339),
        (3, 20_000, 1.0, False, 1634, 1234),
    ],
)
def test_a_proof_costs_no_more_than_it_did(
    pastes: int, batch_g: float, white: float, far: bool, nearest: int, leanest: int
) -> None:
    pour = sm.Pour(batch_g=batch_g, white=white)
    rng = np.random.default_rng(pastes)
    model = model_for(invented_palette(rng, pastes), pour.thickness_cm, pour.white, sm.View())
    space = whole_space(model, load_per_step=pour.load_per_step, max_steps=pour.max_steps)
    boxes = np.zeros(2, dtype=int)
    for _ in range(4):
        if far:
            target = np.array(sm.Target.from_srgb(rng.random(3).tolist()).lab)
        else:
            target = space.lab(rng.dirichlet(np.ones(pastes + 1))[:pastes] * space.max_steps)
        hints = ideal(space, target)[0][None]
        best = closest(Sight(space, target), space, hints=hints)
        assert best.proved
        assert best.steps is not None
        within = Leeway(0.5).within(best.delta_e)
        lean = frugal(
            Sight(space, target), space,
            within=within, less_than=float(best.steps.sum()), near=best.steps,
        )  # fmt: skip
        assert lean.proved
        boxes += best.boxes, lean.boxes
    assert list(boxes <= 1.1 * np.array([nearest, leanest])) == [True, True], boxes
    assert boxes.min() > 0
