"""The entry to the command line: parse, call, print.

Exit status: 0 for an answer, 2 for anything unusable, 130 after Ctrl-C, 141 when nobody reads the
output any more.

With ``--json`` each verb prints one JSON object, described at the head of its room. Keys may be
added later; none of these changes its meaning. ``notices``, if any, lists what must be known of
the pastes: that they are invented samples.
"""

from __future__ import annotations

import argparse
import contextlib
import errno
import importlib
import json
import os
import re
import sys
import warnings
from collections.abc import Callable, Container, Sequence
from pathlib import Path
from typing import Final, TextIO

from shadematch._version import __version__
from shadematch.cli.parsing import OPTIONS, Parser, add_replace, called, option_of
from shadematch.cli.printing import json_object, printable, wrapped
from shadematch.errors import FileError, ShadematchError, ThicknessWarning
from shadematch.keeping.settings import SETTINGS_FILE, Settings
from shadematch.support.readers import is_number

__all__ = ["main"]

VERBS: Final = {
    "match": "The doses that give a colour.",
    "match-many": "Match each colour of a catalogue.",
    "predict": "The colour of a recipe.",
    "photo": "Propose flat areas of a photo, as a numbered picture.",
    "gamut": "What can be made at all, with doses not rounded.",
    "feasibility": "Where a colour can be made: over thickness, white base and batch.",
    "smallest-batch": "The smallest batch that comes close enough.",
    "same-look": "Take a recipe to another mould, base or view.",
    "lights": "A recipe and the wanted colour under several lights.",
    "let-down": "Which let-down to make for a pastel shade in a small bar.",
    "sheet": "A batch sheet to print: one page to work by.",
    "repeat": "Open a saved recipe and say whether it still gives its colour.",
    "pot": "How a recipe looks melted in the pot, and as a drop on paper.",
    "spread": "How far a recipe strays when ruler and scale are a little off.",
    "correct": "What to add to a batch that came out off.",
    "plan": "Which orders can be poured, in which recipe each, and what to buy.",
    "cost": "What a bar costs, and how many bars the tubes make.",
    "wedge": "The shade along a sloped coloured layer topped with clear base.",
    "layers": "The colour of layers on top of each other.",
    "palette": "List the pigments of a palette file, which also checks it.",
    "journal": "The book of batches: your own pastes, learned as you work.",
    "calibrate": "Learn a palette from measured test pours.",
    "samples": "Copy invented photos, test pours and an order book.",
    "settings": "Show or write the settings of this folder: palette, pour, bars.",
}
"""The verbs as ``--help`` lists them. A new one is an entry here and a room of its name in
`shadematch.cli`, imported when it is called."""
WRITTEN: Final = ("save", "save_palette", "save_sheets")
"""Names of options for a file to write. A batch of the journal stays in the file it came from."""


def room_of(name: str) -> str:
    """The module of a verb."""
    return f"shadematch.cli.{name.replace('-', '_')}"


def _parser(wanted: Container[str] = frozenset(VERBS)) -> Parser:
    """The parser; verbs that are not `wanted` are listed without options."""
    parser = Parser(
        prog="shadematch",
        description="How many whole centimetres of each pigment paste give a wanted colour.",
        allow_abbrev=False,
    )
    parser.add_argument("--version", action="version", version=f"shadematch {__version__}")
    verbs = parser.add_subparsers(dest="verb", metavar="VERB", required=True)

    def verb(name: str, run: Callable[[argparse.Namespace], str]) -> Parser:
        one: Parser = verbs.add_parser(
            name, help=VERBS[name], description=VERBS[name], allow_abbrev=False
        )
        one.set_defaults(run=run, parser=one)
        one.add_argument("--json", action="store_true", help="print one JSON object instead")
        text = "allow bars thinner than 0.2 cm or thicker than 8 cm"
        one.add_argument("--any-thickness", action="store_true", help=text)
        text = f"file of settings ({SETTINGS_FILE}, if there is one)"
        one.add_argument("--settings", metavar="FILE", help=text)
        return one

    for name, text in VERBS.items():
        if name not in wanted:
            verbs.add_parser(name, help=text)
            continue
        importlib.import_module(room_of(name)).add_verb(verb)
        one = verbs.choices[name]
        if one.destinations & set(WRITTEN):
            add_replace(one.add_argument)
    return parser


def _say(text: str) -> None:
    if sys.stdout is None:  # closed before the start: nothing would be printed, silently
        raise OSError(errno.EBADF, os.strerror(errno.EBADF))
    # A name in characters that the output can't encode must not end in a traceback.
    code = getattr(sys.stdout, "encoding", None) or "utf-8"
    print(text.encode(code, "backslashreplace").decode(code), flush=True)


def _complain(text: str) -> int:
    if sys.stderr is not None:  # closed; print would take None for the standard output
        try:
            print(f"shadematch: error: {printable(text.replace(chr(10), ' '))}", file=sys.stderr)
        except OSError:  # only the exit status is left
            _drop(sys.stderr)
    return 2


def _drop(stream: TextIO | None) -> None:
    """Discard what is still buffered, so that the interpreter exits quietly."""
    if stream is not None:
        with contextlib.suppress(OSError, ValueError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


def _marked(word: str) -> str:
    """Negative numbers, marked so that argparse doesn't take them for options."""
    return f" {word}" if word.startswith("-") and is_number(re.split("[, ]", word)[0]) else word


def _spare(args: argparse.Namespace) -> None:
    """Refuse to write over a file given to be read, or two results to one file (`FileError`)."""
    given = {name: value for name, value in vars(args).items() if value is not None}
    for name in [name for name in WRITTEN if name in given]:
        goal = given.pop(name)
        for other, value in given.items():
            if (name, other) == ("save", "go_on"):
                continue
            for word in value if isinstance(value, list) else [value]:
                if isinstance(word, str) and _one_file(goal, word, other in WRITTEN):
                    raise FileError(
                        "is needed for something else here",
                        field=option_of(name),
                        value=goal,
                        remedy="Give another name, or it would be lost",
                    )


def _one_file(goal: str, word: str, written: bool) -> bool:
    """Whether two words name one file, existing or to be written."""
    with contextlib.suppress(OSError, ValueError):
        one, other = Path(goal), Path(word)
        if one.exists() and other.exists():
            return one.samefile(other)
        return written and one.resolve() == other.resolve()
    return False


def _usual(args: argparse.Namespace) -> Settings:
    """The settings of this folder or of the file given."""
    to_be_made = args.settings is None or args.verb == "settings"
    path = Path(SETTINGS_FILE if args.settings is None else args.settings)
    if to_be_made and not path.exists():
        return Settings()
    try:
        with called("path", "--settings"):
            return Settings.from_file(path)
    except ThicknessWarning as doubt:
        raise ThicknessWarning(f"{path}, {doubt}") from None


def _noted(answer: str, args: argparse.Namespace) -> str:
    """The answer, with notices about its pastes that it doesn't contain."""
    said = " ".join(answer.split())
    new = [notice for notice in dict.fromkeys(args.notices) if notice and notice not in said]
    if args.json:
        return json_object({**json.loads(answer), "notices": new}) if new else answer
    return "\n\n".join((answer, *map(wrapped, new)))


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
        args, unknown = _parser(words).parse_known_args([_marked(word) for word in words])
        if unknown:
            args.parser.unknown([word.strip() for word in unknown])
        _spare(args)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore" if args.any_thickness else "error", ThicknessWarning)
            args.usual, args.notices = _usual(args), []
            answer = args.run(args)
        _say(_noted(answer, args))
    except SystemExit as done:  # argparse after --help and --version
        return int(done.code or 0)
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        _drop(sys.stdout)
        return 141
    except OSError as found:  # files are handled elsewhere: only the output is left
        _drop(sys.stdout)
        return _complain(f"the output can't be written: {found.strerror}. Send it elsewhere")
    except ThicknessWarning as doubt:
        return _complain(f"{doubt}. If that is right, add --any-thickness")
    except ShadematchError as found:
        return _complain(str(found.at(OPTIONS.get(found.field, found.field))))
    return 0
