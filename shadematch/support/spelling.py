"""What somebody may have meant by an unknown name."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

__all__ = ["did_you_mean"]


def did_you_mean(word: object, known: Iterable[str]) -> str:
    """A question such as ``"Did you mean gorse? "``, or empty; case is ignored."""
    if not isinstance(word, str):
        return ""
    names = {name.casefold(): name for name in known}
    near = difflib.get_close_matches(word.casefold(), names, n=1)
    return f"Did you mean {names[near[0]]}? " if near else ""
