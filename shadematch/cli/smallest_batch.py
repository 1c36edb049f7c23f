"""``shadematch smallest-batch``: the smallest batch whose recipe comes close enough.

With ``--json``: ``mass_g`` and ``always_from_g`` (or null), ``bars`` (null unless counted in bars),
``within`` as asked for, ``ideal_delta_e``, ``floor``, ``proved``, ``sentence``, ``closest`` (as in
`shadematch.cli.match`, or null) and its ``spread`` (as in `shadematch.cli.spread`, or null),
``curve``, a list of {mass_g, delta_e, doses, bound, proved}, ``pour``, whose batch is ignored,
``view``, ``cautions``.
"""

from __future__ import annotations

import argparse

from shadematch.cli.amounts import COUNT, MASS, NUMBER
from shadematch.cli.conditions import (
    add_conditions,
    add_loss,
    pour_and_view,
    read_palette,
    usual_bars,
)
from shadematch.cli.entries import choice_entries, picked, shared_entries, spread_entries
from shadematch.cli.parsing import Verbs, given, only_with
from shadematch.cli.printing import json_object, shown
from shadematch.cli.wanted import add_target, read_target
from shadematch.errors import PourError
from shadematch.matching.smallest_batch import smallest_batch

__all__ = ["add_verb"]


def add_verb(verb: Verbs) -> None:
    """Add the verb."""
    parser = verb("smallest-batch", _smallest)
    add_target(parser)
    add = parser.add_argument_group("the batches").add_argument
    add("--within", type=NUMBER, metavar="CIEDE2000", help="how close it must come (1)")
    add("--step", dest="step_g", type=MASS, metavar="G", help="masses tried, in g apart (10)")
    add("--largest", dest="largest_g", type=MASS, metavar="G", help="largest tried, in g (1000)")
    add("--bar", dest="bar_g", type=MASS, metavar="G", help="count in whole bars of this mass")
    add_loss(add)
    add("--max-pigments", type=COUNT, metavar="COUNT", help="most pigments in a recipe")
    add("--curve", action="store_true", help="also list every mass tried")
    add_conditions(parser)


def _smallest(args: argparse.Namespace) -> str:
    if args.batch_g is not None:
        raise PourError(
            "has no meaning here",
            field="--batch",
            value=args.batch_g,
            remedy="It is what is looked for; --largest limits it",
        )
    pour, view = pour_and_view(args)
    options = given(args, *("within", "step_g", "largest_g", "bar_g", "max_pigments"))
    if args.bar_g is not None:
        options |= usual_bars(args)
    elif args.loss is not None:
        only_with("--bar", args, "loss")
    found = smallest_batch(
        read_target(args), palette=read_palette(args), pour=pour, view=view, **options
    )
    if args.json:
        kept = ("mass_g", "always_from_g", "bars", "within", "ideal_delta_e", "floor", "proved")
        return json_object(
            {
                **picked(found, *kept, "sentence"),
                "closest": None
                if found.recipe is None or found.match is None
                else choice_entries(found.match.closest),
                "spread": None if found.spread is None else spread_entries(found.spread),
                "curve": [
                    {
                        **picked(p, "mass_g", "delta_e", "bound", "proved"),
                        "doses": dict(p.recipe.doses),
                    }
                    for p in found.curve
                ],
                **shared_entries(pour, view),
            }
        )
    return shown(found, *([found.listed()] if args.curve and found.curve else []))
