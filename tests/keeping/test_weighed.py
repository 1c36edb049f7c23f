"""What is kept of pastes that are weighed is in g when it comes back."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest

import shadematch as sm
from shadematch.keeping.results import recipes_from_frame, results_frame
from shadematch.matching.match import Match
from tests.invented.weighed import palette_in_g, speaks_of_cm

POUR = sm.Pour(batch_g=100, max_load=3, dose_step=0.5)


@pytest.fixture
def match() -> Match:
    let_down = sm.LetDown.made("rosehip", paste=1, base_g=25, unit="g")
    return sm.match("#f4d9c6", palette=palette_in_g(), pour=POUR, let_downs=[let_down])


def test_a_recipe_comes_back_in_g(tmp_path: Path, match: Match) -> None:
    place = tmp_path / "r.json"
    sm.save(match, place)
    again = sm.read(place)
    assert again.recipe == match.recipe and again.recipe.unit == "g"
    assert again.palette.unit == "g"
    assert again.match is not None and again.match.closest.recipe == match.closest.recipe
    assert not speaks_of_cm(str(again)) and not speaks_of_cm(again._repr_html_())


def test_a_palette_in_another_unit_is_another_palette(tmp_path: Path, match: Match) -> None:
    place = tmp_path / "r.json"
    sm.save(match, place)
    same = sm.repeat(place)
    assert same.same and not speaks_of_cm(str(same))
    with pytest.raises(sm.PourError, match="is in g, and the palette's doses are in cm"):
        sm.repeat(place, palette=sm.demo_palette())


def test_an_altered_unit_is_seen(tmp_path: Path, match: Match) -> None:
    place = tmp_path / "r.json"
    sm.save(match, place)
    data = json.loads(place.read_text())
    data["palette"]["unit"] = "cm"
    place.write_text(json.dumps(data))
    with pytest.raises(sm.FileError, match="fingerprint"):
        sm.read(place)


def test_a_batch_comes_back_in_g(tmp_path: Path) -> None:
    recipe = sm.Recipe({"gorse": 2.0}, POUR, unit="g")
    found = sm.correct(recipe, (70, 5, 50), "#e8c030", palette=palette_in_g())
    place = tmp_path / "b.json"
    sm.save(found, place)
    again = sm.read(place)
    assert again.recipe == recipe and again.advice.recipe.unit == "g"
    assert not speaks_of_cm(str(again))


def test_tables_say_their_unit(tmp_path: Path, match: Match) -> None:
    frame = results_frame([match])
    assert "gorse [g]" in frame.columns and "gorse [cm]" not in frame.columns
    assert {"total_g", "load_g_per_100g"} <= set(frame.columns)
    assert "rosehip let-down (1 g in 25 g of clear base), mass [g]" in frame.columns
    with pytest.raises(sm.PourError, match="has let-downs"):
        recipes_from_frame(frame, pour=POUR)
    plain = sm.match("#d9822b", palette=palette_in_g(), pour=POUR)
    sm.save_results([plain], tmp_path / "t.csv")
    back = recipes_from_frame(pd.read_csv(tmp_path / "t.csv"), pour=POUR)
    assert back == [plain.recipe]
    with pytest.raises(sm.PourError, match="doses in more than one unit"):
        recipes_from_frame(pd.DataFrame({"gorse [g]": [1.0], "dusk [cm]": [1.0]}))
