"""A batch whose pastes were weighed is put right in g."""

from __future__ import annotations

import pytest

import shadematch as sm
from tests.invented.weighed import palette_in_g, speaks_of_cm

POUR = sm.Pour(batch_g=500, thickness_cm=2, max_load=3, dose_step=0.5)


def test_advice_is_in_g() -> None:
    palette = palette_in_g()
    match = sm.match("#7fb069", palette=palette, pour=POUR)
    off = tuple(v + d for v, d in zip(match.predicted.lab, (5.0, 1.0, -4.0), strict=True))
    found = sm.correct(match.recipe, off, match.target, palette=palette)
    assert found.advice.doses and found.advice.recipe.unit == "g"
    assert found.palette.unit == "g"
    for text in (str(found), found._repr_html_(), str(found.advice)):
        assert not speaks_of_cm(text)
    went_in = found.added({"gorse": 0.5})
    again = sm.correct(went_in, match.target.lab, match.target)
    assert again.recipe.unit == "g"
    with pytest.raises(sm.PourError, match="recipe: is in g, and the palette's doses are in cm"):
        sm.correct(match.recipe, off, match.target, palette=sm.demo_palette())


def test_the_usual_slip_is_that_of_a_small_scale() -> None:
    recipe = sm.Recipe({"gorse": 6.0}, POUR, unit="g")
    found = sm.correct(recipe, (70, 5, 60), "#e8c030", palette=palette_in_g())
    coarse = sm.correct(recipe, (70, 5, 60), "#e8c030", palette=palette_in_g(), dose_slip=0.1)
    assert found.strengths == coarse.strengths
