"""Options for a wanted or a measured colour: in words, in a file or in a photo."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import PurePath
from typing import Any, Final

from shadematch.cli.amounts import NUMBER, SHARE
from shadematch.cli.conditions import read_palette
from shadematch.cli.parsing import HASH, OPTIONS, called, given, not_with, only_with
from shadematch.errors import ColourError
from shadematch.photo.light import Neutral
from shadematch.photo.read import read_photo
from shadematch.photo.regions import as_regions
from shadematch.studio.palette import Palette
from shadematch.studio.target import Target

__all__ = [
    "TARGET_OPTIONS",
    "TARGET_WAYS",
    "add_photo",
    "add_target",
    "no_photo",
    "photo_target",
    "read_target",
]


_OF_PHOTO: Final = ("region", "neutral", "reflectance", "chart", "shading")


TARGET_WAYS: Final = ("hex", "lab", "xyz", "spectrum", "photo")
"""The ways to give a wanted colour."""


_BY_KIND: Final = {
    ".json": "--recipe",
    **dict.fromkeys((".csv", ".txt"), "--spectrum"),
    **dict.fromkeys((".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp"), "--photo"),
}
"""The option for each kind of file."""

TARGET_OPTIONS: Final = (
    *(*TARGET_WAYS, *_OF_PHOTO, "of_palette"),
    *("target_illuminant", "target_observer"),
)
"""All options of a wanted colour."""


def add_target(parser: argparse.ArgumentParser) -> None:
    """Add the wanted colour in any of its ways; `read_target` reads it."""
    add = parser.add_argument_group("the wanted colour, given in one of these ways").add_argument
    add("hex", nargs="?", metavar="HEX", help='screen colour, for instance "#d9822b" or d9822b')
    add("--lab", nargs=3, type=NUMBER, metavar=("L", "A", "B"), help="CIELAB")
    add("--xyz", nargs=3, type=NUMBER, metavar=("X", "Y", "Z"), help="with Y = 100 for white")
    add("--spectrum", metavar="FILE", help="lines of: wavelength in nm, reflectance from 0 to 1")
    add_photo(add)
    text = "the photo shows a bar of the palette's pastes only; helps together with --chart"
    add("--of-palette", action="store_true", default=None, help=text)
    add("--target-illuminant", metavar="NAME", help="light in which --lab or --xyz is meant (D65)")
    add("--target-observer", metavar="DEGREES", help="and its observer, 2 or 10 (2)")


def add_photo(add: Callable[..., Any], prefix: str = "") -> None:
    """Add a colour in a photo, in options that begin with `prefix`."""
    start = f"--{prefix}"
    add(f"{start}photo", metavar="FILE", help=f"photo in which {start}region shows it")
    text = (
        "left,top,right,bottom in pixels or fractions, 'circle x,y,radius' or 'polygon x,y x,y "
        "x,y'; may be repeated; 'shadematch photo FILE' proposes some"
    )
    add(f"{start}region", action="append", metavar="REGION", help=text)
    text = "white paper or grey card in it"
    add(f"{start}neutral", action="append", metavar="REGION", help=text)
    text = "of the neutral, 0 to 1 (white paper)"
    add(f"{start}reflectance", type=SHARE, metavar="SHARE", help=text)
    text = (
        "24-patch chart in it: 'x,y x,y x,y x,y' of dark skin, bluish green, black, white; or "
        "'find'"
    )
    add(f"{start}chart", metavar="CORNERS", help=text)
    add(f"{start}shading", metavar="FILE", help="photo of plain paper from the same stand")


def read_target(args: argparse.Namespace) -> Target:
    """The one wanted colour that was given."""
    ways = [OPTIONS[way] for way in TARGET_WAYS if getattr(args, way) is not None]
    if len(ways) != 1:
        raise ColourError(
            "give exactly one wanted colour",
            field="target",
            value=" and ".join(ways) or "none",
            remedy="Take one of HEX, --lab, --xyz, --spectrum and --photo"
            + ("" if ways else f". {HASH}"),
        )
    options = given(args, "target_illuminant", "target_observer")
    if ways[0] not in ("--lab", "--xyz"):
        not_with(ways[0], args, *options, remedy="It goes with --lab and --xyz")
    light = {name.removeprefix("target_"): value for name, value in options.items()}
    try:
        if args.lab is not None:
            return Target.from_lab(args.lab, **light)
        if args.xyz is not None:
            return Target.from_xyz(args.xyz, **light)
    except ColourError as found:
        # The view has a light and an observer too: say whose is wrong.
        if found.field in light:
            raise found.at(f"--target-{found.field}") from None
        raise
    if args.photo is not None:
        return photo_target(args, palette=read_palette(args) if args.of_palette else None)
    no_photo(args, ways[0])
    not_with(ways[0], args, "of_palette", remedy="It goes with --photo")
    if args.spectrum is not None:
        with called("path", "--spectrum"):
            return Target.from_csv(args.spectrum)
    _no_file(args)
    return Target.from_hex(args.hex.strip())


def _no_file(args: argparse.Namespace) -> None:
    """Name the option to whoever gives a file where a hex colour is expected."""
    kind = PurePath(args.hex).suffix.lower()
    option = _BY_KIND.get(kind)
    if option is None or not hasattr(args, option.removeprefix("--")):
        return
    raise ColourError(
        "is a file, not a hex colour",
        field="HEX",
        value=args.hex,
        remedy=f"Write {option} {args.hex}",
    )


def no_photo(args: argparse.Namespace, way: str, prefix: str = "") -> None:
    """Refuse options of a photo where there is none."""
    names = (f"{prefix}{name}".replace("-", "_") for name in _OF_PHOTO)
    not_with(way, args, *names, remedy=f"It goes with --{prefix}photo")


def photo_target(
    args: argparse.Namespace, prefix: str = "", palette: Palette | None = None
) -> Target:
    """The colour in a photo given in options that begin with `prefix`."""
    names = ("photo", *_OF_PHOTO)
    own = {n: getattr(args, f"{prefix}{n}".replace("-", "_")) for n in names}
    start = f"--{prefix}"
    if own["region"] is None:
        raise ColourError(
            "is needed with a photo",
            field=f"{start}region",
            remedy=f"Let 'shadematch photo {own['photo']}' propose some",
        )
    neutral: Neutral | None = None
    if own["neutral"] is not None:
        known = {} if own["reflectance"] is None else {"reflectance": own["reflectance"]}
        neutral = Neutral(as_regions(own["neutral"], "neutral"), **known)
    else:
        only_with(f"{start}neutral", args, f"{prefix}reflectance".replace("-", "_"))
    return read_photo(
        own["photo"],
        region=own["region"],
        neutral=neutral,
        chart=own["chart"],
        shading=own["shading"],
        palette=palette,
    ).target
