"""Names of pastes and bases, each told apart from the others."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from shadematch.errors import PaletteError, UnknownNameError
from shadematch.studio.pour import CLEAR
from shadematch.support.models import shape_of
from shadematch.support.spelling import did_you_mean

__all__ = ["MOST_PIGMENTS", "check_known_base", "check_names"]

MOST_PIGMENTS: Final = 12
"""In a palette; as many further bases."""


def check_names(field: str, names: Sequence[str]) -> None:
    """Refuse pastes or bases that are too many, or whose names can't be told apart.

    Raises
    ------
    PaletteError
        Naming the field, ``"pigments"`` or ``"bases"``, and what is wrong.
    """
    if len(names) > MOST_PIGMENTS:
        raise PaletteError(
            f"has more than twelve {field}", field=field, value=len(names), remedy="Leave some out"
        )
    own = [n for n in names if n.casefold() in ("", CLEAR, "white")] if field == "bases" else []
    if own:
        raise PaletteError(
            "needs a name of its own",
            field=field,
            value=own[0],
            remedy='Such as "clear with vanilla"; a palette has clear and white beside it',
        )
    twice = sorted({n for n in names if names.count(n) > 1})
    if twice:
        raise PaletteError(
            "a name appears twice", field=field, value=twice[0], remedy="Rename one of them"
        )
    # Bases are told to people in words: "Oat" and "oat" would be one.
    shapes = [shape_of(n).casefold() if field == "bases" else shape_of(n) for n in names]
    alike = [n for n, shape in zip(names, shapes, strict=True) if shapes.count(shape) > 1]
    if alike:
        raise PaletteError(
            "two names look the same",
            field=field,
            value=tuple(alike),
            remedy="Rename one of them, so that a sheet tells them apart",
        )


def check_known_base(
    name: object, known: Sequence[str], whose: str, field: str = "base", more: str = ""
) -> None:
    """Refuse a base that is not among those known; the remedy may say `more`.

    Raises
    ------
    UnknownNameError
        If it isn't.
    """
    if not isinstance(name, str) or name not in known:
        raise UnknownNameError(
            f"{whose} has no such base",
            field=field,
            value=name,
            remedy=f"{did_you_mean(name, known)}It has {', '.join(known)}{more}",
        )
