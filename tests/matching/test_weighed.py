"""Matches for pastes that are weighed: the same numbers, told in g."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings, strategies as st

import shadematch as sm
from tests.invented.weighed import palette_in_g, speaks_of_cm

LAB = st.tuples(st.integers(20, 80), st.integers(-25, 25), st.integers(-25, 25))
"""Colours that a surface can have; above L* 85 not all of these are."""
NAMES = sm.demo_palette().names
DOSES = st.dictionaries(st.sampled_from(NAMES), st.floats(0, 8), max_size=3)
POURS = st.builds(
    sm.Pour,
    batch_g=st.sampled_from([100.0, 250.0]),
    thickness_cm=st.sampled_from([1.0, 2.0]),
    white=st.sampled_from([0.0, 0.1]),
    max_load=st.sampled_from([2.0, 4.0]),
    dose_step=st.sampled_from([0.5, 1.0]),
)


@settings(deadline=None, max_examples=30)
@given(doses=DOSES, pour=POURS)
def test_the_same_numbers_give_the_same_colour(doses: dict[str, float], pour: sm.Pour) -> None:
    weighed, plain = (
        sm.predict(doses, palette=p, pour=pour) for p in (palette_in_g(), sm.demo_palette())
    )
    assert weighed.lab == plain.lab
    assert weighed.recipe.doses == plain.recipe.doses
    assert (weighed.recipe.unit, plain.recipe.unit) == ("g", "cm")


@settings(deadline=None, max_examples=15)
@given(lab=LAB, pour=POURS)
def test_the_same_numbers_give_the_same_match(lab: tuple[int, int, int], pour: sm.Pour) -> None:
    target = sm.Target.from_lab(lab)
    weighed, plain = (
        sm.match(target, palette=p, pour=pour, dose_slip=0.1)
        for p in (palette_in_g(), sm.demo_palette())
    )
    for one, other in ((weighed.frugal, plain.frugal), (weighed.closest, plain.closest)):
        assert one.recipe.doses == other.recipe.doses
        assert one.delta_e == other.delta_e
    assert (weighed.bound, weighed.proved) == (plain.bound, plain.proved)
    assert weighed.verdict.limit == plain.verdict.limit
    assert not speaks_of_cm(str(weighed))


# For the verdicts: whole steps, the limit, nothing; see `test_match.py`.
ASKED: dict[str, dict[str, Any]] = {
    "steps": {"target": "#d9822b", "pour": sm.Pour(batch_g=100, max_load=4)},
    "fine steps": {"target": "#d9822b", "pour": sm.Pour(batch_g=100, dose_step=0.9)},
    "limit": {"target": "#0a0a0a", "pour": sm.Pour(batch_g=500, max_load=0.4)},
    "robust": {"target": "#d9822b", "pour": sm.Pour(batch_g=500), "robust": True},
    "lights": {"target": "#d9822b", "pour": sm.Pour(batch_g=100), "lights": ["D65", "A"]},
}


@pytest.mark.parametrize("asked", ASKED.values(), ids=ASKED)
def test_a_match_says_g(asked: dict[str, Any]) -> None:
    found = sm.match(palette=palette_in_g(), **asked)
    assert found.recipe.unit == found.closest.recipe.unit == found.ideal.recipe.unit == "g"
    assert all(choice.recipe.unit == "g" for choice in found.choices)
    assert not speaks_of_cm(str(found))
    assert not speaks_of_cm(found._repr_html_())
    plain = sm.match(palette=sm.demo_palette(), **asked)
    assert plain.recipe.doses == found.recipe.doses or asked.get("robust")


def test_verdicts_say_g() -> None:
    palette = palette_in_g()
    steps = sm.match("#d9822b", palette=palette, pour=sm.Pour(batch_g=100)).verdict
    assert steps.limit == "dose steps" and "Held back by whole grams" in steps.sentence
    assert any("Dosing to 0.5 g: " in text for text in steps.help)
    limit = sm.match("#101010", palette=palette, pour=sm.Pour(batch_g=1000, max_load=0.5)).verdict
    assert limit.limit == "load limit" and "load limit of 0.5 g per 100 g" in limit.sentence


def test_the_load_limit_is_told_where_nobody_stated_it() -> None:
    palette = palette_in_g()
    unsaid = sm.match("#d9822b", palette=palette, pour=sm.Pour(batch_g=500))
    assert "limit      at most 4 g of paste per 100 g of base" in str(unsaid)
    assert "at most 4 g of paste per 100 g of base" in unsaid._repr_html_()
    said = sm.match("#d9822b", palette=palette, pour=sm.Pour(batch_g=500, max_load=3))
    plain = sm.match("#d9822b", palette=sm.demo_palette(), pour=sm.Pour(batch_g=500))
    assert not any(line.startswith("limit") for m in (said, plain) for line in str(m).splitlines())


def test_let_downs_are_in_g_and_must_be() -> None:
    palette, pour = palette_in_g(), sm.Pour(batch_g=100)
    plan = sm.propose_let_down("#f4d9c6", palette=palette, pour=pour)
    assert plan.to_make and all(part.let_down.unit == "g" for part in plan.to_make)
    assert plan.recipe.unit == "g"
    for text in (str(plan), plan.sentence, plan._repr_html_()):
        assert not speaks_of_cm(text)
    in_cm = sm.LetDown.made("gorse", paste=1, base_g=50)
    with pytest.raises(sm.PourError, match="let_downs: is in cm, and the palette's doses are in g"):
        sm.match("#f4d9c6", palette=palette, pour=pour, let_downs=[in_cm])
    found = sm.match(
        "#f4d9c6", palette=palette, pour=pour, let_downs=[d.let_down for d in plan.to_make]
    )
    assert not speaks_of_cm(str(found))


def test_a_recipe_in_another_unit_is_refused() -> None:
    recipe = sm.Recipe({"gorse": 2.0}, sm.Pour(batch_g=100))
    palette = palette_in_g()
    other = sm.Pour(batch_g=200)
    for call in (
        lambda: sm.predict(recipe, palette=palette),
        lambda: sm.same_look(recipe, to_pour=other, palette=palette),
        lambda: sm.lights(recipe, "#d9822b", palette=palette),
    ):
        with pytest.raises(sm.PourError, match="is in cm, and the palette's doses are in g"):
            call()


def test_other_questions_answer_in_g() -> None:
    palette, pour = palette_in_g(), sm.Pour(batch_g=500)
    found = sm.match("#d9822b", palette=palette, pour=pour)
    look = sm.same_look(found, to_pour=sm.Pour(batch_g=300, thickness_cm=1.5), palette=palette)
    small = sm.smallest_batch("#d9822b", palette=palette, largest_g=200, step_g=50)
    assert look.recipe.unit == "g"
    assert all(point.recipe.unit == "g" for point in small.curve)
    for text in (str(look), str(small), str(sm.lights(found))):
        assert not speaks_of_cm(text)
    with pytest.raises(sm.PourError, match="too small for 1 g of paste under the load limit"):
        sm.match("#d9822b", palette=palette, pour=sm.Pour(batch_g=10))
    many = list(sm.match_many(["#d9822b", "#7fb069"], palette=palette, pour=pour))
    assert [m.recipe.unit for m in many] == ["g", "g"]
    np.testing.assert_allclose(many[0].delta_e, found.delta_e)
