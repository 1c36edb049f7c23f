"""``shadematch gamut``: what can be made at all.

With ``--json``: ``volume`` {value, error} [CIELAB cubed], ``targets``, a list of {hex, delta_e,
bound, proved, nearest} with the nearest colour's code, ``coverage`` {set: share}, ``within``,
``palette`` (names), ``pour``, ``view``, ``cautions``.
"""

from __future__ import annotations

import argparse
from typing import Any

from shadematch.cli.amounts import COUNT, NUMBER
from shadematch.cli.conditions import add_conditions, pour_and_view, read_palette
from shadematch.cli.entries import picked, shared_entries
from shadematch.cli.parsing import Verbs, only_with
from shadematch.cli.printing import json_object, picture, picture_kind, shown
from shadematch.gamuts.reach import gamut
from shadematch.support.report import Row

__all__ = ["add_verb"]


def add_verb(verb: Verbs) -> None:
    """Add the verb."""
    parser = verb("gamut", _gamut)
    text = 'screen colours to find the nearest of, for instance "#d9822b" or d9822b'
    parser.add_argument("targets", nargs="*", metavar="HEX", help=text)
    add = parser.add_argument
    text = "share of a set of colours that can be made; may be repeated"
    add("--coverage", action="append", default=[], choices=("srgb", "munsell"), help=text)
    text = "how far away still counts as made in --coverage (1)"
    add("--within", type=NUMBER, metavar="CIEDE2000", help=text)
    add("--max-pigments", type=COUNT, metavar="COUNT", help="most pigments in a recipe")
    text = "draw into this file (.png, .svg, .pdf): the solid, or a slice of it"
    add("--save", metavar="FILE", help=text)
    add("--lightness", type=NUMBER, metavar="L", help="draw the slice at this lightness")
    add("--hue", type=NUMBER, metavar="DEGREES", help="or at this hue")
    add_conditions(parser)


def _gamut(args: argparse.Namespace) -> str:
    pour, view = pour_and_view(args)
    palette = read_palette(args)
    cut = args.lightness is not None or args.hue is not None
    if not args.coverage:
        only_with("--coverage", args, "within")
    within = 1.0 if args.within is None else args.within
    if args.save is None:
        only_with("--save", args, "lightness", "hue")
    else:
        picture_kind(args.save)
    found = gamut(palette=palette, pour=pour, view=view, max_pigments=args.max_pigments)
    nearest = [found.nearest(code) for code in args.targets]
    coverage = {name: found.coverage(name, within=within) for name in args.coverage}
    if args.save is not None:
        # Figures need matplotlib, which is an extra.
        from shadematch.plots.gamut import draw_slice
        from shadematch.plots.solid import draw_solid

        lines = {"lightness": args.lightness, "hue": args.hue}
        drawn = draw_slice(found.slice(**lines)) if cut else draw_solid(found)
        picture(drawn.figure, args.save, replace=args.replace)
    if args.json:
        entries: dict[str, Any] = {
            "volume": {"value": found.volume.value, "error": found.volume.error},
            "targets": [
                {
                    "hex": n.target.hex,
                    **picked(n, "delta_e", "bound", "proved"),
                    "nearest": n.choice.predicted.hex,
                }
                for n in nearest
            ],
            "coverage": {name: c.share for name, c in coverage.items()},
            "within": within,
            "palette": palette.names,
            **shared_entries(pour, view),
        }
        return json_object(entries)
    rows = [Row(name, c.sentence) for name, c in coverage.items()]
    if args.save is not None:
        rows.append(Row("saved", args.save))
    return shown(found.report().plus(*rows), *nearest)
