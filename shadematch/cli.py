"""The command line: parse, call, print.

Exit status: 0 when answered, 2 for anything that can't be used, 130 after Ctrl-C, 141 when
nobody reads the output any more.

With ``--json`` each verb prints one JSON object. Keys may be added later; none of these will
change its meaning.

``match``
    ``target`` {lab, hex, source, illuminant, observer, lab_in_view}; of the recipe ``doses_cm``
    {name: cm}, ``proportions`` {name: whole number}, ``total_cm``, ``load`` [cm per 100 g],
    ``tubes``, ``delta_e``, ``predicted`` {lab, xyz, hex, in_srgb}; ``closest`` and ``ideal``,
    each with the keys from ``doses_cm`` to ``predicted``; ``bound``, ``proved``,
    ``frugal_proved``, ``tolerance``; ``verdict`` {limit, sentence, help}; ``pour``, ``view``,
    ``cautions``; with ``--choices`` also ``choices``, a list of the same form as ``closest``.
``predict``
    ``doses_cm`` to ``tubes`` as above, ``predicted``, ``pour``, ``view``, ``cautions``.
``palette``
    ``note`` and ``pigments``, a list of {name, hex, tube_cm, tube_price, scatters}.

``proportions`` is null where doses are no multiples of the dose step, ``tube_price`` where it
is not known.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import math
import os
import shutil
import sys
import textwrap
import unicodedata
from collections.abc import Callable, Sequence
from typing import Any, Final, NoReturn, TypeVar

from shadematch._version import __version__
from shadematch.cautions import CAUTIONS
from shadematch.errors import ColourError, PourError, ShadematchError
from shadematch.match import Match, match
from shadematch.materials import Palette, load_palette
from shadematch.pour import Pour, Recipe, View
from shadematch.prediction import Prediction, predict
from shadematch.question import Choice
from shadematch.readers import is_number
from shadematch.target import Target

__all__ = ["main"]

T = TypeVar("T")

_SWATCH_CM: Final = 2.0
_OPTIONS: Final = {"hex": "HEX"} | {
    name: "--" + name.removesuffix("_cm").removesuffix("_g").replace("_", "-")
    for name in (
        *(*Pour.model_fields, *View.model_fields, "tolerance", "max_pigments"),
        *("must_use", "must_avoid", "lab", "xyz", "spectrum"),
    )
}
"""What the library's fields are called here."""


class _Parser(argparse.ArgumentParser):
    def error(self, message: str) -> NoReturn:
        raise ShadematchError(message.removeprefix("argument "), remedy=f"See {self.prog} --help")


# ---- parse ----


def _reader(make: Callable[[str], T], what: str) -> Callable[[str], T]:
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


_NUMBER: Final = _reader(float, "a number such as 2 or 0.5")
_COUNT: Final = _reader(int, "a whole number such as 2")
_BACKING: Final = _reader(_to_backing, "white, black or a reflectance from 0 to 1")


def _parser() -> _Parser:
    parser = _Parser(
        prog="shadematch",
        description="How many whole centimetres of each pigment paste give a wanted colour.",
        allow_abbrev=False,
    )
    parser.add_argument("--version", action="version", version=f"shadematch {__version__}")
    verbs = parser.add_subparsers(dest="verb", metavar="VERB", required=True)

    def verb(name: str, run: Callable[[argparse.Namespace], str], text: str) -> _Parser:
        made: _Parser = verbs.add_parser(name, help=text, description=text, allow_abbrev=False)
        made.set_defaults(run=run)
        made.add_argument("--json", action="store_true", help="print one JSON object instead")
        return made

    one = verb("match", _match, "The doses that give a colour.")
    add = one.add_argument_group("the wanted colour, given in one of these ways").add_argument
    add("hex", nargs="?", metavar="HEX", help="screen colour, for instance #d9822b")
    add("--lab", nargs=3, type=_NUMBER, metavar=("L", "A", "B"), help="CIELAB")
    add("--xyz", nargs=3, type=_NUMBER, metavar=("X", "Y", "Z"), help="with Y = 100 for white")
    add("--spectrum", metavar="FILE", help="lines of: wavelength in nm, reflectance from 0 to 1")
    add("--target-illuminant", metavar="NAME", help="light in which --lab or --xyz is meant (D65)")
    add("--target-observer", metavar="DEGREES", help="and its observer, 2 or 10 (2)")
    add = one.add_argument_group("the recipe").add_argument
    text = "how much worse than the closest a recipe with less paste may be (0.5)"
    add("--tolerance", type=_NUMBER, metavar="CIEDE2000", help=text)
    add("--max-pigments", type=_COUNT, metavar="COUNT", help="most pigments in it")
    for option, text in (("--must-use", "pigment to put in"), ("--must-avoid", "to leave out")):
        add(option, action="append", default=[], metavar="NAME", help=f"{text}; may be repeated")
    add("--choices", action="store_true", help="also list accuracy against paste and tubes")
    _add_conditions(one)

    two = verb("predict", _predict, "The colour of a recipe.")
    two.add_argument("doses", nargs="+", metavar="NAME=CM", help="paste of each pigment in cm")
    _add_conditions(two)

    three = verb("palette", _palette, "List the pigments of a palette file, and so check it.")
    three.add_argument("palette", nargs="?", metavar="FILE", help="the demo palette if left out")
    return parser


def _add_conditions(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--palette", metavar="FILE", help="palette file (the demo palette)")
    usual = Pour()
    add = parser.add_argument_group("the pour").add_argument
    for field, unit, text in (
        ("batch_g", "G", "base in g"),
        ("thickness_cm", "CM", "thickness of the bar in cm"),
        ("white", "FRACTION", "part of the base that is white, 0 to 1"),
        ("max_load", "CM", "most paste in cm per 100 g of base"),
        ("dose_step_cm", "CM", "doses are multiples of this many cm"),
    ):
        text = f"{text} ({getattr(usual, field):g})"
        add(_OPTIONS[field], dest=field, type=_NUMBER, metavar=unit, help=text)
    add = parser.add_argument_group("the view").add_argument
    add("--illuminant", metavar="NAME", help="light, for instance D65 (usual), A or LED-B3")
    add("--observer", metavar="DEGREES", help="2 (usual) or 10")
    text = "what lies behind: white (usual), black, or a reflectance from 0 to 1"
    add("--backing", type=_BACKING, metavar="BACKING", help=text)
    add("--contact", choices=("air", "optical"), help="lies dry (air, usual) or wet (optical)")
    text = "seen by reflected light (usual) or held against the light"
    add("--light", choices=("reflected", "transmitted"), help=text)


def _pour_and_view(args: argparse.Namespace) -> tuple[Pour, View]:
    given = {name: value for name, value in vars(args).items() if value is not None}
    pour = Pour(**{k: v for k, v in given.items() if k in Pour.model_fields})
    return pour, View(**{k: v for k, v in given.items() if k in View.model_fields})


def _target(args: argparse.Namespace) -> Target:
    ways = ("hex", "lab", "xyz", "spectrum")
    given = [_OPTIONS[way] for way in ways if getattr(args, way) is not None]
    if len(given) != 1:
        raise ColourError(
            "give exactly one wanted colour",
            field="target",
            value=" and ".join(given) or "none",
            remedy="Take one of HEX, --lab, --xyz and --spectrum",
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
            raise _renamed(found, f"--target-{found.field}") from None
        raise
    if args.spectrum is not None:
        return Target.from_csv(args.spectrum)
    return Target.from_hex(args.hex.strip())


def _read_palette(path: str | None) -> Palette:
    try:
        return load_palette(path)
    except ShadematchError as found:
        # Entries of a file mean little without its name.
        field = "palette file" if found.field == "path" else f"{path}, {found.field}"
        raise _renamed(found, field) from None


def _doses(pairs: Sequence[str]) -> dict[str, float]:
    doses: dict[str, float] = {}
    remedy = "Write each dose as NAME=CM, for instance gorse=3"
    for pair in pairs:
        name, equals, length = pair.rpartition("=")
        if not equals or not is_number(length):
            raise PourError("is not a dose", field="NAME=CM", value=pair, remedy=remedy)
        if name in doses:
            remedy = "Give each pigment once"
            raise PourError("a name stands twice", field="NAME=CM", value=pair, remedy=remedy)
        doses[name] = float(length)
    return doses


# ---- call ----


def _match(args: argparse.Namespace) -> str:
    pour, view = _pour_and_view(args)
    found = match(
        _target(args),
        palette=_read_palette(args.palette),
        pour=pour,
        view=view,
        max_pigments=args.max_pigments,
        must_use=args.must_use,
        must_avoid=args.must_avoid,
        **({} if args.tolerance is None else {"tolerance": args.tolerance}),
    )
    if args.json:
        return _json(_match_entries(found, args.choices))
    parts = [_wrapped(str(found), 11)]
    if _coloured():
        # The two swatches touch, because the eye compares best without a gap.
        wanted, predicted = found.target.hex, found.predicted.hex
        swatches = _swatch(wanted) + _swatch(predicted)
        parts.insert(0, f"wanted {wanted} {swatches} {predicted} predicted")
    if args.choices:
        parts.append(_choices_table(found))
    return "\n\n".join((*parts, _cautions()))


def _predict(args: argparse.Namespace) -> str:
    pour, view = _pour_and_view(args)
    found = predict(_doses(args.doses), palette=_read_palette(args.palette), pour=pour, view=view)
    recipe = found.recipe
    if args.json:
        return _json({**_recipe_entries(recipe, found), **_shared_entries(pour, view)})
    lines = [f"pour       {pour}, seen {view}", f"predicted  {found}"]
    limit = pour.max_load
    if recipe.load > limit and not math.isclose(recipe.load, limit):
        lines.append(f"note       {recipe.load:.4g} cm per 100 g: the load limit is {limit:g}")
    if recipe.proportions is None:
        lines.append(f"note       not all doses are multiples of {pour.dose_step_cm:g} cm")
    parts = [_wrapped("\n".join(lines), 11), _cautions()]
    if _coloured():
        parts.insert(0, f"predicted {found.hex} {_swatch(found.hex)}")
    return "\n\n".join(parts)


def _palette(args: argparse.Namespace) -> str:
    palette = _read_palette(args.palette)
    codes = [predict({n: _SWATCH_CM}, palette=palette).hex for n in palette.names]
    both = list(zip(palette.pigments, codes, strict=True))
    if args.json:
        kept = {"name", "tube_cm", "tube_price"}
        entries = [
            {**p.model_dump(include=kept), "hex": c, "scatters": p.scatters} for p, c in both
        ]
        return _json({"note": palette.note, "pigments": entries})
    rows = [("pigment", "colour", "tube", "price", "scatters")]
    for p, code in both:
        price = "not known" if p.tube_price is None else f"{p.tube_price:.2f}"
        rows.append((p.name, code, f"{p.tube_cm:g} cm", price, "yes" if p.scatters else "no"))
    lines = _table(rows, {2, 3})
    if _coloured():
        patches = [" " * 10, *map(_swatch, codes)]
        lines = [f"{patch}  {line}" for patch, line in zip(patches, lines, strict=True)]
    foot = f"Colours are of {_SWATCH_CM:g} cm in {Pour()}, seen {View()}."
    note = (palette.note,) if palette.note else ()
    return "\n\n".join(("\n".join(lines), _wrapped("\n".join((foot, *note)))))


def _recipe_entries(recipe: Recipe, colour: Prediction, **more: float) -> dict[str, Any]:
    shown = {name: getattr(colour, name) for name in ("lab", "xyz", "hex", "in_srgb")}
    entries: dict[str, Any] = {"doses_cm": dict(recipe.doses_cm)}
    entries |= {n: getattr(recipe, n) for n in ("proportions", "total_cm", "load", "tubes")}
    return {**entries, **more, "predicted": shown}


def _choice_entries(choice: Choice) -> dict[str, Any]:
    return _recipe_entries(choice.recipe, choice.predicted, delta_e=choice.delta_e)


def _shared_entries(pour: Pour, view: View) -> dict[str, Any]:
    return {"pour": pour.model_dump(), "view": view.model_dump(), "cautions": CAUTIONS}


def _match_entries(found: Match, choices: bool) -> dict[str, Any]:
    goal = found.target
    entries = {
        "target": {
            **{n: getattr(goal, n) for n in ("lab", "hex", "source", "illuminant", "observer")},
            "lab_in_view": goal.lab_in(found.view).tolist(),
        },
        **_choice_entries(found.frugal),
        "closest": _choice_entries(found.closest),
        "ideal": _choice_entries(found.ideal),
        **{n: getattr(found, n) for n in ("bound", "proved", "frugal_proved", "tolerance")},
        "verdict": {n: getattr(found.verdict, n) for n in ("limit", "sentence", "help")},
        **_shared_entries(found.pour, found.view),
    }
    if choices:
        entries["choices"] = [_choice_entries(choice) for choice in found.choices]
    return entries


# ---- print ----


def _json(entries: dict[str, Any]) -> str:
    try:
        return json.dumps(entries, indent=2, allow_nan=False)
    except ValueError:
        raise ShadematchError(
            "a result is too large for a number", remedy="Give smaller doses or a larger batch"
        ) from None


def _terminal() -> bool:
    return sys.stdout is not None and sys.stdout.isatty()


def _coloured() -> bool:
    off = os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb"
    return _terminal() and not off


def _swatch(code: str) -> str:
    red, green, blue = bytes.fromhex(code.removeprefix("#"))
    return f"\x1b[48;2;{red};{green};{blue}m{' ' * 10}\x1b[0m"


def _clean(text: str) -> str:
    """Without characters that could steer the terminal: names come from files."""
    return "".join(c if c == "\n" or unicodedata.category(c)[0] != "C" else "?" for c in text)


def _wrapped(text: str, indent: int = 0) -> str:
    """On a terminal, long lines broken between words; elsewhere as they are, for other tools."""
    text = _clean(text)
    if not _terminal():
        return text
    width = max(shutil.get_terminal_size().columns, 40)
    wrapper = textwrap.TextWrapper(width, subsequent_indent=" " * indent, break_on_hyphens=False)
    wrapper.break_long_words = False
    return "\n".join(map(wrapper.fill, text.split("\n")))


def _cautions() -> str:
    return _wrapped("\n".join(("cautions", *(f"- {c}" for c in CAUTIONS))), 2)


def _table(rows: Sequence[Sequence[str]], right: set[int]) -> list[str]:
    """Aligned lines; the columns in `right` end flush."""
    cells = [[_clean(cell) for cell in row] for row in rows]
    widths = [max(map(len, column)) for column in zip(*cells, strict=True)]
    return [
        "  ".join(
            cell.rjust(width) if at in right else cell.ljust(width)
            for at, (cell, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in cells
    ]


def _choices_table(found: Match) -> str:
    rows = [("CIEDE2000", "paste", "tubes", "choice")]
    for c in found.choices:
        mark = " (the recipe above)" if c.recipe == found.recipe else ""
        paste, tubes = f"{c.recipe.total_cm:g} cm", str(c.recipe.tubes)
        rows.append((f"{c.delta_e:.2f}", paste, tubes, f"{c.recipe}{mark}"))
    return "\n".join(_table(rows, {0, 1, 2}))


# ---- run ----


def _renamed(found: ShadematchError, field: str) -> ShadematchError:
    return type(found)(found.problem, field=field, value=found.value, remedy=found.remedy)


def _say(text: str) -> None:
    # A name in letters that the output can't hold must not end in a traceback.
    code = getattr(sys.stdout, "encoding", None) or "utf-8"
    print(text.encode(code, "backslashreplace").decode(code), flush=True)


def _complain(text: str) -> int:
    print(f"shadematch: error: {_clean(text.replace(chr(10), ' '))}", file=sys.stderr)
    return 2


def _drop_stdout() -> None:
    """Let what is still held back go nowhere, so that the interpreter's exit stays quiet."""
    with contextlib.suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _marked(word: str) -> str:
    """A negative number so that argparse takes every one for a number and not for an option."""
    return f" {word}" if word.startswith("-") and is_number(word) else word


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line.

    Parameters
    ----------
    argv
        Words after the program's name; by default those it was started with.

    Returns
    -------
    int
        The exit status.
    """
    words = sys.argv[1:] if argv is None else argv
    try:
        args = _parser().parse_args([_marked(word) for word in words])
        _say(args.run(args))
    except SystemExit as done:  # argparse after --help and --version
        return int(done.code or 0)
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        _drop_stdout()
        return 141
    except OSError as found:  # files are read elsewhere: only the output is left
        _drop_stdout()
        return _complain(f"the output can't be written: {found.strerror}. Send it elsewhere")
    except ShadematchError as found:
        return _complain(str(_renamed(found, _OPTIONS.get(found.field, found.field))))
    return 0
