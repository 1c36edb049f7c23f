"""Neutrals, and the fall of the light."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import shadematch as sm
from shadematch.colour.difference import delta_e
from shadematch.photo.light import slope_of
from shadematch.photo.regions import Region
from tests.invented import photos as ph


def test_a_neutral_takes_the_light_out(tmp_path: Path) -> None:
    # A perfect camera under a tinted light: what is like the card comes out as the card, and
    # whatever else there is as sure as is said.
    from shadematch.colour.colorimetry import SRGB_WHITE, adapt, lab_to_xyz, xyz_to_lab, xyz_to_srgb

    wanted = np.array([62.0, 26.0, 40.0])
    grey = xyz_to_lab(0.4 * SRGB_WHITE, SRGB_WHITE)
    tinted = SRGB_WHITE * [1.0, 1.0, 0.8]
    picture = np.zeros((60, 180, 3))
    for i, lab in enumerate((wanted, grey, grey)):
        xyz = 0.8 * adapt(lab_to_xyz(lab, SRGB_WHITE), SRGB_WHITE, tinted)
        picture[:, 60 * i : 60 * i + 60] = xyz_to_srgb(xyz, SRGB_WHITE)[0]
    place = ph.save(tmp_path / "p.png", picture)
    card = sm.Neutral((Region.box(70, 10, 110, 50),), reflectance=0.4)
    same = sm.read_photo(place, region=(130, 10, 170, 50), neutral=card)
    assert float(delta_e(np.array(same.target.lab), grey)) < 1.5
    found = sm.read_photo(place, region=(10, 10, 50, 50), neutral=card)
    assert float(delta_e(np.array(found.target.lab), wanted)) < found.target.radius
    assert float(delta_e(np.array(found.uncorrected), wanted)) > 4
    assert found.correction == "neutral"
    names = {"pixels", "code steps", "light and tone", "camera"}
    assert {p.name for p in found.parts} >= names
    total = sum(np.array(p.covariance) for p in found.parts)
    np.testing.assert_allclose(total, found.target.covariance, atol=1e-9)


def test_slope_of_the_light() -> None:
    size = (400, 300)
    rng = np.random.default_rng(5)
    places = rng.uniform(0, 300, (40, 2))
    log = 0.2 * places[:, 0] / 500 - 0.1 * places[:, 1] / 500 + 0.003 * rng.normal(size=40)
    slope = slope_of(places, log, size)
    assert slope[0][:2] == pytest.approx([0.2, -0.1], abs=0.03)
    assert np.sqrt(np.diag(slope[1])[:2]).max() < 0.02
    # One small place says nothing of the slope: the prior's variance remains.
    alone = slope_of(places[:4] * 0.02 + 100, np.zeros(4), size)
    assert np.abs(alone[0][:2]).max() < 0.01
    assert np.diag(alone[1])[:2].min() > 0.1**2


def test_paper_from_the_same_stand_takes_a_strong_slope_out(tmp_path: Path) -> None:
    rng = np.random.default_rng(6)
    conditions = ph.Conditions(
        balance=1.0,
        exposure=0.6,
        contrast=0.0,
        slope=(0.6, 0.2),
        vignetting=0.1,
        veil=0.0,
        noise=0.002,
        paper=(0.9, 0.0),
        quality=95,
        blemishes=False,
    )
    sample = ph.cie_samples()[40]
    place = ph.shoot(
        tmp_path / "s.jpg",
        sample,
        light="D65",
        camera=ph.cameras()[0],
        rng=rng,
        conditions=conditions,
    )
    y, x = np.mgrid[0:360, 0:480].astype(float)
    x, y = x / 480 - 0.5, y / 360 - 0.5
    paper = 0.5 * np.exp(0.6 * x + 0.2 * y) * (1 - 0.2 * (x**2 + y**2))
    ph.save(tmp_path / "paper.png", ph.encode(np.repeat(paper[..., None], 3, axis=2)))
    small = (0.10, 0.80, 0.20, 0.92)
    without = sm.read_photo(place, region=ph.SAMPLE, neutral=small)
    with_ = sm.read_photo(place, region=ph.SAMPLE, neutral=small, shading=tmp_path / "paper.png")
    true = ph.true_lab(sample)
    # The light at the sample is 1.36 times that at the paper, which comes to 9 in L*.
    assert without.target.lab[0] - with_.target.lab[0] > 4
    assert abs(with_.target.lab[0] - true[0]) < with_.target.radius
    assert any("light changes" in text for text in with_.warnings)
    assert with_.target.radius < without.target.radius
    with pytest.raises(sm.PhotoError, match="shape"):
        ph.save(tmp_path / "tall.png", np.full((90, 30, 3), 0.5))
        sm.read_photo(place, region=ph.SAMPLE, shading=tmp_path / "tall.png")
    with pytest.raises(sm.PhotoError, match="can't be read") as wrong:
        sm.read_photo(place, region=ph.SAMPLE, shading=tmp_path / "nowhere.png")
    assert wrong.value.field == "shading"
    with pytest.raises(sm.PhotoError, match="clips"):
        ph.save(tmp_path / "white.png", np.full((36, 48, 3), 1.0))
        sm.read_photo(place, region=ph.SAMPLE, shading=tmp_path / "white.png")


def test_neutrals_that_cannot_be_used(tmp_path: Path) -> None:
    picture = np.full((60, 120, 3), 0.4)
    picture[:, 60:90] = 1.0
    picture[:, 90:] = 0.01
    place = ph.save(tmp_path / "p.png", picture)
    soap = (5, 5, 50, 50)
    with pytest.raises(sm.PhotoError, match="clip"):
        sm.read_photo(place, region=soap, neutral=(62, 5, 88, 50))
    with pytest.raises(sm.PhotoError, match="dark"):
        sm.read_photo(place, region=soap, neutral=(92, 5, 118, 50))
    with pytest.raises(sm.PhotoError, match="brighter than a perfect white"):
        half = sm.Neutral((Region.box(30, 5, 55, 50),), reflectance=0.9)
        ph.save(
            tmp_path / "q.png",
            np.where(np.arange(120)[None, :, None] < 28, 0.95, 0.5) * np.ones((60, 120, 3)),
        )
        sm.read_photo(tmp_path / "q.png", region=(2, 5, 25, 50), neutral=half)
    for lies in ((5, 5, 50, 50), "40,5,55,50", Region.circle(20, 20, 10)):
        with pytest.raises(sm.PhotoError, match="neutral: overlaps the region"):
            sm.read_photo(place, region=soap, neutral=lies)
    sm.read_photo(place, region=soap, neutral=(50, 5, 58, 50))
    lost = np.full((60, 120, 3), (0.6, 0.4, 0.0))
    with pytest.raises(sm.PhotoError, match="neutral: has no blue left"):
        sm.read_photo(ph.save(tmp_path / "l.png", lost), region=soap, neutral=(62, 5, 88, 50))
    for wrong in (
        {"reflectance": 90},
        {"reflectance": float("nan")},
        {"reflectance_sd": -1},
        {"reflectance": True},
    ):
        with pytest.raises(sm.PhotoError, match="reflectance"):
            sm.Neutral((Region.box(0, 0, 1, 1),), **wrong)
