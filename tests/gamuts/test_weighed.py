"""What can be made of pastes that are weighed is told in g."""

from __future__ import annotations

import shadematch as sm
from tests.invented.weighed import palette_in_g, speaks_of_cm

POUR = sm.Pour(batch_g=500, max_load=3)


def test_gamut_and_nearest_say_g() -> None:
    gamut = sm.gamut(palette=palette_in_g(), pour=POUR)
    nearest = gamut.nearest("#00ffff")
    assert nearest.choice.recipe.unit == "g"
    assert "at most 3 g per 100 g" in str(gamut)
    for text in (str(gamut), str(nearest), nearest._repr_html_()):
        assert not speaks_of_cm(text)


def test_ladder_says_g() -> None:
    found = sm.ladder({"gorse": 1}, along="load", palette=palette_in_g(), pour=POUR)
    assert found.recipe.unit == "g" and "[g per 100 g]" in found.label
    assert not speaks_of_cm(str(found))


def test_feasibility_says_g() -> None:
    found = sm.feasibility(
        "#7fb069", palette=palette_in_g(), thicknesses_cm=[1], whites=[0], batches_g=[100]
    )
    assert found.best.closest.recipe.unit == "g"
    assert "With doses of any mass" in found.sentence and "whole grams" in found.sentence
