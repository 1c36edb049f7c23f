"""Orders, shelves and costs of pastes that are weighed; tubes that nobody measured."""

from __future__ import annotations

from pathlib import Path

import pytest

import shadematch as sm
from shadematch.planning.stock import Tubes
from tests.invented.weighed import palette_in_g, speaks_of_cm

ORDER = sm.Order(name="a", target="#d9822b", bars=5, pour=sm.Pour(batch_g=500, max_load=3))


def bare(unit: str) -> sm.Palette:
    """The demo palette without anything known of its tubes."""
    demo = sm.demo_palette()
    pigments = tuple(p.model_copy(update={"tube_size": None}) for p in demo.pigments)
    return demo.model_copy(update={"pigments": pigments, "unit": unit})


def test_a_tube_that_nobody_measured_is_an_assumption_told_once() -> None:
    palette, stock = bare("cm"), sm.Stock.of({"gorse": 2, "rosehip": 2, "jetty": 2})
    assert stock.tube_size("gorse", palette) == 87.0  # common practice, no source
    assert stock.assumed(palette) == palette.names
    assert stock.assumed(sm.demo_palette()) == ()
    recipe = sm.Recipe({"gorse": 3.0, "rosehip": 1.0}, sm.Pour(batch_g=500))
    money, known = (sm.cost(recipe, palette=p, stock=stock) for p in (palette, sm.demo_palette()))
    assert (money.paste, money.bars_per_set) == (known.paste, known.bars_per_set)
    said = "assumed    a full tube of gorse, rosehip holds 87 cm (not entered)"
    assert str(money).count("87 cm") == 1 and said in str(money)
    assert "assumed" not in str(known)
    plan = sm.plan([ORDER], stock, palette=palette)
    assert str(plan).count("87 cm (not entered)") == 1
    assert "87 cm (not entered)" in plan._repr_html_()
    assert "assumed" not in str(sm.plan([ORDER], stock))
    entered = sm.Stock(tubes=(Tubes(pigment="gorse", full=1, tube_size=85),))
    assert "gorse" not in entered.assumed(palette)


def test_a_weighed_tube_must_be_entered() -> None:
    palette, stock = bare("g"), sm.Stock.of({"gorse": 2})
    recipe = sm.Recipe({"gorse": 3.0}, sm.Pour(batch_g=500), unit="g")
    for call in (
        lambda: sm.cost(recipe, palette=palette),
        lambda: sm.plan([ORDER], stock, palette=palette, buy=True),
    ):
        with pytest.raises(sm.PourError, match="nobody entered how much a full tube holds") as no:
            call()
        assert no.value.field == "tubes.gorse.tube_size" and "Give it in g" in no.value.remedy
    entered = sm.Stock(tubes=(Tubes(pigment="gorse", full=1, tube_size=60),), unit="g")
    money = sm.cost(recipe, palette=palette, stock=entered)
    assert money.bars_per_set == 20 * 4 and not money.assumed_tubes
    # What is weighed and not on the shelf takes no tube to be known: there is nothing.
    assert entered.shelf("dusk", palette) == 0


def test_plan_and_cost_say_g() -> None:
    palette = palette_in_g()
    stock = sm.Stock(
        tubes=tuple(Tubes(pigment=n, full=1, opened=(20,)) for n in palette.names), unit="g"
    )
    given = sm.Order(
        name="b", recipe=sm.Recipe({"dusk": 90.0}, sm.Pour(batch_g=2500), unit="g"), bars=75
    )
    plan = sm.plan([ORDER, given], stock, palette=palette)
    assert plan.poured[0].recipe.unit == "g" and plan.left_out
    for text in (str(plan), plan._repr_html_(), str(stock), str(plan.poured[0].cost)):
        assert not speaks_of_cm(text)
    assert " g of dusk" in plan.left_out[0].sentence
    # As in cm, but for the name of the unit.
    plain = sm.plan([ORDER], stock.model_copy(update={"unit": "cm"}))
    assert plan.poured[0].recipe.doses == plain.poured[0].recipe.doses


def test_units_do_not_mix() -> None:
    palette, demo = palette_in_g(), sm.demo_palette()
    recipe = sm.Recipe({"gorse": 3.0}, sm.Pour(batch_g=500))
    order = sm.Order(name="a", recipe=recipe, bars=5)
    shelf = sm.Stock(tubes=(Tubes(pigment="gorse", opened=(20,)),), unit="g")
    said = "is in {}, and the palette's doses are in {}"
    with pytest.raises(sm.PourError, match=said.format("cm", "g")) as found:
        sm.plan([order], sm.Stock.of({"gorse": 1}), palette=palette)
    assert found.value.field == "orders.0.recipe"
    with pytest.raises(sm.PourError, match="recipe: " + said.format("cm", "g")):
        sm.cost(recipe, palette=palette)
    with pytest.raises(sm.PourError, match="stock: " + said.format("g", "cm")):
        sm.cost(recipe, palette=demo, stock=shelf)
    with pytest.raises(sm.PourError, match="stock: " + said.format("g", "cm")):
        sm.plan([order], shelf)
    # Where no entry says how much is in a tube, a shelf fits any palette.
    full = sm.Stock.of(dict.fromkeys(palette.names, 1))
    assert sm.plan([ORDER], full, palette=palette).poured


def test_books_say_their_unit(tmp_path: Path) -> None:
    shelf, book = tmp_path / "shelf.csv", tmp_path / "book.csv"
    shelf.write_text("kind,name,full,opened_g,tube_g\npaste,gorse,1,30.5 12,60\n", encoding="utf-8")
    book.write_text("name,recipe_g,bars,pot_g\na,6.5 gorse + 2 dusk,2,600\n", encoding="utf-8")
    stock, order = sm.read_stock(shelf), sm.read_orders(book)[0]
    assert (stock.unit, stock.row("gorse").opened, stock.row("gorse").tube_size) == (
        "g",
        (30.5, 12),
        60,
    )
    assert order.recipe == sm.Recipe({"gorse": 6.5, "dusk": 2}, sm.Pour(batch_g=600), unit="g")
    book.write_text("name,recipe_g,recipe_cm,bars\na,6 gorse,5 gorse,2\n", encoding="utf-8")
    with pytest.raises(sm.PourError, match="one of target, lab, recipe_cm and recipe_g"):
        sm.read_orders(book)
