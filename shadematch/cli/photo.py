"""``shadematch photo``: flat parts of a photo as a numbered picture, to choose a region from.

With ``--json``: ``areas``, a list of {number, region [left, top, right, bottom in pixels], hex,
neutral}; ``picture``, the file written, or null.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from shadematch.cli.printing import coloured, json_text, swatch
from shadematch.cli.words import COUNT, Verbs
from shadematch.errors import PhotoError
from shadematch.photo.proposal import FlatAreas, flat_areas

__all__ = ["add_verb"]


def add_verb(verb: Verbs) -> None:
    """Announce the verb."""
    parser = verb("photo", _photo, "Propose flat parts of a photo, as a numbered picture.")
    parser.add_argument("photo", metavar="FILE", help="JPEG, PNG, TIFF, WebP or HEIC")
    parser.add_argument("--picture", metavar="PNG", help="draw them, numbered, into this file")
    parser.add_argument("--most", type=COUNT, metavar="COUNT", help="how many at most (12)")


def _photo(args: argparse.Namespace) -> str:
    found = flat_areas(args.photo, **({} if args.most is None else {"most": args.most}))
    if args.picture is not None:
        _draw(found, Path(args.picture), Path(args.photo))
    if args.json:
        areas = [
            {"number": a.number, "region": list(a.region.numbers), "hex": a.hex,
             "neutral": a.neutral}
            for a in found.areas
        ]  # fmt: skip
        return json_text({"areas": areas, "picture": args.picture})
    lines = [f"{swatch(a.hex)}  {a}" if coloured() else str(a) for a in found.areas]
    if args.picture is not None:
        lines.append(f"drawn in {args.picture}")
    return "\n".join(lines) or "no flat areas found"


def _draw(found: FlatAreas, place: Path, photo: Path) -> None:
    if place.suffix.lower() != ".png":
        raise PhotoError("must end in .png", field="--picture", value=str(place),
                         remedy="Name it areas.png, for instance")  # fmt: skip
    if place.exists() and place.samefile(photo):
        raise PhotoError("is the photo itself", field="--picture", value=str(place),
                         remedy="Give another name")  # fmt: skip
    figure = found.show()
    try:
        # Written beside and moved into place, so that no half picture is left.
        beside = place.with_name(f".{place.name}.part")
        figure.savefig(beside, format="png", dpi=90)
        beside.replace(place)
    except OSError as error:
        raise PhotoError(f"can't be written: {error.strerror}", field="--picture",
                         value=str(place), remedy="Give another folder") from None  # fmt: skip
