"""Sheets of a plan."""

import datetime
from pathlib import Path

import pytest

import shadematch as sm
from shadematch.cli.main import main

STOCK = sm.Stock.of({"gorse": 2, "rosehip": 2, "jetty": 1, "dusk": 1, "kelp": 1})
ORDERS = [
    sm.Order(name="fair", target="#d9822b", bars=25, due=datetime.date(2031, 3, 9)),
    sm.Order(name="again", recipe=sm.Recipe({"kelp": 2}, sm.Pour(batch_g=500)), bars=4),
    sm.Order(name="by mass", target="#8d8a83", mass_g=400),
]


def test_each_order_gets_a_page() -> None:
    plan = sm.plan(ORDERS, STOCK)
    sheets = sm.batch_sheet(plan)
    pages = sheets.text.split("\f")
    assert len(pages) == len(plan.poured) == 3 == sheets.html.count("<main ")
    assert sheets.title == "3 batch sheets"
    for line, page in zip(plan.poured, pages, strict=True):
        alone = sm.batch_sheet(line)
        assert alone.text == page and alone.title == line.order.name
        for name, dose in line.recipe.doses.items():
            assert f"{dose:g} cm  {name}" in page
    assert "Make 3 batches like this. 27 bars of 100 g in all, 25 ordered. Due 2031-03-09" in (
        " ".join(pages[0].split())
    )
    assert "4 bars of 100 g" in pages[1] and "Make" not in pages[1].split("DOSE")[0]


def test_a_plan_brings_its_own() -> None:
    plan = sm.plan(ORDERS, STOCK)
    for field, value in (("bars", 3), ("loss", 0.1), ("view", sm.View()), ("title", "all")):
        with pytest.raises(sm.PourError, match="has its own") as no:
            sm.batch_sheet(plan, **{field: value})  # type: ignore[arg-type]
        assert no.value.field == field
    assert sm.batch_sheet(plan.poured[0], title="mine").title == "mine"
    nothing = sm.plan(ORDERS[:1], sm.Stock())
    with pytest.raises(sm.PourError, match="pours no order"):
        sm.batch_sheet(nothing)


def test_from_the_command_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("book.csv").write_text("name,target,bars\nfair,#d9822b,8\n", encoding="utf-8")
    Path("shelf.csv").write_text(
        "kind,name,full\n" + "".join(f"paste,{n},1\n" for n in sm.demo_palette().names),
        encoding="utf-8",
    )
    words = ["plan", "book.csv", "shelf.csv", "--save-sheets", "week.html"]
    assert main(words) == 0
    assert "8 bars of 100 g" in capsys.readouterr().out
    assert "8 bars of 100 g" in Path("week.html").read_text(encoding="utf-8")
    assert main([*words[:-1], "book.csv"]) == 2
    assert "--save-sheets" in capsys.readouterr().err


def test_dabs_are_not_poured() -> None:
    target = sm.Target.from_lab((62, 26, 53), covariance=[[25, 0, 0], [0, 9, 0], [0, 0, 9]])
    match = sm.match(target, pour=sm.Pour(batch_g=500))
    shades = match.shades(3, dab_g=30)
    text = " ".join(sm.batch_sheet(match, shades=shades, bar_g=100).text.split())
    # Two dabs of 30 g are taken out of 500 g; 3 % of the rest stays in the pot.
    assert len(shades) == 3 and "After the dabs: 4 bars of 100 g: 427 g to pour" in text
    with pytest.raises(sm.PourError, match="4 bars"):
        sm.batch_sheet(match, shades=shades, bars=5, bar_g=95)
