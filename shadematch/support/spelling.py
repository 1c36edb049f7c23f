"""Names in words: one that somebody may have meant, and lists of several."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping, Sequence
from typing import Final

__all__ = ["did_you_mean", "listing", "misspelling_of"]

_TYPED: Final = 0.85
"""Share of letters that two names have in common, from which on one may be the other misspelt."""


def listing(words: Sequence[str]) -> str:
    """Words as a list, such as ``"gorse, dusk and kelp"``; at least one."""
    return " and ".join((", ".join(words[:-1]), words[-1])) if len(words) > 1 else words[0]


def misspelling_of(name: str, counts: Mapping[str, int]) -> str:
    """A name used more often that differs by a letter or two; empty if there is none."""
    more = [other for other, count in counts.items() if other != name and count > counts[name]]
    return next(iter(difflib.get_close_matches(name, more, n=1, cutoff=_TYPED)), "")


def did_you_mean(word: object, known: Iterable[str]) -> str:
    """A question such as ``"Did you mean gorse? "``, or empty; case is ignored."""
    if not isinstance(word, str):
        return ""
    names = {name.casefold(): name for name in known}
    near = difflib.get_close_matches(word.casefold(), names, n=1)
    return f"Did you mean {names[near[0]]}? " if near else ""
