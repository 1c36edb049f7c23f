"""Boxes of doses hold their colours: attacked where a bound may come out too tight."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

import shadematch as sm
from shadematch.colour.colorimetry import LAB_FROM_RESPONSE
from shadematch.colour.difference import delta_e
from shadematch.colour.standards import Observation
from shadematch.optics.layer import Layer
from shadematch.predicting.prediction import model_for
from shadematch.search import bounds
from shadematch.search.bounds import images_of
from shadematch.search.limits import step_limits
from shadematch.search.nearness import Nearness
from shadematch.search.space import Space, whole_space
from shadematch.support.arrays import FloatArray
from tests.invented.problems import invented_palette

pytestmark = pytest.mark.filterwarnings("ignore::shadematch.errors.ThicknessWarning")

HAIR = 1e-9


def space_of(rng: np.random.Generator, *, twins: bool = False, **view: str | bool) -> Space:
    count = int(rng.integers(2, 6))
    pour = sm.Pour(
        batch_g=float(rng.choice([1000, 20_000])),
        thickness_cm=float(rng.choice([0.1, 1.0, 4.0])),
        white=float(rng.choice([0.0, 0.05, 1.0])),
        max_load=float(rng.choice([1.0, 4.0, 8.0])),
    )
    palette = invented_palette(rng, count, twins=twins)
    model = model_for(palette, pour.thickness_cm, pour.white, sm.View(**view))
    return whole_space(model, load_per_step=pour.load_per_step, max_steps=pour.max_steps)


def boxes_in(
    rng: np.random.Generator, space: Space, count: int = 24
) -> tuple[FloatArray, FloatArray]:
    """Real-valued boxes from a hair's breadth to most of the region, many at its dark end."""
    n = space.size
    most = space.limits.total
    lo = most * rng.random((count, n)) * rng.random((count, 1)) ** 2 / n
    size = 10.0 ** rng.uniform(-3, 0, (count, 1))
    return lo, lo + most * size * rng.random((count, n)) ** 2


def shares_in(rng: np.random.Generator, n: int) -> FloatArray:
    """Places in a box from -1 to 1: inside, on edges, and every corner."""
    inside = rng.uniform(-1, 1, (100, n))
    corners = 2.0 * np.array(list(np.ndindex(*(2,) * n))) - 1.0
    edges = np.where(rng.random((60, n)) < 0.7, np.sign(inside[:60]), inside[:60])
    return np.concatenate([inside, edges, corners])


def strayed(space: Space, lo: FloatArray, hi: FloatArray, shares: FloatArray) -> float:
    """How far colours lie outside of what is said of a box, in CIELAB; not above 0 if all hold."""
    (images,) = images_of(space, lo[None], hi[None])
    lab = space.lab(0.5 * (lo + hi) + shares * (0.5 * (hi - lo)))
    upright = max((lab - images.lab_hi[0]).max(), (images.lab_lo[0] - lab).max())
    # The remainder, in terms of what CIELAB is made of, has an interval for each of the three.
    rest = lab - images.centre[0] - shares @ images.generators[0, :, :-3].T
    parts = np.linalg.solve(LAB_FROM_RESPONSE, rest.T).T
    half = np.abs(images.generators[0, (1, 1, 2), (-3, -2, -1)]) / np.array([500, 500, 200])
    return float(max(upright, 500 * (np.abs(parts) - half).max()))


@pytest.mark.parametrize("illuminant", ["D65", "A", "FL11"])
@pytest.mark.parametrize("how", ["dry", "wet", "through", "black", "twins"])
def test_colours_of_a_box_lie_in_its_image(illuminant: str, how: str) -> None:
    # FL11 has negative weights, a thin layer a table that is not quite as it should be.
    rng = np.random.default_rng([len(how), ord(how[0]), ord(illuminant[0])])
    for observer in ("2", "10"):
        for _ in range(4):
            space = space_of(
                rng,
                twins=how == "twins",
                illuminant=illuminant,
                observer=observer,
                contact=how if how in ("dry", "wet") else "dry",
                through=how == "through",
                backing="black" if how == "black" else "white",
            )
            for lo, hi in zip(*boxes_in(rng, space), strict=True):
                assert strayed(space, lo, hi, shares_in(rng, space.size)) <= HAIR


def test_negative_weights_are_reckoned_with() -> None:
    # Far more negative than any table's, with and without the case in which they count for little.
    rng = np.random.default_rng(8)
    for share in (0.02, 0.1, 0.5):
        for _ in range(12):
            space = space_of(rng)
            signs = np.where(rng.random(36) < 0.3, -share, 1.0)
            weights, white = space.seen[0]
            space = replace(space, seen=(Observation(weights * signs, white),))
            for lo, hi in zip(*boxes_in(rng, space, 12), strict=True):
                assert strayed(space, lo, hi, shares_in(rng, space.size)) <= HAIR


@pytest.mark.parametrize("side", ["negative", "positive"])
def test_doses_that_act_on_weights_of_one_sign_alone(side: str) -> None:
    # Where only negative weights see a dose, X is a concave function of it; where a constant is
    # taken away from X, its cube root need not be convex. Pastes that absorb nowhere else.
    rng = np.random.default_rng(10)
    for _ in range(12):
        space = space_of(rng)
        negative = np.arange(36) % 3 == 0
        seen = negative if side == "negative" else ~negative
        weights, white = space.seen[0][0].copy(), space.seen[0][1]
        share = 0.04 if side == "negative" else 0.9
        scale = share * weights[:, ~negative].sum(axis=1) / weights[:, negative].sum(axis=1)
        weights[:, negative] *= -scale[:, None]
        space = replace(
            space,
            seen=(Observation(weights, white),),
            absorption=np.where(seen, space.absorption, 0.0),
        )
        for lo, hi in zip(*boxes_in(rng, space), strict=True):
            assert strayed(space, lo, hi, shares_in(rng, space.size)) <= HAIR


@pytest.mark.parametrize("kind", ["dent", "ripple", "noise"])
def test_errors_of_the_table_are_reckoned_with(kind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    # The bound is one on what `lab` gives, so also where that breaks the laws of optics.
    rng = np.random.default_rng(9)
    right = Layer._knot_values

    def wrong(u: FloatArray, *rest: object) -> FloatArray:
        R, at = right(u, *rest), u[:, None]  # type: ignore[arg-type]
        if kind == "dent":
            return R * (1 + 0.05 * np.where(np.abs(at - 1) < 0.5, np.cos(np.pi * (at - 1)) ** 2, 0))
        if kind == "ripple":
            return np.asarray(R * (1 + 1e-3 * np.sin(40 * np.sqrt(at))))
        return np.where(R < 1e-9, 1e-9 * rng.random(R.shape), R)

    monkeypatch.setattr(Layer, "_knot_values", staticmethod(wrong))
    for _ in range(12):
        space = space_of(rng)
        for lo, hi in zip(*boxes_in(rng, space), strict=True):
            assert strayed(space, lo, hi, shares_in(rng, space.size)) <= HAIR


@pytest.mark.parametrize("kind", ["anywhere", "hue jump", "grey", "black", "inside"])
def test_no_recipe_of_a_box_is_nearer_than_its_floor(kind: str) -> None:
    rng = np.random.default_rng(len(kind))
    raised = 0
    for turn in range(16):
        space = space_of(rng, twins=bool(turn % 4 == 0))
        lo, hi = boxes_in(rng, space, 60)
        lab = space.lab(0.5 * (lo[0] + hi[0]))
        target = {
            "anywhere": np.array([rng.uniform(0, 100), *rng.uniform(-90, 90, 2)]),
            "hue jump": np.array([lab[0], *(-rng.uniform(0.01, 1.5) * lab[1:])]),
            "grey": np.array([lab[0], *rng.normal(0, 0.01, 2)]),
            "black": np.array([rng.uniform(0, 3), *rng.normal(0, 1, 2)]),
            "inside": lab + rng.normal(0, 0.3, 3),
        }[kind]
        shares = shares_in(rng, space.size)
        for limit in (np.inf, 30.0, 3.0, 0.3):
            judged = Nearness(space, target, limit).judge(lo, hi, limit)
            for box in range(len(lo)):
                points = 0.5 * (lo[box] + hi[box]) + shares * (0.5 * (hi[box] - lo[box]))
                assert delta_e(space.lab(points), target).min() >= judged.floor[box] - HAIR
            raised += int(np.sum(judged.floor > 0.1))
    assert raised > 1000


@pytest.mark.parametrize("seed", range(40))
def test_the_nearest_parts_are_those_of_a_full_list(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n, most = int(rng.integers(1, 6)), int(rng.choice([1, 20, 1000, 100_000]))
    required = tuple(np.flatnonzero(rng.random(n) < 0.2).tolist())
    steps, tubes = int(rng.integers(len(required), 8)), int(rng.integers(max(1, len(required)), 6))
    limits = step_limits(n, steps, max_tubes=tubes, required=required)
    around = rng.random(n) * 8 if seed % 2 else rng.integers(0, 8, n).astype(float)
    found, complete = limits.nearest(range(n), around, most)
    every = np.array(
        list(
            itertools.product(
                *(range(lo, hi + 1) for lo, hi in zip(limits.lower, limits.upper, strict=True))
            )
        )
    )
    every = every[(every.sum(axis=1) <= steps) & ((every > 0).sum(axis=1) <= tubes)]
    nearest = np.argsort(np.abs(every - around).sum(axis=1), kind="stable")[:most]
    assert complete == (len(every) <= most) and len(found) == len(nearest)
    assert found.tolist() == every[nearest].tolist()


def test_many_pastes_that_scatter_fit_into_memory() -> None:
    # 8 pastes in steps of 1 cm into 10 kg: more combinations than any memory holds.
    found, complete = step_limits(8, 400).nearest(range(8), np.full(8, 20.0), 1000)
    assert (len(found), complete) == (1000, False)
    assert found[0].tolist() == [20] * 8


def test_the_norm_alone_rules_boxes_out(monkeypatch: pytest.MonkeyPatch) -> None:
    # A norm holds as far as its radius, where floors end: the limit has to lie within.
    monkeypatch.setattr(bounds, "floor", lambda *given: np.zeros(len(given[1])))
    rng = np.random.default_rng(12)
    space = space_of(rng)
    lo = rng.integers(0, 3, (200, space.size))
    away = delta_e(space.lab(lo), space.lab(lo[:1])[0])
    for limit in (0.5, 2.0):
        sought = Nearness(space, space.lab(lo[:1])[0])
        sought.narrow(limit)
        judged = sought.judge(lo, lo, limit)
        out = judged.floor >= limit
        assert not (out & (away < limit)).any()
        assert out[away > 2.0 * limit].mean() > 0.9
