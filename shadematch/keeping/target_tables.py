"""Targets to and from tables."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import PurePath
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from shadematch.calibration.rows import column_of
from shadematch.colour.standards import WAVELENGTHS_NM
from shadematch.errors import ColourError, ShadematchError
from shadematch.keeping.files import read
from shadematch.keeping.parts import expect_frame, pandas
from shadematch.studio.target import Target
from shadematch.support.models import expect, is_finite, listed
from shadematch.support.readers import TableRow, is_number, table_of, table_text, with_points

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["read_targets", "targets_frame", "targets_from_frame"]

_SPECTRUM: Final = tuple(f"{nm:g} nm" for nm in WAVELENGTHS_NM)
_LAB: Final = ("l", "a", "b")
_XYZ: Final = ("x", "y", "z")
_UPPER: Final = ((0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2))
_COVARIANCE: Final = tuple(f"cov_{'Lab'[i]}{'Lab'[j]}" for i, j in _UPPER)
_PLAIN: Final = ("source", "hex", "illuminant", "observer", *"LabXYZ", *_COVARIANCE)
"""Columns other than spectra."""
_READ: Final = frozenset(name.lower() for name in _PLAIN)
_WORDS: Final = frozenset({"source", "hex", "illuminant", "observer"})
"""Columns of text."""
_LARGEST_FILE: Final = 50_000_000
_CHROMATICITY: Final = 0.002
"""Rounded chromaticities add up to 1 within this."""


def targets_frame(targets: Iterable[Target]) -> pd.DataFrame:
    """Targets as a pandas data frame; `targets_from_frame` reads it back.

    Columns: ``source``, ``hex``, ``L``, ``a``, ``b``, ``illuminant``, ``observer``; a target's
    spectrum, if it has one, in ``380 nm`` to ``730 nm``; its covariance in ``cov_LL``,
    ``cov_La``, ``cov_Lb``, ``cov_aa``, ``cov_ab``, ``cov_bb``.

    Raises
    ------
    ColourError
        For a target under an `Illuminant` that is not a CIE name, which a table can't hold
        (use `save`).
    PourError
        If an entry is not a target.
    MissingExtraError
        If pandas is missing.
    """
    pd = pandas()
    rows = []
    for target in listed(targets, "targets", "Give a list of Target"):
        expect(target, Target, "targets", "Give Targets")
        if not isinstance(target.illuminant, str):
            light = str(target.illuminant)
            raise ColourError(
                "is not a CIE name", field="illuminant", value=light, remedy="Use save"
            )
        row: dict[str, Any] = {"source": target.source, "hex": target.hex}
        row |= dict(zip("Lab", target.lab, strict=True))
        row |= {"illuminant": target.illuminant, "observer": target.observer}
        if target.reflectance is not None:
            row |= dict(zip(_SPECTRUM, target.reflectance.tolist(), strict=True))
        if target.covariance is not None:
            upper = [target.covariance[i][j] for i, j in _UPPER]
            row |= dict(zip(_COVARIANCE, upper, strict=True))
        rows.append(row)
    return pd.DataFrame(rows)


def targets_from_frame(frame: pd.DataFrame) -> list[Target]:
    """The targets in a table.

    A row's colour is the first of these that it has: a spectrum, in columns named by wavelengths
    such as ``400 nm``; ``L``, ``a``, ``b``; ``X``, ``Y``, ``Z``, with Y = 100 for white;
    ``hex``. Lab and XYZ are under the columns ``illuminant`` and ``observer``, by default D65
    and 2 degrees. ``source`` and ``cov_LL``, ``cov_La``, ``cov_Lb``, ``cov_aa``, ``cov_ab``,
    ``cov_bb`` are read if present; other columns are ignored.

    Column names are read as in files of test pours (`shadematch.calibration.rows`): upper or
    lower case, with blanks around them, ``LAB_L`` for ``L`` or ``R400`` for ``400 nm``. If
    several mean the same, the one spelled as above counts.

    Raises
    ------
    ColourError
        If there are no such columns, several mean the same, or a row, which is named, can't be
        used. XYZ that add up to 1 are refused as chromaticities.
    """
    expect_frame(frame, ColourError)
    heads = [str(column) for column in frame.columns]
    rows = enumerate(frame.itertuples(index=False, name=None), start=1)
    return _targets_of(heads, ((f"row {n}", values) for n, values in rows), "frame")


def read_targets(path: str | os.PathLike[str]) -> list[Target]:
    """The targets in a CSV file, or in a JSON file that `save` wrote.

    A CSV file has the columns of `targets_from_frame`, with ``name`` for ``source``, in any form
    that `shadematch.support.readers` reads, decimal commas included.

    Raises
    ------
    ColourError
        If the file can't be read or has no such columns, or a line, which is named, can't be
        used.
    FileError
        If a JSON file is of another kind, or has a wrong entry.
    """
    if isinstance(path, str | os.PathLike) and PurePath(path).suffix.lower() == ".json":
        found: list[Target] = read(path, list)
        return found
    text = table_text(path, kind="targets", largest=_LARGEST_FILE, error=ColourError)
    table = table_of(text, path, error=ColourError, short=True)
    heads = ["source" if head.strip().lower() == "name" else head for head in table.names]
    rows = [
        TableRow(line, dict(zip(heads, cells, strict=True)))
        for line, cells in table.lines
        if any(cell.strip() for cell in cells)
    ]
    columns = _columns_of(heads, "path")
    plain = {heads[at] for name, at in columns.items() if name not in _WORDS}
    rows = with_points(
        rows, path, numeric=plain.__contains__, error=ColourError, between=table.between
    )
    lines = (
        (f"line {row.line}", tuple(_cell(head in plain, row.cells[head]) for head in heads))
        for row in rows
    )
    return _targets_of(heads, lines, "path")


def _cell(number: bool, text: str) -> Any:
    """The value of a cell; None if it is empty."""
    text = text.strip()
    return float(text) if number and is_number(text) else text or None


def _targets_of(
    heads: Sequence[str], rows: Iterable[tuple[str, Sequence[Any]]], field: str
) -> list[Target]:
    columns = _columns_of(heads, field)
    spectrum = tuple(sorted((name for name in columns if name.startswith("nm:")), key=_nm))
    ways = [way for way in (spectrum, _LAB, _XYZ, ("hex",)) if way and set(way) <= set(columns)]
    if not ways:
        remedy = "Name a column hex, or three L, a, b or X, Y, Z"
        raise ColourError("has no colours", field=field, value=list(heads), remedy=remedy)
    targets = []
    for place, values in rows:
        cells = ((name, values[at]) for name, at in columns.items())
        row = {name: cell for name, cell in cells if cell is not None and cell == cell}
        try:
            targets.append(_target_of(row, ways))
        except ShadematchError as found:
            problem, where = found.problem, f"{place}, {found.field}"
            raise ColourError(
                problem, field=where, value=found.value, remedy=found.remedy
            ) from None
    return targets


def _columns_of(heads: Sequence[str], field: str) -> dict[str, int]:
    """Positions of the columns that count, by their names in small letters or by `column_of`."""
    places: dict[str, list[int]] = {}
    for at, head in enumerate(heads):
        low = head.strip().lower()
        name = low if low in _READ else column_of(low) or ""
        if name in _READ or name.startswith("nm:"):
            places.setdefault(name, []).append(at)
    found = {}
    for name, several in places.items():
        own = [at for at in several if heads[at] in (*_PLAIN, *_SPECTRUM)] or several
        if len(own) > 1:
            problem, remedy = "several columns mean the same", "Keep one"
            raise ColourError(problem, field=field, value=[heads[at] for at in own], remedy=remedy)
        found[name] = own[0]
    return found


def _nm(name: str) -> float:
    return float(name.removeprefix("nm:"))


def _target_of(row: Mapping[str, Any], ways: Sequence[tuple[str, ...]]) -> Target:
    way = next((way for way in ways if all(name in row for name in way)), None)
    if way is None:
        raise ColourError(
            "has no colour", field="target", remedy="Fill in hex, or L, a, b, or X, Y, Z"
        )
    given = [row[name] for name in way]
    light: dict[str, Any] = {
        name: _text(row[name]) for name in ("illuminant", "observer") if name in row
    }
    if way == ("hex",):
        target = Target.from_hex(given[0])
    elif way == _XYZ:
        if all(map(is_finite, given)) and abs(sum(given) - 1.0) <= _CHROMATICITY:
            raise ColourError(
                "add up to 1, as chromaticities do",
                field="xyz",
                value=given,
                remedy="Give X, Y, Z with Y = 100 for white",
            )
        target = Target.from_xyz(given, **light)
    elif way == _LAB:
        target = Target.from_lab(given, **light)
    else:
        target = Target.from_reflectance(list(map(_nm, way)), given)
    if all(name.lower() in row for name in _COVARIANCE):
        matrix = [[0.0] * 3 for _ in range(3)]
        for (i, j), name in zip(_UPPER, _COVARIANCE, strict=True):
            matrix[i][j] = matrix[j][i] = row[name.lower()]
        target = replace(target, covariance=matrix)  # type: ignore[arg-type]
    return replace(target, source=str(row["source"])) if "source" in row else target


def _text(cell: object) -> str:
    """A cell as text; a table may hold ``2`` or ``2.0`` for "2"."""
    if isinstance(cell, float | np.floating) and cell == int(cell):
        return str(int(cell))
    return str(cell)
