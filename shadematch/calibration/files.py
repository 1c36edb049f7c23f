"""Test pours from files: CSV, and the CGATS.17 text of measuring instruments.

For the columns see `shadematch.calibration.rows`. In a CSV every column must be one of them. A
CGATS.17 file (ANSI CGATS.17, ISO 28178) may have others, which are ignored. Instruments don't know
doses, so a second CSV may give them; its ``name`` is the ``SAMPLE_NAME`` or ``SAMPLE_ID`` of the
readings.
"""

from __future__ import annotations

import functools
import os
import re
from collections.abc import Mapping, Sequence
from typing import Final, Literal

from shadematch.calibration.rows import (
    KNOWN_COLUMNS,
    backings_of,
    column_of,
    is_numeric,
    pour_fault,
    pours_of,
)
from shadematch.calibration.test_pour import TestPour
from shadematch.colour.standards import WAVELENGTHS_NM
from shadematch.errors import PourError
from shadematch.studio.pour import Pour
from shadematch.studio.view import View
from shadematch.support.files import LARGEST_FILE
from shadematch.support.models import expect, listed
from shadematch.support.readers import TableRow, table_of, table_text, text_lines, with_points

__all__ = ["read_test_pours"]

_TOKEN: Final = re.compile(r'"([^"]*)"|(\S+)')
_LIGHT: Final = re.compile(r"illuminant\s*,?\s*([A-Za-z0-9-]+)", re.IGNORECASE)
_OBSERVER: Final = re.compile(r"observer\s*,?\s*(\d+)", re.IGNORECASE)
_ABOUT_LIGHT: Final = ("WEIGHTING_FUNCTION", "COMPUTATIONAL_PARAMETER", "ILLUMINANT", "OBSERVER")


def read_test_pours(
    path: str | os.PathLike[str],
    *,
    bars: str | os.PathLike[str] | None = None,
    pour: Pour | None = None,
    view: View | None = None,
    reflectance_unit: Literal["fraction", "percent"] | None = None,
    backings: str | os.PathLike[str] | Mapping[str, Sequence[float]] | None = None,
    any_thickness: bool = False,
) -> tuple[TestPour, ...]:
    """Read test pours from a CSV or a CGATS.17 file.

    Parameters
    ----------
    path
        The file, with the columns of `shadematch.calibration.rows`, in a form that
        `shadematch.support.readers` reads.
    bars
        A CSV with the doses of each bar, if the file of readings has none: a ``name`` and any
        columns other than readings. Values in the file of readings take precedence.
    pour, view
        Values for missing columns and empty cells; by default `Pour()` and `View()`.
    reflectance_unit
        Unit of spectra in lines that don't state it; by default inferred from the whole file.
    backings
        Measured backings named in the column ``backing``: a CSV with a column ``name`` and one
        for each wavelength, or reflectances at the library's 36 wavelengths by name.
    any_thickness
        Accept bars thinner than 0.2 cm or thicker than 8 cm, which are refused by default in
        case millimetres were meant. Films may have any thickness.

    Raises
    ------
    PourError
        If the file can't be read or a line, which is named, is not valid.
    """
    expect(pour, (Pour, type(None)), "pour", "Use Pour(...)")
    expect(view, (View, type(None)), "view", "Use View(...)")
    expect(any_thickness, bool, "any_thickness", "Give True or False")
    if reflectance_unit is not None and (
        not isinstance(reflectance_unit, str) or reflectance_unit not in ("fraction", "percent")
    ):
        problem, remedy = "is not a unit", "Take 'fraction' or 'percent'"
        raise PourError(problem, field="reflectance_unit", value=reflectance_unit, remedy=remedy)
    text = _text(path)
    light = View() if view is None else view
    first = next((line for line in text_lines(text) if line.strip()), "")
    cgats = "BEGIN_DATA_FORMAT" in text or first.upper().startswith("CGATS")
    if cgats:
        rows, light = _cgats(text, path, light, stated=view is not None)
        rows = with_points(rows, path, numeric=is_numeric, error=PourError)
    else:
        rows = _csv(text, path)
    if bars is not None:
        rows = _joined(rows, path, bars)
    if reflectance_unit is not None:
        unit = {"reflectance_unit": reflectance_unit}
        rows = [TableRow(r.line, {**unit, **{k: v for k, v in r.cells.items() if v}}) for r in rows]
    return pours_of(
        rows,
        path,
        pour=Pour() if pour is None else pour,
        view=light,
        backings=_backings(backings),
        any_thickness=any_thickness,
    )


def _backings(
    given: str | os.PathLike[str] | Mapping[str, Sequence[float]] | None,
) -> dict[str, tuple[float, ...]]:
    if given is None:
        return {}
    if isinstance(given, Mapping):
        remedy = f"Give {WAVELENGTHS_NM.size} reflectances, every 10 nm from 380 to 730 nm"
        checked = {
            name: View(backing=listed(values, f"backings.{name}", remedy)).backing
            for name, values in given.items()
        }
        return {name: v for name, v in checked.items() if isinstance(v, tuple)}
    return backings_of(_csv(_text(given), given), given)


def _text(path: str | os.PathLike[str]) -> str:
    return table_text(path, kind="file of test pours", largest=LARGEST_FILE, error=PourError)


def _csv(text: str, path: object) -> list[TableRow]:
    table = table_of(text, path, error=PourError)
    columns: list[str] = []
    for name in table.names:
        column = column_of(name)
        if column is None:
            remedy = f"Rename it or leave it out; there are {KNOWN_COLUMNS}"
            raise pour_fault(path, table.line, "unknown column", name, remedy)
        if column in columns:
            raise pour_fault(path, table.line, "a column appears twice", name, "Keep one of them")
        columns.append(column)
    rows = [TableRow(line, dict(zip(columns, cells, strict=True))) for line, cells in table.lines]
    return with_points(rows, path, numeric=is_numeric, error=PourError, between=table.between)


def _cgats(text: str, path: object, view: View, *, stated: bool) -> tuple[list[TableRow], View]:
    """Rows of every table of a CGATS.17 file, and the view."""
    blame = functools.partial(pour_fault, path)
    rows: list[TableRow] = []
    fields: list[str] = []
    said: dict[str, str] = {}
    state, opened, expected, begun = "head", 0, None, 0
    for number, line in enumerate(text_lines(text), 1):
        tokens = [a or b for a, b in _TOKEN.findall(line)]
        if not tokens or tokens[0].startswith("#"):
            continue
        key = tokens[0].upper()
        if state == "head":
            if key == "BEGIN_DATA_FORMAT":
                state, fields, opened = "format", [], number
                tokens = tokens[1:]
            elif key == "BEGIN_DATA":
                if not fields:
                    remedy = "BEGIN_DATA_FORMAT must come first"
                    raise blame(number, "data before their format", line, remedy)
                state, opened, begun = "data", number, len(rows)
                continue
            else:
                if (
                    key == "NUMBER_OF_SETS"
                    and len(tokens) > 1
                    and re.fullmatch(r"[0-9]{1,9}", tokens[1])
                ):
                    expected = int(tokens[1])
                elif key == "SAMPLE_BACKING" and len(tokens) > 1:
                    said["backing"] = tokens[1].lower()
                rest = " ".join(tokens)
                for name, pattern in (("illuminant", _LIGHT), ("observer", _OBSERVER)):
                    found = pattern.search(rest)
                    if found is not None and key in _ABOUT_LIGHT:
                        said[name] = found[1]
                continue
        if state == "format":
            if "END_DATA_FORMAT" in (t.upper() for t in tokens):
                fields += tokens[: [t.upper() for t in tokens].index("END_DATA_FORMAT")]
                state = "head"
                _check_fields(fields, path, opened)
            else:
                fields += tokens
            continue
        if key == "END_DATA":
            if expected is not None and expected != len(rows) - begun:
                problem = f"{len(rows) - begun} sets of data, but NUMBER_OF_SETS is {expected}"
                raise blame(number, problem, None, "The file may be cut short")
            state, expected = "head", None
            continue
        if len(tokens) != len(fields):
            problem = f"has {len(tokens)} values for {len(fields)} fields"
            raise blame(number, problem, line, "Texts with spaces need quotation marks")
        rows.append(TableRow(number, _cells(fields, tokens)))
    if state != "head":
        raise blame(opened, "has no end", None, "The file may be cut short")
    return rows, _cgats_view(rows, path, view, said, stated)


def _check_fields(fields: list[str], path: object, line: int) -> None:
    if "SPECTRAL_PCT" in fields or "SPECTRAL_DEC" in fields:
        remedy = "Export one field for each wavelength, such as SPECTRAL_NM450"
        raise pour_fault(path, line, "spectra as pairs of wavelength and value", None, remedy)
    meant = [c for c in map(column_of, fields) if c is not None]
    twice = [c for c in meant if meant.count(c) > 1]
    if twice:
        raise pour_fault(path, line, "a field appears twice", twice[0], "Keep one of them")


def _cells(fields: list[str], tokens: list[str]) -> dict[str, str]:
    cells: dict[str, str] = {}
    for field, token in zip(fields, tokens, strict=True):
        column = column_of(field)
        if column is not None:
            cells[column] = token
        elif field.upper() == "SAMPLE_ID":
            cells["sample_id"] = token
    identity = cells.pop("sample_id", "")
    cells.setdefault("name", identity)
    return cells


def _cgats_view(
    rows: list[TableRow], path: object, view: View, said: Mapping[str, str], stated: bool
) -> View:
    if stated:
        return view
    colour = any("l" in r.cells or "x" in r.cells for r in rows)
    spectral = all(any(c.startswith("nm:") for c in r.cells) for r in rows)
    if colour and not spectral and "illuminant" not in said and "illuminant" not in rows[0].cells:
        problem, remedy = (
            "doesn't state the light of its Lab or XYZ",
            "Pass view=View(illuminant=...)",
        )
        raise pour_fault(path, rows[0].line, problem, None, remedy)
    if said.keys() <= {"illuminant", "observer"}:
        return view.model_copy(update=dict(said))
    return View(**{**view.model_dump(), **said})


def _joined(rows: list[TableRow], path: object, bars: str | os.PathLike[str]) -> list[TableRow]:
    """Readings with the doses of their bars."""
    listed = _csv(_text(bars), bars)
    known: dict[str, TableRow] = {}
    for row in listed:
        name = row.cells.get("name", "").strip()
        if not name:
            raise pour_fault(
                bars, row.line, "a bar without a name", None, "Fill in the column name"
            )
        if name in known:
            problem = f"this name is also in line {known[name].line}"
            raise pour_fault(bars, row.line, problem, name, "Give each bar its own name")
        known[name] = row
    result = []
    for row in rows:
        name = row.cells.get("name", "").strip()
        if name not in known:
            remedy = "Names must be the same in both files"
            raise pour_fault(path, row.line, f"{bars} has no such bar", name, remedy)
        own = {k: v for k, v in row.cells.items() if v.strip()}
        result.append(TableRow(row.line, {**known[name].cells, **own}))
    return result
