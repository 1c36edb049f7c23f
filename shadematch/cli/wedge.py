"""``shadematch wedge``: the shade along a sloped coloured layer topped with clear base.

With ``--json``: ``doses`` {name: amount} and their ``unit``; ``places``, a list of {coloured_cm,
clear_cm, lab, xyz, hex, in_srgb}, evenly spaced from one end to the other; ``pour``, whose
thickness is ignored, ``view``, ``cautions``.
"""

from __future__ import annotations

import argparse
from typing import Any

from shadematch.cli.amounts import COUNT, LENGTH, read_doses
from shadematch.cli.conditions import add_conditions, pour_and_view, read_palette
from shadematch.cli.entries import picked, shared_entries
from shadematch.cli.parsing import Verbs, given
from shadematch.cli.printing import json_object, shown
from shadematch.predicting.layers import Shade
from shadematch.predicting.wedge import wedge

__all__ = ["add_verb", "shade_entries"]


def add_verb(verb: Verbs) -> None:
    """Add the verb."""
    parser = verb("wedge", _wedge)
    parser.add_argument("doses", nargs="+", metavar="NAME=DOSE", help="paste of each pigment")
    add = parser.add_argument_group("the wedge").add_argument
    text = "thickness of the coloured layer at one end"
    add("--from", dest="from_cm", type=LENGTH, metavar="CM", required=True, help=text)
    add("--to", dest="to_cm", type=LENGTH, metavar="CM", required=True, help="and at the other")
    text = "height of the level bar (that of the thicker end)"
    add("--height", dest="height_cm", type=LENGTH, metavar="CM", help=text)
    add("--bare", action="store_true", help="no clear base on top")
    add("--steps", type=COUNT, metavar="COUNT", help="places to compute (25)")
    add_conditions(parser, pour=("batch_g", "white", "base"))  # each layer has its own thickness


def shade_entries(shade: Shade) -> dict[str, Any]:
    """A colour in JSON."""
    return picked(shade, "lab", "xyz", "hex", "in_srgb")


def _wedge(args: argparse.Namespace) -> str:
    pour, view = pour_and_view(args)
    palette = read_palette(args)
    found = wedge(
        read_doses(args.doses, palette.unit),
        from_cm=args.from_cm,
        to_cm=args.to_cm,
        height_cm=args.height_cm,
        clear_top=not args.bare,
        palette=palette,
        pour=pour,
        view=view,
        **given(args, "steps"),
    )
    if args.json:
        places = [
            {"coloured_cm": x, "clear_cm": rest, **shade_entries(shade)}
            for x, rest, shade in zip(found.coloured_cm, found.clear_cm, found.shades, strict=True)
        ]
        recipe = {"doses": dict(found.recipe.doses), "unit": found.recipe.unit}
        return json_object({**recipe, "places": places, **shared_entries(pour, view)})
    return shown(found)
