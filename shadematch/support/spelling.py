"""What somebody may have meant by a name that is not known."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

__all__ = ["did_you_mean"]


def did_you_mean(word: object, known: Iterable[str]) -> str:
    """A question such as ``"Did you mean gorse? "``, with a blank behind; empty if nothing is near.

    Upper and lower case are alike.
    """
    if not isinstance(word, str):
        return ""
    names = {name.casefold(): name for name in known}
    near = difflib.get_close_matches(word.casefold(), names, n=1)
    return f"Did you mean {names[near[0]]}? " if near else ""
