"""Floors and minorants of CIEDE2000, at points where a small mistake in them would show."""

from __future__ import annotations

import numpy as np
import pytest

from shadematch.colour import floors
from shadematch.colour.difference import delta_e, squared_difference
from shadematch.colour.floors import farthest, floor, minorant
from shadematch.support.arrays import FloatArray
from tests.invented.colours import KINDS, colours, mean_hue, polar, turned_apart, uniform_lab

ROUNDING = 1e-12
"""Most that rounding may carry a floor above the value; 2.4e-14 was seen."""


# --- the floor


def lowest(
    rng: np.random.Generator, target: FloatArray, lo: FloatArray, hi: FloatArray
) -> FloatArray:
    """Least CIEDE2000 found in each box: dense samples with faces, edges and corners, the point
    nearest to the target, and then a search around the best.
    """
    count, span = len(target), hi - lo
    where = np.clip(target, lo, hi)
    least = delta_e(target, where)

    def offer(point: FloatArray) -> None:
        value = delta_e(target, point)
        better = value < least
        least[better], where[better] = value[better], point[better]

    for trial in range(40):
        share = rng.uniform(size=(count, 3))
        if trial % 2:
            face = rng.integers(0, 3, (count, 3))
            share = np.where(face == 2, share, face)
        offer(lo + share * span)
    for step in (0.3, 0.1, 0.03, 0.01, 1e-3):
        for _ in range(8):
            offer(np.clip(where + step * span * rng.normal(size=(count, 3)), lo, hi))
    return least


def boxes(
    rng: np.random.Generator, where: str, target: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Centre, lower and upper corner of boxes of many sizes and shapes."""
    count = len(target)
    if where == "near the target":
        spread = rng.choice([0.01, 0.3, 3, 20], (count, 1))
        centre = target + spread * rng.normal(size=target.shape)
    elif where == "over the hue jump":
        hue = np.arctan2(target[:, 2], target[:, 1]) + np.pi
        hue += rng.normal(0, 0.05, count) * rng.choice([1e-6, 0.01, 1], count)
        chroma = rng.uniform(0, 60, count) * rng.choice([1e-6, 0.01, 1], count)
        centre = polar(target[:, 0] + rng.normal(size=count), chroma, hue)
    elif where == "over the grey axis":
        centre = colours(rng, "grey", count)
    else:
        centre = colours(rng, where, count)
    size = rng.choice([0, 1e-9, 1e-3, 0.1, 1, 5, 20], (count, 1))
    half = size * np.abs(rng.normal(size=(count, 3))) * rng.choice([0, 1], (count, 3), p=[0.1, 0.9])
    return centre, centre - half, centre + half


@pytest.mark.parametrize(
    "where", ["near the target", "over the hue jump", "over the grey axis", "any", "blue"]
)
@pytest.mark.parametrize("kind", KINDS)
def test_floor_is_never_above_the_least_in_the_box(kind: str, where: str) -> None:
    rng = np.random.default_rng([5, KINDS.index(kind), len(where)])
    target = colours(rng, kind, 3000)
    _, lo, hi = boxes(rng, where, target)
    bound = floor(target, lo, hi)
    assert np.all(bound >= 0)
    assert np.max(bound - lowest(rng, target, lo, hi)) <= ROUNDING


def test_floor_is_not_above_the_value_at_exactly_opposite_hues() -> None:
    rng = np.random.default_rng(6)
    lightness, hue = np.full(100_000, 50.0), rng.uniform(0, 2 * np.pi, 100_000)
    target = polar(lightness, rng.uniform(0, 100, 100_000), hue)
    opposite = polar(lightness, rng.uniform(0, 100, 100_000), hue + np.pi)
    excess = floor(target, opposite, opposite) - delta_e(target, opposite)
    assert np.max(excess) <= ROUNDING


def test_floor_is_zero_where_the_box_holds_the_target() -> None:
    rng = np.random.default_rng(7)
    target = np.concatenate([colours(rng, kind, 2000) for kind in KINDS])
    size = rng.choice([0, 1e-6, 0.1, 10], target.shape)
    lo = target - size * rng.uniform(size=target.shape)
    hi = target + size * rng.uniform(size=target.shape)
    assert np.all(floor(target, lo, hi) == 0)


def test_floor_of_a_single_colour_is_close_to_the_value() -> None:
    # Not quite the value, since R_T's own jump where the mean hue passes 0 has to be covered.
    # Hues must not be opposite (there both sides of the jump have to be).
    rng = np.random.default_rng(8)
    target = np.tile(polar(*rng.uniform(0, [[100], [100], [2 * np.pi]], (3, 100_000))), (2, 1))
    lab = target + rng.choice([0.01, 1, 10], (len(target), 1)) * rng.normal(size=target.shape)
    lab[:100_000] = uniform_lab(rng, 100_000)
    value = delta_e(target, lab)
    used = (value > 1e-3) & (turned_apart(lab, target) < 179)
    share = floor(target, lab, lab)[used] / value[used]
    assert share.max() <= 1 + 1e-9
    assert share.min() >= 0.9999
    blue = np.abs((mean_hue(lab, target)[used] - 275 + 180) % 360 - 180) < 30
    assert blue.sum() > 10_000


def test_floor_is_tight_for_small_boxes() -> None:
    # Not a proof of anything but that the floors above are worth having.
    rng = np.random.default_rng(9)
    target = colours(rng, "any", 4000)
    direction = rng.normal(size=target.shape)
    centre = target + 3 * direction
    least = lowest(rng, target, centre - 0.1, centre + 0.1)
    assert np.median(floor(target, centre - 0.1, centre + 0.1) / least) > 0.97


# --- the minorant


def within(
    rng: np.random.Generator, target: FloatArray, W: FloatArray, radius: float, *, flat: bool
) -> tuple[FloatArray, FloatArray]:
    """Norm and CIEDE2000 of colours around the target, and of those where the norm comes
    closest to the difference, found by search. L* is kept between 0 and 100, or as the target's
    if `flat`: the part in L* is all but exact, and would draw the search away from the rest.
    """
    values, vectors = np.linalg.eigh(squared_difference(target, target)[2])
    unit = rng.normal(size=(4000, 3))
    unit[:1000, rng.integers(3)] = 0
    unit /= np.linalg.norm(unit, axis=1, keepdims=True)
    lab = target + radius * rng.uniform(0, 2.2, (4000, 1)) * (unit / np.sqrt(values)) @ vectors.T
    norms, differences = [], []
    for step in (0.3, 0.1, 0.03, 0.01):
        lab[:, 0] = target[0] if flat else np.clip(lab[:, 0], 0, 100)
        norm = np.linalg.norm((lab - target) @ W.T, axis=1)
        difference = delta_e(target, lab)
        inside = difference <= radius
        norms.append(norm[inside])
        differences.append(difference[inside])
        score = np.where(inside, norm / np.maximum(difference, 1e-300), -1)
        best = lab[np.argsort(score)[-40:]]
        lab = np.repeat(best, 40, axis=0)
        lab += radius * step * rng.normal(size=lab.shape)
    return np.concatenate(norms), np.concatenate(differences)


@pytest.mark.parametrize("radius", [0.05, 0.3, 1.0, 3.0, 10.0])
@pytest.mark.parametrize("kind", KINDS)
def test_minorant_stays_below(kind: str, radius: float) -> None:
    rng = np.random.default_rng([10, KINDS.index(kind)])
    for target in colours(rng, kind, 12):
        W = minorant(target, radius)
        for flat in (False, True):
            norm, difference = within(rng, target, W, radius, flat=flat)
            assert len(norm) > 1000
            assert np.max(norm - difference) <= 1e-12, target


def test_minorant_is_worth_having_at_a_small_radius() -> None:
    # Measured over 1000 targets at radius 0.3: mean 0.984, of the blue ones 0.967, least 0.926.
    rng = np.random.default_rng(11)
    for kind in KINDS:
        means = []
        for target in colours(rng, kind, 20):
            W = minorant(target, 0.3)
            values, vectors = np.linalg.eigh(squared_difference(target, target)[2])
            unit = rng.normal(size=(2000, 3))
            unit /= np.linalg.norm(unit, axis=1, keepdims=True)
            lab = target + 0.27 * (unit / np.sqrt(values)) @ vectors.T
            share = np.linalg.norm((lab - target) @ W.T, axis=1) / delta_e(target, lab)
            means.append(np.mean(share))
        assert np.mean(means) > 0.95, kind
        assert min(means) > 0.9, kind


@pytest.mark.parametrize(
    ("target", "lab", "radius"),
    [
        pytest.param([98.9, -53.6, 51.7], [117.4, -53.6, 51.7], 10.0, id="L* beyond 100"),
        pytest.param(
            [50.0, 90.0, -1e-6],
            [50.0, 90.0 - 3.526e-5, 1.87e-5],
            1e-5,
            id="mean hue over 360",
        ),
    ],
)
def test_minorant_holds_for_every_lab(target: list[float], lab: list[float], radius: float) -> None:
    one, other = np.array(target), np.array(lab)
    difference = delta_e(one, other)
    assert difference <= radius
    assert np.linalg.norm(minorant(one, radius) @ (other - one)) <= difference + 1e-12


def test_floor_holds_on_both_sides_of_the_hue_jump_and_is_not_far_off() -> None:
    # Boxes that hold hues on both sides of the opposite one: the mean hue is one or the other.
    rng = np.random.default_rng(12)
    count = 3000
    hue = rng.uniform(0, 2 * np.pi, count)
    chroma = 10.0 ** rng.uniform(-1, 2, count)
    target = np.stack([np.full(count, 50.0), chroma * np.cos(hue), chroma * np.sin(hue)], axis=-1)
    g = 0.5 * (1 - np.sqrt(chroma**7 / (chroma**7 + 25.0**7)))
    opposite = np.arctan2(-np.sin(hue), -(1 + g) * np.cos(hue)) + rng.normal(0, 0.1, count)
    far = chroma * rng.uniform(0.3, 2.0, count)
    centre = np.stack([np.full(count, 50.0), far * np.cos(opposite), far * np.sin(opposite)], -1)
    half = far[:, None] * 10.0 ** rng.uniform(-2, 0, (count, 1)) * rng.random((count, 3))
    half[:, 0] = 0.0
    low = floor(target, centre - half, centre + half)
    inside = centre[:, None] + half[:, None] * rng.uniform(-1, 1, (count, 400, 3))
    inside[:, :4, 1:] = centre[:, None, 1:] + half[:, None, 1:] * np.array(
        [[-1, -1], [-1, 1], [1, -1], [1, 1]]
    )
    nearest = delta_e(inside, target[:, None]).min(axis=1)
    assert np.all(nearest >= low)
    narrow = half.max(axis=1) < 0.1 * far
    assert narrow.sum() > 500
    share = low[narrow] / nearest[narrow]
    assert share.min() > 0.5
    assert np.quantile(share, 0.1) > 0.93


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
        lo, hi = floors._rings(np.array(target), size)
        assert np.all(lo.min(axis=0) <= -floors._LARGEST_AB)
        assert np.all(hi.max(axis=0) >= floors._LARGEST_AB)
        # and without a gap or an overlap: their areas add up to that of the square around them
        sides = hi.max(axis=0) - lo.min(axis=0)
        assert np.prod(hi - lo, axis=1).sum() == pytest.approx(np.prod(sides))


def test_the_second_slope_of_t_is_bounded_by_its_terms() -> None:
    # T = 1 - 0.17 cos(h - 30) + 0.24 cos 2h + 0.32 cos(3h + 6) - 0.20 cos(4h - 63): Sharma, Wu and
    # Dalal, Color Res. Appl. 30 (2005) 21, eq. 15. Differentiated twice, term by term.
    terms = {1: 0.17, 2: 0.24, 3: 0.32, 4: 0.20}
    assert pytest.approx(sum(k * k * a for k, a in terms.items())) == floors._T_SLOPE2


@pytest.mark.parametrize("kind", KINDS)
def test_nothing_within_a_radius_reaches_beyond_the_plane(kind: str) -> None:
    rng = np.random.default_rng(11)
    everywhere = np.array([-50.0, -512.0, -512.0]), np.array([150.0, 512.0, 512.0])
    for target in colours(rng, kind, 3):
        for radius in (1.0, 6.0, 30.0):
            direction = rng.normal(size=3)
            level = farthest(target, radius, direction, *everywhere, cells=150_000)
            spread = radius * rng.choice([0.5, 1.0, 3.0, 10.0], (40_000, 1))
            points = target + spread * rng.normal(size=(40_000, 3))
            points = points[((points > everywhere[0]) & (points < everywhere[1])).all(axis=1)]
            inside = points[delta_e(points, target) < radius]
            assert len(inside) > 100
            assert (inside @ direction).max() <= level


def test_the_plane_touches_what_is_within() -> None:
    # Along L* alone the formula is one of lightness: its ends are those of the ball.
    target = np.array([60.0, 3.0, -4.0])
    everywhere = np.array([-50.0, -512.0, -512.0]), np.array([150.0, 512.0, 512.0])
    for radius in (1.0, 5.0):
        level = farthest(target, radius, np.array([1.0, 0.0, 0.0]), *everywhere, cells=150_000)
        up = np.linspace(60.0, 90.0, 300_001)
        lab = np.stack([up, np.full_like(up, 3.0), np.full_like(up, -4.0)], axis=-1)
        end = up[delta_e(lab, target) < radius].max()
        assert end <= level <= end + 0.02
