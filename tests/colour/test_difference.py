"""CIEDE2000 against published pairs and two libraries, and its gradient."""

from __future__ import annotations

from collections.abc import Callable
from types import ModuleType

import numpy as np
import pytest
from skimage.color import deltaE_ciede2000

from shadematch.colour.difference import delta_e, squared_difference
from shadematch.colour.floors import floor
from shadematch.support.arrays import BoolArray, FloatArray
from tests.invented.colours import KINDS, colours, mean_hue, turned_apart, uniform_lab

Reference = Callable[[str], list[dict[str, str]]]

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
