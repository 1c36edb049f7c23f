"""What is said of rectangles of the bicubic surface, and how far layers stray from it."""

from __future__ import annotations

import numpy as np
import pytest

from shadematch.optics.layer import CONVEXITY, Layer, Surroundings, radiance_factor, reflectance
from shadematch.optics.surface import Surface
from shadematch.support.arrays import FloatArray

VIEWS = [
    Surroundings("air", np.full(36, 0.89)),
    Surroundings("optical", np.full(36, 0.05)),
    Surroundings("through", np.full(36, 0.89)),
    Surroundings("air", np.repeat([0.2, 0.8], 18)),
]
WIDTH = 36


def places(rng: np.random.Generator, count: int, low: float, high: float) -> FloatArray:
    return np.asarray(10.0 ** rng.uniform(low, high, (count, WIDTH)))


@pytest.mark.parametrize("around", VIEWS)
@pytest.mark.parametrize("thickness", [0.3, 1.0, 4.0])
def test_it_is_the_table_put_together(around: Surroundings, thickness: float) -> None:
    rng = np.random.default_rng(1)
    surface = Surface(thickness, around)
    a, s = places(rng, 500, -3.5, 2.5), places(rng, 500, -3, 3)
    R = radiance_factor(a, s, thickness, around)
    assert surface.value(a, s) == pytest.approx(R, abs=1e-7)
    inside = (a * thickness < 60) & (s * thickness < 2000)
    _, by_a, by_s = reflectance(a, s, thickness, around)
    value, slope_a, slope_s = surface.evaluate(a, s)
    assert value[inside] == pytest.approx(R[inside], abs=1e-7)
    assert slope_a[inside] == pytest.approx(by_a[inside], abs=1e-3)
    assert slope_s[inside] == pytest.approx(by_s[inside], abs=1e-3)


@pytest.mark.parametrize("around", VIEWS)
def test_layers_stray_from_it_no_farther_than_said(around: Surroundings) -> None:
    rng = np.random.default_rng(2)
    for thickness in (0.3, 1.0, 4.0):
        surface = Surface(thickness, around)
        for _ in range(3):
            s = places(rng, 1, -2.3, 2)
            a = places(rng, 1000, -2.5, 1.9)
            layer = Layer(s[0], thickness, around)
            off = np.abs(layer.value(a) - surface.value(a, np.broadcast_to(s, a.shape)))
            assert (off <= surface.stray(a)).all()


@pytest.mark.parametrize("around", VIEWS)
@pytest.mark.parametrize("thickness", [0.3, 4.0])
def test_bounds_hold_in_all_of_a_rectangle(around: Surroundings, thickness: float) -> None:
    rng = np.random.default_rng(3)
    surface = Surface(thickness, around)
    a_lo, s_lo = places(rng, 300, -3.5, 1.6), places(rng, 300, -3, 2.5)
    s_lo[:20] = 0.0
    a_hi = a_lo * (1.0 + places(rng, 300, -3, 0.7))
    s_hi = s_lo * (1.0 + places(rng, 300, -3, 0.7))
    known = surface.bounds(a_lo, a_hi, s_lo, s_hi)
    assert known.inside.mean() > 0.5
    assert known.convex.mean() > 0.3
    for _ in range(12):
        p, q = rng.random(a_lo.shape), rng.random(a_lo.shape)
        a, s = a_lo + p * (a_hi - a_lo), s_lo + q * (s_hi - s_lo)
        R = surface.value(a, s)
        assert ((known.R_lo - 1e-12 <= R) & (known.R_hi + 1e-12 >= R)).all()
        # Second derivatives from slopes a little apart.
        more_a, more_s = np.minimum(1e-4 * a, a_hi - a), np.minimum(1e-4 * s, s_hi - s)
        value, by_a, by_s = surface.evaluate(a, s)
        _, by_a_there, by_s_there = surface.evaluate(a + more_a, s)
        _, _, by_s_beside = surface.evaluate(a, s + more_s)
        for slope, there, more, least, most in (
            (by_a, by_a_there, more_a, known.aa_lo, known.aa_hi),
            (by_s, by_s_there, more_a, -known.a_s, known.a_s),
            (by_s, by_s_beside, more_s, known.ss_lo, known.ss_hi),
        ):
            at = known.inside & (more > 1e-8)
            second = (there - slope)[at] / more[at]
            play = 1e-9 * np.abs(slope[at]) / more[at] + 1e-6
            assert (second <= most[at] + play + 1e-6 * np.abs(most[at])).all()
            assert (second >= least[at] - play - 1e-6 * np.abs(least[at])).all()
        at = known.convex & (more_a > 1e-6)
        second = (by_a_there - by_a)[at] / more_a[at]
        lacks = CONVEXITY * by_a[at] ** 2 - value[at] * second
        assert (lacks <= 1e-6 * by_a[at] ** 2 + 1e-9).all()
