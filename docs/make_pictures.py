"""Draw the pictures of the README: ``python docs/make_pictures.py`` from the project's root."""

from pathlib import Path

import matplotlib as mpl

import shadematch as sm
from shadematch.plots import draw_layers, draw_match, draw_plan, draw_wedge
from shadematch.plots import draw_match, draw_same_look

mpl.use("Agg")

FOLDER = Path(__file__).parent


def main() -> None:
    """Write the pictures into ``docs``."""
    """Write ``docs/match.png`` and ``docs/same-look.png``."""
    match = sm.match("#d9822b", pour=sm.Pour(batch_g=1000, thickness_cm=2.0))
    ax = draw_match(match)
    ax.figure.savefig(FOLDER / "match.png", dpi=110)
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


if __name__ == "__main__":
    main()
