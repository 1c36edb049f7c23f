"""Ladders against single predictions."""

from __future__ import annotations

import pickle

import numpy as np
import pytest

import shadematch as sm
from shadematch.colour.difference import delta_e


@pytest.mark.parametrize("along", ["load", "thickness", "white"])
def test_ladder_is_a_row_of_predictions(along: str) -> None:
    doses = {"gorse": 1.0, "rosehip": 2.0}
    made = sm.ladder(doses, along=along, pour=sm.Pour(batch_g=100))  # type: ignore[arg-type]
    for at in (0, 57, 240):
        value = float(made.values[at])
        if along == "load":
            at_load = {n: d * value / 3.0 for n, d in doses.items()}
            one = sm.predict(at_load, pour=sm.Pour(batch_g=100))
        elif along == "thickness":
            one = sm.predict(doses, pour=sm.Pour(batch_g=100, thickness_cm=value))
        else:
            one = sm.predict(doses, pour=sm.Pour(batch_g=100, white=value))
        # One goes by the table, the other by a spline through it.
        assert float(delta_e(made.lab[at], np.array(one.lab))) < 1e-3
        assert made.hexes[at] == one.hex
    steps = np.interp(made.marks, made.values, made.path)
    assert np.diff(np.concatenate([[0.0], steps])) == pytest.approx(made.every, abs=1e-6)
    assert made.path[-1] - steps[-1] <= made.every
    assert made.here == {"load": 3.0, "thickness": 1.0, "white": 0.0}[along]


def test_ladders_of_one_question_are_equal() -> None:
    one, same = (
        sm.ladder({"dusk": 1}, along="thickness", values=(1, 2), pour=sm.Pour(batch_g=100))
        for _ in range(2)
    )
    assert one == same and len({one, same, pickle.loads(pickle.dumps(one))}) == 1
    palette = sm.demo_palette().only("dusk")
    grey = palette.pigments[0].model_copy(update={"absorption": (0.5,) * 36})
    palette = palette.model_copy(update={"pigments": (grey,)})
    for other in (
        sm.ladder({"dusk": 1}, along="thickness", values=(1, 3), pour=sm.Pour(batch_g=100)),
        sm.ladder(
            {"dusk": 1}, along="thickness", values=(1, 2), every=4.0, pour=sm.Pour(batch_g=100)
        ),
        sm.ladder(
            {"dusk": 1},
            along="thickness",
            values=(1, 2),
            palette=palette,
            pour=sm.Pour(batch_g=100),
        ),
        sm.ladder({"dusk": 2}, along="thickness", values=(1, 2), pour=sm.Pour(batch_g=100)),
    ):
        assert one != other
    assert one != "a ladder"


def test_ladder_of_given_values() -> None:
    made = sm.ladder({"dusk": 1}, along="thickness", values=(2, 1, 4), pour=sm.Pour(batch_g=100))
    assert made.values.tolist() == [1.0, 2.0, 4.0]
    assert "background:#" in made._repr_html_()
    assert "thickness [cm] from 1 to 4" in str(made)


@pytest.mark.parametrize(
    ("doses", "changes", "words"),
    [
        ({"dusk": 1}, {"along": "light"}, "along"),
        ({"dust": 1}, {"along": "load"}, "no such pigment"),
        ({"dusk": 0}, {"along": "load"}, "no paste"),
        ({"dusk": 1}, {"along": "load", "values": (1,)}, "values"),
        ({"dusk": 1}, {"along": "white", "values": (0, 1.2)}, "values"),
        ({"dusk": 1}, {"along": "thickness", "values": (0, 1)}, "values: needs .* thickness"),
        ({"dusk": 1}, {"along": "load", "values": (0, float("nan"))}, "values"),
        ({"dusk": 1}, {"along": "load", "values": ("1", "2")}, "values"),
        ({"dusk": 1}, {"along": "white", "values": [False, True]}, "values"),
        ({"dusk": 1}, {"along": "load", "every": 0}, "every"),
        ("dusk", {"along": "load"}, "doses"),
    ],
)
def test_bad_ladders_are_refused(doses: object, changes: dict[str, object], words: str) -> None:
    with pytest.raises(sm.ShadematchError, match=words):
        sm.ladder(doses, **changes)  # type: ignore[arg-type]
