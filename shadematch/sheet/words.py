"""Other people's words on the page: made harmless, measured, and kept in their direction."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from typing import Final

from shadematch.support.models import STEERING

__all__ = ["clean", "isolated", "lines_needed", "shortened", "units"]

_ISOLATE: Final = "\u2068"
_END: Final = "\u2069"


def clean(text: str, *, lines: bool = False) -> str:
    """The text without what a page can't hold.

    Control characters become blanks (line ends stay if `lines`); lone surrogates and characters
    that set the writing direction become the replacement character.
    """
    kept = []
    for letter in text.replace("\r\n", "\n").replace("\r", "\n"):
        kind = unicodedata.category(letter)
        if letter == "\n" and lines:
            kept.append(letter)
        elif kind in ("Cc", "Zl", "Zp"):
            kept.append(" ")
        elif kind == "Cs" or letter in STEERING or _no_character(letter):
            kept.append("\ufffd")
        else:
            kept.append(letter)
    return "".join(kept).strip()


def _no_character(letter: str) -> bool:
    code = ord(letter)
    return code & 0xFFFE == 0xFFFE or 0xFDD0 <= code <= 0xFDEF


def isolated(text: str) -> str:
    """The text, isolated so that right-to-left letters in it don't turn its neighbours.

    For plain text: FIRST STRONG ISOLATE and POP DIRECTIONAL ISOLATE (Unicode Standard Annex 9)
    enclose it if it has such letters. In HTML, ``dir="auto"`` does the same.
    """
    turns = any(unicodedata.bidirectional(letter) in ("R", "AL", "AN") for letter in text)
    return f"{_ISOLATE}{text}{_END}" if turns else text


def units(text: str) -> float:
    """Rough width of a text, in halves of the letter size."""
    return sum(map(_unit, text))


def _unit(letter: str) -> float:
    if letter.isascii():
        return 2.1 if letter in "MW@%" else 1.6 if letter.isupper() or letter in "mw&" else 1.1
    if unicodedata.combining(letter):
        return 0.0
    if unicodedata.east_asian_width(letter) in "WF":
        return 2.0
    # Beyond Latin, letters are wider; ligatures of whole phrases much more.
    return 12.0 if 0xFD00 <= ord(letter) <= 0xFDFF else 1.6


def shortened(text: str) -> str:
    """The text, or its beginning if it is longer than 90 characters."""
    return text if len(text) <= 90 else f"{text[:89].rstrip()}…"


def lines_needed(paragraphs: Sequence[str], width: float) -> int:
    """How many lines paragraphs take, each line `width` units wide; at least one each."""
    return sum(max(1, -int(-units(p) // width)) for p in paragraphs)
