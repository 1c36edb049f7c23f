"""Regions of a photo."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

import shadematch as sm
from shadematch.photo.regions import Region, as_regions
from tests.invented import photos as ph


def test_regions_in_pixels_and_fractions() -> None:
    assert as_regions((10, 20, 30, 60))[0].frame(100, 100) == (10, 20, 30, 60)
    assert as_regions((0.1, 0.2, 0.3, 0.6))[0].frame(100, 100) == (10, 20, 30, 60)
    assert as_regions("circle 0.5,0.5,0.1")[0].frame(200, 100) == (90, 40, 110, 60)
    three = as_regions([(0, 0, 9, 9), "0.5,0.5,1,1", Region.polygon((0, 0), (9, 0), (0, 9))])
    assert [r.kind for r in three] == ["box", "box", "polygon"]
    for region in three:
        assert Region.parse(str(region)) == region


def test_masks_as_matplotlib_and_areas_say() -> None:
    from matplotlib.path import Path as Outline

    x, y = np.arange(60) + 0.5, np.arange(40) + 0.5
    corners = [(3.2, 4.1), (55.7, 8.3), (40.4, 36.9), (12.6, 30.2), (25.1, 18.8)]
    inside = Region.polygon(*corners).holds(x, y, 60, 40)
    points = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    np.testing.assert_array_equal(inside.ravel(), Outline(corners).contains_points(points))
    z = np.arange(300) + 0.5
    disc = Region.circle(150.3, 140.6, 100).holds(z, z, 300, 300)
    assert disc.sum() == pytest.approx(np.pi * 100**2, rel=0.002)


@pytest.mark.parametrize(
    "region",
    [
        None,
        "",
        "nonsense",
        (1, 2, 3),
        (0.5, 0.5, 0.4, 0.6),
        (-0.1, 0, 0.5, 0.5),
        (10, 10, 9999, 20),
        (0, 0, float("nan"), 1),
        "circle 0.5,0.5,0.9",
        "circle 1,1",
        "polygon 1,1 2,2",
        [],
        [(0, 0, 1, 1), None],
        {"a": 1},
        (True, 0, 1, 1),
        "circle 5,5,0",
    ],
)
def test_wrong_regions(region: Any, tmp_path: Path) -> None:
    place = ph.save(tmp_path / "p.png", np.full((40, 60, 3), 0.5))
    with pytest.raises(sm.PhotoError) as found:
        sm.read_photo(place, region=region)
    assert found.value.remedy


def test_fractions_that_become_pixels_are_told(tmp_path: Path) -> None:
    place = ph.save(tmp_path / "p.png", np.full((40, 60, 3), 0.5))
    with pytest.raises(sm.PhotoError, match="count as pixels"):
        sm.read_photo(place, region=(0.5, 0.5, 2, 2))
    with pytest.raises(sm.PhotoError, match="larger region"):
        sm.read_photo(place, region=(1, 1, 3, 3))
