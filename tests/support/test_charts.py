"""Charts of cards: what is drawn is as long, as high and where its number says."""

from __future__ import annotations

import re

import pytest

from shadematch.support.charts import Curve, Tile, _round_numbers, bars, chips, curves, tiles
from shadematch.support.mark import MARKED

NASTY = '<b>&"'


def test_bars_are_as_long_as_their_numbers() -> None:
    drawn = bars([("a", 1.0, "1 cm"), ("b", 4.0, "4 cm"), (NASTY, 0.0, "none")], "doses")
    one, four, none = (float(w) for w in re.findall(r'<rect [^>]*width="([\d.]+)"', drawn))
    assert four == pytest.approx(4 * one, abs=0.2) and none == 0.5
    assert "<b>" not in drawn and "&lt;b&gt;" in drawn


def test_a_map_has_its_first_row_at_the_foot() -> None:
    rows = [[Tile("#111111", words="low")], [Tile("#222222", False, "high", framed=True)]]
    drawn = tiles(rows, across=["1"], up=["0", "5"], across_name="cm", up_name="%", label=NASTY)
    heights = dict(re.findall(r'y="([\d.]+)"[^>]*fill="(#[12]{6})"', drawn))
    low, high = sorted(heights, key=lambda y: heights[y])
    assert float(low) > float(high)
    assert drawn.count(MARKED) == 1 and drawn.count('fill="none"') == 1


def test_curves_are_told_apart_by_dashes_and_ranges_are_cut_off() -> None:
    one = Curve("one", [0, 1, 2], [0, 0.5, 1], [1, 2, 100])
    two = Curve("two", [2, 1, 0])
    drawn = curves([400, 500, 700], [one, two], across_name="nm", up_name="R", most=4)
    dashes = re.findall(r"polyline [^>]*dasharray:([^\"]*)\"", drawn)
    assert len(dashes) == 2 and len(set(dashes)) == 2
    (band,) = re.findall(r'polygon points="([^"]+)"', drawn)
    ys = [float(pair.split(",")[1]) for pair in band.split()]
    assert min(ys) >= 18.0  # the top of the frame, though the range goes on to 100
    line = re.findall(r'polyline points="([^"]+)"', drawn)[0]
    (x0, y0), (_, _), (x2, y2) = (map(float, p.split(",")) for p in line.split())
    assert x0 < x2 and y0 > y2


def test_chips_have_the_mark() -> None:
    drawn = chips([("gorse", [Tile("#ffcc00"), Tile("#ffaa00", False)])], ["thin", "deep"], "x")
    assert drawn.count(MARKED) == 1 and "#ffcc00" in drawn and "thin" in drawn


@pytest.mark.parametrize(
    ("first", "last"), [(0, 1), (380, 730), (0, 2.6), (0, 0.004), (5, 5000), (-3, 4)]
)
def test_ticks_are_round_numbers_inside(first: float, last: float) -> None:
    found = _round_numbers(first, last)
    assert 3 <= len(found) <= 7
    assert first - 1e-9 <= found[0] and found[-1] <= last + 1e-9
    assert all(
        len(f"{value:g}".replace("-", "").replace(".", "").strip("0")) <= 2 for value in found
    )
