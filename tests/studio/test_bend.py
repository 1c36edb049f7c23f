"""Pastes whose strength bends and white that crowds: the two formulas, and what carries them."""

from __future__ import annotations

import numpy as np
import pytest

import shadematch as sm
from shadematch.studio.bend import (
    LEAST_BEND,
    MOST_BEND,
    effective,
    effective_by_bend,
    effective_slope,
    white_share,
    white_share_by_crowding,
    white_share_slope,
)
from tests.invented.problems import bent

BENDS = np.array([LEAST_BEND, -0.02, 0.0, 0.0625, 0.7, MOST_BEND])
LOADS = np.array([0.0, 0.05, 1.0, 4.0, 9.99, 10.01, 24.9, 25.1, 300.0])[:, None]


def test_by_hand() -> None:
    # 0.0625 is a fifth weaker at 4 than small loads promise: 1 / (1 + 4 x 0.0625) = 0.8.
    k = np.array([0.0625])
    per_load = effective(np.array([[1e-9], [4.0]]), k)[:, 0] / [1e-9, 4.0]
    assert per_load[1] / per_load[0] == pytest.approx(0.8)
    assert effective(np.array([1.0]), k) == pytest.approx(1.0)
    # 1.0625 x 4 / 1.25, and where paste gains: 0.95 x 4 / 0.8.
    assert effective(np.array([4.0, 4.0]), np.array([0.0625, -0.05])) == pytest.approx([3.4, 4.75])
    # From 10 on straight: 0.95 (10 / 0.5) there, with a slope of 0.95 / 0.25.
    assert effective(np.array([10.0, 12.0]), np.array([-0.05])) == pytest.approx([19.0, 26.6])
    assert white_share(np.array([0.0, 0.1, 1.0]), 0.5) == pytest.approx([0, 0.1, np.exp(-0.45)])


def test_in_proportion_nothing_changes_at_all() -> None:
    loads = np.random.default_rng(1).random((50, 3)) * 9
    assert np.array_equal(effective(loads, np.zeros(3)), loads)
    assert np.array_equal(white_share(loads / 9, 0.0), loads / 9)


def test_more_paste_does_more_and_bends_one_way() -> None:
    fine = np.linspace(0, 60, 4001)[:, None]
    slope = effective_slope(fine, BENDS)
    assert (slope > 0).all()
    turn = np.diff(slope, axis=0) * np.sign(BENDS)
    assert (turn <= 1e-12).all()
    for crowding in (-1.0, 0.3, 1.0):
        assert (white_share_slope(np.linspace(0, 1, 101), crowding) >= 0).all()


def test_derivatives_against_differences() -> None:
    h = 1e-6
    by_load = (effective(LOADS + h, BENDS) - effective(np.abs(LOADS - h), BENDS)) / (
        LOADS + h - np.abs(LOADS - h) + 1e-300
    )
    assert effective_slope(LOADS[1:], BENDS) == pytest.approx(by_load[1:], rel=1e-4)
    own = np.where(BENDS == 0.0, 1e-3, BENDS)
    by_bend = (effective(LOADS, own + h) - effective(LOADS, own - h)) / (2 * h)
    assert effective_by_bend(LOADS, own) == pytest.approx(by_bend, rel=1e-4, abs=1e-6)
    near = effective(LOADS, np.array([1e-8])) - effective(LOADS, np.array([0.0]))
    assert effective_by_bend(LOADS, np.zeros(1)) == pytest.approx(near / 1e-8, rel=1e-4, abs=1e-6)
    w = np.array([0.0, 0.05, 0.5, 1.0])
    by_white = (white_share(w + h, 0.4) - white_share(w - h, 0.4)) / (2 * h)
    assert white_share_slope(w, 0.4) == pytest.approx(by_white, rel=1e-6)
    by_crowding = (white_share(w, 0.4 + h) - white_share(w, 0.4 - h)) / (2 * h)
    assert white_share_by_crowding(w, 0.4) == pytest.approx(by_crowding, rel=1e-6, abs=1e-9)


def test_a_palette_carries_them() -> None:
    plain = sm.demo_palette()
    palette = bent(plain, np.random.default_rng(3))
    assert palette.fingerprint != plain.fingerprint
    again = sm.Palette.model_validate(palette.model_dump(mode="json"))
    assert again == palette and again.fingerprint == palette.fingerprint
    assert again.only("dusk")["dusk"].bend == palette["dusk"].bend
    # What is in proportion is written as it always was.
    told = plain.model_dump(mode="json")
    assert "bend" not in told["pigments"][0] and "crowding" not in told["white"]
    # Clear's part stays linear in the fraction.
    mu_a, mu_s = palette.blend(0.5)
    h, clear, white = palette.white.crowding, palette.clear, palette.white
    assert mu_a == pytest.approx(0.5 * np.add(clear.absorption, white.absorption))
    assert mu_s == pytest.approx(
        0.5 * np.array(clear.scattering) + 0.5 * np.exp(-0.4 * h) * np.array(white.scattering)
    )


@pytest.mark.parametrize("bend", [-0.06, 11.0, float("nan")])
def test_bends_that_are_refused(bend: float) -> None:
    paste = sm.demo_palette().pigments[0]
    with pytest.raises(sm.PaletteError) as found:
        sm.Pigment(name="one", absorption=paste.absorption, bend=bend)
    assert found.value.field == "bend" and found.value.remedy
    white = sm.demo_palette().white
    with pytest.raises(sm.PaletteError) as found:
        sm.Base(absorption=white.absorption, scattering=white.scattering, crowding=1.5)
    assert found.value.field == "crowding"
