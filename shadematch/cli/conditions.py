"""Options for palette, pour, view, lights and readings."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from typing import Any, Final

from shadematch.cli.amounts import BACKING, LENGTH, MASS, NUMBER, SHARE, read_doses
from shadematch.cli.parsing import OPTIONS, called, given
from shadematch.colour.illuminant import Illuminant, Light
from shadematch.keeping.settings import palette_in
from shadematch.predicting.readings import DOSE_SLIP, SCALE_G
from shadematch.studio.palette import Palette, demo_palette
from shadematch.studio.pour import Pour
from shadematch.studio.unit import Unit
from shadematch.studio.view import View

__all__ = [
    "LIGHT_HELP",
    "add_conditions",
    "add_lights",
    "add_loss",
    "add_made",
    "add_readings",
    "as_light",
    "pour_and_view",
    "read_lights",
    "read_made",
    "read_palette",
    "read_readings",
    "usual_bars",
]


LIGHT_HELP: Final = "light, for instance D65, A or LED-B3, or a .csv with its spectrum"


def add_conditions(
    parser: argparse.ArgumentParser,
    pour: Sequence[str] = tuple(Pour.model_fields),
    *,
    view: bool = True,
    palette: bool = True,
) -> None:
    """Add palette, pour and view; `pour_and_view` and `read_palette` read them.

    `pour` lists the fields of the pour that the verb uses.
    """
    if palette:
        text = "palette, calibration or journal (from the settings, or else invented samples)"
        parser.add_argument("--palette", metavar="FILE", help=text)
    usual = Pour()
    add = parser.add_argument_group("the pour").add_argument
    for field, kind, unit, text in (
        ("batch_g", MASS, "G", "base in g"),
        ("thickness_cm", LENGTH, "CM", "thickness of the bar in cm"),
        ("white", SHARE, "FRACTION", "part of the base that is white, 0 to 1"),
        ("base", str, "NAME", "what the rest of it is, one of the palette's bases"),
        ("max_load", NUMBER, "LOAD", "most paste per 100 g of base, in the palette's unit"),
        ("dose_step", NUMBER, "DOSE", "what doses are multiples of, in the palette's unit"),
    ):
        by_default = getattr(usual, field)
        text = f"{text} ({by_default if field == 'base' else format(by_default, 'g')})"
        if field in pour:
            add(OPTIONS[field], dest=field, type=kind, metavar=unit, help=text)
    if not view:
        return
    add = parser.add_argument_group("the view").add_argument
    add("--illuminant", metavar="NAME", help=f"{LIGHT_HELP} (D65)")
    add("--observer", metavar="DEGREES", help="2 (usual) or 10")
    text = "what lies behind: white (usual), black, or a reflectance from 0 to 1"
    add("--backing", type=BACKING, metavar="BACKING", help=text)
    add("--contact", choices=("dry", "wet"), help="lies dry (usual) or wet on it")
    add("--through", action="store_true", default=None, help="held against the light")


def read_palette(args: argparse.Namespace) -> Palette:
    """The palette given, or that of the settings, or the demo palette."""
    found: Palette
    if args.palette is None:
        found = args.usual.palette or demo_palette()
    else:
        with called("path", "palette file"):
            found = palette_in(args.palette)
    args.notices.append(found.notice)
    return found


def pour_and_view(args: argparse.Namespace) -> tuple[Pour, View]:
    """Pour and view as given, completed from the settings."""
    usual = args.usual.usual.stated
    given = usual | {name: value for name, value in vars(args).items() if value is not None}
    pour = Pour(**{k: v for k, v in given.items() if k in Pour.model_fields})
    if "illuminant" in given:
        given["illuminant"] = as_light(given["illuminant"], "--illuminant")
    return pour, View(**{k: v for k, v in given.items() if k in View.model_fields})


def usual_bars(args: argparse.Namespace) -> dict[str, float]:
    """`bar_g` and `loss` as given, or else from the settings."""
    usual, given = args.usual.usual, vars(args)
    both = {
        name: getattr(usual, name) if given.get(name) is None else given[name]
        for name in ("bar_g", "loss")
    }
    return {name: value for name, value in both.items() if value is not None}


def add_loss(add: Callable[..., Any]) -> None:
    """Add ``--loss``; `usual_bars` reads it."""
    text = "part of the base that stays in the pot, 0 to 1 (0.03)"
    add("--loss", type=SHARE, metavar="FRACTION", help=text)


def as_light(text: str, option: str) -> Light:
    """A light by its name, or from a file with its spectrum, given in an option."""
    if not text.lower().endswith(".csv"):
        return text
    with called("path", option):
        return Illuminant.from_csv(text)


def add_lights(add: Callable[..., Any], usual: str) -> None:
    """Add lights, in one option or in more; `read_lights` reads them."""
    text = f"lights that count, such as D65,A or lamp.csv; may be repeated ({usual})"
    add("--lights", type=_to_names, action="extend", default=[], metavar="NAME,...", help=text)


def _to_names(text: str) -> list[str]:
    return [name.strip() for name in text.split(",")]


def read_lights(args: argparse.Namespace) -> list[Light]:
    """The lights that were given."""
    return [as_light(name, "--lights") for name in args.lights]


def add_readings(parser: argparse.ArgumentParser) -> None:
    """Add the accuracy of ruler and scale; `read_readings` reads it."""
    add = parser.add_argument_group("how far a reading may be off either way").add_argument
    text = " or ".join(f"{slip:g} {unit}" for unit, slip in DOSE_SLIP.items())
    add(
        "--dose-slip", type=NUMBER, metavar="DOSE", help=f"of a dose ({text}, as the palette's are)"
    )
    add("--scale", dest="scale_g", type=MASS, metavar="G", help=f"of a mass in g ({SCALE_G:g})")


def read_readings(args: argparse.Namespace) -> dict[str, Any]:
    """`dose_slip` and `scale_g`, if given."""
    return given(args, "dose_slip", "scale_g")


def add_made(parser: argparse.ArgumentParser) -> None:
    """Add the amounts that let-downs were made with; `read_made` reads them."""
    text = "paste that a let-down in the recipe was made with in one go; may be repeated"
    parser.add_argument("--let-down-paste", action="append", metavar="NAME=DOSE", help=text)


def read_made(args: argparse.Namespace, unit: Unit) -> dict[str, float] | None:
    """`let_down_paste` in the palette's unit, if given."""
    return None if args.let_down_paste is None else read_doses(args.let_down_paste, unit)
