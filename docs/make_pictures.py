"""Draw the pictures of README and docs: ``python docs/make_pictures.py``, project's root."""

from pathlib import Path

import matplotlib as mpl
from matplotlib import pyplot

import shadematch as sm
from shadematch import plots
from shadematch.plots import draw_layers, draw_plan, draw_same_look, draw_wedge
from shadematch.support.paper import svg_of

mpl.use("Agg")

FOLDER = Path(__file__).parent


def save(ax, name):
    """Write one picture, which follows light and dark."""
    (FOLDER / f"{name}.svg").write_text(svg_of(ax.figure) + "\n", encoding="utf-8")
    pyplot.close(ax.figure)


def draw_gamut():
    """The pictures of ``docs/gamut.md``."""
    gamut = sm.gamut()
    save(plots.draw_solid(gamut), "gamut-solid")
    save(plots.draw_slice(gamut.slice(lightness=60)), "gamut-slice")
    others = {
        "1 cm, clear base": gamut,
        "3 cm, clear base": gamut.at(thickness_cm=3.0),
        "1 cm, 10 % white": gamut.at(white=0.1),
        "1 cm, white base": gamut.at(white=1.0),
    }
    cuts = [other.slice(lightness=60) for other in others.values()]
    save(plots.draw_outlines(cuts, list(others)), "gamut-outlines")
    maps = gamut.whole(lightness=60, step=6)
    save(plots.draw_whole(maps), "gamut-whole")
    for found in maps:
        print(found)
    feasible = sm.feasibility("#7fb069", pour=sm.Pour(batch_g=500))
    save(plots.draw_feasibility(feasible), "feasibility")
    print(feasible)
    compared = feasible.compare(sm.demo_palette().without("jetty"), name="jetty left out")
    save(plots.draw_comparison(compared), "feasibility-compared")
    print(compared)
    for along in ("thickness", "load", "white"):
        found = sm.ladder({"gorse": 1, "rosehip": 1}, along=along)
        save(plots.draw_ladder(found), f"ladder-{along}")
    for name in ("munsell", "srgb"):
        print(name, gamut.coverage(name, within=2.0))


def main():
    """Write ``docs/*.svg``."""
    match = sm.match("#d9822b", pour=sm.Pour(batch_g=1000, thickness_cm=2.0))
    save(plots.draw_match(match), "match")
    print(match)
    smallest = sm.smallest_batch("#d9822b", within=1.0, largest_g=1000)
    save(plots.draw_batches(smallest), "batches")
    print(smallest)
    wedge = sm.wedge({"rosehip": 2, "dusk": 1}, from_cm=0.1, to_cm=2.5, steps=120)
    save(draw_wedge(wedge), "wedge")
    stack = sm.layers(
        [({"gorse": 2}, 0.6), ({}, 1.0), (sm.Recipe({"jetty": 2}, sm.Pour(white=0.02)), 0.8)]
    )
    save(draw_layers(stack), "layers")
    orders = sm.read_orders(FOLDER.parent / "data" / "order-book.csv")
    stock = sm.read_stock(FOLDER.parent / "data" / "shelf.csv")
    save(draw_plan(sm.plan(orders, stock, buy=True)), "plan")
    look = sm.same_look(match, to_pour=sm.Pour(batch_g=500, thickness_cm=1.0, white=0.05))
    save(draw_same_look(look), "same-look")
    print(look)
    save(plots.draw_choices(match), "choices")
    save(plots.draw_spread(sm.spread(match.recipe, target="#d9822b")), "spread")
    off = sm.correct(match.recipe, (57, 34, 59), "#d9822b", pot_g=1500)
    save(plots.draw_correction(off), "correction")
    draw_gamut()


if __name__ == "__main__":
    main()
