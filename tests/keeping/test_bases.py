"""Further bases in files: palettes, recipes, corrections, settings, and what changed since."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest

import shadematch as sm
from shadematch.keeping.saved import SavedRecipe
from shadematch.keeping.schemas import json_schema
from shadematch.keeping.settings import Settings, UsualValues
from tests.invented.bases import BROWN, browned

POUR = sm.Pour(batch_g=500, white=0.2, base=BROWN)


def test_palettes_and_recipes_there_and_back(tmp_path: Path) -> None:
    palette = browned()
    sm.save(palette, tmp_path / "palette.json")
    assert sm.read(tmp_path / "palette.json") == palette
    written = json.loads((tmp_path / "palette.json").read_text("utf-8"))
    jsonschema.validate(written, json_schema("palette"))
    assert [b["name"] for b in written["bases"]] == [BROWN] and written["version"] == 1
    match = sm.match("#b8752c", palette=palette, pour=POUR)
    sm.save(match, tmp_path / "match.json")
    kept = sm.read(tmp_path / "match.json", SavedRecipe)
    assert kept.recipe == match.recipe and kept.palette == palette
    jsonschema.validate(
        json.loads((tmp_path / "match.json").read_text("utf-8")), json_schema("recipe")
    )
    found = sm.correct(match.recipe, (60, 25, 50), "#b8752c", palette=palette)
    sm.save(found, tmp_path / "batch.json")
    again = sm.read(tmp_path / "batch.json")
    assert again.advice == found.advice and again.recipe.pour.base == BROWN


def test_what_changed_since(tmp_path: Path) -> None:
    match = sm.match("#b8752c", palette=browned(), pour=POUR)
    sm.save(match, tmp_path / "match.json")
    same = sm.repeat(tmp_path / "match.json")
    assert same.same and same.changed == ()
    darker = sm.repeat(tmp_path / "match.json", palette=browned(depth=0.5))
    assert darker.changed == (f'base "{BROWN}"',) and not darker.same
    gone = sm.repeat(tmp_path / "match.json", palette=sm.demo_palette())
    assert gone.missing == (f'base "{BROWN}"',) and gone.delta_e is None
    assert "no longer has" in gone.sentence
    plain = sm.match("#b8752c", palette=browned(), pour=sm.Pour(batch_g=500))
    sm.save(plain, tmp_path / "plain.json")
    other = sm.repeat(tmp_path / "plain.json", palette=browned(depth=0.5))
    assert other.same and other.changed == () and "nothing that this recipe uses" in other.sentence


def test_a_base_in_the_settings(tmp_path: Path) -> None:
    sm.save(browned(), tmp_path / "mine.json")
    place = tmp_path / "shadematch.toml"
    Settings.of(UsualValues(palette="mine.json", base=BROWN, white=0.1), place).save()
    usual = Settings.from_file(place)
    assert usual.pour == sm.Pour(base=BROWN, white=0.1)
    assert sm.match("#b8752c", **usual.given).recipe.pour.base == BROWN
    place.write_text('palette = "mine.json"\nbase = "vanila"\n')
    with pytest.raises(sm.FileError, match="no such base"):
        Settings.from_file(place)
