"""How the command line prints: JSON, tables, swatches, text that can't steer a terminal."""

from __future__ import annotations

import json
import os
import re
import shutil
import sys
import textwrap
import unicodedata
from dataclasses import replace
from pathlib import PurePath
from typing import Any, Final

from shadematch.errors import FileError, ShadematchError
from shadematch.support.cautions import CAUTIONS
from shadematch.support.files import whole_file
from shadematch.support.report import Report, Reported

__all__ = [
    "cautions",
    "coloured",
    "json_object",
    "picture",
    "picture_kind",
    "printable",
    "shown",
    "terminal",
    "wrapped",
]


_ARABIC_AND_KIN: Final = "\u0590-\u08ff\ufb1d-\ufdff\ufe70-\ufefc"
_RIGHT_TO_LEFT: Final = re.compile(
    f"[{_ARABIC_AND_KIN}](?:[ {_ARABIC_AND_KIN}]*[{_ARABIC_AND_KIN}])?"
)
"""Letters written from right to left. Without a mark behind them they would draw the number that
follows, and a dose would end up at the wrong name (Unicode Standard Annex 9, rule W2 on)."""


def json_object(entries: dict[str, Any]) -> str:
    """One JSON object."""
    try:
        return json.dumps(entries, indent=2, allow_nan=False)
    except ValueError:
        raise ShadematchError(
            "a result is too large for a number", remedy="Give smaller doses or a larger batch"
        ) from None


_KINDS: Final = ("png", "svg", "pdf")


def picture_kind(path: str) -> str:
    """The format of a figure's file, asked before the figure is made; else a `FileError`."""
    kind = PurePath(path).suffix.removeprefix(".").lower()
    if kind not in _KINDS:
        raise FileError(
            "has an ending that is not known",
            field="--save",
            value=path,
            remedy="End it in .png, .svg or .pdf",
        )
    return kind


def picture(figure: Any, path: str, *, replace: bool) -> None:
    """Write a figure to a file, whole or not at all, and close it.

    A `FileError` for an unknown ending, or a file that can't be written.
    """
    from matplotlib import pyplot

    try:
        kind = picture_kind(path)
        # Without dates and random ids, so that equal figures are equal files.
        undated = {"png": {}, "svg": {"Date": None}, "pdf": {"CreationDate": None}}[kind]
        with (
            pyplot.rc_context({"svg.hashsalt": "shadematch"}),
            whole_file(path, replace=replace) as place,
        ):
            figure.savefig(place, format=kind, dpi=120, metadata=undated)
    except FileError as found:
        raise FileError(found.problem, field="--save", value=path, remedy=found.remedy) from None
    finally:
        pyplot.close(figure)


def terminal() -> bool:
    """Whether the output is a terminal."""
    return sys.stdout is not None and sys.stdout.isatty()


def coloured() -> bool:
    """Whether the output may carry colours."""
    off = os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb"
    return terminal() and not off


def printable(text: str) -> str:
    """Without characters that could control the terminal: names come from files."""
    kept = "".join(c if c == "\n" or unicodedata.category(c)[0] != "C" else "?" for c in text)
    return _RIGHT_TO_LEFT.sub(lambda run: f"{run.group()}\N{LEFT-TO-RIGHT MARK}", kept)


def wrapped(text: str, indent: int = 0) -> str:
    """On a terminal, long lines are wrapped; elsewhere they stay whole, for other tools."""
    text, width = printable(text), _width()
    if width is None:
        return text
    wrapper = textwrap.TextWrapper(width, subsequent_indent=" " * indent, break_on_hyphens=False)
    wrapper.break_long_words = False
    return "\n".join(map(wrapper.fill, text.split("\n")))


def _width() -> int | None:
    """Width of the terminal in characters; None if the output goes elsewhere."""
    return max(shutil.get_terminal_size().columns, 40) if terminal() else None


def shown(*results: Reported | Report | str) -> str:
    """Results with their swatches, if colours can be shown, and the cautions once."""
    parts, careful = [], False
    for result in results:
        if isinstance(result, str):
            parts.append(wrapped(result))
            continue
        report = result.report() if isinstance(result, Reported) else result
        if coloured() and report.swatches:
            named = (replace(each, label=printable(each.label)) for each in report.swatches)
            patches = replace(report, swatches=tuple(named)).patches()
            parts.append("\n".join(filter(None, (patches, report.legend))))
        parts.append(printable(report.text(_width())))
        careful = careful or report.cautions
    return "\n\n".join([*parts, *([cautions()] if careful else [])])


def cautions() -> str:
    """The cautions as a list."""
    return wrapped("\n".join(("cautions", *(f"- {c}" for c in CAUTIONS))), 2)
