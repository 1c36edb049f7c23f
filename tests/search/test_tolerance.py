"""What counts as no worse than the closest recipe, against plain enumeration."""

from __future__ import annotations

import numpy as np
import pytest

import shadematch as sm
from shadematch.colour.difference import delta_e
from shadematch.search.searcher import Searcher
from tests.invented.problems import KINDS, problem


@pytest.mark.parametrize("seed", range(40_000, 40_000 + 4 * len(KINDS)))
def test_least_paste_among_those_that_count(seed: int) -> None:
    p = problem(seed, least=50, most=20_000)
    rng = np.random.default_rng(seed)
    totals = p.steps.sum(axis=1)
    targets = [p.target, *(p.lab[rng.integers(len(p.lab), size=3)] + rng.normal(0, 2, (3, 3)))]
    tolerance = float(rng.uniform(0.0, 5.0))
    for target in targets:
        values = delta_e(p.lab, target)
        good = values <= values.min() + tolerance
        lean = Searcher(p.searcher.space).answer(target, tolerance).frugal
        assert lean.steps is not None
        assert lean.proved
        assert lean.steps.sum() == totals[good].min() == lean.bound
        least = values[good & (totals == totals[good].min())].min()
        assert lean.delta_e == pytest.approx(least, abs=1e-9)
    kept = p.searcher.all_recipes()
    assert kept is not None
    together = kept.look_up(np.array(targets)[:, None], tolerance)
    for target, (near, lean) in zip(targets, together, strict=True):
        listed = p.searcher.answer(target, tolerance).frugal
        assert near.steps is not None
        assert lean.steps is not None
        assert listed.steps is not None
        assert lean.steps.tolist() == listed.steps.tolist()


@pytest.mark.parametrize("lights", [(), ("D65", "A")])
@pytest.mark.parametrize("variances", [(36.0, 0.09, 0.09), (16.0, 16.0, 16.0)])
def test_how_well_the_target_is_known_changes_no_recipe(
    variances: tuple[float, ...], lights: tuple[str, ...]
) -> None:
    lab = (62.0, 26.0, 53.0)
    vague = sm.Target.from_lab(lab, covariance=np.diag(variances).tolist())
    for batch in (100.0, 300.0):
        pour = sm.Pour(batch_g=batch)
        found, exact = (
            sm.match(target, pour=pour, lights=lights)
            for target in (vague, sm.Target.from_lab(lab))
        )
        (many,) = sm.match_many([vague], pour=pour, lights=lights)
        assert found.closest.recipe == exact.closest.recipe
        assert many.recipe == found.recipe == exact.recipe
        assert found.delta_e <= found.closest.delta_e + 0.5


def test_nothing_holds_it_back_only_where_the_target_is_known() -> None:
    lab = sm.predict({"gorse": 2, "rosehip": 3}, pour=sm.Pour(batch_g=500)).lab
    pour = sm.Pour(batch_g=500)
    read = {"dose_slip": 0.02, "scale_g": 0.1}
    assert sm.match(sm.Target.from_lab(lab), pour=pour, **read).verdict.limit == "nothing"
    vague = sm.Target.from_lab(lab, covariance=np.diag([9.0, 4.0, 4.0]).tolist())
    found = sm.match(vague, pour=pour, **read)
    verdict = found.verdict
    assert found.delta_e < 1.0 < found.spread.p90
    assert verdict.limit == "target"
    assert "how well the target is known" in verdict.sentence
    assert any("Measure it" in text for text in verdict.help)
    nearly = sm.Target.from_lab(lab, covariance=np.diag([0.01, 0.01, 0.01]).tolist())
    assert nearly.radius < 1.0
    assert sm.match(nearly, pour=pour, **read).verdict.limit == "nothing"
