"""``shadematch feasibility``: where a colour can be made.

With ``--json``: ``target``, ``within``, ``sentence``, ``best`` (a recipe with ``pour``, as in
`shadematch.cli.match`, and its ``spread``, as in `shadematch.cli.spread`), ``cells``, a list of
{batch_g, white, base, thickness_cm, doses, delta_e, median, p90, largest, ideal_delta_e, proved},
with ``--without`` also ``without`` {names, sentence, best}; ``view``, ``cautions``.
"""

from __future__ import annotations

import argparse
import contextlib
from typing import Any, Final

from shadematch.cli.amounts import LENGTHS, MASSES, NUMBER, SHARES
from shadematch.cli.conditions import add_conditions, pour_and_view, read_palette
from shadematch.cli.entries import choice_entries, picked, spread_entries
from shadematch.cli.parsing import Verbs, called, not_with
from shadematch.cli.printing import json_object, picture, picture_kind, shown
from shadematch.cli.wanted import add_target, read_target
from shadematch.gamuts.feasibility import Cell, feasibility
from shadematch.support.cautions import CAUTIONS
from shadematch.support.report import Row

__all__ = ["add_verb"]

_LISTS: Final = {"thickness_cm": "thicknesses", "white": "whites", "batch_g": "batches"}
"""Options that list what a pour has one of."""


def add_verb(verb: Verbs) -> None:
    """Add the verb."""
    parser = verb("feasibility", _feasibility)
    add_target(parser)
    add = parser.add_argument_group("what to try").add_argument
    add("--within", type=NUMBER, metavar="CIEDE2000", help="how far away counts as made (1)")
    text = "in cm, for instance 0.5,1,2 (seven from 0.5 to 6, or --thickness alone)"
    add("--thicknesses", type=LENGTHS, metavar="CM,...", help=text)
    text = "parts of white, for instance 0,0.1 (seven from 0 to 1, or --white alone)"
    add("--whites", type=SHARES, metavar="FRACTION,...", help=text)
    add("--batches", type=MASSES, metavar="G,...", help="in g (--batch alone)")
    text = "compare with the palette without this pigment; may be repeated"
    add("--without", action="append", default=[], metavar="NAME", help=text)
    add("--save", metavar="FILE", help="draw the map into this file (.png, .svg, .pdf)")
    add_conditions(parser)


def _feasibility(args: argparse.Namespace) -> str:
    if args.save is not None:
        picture_kind(args.save)
    for one, many in _LISTS.items():
        if getattr(args, many) is not None:
            not_with(f"--{many}", args, one, remedy="Put it into that list")
    pour, view = pour_and_view(args)
    palette = read_palette(args)
    # A single thickness or white fraction, given as for other verbs, is all that is tried.
    single = {
        "thicknesses_cm": args.thicknesses or _single(args.thickness_cm),
        "whites": args.whites or _single(args.white),
        "batches_g": args.batches,
        "within": args.within,
    }
    options = {name: value for name, value in single.items() if value is not None}
    others = palette.without(*args.without) if args.without else None
    target = read_target(args)
    with contextlib.ExitStack() as lists:
        for field, option in _LISTS.items():
            lists.enter_context(called(field, f"--{option}"))
        found = feasibility(target, palette=palette, pour=pour, view=view, **options)
    name = f"{', '.join(args.without)} left out"
    compared = None if others is None else found.compare(others, name=name)
    if args.save is not None:
        from shadematch.plots.feasibility import draw_comparison, draw_feasibility

        figure = draw_feasibility(found) if compared is None else draw_comparison(compared)
        picture(figure.figure, args.save, replace=args.replace)
    if args.json:
        entries: dict[str, Any] = {
            "target": {"lab": found.target.lab, "hex": found.target.hex},
            "within": found.within,
            "sentence": found.sentence,
            "best": _best(found.best),
            "cells": [_cell(c) for layer in found.cells for row in layer for c in row],
        }
        if compared is not None:
            entries["without"] = {
                "names": args.without,
                "sentence": compared.sentence,
                "best": _best(compared.second.best),
            }
        return json_object({**entries, "view": view.model_dump(), "cautions": CAUTIONS})
    drawn = [] if args.save is None else [Row("saved", args.save)]
    return shown(found.report().plus(*drawn), *([] if compared is None else [compared]))


def _single(value: float | None) -> tuple[float] | None:
    return None if value is None else (value,)


def _best(cell: Cell) -> dict[str, Any]:
    return {
        **choice_entries(cell.closest),
        "spread": spread_entries(cell.spread),
        "pour": cell.pour.model_dump(),
    }


def _cell(cell: Cell) -> dict[str, Any]:
    pour = cell.pour
    return {
        **picked(pour, "batch_g", "white", "base", "thickness_cm"),
        "doses": dict(cell.closest.recipe.doses),
        "delta_e": cell.delta_e,
        "median": cell.spread.median,
        "p90": cell.spread.p90,
        "largest": cell.spread.largest,
        "ideal_delta_e": cell.ideal.delta_e,
        "proved": cell.proved,
    }
