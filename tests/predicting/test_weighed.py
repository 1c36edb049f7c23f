"""Predictions, spreads, pots, layers and wedges of pastes that are weighed."""

from __future__ import annotations

import pytest

import shadematch as sm
from shadematch.predicting.readings import DOSE_SLIP
from shadematch.studio.recipe import Weighed
from tests.invented.weighed import palette_in_g, speaks_of_cm

DOSES = {"gorse": 2.0, "rosehip": 1.0}
POUR = sm.Pour(batch_g=250)


def test_a_small_scale_slips_less_than_a_ruler() -> None:
    assert DOSE_SLIP == {"cm": 0.2, "g": 0.1}  # common practice, no source
    weighed = sm.spread(DOSES, palette=palette_in_g(), pour=POUR)
    assert weighed.dose_slip == 0.1 and weighed.recipe.unit == "g"
    assert sm.spread(DOSES, palette=sm.demo_palette(), pour=POUR).dose_slip == 0.2
    # The same slip is the same colour, whatever the unit is called.
    told = sm.spread(DOSES, palette=palette_in_g(), pour=POUR, dose_slip=0.2)
    assert told.p90 == sm.spread(DOSES, palette=sm.demo_palette(), pour=POUR).p90 > weighed.p90
    assert weighed.readings == ("paste within 0.1 g", "base within 1 g")
    assert not speaks_of_cm(str(weighed)) and not speaks_of_cm(weighed._repr_html_())
    with pytest.raises(sm.PourError, match=r"dose_slip: .*either way, in g"):
        sm.spread(DOSES, palette=palette_in_g(), pour=POUR, dose_slip=-1)


def test_let_downs_are_made_in_g() -> None:
    let_down = sm.LetDown.made("gorse", paste=1, base_g=50, unit="g")
    recipe = sm.Recipe({"gorse": 0.5}, POUR, (Weighed(let_down, 25.0),), unit="g")
    found = sm.spread(recipe, palette=palette_in_g())
    assert "made with 1 g of paste at once" in str(found)
    assert not speaks_of_cm(str(found))
    with pytest.raises(sm.PourError, match="Say how much paste it was made with, in g"):
        sm.spread(recipe, palette=palette_in_g(), let_down_paste={"gorse": 0})


def test_all_of_them_say_g() -> None:
    palette = palette_in_g()
    pot = sm.in_the_pot(DOSES, palette=palette, pour=POUR)
    layered = sm.layers([(DOSES, 0.5), ({}, 1.0)], palette=palette, pour=POUR)
    wedged = sm.wedge(DOSES, from_cm=0, to_cm=2, palette=palette, pour=POUR)
    assert {pot.recipe.unit, layered.recipes[1].unit, wedged.recipe.unit} == {"g"}
    for found in (pot, layered, wedged):
        assert "2 g gorse" in str(found)
        assert "2 cm gorse" not in str(found) + found._repr_html_()


def test_units_do_not_mix() -> None:
    recipe, palette = sm.Recipe(DOSES, POUR), palette_in_g()
    for call in (
        lambda: sm.predict(recipe, palette=palette),
        lambda: sm.spread(recipe, palette=palette),
        lambda: sm.in_the_pot(recipe, palette=palette),
        lambda: sm.layers([(recipe, 1.0)], palette=palette, pour=sm.Pour(batch_g=100)),
        lambda: sm.wedge(recipe, from_cm=0, to_cm=2, palette=palette, pour=sm.Pour(batch_g=100)),
    ):
        with pytest.raises(sm.PourError, match="is in cm, and the palette's doses are in g"):
            call()
    with pytest.raises(sm.PourError, match=r"doses\.gorse: must be a number from 0 to .*in g"):
        sm.predict({"gorse": -1}, palette=palette, pour=sm.Pour(batch_g=100))
