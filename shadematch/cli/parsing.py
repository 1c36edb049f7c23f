"""The parser, and the names of the library's fields on the command line."""

from __future__ import annotations

import argparse
import contextlib
import errno
import os
import re
from collections.abc import Callable, Iterator, Sequence
from typing import Any, Final, NoReturn, Protocol, TypeVar

from shadematch.errors import PourError, ShadematchError
from shadematch.studio.pour import Pour
from shadematch.studio.view import View
from shadematch.support.spelling import did_you_mean

__all__ = [
    "HASH",
    "OPTIONS",
    "Parser",
    "Verbs",
    "add_replace",
    "called",
    "given",
    "not_with",
    "only_with",
    "option_of",
    "reader",
]


T = TypeVar("T")

HASH: Final = (
    'A shell treats # as the start of a comment: type "#d9822b" in quotes, or d9822b without #'
)
"""Printed where a colour seems to be missing."""


_LONGEST: Final = 400
"""Characters of an error message; words that were typed can be of any length."""


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
            *("dose_slip", "scale_g", "pot_g", "base_step_g", "bases", "measured", "dab_g"),
        )
    }
    | {"let_down_paste": "--let-down-paste", "drop_mm": "--drop"}
    | {"lights": "--lights", "count": "--shades"}
)
"""Names of the library's fields here."""


class Parser(argparse.ArgumentParser):
    """A parser that raises this library's errors instead of leaving the program."""

    def error(self, message: str) -> NoReturn:
        """Turn argparse's message into an error with a remedy."""
        hint = ""
        if message.endswith("expected one argument") and "--target" in message:
            hint = f"{HASH}. "
        if found := re.search(r"invalid choice: '([^']*)' \(choose from (.*)\)", message):
            hint = did_you_mean(found[1], re.findall(r"[\w-]+", found[2]))
        self._complain(message.removeprefix("argument "), hint)

    def _print_message(self, message: str, file: Any = None) -> None:
        # Argparse ignores help that it can't write; what it prints goes to sys.stdout.
        if file is None:
            raise OSError(errno.EBADF, os.strerror(errno.EBADF))
        print(message, end="", file=file, flush=True)

    @property
    def destinations(self) -> set[str]:
        """Names of its options in the namespace."""
        return {action.dest for action in self._actions}

    def unknown(self, words: Sequence[str]) -> NoReturn:
        """Refuse words that mean nothing to this verb."""
        options = [o for a in self._actions for o in a.option_strings]
        hint = did_you_mean(words[0], options) if words[0][:1] == "-" else ""
        self._complain(f"unrecognized arguments: {' '.join(words)}", hint)

    def _complain(self, said: str, hint: str) -> NoReturn:
        said = said if len(said) <= _LONGEST else f"{said[: _LONGEST - 3]}..."
        raise ShadematchError(said, remedy=f"{hint}See {self.prog} --help")


class Verbs(Protocol):
    """How a verb's room adds its verb."""

    def __call__(self, name: str, run: Callable[[argparse.Namespace], str], /) -> Parser:
        """Add the verb `name`, run by `run`; every verb has ``--json``."""


def add_replace(add: Callable[..., object]) -> None:
    """Add ``--replace``."""
    text = "let written files replace existing ones"
    add("--replace", action="store_true", help=text)


def reader(make: Callable[[str], T], what: str) -> Callable[[str], T]:
    """A type for argparse that reads a word, with this library's errors."""

    def read(text: str) -> T:
        try:
            return make(text)
        except ValueError:
            raise argparse.ArgumentTypeError(f"must be {what} (got {text.strip()!r})") from None

    return read


def option_of(name: str) -> str:
    """The option of the name `name`."""
    return OPTIONS.get(name, "--" + name.replace("_", "-"))


def only_with(option: str, args: argparse.Namespace, *names: str) -> None:
    """Refuse options, with a `PourError`, that have no meaning without `option`."""
    _refuse(f"without {option}", args, names, f"Give {option} too, or leave it out")


def not_with(option: str, args: argparse.Namespace, *names: str, remedy: str) -> None:
    """Refuse options, with a `PourError`, that have no meaning with `option`."""
    _refuse(f"with {option}", args, names, remedy)


def _refuse(how: str, args: argparse.Namespace, names: Sequence[str], remedy: str) -> None:
    for name in names:
        if (value := getattr(args, name)) is not None and value is not False:
            problem = f"has no meaning {how}"
            raise PourError(problem, field=option_of(name), value=value, remedy=remedy)


@contextlib.contextmanager
def called(field: str, option: str) -> Iterator[None]:
    """Errors of a field name the option it was given in."""
    try:
        yield
    except ShadematchError as found:
        if found.field != field:
            raise
        raise found.at(option) from None


def given(args: argparse.Namespace, *names: str) -> dict[str, Any]:
    """The values of the options that were given, by name."""
    return {name: value for name in names if (value := getattr(args, name)) is not None}
