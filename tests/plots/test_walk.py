"""A walk answers what searches answer, at once or proved, and stays a figure without anywidget."""

from __future__ import annotations

import sys
from typing import Any

import matplotlib as mpl
import numpy as np
import pytest

import shadematch as sm
from shadematch import plots
from shadematch.colour.difference import delta_e

mpl.use("Agg")

ASKED = {"lightness": 60, "thickness": 1.0, "white": 0, "batch": 500, "a": 20, "b": 40}


@pytest.fixture(scope="module")
def walked() -> plots.Walk:
    return plots.walk(sm.gamut())


@pytest.mark.parametrize("place", [(20, 40), (-40, 30), (0, 0), (50, -20), (80, 80)])
def test_the_first_recipe_is_permitted_and_told_truly(
    walked: plots.Walk, place: tuple[int, int]
) -> None:
    told = walked.recipe({**ASKED, "a": place[0], "b": place[1]}, proved=False)
    pour = sm.Pour(batch_g=500)
    doses = dict(told["doses"])
    assert all(dose == round(dose) and dose > 0 for dose in doses.values())
    assert sum(doses.values()) <= 4.0 * 5
    seen = sm.predict(doses, pour=pour)
    wanted = np.array([60.0, *place])
    assert told["delta_e"] == pytest.approx(float(delta_e(np.array(seen.lab), wanted)), abs=1e-6)
    assert told["hex"] == seen.hex and told["shown"] == seen.in_srgb
    # It is no better than what is proved.
    best = sm.match(sm.Target.from_lab(tuple(wanted.tolist())), pour=pour)
    assert told["delta_e"] >= best.bound - 1e-9


def test_the_proved_recipe_is_the_match(walked: plots.Walk) -> None:
    told = walked.recipe(ASKED, proved=True)
    found = sm.match(sm.Target.from_lab((60, 20, 40)), pour=sm.Pour(batch_g=500))
    assert dict(told["doses"]) == dict(found.recipe.doses)
    assert told["proof"] == found.proof and told["delta_e"] == found.delta_e
    assert told["median"] <= told["p90"]


def test_the_first_look_at_a_cut_is_near_the_searched_one(walked: plots.Walk) -> None:
    first, searched = (walked.cut(ASKED, exact=exact) for exact in (False, True))
    keys = ("left", "foot", "step", "columns")
    assert [first[k] for k in keys] == [searched[k] for k in keys]
    one, other = (np.array(cut["made"], dtype=bool) for cut in (first, searched))
    assert other.sum() > 100
    assert (one & other).sum() / (one | other).sum() > 0.8
    rgb = np.array(first["rgb"])
    assert rgb.min() >= 0 and rgb.max() <= 255 and 0 < np.mean(first["shown"]) < 1


def test_it_is_a_figure_without_anywidget(
    walked: plots.Walk, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "anywidget", None)
    bundle = walked._repr_mimebundle_()
    assert set(bundle) == {"text/plain", "text/html"} and "<svg" in bundle["text/html"]


def test_the_widget_answers_its_page(walked: plots.Walk) -> None:
    pytest.importorskip("anywidget")
    from shadematch.plots.walk import widget_of

    shown = widget_of(walked)
    sent: list[Any] = []
    shown.send = sent.append
    shown._handle_custom_msg({**ASKED, "number": 7, "cut": True}, [])
    (answer,) = sent
    assert answer["asked"] == 7 and "proof" not in answer["recipe"]
    assert answer["cut"]["exact"] is False
