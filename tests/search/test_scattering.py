"""Boxes in which pastes scatter: what is said of their colours, and answers that rest on it."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

import shadematch as sm
from shadematch.colour.colorimetry import LAB_FROM_RESPONSE
from shadematch.colour.difference import delta_e
from shadematch.predicting.prediction import model_for
from shadematch.search import searcher as searcher_, whole
from shadematch.search.bounds import images_of
from shadematch.search.searcher import Searcher
from shadematch.search.space import Space, whole_space
from tests.invented.problems import bent, milky

pytestmark = pytest.mark.filterwarnings("ignore::shadematch.errors.ThicknessWarning")

HAIR = 1e-9


def space_of(rng: np.random.Generator, count: int, scattering: int, steps: int) -> Space:
    """Random pastes, pours and views."""
    palette = milky(rng, count, scattering)
    palette = bent(palette, rng) if rng.random() < 0.3 else palette
    view = sm.View(
        illuminant=str(rng.choice(["D65", "A", "FL11"])),
        backing=str(rng.choice(["white", "black"])),
        contact=str(rng.choice(["dry", "wet"])),
        through=bool(rng.random() < 0.3),
    )
    white = float(rng.choice([0.0, 0.0, 0.05, 1.0]))
    model = model_for(palette, float(rng.choice([0.3, 1.0, 4.0])), white, view)
    return whole_space(model, load_per_step=float(rng.choice([0.1, 0.5])), max_steps=steps)


@pytest.mark.parametrize("seed", range(10))
def test_boxes_hold_their_colours(seed: int) -> None:
    rng = np.random.default_rng(seed)
    space = space_of(rng, 4, 1 + seed % 4, 60)
    assert space.vague
    lo = rng.integers(0, 15, (120, 4))
    hi = lo + rng.integers(0, 1 + 10 ** rng.integers(0, 2, (120, 1)), lo.shape)
    (images,) = images_of(space, lo, hi)
    rest = images.generators[:, (1, 1, 2), (-3, -2, -1)] / np.array([500, 500, 200])
    for _ in range(40):
        shares = rng.uniform(-1, 1, lo.shape)
        shares = np.where(rng.random((120, 1)) < 0.5, np.sign(shares), shares)
        steps = 0.5 * (lo + hi) + shares * 0.5 * (hi - lo)
        # By the table, which the surface has put together; by layers, which strays may allow for.
        for lab in (space.labs(steps)[0], space.sketched(steps)[:, 0]):
            assert (lab >= images.lab_lo - HAIR).all()
            assert (lab <= images.lab_hi + HAIR).all()
            if space.bent:
                continue
            straight = images.centre + np.einsum(
                "mck,mk->mc", images.generators[:, :, :-3], np.where(hi > lo, shares, 0.0)
            )
            parts = np.linalg.solve(LAB_FROM_RESPONSE, (lab - straight).T).T
            assert (np.abs(parts) <= np.abs(rest) + HAIR).all()


@pytest.mark.parametrize("seed", range(8))
def test_answers_by_boxes_are_the_best_of_all(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(searcher_, "LARGEST", 0)  # so that nothing is listed
    monkeypatch.setattr(whole, "LISTED", 0)
    rng = np.random.default_rng(100 + seed)
    count, scattering, most = ((3, 1, 14), (4, 1, 9), (2, 2, 7), (3, 2, 5))[seed % 4]
    space = space_of(rng, count, scattering, most)
    found = Searcher(space)
    steps = space.limits.recipes()
    labs = found.colours(steps)[:, 0]
    for kind in range(4):
        target = labs[rng.integers(len(labs))] + rng.normal(0, (0.0, 0.05, 1.0, 20.0)[kind], 3)
        values, total = delta_e(labs, target), steps.sum(axis=1)
        answer = found.answer(target, 0.5)
        best = values.min()
        assert answer.closest.boxes > 0
        assert answer.closest.proved
        assert answer.closest.delta_e == pytest.approx(best, abs=1e-9)
        assert answer.closest.bound <= best + HAIR
        assert answer.frugal.proved
        assert answer.frugal.steps is not None
        least = total[values <= best + 0.5].min()
        assert answer.frugal.steps.sum() == least == answer.frugal.bound
        assert answer.frugal.delta_e <= best + 0.5 + HAIR


def test_ranges_hold_the_colours_of_layers() -> None:
    for seed, scattering in itertools.product(range(3), (1, 2)):
        rng = np.random.default_rng(200 + seed)
        space = space_of(rng, 3, scattering, 40)
        steps = rng.integers(0, 14, (8, 3))
        labs = Searcher(space).colours(steps)[:, 0]
        ((lo, hi),) = space.ranges(steps)
        assert (labs >= lo).all()
        assert (labs <= hi).all()


def test_a_rough_space_is_nearly_the_same() -> None:
    space = space_of(np.random.default_rng(8), 4, 2, 20)
    steps = np.random.default_rng(9).uniform(0.0, 5.0, (50, 4))
    rough = replace(space, rough=True)
    assert rough.lab(steps) == pytest.approx(space.lab(steps), abs=2e-3)
    own, other = rough.lab_and_slope(steps)[1], space.lab_and_slope(steps)[1]
    assert own == pytest.approx(other, abs=2e-3, rel=1e-3)
