"""``shadematch settings``: what is usual here, so that other commands need not be told.

Without options it shows the settings of this folder; where there are none and somebody sits at
the terminal, it asks. Options write the file, or with ``--replace`` change what it says.

With ``--json``: ``file``, null where there is none; ``settings``, what it says by name; ``saved``,
the file that was written, or null.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final, NamedTuple

from shadematch.cli.amounts import BACKING, LENGTH, MASS, NUMBER, SHARE
from shadematch.cli.parsing import Verbs
from shadematch.cli.printing import clean, json_text, shown
from shadematch.errors import FileError, ShadematchError
from shadematch.keeping.settings import SETTINGS_FILE, Settings, UsualValues

__all__ = ["add_verb"]


class _Asked(NamedTuple):
    """One of the questions.

    Attributes
    ----------
    option, metavar
        How it is given.
    read
        Makes a value of what was typed.
    question
        As it is asked; empty where it is not.
    usual
        What holds where nothing is answered.
    """

    option: str
    metavar: str
    read: Callable[[str], Any]
    question: str
    usual: str


_QUESTIONS: Final[Mapping[str, _Asked]] = {
    "palette": _Asked(
        "--palette",
        "FILE",
        str,
        "File of your palette, calibration or journal",
        "the invented samples",
    ),
    "batch_g": _Asked("--batch", "G", MASS, "Base that you melt at once, in g", "500"),
    "thickness_cm": _Asked("--thickness", "CM", LENGTH, "Thickness of your bars, in cm", "1"),
    "white": _Asked("--white", "FRACTION", SHARE, "Part of the base that is white, 0 to 1", "0"),
    "base": _Asked("--base", "NAME", str, "", "clear"),
    "bar_g": _Asked("--bar", "G", MASS, "Mass of a bar, in g", "100"),
    "backing": _Asked("--backing", "BACKING", BACKING, "What lies behind a bar", "white"),
    "loss": _Asked("--loss", "FRACTION", SHARE, "", "0.03"),
    "max_load": _Asked("--max-load", "LOAD", NUMBER, "", "4"),
    "dose_step": _Asked("--dose-step", "DOSE", NUMBER, "", "1"),
}


def add_verb(verb: Verbs) -> None:
    """Announce the verb."""
    parser = verb("settings", _settings)
    text = "write the file anew with these, or change these in one that is there (--replace)"
    add = parser.add_argument_group("what is usual", text).add_argument
    for name, asked in _QUESTIONS.items():
        text = f"{asked.question or name.replace('_', ' ')} ({asked.usual})"
        add(asked.option, dest=name, type=asked.read, metavar=asked.metavar, help=text)
    text = "let the settings that are there be changed"
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
                "settings are there already",
                field="--settings",
                value=str(place),
                remedy="Allow them to be changed (--replace)",
            )
        found = Settings.of(UsualValues(**(found.usual.stated | given)), place)
        found.save(replace=True)
        saved = str(place)
    if args.json:
        own = None if found.place is None else str(found.place)
        return json_text({"file": own, "settings": found.usual.stated, "saved": saved})
    return shown(found, *([] if saved is None else [f"saved in {saved}"]))


def _somebody_there() -> bool:
    return sys.stdin is not None and sys.stdin.isatty()


def _answers() -> dict[str, Any]:
    """Ask, one question after the other; Enter takes what is usual."""
    answers: dict[str, Any] = {}
    print("Enter takes what stands in brackets.")
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
                print(clean(str(wrong)))
                continue
            answers[name] = value
            break
    return answers or {"batch_g": 500.0}
