"""The sheet of a recipe whose pastes are weighed: a weighing line in place of a ruler."""

from __future__ import annotations

import re

import shadematch as sm
from shadematch.studio.recipe import Weighed
from tests.invented.weighed import palette_in_g, speaks_of_cm

POUR = sm.Pour(batch_g=500, thickness_cm=2, max_load=3, dose_step=0.1)


def words(html: str) -> str:
    """The text of a page."""
    body = html.partition("<body>")[2]
    return " ".join(re.sub(r"<[^>]+>", " ", body).split())


def test_pastes_are_weighed() -> None:
    palette = palette_in_g()
    recipe = sm.Recipe({"gorse": 3.2, "rosehip": 1.0}, POUR, unit="g")
    sheet = sm.batch_sheet(recipe, palette=palette)
    assert re.search(r"3\.2 g +\W?gorse", sheet.text)
    shown = words(sheet.html)
    assert "3.2 g gorse" in shown and "1 g rosehip" in shown
    for text in (sheet.text, shown):
        assert "Weigh each paste by itself on the small scale" in " ".join(text.split())
        assert "4.2 g in all, 0.84 g per 100 g" in text
        assert sm.spread(recipe, palette=palette).mainly in " ".join(text.split())
        assert not speaks_of_cm(text)
    assert "along a ruler" not in sheet.html
    # The same numbers in cm do have rulers, and are squeezed along them.
    squeezed = sm.batch_sheet(sm.Recipe({"gorse": 3.2, "rosehip": 1.0}, POUR))
    assert squeezed.html.count('along a ruler"') == 2
    assert "Squeeze each paste along its ruler" in " ".join(squeezed.text.split())


def test_let_downs_beside_weighed_pastes() -> None:
    let_down = sm.LetDown.made("gorse", paste=1, base_g=50, unit="g")
    recipe = sm.Recipe({"gorse": 0.5, "dusk": 1.0}, POUR, (Weighed(let_down, 25.0),), unit="g")
    sheet = sm.batch_sheet(recipe, palette=palette_in_g())
    assert "gorse let-down, 1 g in 50 g of clear base" in sheet.text
    assert "Weigh the let-downs and melt them in." in " ".join(sheet.text.split())
    assert not speaks_of_cm(sheet.text)
    assert not speaks_of_cm(words(sheet.html))
