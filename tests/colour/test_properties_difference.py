"""The proof's own numbers at points where a small mistake in them would show.

Each of these fails for a change of the code that no other test notices (`tests.bench.mutants`).
"""

from __future__ import annotations

import numpy as np
import pytest

from shadematch.colour import difference
from shadematch.colour.difference import delta_e, floor, minorant
from shadematch.support.arrays import FloatArray


def test_the_floor_of_a_point_is_never_above_its_value() -> None:
    # Beyond 1 to the last bit, since bounds are compared with values; nearer, the formula itself
    # loses digits in differences, for which the search allows 1e-9.
    rng = np.random.default_rng(1)
    target = rng.uniform((0, -80, -80), (100, 80, 80), (20_000, 3))
    point = target + rng.normal(0, 1, (20_000, 3)) * rng.choice([1e-6, 1e-2, 1, 30], (20_000, 1))
    least, value = floor(target, point, point), delta_e(target, point)
    assert np.all(least[value > 1] <= value[value > 1])
    assert np.all(least <= value + 1e-12)


def _targets(count: int) -> FloatArray:
    """Blues, greys and others, those with little chroma first."""
    rng = np.random.default_rng(2)
    chroma = np.concatenate([10 ** rng.uniform(-2, 1, count // 2), rng.uniform(0, 90, count // 2)])
    hue = np.where(rng.random(count) < 0.4, rng.normal(4.8, 0.3, count), rng.uniform(0, 7, count))
    level = rng.uniform(0, 100, count)
    return np.stack([level, chroma * np.cos(hue), chroma * np.sin(hue)], axis=-1)


def test_floors_of_tall_and_flat_boxes_hold_at_every_point() -> None:
    # Boxes that are thin in b* and long in a*, near the a* axis: there G, and with it the hue of
    # the target itself, changes most along the box.
    rng = np.random.default_rng(3)
    for target in _targets(400):
        centre = target[1:] + rng.normal(0, 10, 2)
        half = np.array([rng.uniform(0, 40), rng.choice([0.0, 0.01, 1.0, 20.0])])
        lo = np.array([target[0], *(centre - half)])
        hi = np.array([target[0], *(centre + half)])
        inside = rng.uniform(lo, hi, (300, 3))
        ends = np.where(rng.random((100, 3)) < 0.5, lo, hi)
        points = np.concatenate([inside, ends])
        least = float(delta_e(target, points).min())
        assert float(floor(target, lo, hi)) <= least + 1e-12


def test_the_minorant_holds_at_every_point_within_its_radius() -> None:
    rng = np.random.default_rng(4)
    for target in _targets(300):
        radius = float(10 ** rng.uniform(-1.5, 1.3))
        W = minorant(target, radius)
        way = rng.normal(size=(400, 3)) * rng.choice([0.0, 1.0], (400, 3), p=[0.2, 0.8])
        way /= np.maximum(np.linalg.norm(way, axis=1, keepdims=True), 1e-12)
        points = target + way * rng.uniform(0, 3 * radius, (400, 1))
        value = delta_e(target, points)
        near = value <= radius
        norm = np.linalg.norm((points - target) @ W.T, axis=1)
        assert np.all(norm[near] <= value[near] + 1e-12)


@pytest.mark.parametrize("radius", [0.0, 1e-300, 1e-5])
def test_the_minorant_of_hardly_any_radius(radius: float) -> None:
    for target in _targets(20):
        W = minorant(target, radius)
        assert np.all(np.isfinite(W))
        assert W[0, 0] > 0


@pytest.mark.parametrize("size", [1e-3, 0.1, 1.7, 40.0])
def test_the_squares_around_a_target_cover_the_plane(size: float) -> None:
    for target in ([50.0, 0.0, 0.0], [50.0, 300.0, 0.0], [50.0, 0.0, -300.0], [50.0, -220.0, 9.0]):
        lo, hi = difference._rings(np.array(target), size)
        assert np.all(lo.min(axis=0) <= -difference._LARGEST_AB)
        assert np.all(hi.max(axis=0) >= difference._LARGEST_AB)
        # and without a gap or an overlap: their areas add up to that of the square around them
        sides = hi.max(axis=0) - lo.min(axis=0)
        assert np.prod(hi - lo, axis=1).sum() == pytest.approx(np.prod(sides))


def test_the_second_slope_of_t_is_bounded_by_its_terms() -> None:
    # T = 1 - 0.17 cos(h - 30) + 0.24 cos 2h + 0.32 cos(3h + 6) - 0.20 cos(4h - 63): Sharma, Wu and
    # Dalal, Color Res. Appl. 30 (2005) 21, eq. 15. Differentiated twice, term by term.
    terms = {1: 0.17, 2: 0.24, 3: 0.32, 4: 0.20}
    assert pytest.approx(sum(k * k * a for k, a in terms.items())) == difference._T_SLOPE2
