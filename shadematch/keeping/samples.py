"""Sample files to try things with: invented photos, test pours, an order book, a shelf.

They are in the project's ``data/`` folder and in the wheel.
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
    """Copy the sample files, all invented, into a folder.

    Parameters
    ----------
    folder
        Made if it does not exist. With ``"data"`` the examples of the guides run as printed.
    replace
        Whether other files of the same names may be replaced.

    Returns
    -------
    list of Path
        The files. An identical file that is there already is left alone.

    Raises
    ------
    FileError
        If another file of that name is there and `replace` is false, or a file can't be written.
        Files copied before it stay.
    """
    copied = []
    for name in SAMPLES:
        content = _home().joinpath(*name.split("/")).read_bytes()
        try:
            goal = Path(folder) / name
            goal.parent.mkdir(parents=True, exist_ok=True)
        except OSError as found:
            problem, remedy = f"can't be written: {found.strerror}", "Choose another one"
            raise FileError(problem, field="folder", value=str(folder), remedy=remedy) from None
        except (TypeError, ValueError):
            raise FileError(
                "is not a path", field="folder", value=str(folder), remedy="Check the name"
            ) from None
        with whole_file(goal, replace=replace) as place:
            place.write_bytes(content)
        copied.append(goal)
    return copied


def _home() -> Traversable:
    """In the wheel; in the project's folder if the package is used from there."""
    shipped = resources.files("shadematch").joinpath("resources", "samples")
    return shipped if shipped.is_dir() else resources.files("shadematch").joinpath("..", "data")
