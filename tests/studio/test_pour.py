"""Dose and mass arithmetic over whole ranges. (Single cases are in test_pour_target.)"""

from __future__ import annotations

import math
import pickle
import warnings
from fractions import Fraction

import pytest
from hypothesis import given, settings, strategies as st

import shadematch as sm
from shadematch.errors import ThicknessWarning
from shadematch.studio.recipe import Weighed

steps = st.sampled_from([1.0, 0.5, 0.25, 0.1, 0.05])
counts = st.dictionaries(st.sampled_from("abcdefgh"), st.integers(1, 4000), min_size=1)


@settings(deadline=None)
@given(batch=st.integers(1, 100_000), tenths=st.integers(1, 100), step=steps)
def test_most_steps_is_exact(batch: int, tenths: int, step: float) -> None:
    # In fractions, where 0.1 is a tenth: no step lost or gained by binary rounding.
    pour = sm.Pour(batch_g=batch, max_load=tenths / 10, dose_step=step)
    exact = Fraction(tenths, 10) * batch / 100 / Fraction(str(step))
    assert pour.max_steps == math.floor(exact)
    assert pour.max_total == pytest.approx(float(Fraction(tenths, 10) * batch / 100))
    assert pour.load_per_step == pytest.approx(step * 100 / batch)


@settings(deadline=None)
@given(batch=st.floats(0.1, 100_000), white=st.floats(0, 1))
def test_the_two_bases_make_up_the_batch(batch: float, white: float) -> None:
    pour = sm.Pour(batch_g=batch, white=white)
    assert pour.clear_g + pour.white_g == pytest.approx(batch)
    assert 0 <= pour.white_g <= batch


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


def test_text_and_copies() -> None:
    pour = sm.Pour(batch_g=500, thickness_cm=2, white=0.25)
    assert str(pour) == "500 g of base with 25% white, 2 cm thick"
    assert str(sm.Recipe({"a": 1.5, "b": 2.0}, pour)) == "1.5 cm a, 2 cm b"
    assert str(sm.Recipe({}, pour)) == "no paste at all"
    view = sm.View(contact="wet", backing="black")
    assert str(view) == "on black backing (wet), D65, 2 degrees"
    for thing in (pour, view, sm.Recipe({"a": 1.0}, pour)):
        assert pickle.loads(pickle.dumps(thing)) == thing
    assert hash(pour) == hash(sm.Pour(batch_g=500, thickness_cm=2, white=0.25))


@pytest.mark.parametrize("field", ["batch_g", "thickness_cm", "white", "max_load", "dose_step"])
@pytest.mark.parametrize(
    "value",
    [
        *("2", True, None, [], float("nan"), float("-inf"), -1e-9, 1e12),
        10**400,
    ],
)
def test_every_bad_number_is_named(field: str, value: object) -> None:
    with pytest.raises(sm.PourError) as found:
        sm.Pour(**{field: value})  # type: ignore[arg-type]
    assert found.value.field == field
    assert field in str(found.value)
    assert found.value.remedy


def test_unknown_field_and_missing_name() -> None:
    with pytest.raises(sm.PourError, match="batch: is not known here"):
        sm.Pour(batch_g=100, batch=100)  # type: ignore[call-arg]
    with pytest.raises(sm.PourError, match="by name only"):
        sm.Pour(100)  # type: ignore[misc]  # physics is keyword-only


def test_doses_of_a_recipe_can_not_be_changed() -> None:
    recipe = sm.predict({"gorse": 1}, pour=sm.Pour(batch_g=100)).recipe
    with pytest.raises(TypeError):
        recipe.doses["gorse"] = 5.0  # type: ignore[index]


def test_recipes_can_be_kept_in_sets() -> None:
    pour = sm.Pour(batch_g=100)
    assert len({sm.Recipe({"a": 1.0}, pour), sm.Recipe({"a": 1.0}, pour)}) == 1


@pytest.mark.parametrize(
    ("white", "base"),
    [
        (0.0, "clear base"),
        (0.002, "base with 0.2% white"),
        (0.125, "base with 12.5% white"),
        (0.5, "base with 50% white"),
        (1.0, "white base"),
    ],
)
def test_a_little_white_is_told_from_none(white: float, base: str) -> None:
    assert sm.Pour(batch_g=100, white=white).blend == base
    found = sm.feasibility("#c8d050", thicknesses_cm=(1.0,), whites=(white,))
    assert f"in 500 g of {base}, 1 cm thick" in found.sentence


@pytest.mark.parametrize("thickness_cm", [0.01, 0.19, 8.1, 10, 20, 100])
def test_odd_thicknesses_are_doubted(thickness_cm: float) -> None:
    with pytest.warns(ThicknessWarning, match="0.2 to 8 cm") as told:
        pour = sm.Pour(batch_g=100, thickness_cm=thickness_cm)
    assert pour.thickness_cm == thickness_cm
    assert told[0].filename == __file__  # where the person wrote it
    wanted = {10: "it is 1 cm", 20: "it is 2 cm"}.get(thickness_cm, "")
    assert wanted in str(told[0].message)


def test_what_is_no_bar_may_have_any_thickness() -> None:
    with warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always")
        sm.Pour(batch_g=100, thickness_cm=0.2)
        sm.Pour(batch_g=100, thickness_cm=8)
        sm.ladder({"gorse": 1}, along="thickness", pour=sm.Pour(batch_g=100, thickness_cm=4))
        sm.layers([({"gorse": 1}, 0.01), ({"dusk": 1}, 30)], pour=sm.Pour(batch_g=100))
        sm.wedge({"gorse": 1}, from_cm=0, to_cm=20, pour=sm.Pour(batch_g=100))
        sm.in_the_pot({"gorse": 1}, depth_cm=15, drop_mm=1)
    assert not said
