"""The way out for a public name."""

from __future__ import annotations

import warnings
from pathlib import Path

import pytest

from shadematch.deprecation import deprecated


@deprecated(since="0.2", instead="sm.match(...)")
def old(base: int, *, more: int = 1) -> int:
    """Add.

    More of it.
    """
    return base + more


def test_it_works_and_warns_at_the_callers_line() -> None:
    with pytest.warns(
        DeprecationWarning, match=r"old is deprecated since 0\.2: use sm\.match"
    ) as w:
        assert old(2, more=3) == 5
    assert Path(w[0].filename) == Path(__file__)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        with pytest.raises(DeprecationWarning):
            old(2)


def test_its_docstring_says_so() -> None:
    assert old.__name__ == "old" and old.__doc__ is not None
    assert old.__doc__ == ("Add.\n\n.. deprecated:: 0.2\n   Use sm.match(...).\n\n\nMore of it.")
