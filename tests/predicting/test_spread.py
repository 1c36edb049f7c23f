"""What readings of the ruler and the scale do, and the recipes that bear them best."""

from __future__ import annotations

import dataclasses
import pickle

import numpy as np
import pytest

import shadematch as sm
from shadematch.colour.difference import delta_e
from shadematch.matching.let_down import ToMake
from shadematch.predicting.sampled import strength_off
from shadematch.studio.recipe import Weighed
from tests.invented.batches import (
    WRONGLY_MADE,
    by_monte_carlo,
    let_downs_against_monte_carlo,
)
from tests.invented.problems import with_chalk


@pytest.mark.slow
@pytest.mark.parametrize(
    ("doses", "pour", "target"),
    [
        ({"gorse": 2, "rosehip": 1}, sm.Pour(batch_g=100), None),
        ({"gorse": 4, "dusk": 1}, sm.Pour(batch_g=200, white=0.05, thickness_cm=2), "#6a6a40"),
    ],
)
def test_against_a_hundred_thousand_squeezes(
    doses: dict[str, float], pour: sm.Pour, target: str | None
) -> None:
    s = sm.spread(doses, pour=pour, target=target)
    aim = np.array(s.nominal.lab if target is None else sm.Target.from_hex(target).lab)
    values = by_monte_carlo(s.recipe, aim, dose_slip=0.2, scale_g=1.0, seed=1)
    assert values.size == 100_000
    # Asked is 5 %; measured is at most 0.6 % over 24 recipes (tests.bench.batch spread).
    theirs = [values.mean(), *np.quantile(values, (0.5, 0.9, 0.95))]
    assert [s.mean, s.median, s.p90, s.p95] == pytest.approx(theirs, rel=0.02)


def test_small_errors_of_one_dose_by_hand() -> None:
    # With one small even error the colour moves along a line, so CIEDE2000 to the recipe's own
    # colour is even between 0 and its largest value: the quantiles are those shares of it.
    doses, ruler = {"dusk": 3}, 0.01
    s = sm.spread(doses, pour=sm.Pour(batch_g=100), dose_slip=ruler, scale_g=0.0)
    ends = [
        np.array(sm.predict({"dusk": 3 + e}, pour=sm.Pour(batch_g=100)).lab)
        for e in (-ruler, ruler)
    ]
    largest = float(np.mean([delta_e(end, np.array(s.nominal.lab)) for end in ends]))
    assert s.mean == pytest.approx(0.5 * largest, rel=0.01)
    assert s.median == pytest.approx(0.5 * largest, rel=0.01)
    assert s.p90 == pytest.approx(0.9 * largest, rel=0.01)
    assert s.p95 == pytest.approx(0.95 * largest, rel=0.01)
    # JCGM 100:2008 (GUM), 4.3.7: the standard deviation is the limit over root 3.
    slope = (ends[1] - ends[0]) / (2 * ruler)
    variance = np.outer(slope, slope) * ruler**2 / 3
    assert np.array(s.lab_covariance) == pytest.approx(variance, rel=0.02, abs=1e-9)
    assert s.shares == pytest.approx({"dusk": 1.0, "weighing clear base": 0.0})


def test_nothing_off_is_nothing_strayed() -> None:
    s = sm.spread({"gorse": 2}, dose_slip=0.0, scale_g=0.0, target="#d9822b")
    assert s.median == pytest.approx(s.nominal_delta_e, abs=1e-9)
    assert s.p95 == pytest.approx(s.nominal_delta_e, abs=1e-9)
    assert s.worst is None
    assert sm.spread({}, scale_g=0.0).p95 == pytest.approx(0.0, abs=1e-9)


def test_what_matters_most() -> None:
    s = sm.spread({"gorse": 9, "dusk": 1}, pour=sm.Pour(batch_g=400))
    assert sum(s.shares.values()) == pytest.approx(1.0)
    assert s.worst == "dusk"
    assert "dusk" in str(s)
    coarse = sm.spread({"gorse": 9, "dusk": 1}, pour=sm.Pour(batch_g=400), dose_slip=0.4)
    assert coarse.p90 > 1.5 * s.p90
    large = sm.spread({"gorse": 90, "dusk": 10}, pour=sm.Pour(batch_g=4000))
    assert large.p90 < 0.2 * s.p90
    blend = sm.spread({"dusk": 1}, pour=sm.Pour(batch_g=50, white=0.02))
    assert blend.worst == "weighing white base"


def test_the_whole_thing_is_a_frozen_card() -> None:
    s = sm.spread({"gorse": 2, "rosehip": 1}, target="#d9822b")
    assert s == sm.spread({"gorse": 2, "rosehip": 1}, target="#d9822b")
    assert pickle.loads(pickle.dumps(s)) == s
    assert "90 %" in s._repr_html_()
    assert "within" in str(s)
    with pytest.raises(dataclasses.FrozenInstanceError):
        s.p90 = 0.0  # type: ignore[misc]
    with pytest.raises(TypeError):
        s.shares["gorse"] = 0.0  # type: ignore[index]
    assert sm.spread(s.recipe, pour=s.recipe.pour).p90 > 0


def test_a_paste_that_scatters() -> None:
    # Its dose moves the scattering, which the layers for pure base can't follow.
    palette = with_chalk()
    pour = sm.Pour(batch_g=100)
    s = sm.spread({"gorse": 2, "chalk": 1}, palette=palette, pour=pour, scale_g=0.0)
    ends = [
        np.array(
            sm.predict({"gorse": 2, "chalk": 1 + e}, palette=palette, pour=sm.Pour(batch_g=100)).lab
        )
        for e in (-0.2, 0.2)
    ]
    far = max(float(delta_e(end, np.array(s.nominal.lab))) for end in ends)
    assert s.shares["chalk"] > 0.2
    assert 0.5 * far < s.p95 < 1.5 * far


@pytest.mark.parametrize(
    ("asked", "field"),
    [
        ({"dose_slip": -0.1}, "dose_slip"),
        ({"dose_slip": "2 mm"}, "dose_slip"),
        ({"dose_slip": float("nan")}, "dose_slip"),
        ({"scale_g": 150.0}, "scale_g"),
        ({"scale_g": True}, "scale_g"),
        ({"recipe": {"ink": 1}}, "pigment"),
        ({"recipe": [1, 2]}, "recipe"),
        ({"recipe": {"gorse": -1}}, "doses.gorse"),
        ({"target": 3}, "target"),
        (
            {
                "recipe": sm.Recipe({"gorse": 1.0}, sm.Pour(batch_g=100)),
                "pour": sm.Pour(batch_g=200),
            },
            "pour",
        ),
    ],
)
def test_bad_questions(asked: dict[str, object], field: str) -> None:
    arguments = {"recipe": {"gorse": 2}, **asked}
    with pytest.raises(sm.ShadematchError) as found:
        sm.spread(**arguments)  # type: ignore[arg-type]
    assert found.value.field == field
    assert found.value.remedy


# --- let-downs, and several lights


@pytest.mark.slow
def test_let_downs_against_a_hundred_thousand_squeezes() -> None:
    # Asked is 5 %; `python -m tests.bench.batch let-downs` measures more of them.
    assert let_downs_against_monte_carlo(0) < 0.05


def weighed(mass_g: float = 7.0, base_g: float = 50.0, **more: float) -> sm.Recipe:
    part = Weighed(sm.LetDown.made("rosehip", paste=1, base_g=base_g, **more), mass_g)
    return sm.Recipe({"rosehip": part.paste}, sm.Pour(batch_g=100), (part,))


def test_what_a_let_down_is_made_of_is_shared_by_all_of_it() -> None:
    # With the scale exact, the one error left is that of the paste in the let-down: 2 mm in
    # 1 cm. The colour is then that of a load a fifth off at most, whatever is dosed.
    recipe = weighed()
    s = sm.spread(recipe, scale_g=0.0)
    ends = [sm.predict({"rosehip": 0.14 * f}, pour=recipe.pour).lab for f in (0.8, 1.2)]
    far = [float(delta_e(np.array(end), np.array(s.nominal.lab))) for end in ends]
    assert s.mean == pytest.approx(0.25 * sum(far), rel=0.02)
    assert s.shares["making rosehip let-down"] == pytest.approx(1.0)
    assert s.let_down_paste == {"rosehip": 1.0}
    # Made of five times as much at once it is five times better known.
    better = sm.spread(recipe, scale_g=0.0, let_down_paste={"rosehip": 5})
    assert better.p90 == pytest.approx(s.p90 / 5, rel=0.05)
    # As much as the recipe takes is made, and enough for the scale.
    assert sm.spread(weighed(mass_g=60.0)).let_down_paste == {"rosehip": 2.0}
    assert sm.spread(weighed(base_g=2.0, mass_g=1.0)).let_down_paste == {"rosehip": 2.0}
    told = str(sm.spread(recipe))
    assert "made with 1 cm of paste at once" in told and "make more of it at once" in told
    again = sm.spread(recipe)
    assert pickle.loads(pickle.dumps(again)) == again


def test_strength_of_a_let_down_by_hand() -> None:
    # Paste alone is off, evenly: nine in ten lie within nine tenths of the limit.
    assert strength_off(2.0, 100.0, unit="cm", scale_g=0.0) == pytest.approx(
        0.9 * 0.2 / 2.0, rel=0.01
    )
    part = ToMake(sm.LetDown.made("rosehip", paste=2, base_g=100), 2.0, 100.0, 7.0)
    assert part.off == strength_off(2.0, 100.0, unit="cm")
    assert f"{part.off:.0%}" in str(part)


@pytest.mark.parametrize(
    ("asked", "field"),
    [
        *WRONGLY_MADE,
        ({"lights": ["moon"]}, "lights"),
    ],
)
def test_bad_let_downs(asked: dict[str, object], field: str) -> None:
    with pytest.raises(sm.ShadematchError) as found:
        sm.spread(**{"recipe": weighed(), **asked})  # type: ignore[arg-type]
    assert found.value.field == field
    assert found.value.remedy
