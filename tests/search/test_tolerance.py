"""What counts as no worse than the closest recipe, against plain enumeration."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import chi2, multivariate_normal

import shadematch as sm
from shadematch.colour.difference import delta_e
from shadematch.colour.floors import minorant
from shadematch.matching.match import Match
from shadematch.search.searcher import Searcher
from shadematch.search.tolerance import ANYWHERE, Tolerance, inside
from tests.invented.problems import KINDS, problem


def covariance(rng: np.random.Generator, size: float) -> np.ndarray:
    """A random one, often nearly flat in some direction."""
    axes = np.linalg.qr(rng.normal(size=(3, 3)))[0]
    return (axes * (size * 10.0 ** rng.uniform(-2, 0, 3)) ** 2) @ axes.T


def rows(matrix: np.ndarray) -> tuple[tuple[float, float, float], ...]:
    return tuple((float(r[0]), float(r[1]), float(r[2])) for r in matrix)


def counted(
    lab: np.ndarray, target: np.ndarray, known: np.ndarray, radius: float, tolerance: float
) -> np.ndarray:
    """Which colours count, by the words of `Tolerance` and not by its code."""
    values = delta_e(lab, target)
    near = values.min() + tolerance
    norm = minorant(target, near)
    axes = chi2.ppf(0.9, 3) * known + near**2 * np.linalg.inv(norm.T @ norm)
    away = lab - target
    far = np.einsum("ij,ij->i", away, np.linalg.solve(axes, away.T).T)
    return (values <= max(near, radius)) & (far <= 1.0)


@pytest.mark.parametrize("seed", range(40_000, 40_000 + 4 * len(KINDS)))
def test_least_paste_among_those_that_count(seed: int) -> None:
    p = problem(seed, least=50, most=20_000)
    rng = np.random.default_rng(seed)
    totals = p.steps.sum(axis=1)
    targets = [p.target, *(p.lab[rng.integers(len(p.lab), size=3)] + rng.normal(0, 2, (3, 3)))]
    tolerances = []
    for target in targets:
        known = covariance(rng, rng.uniform(0.5, 8.0))
        radius = float(rng.uniform(0.5, 10.0))
        tolerances.append(Tolerance(0.5, radius, rows(known)))
        good = counted(p.lab, target, known, radius, 0.5)
        fresh = Searcher(p.searcher.space)
        answer = fresh.answer(target, tolerances[-1])
        lean = answer.frugal
        assert lean.steps is not None
        assert lean.proved
        assert lean.steps.sum() == totals[good].min() == lean.bound
        least = delta_e(p.lab[good & (totals == totals[good].min())], target).min()
        assert lean.delta_e == pytest.approx(least, abs=1e-9)
    kept = p.searcher.all_recipes()
    assert kept is not None
    for own, target, (near, lean) in zip(
        tolerances, targets, kept.look_up(np.array(targets)[:, None], tolerances), strict=True
    ):
        listed = p.searcher.answer(target, own).frugal
        assert near.steps is not None
        assert lean.steps is not None
        assert listed.steps is not None
        assert lean.steps.tolist() == listed.steps.tolist()


def test_all_that_is_near_counts_whatever_is_believed() -> None:
    rng = np.random.default_rng(5)
    for _ in range(300):
        target = np.array([rng.uniform(5, 95), *rng.uniform(-70, 70, 2)])
        closest = float(rng.uniform(0, 4))
        known = covariance(rng, 3.0)
        belief = Tolerance(0.5, 1.0, rows(known)).belief(target, closest)
        lab = target + rng.normal(0, 2.0, (200, 3))
        near = delta_e(lab, target) <= closest + 0.5
        assert inside(lab[near], target, belief).all()
        # The ellipsoid of 90 % itself is inside as well, so nine true colours in ten count.
        drawn = multivariate_normal.rvs(target, known, 400, random_state=rng)
        assert inside(drawn, target, belief).mean() > 0.84
    assert inside(lab + 1000.0, target, ANYWHERE).all()


def test_uncertain_lightness_tolerates_nothing_in_hue() -> None:
    known = np.diag([36.0, 0.09, 0.09])
    target = sm.Target.from_lab((62, 26, 53), covariance=known.tolist())
    pour = sm.Pour(batch_g=1000)
    found = sm.match(target, pour=pour)
    plain = sm.Target.from_lab((62, 26, 53))
    exact = sm.match(plain, pour=pour)
    assert found.closest.recipe == exact.closest.recipe
    assert found.recipe.total < exact.recipe.total

    def stray(match: Match) -> float:
        return float(np.hypot(*np.subtract(match.predicted.lab, target.lab)[1:]))

    assert stray(found) < 2.0
    # What is as near in CIEDE2000 alone would be of another hue.
    wide = sm.match(plain, pour=pour, tolerance=target.radius - exact.closest.delta_e)
    assert wide.delta_e <= target.radius + 1e-9
    assert stray(wide) > 8.0


def test_the_frugal_recipe_is_no_farther_than_the_target_is_uncertain() -> None:
    target = sm.Target.from_lab((62, 26, 53), covariance=np.diag([16.0, 16.0, 16.0]).tolist())
    for batch in (100.0, 300.0, 1000.0):
        found = sm.match(target, pour=sm.Pour(batch_g=batch))
        assert found.delta_e <= max(found.closest.delta_e + 0.5, target.radius) + 1e-9


def test_several_lights_know_of_it_too() -> None:
    known = np.diag([25.0, 1.0, 1.0])
    target = sm.Target.from_lab((60, 20, 40), covariance=known.tolist())
    pour = sm.Pour(batch_g=300)
    lights = ["D65", "A"]
    found = sm.match(target, pour=pour, lights=lights)
    palette = sm.demo_palette()
    views = [sm.View(illuminant=light) for light in lights]
    names = palette.names
    most = pour.max_steps
    doses = [d for d in np.ndindex(*(most + 1,) * len(names)) if sum(d) <= most]
    closest = found.closest.delta_e
    goals = [np.array(target.lab_in(view)) for view in views]
    beliefs = [Tolerance(0.5, target.radius, rows(known)).belief(goal, closest) for goal in goals]
    least = np.inf
    for dose in doses:
        if sum(dose) >= found.recipe.total:
            continue
        recipe = {n: d for n, d in zip(names, dose, strict=True) if d}
        labs = [
            np.array(sm.predict(recipe, palette=palette, pour=pour, view=view).lab)
            for view in views
        ]
        good = all(
            delta_e(lab, goal) <= max(closest + 0.5, target.radius)
            and np.linalg.norm(belief @ (lab - goal)) <= 1
            for lab, goal, belief in zip(labs, goals, beliefs, strict=True)
        )
        least = min(least, sum(dose)) if good else least
    assert least == np.inf
