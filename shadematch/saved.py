"""Recipes and matches kept in files, to be poured again next month."""

from __future__ import annotations

import os

from shadematch.errors import FileError, ShadematchError
from shadematch.files import json_text, parse_json, read_text, write_text
from shadematch.kept import Result, SavedRecipe, kept
from shadematch.materials import Palette
from shadematch.pour import View
from shadematch.question import Choice
from shadematch.record import checked, from_dict, to_dict

__all__ = ["load", "save"]


def save(
    result: Result,
    path: str | os.PathLike[str],
    *,
    palette: Palette | None = None,
    view: View | None = None,
    choice: Choice | None = None,
    note: str | None = None,
) -> None:
    """Keep a recipe or a match in a JSON file, with all that next month needs to repeat it.

    The file is whole at every moment: whoever is killed while saving leaves the old one.

    Parameters
    ----------
    result
        A `Match`, `Prediction`, `Recipe` or `SavedRecipe`.
    path
        The file; one that is there is replaced.
    palette, view
        Of a `Recipe` (and the palette of a `Prediction`), which don't know them; by default the
        demo palette, and D65 on white paper.
    choice
        Of a `Match`, the choice that is poured; by default the frugal one, or the steady one
        of a robust match.
    note
        The maker's own words, at most 10,000 letters; by default none, or the one it has.

    Raises
    ------
    PourError, UnknownNameError
        If the parts don't fit together.
    FileError
        If the place can't be written, or a part is not fit to be read again, which is named.
    """
    saved = kept(result, palette=palette, view=view, choice=choice, note=note)
    content = to_dict(saved)
    checked(content)  # nothing is written that can't be read
    write_text(path, json_text(content))


def load(path: str | os.PathLike[str]) -> SavedRecipe:
    """Read what `save` wrote.

    Returns
    -------
    SavedRecipe
        Equal to what was saved. `shadematch.repeat` tells what it gives with today's palette.

    Raises
    ------
    FileError
        If the file can't be read, is from a newer version, or has an entry that is wrong, which
        is named.
    """
    data = parse_json(read_text(path, kind="recipe"), place=str(path))
    try:
        return from_dict(data)
    except ShadematchError as found:
        raise FileError(
            found.problem, field=f"{path}: {found.field}", value=found.value, remedy=found.remedy
        ) from None
