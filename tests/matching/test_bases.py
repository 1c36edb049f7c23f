"""In a further base every verb answers as with a palette whose clear base it is."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

import shadematch as sm
from shadematch.colour.difference import delta_e
from shadematch.plots import walk
from tests.invented import worlds
from tests.invented.bases import BROWN, browned

CODE = "#b8752c"
NAMED = sm.Pour(batch_g=300, white=0.1, base=BROWN)
PLAIN = sm.Pour(batch_g=300, white=0.1)
DOSES = {"gorse": 3.0, "rosehip": 1.0}

Asked = Callable[[sm.Palette, sm.Pour], Any]
VERBS: dict[str, Asked] = {
    "match": lambda p, pour: sm.match(CODE, palette=p, pour=pour).closest.delta_e,
    "bound": lambda p, pour: sm.match(CODE, palette=p, pour=pour).bound,
    "ideal": lambda p, pour: sm.match(CODE, palette=p, pour=pour).ideal.delta_e,
    "robust": lambda p, pour: sm.match(CODE, palette=p, pour=pour, robust=True).recipe.doses,
    "known": lambda p, pour: sm.match(CODE, palette=p.known_to(0.1), pour=pour).recipe.doses,
    "lights": lambda p, pour: sm.match(CODE, palette=p, pour=pour, lights=["D65", "A"]).delta_e,
    "predict": lambda p, pour: sm.predict(DOSES, palette=p, pour=pour).lab,
    "spread": lambda p, pour: sm.spread(DOSES, palette=p, pour=pour, target=CODE).p90,
    "doubted": lambda p, pour: sm.spread(DOSES, palette=p.known_to(0.1), pour=pour).mean,
    "layers": lambda p, pour: sm.layers([(DOSES, 0.5)], palette=p, pour=pour).seen.lab,
    "wedge": lambda p, pour: (
        sm.wedge(DOSES, from_cm=0.2, to_cm=1, palette=p, pour=pour, clear_top=False).shades[3].lab
    ),
    "pot": lambda p, pour: sm.in_the_pot(DOSES, depth_cm=6, palette=p, pour=pour).pot.lab,
    "gamut": lambda p, pour: (
        sm.gamut(palette=p.only("gorse", "dusk"), pour=pour).nearest("#f4f4ff").delta_e
    ),
    "walk": lambda p, pour: walk(sm.gamut(palette=p, pour=pour)).recipe(
        {"lightness": 60, "thickness": 1, "white": 10, "batch": 300, "a": 20, "b": 30},
        proved=True,
    )["hex"],
    "ladder": lambda p, pour: sm.ladder(DOSES, along="white", palette=p, pour=pour).lab.tolist(),
    "feasibility": lambda p, pour: sm.feasibility(
        CODE, palette=p, pour=pour, thicknesses_cm=(1, 2), whites=(0, 0.2)
    ).delta_e.tolist(),
    "smallest batch": lambda p, pour: (
        sm.smallest_batch(CODE, palette=p, pour=pour, within=2, step_g=100).curve[-1].delta_e
    ),
    "let-down": lambda p, pour: (
        sm.propose_let_down("#f2ead2", palette=p, pour=pour, max_let_downs=1).closest.delta_e
    ),
    "match_many": lambda p, pour: [m.delta_e for m in sm.match_many([CODE], palette=p, pour=pour)],
    "correct": lambda p, pour: (
        sm.correct(DOSES, (62, 28, 52), CODE, palette=p, pour=pour, within=5).advice.p90
    ),
}


@pytest.mark.parametrize("verb", VERBS)
def test_as_with_a_palette_whose_clear_it_is(verb: str) -> None:
    palette = browned()
    ask = VERBS[verb]
    there = ask(palette, NAMED)
    assert there == ask(palette.in_base(BROWN), PLAIN)
    assert there != ask(palette, PLAIN)
    with pytest.raises(sm.UnknownNameError, match="Did you mean"):
        ask(palette, NAMED.model_copy(update={"base": "clear with vanila"}))


@pytest.mark.parametrize("white", [0.0, 0.05, 0.5])
def test_its_colour_is_that_of_another_solver(white: float) -> None:
    # Layers by iadpython (adding-doubling, S. A. Prahl), tabulated in tests/reference, with the
    # library's index and asymmetry; blends by mass.
    palette = browned()
    brown, opaque = palette.base(BROWN), palette.white
    u, v = (
        (1 - white) * np.array(getattr(brown, what)) + white * np.array(getattr(opaque, what))
        for what in ("absorption", "scattering")
    )
    seen = worlds.layer(u, v, sm.View().backing_reflectance, through=False, own=True)
    pour = sm.Pour(batch_g=100, white=white, base=BROWN)
    lab = sm.predict({}, palette=palette, pour=pour).lab
    assert delta_e(np.array(lab), worlds.lab_of(seen)) < 0.1
    assert lab[2] > sm.predict({}, palette=palette, pour=sm.Pour(white=white)).lab[2] + 5


def test_layers_of_several_bases() -> None:
    palette = browned()
    top, below = sm.Recipe({}, sm.Pour(batch_g=100, base=BROWN)), sm.Recipe({}, sm.Pour())
    found = sm.layers([(top, 0.5), (below, 0.5)], palette=palette)
    assert found.labels[0] == f'plain base "{BROWN}"'
    mean = [
        0.5 * (np.array(a) + np.array(b))
        for a, b in (
            (palette.clear.absorption, palette.base(BROWN).absorption),
            (palette.clear.scattering, palette.base(BROWN).scattering),
        )
    ]
    # Two layers that scatter hardly look as one of their mean.
    blend = sm.Base(absorption=tuple(mean[0].tolist()), scattering=tuple(mean[1].tolist()))
    one = sm.predict({}, palette=sm.Palette(**{**dict(palette), "clear": blend}))
    assert delta_e(np.array(found.seen.lab), np.array(one.lab)) < 0.3


def test_a_verdict_tells_of_the_other_bases() -> None:
    pour = sm.Pour(batch_g=500, base=BROWN)
    found = sm.match("#f4f4ff", palette=browned(depth=1.0), pour=pour)
    assert any(text.startswith("Clear base: ") for text in found.verdict.help)


def test_the_same_look_in_another_base() -> None:
    palette = browned(depth=0.05)
    recipe = sm.match("#b8452c", palette=palette, pour=PLAIN).recipe
    look = sm.same_look(recipe, to_pour=NAMED, palette=palette)
    assert look.recipe.pour.base == BROWN and look.delta_e < 3
    wanted = sm.predict(recipe, palette=palette).lab
    there = sm.predict(look.recipe, palette=palette).lab
    assert float(delta_e(np.array(there), np.array(wanted))) == pytest.approx(look.delta_e)


def test_a_correction_stays_in_its_base() -> None:
    palette = browned()
    recipe = sm.Recipe({"gorse": 3.0, "rosehip": 2.0}, NAMED)
    off = sm.predict({"gorse": 3.0, "rosehip": 2.2}, palette=palette, pour=NAMED).lab
    goal = sm.predict({"gorse": 3.0, "rosehip": 1.2}, palette=palette, pour=NAMED).lab
    found = sm.correct(
        recipe, off, sm.Target.from_lab(goal), palette=palette, within=0.5, bases=["clear"]
    )
    assert found.advice.recipe.pour.base == BROWN and found.advice.clear_g > 0
    assert f'g base "{BROWN}"' in str(found.advice)
    assert found.palette.bases == palette.bases and found.palette.clear == palette.clear
    again = sm.correct(found, goal, sm.Target.from_lab(goal), within=0.5)
    assert again.recipe.pour.base == BROWN
