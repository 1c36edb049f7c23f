"""What all figures have in common: names stay names, and a library that is missing is named."""

from __future__ import annotations

import sys
from collections.abc import Callable

import matplotlib as mpl
import pytest

import shadematch as sm
from shadematch import plots

mpl.use("Agg")

ODD = "$\\frac$ <b>"
POUR = sm.Pour(batch_g=300)
LET_DOWN = sm.LetDown.made(ODD, paste=1, base_g=50)


@pytest.fixture(scope="module")
def drawings() -> dict[str, Callable[[], object]]:
    """A call of every function that draws, of results with a name that looks like a formula."""
    demo = sm.demo_palette()
    odd = demo["gorse"].model_copy(update={"name": ODD})
    palette = demo.model_copy(update={"pigments": (odd, demo["rosehip"], demo["jetty"])})
    gamut = sm.gamut(palette=palette, pour=sm.Pour(batch_g=100))
    cut = gamut.slice(lightness=60, step=20)
    whole = gamut.whole(lightness=60, step=20, batches_g=(100, 200))
    feasible = sm.feasibility("#d9b02b", palette=palette, thicknesses_cm=(1,), whites=(0,))
    compared = feasible.compare(palette.without("jetty"), name=ODD)
    match = sm.match("#f0e0a0", palette=palette, let_downs=[LET_DOWN], pour=sm.Pour(batch_g=100))
    assert match.recipe.weighed
    stack = sm.layers([({ODD: 2.0}, 0.5), ({}, 0.5)], palette=palette, pour=sm.Pour(batch_g=100))
    wedge = sm.wedge(
        {ODD: 2.0}, from_cm=0.2, to_cm=1.0, steps=3, palette=palette, pour=sm.Pour(batch_g=100)
    )
    recipe = sm.Recipe({ODD: 2.0}, POUR)
    look = sm.same_look(recipe, palette=palette, to_pour=sm.Pour(batch_g=600))
    smallest = sm.smallest_batch("#d9b02b", palette=palette, within=5, step_g=50, largest_g=200)
    orders = [sm.Order(name=ODD, target="#d9b02b", bars=3, pour=POUR)]
    plan = sm.plan(orders, sm.Stock.of(dict.fromkeys(palette.names, 1)), palette=palette)
    assert plan.poured
    off = sm.correct(recipe, (80, 5, 60), "#d9b02b", palette=palette)
    strays = sm.spread(recipe, palette=palette, target="#d9b02b")
    ladder = sm.ladder({ODD: 1.0}, along="load", palette=palette, pour=sm.Pour(batch_g=100))
    return {
        "draw_batches": lambda: plots.draw_batches(smallest),
        "draw_choices": lambda: plots.draw_choices(match),
        "draw_correction": lambda: plots.draw_correction(off),
        "draw_spread": lambda: plots.draw_spread(strays),
        "draw_comparison": lambda: plots.draw_comparison(compared),
        "draw_feasibility": lambda: plots.draw_feasibility(feasible),
        "draw_ladder": lambda: plots.draw_ladder(ladder),
        "draw_layers": lambda: plots.draw_layers(stack),
        "draw_match": lambda: plots.draw_match(match),
        "draw_outlines": lambda: plots.draw_outlines([cut], [ODD]),
        "draw_plan": lambda: plots.draw_plan(plan),
        "draw_same_look": lambda: plots.draw_same_look(look),
        "draw_slice": lambda: plots.draw_slice(cut),
        "draw_solid": lambda: plots.draw_solid(gamut),
        "draw_wedge": lambda: plots.draw_wedge(wedge),
        "draw_whole": lambda: plots.draw_whole(whole),
    }


def test_names_are_not_taken_for_mathematics(drawings: dict[str, Callable[[], object]]) -> None:
    from matplotlib import pyplot

    assert set(drawings) == {name for name in plots.__all__ if name.startswith("draw_")}
    for name, draw in drawings.items():
        ax = draw()
        assert isinstance(ax, mpl.axes.Axes), name
        ax.figure.canvas.draw()  # raises where a text is no formula and is read as one
        pyplot.close("all")


def test_matplotlib_is_named_where_it_is_missing(
    drawings: dict[str, Callable[[], object]], monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in [name for name in sys.modules if name.startswith("matplotlib.")]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    for draw in drawings.values():
        with pytest.raises(sm.MissingExtraError, match=r"needs .*\[plots\].*pip install "):
            draw()
