"""The listing of lean recipes against plain enumeration."""

from __future__ import annotations

import numpy as np
import pytest

from shadematch.colour.difference import delta_e
from shadematch.search.near import dominated, lean, lean_within
from tests.invented.problems import problem


def plain_lean(points: np.ndarray) -> set[tuple[int, ...]]:
    """Those that no other undercuts, by comparing every pair."""
    points = np.unique(points, axis=0)
    kept = set()
    for p in points:
        below = np.all(points <= p, axis=1) & np.any(points < p, axis=1)
        if not below.any():
            kept.add(tuple(p.tolist()))
    return kept


@pytest.mark.parametrize("seed", range(18))
def test_lean_recipes_are_all_there(seed: int) -> None:
    # Problems of all kinds with 3,001 to 60,000 recipes: too many to be listed at once.
    p = problem(seed)
    space = p.searcher.space
    best, _ = p.best()
    for tolerance in (0.0, 0.3, 2.0):
        within = best + tolerance
        near = p.steps[delta_e(p.lab, p.target) <= within + 1e-9]
        listed = lean_within(space, p.target, within=within)
        assert listed.complete
        assert {tuple(s.tolist()) for s in listed.steps} == plain_lean(near)


def test_listing_says_when_it_gave_up() -> None:
    p = problem(0)
    best, _ = p.best()
    listed = lean_within(p.searcher.space, p.target, within=best + 2.0, effort=1)
    assert not listed.complete


def test_nothing_within_reach() -> None:
    p = problem(2)  # a target outside
    best, _ = p.best()
    assert best > 0.1
    listed = lean_within(p.searcher.space, p.target, within=0.5 * best)
    assert listed.complete and listed.steps.shape == (0, p.searcher.space.size)


def test_lean_and_dominated() -> None:
    rng = np.random.default_rng(5)
    points = rng.integers(0, 6, (400, 3))
    kept = lean(points)
    assert {tuple(k.tolist()) for k in kept} == plain_lean(points)
    assert dominated(points, kept).all()
    assert not dominated(kept - 1, kept).any()
    assert np.all(np.diff(kept.sum(axis=1)) >= 0)
