"""Order books and shelves from files; the verbs of planning and layers; their figures."""

from __future__ import annotations

import datetime
import json
from pathlib import Path

import matplotlib as mpl
import matplotlib.collections
import numpy as np
import pytest

import shadematch as sm
from shadematch.cli.main import main
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
        ("kind,name\nglue,gorse\n", "line 2, kind", "paste, clear or white"),
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


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    status = main(words)
    caught = capsys.readouterr()
    return status, caught.out, caught.err


FILES = (str(DATA / "order-book.csv"), str(DATA / "shelf.csv"))


def test_verb_plan(capsys: pytest.CaptureFixture[str]) -> None:
    plan = sm.plan(sm.read_orders(FILES[0]), sm.read_stock(FILES[1]), buy=30)
    status, out, _ = run(capsys, "plan", *FILES, "--budget", "30")
    assert status == 0 and out.startswith(str(plan)) and "cautions" in out
    status, out, _ = run(capsys, "plan", *FILES, "--budget", "30", "--json")
    told = json.loads(out)
    assert [line["order"] for line in told["poured"]] == [p.order.name for p in plan.poured]
    assert told["poured"][0]["doses"] == dict(plan.poured[0].recipe.doses)
    assert told["poured"][0]["due"] == "2031-03-04"
    assert {line["order"] for line in told["left_out"]} == {x.order.name for x in plan.left_out}
    assert told["money"] == plan.money and told["proved"] is True
    assert [stage["goal"] for stage in told["stages"]] == [s.goal for s in plan.stages]
    assert told["use"] == dict(plan.use) and told["left"] == dict(plan.left)
    status, out, _ = run(capsys, "plan", *FILES, "--buy", "--without", "gorse", "--json")
    told = json.loads(out)
    assert told["without"]["names"] == ["gorse"] and "gorse" not in told["use"]
    change = {c["order"]: c["now"] for c in told["without"]["changes"]}
    assert "needs gorse" in change["bilge green"]


def test_verb_wedge_and_layers(capsys: pytest.CaptureFixture[str]) -> None:
    words = ("wedge", "gorse=2", "--from", "0", "--to", "2", "--height", "3", "--steps", "3")
    words += ("--batch", "100")
    status, out, _ = run(capsys, *words, "--json")
    wedge = sm.wedge(
        {"gorse": 2}, from_cm=0, to_cm=2, height_cm=3, steps=3, pour=sm.Pour(batch_g=100)
    )
    told = json.loads(out)["places"]
    assert status == 0 and [p["hex"] for p in told] == list(wedge.hexes)
    assert [p["clear_cm"] for p in told] == [3, 2, 1]
    assert run(capsys, *words)[1].startswith(str(wedge))
    stack = ("layers", "0.6:gorse=2,kelp=1", "1:", "0.8/0.1:jetty=2", "--batch", "200")
    status, out, _ = run(capsys, *stack, "--json")
    pour = sm.Pour(batch_g=200)
    white = sm.Recipe({"jetty": 2}, sm.Pour(batch_g=200, white=0.1))
    layers = sm.layers([({"gorse": 2, "kelp": 1}, 0.6), ({}, 1), (white, 0.8)], pour=pour)
    told = json.loads(out)
    assert status == 0 and told["lab"] == list(layers.lab)
    assert [x["white"] for x in told["layers"]] == [0, 0, 0.1]
    assert [x["hex"] for x in told["poured"]] == [s.hex for s in layers.poured]
    assert run(capsys, *stack)[1].startswith(str(layers))


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        (("plan", "none.csv", FILES[1]), "can't be read"),
        (("plan", *FILES, "--budget", "-1"), "--budget: must be a finite number from 0"),
        (("plan", *FILES, "--buy", "--budget", "1"), "not allowed with"),
        (("plan", *FILES[::-1]), "header: is that of a shelf, not of an order book"),
        (("plan", FILES[0], FILES[0]), "header: is that of an order book, not of a shelf"),
        (("plan", *FILES[::-1]), "are swapped, the order book comes first"),
        (("plan", "/no/such.csv", FILES[1]), "ORDERS: can't be read"),
        (("plan", FILES[0], "/no/such.csv"), "SHELF: can't be read"),
        (("cost", "gorse=2", "--shelf", "/no/such.csv"), "--shelf: can't be read"),
        (("cost", "gorse=2", "--illuminant", "A"), "See shadematch cost --help"),
        (("plan", *FILES, "--seconds", "0"), "--seconds: must be"),
        (("plan", *FILES, "--without", "peat"), "no such pigment"),
        (("wedge", "gorse=2", "--from", "1"), "--to"),
        (("wedge", "gorse=2", "--from", "1", "--to", "-1"), "--to: must be a number from 0"),
        (("wedge", "gorse=2", "--from", "1", "--to", "2", "--height", "1"), "--height: must be"),
        (
            ("wedge", "gorse=2", "--from", "1", "--to", "2", "--thickness", "1"),
            "See shadematch wedge --help",
        ),
        (
            ("wedge", "gorse=2", "--from", "1", "--to", "2", "--bare", "--height", "3"),
            "--height: has no meaning without clear base on top (got 3.0). Leave it out",
        ),
        (("layers", "gorse=2"), "CM:NAME=DOSE: is not a layer"),
        (("layers", "1/x:gorse=2"), "CM:NAME=DOSE: is not a layer"),
        (("layers", "1/2:gorse=2"), "white of 1/2:gorse=2: must be at most 1"),
        (("layers", "1:gorse"), "NAME=DOSE: is not a dose"),
    ],
)
def test_verbs_complain(
    capsys: pytest.CaptureFixture[str], words: tuple[str, ...], complaint: str
) -> None:
    status, out, err = run(capsys, *words)
    assert status == 2 and out == ""
    assert complaint in err and err.count("\n") == 1


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
