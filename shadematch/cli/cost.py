"""``shadematch cost``: what a bar costs, and how many bars the tubes make.

With ``--json``: ``doses`` to ``tubes`` as in `shadematch.cli.match`; ``bar_g``, ``loss``, ``bars``;
``paste``, ``base`` of one batch, ``per_bar``, ``paste_per_bar`` and ``base_per_bar``, null for an
unknown price; ``bars_per_set``, ``bars_on_shelf`` (null also without ``--shelf``), ``first_out``,
null without paste; ``assumed_tubes``, pigments whose tube size is assumed; ``batch_g``, ``white``,
``in_base``, ``cautions``.
"""

from __future__ import annotations

import argparse

from shadematch.cli.amounts import MASS
from shadematch.cli.conditions import add_conditions, add_loss, usual_bars
from shadematch.cli.entries import dose_entries, picked
from shadematch.cli.parsing import Verbs, called
from shadematch.cli.printing import json_object, shown
from shadematch.cli.repeat import add_recipe, read_recipe
from shadematch.planning.books import read_stock
from shadematch.planning.cost import cost
from shadematch.support.cautions import CAUTIONS

__all__ = ["add_verb"]

_SHOWN = ("bar_g", "loss", "bars", "paste", "base", "per_bar", "paste_per_bar", "base_per_bar")
_TUBES = ("bars_per_set", "bars_on_shelf", "first_out", "assumed_tubes")


def add_verb(verb: Verbs) -> None:
    """Add the verb."""
    parser = verb("cost", _cost)
    add_recipe(parser)
    text = "what is on the shelf with its prices, a CSV file as for plan (the palette's prices)"
    parser.add_argument("--shelf", metavar="FILE", help=text)
    parser.add_argument("--bar", dest="bar_g", type=MASS, metavar="G", help="mass in g (100)")
    add_loss(parser.add_argument)
    add_conditions(parser, pour=("batch_g", "white", "base"), view=False)  # the rest costs nothing


def _cost(args: argparse.Namespace) -> str:
    own = read_recipe(args)
    with called("path", "--shelf"):
        stock = None if args.shelf is None else read_stock(args.shelf)
    options = usual_bars(args)
    found = cost(own.recipe, palette=own.palette, stock=stock, **options)
    if args.json:
        pour = own.recipe.pour
        return json_object(
            {
                **dose_entries(own.recipe),
                **picked(found, *_SHOWN, *_TUBES),
                **picked(pour, "batch_g", "white"),
                "in_base": pour.base,
                "cautions": CAUTIONS,
            }
        )
    return shown(found)
