"""Order books and shelves from files, and figures of plans."""

from __future__ import annotations

import datetime
from pathlib import Path

import matplotlib as mpl
import matplotlib.collections
import numpy as np
import pytest

import shadematch as sm
from shadematch.plots import draw_layers, draw_plan, draw_wedge

mpl.use("Agg")

DATA = Path(__file__).parents[2] / "data"


def test_order_book_comes_in_whole() -> None:
    orders = {order.name: order for order in sm.read_orders(DATA / "order-book.csv")}
    assert len(orders) == 10
    first = orders["lantern room"]
    assert first == sm.Order(
        name="lantern room",
        target="#d9822b",
        bars=24,
        tolerance=0.8,
        value=132,
        pour=sm.Pour(batch_g=1000, thickness_cm=2),
        due=datetime.date(2031, 3, 4),
    )
    assert orders["rope locker"].target == sm.Target.from_lab((38, 22, 18))
    recipe = orders["bilge green"].recipe
    assert recipe == sm.Recipe({"gorse": 6.0, "jetty": 5.0}, sm.Pour(batch_g=600, thickness_cm=2))
    assert orders["window drops"].view.through
    assert orders["window drops"].within == 6
    assert orders["saffron buoy"].total_g == 3000 and orders["saffron buoy"].due is None
    stock = sm.read_stock(DATA / "shelf.csv")
    assert stock.row("rosehip").opened == (44, 12.5) and stock.row("dusk").most == 1
    assert (stock.clear_g, stock.clear_price_kg, stock.white_g) == (15000, 6.4, None)
    assert stock.shelf("gorse", sm.demo_palette()) == 87 + 31


@pytest.mark.parametrize(
    ("text", "place", "problem"),
    [
        ("", "book.csv", "is empty"),
        ("name,target,bars\n", "path", "no lines below a header"),
        ("name,colour\na,#fff\n", "line 1, header", "not a column"),
        ("name,name\na,b\n", "line 1, header", "appears twice"),
        ('name,target,mass_g\na,#fff,"1,5"\n', "line 2, mass_g", "commas in numbers"),
        ("name;target;bars;mass_g\na;#fff;;1.200,5\n", "line 2", "commas and decimal points"),
        ("target,bars\n#fff,2\n", "line 1, header", "lacks a column"),
        ("# note\nname,target,bars\n\na,#fff,2\n,#000,3\n", "line 5, name", "is missing"),
        ("name,target,bars\na,#fff,2\na,#000,2\n", "line 3, name", "appears twice"),
        ("name,target,bars\na,#ffq,2\n", "line 2, target", "hex colour"),
        ("name,target,bars\na,#fff,two\n", "line 2, bars", "whole number"),
        ("name,target,bars\na,#fff,0\n", "line 2, bars", "at least 1"),
        ("name,target,mass_g\na,#fff,nan\n", "line 2, mass_g", "finite"),
        ("name,target,bars,due\na,#fff,2,4.3.31\n", "line 2, due", "not a date"),
        ("name,target,lab,bars\na,#fff,50 0 0,2\n", "line 2, target and lab", "one of"),
        ("name,bars\na,2\n", "line 2", "one of target"),
        ("name,lab,bars\na,50 0,2\n", "line 2, lab", "three"),
        ("name,lab,bars\na,50 x 0,2\n", "line 2, lab", "numbers"),
        ("name,lab,bars,observer\na,50 0 0,2,3\n", "line 2, observer", "unknown"),
        ("name,recipe_cm,bars\na,3 gorse + gorse,2\n", "line 2, recipe_cm", "doses in cm"),
        ("name,recipe_g,bars\na,3 gorse + 2 gorse,2\n", "line 2, recipe_g", "doses in g"),
        ("name,target,bars,white\na,#fff,2,1.5\n", "line 2, white", "at most 1"),
        ("name,target,bars\na,#fff,2,3\n", "line 2", "4 cells for 3 columns"),
        ('name,target,bars\n"a,#fff,2\n', "line 2", "not valid CSV"),
        ("name,target,bars,backing\na,#fff,2,grey\n", "line 2, backing", "not a backing"),
    ],
)
def test_order_book_is_refused(tmp_path: Path, text: str, place: str, problem: str) -> None:
    path = tmp_path / "book.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(sm.PourError, match=problem) as found:
        sm.read_orders(path)
    assert place in found.value.field
    assert found.value.remedy


@pytest.mark.parametrize(
    ("text", "place", "problem"),
    [
        ("kind,name\nglue,gorse\n", "line 2, kind", "paste, clear, white or base"),
        ("kind,name,full\npaste,,1\n", "line 2, name", "is missing"),
        ("kind,name\npaste,gorse\npaste,gorse\n", "line 3, name", "appears twice"),
        ("kind,name,full\npaste,gorse,1.5\n", "line 2, full", "whole number"),
        ("kind,name,opened_cm\npaste,gorse,4 -2\n", "line 2, opened.1", "at least 0"),
        ("kind,name,opened_g\npaste,gorse,4;2\n", "line 2, opened_g", "numbers"),
        ("kind,name,shelf_g\npaste,gorse,4\n", "line 2, shelf_g", "for base"),
        ("kind,full\nclear,1\n", "line 2, full", "for paste"),
        ("kind,shelf_g\nclear,-1\n", "line 2, clear_g", "at least 0"),
        ("kind,shelf_g\nwhite,5\nwhite,6\n", "line 3, kind", "appears twice"),
        ("kind,name,price\npaste,gorse,x\n", "line 2, price", "number"),
        ("kind,name,opened_cm,tube_g\npaste,gorse,4,60\n", "line 2, tube_g", "another unit"),
    ],
)
def test_shelf_is_refused(tmp_path: Path, text: str, place: str, problem: str) -> None:
    path = tmp_path / "shelf.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(sm.PourError, match=problem) as found:
        sm.read_stock(path)
    assert place in found.value.field
    assert found.value.remedy


def test_files_that_are_none(tmp_path: Path) -> None:
    with pytest.raises(sm.PourError, match="can't be read"):
        sm.read_orders(tmp_path / "none.csv")
    (tmp_path / "bytes.csv").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(sm.PourError, match="UTF-8"):
        sm.read_stock(tmp_path / "bytes.csv")


FILES = (str(DATA / "order-book.csv"), str(DATA / "shelf.csv"))


def test_figures_take_and_give_axes() -> None:
    from matplotlib import pyplot

    wedge = sm.wedge({"gorse": 2}, from_cm=0, to_cm=1, steps=4, pour=sm.Pour(batch_g=100))
    stack = sm.layers(
        [({"gorse": 2}, 0.5), ({}, 1.0), ({"dusk": 1}, 0.5)], pour=sm.Pour(batch_g=100)
    )
    plan = sm.plan(sm.read_orders(FILES[0]), sm.read_stock(FILES[1]), buy=True)
    drawings = ((draw_wedge, wedge), (draw_layers, stack), (draw_plan, plan))
    _, axes = pyplot.subplots(1, 3)
    for (draw, result), ax in zip(drawings, axes, strict=True):
        assert draw(result, ax) is ax  # type: ignore[operator]
        assert draw(result) is not ax  # type: ignore[operator]
    (mesh,) = (c for c in axes[0].collections if isinstance(c, mpl.collections.QuadMesh))
    strip = [mpl.colors.to_hex(rgb) for rgb in np.asarray(mesh.get_array()).reshape(-1, 3)]
    codes, _ = wedge.smooth
    assert strip == list(codes)
    assert (strip[0], strip[-1]) == (wedge.hexes[0], wedge.hexes[-1])
    # A row of the plan is as long as what there is: used pieces, then what is left.
    lengths: dict[int, float] = {}
    for piece in axes[2].patches:
        row = round(piece.get_y() + piece.get_height() / 2)
        lengths[row] = lengths.get(row, 0.0) + piece.get_width()
    for row, name in enumerate(plan.palette.names):
        assert lengths[row] == pytest.approx(plan.use[name] + plan.left[name])
    pyplot.close("all")


def test_one_bar_is_one_bar() -> None:
    assert str(sm.Order(name="a", target="#d9822b", bars=1)).startswith("a: 1 bar of")
    assert "1 bar of 100 g" in str(sm.cost(sm.Recipe({"gorse": 1.0}, sm.Pour(batch_g=110))))
