"""``shadematch spread``: how far a recipe strays when ruler and scale are a little off.

With ``--json``: ``doses`` to ``tubes`` and ``predicted`` as in `shadematch.cli.match`;
``spread`` {delta_e, mean, median, p90, p95, lab_covariance, shares {cause: share}, causes {kind:
share}, largest, dose_slip, scale_g}, with ``delta_e`` the one when nothing is off; ``target`` {lab,
hex} or null; ``pour``, ``view``, ``cautions``.
"""

from __future__ import annotations

import argparse

from shadematch.cli.conditions import (
    add_conditions,
    add_made,
    add_readings,
    read_made,
    read_readings,
)
from shadematch.cli.entries import recipe_entries, shared_entries, spread_entries
from shadematch.cli.parsing import Verbs
from shadematch.cli.printing import json_object, shown
from shadematch.cli.repeat import add_recipe, read_recipe
from shadematch.predicting.spread import spread

__all__ = ["add_verb"]


def add_verb(verb: Verbs) -> None:
    """Add the verb."""
    parser = verb("spread", _spread)
    add_recipe(parser)
    text = "screen colour that CIEDE2000 is taken to (the target in the file, or the recipe's own)"
    parser.add_argument("--target", metavar="HEX", help=text)
    add_readings(parser)
    add_made(parser)
    add_conditions(parser)


def _spread(args: argparse.Namespace) -> str:
    own = read_recipe(args)
    found = spread(
        own.recipe,
        palette=own.palette,
        view=own.view,
        target=own.target if args.target is None else args.target.strip(),
        let_down_paste=read_made(args, own.palette.unit),
        **read_readings(args),
    )
    if args.json:
        goal = found.target
        return json_object(
            {
                **recipe_entries(found.recipe, found.nominal),
                "spread": spread_entries(found),
                "target": None if goal is None else {"lab": goal.lab, "hex": goal.hex},
                **shared_entries(own.recipe.pour, own.view),
            }
        )
    return shown(found)
