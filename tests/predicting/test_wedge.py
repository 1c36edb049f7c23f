"""Wedges against stacks of layers and plain pours."""

from __future__ import annotations

import numpy as np
import pytest

import shadematch as sm
from shadematch.colour.difference import delta_e
from shadematch.colour.standards import WAVELENGTHS_NM
from shadematch.predicting.prediction import model_for
from shadematch.support.arrays import FloatArray

TABLE = 1e-5  # twice what test_layer.py allows the table


VIEWS = (
    sm.View(),
    sm.View(backing="black", contact="wet", illuminant="A", observer="10"),
    sm.View(through=True),
)


@pytest.mark.parametrize("view", VIEWS, ids=str)
@pytest.mark.parametrize("white", [0.0, 0.15])
def test_wedge_is_a_row_of_stacks_and_its_ends_are_plain_pours(view: sm.View, white: float) -> None:
    pour = sm.Pour(batch_g=200, white=white)
    doses = {"rosehip": 3, "kelp": 1}
    wedge = sm.wedge(doses, from_cm=0.5, to_cm=2.5, steps=5, pour=pour, view=view)
    assert wedge.coloured_cm == (0.5, 1.0, 1.5, 2.0, 2.5)
    assert wedge.clear_cm == (2.0, 1.5, 1.0, 0.5, 0.0)

    def plain(thickness: float) -> FloatArray:
        at = pour.model_copy(update={"thickness_cm": thickness})
        return sm.predict(doses, pour=at, view=view).reflectance

    assert np.abs(wedge.shades[-1].reflectance - plain(2.5)).max() < TABLE
    middle = sm.layers(
        [({}, 1.0), (sm.Recipe(doses, pour), 1.5)], view=view, pour=sm.Pour(batch_g=100)
    )
    if white == 0.0:
        middle = sm.layers([({}, 1.0), (doses, 1.5)], pour=pour, view=view)
    else:
        clear = sm.Recipe({}, sm.Pour(batch_g=100))
        middle = sm.layers([(clear, 1.0), (doses, 1.5)], pour=pour, view=view)
    assert wedge.shades[2].lab == pytest.approx(middle.lab, abs=1e-9)
    bare = sm.wedge(doses, from_cm=0.5, to_cm=2.5, steps=5, pour=pour, view=view, clear_top=False)
    for thickness, shade in zip(bare.coloured_cm, bare.shades, strict=True):
        assert np.abs(shade.reflectance - plain(thickness)).max() < TABLE


def test_wedge_from_nothing_starts_as_clear_base() -> None:
    wedge = sm.wedge({"dusk": 2}, from_cm=3, to_cm=0, height_cm=4, pour=sm.Pour(batch_g=100))
    clear = sm.predict({}, pour=sm.Pour(batch_g=100, thickness_cm=4)).reflectance
    assert np.abs(wedge.shades[-1].reflectance - clear).max() < TABLE
    assert wedge.clear_cm[0] == 1.0
    # In clear base under the same light, more colour is darker all the way.
    assert np.all(np.diff([shade.xyz[1] for shade in wedge.shades]) > 0)


def test_clear_on_top_is_clear_base_and_not_air() -> None:
    # Its own absorption and scattering count: not the same as the bare layer.
    topped = sm.wedge(
        {"dusk": 2}, from_cm=1, to_cm=1, height_cm=4, steps=2, pour=sm.Pour(batch_g=100)
    ).shades[0]
    bare = sm.predict({"dusk": 2}, pour=sm.Pour(batch_g=100)).lab
    model = model_for(sm.demo_palette(), 1.0, 0.0, sm.View())
    assert 0.3 < delta_e(np.array(topped.lab), np.array(bare)) < 10
    assert model.base_scattering.max() > 0
    assert topped.reflectance.size == WAVELENGTHS_NM.size


@pytest.mark.parametrize(
    ("options", "field"),
    [
        ({"from_cm": -1}, "from_cm"),
        ({"to_cm": 101}, "to_cm"),
        ({"to_cm": "2"}, "to_cm"),
        ({"steps": 1}, "steps"),
        ({"steps": 2.5}, "steps"),
        ({"height_cm": 1.5}, "height_cm"),
        ({"height_cm": float("inf")}, "height_cm"),
        ({"clear_top": False}, "from_cm"),
        ({"from_cm": 1, "clear_top": False, "height_cm": 4}, "height_cm"),
        ({"to_cm": 0}, "height_cm"),
    ],
)
def test_wedge_refuses(options: dict[str, object], field: str) -> None:
    given = {"from_cm": 0, "to_cm": 2, **options}
    with pytest.raises(sm.PourError) as found:
        sm.wedge({"gorse": 1}, **given)  # type: ignore[arg-type]
    assert found.value.field == field
