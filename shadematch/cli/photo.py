"""``shadematch photo``: flat areas of a photo as a numbered picture, to choose a region from.

With ``--chart``, the corners of a 24-patch chart instead, with its patches numbered.

With ``--json``: ``areas``, a list of {number, region [left, top, right, bottom in pixels], hex,
neutral}; or ``corners`` of the chart, a list of four [x, y] in pixels, and ``left_out``, the
covered patches, from 1 to 24. And ``saved``, the file or null.
"""

from __future__ import annotations

import argparse

from shadematch.cli.amounts import COUNT
from shadematch.cli.entries import picked
from shadematch.cli.parsing import Verbs, given, not_with
from shadematch.cli.printing import coloured, json_object, picture, picture_kind
from shadematch.photo.finding import draw_chart, find_chart
from shadematch.photo.proposal import flat_areas
from shadematch.support.report import Swatch

__all__ = ["add_verb"]


def add_verb(verb: Verbs) -> None:
    """Add the verb."""
    parser = verb("photo", _photo)
    parser.add_argument("photo", metavar="FILE", help="JPEG, PNG, TIFF, WebP or HEIC")
    parser.add_argument(
        "--save", metavar="FILE", help="draw them, numbered, into this file (.png, .svg, .pdf)"
    )
    parser.add_argument("--most", type=COUNT, metavar="COUNT", help="how many at most (12)")
    text = "look for a 24-patch chart instead, and print its corners"
    parser.add_argument("--chart", action="store_true", help=text)


def _photo(args: argparse.Namespace) -> str:
    if args.save is not None:
        picture_kind(args.save)
    if args.chart:
        return _chart(args)
    found = flat_areas(args.photo, **given(args, "most"))
    if args.save is not None:
        picture(found.show(), args.save, replace=args.replace)
    if args.json:
        areas = [
            {"region": list(a.region.numbers), **picked(a, "number", "hex", "neutral")}
            for a in found.areas
        ]
        return json_object({"areas": areas, "saved": args.save})
    lines = [f"{Swatch(a.hex).patch()}  {a}" if coloured() else str(a) for a in found.areas]
    if args.save is not None:
        lines.append(f"saved in {args.save}")
    return "\n".join(lines) or "no flat areas found"


def _chart(args: argparse.Namespace) -> str:
    not_with("--chart", args, "most", remedy="It goes with flat areas")
    found = find_chart(args.photo)
    if args.save is not None:
        picture(draw_chart(args.photo, found), args.save, replace=args.replace)
    left_out = [i + 1 for i in found.left_out]
    if args.json:
        corners = [[round(v, 1) for v in corner] for corner in found.corners]
        return json_object({"corners": corners, "left_out": left_out, "saved": args.save})
    corner_text = " ".join(f"{x:.0f},{y:.0f}" for x, y in found.corners)
    lines = [f"chart found: --chart '{corner_text}'"]
    if left_out:
        lines.append(
            f"covered, or with glare: patches {', '.join(map(str, left_out))}; "
            "take --chart find, which leaves them out"
        )
    if args.save is not None:
        lines.append(f"saved in {args.save}")
    return "\n".join(lines)
