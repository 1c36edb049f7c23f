"""Recipes and pours."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings, strategies as st

import shadematch as sm
from shadematch.studio.recipe import Weighed


def test_dose_and_mass_arithmetic() -> None:
    pour = sm.Pour(batch_g=250, white=0.2, max_load=4.0)
    assert pour.max_total == pytest.approx(10)
    assert pour.max_steps == 10
    assert (pour.clear_g, pour.white_g) == pytest.approx((200, 50))
    assert sm.Pour(batch_g=250, dose_step=0.5).max_steps == 20
    assert sm.Pour(batch_g=70, max_load=4.0).max_steps == 2
    # 0.1 * 3 is not 0.3 in binary; the limit must not lose a step by it.
    assert sm.Pour(batch_g=100, max_load=0.3, dose_step=0.1).max_steps == 3
    recipe = sm.Recipe({"a": 4.0, "b": 6.0}, pour)
    assert recipe.proportions == {"a": 2, "b": 3}
    assert (recipe.total, recipe.load, recipe.tubes) == (10.0, 4.0, 2)
    half = sm.Recipe({"a": 0.5, "b": 1.5}, sm.Pour(batch_g=100, dose_step=0.5))
    assert half.proportions == {"a": 1, "b": 3}
    assert sm.Recipe({"a": 0.7}, pour).proportions is None
    assert sm.Recipe({}, pour).proportions == {}


@pytest.mark.parametrize(
    ("field", "value"),
    [
        *(("batch_g", v) for v in (0, -5, float("nan"), float("inf"), "500", True, None, 1e9)),
        *(("thickness_cm", v) for v in (0, -1, 1000)),
        *(("white", v) for v in (-0.1, 1.1, "clear")),
        *(("max_load", v) for v in (0, -1, float("nan"))),
        *(("dose_step", v) for v in (0, -1)),
    ],
)
def test_bad_pour(field: str, value: object) -> None:
    with pytest.raises(sm.PourError) as found:
        sm.Pour(**{field: value})  # type: ignore[arg-type]
    assert found.value.field == field
    assert repr(value) in str(found.value) or value is None
    assert found.value.remedy


def test_frozen() -> None:
    with pytest.raises(Exception, match="frozen"):
        sm.Pour(batch_g=100).batch_g = 3  # type: ignore[misc]


steps = st.sampled_from([1.0, 0.5, 0.25, 0.1, 0.05])


counts = st.dictionaries(st.sampled_from("abcdefgh"), st.integers(1, 4000), min_size=1)


@settings(deadline=None)
@given(counts=counts, step=steps)
def test_proportions_are_in_lowest_terms(counts: dict[str, int], step: float) -> None:
    pour = sm.Pour(batch_g=1000, dose_step=step)
    recipe = sm.Recipe({name: round(count * step, 9) for name, count in counts.items()}, pour)
    shares = recipe.proportions
    assert shares is not None
    assert list(shares) == list(counts)
    assert math.gcd(*shares.values()) == 1
    common = math.gcd(*counts.values())
    assert {name: share * common for name, share in shares.items()} == counts
    assert recipe.total == pytest.approx(sum(counts.values()) * step)
    assert recipe.load == pytest.approx(recipe.total / 10)
    assert recipe.tubes == len(counts)


def test_doses_between_steps_have_no_proportions() -> None:
    whole, half = sm.Pour(batch_g=100), sm.Pour(batch_g=100, dose_step=0.5)
    assert sm.Recipe({"a": 0.5, "b": 1.0}, whole).proportions is None
    assert sm.Recipe({"a": 0.5, "b": 1.0}, half).proportions == {"a": 1, "b": 2}
    assert sm.Recipe({"a": 1 / 3}, half).proportions is None
    for odd in (1e-4, 1.0004, 2.00001):
        assert sm.Recipe({"a": odd, "b": 1.0}, whole).proportions is None
    assert sm.Recipe({"a": 1.0}, sm.Pour(batch_g=100, dose_step=0.0101)).proportions is None
    assert sm.Recipe({"a": 1.0, "b": 2 / 3}, sm.Pour(batch_g=100, dose_step=1 / 3)).proportions == {
        "a": 3,
        "b": 2,
    }


def test_let_downs_bring_no_more_than_the_recipe_holds() -> None:
    half = Weighed(sm.LetDown(pigment="a", paste_per_g=0.1), 50.0)
    white = Weighed(sm.LetDown(pigment="a", paste_per_g=0.1, white=1.0), 50.0)
    clear, pale = sm.Pour(batch_g=100), sm.Pour(batch_g=100, white=0.4)
    assert sm.Recipe({"a": 5.0}, clear, (half,)).from_tubes == {}
    assert sm.Recipe({"a": 10.0}, clear, (half, half)).clear_g == pytest.approx(0.0, abs=1e-9)
    for doses, pour, parts, short in (
        ({}, clear, (half,), "paste"),
        ({"a": 6.0}, clear, (half, half), "paste"),
        ({"a": 15.0}, clear, (half,) * 3, "base"),
        ({"a": 5.0}, pale, (white,), "base"),
    ):
        with pytest.raises(sm.PourError, match=f"holds more {short} than the recipe") as found:
            sm.Recipe(doses, pour, parts)
        assert found.value.field == "weighed"


def test_doses_of_a_recipe_can_not_be_changed() -> None:
    recipe = sm.predict({"gorse": 1}, pour=sm.Pour(batch_g=100)).recipe
    with pytest.raises(TypeError):
        recipe.doses["gorse"] = 5.0  # type: ignore[index]


def test_recipes_can_be_kept_in_sets() -> None:
    pour = sm.Pour(batch_g=100)
    assert len({sm.Recipe({"a": 1.0}, pour), sm.Recipe({"a": 1.0}, pour)}) == 1
