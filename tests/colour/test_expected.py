"""CIEDE2000 of uncertain colours, against distributions in closed form and plain sampling."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from shadematch.colour.difference import delta_e
from shadematch.colour.expected import differences, nine_in_ten, normal_points, root_of

GREY = np.array([50.0, 0.0, 0.0])
# At a middle grey S_L = S_C = S_H = 1 and a' = 1.5 a*, so CIEDE2000 is there, for small
# differences, the plain distance in (L*, 1.5 a*, b*): ISO/CIE 11664-6:2014, by hand.
ROUND = np.diag([1.0, 1.0 / 1.5**2, 1.0])


def test_points_have_the_moments_of_a_normal_distribution() -> None:
    points = normal_points(512, 6)
    assert points.shape == (512, 6)
    assert np.abs(points.mean(axis=0)).max() < 1e-12
    assert points.T @ points / 512 == pytest.approx(np.eye(6), abs=1e-12)
    assert np.array_equal(points[:256], -points[256:])
    for column in normal_points(4096, 6).T:
        assert stats.kstest(column, "norm").statistic < 0.01  # SciPy's Kolmogorov-Smirnov


def test_centred_differences_follow_a_chi_distribution() -> None:
    small = 0.1
    values = differences(GREY[None, None], GREY[None], (small**2 * ROUND)[None])
    chi = stats.chi(3, scale=small)  # SciPy
    assert values.mean() == pytest.approx(chi.mean(), rel=0.01)
    assert np.quantile(values, 0.5) == pytest.approx(chi.ppf(0.5), rel=0.01)
    assert nine_in_ten(values)[0] == pytest.approx(chi.ppf(0.9), rel=0.01)


@pytest.mark.parametrize("away", [0.05, 0.2, 0.5])
def test_differences_from_an_aim_follow_a_noncentral_chi_distribution(away: float) -> None:
    small, lab = 0.1, GREY + np.array([away, 0.0, 0.0])
    values = differences(lab[None, None], GREY[None], (small**2 * ROUND)[None])
    square = stats.ncx2(3, (away / small) ** 2, scale=small**2)  # SciPy
    assert nine_in_ten(values)[0] == pytest.approx(np.sqrt(square.ppf(0.9)), rel=0.015)
    assert values.mean() == pytest.approx(
        square.expect(np.sqrt, lb=0.0, ub=square.ppf(1 - 1e-9)), rel=0.01
    )


def test_lightness_alone() -> None:
    # One direction only: a half-normal distribution, of mean sqrt(2 / pi).
    values = differences(GREY[None, None], GREY[None], np.diag([0.01, 0.0, 0.0])[None])
    assert values.mean() == pytest.approx(0.1 * np.sqrt(2 / np.pi), rel=0.01)
    assert nine_in_ten(values)[0] == pytest.approx(0.1 * stats.halfnorm.ppf(0.9), rel=0.01)


def test_both_uncertain_and_two_lights_against_plain_sampling() -> None:
    rng = np.random.default_rng(4)
    for _ in range(6):
        root, other = rng.normal(size=(6, 6)), rng.normal(size=(6, 6))
        lab, aim = rng.uniform((20, -40, -40) * 2, (80, 40, 40) * 2, (2, 6)).reshape(2, 2, 3)
        aim = lab + 0.1 * (aim - lab)
        values = differences(lab[None], aim, (root @ root.T)[None], aim_covariance=other @ other.T)[
            0
        ]
        drawn = lab + (rng.normal(size=(200_000, 6)) @ root.T).reshape(-1, 2, 3)
        aims = aim + (rng.normal(size=(200_000, 6)) @ other.T).reshape(-1, 2, 3)
        far = delta_e(drawn, aims).max(axis=1)
        assert values.mean() == pytest.approx(far.mean(), rel=0.01)
        assert np.quantile(values, (0.5, 0.9)) == pytest.approx(
            np.quantile(far, (0.5, 0.9)), rel=0.03
        )


def test_roots_of_singular_covariances() -> None:
    flat = np.outer([1.0, 2.0, -1.0], [1.0, 2.0, -1.0])
    root = root_of(flat)
    assert root @ root.T == pytest.approx(flat, abs=1e-12)
