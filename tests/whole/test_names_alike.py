"""Names of pigments: capitals or not is one, and a slip is met with what was meant."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import shadematch as sm
from shadematch.planning.stock import Tubes
from shadematch.studio.recipe import Weighed

POUR = sm.Pour(batch_g=200, thickness_cm=1.5)
DOSES = {"rosehip": 3.0, "gorse": 2.0}
LOUD = {"Gorse": 2.0, "ROSEHIP": 3.0}
MADE = sm.LetDown.made("rosehip", paste=1, base_g=50)
CALLED = sm.LetDown.made("Rosehip", paste=1, base_g=50)


def weighed(doses: dict[str, float], let_down: sm.LetDown) -> sm.Recipe:
    part = Weighed(let_down, 20.0)
    gorse = next(name for name in doses if name.casefold() == "gorse")
    return sm.Recipe({gorse: 2.0, let_down.pigment: part.paste}, POUR, (part,))


CALLS: dict[str, Callable[..., object]] = {
    "predict": lambda doses, _: sm.predict(doses, pour=POUR),
    "predict a recipe": lambda doses, _: sm.predict(sm.Recipe(doses, POUR)),
    "spread": lambda doses, _: sm.spread(doses, pour=POUR),
    "spread of let-downs": lambda doses, let_down: sm.spread(
        weighed(doses, let_down), let_down_paste={let_down.pigment: 2}
    ),
    "pot": lambda doses, _: sm.in_the_pot(doses, pour=POUR),
    "layers": lambda doses, _: sm.layers([(doses, 1.0)], pour=sm.Pour(batch_g=100)),
    "wedge": lambda doses, _: sm.wedge(doses, from_cm=0, to_cm=1, pour=sm.Pour(batch_g=100)).hexes,
    "ladder": lambda doses, _: sm.ladder(doses, along="load", pour=POUR),
    "correct": lambda doses, _: sm.correct(doses, (50, 40, 40), "#d9822b", pour=POUR).advice,
    "correct let-downs": lambda doses, let_down: (
        sm.correct(weighed(doses, let_down), (50, 40, 40), "#d9822b").advice
    ),
    "added": lambda doses, _: (
        sm.correct(sm.Recipe(DOSES, POUR), (50, 40, 40), "#d9822b").added(doses).made
    ),
    "cost": lambda doses, _: sm.cost(sm.Recipe(doses, POUR)),
    "lights": lambda doses, _: sm.lights(sm.Recipe(doses, POUR), "#d9822b"),
    "same look": lambda doses, _: (
        sm.same_look(sm.Recipe(doses, POUR), to_pour=sm.Pour(batch_g=300)).recipe
    ),
    "limits": lambda doses, _: sm.match("#7a3b2e", pour=POUR, must_use=[*doses]).recipe,
    "let-downs": lambda _, let_down: sm.match("#f4d9c6", pour=POUR, let_downs=[let_down]).recipe,
    "some": lambda doses, _: sm.demo_palette().only(*doses),
    "shelf": lambda doses, _: sm.Stock(tubes=[Tubes(pigment=n, price=3) for n in doses]).price(
        "gorse", PRICED
    ),
    "plan": lambda doses, _: [
        line.recipe
        for line in sm.plan(
            [sm.Order(name="a", recipe=sm.Recipe(doses, POUR), mass_g=200)],
            sm.Stock(tubes=[Tubes(pigment=n, full=2) for n in doses]),
        ).poured
    ],
}
PRICED = sm.demo_palette()


@pytest.mark.parametrize("name", CALLS)
def test_capitals_or_not_is_one(name: str) -> None:
    assert CALLS[name](LOUD, CALLED) == CALLS[name](DOSES, MADE)


def test_saved_with_capitals_is_the_same_recipe(tmp_path: Path) -> None:
    palette = sm.demo_palette()
    kept = []
    for at, doses in enumerate((LOUD, DOSES)):
        sm.save(sm.Recipe(doses, POUR), tmp_path / f"{at}.json", palette=palette)
        kept.append(sm.read(tmp_path / f"{at}.json").recipe)
    assert kept[0] == kept[1] == sm.predict(DOSES, pour=POUR).recipe


def test_what_was_meant_is_asked() -> None:
    for slip, meant in (("gorze", "gorse"), ("Rose hip", "rosehip"), ("DSUK", "dusk")):
        with pytest.raises(sm.UnknownNameError, match=f"Did you mean {meant}\\? It has gorse"):
            sm.predict({slip: 1}, pour=sm.Pour(batch_g=100))
    with pytest.raises(sm.UnknownNameError) as found:
        sm.predict({"ultramarine": 1}, pour=sm.Pour(batch_g=100))
    assert "Did you mean" not in str(found.value) and "It has gorse" in str(found.value)


def test_a_pigment_named_in_two_ways_is_refused() -> None:
    with pytest.raises(sm.UnknownNameError, match="appears twice"):
        sm.predict({"gorse": 1, "Gorse": 1}, pour=sm.Pour(batch_g=100))


def test_two_pigments_that_differ_in_capitals_stay_two() -> None:
    demo = sm.demo_palette()
    both = tuple(
        sm.Pigment(name=name, absorption=p.absorption)
        for name, p in zip(("gorse", "Gorse"), demo.pigments, strict=False)
    )
    palette = sm.Palette(pigments=both, clear=demo.clear, white=demo.white)
    assert palette.index("gorse") == 0 and palette.index("Gorse") == 1
    with pytest.raises(sm.UnknownNameError):
        palette.index("GORSE")


def test_series_and_whole_numbers_are_doses() -> None:
    wanted = sm.predict(DOSES, pour=POUR)
    for doses in (
        pd.Series(DOSES),
        pd.Series({"rosehip": 3, "gorse": 2}),
        {name: np.int64(dose) for name, dose in DOSES.items()},
        {name: np.float32(dose) for name, dose in DOSES.items()},
    ):
        assert sm.predict(doses, pour=POUR) == wanted
        assert sm.predict(sm.Recipe(doses, POUR)) == wanted
        assert {type(dose) for dose in sm.Recipe(doses, POUR).doses.values()} == {float}
        assert sm.spread(doses, pour=POUR) == sm.spread(DOSES, pour=POUR)
        sm.correct(doses, wanted.lab, "#d9822b", pour=POUR)
        bar = sm.TestPour.from_lab(doses, (50, 40, 40), pour=POUR)
        assert bar == sm.TestPour.from_lab(DOSES, (50, 40, 40), pour=POUR)
    with pytest.raises(sm.PourError, match=r"doses\.gorse"):
        sm.predict(pd.Series({"gorse": np.nan}))
