"""The many searches at once, piece by piece, against general solvers and plain sorting."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import lsq_linear, minimize

import shadematch as sm
from shadematch.colour.difference import delta_e
from shadematch.predicting.prediction import model_for
from shadematch.search.ideal_many import Cloud, _limited_steps, evened
from shadematch.search.space import whole_space


def test_evened_is_nearly_euclidean_for_ciede2000() -> None:
    # In lightness and chroma; a step of hue is shrunk a little differently. Blue hues, where
    # CIEDE2000 turns its ellipses, and near neutrals, where it stretches a*, are left out.
    rng = np.random.default_rng(1)
    for _ in range(200):
        lightness, chroma = rng.uniform(5, 95), rng.uniform(30, 90)
        hue = np.radians(rng.uniform(-60, 200))
        axis = np.array([0.0, np.cos(hue), np.sin(hue)])
        here = np.array([lightness, 0.0, 0.0]) + chroma * axis
        for step in (0.5 * axis, np.array([0.5, 0.0, 0.0])):
            a, b = here - step, here + step
            straight = float(np.linalg.norm(evened(a) - evened(b)))
            assert straight == pytest.approx(float(delta_e(a, b)), rel=0.03)
    grey = np.array([50.0, 0.0, 0.0])
    assert evened(grey)[1:].tolist() == [0.0, 0.0]


@pytest.mark.parametrize("measure", ["ciede2000", "lab"])
def test_starts_are_the_nearest_of_different_parts(measure: str) -> None:
    rng = np.random.default_rng(2)
    pour = sm.Pour(batch_g=1000)
    model = model_for(sm.demo_palette(), pour.thickness_cm, 0.0, sm.View())
    space = whole_space(model, load_per_step=pour.load_per_step, max_steps=pour.max_steps)
    steps = rng.dirichlet(np.ones(6), 400)[:, :5] * space.limits.total
    kinds = rng.integers(0, 3, 400)
    cloud = Cloud(space, steps, kinds)
    targets = cloud.lab[rng.integers(400, size=12)] + rng.normal(0, 3, (12, 3))
    at = cloud.starts(targets, 5, measure)  # type: ignore[arg-type]
    assert at.shape == (12, 5)
    for target, row in zip(targets, at, strict=True):
        if measure == "ciede2000":
            far = delta_e(cloud.lab, target)
        else:
            far = np.linalg.norm(cloud.lab - target, axis=1)
        order = np.argsort(far)
        # The nearest of each part, the nearest part first, then the nearest of the rest.
        heads = sorted((int(order[kinds[order] == k][0]) for k in range(3)), key=far.__getitem__)
        rest = [int(i) for i in order if i not in heads]
        assert row.tolist() == (heads + rest)[:5]


def test_limited_steps_are_the_best_there_are() -> None:
    rng = np.random.default_rng(3)
    for n in (1, 2, 5, 8):
        for _ in range(12):
            J = rng.normal(size=(3, n))
            hessian = J.T @ J + 1e-3 * np.eye(n)
            room = float(rng.uniform(1, 10))
            here = rng.dirichlet(np.ones(n + 1))[:n] * room
            pull = rng.normal(size=n) * rng.choice([0.1, 3.0, 30.0])
            open_ = rng.random(n) < 0.8
            here = np.where(open_, here, 0.0)
            ours = _limited_steps(hessian[None], pull[None], here[None], open_[None], room)[0]
            assert ours.min() >= 0
            assert ours.sum() <= room * (1 + 1e-9)
            assert not ours[~open_].any()

            def cost(x, H=hessian, p=pull, h=here):  # type: ignore[no-untyped-def]
                return 0.5 * (x - h) @ H @ (x - h) + p @ (x - h)

            theirs = minimize(
                cost,
                here,
                jac=lambda x, H=hessian, p=pull, h=here: H @ (x - h) + p,
                bounds=[(0, room if o else 0) for o in open_],
                constraints={"type": "ineq", "fun": lambda x, r=room: r - x.sum()},
                method="SLSQP",
                options={"ftol": 1e-12, "maxiter": 500},
            )
            assert cost(ours) <= theirs.fun + 1e-6 * (1 + abs(theirs.fun))


def test_limited_steps_with_room_to_spare_are_bounded_least_squares() -> None:
    rng = np.random.default_rng(4)
    count, n = 30, 4
    J = rng.normal(size=(count, 6, n))
    wanted = rng.normal(size=(count, 6))
    here = rng.random((count, n))
    hessian = np.swapaxes(J, 1, 2) @ J
    pull = np.einsum("tij,ti->tj", J, np.einsum("tij,tj->ti", J, here) - wanted)
    ours = _limited_steps(hessian, pull, here, np.ones((count, n), dtype=bool), 1e3)
    for i in range(count):
        theirs = lsq_linear(J[i], wanted[i], bounds=(0, np.inf), tol=1e-12).x
        assert ours[i] == pytest.approx(theirs, abs=1e-5)
