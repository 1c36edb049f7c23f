"""``shadematch layers``: the colour of layers on top of each other, seen from above.

With ``--json``: ``lab``, ``xyz``, ``hex``, ``in_srgb`` of the whole; ``layers``, from the top down,
a list of {thickness_cm, white, doses, unit, alone}; ``poured``, a list from the bottom layer to the
whole; ``alone`` and the entries of ``poured`` are {lab, xyz, hex, in_srgb}; ``pour``, whose
thickness is ignored and whose white fraction is the default for layers, ``view``, ``cautions``.
"""

from __future__ import annotations

import argparse
import re

from shadematch.cli.amounts import read_doses, read_length, read_share
from shadematch.cli.conditions import add_conditions, pour_and_view, read_palette
from shadematch.cli.entries import shared_entries
from shadematch.cli.parsing import Verbs, called
from shadematch.cli.printing import json_object, shown
from shadematch.cli.wedge import shade_entries
from shadematch.errors import PourError
from shadematch.predicting.layers import layers
from shadematch.studio.pour import Pour
from shadematch.studio.recipe import Recipe
from shadematch.studio.unit import Unit

__all__ = ["add_verb"]


def add_verb(verb: Verbs) -> None:
    """Add the verb."""
    parser = verb("layers", _layers)
    text = (
        "the top layer first: its thickness in cm, a colon, and doses separated by commas, for "
        "instance 0.6:gorse=2,kelp=1; 1: is base without paste; 0.8/0.1:dusk=2 has a tenth of "
        "white base"
    )
    parser.add_argument("layers", nargs="+", metavar="CM:NAME=DOSE", help=text)
    add_conditions(parser, pour=("batch_g", "white", "base"))  # each layer has its own thickness


def _read_layer(word: str, pour: Pour, unit: Unit) -> tuple[Recipe, float]:
    """A layer written as CM:NAME=DOSE,NAME=DOSE or CM/WHITE:NAME=DOSE."""
    size, colon, doses = word.partition(":")
    thick, slash, white = size.partition("/")
    thickness_cm, share = read_length(thick), read_share(white)
    if not colon or thickness_cm is None or (slash and share is None):
        raise PourError(
            "is not a layer",
            field="CM:NAME=DOSE",
            value=word,
            remedy="Write it as 0.6:gorse=2,kelp=1",
        )
    if slash:
        with called("white", f"white of {word}"):
            pour = Pour(**(pour.model_dump() | {"white": share}))
    # Commas before a name separate doses; others are decimal commas.
    pairs = re.split(r",(?=[^,=]*=)", doses) if doses.strip() else []
    given = read_doses(pairs, unit)
    return Recipe(given, pour, unit=unit), thickness_cm


def _layers(args: argparse.Namespace) -> str:
    pour, view = pour_and_view(args)
    palette = read_palette(args)
    stack = [_read_layer(word, pour, palette.unit) for word in args.layers]
    found = layers(stack, palette=palette, view=view)
    if args.json:
        entries = {
            **shade_entries(found.seen),
            "layers": [
                {
                    "thickness_cm": thick,
                    "white": recipe.pour.white,
                    "base": recipe.pour.base,
                    "doses": dict(recipe.doses),
                    "unit": recipe.unit,
                    "alone": shade_entries(alone),
                }
                for recipe, thick, alone in zip(
                    found.recipes, found.thicknesses_cm, found.alone, strict=True
                )
            ],
            "poured": [shade_entries(shade) for shade in found.poured],
        }
        return json_object({**entries, **shared_entries(pour, view)})
    return shown(found)
