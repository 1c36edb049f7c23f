"""Doses in cm or in g: the unit belongs to the palette and to all that is made for it."""

from __future__ import annotations

import json
import pickle
from pathlib import Path

import pytest

import shadematch as sm
from shadematch.studio.recipe import Weighed
from shadematch.studio.unit import check_unit, checked_unit, quantity_in, steps_in
from tests.invented.weighed import palette_in_g, speaks_of_cm


def test_a_palette_keeps_its_unit(tmp_path: Path) -> None:
    weighed, plain = palette_in_g(), sm.demo_palette()
    assert (weighed.unit, plain.unit) == ("g", "cm")
    sm.save(weighed, tmp_path / "p.json")
    again = sm.read(tmp_path / "p.json", sm.Palette)
    assert again == weighed != plain
    assert again.only("gorse").unit == again.without("gorse").unit == "g"
    assert pickle.loads(pickle.dumps(again)).unit == "g"


def test_a_palette_is_in_cm_and_a_file_says_its_unit(tmp_path: Path) -> None:
    data = sm.demo_palette().model_dump(mode="json")
    assert data.pop("unit") == "cm"
    assert sm.Palette(**data) == sm.demo_palette()
    text = json.dumps({"format": "shadematch palette", "version": 1, **data})
    (tmp_path / "p.json").write_text(text, encoding="utf-8")
    with pytest.raises(sm.FileError, match="unit: is missing"):
        sm.read(tmp_path / "p.json")
    with pytest.raises(sm.PaletteError, match="unit: must be 'cm' or 'g'"):
        sm.Palette(**{**data, "unit": "inch"})


def test_the_fingerprint_tells_units_apart() -> None:
    # Of cm it is what it always was, so that what was saved still fits.
    assert palette_in_g().fingerprint != sm.demo_palette().fingerprint
    assert sm.demo_palette().fingerprint == "8f61-5b3c-c89d"


def test_a_tube_nobody_measured_has_no_size() -> None:
    pigment = sm.Pigment(name="chalk", absorption=(0.1,) * 36)
    assert pigment.tube_size is None
    assert sm.demo_palette()["gorse"].tube_size == 87.0


def test_a_recipe_says_its_unit() -> None:
    recipe = sm.Recipe({"gorse": 2.5, "dusk": 1}, sm.Pour(batch_g=200), unit="g")
    assert str(recipe) == "2.5 g gorse, 1 g dusk"
    assert recipe.lines == ("2.5 g gorse", "1 g dusk")
    assert recipe != sm.Recipe({"gorse": 2.5, "dusk": 1}, sm.Pour(batch_g=200))
    assert pickle.loads(pickle.dumps(recipe)) == recipe
    assert hash(pickle.loads(pickle.dumps(recipe))) == hash(recipe)


@pytest.mark.parametrize("unit", ["mm", "", None, 1, ["g"]])
def test_a_unit_that_is_none(unit: object) -> None:
    with pytest.raises(sm.PourError, match="unit: must be 'cm' or 'g'") as found:
        sm.Recipe({}, sm.Pour(batch_g=100), unit=unit)  # type: ignore[arg-type]
    assert found.value.remedy
    with pytest.raises(sm.PaletteError, match="must be 'cm' or 'g'"):
        checked_unit(unit, sm.PaletteError)


def test_a_let_down_says_its_unit_and_must_fit_the_recipe() -> None:
    weighed = sm.LetDown.made("gorse", paste=1, base_g=50, unit="g")
    assert str(weighed) == "gorse let-down (1 g in 50 g of clear base)"
    part, pour = Weighed(weighed, 25.0), sm.Pour(batch_g=200)
    recipe = sm.Recipe({"gorse": 0.5}, pour, (part,), unit="g")
    assert not speaks_of_cm(str(recipe))
    with pytest.raises(sm.PourError, match="weighed: is in g, and the recipe's doses are in cm"):
        sm.Recipe({"gorse": 0.5}, pour, (part,))
    with pytest.raises(sm.PourError, match="For instance 1 g in 50 g"):
        sm.LetDown.made("gorse", paste=0, base_g=50, unit="g")


def test_errors_of_doses_name_the_unit() -> None:
    with pytest.raises(sm.PourError, match="Give the mass of paste in g"):
        sm.Recipe({"gorse": -1}, sm.Pour(batch_g=100), unit="g")
    with pytest.raises(sm.PourError, match="Give the length of paste in cm"):
        sm.Recipe({"gorse": -1}, sm.Pour(batch_g=100))


def test_words() -> None:
    assert (steps_in("cm", 1.0), steps_in("g", 1.0)) == ("whole centimetres", "whole grams")
    assert (steps_in("cm", 0.5), steps_in("g", 0.1)) == ("steps of 0.5 cm", "steps of 0.1 g")
    assert (quantity_in("cm"), quantity_in("g")) == ("length", "mass")
    check_unit("g", "g", "recipe")
    with pytest.raises(sm.PourError) as found:
        check_unit("cm", "g", "recipe")
    assert str(found.value) == (
        "recipe: is in cm, and the palette's doses are in g (got 'cm'). Give it in g and say "
        "unit='g', or take a palette whose unit is cm"
    )


def test_a_load_limit_in_g_that_nobody_stated_is_told() -> None:
    assert (
        sm.Pour(batch_g=100).limit_note("cm")
        == ""
        == sm.Pour(batch_g=100, max_load=2).limit_note("g")
    )
    assert "at most 4 g of paste per 100 g" in sm.Pour(batch_g=100).limit_note("g")
