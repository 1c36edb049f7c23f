"""Photos of test pours, named in a table."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Final

from shadematch.errors import PourError
from shadematch.photo.read import read_photo
from shadematch.photo.target import PhotoTarget

__all__ = ["PHOTO_COLUMNS", "photo_in"]

PHOTO_COLUMNS: Final = ("photo", "region", "neutral", "chart")
"""The file, relative to the table, and its mark-up, written as for `read_photo`."""


def photo_in(cells: Mapping[str, str], table: object) -> PhotoTarget | None:
    """The colour in the photo of a row; None if the row names none.

    Raises
    ------
    PourError
        If there is mark-up without a photo, or a photo without the bar marked.
    PhotoError
        If the photo can't be read.
    """
    given = {name: cells[name] for name in PHOTO_COLUMNS if cells.get(name)}
    if "photo" not in given:
        if given:
            raise PourError("the photo is not named", remedy="Fill in photo")
        return None
    if "region" not in given:
        raise PourError("the photo doesn't say where the bar is", remedy="Fill in region")
    folder = Path(table).parent if isinstance(table, str | Path) else Path()
    return read_photo(
        folder / given["photo"],
        region=given["region"],
        neutral=given.get("neutral"),
        chart=given.get("chart"),
    )
