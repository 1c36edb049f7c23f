"""Measurements from files."""

from __future__ import annotations

import contextlib
import math
import os
from pathlib import Path
from typing import Final

from shadematch.errors import SpectrumError

__all__ = ["is_number", "read_spectrum"]

_LARGEST_FILE: Final = 1_000_000


def is_number(text: str) -> bool:
    """Whether Python reads a text as a number."""
    with contextlib.suppress(ValueError):
        float(text)
        return True
    return False


def read_spectrum(
    path: str | os.PathLike[str], *, what: str = "a reflectance from 0 to 1"
) -> list[tuple[float, float, int]]:
    """Read lines of a wavelength [nm], a comma and a value.

    A first line without any number is a header. Empty lines count for nothing.

    Parameters
    ----------
    path
        A UTF-8 text file.
    what
        What the values are, in complaints.

    Returns
    -------
    list of tuple
        Wavelength, value and line number, wavelengths rising.

    Raises
    ------
    SpectrumError
        If the file can't be read, holds no measurements, or has a wrong line, which is named.
    """
    remedy = f"Each line is a wavelength in nm, a comma, and {what}"
    problem = text = ""
    try:
        with Path(path).open("rb") as stream:
            text = stream.read(_LARGEST_FILE + 1).decode("utf-8-sig")
    except OSError as found:
        problem, remedy = f"can't be read: {found.strerror}", "Check the name and the folder"
    except UnicodeDecodeError:
        problem = "is not UTF-8 text"
    except (TypeError, ValueError):  # no path at all, or a NUL in the name
        problem, remedy = "is no path", "Check the name and the folder"
    if len(text) > _LARGEST_FILE:
        problem = "is too large for a spectrum"
    rows: list[tuple[float, float, int]] = []
    for number, line in enumerate(() if problem else text.splitlines(), 1):
        cells = [cell.strip(' \t"') for cell in line.split(",")]
        if not any(cells) or (number == 1 and not any(map(is_number, cells))):
            continue  # empty, or the header
        fault = ""
        row = tuple(map(float, cells)) if all(map(is_number, cells)) else ()
        if len(row) != 2 or not all(map(math.isfinite, row)):
            fault = "must be two finite numbers"
            if ";" in line:
                remedy = f"{remedy}; save it with commas between the cells, points in the numbers"
        elif rows and row[0] <= rows[-1][0]:
            fault, remedy = "wavelengths must rise", "Sort the lines, and leave out repeats"
        if fault:
            where = f"{path}, line {number}"
            raise SpectrumError(fault, field=where, value=line, remedy=remedy)
        rows.append((row[0], row[1], number))
    if not rows:
        problem = problem or "has no measurements"
        raise SpectrumError(problem, field="path", value=str(path), remedy=remedy)
    return rows
