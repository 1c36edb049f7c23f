"""``shadematch predict``: the colour of a recipe.

With ``--json``: ``doses`` to ``tubes`` and ``predicted`` as in `shadematch.cli.match`,
``spread`` (from its own colour, as in `shadematch.cli.spread`), ``pour``, ``view``, ``cautions``;
with ``--calibration`` ``range`` {level, low, high, delta_e_low, delta_e_high}, the last two null
without a target.
"""

from __future__ import annotations

import argparse
import math
from typing import Any

from shadematch.calibration.result import Calibration
from shadematch.cli.amounts import read_doses
from shadematch.cli.conditions import add_conditions, pour_and_view, read_palette
from shadematch.cli.entries import picked, recipe_entries, shared_entries, spread_entries
from shadematch.cli.parsing import Verbs, called
from shadematch.cli.printing import json_object, shown
from shadematch.errors import PourError
from shadematch.keeping.files import read
from shadematch.predicting.prediction import predict
from shadematch.predicting.spread import spread
from shadematch.support.report import Row

__all__ = ["add_verb", "read_calibration"]


def add_verb(verb: Verbs) -> None:
    """Add the verb."""
    parser = verb("predict", _predict)
    parser.add_argument("doses", nargs="+", metavar="NAME=DOSE", help="paste of each pigment")
    text = "a file of calibrate --save: gives palette, backing and the range of the colour"
    parser.add_argument("--calibration", metavar="FILE", help=text)
    add_conditions(parser)


def read_calibration(args: argparse.Namespace) -> Calibration | None:
    """The calibration in a file; None if no file was given."""
    if args.calibration is None:
        return None
    if args.palette is not None:
        raise PourError(
            "a calibration has its own palette",
            field="--palette",
            value=args.palette,
            remedy="Leave one of the two out",
        )
    with called("path", "--calibration"):
        learnt = read(args.calibration, Calibration)
    if learnt.unit == "part":
        raise PourError(
            "is of films, which have no base to dose into",
            field="--calibration",
            value=args.calibration,
            remedy="Use read(...).interval(...) in Python",
        )
    return learnt


def _predict(args: argparse.Namespace) -> str:
    pour, view = pour_and_view(args)
    learnt = read_calibration(args)
    palette = read_palette(args) if learnt is None else learnt.palette
    found = predict(
        read_doses(args.doses, palette.unit),
        palette=palette,
        pour=pour,
        view=view if learnt is None else learnt.view(view),
    )
    recipe = found.recipe
    strayed = spread(recipe, palette=palette, view=found.view)
    ranged = None if learnt is None else learnt.interval(recipe, view=view)
    if args.json:
        more: dict[str, Any] = {}
        if ranged is not None:
            limits = ("level", "low", "high", "delta_e_low", "delta_e_high")
            more["range"] = picked(ranged, *limits)
        more["spread"] = spread_entries(strayed)
        return json_object({**recipe_entries(recipe, found), **shared_entries(pour, view), **more})
    rows = [*strayed.within_rows]
    if ranged is not None:
        rows.append(Row("range", ranged.sentence))
    limit = pour.max_load
    if recipe.load > limit and not math.isclose(recipe.load, limit):
        text = f"{recipe.load:.4g} {recipe.unit} per 100 g: the load limit is {limit:g}"
        rows.append(Row("note", text))
    if recipe.proportions is None:
        rows.append(Row("note", f"not all doses are multiples of {pour.dose_step:g} {recipe.unit}"))
    return shown(found.report().plus(*rows))
