"""``shadematch sheet``: a batch sheet to print, for a wanted colour or a saved recipe.

With ``--json``: ``title``, ``text``, ``html``, and ``saved``, the file or null.
"""

from __future__ import annotations

import argparse

from shadematch.cli.amounts import COUNT, MASS
from shadematch.cli.conditions import (
    add_conditions,
    add_loss,
    add_readings,
    pour_and_view,
    read_palette,
    read_readings,
    usual_bars,
)
from shadematch.cli.entries import picked
from shadematch.cli.parsing import HASH, Verbs, called, given, not_with
from shadematch.cli.pot import add_pot, pot_options
from shadematch.cli.printing import json_object, wrapped
from shadematch.cli.repeat import in_the_file, read_saved
from shadematch.cli.wanted import TARGET_OPTIONS, TARGET_WAYS, add_target, read_target
from shadematch.errors import PourError
from shadematch.keeping.repeat import Repeat
from shadematch.matching.match import Match, match
from shadematch.predicting.pot import in_the_pot
from shadematch.predicting.spread import Spread
from shadematch.sheet.batch import batch_sheet
from shadematch.studio.pour import Pour
from shadematch.studio.view import View

__all__ = ["add_verb"]

_PAGE = ("title", "date", "note", "bars")


def add_verb(verb: Verbs) -> None:
    """Add the verb."""
    parser = verb("sheet", _sheet)
    parser.add_argument("--save", metavar="FILE", help="where to: .html to print, .txt for text")
    text = "a file of match --save, in place of a wanted colour, pour and view"
    parser.add_argument("--recipe", metavar="FILE", help=text)
    text = "pour the closest recipe instead of the one with less paste"
    parser.add_argument("--closest", action="store_true", help=text)
    add = parser.add_argument_group("the page").add_argument
    add("--title", metavar="TEXT", help="its heading")
    add("--date", metavar="TEXT", help="as it should be printed (a line to write it on)")
    add("--note", metavar="TEXT", help="your own words")
    add("--bars", type=COUNT, metavar="COUNT", help="how many bars")
    add("--bar", dest="bar_g", type=MASS, metavar="G", help="mass of a bar in g")
    add_loss(add)
    text = "a sheet of so many shades from one pot, for a customer to choose from, 2 to 6"
    add("--shades", type=COUNT, metavar="COUNT", help=text)
    add("--no-spread", action="store_true", help="without the effect of slips")
    add_pot(parser)
    add_readings(parser)
    add_target(parser)
    add_conditions(parser)


def _result(args: argparse.Namespace) -> Match | Repeat:
    if args.recipe is None and all(getattr(args, way) is None for way in TARGET_WAYS):
        raise PourError(
            "say what is poured",
            field="HEX",
            value="none",
            remedy=f"Give a wanted colour, or --recipe FILE. {HASH}",
        )
    if args.recipe is None:
        pour, view = pour_and_view(args)
        palette = read_palette(args)
        return match(
            read_target(args), palette=palette, pour=pour, view=view, **read_readings(args)
        )
    in_the_file(args, (*TARGET_OPTIONS, *Pour.model_fields, *View.model_fields), "--recipe")
    not_with("--recipe", args, "closest", remedy="The file says which recipe is poured")
    not_with("--recipe", args, "shades", remedy="Give a wanted colour")
    return read_saved(args, args.recipe)


def _strayed(args: argparse.Namespace, result: Match | Repeat) -> Spread | bool:
    readings = read_readings(args)
    if args.no_spread and readings:
        raise PourError(
            "goes with neither --dose-slip nor --scale",
            field="--no-spread",
            remedy="Leave one of them out",
        )
    if not readings or isinstance(result, Match):  # which has them
        return not args.no_spread
    return result.today.spread_of(**readings)


def _sheet(args: argparse.Namespace) -> str:
    result = _result(args)
    options = given(args, *_PAGE)
    options |= usual_bars(args)
    choice = result.closest if isinstance(result, Match) and args.closest else None
    if isinstance(result, Match):
        recipe = result.recipe if choice is None else choice.recipe
        palette, view = result.palette, result.view
    else:
        recipe, palette, view = result.saved.recipe, result.palette, result.saved.view
    looks = None
    if isinstance(result, Match) and args.shades is not None:
        options["shades"] = result.shades(args.shades)
        recipe = options["shades"][0].recipe
    if not (isinstance(result, Repeat) and result.missing):  # else the sheet raises the error
        looks = in_the_pot(recipe, palette=palette, view=view, **pot_options(args))
        options["spread"] = _strayed(args, result)
    made = batch_sheet(result, choice=choice, looks=looks, **options)
    if args.save is not None:
        with called("path", "--save"):
            made.save(args.save, replace=args.replace)
    if args.json:
        entries = picked(made, "title", "text", "html")
        return json_object({**entries, "saved": args.save})
    return made.text.rstrip("\n") if args.save is None else wrapped(f"saved in {args.save}")
