"""Names in words: one that somebody may have meant, and lists of several."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence

__all__ = ["did_you_mean", "listing"]


def listing(words: Sequence[str]) -> str:
    """Words as a list, such as ``"gorse, dusk and kelp"``; at least one."""
    return " and ".join((", ".join(words[:-1]), words[-1])) if len(words) > 1 else words[0]


def did_you_mean(word: object, known: Iterable[str]) -> str:
    """A question such as ``"Did you mean gorse? "``, or empty; case is ignored."""
    if not isinstance(word, str):
        return ""
    names = {name.casefold(): name for name in known}
    near = difflib.get_close_matches(word.casefold(), names, n=1)
    return f"Did you mean {names[near[0]]}? " if near else ""
