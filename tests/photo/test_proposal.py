"""Flat areas that are proposed."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

import shadematch as sm
from shadematch.colour.difference import delta_e
from tests.invented import photos as ph


def test_flat_areas(shoot: Callable[..., Path]) -> None:
    from matplotlib import pyplot

    sample = ph.cie_samples()[30]
    place = shoot(sample, conditions=ph.PLAIN)
    found = sm.flat_areas(place)
    assert 3 <= len(found) <= 12
    boxes = [area.region.numbers for area in found.areas]
    soap = [i for i, b in enumerate(boxes) if b[0] >= 0.69 * 480 and b[3] <= 0.61 * 360]
    paper = [
        i
        for i, b in enumerate(boxes)
        if b[1] >= 0.77 * 360 and b[0] >= 0.07 * 480 and b[2] <= 0.56 * 480
    ]
    assert soap and paper
    assert found.areas[paper[0]].neutral
    number = found.areas[soap[0]].number
    read = sm.read_photo(place, region=found[number], neutral=ph.PAPER)
    assert float(delta_e(np.array(read.target.lab), ph.true_lab(sample))) < read.target.radius
    figure = found.show()
    assert {t.get_text() for t in figure.axes[0].texts} == {str(a.number) for a in found.areas}
    pyplot.close(figure)
    with pytest.raises(sm.PhotoError, match="no such area"):
        found[99]
    with pytest.raises(sm.PhotoError, match="most"):
        sm.flat_areas(place, most=0)
