"""Draw the pictures of the README: ``python docs/make_pictures.py`` from the project's root."""

from pathlib import Path

import matplotlib as mpl

import shadematch as sm
from shadematch.plots import draw_match, draw_same_look

mpl.use("Agg")

FOLDER = Path(__file__).parent


def main() -> None:
    """Write ``docs/match.png`` and ``docs/same-look.png``."""
    match = sm.match("#d9822b", pour=sm.Pour(batch_g=1000, thickness_cm=2.0))
    ax = draw_match(match)
    ax.figure.savefig(FOLDER / "match.png", dpi=110)
    print(match)
    look = sm.same_look(match, to_pour=sm.Pour(batch_g=500, thickness_cm=1.0, white=0.05))
    draw_same_look(look).figure.savefig(FOLDER / "same-look.png", dpi=110)
    print(look)


if __name__ == "__main__":
    main()
