"""Order books and shelves with further bases: what is there, what is bought, what it costs."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

import shadematch as sm
from tests.invented.bases import BROWN, browned

PLENTY = sm.Stock.of(dict.fromkeys(sm.demo_palette().names, 3))


def order(name: str, base: str, white: float = 0.0, mass_g: float = 485.0) -> sm.Order:
    pour = sm.Pour(batch_g=1000, base=base, white=white)
    return sm.Order(name=name, target="#b8752c", mass_g=mass_g, pour=pour)


def stock(**more: Any) -> sm.Stock:
    return sm.Stock(tubes=PLENTY.tubes, **more)


def test_each_base_is_there_and_bought_by_its_name() -> None:
    palette = browned()
    orders = [order("a", "clear"), order("b", BROWN), order("c", BROWN, white=0.5)]
    shelf = stock(
        clear_g=300.0,
        bases_g={BROWN: 600.0},
        clear_price_kg=6.0,
        white_price_kg=7.0,
        bases_price_kg={BROWN: 8.0},
    )
    found = sm.plan(orders, shelf, palette=palette, buy=True, seconds=5)
    assert found.complete
    assert dict(found.buy_base_g) == pytest.approx(
        {"clear": 200.0, "white": 0.0, BROWN: 150.0}, abs=0.01
    )
    assert found.money == pytest.approx(0.2 * 6 + 0.15 * 8)
    assert f'150 g of base "{BROWN}"' in found.bill and "200 g of clear base" in found.bill
    assert {p.order.name: p.recipe.pour.base for p in found.poured} == {
        "a": "clear",
        "b": BROWN,
        "c": BROWN,
    }
    costs = {p.order.name: p.cost.base for p in found.poured}
    assert costs["b"] == pytest.approx(0.5 * 8)
    assert costs["c"] == pytest.approx(0.25 * 8 + 0.25 * 7)


def test_what_one_base_lacks_another_does_not_make_up_for() -> None:
    shelf = stock(clear_g=10_000.0, bases_g={BROWN: 600.0})
    found = sm.plan([order("a", BROWN), order("b", BROWN)], shelf, palette=browned(), seconds=5)
    (left,) = found.left_out
    assert left.reason == "base" and f'400 g of base "{BROWN}"' in left.sentence


def test_a_price_that_is_wanted_is_asked_for() -> None:
    with pytest.raises(sm.PourError, match=rf"bases_price_kg\.{BROWN}"):
        shelf = stock(bases_g={BROWN: 1.0}, clear_price_kg=1.0, white_price_kg=1.0)
        sm.plan([order("a", BROWN)], shelf, palette=browned(), buy=True)
    plain = sm.cost(
        sm.Recipe({"gorse": 2}, sm.Pour(base=BROWN)), palette=browned(), stock=stock(clear_g=1.0)
    )
    assert plain.base is None


def test_bases_that_nobody_knows_are_refused() -> None:
    with pytest.raises(sm.UnknownNameError, match=f"^order b, base: .*Did you mean {BROWN}"):
        every = [order("a", BROWN), order("b", "clear with vanila")]
        sm.plan(every, stock(), palette=browned())
    with pytest.raises(sm.UnknownNameError, match=f"^stock, base: .*Did you mean {BROWN}"):
        shelf = stock(bases_g={"clear with vanila": 1.0})
        sm.plan([order("a", BROWN)], shelf, palette=browned())


def test_a_plan_names_bases_and_what_it_assumes_of_them() -> None:
    orders = [order("a", "clear"), order("b", BROWN)]
    told = str(sm.plan(orders, stock(), palette=browned(), seconds=5))
    assert f'g of base "{BROWN}" with' in told and "g of clear base with" not in told
    assert f'enough of base "{BROWN}" is there (not listed)' in told
    listed = stock(bases_g={BROWN: 5000.0})
    assert "not listed" not in str(sm.plan(orders, listed, palette=browned(), seconds=5))
    with pytest.raises(sm.UnknownNameError, match="no such base"):
        sm.plan([order("a", "clear")], stock(bases_g={"oat": 5.0}), palette=browned())
    with pytest.raises(sm.PourError, match="Give clear_price_kg"):
        sm.Stock(bases_price_kg={"clear": 5.0})


def test_books_with_bases(tmp_path: Path) -> None:
    (tmp_path / "orders.csv").write_text(
        f"name,target,mass_g,base,white\na,#b8752c,500,{BROWN},0.2\nb,#b8752c,500,,\n"
    )
    one, two = sm.read_orders(tmp_path / "orders.csv")
    assert (one.pour.base, one.pour.white, two.pour.base) == (BROWN, 0.2, "clear")
    (tmp_path / "shelf.csv").write_text(
        f"kind,name,full,price,shelf_g\npaste,gorse,2,,\nclear,,,6,500\nbase,{BROWN},,8,300\n"
        "base,oat,,,20\n"
    )
    shelf = sm.read_stock(tmp_path / "shelf.csv")
    assert (shelf.clear_g, shelf.bases_g) == (500, {BROWN: 300, "oat": 20})
    assert shelf.base_price_kg(BROWN) == 8 and shelf.base_price_kg("oat") is None
    assert f'base "{BROWN}"  300 g' in str(shelf)


@pytest.mark.parametrize(
    ("line", "problem"),
    [
        ("base,,,8,300", "line 2, name.*is missing"),
        ("base,clear,,8,300", "Give clear_g"),
        ("base,oat,3,8,300", "line 2, full.*is for paste"),
        ("base,oat,,8,300\nbase,oat,,8,300", "line 3, kind.*appears twice"),
        ("bases,oat,,8,300", "must be paste, clear, white or base"),
    ],
)
def test_lines_that_cant_be_are_named(tmp_path: Path, line: str, problem: str) -> None:
    (tmp_path / "shelf.csv").write_text(f"kind,name,full,price,shelf_g\n{line}\n")
    with pytest.raises(sm.PourError, match=problem):
        sm.read_stock(tmp_path / "shelf.csv")
