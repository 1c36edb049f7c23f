"""CIEDE2000 against published pairs and two libraries; its gradient, floors and minorants."""

from __future__ import annotations

from collections.abc import Callable
from types import ModuleType

import numpy as np
import pytest
from skimage.color import deltaE_ciede2000

from shadematch.colour.difference import delta_e, floor, minorant, squared_difference
from shadematch.support.arrays import BoolArray, FloatArray

Reference = Callable[[str], list[dict[str, str]]]

ROUNDING = 1e-12
"""Most that rounding may carry a floor above the value; 2.4e-14 was seen."""
KINDS = ["any", "grey", "blue", "dark", "red axis"]


def polar(lightness: FloatArray, chroma: FloatArray, hue: FloatArray) -> FloatArray:
    return np.stack([lightness, chroma * np.cos(hue), chroma * np.sin(hue)], axis=-1)


def colours(rng: np.random.Generator, kind: str, count: int) -> FloatArray:
    lightness = rng.uniform(0, 100, count)
    chroma = rng.uniform(0, 110, count)
    hue = rng.uniform(0, 2 * np.pi, count)
    if kind == "grey":
        chroma = rng.choice([0, 1e-12, 1e-6, 1e-3, 0.1, 1, 3], count) * rng.uniform(0, 1, count)
    elif kind == "blue":
        hue = np.radians(rng.normal(275, 20, count))
    elif kind == "dark":
        lightness, chroma = rng.uniform(0, 4, count), rng.uniform(0, 15, count)
    elif kind == "red axis":  # a mean hue near 0 = 360 degrees
        hue = rng.normal(0, 0.02, count)
    return polar(lightness, chroma, hue)


def uniform_lab(rng: np.random.Generator, count: int) -> FloatArray:
    return rng.uniform([0, -128, -128], [100, 128, 128], (count, 3))


def turned_apart(lab: FloatArray, target: FloatArray) -> FloatArray:
    """Difference of the CIELAB hues, 0 to 180 degrees."""
    raw = np.arctan2(lab[..., 2], lab[..., 1]) - np.arctan2(target[..., 2], target[..., 1])
    return np.abs((np.degrees(raw) + 180) % 360 - 180)


def mean_hue(lab: FloatArray, target: FloatArray) -> FloatArray:
    """Direction between the two CIELAB hues along the shorter way, 0 to 360 degrees."""
    one = np.exp(1j * np.arctan2(lab[..., 2], lab[..., 1]))
    other = np.exp(1j * np.arctan2(target[..., 2], target[..., 1]))
    return np.degrees(np.angle(one + other)) % 360


# --- the value


def test_all_34_pairs_of_sharma(reference: Reference) -> None:
    # Sharma, Wu & Dalal (2005), Table 1; seen. Pair 14 lies on the hue discontinuity, where
    # both 4.8045 and 4.7461 are right (the other side of the jump in the last digit of hue).
    rows = reference("ciede2000_sharma2005_table1.csv")
    assert len(rows) == 34
    for row in rows:
        one = np.array([float(row[k]) for k in ("L1", "a1", "b1")])
        other = np.array([float(row[k]) for k in ("L2", "a2", "b2")])
        right = [4.8045, 4.7461] if row["pair"] == "14" else [float(row["dE00"])]
        for value in (delta_e(one, other), delta_e(other, one)):
            assert min(abs(value - r) for r in right) <= 5e-5, row


def test_pair_14_has_a_jump_at_opposite_hues() -> None:
    # The two sides of Sharma's pair 14, a hair away from it.
    one = np.array([50, -0.0010, 2.4900])
    assert delta_e(one, np.array([50, 0.0010 - 1e-9, -2.4900])) == pytest.approx(4.8045, abs=5e-5)
    assert delta_e(one, np.array([50, 0.0010 + 1e-9, -2.4900])) == pytest.approx(4.7461, abs=5e-5)


def test_a_million_pairs_as_colour_science_and_skimage(colour: ModuleType) -> None:
    rng = np.random.default_rng(1)
    one = uniform_lab(rng, 1_000_000)
    other = uniform_lab(rng, 1_000_000)
    near = slice(500_000, None)
    spread = rng.choice([1e-3, 0.1, 1.0, 5.0], (500_000, 1))
    other[near] = one[near] + spread * rng.normal(size=(500_000, 3))
    ours = delta_e(one, other)
    assert np.max(np.abs(ours - colour.delta_E(one, other, method="CIE 2000"))) < 1e-9
    assert np.max(np.abs(ours - deltaE_ciede2000(one, other))) < 1e-9
    assert np.array_equal(ours, delta_e(other, one))
    assert ours.min() >= 0


def test_shapes_broadcast() -> None:
    one, other = np.zeros((4, 1, 3)), np.ones((5, 3))
    assert delta_e(one, other).shape == (4, 5)
    square, gradient, metric = squared_difference(one, other)
    assert (square.shape, gradient.shape, metric.shape) == ((4, 5), (4, 5, 3), (4, 5, 3, 3))


# --- the gradient


def by_differences(lab: FloatArray, target: FloatArray) -> FloatArray:
    """Gradient of the square by central differences of the fourth order."""
    columns = []
    for axis in np.eye(3):

        def central(step: float, axis: FloatArray = axis) -> FloatArray:
            up, down = delta_e(lab + step * axis, target), delta_e(lab - step * axis, target)
            return np.asarray((up * up - down * down) / (2 * step))

        columns.append((4 * central(5e-3) - central(1e-2)) / 3)
    return np.stack(columns, axis=-1)


def smooth_there(lab: FloatArray, target: FloatArray) -> BoolArray:
    """Away from the grey axis, from opposite hues, and from a mean hue of 0.

    At a mean hue of 0 = 360 degrees the formula has a second, small jump: the hue in R_T's
    exponent does not wrap, so that R_T goes from about -2e-5 to 0.
    """
    wrap = np.abs((mean_hue(lab, target) + 180) % 360 - 180)
    return np.asarray(
        (np.hypot(lab[:, 1], lab[:, 2]) > 1)
        & (np.hypot(target[:, 1], target[:, 2]) > 1)
        & (turned_apart(lab, target) < 177)
        & (wrap > 1)
    )


@pytest.mark.parametrize(
    ("kind", "distance"),
    [(kind, "near") for kind in KINDS[:4]] + [(kind, "far") for kind in ("any", "blue", "dark")],
)
def test_gradient_against_finite_differences(kind: str, distance: str) -> None:
    rng = np.random.default_rng(2)
    target = colours(rng, kind, 20_000)
    lab = colours(rng, kind, 20_000)
    if distance == "near":
        lab = target + rng.normal(size=target.shape)
    smooth = smooth_there(lab, target)
    lab, target = lab[smooth], target[smooth]
    assert len(lab) > 1000
    square, gradient, _ = squared_difference(lab, target)
    assert np.allclose(square, delta_e(lab, target) ** 2, rtol=1e-12, atol=1e-14)
    expected = by_differences(lab, target)
    scale = 1 + np.abs(expected).max(axis=-1, keepdims=True)
    assert np.max(np.abs(gradient - expected) / scale) < 1e-7


def test_gradient_is_zero_at_no_difference() -> None:
    rng = np.random.default_rng(3)
    lab = np.concatenate([colours(rng, kind, 2000) for kind in KINDS])
    square, gradient, _ = squared_difference(lab, lab)
    # Nothing but the rounding of sines and cosines, which some versions of numpy have.
    assert square.max() < 1e-24
    assert np.abs(gradient).max() < 1e-11


def test_metric_is_positive_definite_and_the_square_close_by() -> None:
    rng = np.random.default_rng(4)
    target = np.concatenate([colours(rng, kind, 4000) for kind in KINDS])
    for lab in (target + rng.normal(size=target.shape), uniform_lab(rng, len(target))):
        _, _, metric = squared_difference(lab, target)
        assert np.array_equal(metric, np.swapaxes(metric, -1, -2))
        assert np.linalg.eigvalsh(metric).min() > 0
    # d @ metric @ d is the square "up to the slow change of its weights": the error is of the
    # second order in d, save where the hue turns, so only colours with some chroma count.
    target = target[np.hypot(target[:, 1], target[:, 2]) > 1]
    step = 1e-3 * rng.normal(size=target.shape)
    square, _, metric = squared_difference(target + step, target)
    form = np.einsum("ni,nij,nj->n", step, metric, step)
    assert np.max(np.abs(form / square - 1)) < 1e-4


def hard_colours() -> FloatArray:
    """Exactly grey, almost grey, on the axes and on opposite sides: every pairing is nasty."""
    values = [0.0, -0.0, *(s * v for v in (1e-100, 1e-20, 1e-8, 1e-3, 2.49, 120) for s in (1, -1))]
    a, b = np.meshgrid(values, values)
    return np.stack([np.full(a.size, 50.0), a.ravel(), b.ravel()], axis=-1)


@pytest.mark.parametrize("lightness", [0.0, 50.0, 100.0])
def test_nothing_is_nan_at_grey_and_at_opposite_hues(lightness: float) -> None:
    lab, target = hard_colours()[:, None], hard_colours()[None].copy()
    target[..., 0] = lightness
    with np.errstate(divide="raise", over="raise", invalid="raise"):
        value = delta_e(lab, target)
        square, gradient, metric = squared_difference(lab, target)
        bound = floor(target, lab, lab)
    for result in (value, square, gradient, metric, bound):
        assert np.all(np.isfinite(result))
    assert np.linalg.eigvalsh(metric).min() > 0


def test_gradient_is_finite_at_the_smallest_chroma() -> None:
    with np.errstate(all="ignore"):
        gradient = squared_difference(np.array([50.0, 1e-160, 0.0]), np.array([50.0, 0.0, 0.0]))[1]
    assert np.all(np.isfinite(gradient))


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
