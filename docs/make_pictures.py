"""Draw the pictures of README and docs: ``python docs/make_pictures.py``, project's root."""

from pathlib import Path

import matplotlib as mpl
from matplotlib import pyplot

import shadematch as sm
from shadematch import plots
from shadematch.plots import draw_layers, draw_plan, draw_same_look, draw_wedge

mpl.use("Agg")

FOLDER = Path(__file__).parent


def save(ax, name):
    """Write one picture."""
    ax.figure.savefig(FOLDER / name, dpi=110)


def draw_gamut():
    """The pictures of ``docs/gamut.md``."""
    gamut = sm.gamut()
    save(plots.draw_solid(gamut), "gamut-solid.png")
    save(plots.draw_slice(gamut.slice(lightness=60)), "gamut-slice.png")
    others = {
        "1 cm, clear base": gamut,
        "3 cm, clear base": gamut.at(thickness_cm=3.0),
        "1 cm, 10 % white": gamut.at(white=0.1),
        "1 cm, white base": gamut.at(white=1.0),
    }
    cuts = [other.slice(lightness=60) for other in others.values()]
    save(plots.draw_outlines(cuts, list(others)), "gamut-outlines.png")
    maps = gamut.whole(lightness=60, step=6)
    figure, axes = pyplot.subplots(1, 3, figsize=(12.6, 3.7), layout="constrained")
    for found, ax in zip(maps, axes, strict=True):
        plots.draw_whole(found, ax)
        print(found)
    figure.savefig(FOLDER / "gamut-whole.png", dpi=90)
    feasible = sm.feasibility("#7fb069", pour=sm.Pour(batch_g=500))
    save(plots.draw_feasibility(feasible), "feasibility.png")
    print(feasible)
    compared = feasible.compare(sm.demo_palette().without("jetty"), name="jetty left out")
    save(plots.draw_comparison(compared), "feasibility-compared.png")
    print(compared)
    figure, axes = pyplot.subplots(3, 1, figsize=(7, 5.4), layout="constrained")
    for along, ax in zip(("thickness", "load", "white"), axes, strict=True):
        plots.draw_ladder(sm.ladder({"gorse": 1, "rosehip": 1}, along=along), ax)
    figure.savefig(FOLDER / "ladders.png", dpi=110)
    for name in ("munsell", "srgb"):
        print(name, gamut.coverage(name, within=2.0))


def main():
    """Write ``docs/*.png``."""
    match = sm.match("#d9822b", pour=sm.Pour(batch_g=1000, thickness_cm=2.0))
    save(plots.draw_match(match), "match.png")
    print(match)
    wedge = sm.wedge({"rosehip": 2, "dusk": 1}, from_cm=0.1, to_cm=2.5, steps=120)
    ax = draw_wedge(wedge)
    ax.figure.savefig(FOLDER / "wedge.png", dpi=110)
    stack = sm.layers(
        [({"gorse": 2}, 0.6), ({}, 1.0), (sm.Recipe({"jetty": 2}, sm.Pour(white=0.02)), 0.8)]
    )
    ax = draw_layers(stack)
    ax.figure.savefig(FOLDER / "layers.png", dpi=110)
    orders = sm.read_orders(FOLDER.parent / "data" / "order-book.csv")
    stock = sm.read_stock(FOLDER.parent / "data" / "shelf.csv")
    ax = draw_plan(sm.plan(orders, stock, buy=True))
    ax.figure.savefig(FOLDER / "plan.png", dpi=110)
    look = sm.same_look(match, to_pour=sm.Pour(batch_g=500, thickness_cm=1.0, white=0.05))
    draw_same_look(look).figure.savefig(FOLDER / "same-look.png", dpi=110)
    print(look)
    draw_gamut()


if __name__ == "__main__":
    main()
