"""The 24-patch chart in photos."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

import shadematch as sm
from shadematch.colour.difference import delta_e
from shadematch.photo.chart import Chart, _reference
from shadematch.photo.regions import Region
from tests.invented import photos as ph


def test_chart_reference_is_that_of_the_table(reference: Any, colour: Any) -> None:
    rows = reference("chart24_after2014_lab_d50.csv")
    lab = np.array([[float(r[c]) for c in ("L", "a", "b")] for r in rows])
    np.testing.assert_array_equal(_reference()[1], lab)
    assert _reference()[0] == tuple(r["patch"] for r in rows)
    # Taken to D65 by colour-science's linear Bradford adaptation.
    d50, d65 = (
        colour.xy_to_XYZ(colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"][n])
        for n in ("D50", "D65")
    )
    wanted = colour.chromatic_adaptation(
        colour.Lab_to_XYZ(lab, colour.XYZ_to_xy(d50)), d50, d65, transform="Bradford"
    )
    np.testing.assert_allclose(Chart(ph.CHART).xyz, 100 * wanted, atol=0.03)


def test_the_older_reference_is_known_and_taken_where_it_fits(
    tmp_path: Path, reference: Any
) -> None:
    rows = reference("chart24_before2014_lab_d50.csv")
    lab = np.array([[float(r[c]) for c in ("L", "a", "b")] for r in rows])
    np.testing.assert_array_equal(_reference("chart24-before2014.csv")[1], lab)
    older, newer = "made before November 2014", "made after November 2014"
    for made in (older, newer):
        linear = np.clip(Chart(ph.CHART).references[made] / 100 @ ph.TO_SRGB.T, 0.004, 1.0) * 0.8
        picture = np.full((240, 360, 3), 0.03)
        for i in range(24):
            row, column = divmod(i, 6)
            picture[60 * row + 8 : 60 * row + 52, 60 * column + 8 : 60 * column + 52] = linear[i]
        place = ph.save(tmp_path / "p.png", ph.encode(picture))
        corners = ((30, 30), (330, 30), (330, 210), (30, 210))
        found = sm.read_photo(place, region=(70, 70, 110, 110), chart=corners)
        assert made in found.method
    measured = tuple(map(tuple, lab.tolist()))
    mine = sm.Chart(corners, reference=measured)
    assert list(mine.references) == ["as measured"]


def test_chart_at_an_angle_and_upside_down(tmp_path: Path) -> None:
    sample = ph.cie_samples()[10]
    rng = np.random.default_rng(8)
    picture = ph.photograph(
        sample, light="D65", camera=ph.cameras()[1], conditions=ph.PLAIN, rng=rng
    )
    straight = sm.read_photo(ph.save(tmp_path / "a.png", picture), region=ph.SAMPLE, chart=ph.CHART)
    image = Image.open(tmp_path / "a.png").rotate(
        157, expand=True, resample=Image.Resampling.BICUBIC
    )
    image.save(tmp_path / "b.png")
    turn = np.deg2rad(157)

    def there(x: float, y: float) -> tuple[float, float]:
        dx, dy = x * 480 - 240, y * 360 - 180
        return (
            float(np.cos(turn) * dx + np.sin(turn) * dy + image.width / 2),
            float(-np.sin(turn) * dx + np.cos(turn) * dy + image.height / 2),
        )

    left, top, right, bottom = ph.SAMPLE
    region = Region.polygon(
        *(there(x, y) for x, y in ((left, top), (right, top), (right, bottom), (left, bottom)))
    )
    corners = tuple(there(*c) for c in ph.CHART)
    turned = sm.read_photo(tmp_path / "b.png", region=region, chart=corners)
    # The plane of the light is fitted anew in another frame: not the same to the last digit.
    assert float(delta_e(np.array(turned.target.lab), np.array(straight.target.lab))) < 0.6


def test_wrong_charts(shoot: Callable[..., Path]) -> None:
    place = shoot(ph.cie_samples()[0])
    a, b, c, d = ph.CHART
    for corners, words in (
        ((b, c, d, a), "does not look like the chart"),
        ((a, c, b, d), "out of order"),
        ((a, b, c), "four corners"),
        ("1,2,3", "four corners"),
        ("find me", "neither four corners nor"),
        (((0.7, 0.2), (0.9, 0.2), (0.9, 0.5), (0.7, 0.5)), "does not look like the chart"),
        (((0.1, 0.1), (0.12, 0.1), (0.12, 0.12), (0.1, 0.12)), "too small"),
        (((48, 43), (288, 43), (288, 4000), (48, 4000)), "outside"),
    ):
        with pytest.raises(sm.PhotoError, match=words):
            sm.read_photo(place, region=ph.SAMPLE, chart=corners)
    with pytest.raises(sm.PhotoError, match="24 patches"):
        sm.Chart(ph.CHART, reference=((1, 2, 3),))


def test_cross_validation_takes_a_simple_correction_for_a_simple_camera(tmp_path: Path) -> None:
    # A photo made from the reference itself, with three gains and a little noise.
    rng = np.random.default_rng(9)
    xyz = Chart(ph.CHART).xyz / 100
    linear = (xyz @ ph.TO_SRGB.T) * [0.8, 0.9, 0.7]
    # Cyan lies outside sRGB; without colours that clip, gains are the whole truth.
    linear = np.clip(linear, 0.004, 1.0)
    picture = np.full((240, 360, 3), 0.03)
    for i in range(24):
        row, column = divmod(i, 6)
        picture[60 * row + 8 : 60 * row + 52, 60 * column + 8 : 60 * column + 52] = linear[i]
    picture *= 1 + 0.01 * rng.normal(size=picture.shape)
    place = ph.save(tmp_path / "p.png", ph.encode(picture))
    corners = ((30, 30), (330, 30), (330, 210), (30, 210))
    found = sm.read_photo(place, region=(70, 70, 110, 110), chart=corners)
    wanted = _reference()[1][7]
    white50, white65 = np.array([96.42, 100, 82.49]), np.array([95.05, 100, 108.9])
    from shadematch.colour.colorimetry import adapt, lab_to_xyz, xyz_to_lab

    true = xyz_to_lab(adapt(lab_to_xyz(wanted, white50), white50, white65), white65)
    assert float(delta_e(np.array(found.target.lab), true)) < 1.0
