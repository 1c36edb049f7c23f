"""Floors of paste, and floors of CIEDE2000 where the limit on paste cuts boxes off."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import linprog

from shadematch.colour.difference import delta_e
from shadematch.search.bounds import images_of
from shadematch.search.boxes import Boxes
from shadematch.search.images import Load
from shadematch.search.least_paste import leanest_real, least_paste
from shadematch.search.nearness import Nearness
from shadematch.support.arrays import IntArray
from tests.invented.problems import Problem, problem

HAIR = 1e-9


def boxes_of(rng: np.random.Generator, p: Problem, count: int) -> tuple[IntArray, IntArray]:
    """Boxes whose lowest corner is permitted, or at least half of it."""
    upper = p.searcher.space.limits.upper
    lo = p.steps[rng.integers(len(p.steps), size=count)] // rng.integers(1, 3, (count, 1))
    return lo, np.minimum(lo + rng.integers(0, 2 + upper // 3, lo.shape), upper)


def recipes_in(rng: np.random.Generator, lo: IntArray, hi: IntArray, most: float) -> IntArray:
    """Some whole recipes of a box, corners among them, with no more paste than `most`."""
    inside = rng.integers(lo, hi + 1, (300, lo.size))
    corners = np.where(rng.random((300, lo.size)) < rng.random((300, 1)), hi, lo)
    found = np.concatenate([lo[None], inside, corners])
    return found[found.sum(axis=1) <= most]


@pytest.mark.parametrize("seed", range(12))
def test_nothing_within_the_limit_on_paste_is_nearer_than_said(seed: int) -> None:
    p = problem(seed + 300, bends=bool(seed % 2))
    space, rng = p.searcher.space, np.random.default_rng(seed)
    lo, hi = boxes_of(rng, p, 60)
    most = float(rng.integers(space.limits.total // 3, space.limits.total + 1))
    sought = Nearness(space, p.target, float(rng.choice([0.5, 3.0, 20.0])))
    sought.face(lo[0].astype(float))
    limit = sought._radius
    (images,) = images_of(space, lo, hi, most)
    checked = 0
    for turn in range(10):  # planes are made after some waves
        judged = sought.judge(lo, hi, limit, most)
        if turn in (0, 9):
            for i in range(len(lo)):
                steps = recipes_in(rng, lo[i], hi[i], most)
                if not len(steps):
                    continue
                lab = space.lab(steps)
                assert (lab >= images.lab_lo[i] - HAIR).all(), (seed, i)
                assert (lab <= images.lab_hi[i] + HAIR).all(), (seed, i)
                assert judged.floor[i] <= delta_e(lab, p.target).min() + HAIR, (seed, i)
                checked += 1
    assert checked > 5


def test_no_recipe_takes_less_paste_than_the_floor() -> None:
    checked = better = 0
    for seed in range(12):
        p = problem(seed + 400, bends=bool(seed % 2))
        space, rng = p.searcher.space, np.random.default_rng(seed)
        target = p.lab[rng.integers(len(p.lab))] + rng.normal(0, 0.3, 3)
        lo, hi = boxes_of(rng, p, 200)
        within = float(rng.choice([0.5, 3.0]))
        judged = Nearness(space, target, within).judge(lo, hi, within)
        boxes = Boxes(lo, hi, np.zeros(len(lo)))
        used = np.flatnonzero(rng.random(space.size) < 0.6)
        used = used if used.size else np.arange(space.size)
        floor = least_paste(boxes, judged, space.limits.paste, used, within)
        near = p.steps[delta_e(p.lab, target) <= within]
        for i in range(len(lo)):
            inside = near[((near >= lo[i]) & (near <= hi[i])).all(axis=1)]
            if len(inside):
                checked += 1
                assert floor[i] <= inside.sum(axis=1).min() + HAIR, (seed, i)
                # It may say more than the corner with the least of everything.
                better += floor[i] > lo[i].sum() + 0.5
    assert checked > 100
    assert better > 10


def test_the_least_along_a_direction_is_that_of_linear_programming() -> None:
    rng = np.random.default_rng(3)
    for _ in range(60):
        k = int(rng.integers(1, 7))
        along, take = rng.normal(size=k), rng.random(k) * rng.integers(0, 2, k)
        room = float(take.sum() * rng.uniform(-1.0, 1.0))
        load = Load(np.zeros((1, k)), take[None], np.array([room]))
        judge = linprog(along, A_ub=take[None], b_ub=[room], bounds=[(-1, 1)] * k)
        assert judge.status == 0
        assert load.lowest(along[None])[0] == pytest.approx(judge.fun, abs=1e-9)


@pytest.mark.parametrize("seed", range(6))
def test_real_doses_take_about_as_little_as_the_best_whole_ones(seed: int) -> None:
    p = problem(seed + 500)
    rng = np.random.default_rng(seed)
    start = p.steps[rng.integers(len(p.steps))]
    target = p.searcher.space.lab(start[None].astype(float))[0]
    sought = Nearness(p.searcher.space, target)
    found = leanest_real(sought, 0.5, start.astype(float))
    assert sought.worst(found[None])[0] <= 0.5 + 1e-3
    assert found.sum() <= start.sum() + 1e-6
