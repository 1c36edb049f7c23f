"""What must not change an answer, and what may only make it better or worse.

Each is a fact about the job, not about the code: a recipe does not care in which order its pastes
are listed; twice the mass with twice the doses is the same soap; half a paste in each of two tubes
is the paste; more choice is never worse.
"""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest
from hypothesis import given, strategies as st

import shadematch as sm
from shadematch.colour.difference import delta_e
from shadematch.matching.match import Match
from tests.whole.fuzz_calls import PASTES, palette
from tests.whole.test_properties import dosed, examples, lab, pours, views

pytestmark = pytest.mark.filterwarnings("ignore::shadematch.errors.ThicknessWarning")

HAIR = 1e-9


def reordered(old: sm.Palette, order: list[int]) -> sm.Palette:
    return sm.Palette(
        pigments=tuple(old.pigments[i] for i in order), clear=old.clear, white=old.white
    )


def target_of(colour: tuple[float, float, float]) -> sm.Target:
    """The nearest colour of that hue that a surface can have, found by fading it."""
    for share in (1.0, 0.7, 0.4, 0.2, 0.0):
        try:
            return sm.Target.from_lab((colour[0], share * colour[1], share * colour[2]))
        except sm.ColourError:
            continue
    raise AssertionError(colour)


targets = lab.map(target_of)
roomy = st.builds(
    sm.Pour,
    batch_g=st.floats(100, 300),
    thickness_cm=st.floats(0.1, 10),
    white=st.sampled_from([0.0, 0.0, 0.05, 0.5, 1.0]),
    max_load=st.floats(2, 4),
    dose_step=st.sampled_from([1.0, 0.5, 0.7]),
)
"""Pours that take two steps of paste at least."""


# --- predictions


@examples(10, 400)
@given(dosed, pours, views, st.permutations([0, 1, 2]))
def test_order_of_pigments_changes_no_prediction(
    doses: dict[str, float], pour: sm.Pour, view: sm.View, order: list[int]
) -> None:
    one = sm.predict(doses, palette=palette(), pour=pour, view=view)
    other = sm.predict(
        dict(reversed(doses.items())), palette=reordered(palette(), order), pour=pour, view=view
    )
    np.testing.assert_allclose(one.lab, other.lab, atol=HAIR)


@examples(10, 400)
@given(dosed, pours, views, st.sampled_from([2.0, 10.0, 0.5]))
def test_as_much_more_of_everything_is_the_same_soap(
    doses: dict[str, float], pour: sm.Pour, view: sm.View, times: float
) -> None:
    one = sm.predict(doses, palette=palette(), pour=pour, view=view)
    larger = pour.model_copy(update={"batch_g": times * pour.batch_g})
    other = sm.predict(
        {name: times * dose for name, dose in doses.items()},
        palette=palette(),
        pour=larger,
        view=view,
    )
    np.testing.assert_allclose(one.lab, other.lab, atol=HAIR)


@examples(10, 400)
@given(st.floats(0, 20), st.floats(0, 1), pours, views)
def test_a_paste_in_two_tubes_is_the_paste(
    dose: float, share: float, pour: sm.Pour, view: sm.View
) -> None:
    old = palette()
    twin = old.pigments[0].model_copy(update={"name": "the other tube"})
    two = sm.Palette(pigments=(*old.pigments, twin), clear=old.clear, white=old.white)
    name = old.pigments[0].name
    one = sm.predict({name: dose}, palette=old, pour=pour, view=view)
    split = {name: share * dose, "the other tube": (1 - share) * dose}
    other = sm.predict(split, palette=two, pour=pour, view=view)
    np.testing.assert_allclose(one.lab, other.lab, atol=HAIR)


@examples(10, 400)
@given(dosed, pours, st.sampled_from(["D65", "A"]), st.sampled_from(PASTES), st.floats(0.1, 10))
def test_more_paste_that_only_absorbs_never_reflects_more(
    doses: dict[str, float], pour: sm.Pour, light: str, name: str, more: float
) -> None:
    view = sm.View(illuminant=light)
    less = sm.predict(doses, palette=palette(), pour=pour, view=view)
    extra = {**doses, name: doses.get(name, 0.0) + more}
    found = sm.predict(extra, palette=palette(), pour=pour, view=view)
    assert np.all(found.reflectance <= less.reflectance + 1e-7)


# --- matches


def matched(target: sm.Target, **changes: Any) -> Match:
    return sm.match(target, **{"palette": palette(), **changes})


@examples(4, 150)
@given(targets, roomy, views, st.permutations([0, 1, 2]))
def test_order_of_pigments_changes_no_match(
    target: sm.Target, pour: sm.Pour, view: sm.View, order: list[int]
) -> None:
    one = matched(target, pour=pour, view=view)
    other = matched(target, pour=pour, view=view, palette=reordered(palette(), order))
    assert abs(one.closest.delta_e - other.closest.delta_e) < 1e-7
    assert one.frugal.recipe.total == other.frugal.recipe.total


@examples(4, 150)
@given(targets, roomy, views)
def test_the_same_question_has_the_same_answer(
    target: sm.Target, pour: sm.Pour, view: sm.View
) -> None:
    one, other = matched(target, pour=pour, view=view), matched(target, pour=pour, view=view)
    assert one == other
    assert str(one) == str(other)
    many = next(sm.match_many([target], palette=palette(), pour=pour, view=view))
    assert many.closest.recipe == one.closest.recipe
    assert many.frugal.recipe == one.frugal.recipe


@examples(4, 150)
@given(targets, roomy, views)
def test_double_mass_and_double_step_is_the_same_match(
    target: sm.Target, pour: sm.Pour, view: sm.View
) -> None:
    larger = pour.model_copy(update={"batch_g": 2 * pour.batch_g, "dose_step": 2 * pour.dose_step})
    one, other = matched(target, pour=pour, view=view), matched(target, pour=larger, view=view)
    assert abs(one.closest.delta_e - other.closest.delta_e) < 1e-7


@examples(4, 150)
@given(targets, roomy, views)
def test_a_larger_palette_is_never_worse(target: sm.Target, pour: sm.Pour, view: sm.View) -> None:
    few = matched(target, pour=pour, view=view, palette=palette().only("gorse", "jetty"))
    many = matched(target, pour=pour, view=view)
    assert many.closest.delta_e <= few.closest.delta_e + HAIR
    assert many.bound <= few.closest.delta_e + HAIR


@examples(4, 150)
@given(targets, roomy, views, st.floats(1.0, 2.0))
def test_tighter_limits_are_never_better(
    target: sm.Target, pour: sm.Pour, view: sm.View, times: float
) -> None:
    wide = pour.model_copy(update={"max_load": pour.max_load * times})
    loose = matched(target, pour=wide, view=view)
    tight = matched(target, pour=pour, view=view)
    alone = matched(target, pour=pour, view=view, max_pigments=1)
    without = matched(target, pour=pour, view=view, must_avoid=("rosehip",))
    assert loose.closest.delta_e <= tight.closest.delta_e + HAIR
    assert tight.closest.delta_e <= alone.closest.delta_e + HAIR
    assert tight.closest.delta_e <= without.closest.delta_e + HAIR


@examples(4, 150)
@given(targets, roomy, views)
def test_an_answer_is_what_it_says(target: sm.Target, pour: sm.Pour, view: sm.View) -> None:
    found = matched(target, pour=pour, view=view)
    wanted = target.lab_in(view)
    for choice in (found.closest, found.frugal, *found.choices):
        again = sm.predict(choice.recipe.doses, palette=palette(), pour=pour, view=view)
        assert abs(float(delta_e(np.array(again.lab), wanted)) - choice.delta_e) < 1e-7
        assert choice.recipe.load <= pour.max_load * (1 + 1e-9) + 1e-9
    assert found.bound <= found.closest.delta_e + HAIR
    assert found.frugal.delta_e <= found.closest.delta_e + found.tolerance + HAIR
    assert found.frugal.recipe.total <= found.closest.recipe.total + HAIR


@examples(4, 150)
@given(lab, st.floats(0.001, 1.0), st.floats(0, 2 * np.pi), roomy)
def test_a_hair_across_the_jump_of_hue_moves_the_answer_by_a_hair(
    colour: tuple[float, float, float], chroma: float, hue: float, pour: sm.Pour
) -> None:
    # Two nearly grey targets side by side. CIEDE2000 jumps where hues are opposite, by as much as
    # the jump of its hue term allows; near grey that is small, and so must the answers' be.
    step = 1e-6
    pair = [
        sm.Target((colour[0], chroma * np.cos(h), chroma * np.sin(h))) for h in (hue, hue + step)
    ]
    one, other = (matched(t, pour=pour) for t in pair)
    recipe = one.closest.recipe.doses
    there = np.array(sm.predict(recipe, palette=palette(), pour=pour).lab)
    moved = float(delta_e(there, np.array(pair[1].lab)))
    # The first answer, judged by the second target, bounds the second answer from above.
    assert other.closest.delta_e <= moved + HAIR
    assert other.bound <= moved + HAIR


@examples(4, 60)
@given(st.tuples(st.floats(20, 80), st.floats(-40, 40), st.floats(-40, 40)), roomy)
def test_whole_doses_are_never_nearer_than_the_gamut(
    colour: tuple[float, float, float], pour: sm.Pour
) -> None:
    target = target_of(colour)
    shape = sm.gamut(palette=palette(), pour=pour)
    assert shape.nearest(target).bound <= matched(target, pour=pour).closest.delta_e + HAIR


# --- orders


@examples(4, 40)
@given(st.lists(st.integers(1, 12), min_size=1, max_size=3), st.integers(0, 2), st.integers(0, 2))
def test_more_on_the_shelf_never_makes_a_plan_worth_less(
    bars: list[int], gorse: int, jetty: int
) -> None:
    orders = [
        sm.Order(name=str(i), target="#8a8a30", bars=n, pour=sm.Pour(batch_g=300))
        for i, n in enumerate(bars)
    ]
    few = sm.plan(orders, sm.Stock.of({"gorse": gorse, "jetty": jetty}), palette=palette())
    more = {"gorse": gorse + 1, "jetty": jetty + 1, "rosehip": 1}
    many = sm.plan(orders, sm.Stock.of(more), palette=palette())
    assert many.value >= few.value - 1e-6


@examples(10, 200)
@given(doses=dosed, pour=pours)
def test_saved_recipes_come_back(
    doses: dict[str, float], pour: sm.Pour, tmp_path_factory: Any
) -> None:
    place = tmp_path_factory.mktemp("saved") / "a.json"
    recipe = sm.Recipe(doses, pour)
    sm.save(recipe, place, palette=palette())
    back = sm.read(place)
    assert dataclasses.replace(back.recipe) == sm.Recipe(
        {n: doses[n] for n in palette().names if doses.get(n)}, pour
    )
    assert sm.repeat(back, palette=palette()).same
