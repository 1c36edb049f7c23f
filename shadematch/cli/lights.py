"""``shadematch lights``: a recipe and the wanted colour under several lights.

With ``--json``: ``lights``, a list of {illuminant, wanted, predicted, delta_e, index,
index_lab} (CIELAB; ``index`` and ``index_lab`` are null without a spectrum); ``spectral``,
``reference``, ``note``; of the recipe ``doses`` to ``tubes`` and ``spread``, the worst of the
lights, as in `shadematch.cli.spread`; ``pour``, ``view``, ``cautions``.
"""

from __future__ import annotations

import argparse
from dataclasses import asdict

from shadematch.cli.amounts import read_doses
from shadematch.cli.conditions import (
    add_conditions,
    add_lights,
    pour_and_view,
    read_lights,
    read_palette,
)
from shadematch.cli.entries import picked, recipe_entries, shared_entries, spread_entries
from shadematch.cli.parsing import Verbs, given
from shadematch.cli.printing import json_object, shown
from shadematch.cli.repeat import in_the_file, read_saved
from shadematch.cli.wanted import TARGET_OPTIONS, TARGET_WAYS, add_target, read_target
from shadematch.errors import ColourError, PourError
from shadematch.matching.lights import USUAL_LIGHTS, lights
from shadematch.matching.match import match
from shadematch.predicting.prediction import Prediction, predict
from shadematch.studio.palette import Palette
from shadematch.studio.pour import Pour
from shadematch.studio.target import Target
from shadematch.studio.view import View

__all__ = ["add_verb"]


def add_verb(verb: Verbs) -> None:
    """Add the verb."""
    parser = verb("lights", _lights)
    add_target(parser)
    add = parser.add_argument_group("the recipe").add_argument
    text = "the paste that goes in (by default what match finds)"
    add("--poured", nargs="+", metavar="NAME=DOSE", help=text)
    text = "or a file of match --save, with its pour, view, palette and target"
    add("--recipe", metavar="FILE", help=text)
    add = parser.add_argument_group("the lights").add_argument
    add_lights(add, ", ".join(USUAL_LIGHTS))
    text = "light under which the two are made to match for the metameric index (D65)"
    add("--reference", metavar="NAME", help=text)
    add_conditions(parser)


def _bar(args: argparse.Namespace) -> tuple[Prediction, Target, Palette]:
    """The recipe as it will look, the wanted colour, and the palette."""
    if args.recipe is not None:
        in_the_file(args, (*Pour.model_fields, *View.model_fields), "--recipe")
        kept = read_saved(args, args.recipe)
        own, view = kept.saved.recipe, kept.saved.view
        if args.poured:
            raise PourError(
                "is in the saved recipe already",
                field="--poured",
                value=args.poured,
                remedy="Leave it out, or leave out --recipe",
            )
        wanted = any(getattr(args, way) is not None for way in TARGET_WAYS)
        if not wanted:
            in_the_file(args, TARGET_OPTIONS, "--recipe")
        target = read_target(args) if wanted else kept.saved.target
        if target is None:
            raise ColourError(
                "is not in the saved recipe", field="target", remedy="Give the wanted colour too"
            )
        return predict(own, palette=kept.palette, view=view), target, kept.palette
    pour, view = pour_and_view(args)
    palette, target = read_palette(args), read_target(args)
    if args.poured:
        doses = read_doses(args.poured, palette.unit)
        return predict(doses, palette=palette, pour=pour, view=view), target, palette
    return match(target, palette=palette, pour=pour, view=view).predicted, target, palette


def _lights(args: argparse.Namespace) -> str:
    bar, target, palette = _bar(args)
    pour, view = bar.recipe.pour, bar.view
    found = lights(
        bar,
        target,
        palette=palette,
        lights=read_lights(args) or USUAL_LIGHTS,
        **given(args, "reference"),
    )
    if args.json:
        return json_object(
            {
                "lights": [asdict(light) for light in found.lights],
                **picked(found, "spectral", "reference", "note"),
                **recipe_entries(found.recipe, bar),
                "spread": spread_entries(found.spread),
                **shared_entries(pour, view),
            }
        )
    return shown(found)
