"""Names that may be others, misspelt."""

from __future__ import annotations

import pytest

from shadematch.support.spelling import misspelling_of

COUNTS = {"clear": 17, "clear with vanilla": 4, "clear with honey": 3, "oat": 2}


@pytest.mark.parametrize(
    ("name", "meant"),
    [
        ("clear with vanila", "clear with vanilla"),
        ("claer", ""),  # two letters of five are too many to tell
        ("cleer", ""),
        ("clears", "clear"),
        ("clear with honey", ""),
        ("goat", "oat"),
    ],
)
def test_the_commoner_of_two_like_names(name: str, meant: str) -> None:
    assert misspelling_of(name, {name: 1} | COUNTS) == meant


def test_the_commoner_name_is_not_the_wrong_one() -> None:
    assert misspelling_of("clear with vanilla", {"clear with vanila": 1} | COUNTS) == ""
    assert misspelling_of("goat", {"goat": 2, "oat": 2}) == ""
