"""Words that verbs share: how a palette, pour, view, target and doses are given and shown."""

from __future__ import annotations

import argparse
import contextlib
import difflib
import errno
import os
from collections.abc import Callable, Iterator, Sequence
from typing import Any, Final, NoReturn, Protocol, TypeVar

from shadematch.colour.illuminant import Illuminant, Light
from shadematch.errors import ColourError, PourError, ShadematchError
from shadematch.keeping.files import read
from shadematch.matching.question import Choice
from shadematch.photo.light import Neutral
from shadematch.photo.read import read_photo as _read_photo
from shadematch.photo.regions import as_regions
from shadematch.predicting.prediction import Prediction
from shadematch.predicting.readings import DOSE_SLIP, SCALE_G
from shadematch.predicting.spread import Spread
from shadematch.studio.palette import Palette, demo_palette
from shadematch.studio.pour import Pour
from shadematch.studio.recipe import LetDown, Recipe
from shadematch.studio.target import Target
from shadematch.studio.unit import Unit
from shadematch.studio.view import View
from shadematch.support.cautions import CAUTIONS
from shadematch.support.readers import is_number

__all__ = [
    "BACKING",
    "COUNT",
    "LIGHT",
    "NUMBER",
    "NUMBERS",
    "OPTIONS",
    "TARGET_OPTIONS",
    "TARGET_WAYS",
    "Parser",
    "Verbs",
    "add_conditions",
    "add_lights",
    "add_made",
    "add_photo",
    "add_readings",
    "add_target",
    "as_light",
    "called",
    "choice_entries",
    "dose_entries",
    "no_photo",
    "only_with",
    "option_of",
    "pour_and_view",
    "read_doses",
    "read_let_down",
    "read_lights",
    "read_made",
    "read_palette",
    "read_photo",
    "read_readings",
    "read_target",
    "reader",
    "recipe_entries",
    "renamed",
    "shared_entries",
    "spread_entries",
]

T = TypeVar("T")

_LONGEST: Final = 400
"""Letters of a complaint; words that were typed can be of any length."""

LIGHT: Final = "light, for instance D65, A or LED-B3, or a .csv with its spectrum"
OPTIONS: Final = (
    {"hex": "HEX", "buy": "--budget", "clear_top": "--bare"}
    | {
        name: "--" + name.removesuffix("_cm").removesuffix("_g").replace("_", "-")
        for name in (
            *(*Pour.model_fields, *View.model_fields, "tolerance", "max_pigments"),
            *("must_use", "must_avoid", "lab", "xyz", "spectrum", "photo"),
            *("region", "neutral", "reflectance", "chart", "shading"),
            *("within", "lightness", "hue", "thicknesses_cm", "whites", "batches_g"),
            *("title", "date", "note", "bars", "bar_g", "loss", "depth_cm", "pot"),
            *("delta_e", "step_g", "largest_g", "max_let_downs", "most", "reference"),
            *("from_cm", "to_cm", "height_cm", "steps", "seconds", "gap"),
            *("dose_slip", "scale_g", "pot_g", "base_step_g", "bases", "measured"),
        )
    }
    | {"let_down_paste": "--let-down-paste", "drop_mm": "--drop"}
    | {"lights": "--lights"}
)
"""What the library's fields are called here."""


_OF_PHOTO: Final = ("region", "neutral", "reflectance", "chart", "shading")
TARGET_WAYS: Final = ("hex", "lab", "xyz", "spectrum", "photo")
"""How a wanted colour can be given."""
TARGET_OPTIONS: Final = (*TARGET_WAYS, *_OF_PHOTO, "target_illuminant", "target_observer")
"""All that tells of it."""


class Parser(argparse.ArgumentParser):
    """A parser that complains in this library's form instead of leaving the program."""

    def error(self, message: str) -> NoReturn:
        """Turn what argparse says into an error with a remedy."""
        self._complain(message.removeprefix("argument "), "")

    def _print_message(self, message: str, file: Any = None) -> None:
        # argparse says nothing of help that it can't write; what it prints goes to sys.stdout.
        if file is None:
            raise OSError(errno.EBADF, os.strerror(errno.EBADF))
        print(message, end="", file=file, flush=True)

    @property
    def destinations(self) -> set[str]:
        """What its options are read as."""
        return {action.dest for action in self._actions}

    def unknown(self, words: Sequence[str]) -> NoReturn:
        """Complain of words that mean nothing to the verb of this parser."""
        options = [o for a in self._actions for o in a.option_strings]
        close = difflib.get_close_matches(words[0], options, n=1) if words[0][:1] == "-" else []
        hint = f"Did you mean {close[0]}? " if close else ""
        self._complain(f"unrecognized arguments: {' '.join(words)}", hint)

    def _complain(self, said: str, hint: str) -> NoReturn:
        said = said if len(said) <= _LONGEST else f"{said[: _LONGEST - 3]}..."
        raise ShadematchError(said, remedy=f"{hint}See {self.prog} --help")


class Verbs(Protocol):
    """Where a verb's room announces its verb."""

    def __call__(self, name: str, run: Callable[[argparse.Namespace], str], text: str, /) -> Parser:
        """Add the verb `name`, done by `run`, described by `text`; every verb has ``--json``."""


def reader(make: Callable[[str], T], what: str) -> Callable[[str], T]:
    """How argparse is to read a word, complaining in this library's form."""

    def read(text: str) -> T:
        try:
            return make(text)
        except ValueError:
            raise argparse.ArgumentTypeError(f"must be {what} (got {text.strip()!r})") from None

    return read


def _to_backing(text: str) -> str | float:
    if text in ("white", "black"):
        return text
    if 0 <= (value := float(text)) <= 1:
        return value
    raise ValueError(text)


NUMBER: Final = reader(float, "a number such as 2 or 0.5")
COUNT: Final = reader(int, "a whole number such as 2")
NUMBERS: Final = reader(
    lambda text: tuple(float(word) for word in text.split(",")), "numbers such as 0.5,1,2"
)
BACKING: Final = reader(_to_backing, "white, black or a reflectance from 0 to 1")


def add_target(parser: argparse.ArgumentParser) -> None:
    """Let the wanted colour be given in any of its ways; `read_target` reads it."""
    add = parser.add_argument_group("the wanted colour, given in one of these ways").add_argument
    add("hex", nargs="?", metavar="HEX", help="screen colour, for instance #d9822b")
    add("--lab", nargs=3, type=NUMBER, metavar=("L", "A", "B"), help="CIELAB")
    add("--xyz", nargs=3, type=NUMBER, metavar=("X", "Y", "Z"), help="with Y = 100 for white")
    add("--spectrum", metavar="FILE", help="lines of: wavelength in nm, reflectance from 0 to 1")
    add_photo(add)
    add("--target-illuminant", metavar="NAME", help="light in which --lab or --xyz is meant (D65)")
    add("--target-observer", metavar="DEGREES", help="and its observer, 2 or 10 (2)")


def add_photo(add: Callable[..., Any], prefix: str = "") -> None:
    """Let a colour be given as a photo, in options that begin with `prefix`."""
    start = f"--{prefix}"
    add(f"{start}photo", metavar="FILE", help=f"photo in which {start}region shows it")
    text = (
        "left,top,right,bottom in pixels or fractions, 'circle x,y,radius' or 'polygon x,y x,y "
        "x,y'; may be repeated; 'shadematch photo FILE' proposes some"
    )
    add(f"{start}region", action="append", metavar="REGION", help=text)
    text = "white paper or grey card in it"
    add(f"{start}neutral", action="append", metavar="REGION", help=text)
    add(f"{start}reflectance", type=NUMBER, metavar="SHARE", help="of the neutral, 0 to 1 (0.9)")
    text = (
        "24-patch chart in it: 'x,y x,y x,y x,y' of dark skin, bluish green, black, white; or "
        "'find'"
    )
    add(f"{start}chart", metavar="CORNERS", help=text)
    add(f"{start}shading", metavar="FILE", help="photo of plain paper from the same stand")


def add_conditions(
    parser: argparse.ArgumentParser,
    pour: Sequence[str] = tuple(Pour.model_fields),
    *,
    view: bool = True,
) -> None:
    """Let palette, pour and view be given; `pour_and_view` and `read_palette` read them.

    Parameters
    ----------
    parser
        Of the verb.
    pour
        Fields of the pour that matter to it.
    view
        Whether the view does.
    """
    parser.add_argument("--palette", metavar="FILE", help="palette file (the demo palette)")
    usual = Pour()
    add = parser.add_argument_group("the pour").add_argument
    for field, unit, text in (
        ("batch_g", "G", "base in g"),
        ("thickness_cm", "CM", "thickness of the bar in cm"),
        ("white", "FRACTION", "part of the base that is white, 0 to 1"),
        ("max_load", "LOAD", "most paste per 100 g of base, in the palette's unit"),
        ("dose_step", "DOSE", "what doses are multiples of, in the palette's unit"),
    ):
        text = f"{text} ({getattr(usual, field):g})"
        if field in pour:
            add(OPTIONS[field], dest=field, type=NUMBER, metavar=unit, help=text)
    if not view:
        return
    add = parser.add_argument_group("the view").add_argument
    add("--illuminant", metavar="NAME", help=f"{LIGHT} (D65)")
    add("--observer", metavar="DEGREES", help="2 (usual) or 10")
    text = "what lies behind: white (usual), black, or a reflectance from 0 to 1"
    add("--backing", type=BACKING, metavar="BACKING", help=text)
    add("--contact", choices=("dry", "wet"), help="lies dry (usual) or wet on it")
    add("--through", action="store_true", default=None, help="held against the light")


def add_lights(add: Callable[..., Any], usual: str) -> None:
    """Let several lights be named, in one option or in more; `read_lights` reads them."""
    text = f"lights that count, such as D65,A or lamp.csv; may be repeated ({usual})"
    add("--lights", type=_to_names, action="extend", default=[], metavar="NAME,...", help=text)


def _to_names(text: str) -> list[str]:
    return [name.strip() for name in text.split(",")]


def read_lights(args: argparse.Namespace) -> list[Light]:
    """The lights that were named."""
    return [as_light(name, "--lights") for name in args.lights]


def add_readings(parser: argparse.ArgumentParser) -> None:
    """Let be said how well ruler and scale are read; `read_readings` reads it."""
    add = parser.add_argument_group("how far a reading may be off, either way").add_argument
    text = " or ".join(f"{slip:g} {unit}" for unit, slip in DOSE_SLIP.items())
    add(
        "--dose-slip", type=NUMBER, metavar="DOSE", help=f"of a dose ({text}, as the palette's are)"
    )
    add("--scale", dest="scale_g", type=NUMBER, metavar="G", help=f"of a mass in g ({SCALE_G:g})")


def read_readings(args: argparse.Namespace) -> dict[str, Any]:
    """`dose_slip` and `scale_g`, where they were given."""
    given = {"dose_slip": args.dose_slip, "scale_g": args.scale_g}
    return {name: value for name, value in given.items() if value is not None}


def add_made(parser: argparse.ArgumentParser) -> None:
    """Let be said how much of let-downs was made at once; `read_made` reads it."""
    text = "paste that a let-down in the recipe was made with at once; may be repeated"
    option: dict[str, Any] = {"dest": "let_down_paste", "metavar": "NAME=DOSE", "help": text}
    parser.add_argument("--let-down-paste", action="append", **option)


def read_made(args: argparse.Namespace) -> dict[str, float] | None:
    """`let_down_paste`, where it was given."""
    return None if args.let_down_paste is None else read_doses(args.let_down_paste)


def spread_entries(found: Spread) -> dict[str, Any]:
    """What JSON tells of a spread."""
    shown = ("mean", "median", "p90", "p95", "lab_covariance", "dose_slip", "scale_g")
    entries = {name: getattr(found, name) for name in shown}
    return {"delta_e": found.nominal_delta_e, **entries, "shares": dict(found.shares)}


def pour_and_view(args: argparse.Namespace) -> tuple[Pour, View]:
    """The pour and the view that were given, the usual ones where nothing was."""
    given = {name: value for name, value in vars(args).items() if value is not None}
    pour = Pour(**{k: v for k, v in given.items() if k in Pour.model_fields})
    if "illuminant" in given:
        given["illuminant"] = as_light(given["illuminant"], "--illuminant")
    return pour, View(**{k: v for k, v in given.items() if k in View.model_fields})


def as_light(text: str, option: str) -> Light:
    """A light by its name, or from a file with its spectrum, given in an option."""
    if not text.lower().endswith(".csv"):
        return text
    with called("path", option):
        return Illuminant.from_csv(text)


def option_of(name: str) -> str:
    """The option that is read as `name`."""
    return OPTIONS.get(name, "--" + name.replace("_", "-"))


def only_with(option: str, args: argparse.Namespace, *names: str) -> None:
    """Complain of what is given and would count for nothing, `option` not being given.

    Raises
    ------
    PourError
        Naming it.
    """
    for name in names:
        if (value := getattr(args, name)) is not None:
            raise PourError(
                f"has no meaning without {option}",
                field=option_of(name),
                value=value,
                remedy=f"Give {option} too, or leave it out",
            )


@contextlib.contextmanager
def called(field: str, option: str) -> Iterator[None]:
    """Complaints about a field say the option it was given in."""
    try:
        yield
    except ShadematchError as found:
        if found.field != field:
            raise
        raise renamed(found, option) from None


def read_target(args: argparse.Namespace) -> Target:
    """The one wanted colour that was given."""
    given = [OPTIONS[way] for way in TARGET_WAYS if getattr(args, way) is not None]
    if len(given) != 1:
        raise ColourError(
            "give exactly one wanted colour",
            field="target",
            value=" and ".join(given) or "none",
            remedy="Take one of HEX, --lab, --xyz, --spectrum and --photo",
        )
    light = {"illuminant": args.target_illuminant, "observer": args.target_observer}
    light = {name: value for name, value in light.items() if value is not None}
    if light and given[0] not in ("--lab", "--xyz"):
        name, value = next(iter(light.items()))
        problem, remedy = f"has no meaning with {given[0]}", "It goes with --lab and --xyz"
        raise ColourError(problem, field=f"--target-{name}", value=value, remedy=remedy)
    try:
        if args.lab is not None:
            return Target.from_lab(args.lab, **light)
        if args.xyz is not None:
            return Target.from_xyz(args.xyz, **light)
    except ColourError as found:
        # The view has a light and an observer too: say whose is wrong.
        if found.field in light:
            raise renamed(found, f"--target-{found.field}") from None
        raise
    if args.photo is not None:
        return read_photo(args)
    no_photo(args, given[0])
    if args.spectrum is not None:
        with called("path", "--spectrum"):
            return Target.from_csv(args.spectrum)
    return Target.from_hex(args.hex.strip())


def no_photo(args: argparse.Namespace, given: str, prefix: str = "") -> None:
    """Complain of options that go with a photo where there is none."""
    for name in _OF_PHOTO:
        value = getattr(args, f"{prefix}{name}".replace("-", "_"))
        if value is not None:
            raise ColourError(
                f"has no meaning with {given}",
                field=f"--{prefix}{name}",
                value=value,
                remedy=f"It goes with --{prefix}photo",
            )


def read_photo(args: argparse.Namespace, prefix: str = "") -> Target:
    """The colour in a photo that was given in options that begin with `prefix`."""
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
        given = {} if own["reflectance"] is None else {"reflectance": own["reflectance"]}
        neutral = Neutral(as_regions(own["neutral"], "neutral"), **given)
    elif own["reflectance"] is not None:
        raise ColourError(
            f"has no meaning without {start}neutral",
            field=f"{start}reflectance",
            value=own["reflectance"],
            remedy="Say where the neutral is",
        )
    return _read_photo(
        own["photo"],
        region=own["region"],
        neutral=neutral,
        chart=own["chart"],
        shading=own["shading"],
    ).target


def read_palette(path: str | None) -> Palette:
    """The palette in a file, the demo palette without one."""
    if path is None:
        return demo_palette()
    with called("path", "palette file"):
        return read(path, Palette)


def read_doses(pairs: Sequence[str]) -> dict[str, float]:
    """Doses written as NAME=DOSE."""
    doses: dict[str, float] = {}
    remedy = "Write each dose as NAME=DOSE, for instance gorse=3"
    for pair in pairs:
        name, equals, length = (part.strip() for part in pair.rpartition("="))
        if not equals or not is_number(length):
            raise PourError("is not a dose", field="NAME=DOSE", value=pair, remedy=remedy)
        if name in doses:
            remedy = "Give each pigment once"
            raise PourError("a name stands twice", field="NAME=DOSE", value=pair, remedy=remedy)
        doses[name] = float(length)
    return doses


def read_let_down(text: str, *, unit: Unit, step_g: float | None, white: float | None) -> LetDown:
    """A let-down written as NAME=DOSE/G: so much paste in so many g of base."""
    name, equals, strength = text.rpartition("=")
    paste, slash, base = strength.partition("/")
    if not equals or not slash or not is_number(paste) or not is_number(base):
        raise PourError(
            "is not a let-down",
            field="--let-down",
            value=text,
            remedy="Write it as NAME=DOSE/G, for instance gorse=1/50",
        )
    given = {"step_g": step_g, "white": white}
    more = {field: value for field, value in given.items() if value is not None}
    try:
        return LetDown.made(name, paste=float(paste), base_g=float(base), unit=unit, **more)
    except PourError as found:
        own = {"step_g": "--weigh-step", "white": "--let-down-white"}
        raise renamed(found, own.get(found.field, f"--let-down {text}")) from None


def recipe_entries(recipe: Recipe, colour: Prediction, **more: float) -> dict[str, Any]:
    """What JSON tells of a recipe: from `doses` to `tubes`, `more`, and `predicted`."""
    shown = {name: getattr(colour, name) for name in ("lab", "xyz", "hex", "in_srgb")}
    return {**dose_entries(recipe), **more, "predicted": shown}


def dose_entries(recipe: Recipe) -> dict[str, Any]:
    """What JSON tells of doses: from `doses` and their `unit` to `tubes`."""
    entries: dict[str, Any] = {"doses": dict(recipe.doses), "unit": recipe.unit}
    if recipe.weighed:
        entries["squeezed"] = recipe.squeezed
        entries["weighed"] = [
            {**part.let_down.model_dump(), "mass_g": part.mass_g} for part in recipe.weighed
        ]
    entries |= {n: getattr(recipe, n) for n in ("proportions", "total", "load", "tubes")}
    return entries


def choice_entries(choice: Choice) -> dict[str, Any]:
    """The same with `delta_e`."""
    return recipe_entries(choice.recipe, choice.predicted, delta_e=choice.delta_e)


def shared_entries(pour: Pour, view: View) -> dict[str, Any]:
    """What JSON tells in every answer: `pour`, `view`, `cautions`."""
    return {"pour": pour.model_dump(), "view": view.model_dump(), "cautions": CAUTIONS}


def renamed(found: ShadematchError, field: str) -> ShadematchError:
    """The same error about a field called otherwise here."""
    return type(found)(found.problem, field=field, value=found.value, remedy=found.remedy)
