"""``shadematch settings``: defaults of this folder for the other commands.

Without options it shows them; if there are none and it runs in a terminal, it asks. Options write
the file, or with ``--replace`` change it.

With ``--json``: ``file``, or null; ``settings`` by name; ``saved``, the file written, or null.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final, NamedTuple

from shadematch.cli.amounts import BACKING, LENGTH, MASS, NUMBER, SHARE
from shadematch.cli.parsing import Verbs
from shadematch.cli.printing import json_object, printable, shown
from shadematch.errors import FileError, ShadematchError
from shadematch.keeping.settings import SETTINGS_FILE, Settings, UsualValues

__all__ = ["add_verb"]


class _Question(NamedTuple):
    """One of the questions.

    Attributes
    ----------
    option, metavar
        The option for it.
    read
        Converts what was typed.
    question
        The question; empty if it is not asked.
    usual
        The default.
    """

    option: str
    metavar: str
    read: Callable[[str], Any]
    question: str
    usual: str


_QUESTIONS: Final[Mapping[str, _Question]] = {
    "palette": _Question(
        "--palette",
        "FILE",
        str,
        "File of your palette, calibration or journal",
        "the invented samples",
    ),
    "batch_g": _Question("--batch", "G", MASS, "Base that you melt at once, in g", "500"),
    "thickness_cm": _Question("--thickness", "CM", LENGTH, "Thickness of your bars, in cm", "1"),
    "white": _Question("--white", "FRACTION", SHARE, "Part of the base that is white, 0 to 1", "0"),
    "base": _Question("--base", "NAME", str, "", "clear"),
    "bar_g": _Question("--bar", "G", MASS, "Mass of a bar, in g", "100"),
    "backing": _Question("--backing", "BACKING", BACKING, "What lies behind a bar", "white"),
    "loss": _Question("--loss", "FRACTION", SHARE, "", "0.03"),
    "max_load": _Question("--max-load", "LOAD", NUMBER, "", "4"),
    "dose_step": _Question("--dose-step", "DOSE", NUMBER, "", "1"),
}


def add_verb(verb: Verbs) -> None:
    """Add the verb."""
    parser = verb("settings", _settings)
    text = "write a new file with these, or change them in an existing one (--replace)"
    add = parser.add_argument_group("the defaults", text).add_argument
    for name, asked in _QUESTIONS.items():
        text = f"{asked.question or name.replace('_', ' ')} ({asked.usual})"
        add(asked.option, dest=name, type=asked.read, metavar=asked.metavar, help=text)
    text = "change existing settings"
    parser.add_argument("--replace", action="store_true", help=text)


def _settings(args: argparse.Namespace) -> str:
    found: Settings = args.usual
    place = Path(args.settings or SETTINGS_FILE)
    given = {n: v for n in _QUESTIONS if (v := getattr(args, n)) is not None}
    if not given and found.place is None and not args.json and _somebody_there():
        given = _answers()
    saved = None
    if given:
        if found.place is not None and not args.replace:
            raise FileError(
                "settings exist already",
                field="--settings",
                value=str(place),
                remedy="Allow them to be changed (--replace)",
            )
        found = Settings.of(UsualValues(**(found.usual.stated | given)), place)
        found.save(replace=True)
        saved = str(place)
    if args.json:
        own = None if found.place is None else str(found.place)
        return json_object({"file": own, "settings": found.usual.stated, "saved": saved})
    return shown(found, *([] if saved is None else [f"saved in {saved}"]))


def _somebody_there() -> bool:
    return sys.stdin is not None and sys.stdin.isatty()


def _answers() -> dict[str, Any]:
    """Ask one question after the other; Enter takes the default."""
    answers: dict[str, Any] = {}
    print("Enter takes what is in brackets.")
    for name, asked in _QUESTIONS.items():
        while asked.question:
            try:
                text = input(f"{asked.question} [{asked.usual}]: ").strip()
            except EOFError:
                raise ShadematchError(
                    "the answers ended early, and nothing was written",
                    remedy="Start again, or give the values as options",
                ) from None
            if not text:
                break
            try:
                value = asked.read(text)
                Settings.of(UsualValues(**{name: value}), Path(SETTINGS_FILE))
            except (ShadematchError, argparse.ArgumentTypeError) as wrong:
                print(printable(str(wrong)))
                continue
            answers[name] = value
            break
    return answers or {"batch_g": 500.0}
