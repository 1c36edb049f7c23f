"""How a public name goes: it works and warns for at least one minor version, then it is gone."""

from __future__ import annotations

import functools
import inspect
import warnings
from collections.abc import Callable
from typing import ParamSpec, TypeVar

__all__ = ["deprecated"]

P = ParamSpec("P")
R = TypeVar("R")


def deprecated(*, since: str, instead: str) -> Callable[[Callable[P, R]], Callable[P, R]]:
    """Let a function warn that it will go.

    Parameters
    ----------
    since
        The version that says so first, such as ``"0.2"``.
    instead
        What to write in its place, such as ``"sm.match(..., lights=...)"``.

    Returns
    -------
    callable
        A decorator. The function does what it did, and issues a `DeprecationWarning` that points
        at the caller's line; its docstring says so too.
    """

    def mark(function: Callable[P, R]) -> Callable[P, R]:
        text = f"{function.__name__} is deprecated since {since}: use {instead}"

        @functools.wraps(function)
        def warned(*args: P.args, **kwargs: P.kwargs) -> R:
            warnings.warn(text, DeprecationWarning, stacklevel=2)
            return function(*args, **kwargs)

        # Without its indentation, or all but the first line would be a quotation below the note.
        head, _, rest = inspect.cleandoc(function.__doc__ or "").partition("\n")
        note = f"\n\n.. deprecated:: {since}\n   Use {instead}.\n"
        warned.__doc__ = f"{head}{note}{rest and chr(10)}{rest}"
        return warned

    return mark
