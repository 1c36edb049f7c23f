"""Masses and dose steps over whole ranges."""

from __future__ import annotations

import math
import pickle
import warnings
from fractions import Fraction

import pytest
from hypothesis import given, settings, strategies as st

import shadematch as sm
from shadematch.errors import ThicknessWarning

steps = st.sampled_from([1.0, 0.5, 0.25, 0.1, 0.05])


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
