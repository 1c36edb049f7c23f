"""What limits permit, against plain counting; nothing permitted is ever cut off."""

from __future__ import annotations

import itertools
from collections.abc import Callable

import numpy as np
import pytest

import shadematch as sm
from shadematch.predicting.prediction import model_for
from shadematch.search import near
from shadematch.search.boxes import Boxes, halves, split
from shadematch.search.limits import DoseLimits, pour_limits
from shadematch.search.space import whole_space
from shadematch.support.arrays import BoolArray, IntArray

Rule = Callable[[IntArray], BoolArray]


def some_limits(seed: int) -> tuple[DoseLimits, IntArray, Rule]:
    """Limits, the most of each dose, and the same limits written down as a rule."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(1, 5))
    pour = sm.Pour(
        batch_g=float(rng.choice([50, 100, 150])),
        white=float(rng.choice([0.0, 0.3, 1.0])),
        dose_step=float(rng.choice([0.5, 1.0])),
    )
    tubes = int(rng.integers(1, n + 1))
    required = (int(rng.integers(n)),) if rng.random() < 0.4 else ()
    excluded = tuple({int(rng.integers(n))} - set(required)) if n > 1 and rng.random() < 0.4 else ()
    most = np.full(n, pour.max_steps)
    own = np.arange(n)
    paste, clear, white = np.ones(n), np.zeros(n), np.zeros(n)
    let_downs = []
    if seed % 2:
        for _ in range(int(rng.integers(1, 3))):
            share = pour.white if pour.white in (0.0, 1.0) else float(rng.choice([0.0, pour.white]))
            made = sm.LetDown.made(
                "p", paste=1.0, base_g=float(rng.choice([7, 30])), step_g=5.0, white=share
            )
            which = int(rng.integers(n))
            let_downs.append((which, made))
            own = np.append(own, which)
            paste = np.append(paste, made.paste_per_step / pour.dose_step)
            clear = np.append(clear, 5.0 * (1 - share))
            white = np.append(white, 5.0 * share)
            most = np.append(most, int(pour.batch_g / 5.0))
    limits = pour_limits(pour, n, let_downs, max_tubes=tubes, required=required, excluded=excluded)

    def rule(steps: IntArray) -> BoolArray:
        used = np.stack([(steps[:, own == i] > 0).any(axis=1) for i in range(n)], axis=1)
        good = steps @ paste <= pour.max_total / pour.dose_step + 1e-6
        good &= (steps @ clear <= pour.clear_g + 1e-6) & (steps @ white <= pour.white_g + 1e-6)
        good &= used.sum(axis=1) <= tubes
        good &= used[:, list(required)].all(axis=1) & ~used[:, list(excluded)].any(axis=1)
        return np.asarray(good & (steps >= 0).all(axis=1))

    return limits, most, rule


def inside(boxes: Boxes[IntArray], steps: IntArray) -> BoolArray:
    held = (steps[:, None] >= boxes.lo) & (steps[:, None] <= boxes.hi)
    return np.asarray(held.all(axis=2).any(axis=1))


@pytest.mark.parametrize("seed", range(60))
def test_limits_permit_what_they_say(seed: int) -> None:
    rng = np.random.default_rng(1000 + seed)
    limits, most, rule = some_limits(seed)
    axes = [np.arange(m + 2) for m in np.minimum(most, 12)]
    every = np.array(list(itertools.product(*axes)))
    if len(every) > 40_000:
        every = every[rng.choice(len(every), 40_000, replace=False)]
    steps = limits.recipes()
    assert len(steps) <= limits.count() + 1e-9
    assert rule(steps).all()
    listed = {tuple(row) for row in steps.tolist()}
    assert len(listed) == len(steps)
    right = every[rule(every)]
    if not seed % 2:  # let-downs leave out what whole doses give as well
        assert {tuple(row) for row in right.tolist()} <= listed
    upper = steps.max(axis=0, initial=0)
    if len(steps):
        tried = rng.integers(0, upper + 3, (2000, len(upper)))
        allowed = rule(tried) & np.array([tuple(row) in listed for row in tried.tolist()])
        given = limits.permitted(tried)
        assert {tuple(r) for r in given.tolist()} == {tuple(r) for r in tried[allowed].tolist()}
    lo, hi = limits.roots()
    assert inside(Boxes(lo, hi, np.zeros(len(lo))), steps).all() if len(steps) else True


@pytest.mark.parametrize("seed", range(60))
def test_nothing_permitted_is_cut_off(seed: int) -> None:
    rng = np.random.default_rng(2000 + seed)
    limits, _, _ = some_limits(seed)
    steps = limits.recipes()
    if not len(steps):
        return
    lo = steps[rng.integers(len(steps), size=40)]
    hi = lo + rng.integers(0, 6, lo.shape)
    lo = np.maximum(lo - rng.integers(0, 2, lo.shape), 0)
    boxes = Boxes(lo, hi, rng.random(40))
    paste = steps @ limits.paste
    for cap in (np.inf, float(np.median(paste))):
        held = steps[inside(boxes, steps) & (paste <= cap + 1e-9)]
        tight = limits.tighten(boxes, most_paste=cap)
        if len(held):
            assert inside(tight, held).all()
        # The corner with the least of everything keeps the limits on paste and base.
        assert np.all(tight.lo @ limits.paste <= cap + 1e-6)
        assert np.all(tight.hi >= tight.lo)
    pieces = split(boxes, rng.random(lo.shape))
    assert inside(pieces, steps[inside(boxes, steps)]).all()
    assert len(pieces) >= len(boxes)
    sizes = (boxes.hi - boxes.lo + 1).prod(axis=1)
    assert (pieces.hi - pieces.lo + 1).prod(axis=1).sum() == sizes.sum()  # nothing twice


@pytest.mark.parametrize("count", [1, 5, 40])
def test_real_valued_halves_leave_nothing_out(count: int) -> None:
    rng = np.random.default_rng(count)
    lo = rng.random((count, 3)) * 4
    hi = lo + rng.random((count, 3)) * 6
    limit = 12.0
    boxes = Boxes(lo, hi, rng.random(count))
    pieces = halves(boxes, rng.random((count, 3)), limit)
    points = lo[:, None] + rng.random((count, 400, 3)) * (hi - lo)[:, None]
    # Corners and the wall of the limit itself, too.
    points[:, 0], points[:, 1] = lo, hi
    over = points.sum(axis=2) / limit
    points = np.where((over > 1)[..., None], points / over[..., None], points).reshape(-1, 3)
    there = ((points[:, None] >= lo) & (points[:, None] <= hi)).all(axis=2).any(axis=1)
    points = points[there & (points.sum(axis=1) <= limit)]
    held = (points[:, None] >= pieces.lo - 1e-12) & (points[:, None] <= pieces.hi + 1e-12)
    assert len(points) > 100
    assert held.all(axis=2).any(axis=1).all()
    assert np.all(pieces.lo.sum(axis=1) <= limit * (1 + 1e-9))
    assert np.all(pieces.hi <= limit - pieces.lo.sum(axis=1)[:, None] + pieces.lo + 1e-9)


def test_too_many_lean_recipes_are_not_called_all(monkeypatch: pytest.MonkeyPatch) -> None:
    pour = sm.Pour(batch_g=600)
    model = model_for(sm.demo_palette(), pour.thickness_cm, pour.white, sm.View())
    space = whole_space(model, load_per_step=pour.load_per_step, max_steps=pour.max_steps)
    target = space.lab(np.array([4.0, 3.0, 2.0, 1.0, 4.0]))
    all_ = near.lean_within(space, target, within=3.0)
    assert all_.complete
    assert len(all_.steps) > 5
    for most in (1, 2):
        monkeypatch.setattr(near, "_MOST_LEAN", most)
        assert not near.lean_within(space, target, within=3.0).complete
