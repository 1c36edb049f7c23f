"""Sample files to try things with: invented photos, test pours, an order book, a shelf.

They stand in the project's ``data/`` folder and travel in the wheel.
"""

from __future__ import annotations

import os
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Final

from shadematch.errors import FileError
from shadematch.support.files import whole_file

__all__ = ["SAMPLES", "copy_samples"]

SAMPLES: Final = (
    *("photos/lamp.jpg", "photos/window.jpg", "photos/window-paper.jpg", "photos/photos.json"),
    *("test-pours.csv", "test-pours-lab.csv", "test-pours.txt", "bars.csv"),
    "finished-bars.csv",
    "paints.csv",
    *("order-book.csv", "shelf.csv"),
)
"""Their names; all invented."""


def copy_samples(folder: str | os.PathLike[str] = "data", *, replace: bool = False) -> list[Path]:
    """Copy the sample files, invented ones, into a folder.

    Parameters
    ----------
    folder
        Where to; it is made if it is not there. With ``"data"`` the examples of the guides run as
        they stand.

    Returns
    -------
    list of Path
        The files. One that is there already and is the same is left alone.

    Raises
    ------
    FileError
        If another file of that name is there and `replace` is false, or the place can't be
        written. Files that came before it are there then.
    """
    copied = []
    for name in SAMPLES:
        content = _home().joinpath(*name.split("/")).read_bytes()
        try:
            goal = Path(folder) / name
            goal.parent.mkdir(parents=True, exist_ok=True)
        except OSError as found:
            raise FileError(
                f"can't be written: {found.strerror}",
                field="folder",
                value=str(folder),
                remedy="Choose another one",
            ) from None
        except (TypeError, ValueError):
            raise FileError(
                "is not a path", field="folder", value=str(folder), remedy="Check the name"
            ) from None
        with whole_file(goal, replace=replace) as place:
            place.write_bytes(content)
        copied.append(goal)
    return copied


def _home() -> Traversable:
    """In the wheel; in the project's folder where the package is used from there."""
    shipped = resources.files("shadematch").joinpath("resources", "samples")
    return shipped if shipped.is_dir() else resources.files("shadematch").joinpath("..", "data")
