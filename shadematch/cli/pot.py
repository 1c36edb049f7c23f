"""``shadematch pot``: how a recipe looks melted in the pot, and as a drop on white paper.

With ``--json``: ``doses``, ``proportions``, ``total``, ``load``, ``tubes`` as in
`shadematch.cli.match`; ``pot``, ``drop`` and ``bar``, each {lab, xyz, hex, in_srgb};
``pot_delta_e`` and ``drop_delta_e`` to the bar; ``depth_cm``, ``drop_mm``, ``bottom``
(reflectance); ``sentence``, ``limit``, ``pour``, ``view``, ``cautions``.
"""

from __future__ import annotations

import argparse
from typing import Any, Final

from shadematch.cli.amounts import LENGTH, MILLIMETRES
from shadematch.cli.conditions import add_conditions
from shadematch.cli.entries import picked, recipe_entries, shared_entries
from shadematch.cli.parsing import Verbs, given, reader
from shadematch.cli.printing import json_object, shown
from shadematch.cli.repeat import add_recipe, read_recipe
from shadematch.predicting.pot import HOT_LIMIT, POTS, InThePot, in_the_pot

__all__ = ["add_pot", "add_verb", "pot_options"]


def _to_pot(text: str) -> str | float:
    return text if text in POTS else float(text)


_POT: Final = reader(_to_pot, f"{', '.join(POTS)} or a reflectance from 0 to 1")


def add_verb(verb: Verbs) -> None:
    """Add the verb."""
    parser = verb("pot", _pot)
    add_recipe(parser)
    add_pot(parser)
    add_conditions(parser)


def add_pot(parser: argparse.ArgumentParser) -> None:
    """Add pot, depth and drop; `pot_options` reads them."""
    add = parser.add_argument_group("the pot").add_argument
    add("--depth", dest="depth_cm", type=LENGTH, metavar="CM", help="depth of the melt (8)")
    text = "steel (usual), white, black, or the reflectance of its bottom from 0 to 1"
    add("--pot", type=_POT, metavar="POT", help=text)
    add("--drop", dest="drop_mm", type=MILLIMETRES, metavar="MM", help="height of the drop (3)")


def pot_options(args: argparse.Namespace) -> dict[str, Any]:
    """The options of `add_pot` that were given."""
    return given(args, "depth_cm", "pot", "drop_mm")


def _pot(args: argparse.Namespace) -> str:
    own = read_recipe(args)
    looks = in_the_pot(own.recipe, palette=own.palette, view=own.view, **pot_options(args))
    if args.json:
        return json_object(_entries(looks))
    return shown(looks)


def _entries(looks: InThePot) -> dict[str, Any]:
    bar = recipe_entries(looks.recipe, looks.bar)
    shown = tuple(bar.pop("predicted"))
    return {
        **bar,
        **{place: picked(getattr(looks, place), *shown) for place in ("pot", "drop", "bar")},
        **picked(
            looks, *("pot_delta_e", "drop_delta_e", "depth_cm", "drop_mm", "bottom", "sentence")
        ),
        "limit": HOT_LIMIT,
        **shared_entries(looks.recipe.pour, looks.bar.view),
    }
