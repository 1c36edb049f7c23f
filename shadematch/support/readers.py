"""Tables and spectra from text files, as spreadsheets, instruments and people write them.

Commas, semicolons or tabs separate cells; in spectra blanks may. Numbers have decimal points, or
decimal commas where commas don't separate cells. A file is UTF-8 or UTF-16 with a byte order mark,
UTF-8 without one, or else Windows-1252. Empty lines, empty cells at the end of a line and lines
that start with # are skipped; case and blanks around names of columns are ignored. Ambiguous lines
are refused.
"""

from __future__ import annotations

import codecs
import contextlib
import csv
import math
import os
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, TypeVar

from shadematch.errors import ShadematchError, SpectrumError
from shadematch.support.files import read_bytes

__all__ = [
    "TableRow",
    "TextTable",
    "fault",
    "is_number",
    "pointed",
    "read_spectrum",
    "table_of",
    "table_text",
    "text_lines",
    "with_points",
]

_Error = TypeVar("_Error", bound=ShadematchError)
_LARGEST_SPECTRUM: Final = 1_000_000
_LONGEST_NAME: Final = 300
_MARKS: Final = ("\t", ";", ",")
"""Separators of cells; the first found wins, since commas may be decimal ones."""
_COMMA: Final = re.compile(r"(?<!\S)([-+]?[0-9]*),([0-9]+(?:[eE][-+]?[0-9]+)?)(?!\S)")
"""A number with a decimal comma."""
_NOTE: Final = re.compile(r'[\s"]*#(?!(?:[0-9A-Fa-f]{3}){1,2}\s*(?:[",;\t]|$))')
"""The beginning of a note, which is not a hex colour."""
_LOOKED_AT: Final = 200
"""Lines that decide what separates the cells of a spectrum."""


@dataclass(frozen=True)
class TableRow:
    """One row: texts by column, and its line in the file."""

    line: int
    cells: Mapping[str, str]


@dataclass(frozen=True)
class TextTable:
    """A header and its line, the cells of the lines below, and what separates them."""

    line: int
    names: tuple[str, ...]
    lines: tuple[tuple[int, tuple[str, ...]], ...]
    between: str


def fault(
    path: object,
    line: int | None,
    problem: str,
    value: object,
    remedy: str,
    *,
    error: type[_Error],
    field: str = "",
) -> _Error:
    """An error that names the file, the line and the column."""
    name = str(path) or "path"
    name = name if len(name) <= _LONGEST_NAME else name[: _LONGEST_NAME - 3] + "..."
    where = f"{name}, line {line}" if line else name
    return error(problem, field=f"{where}, {field}" if field else where, value=value, remedy=remedy)


def is_number(text: str) -> bool:
    """Whether Python reads a text as a number."""
    with contextlib.suppress(ValueError):
        float(text)
        return True
    return False


def table_text(
    path: str | os.PathLike[str], *, kind: str, largest: int, error: type[ShadematchError]
) -> str:
    """The text of a file in any encoding that spreadsheets and instruments use.

    `kind` names it in errors. An `error` if it can't be read, has more than `largest` bytes, or is
    not text.
    """
    raw = read_bytes(path, kind=kind, error=error, largest=largest)
    wide = raw.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    for encoding in ("utf-16",) if wide else ("utf-8-sig", "cp1252"):
        with contextlib.suppress(UnicodeDecodeError):
            text = raw.decode(encoding)
            if "\0" not in text:
                return text
    raise error("is not text", field="path", value=str(path), remedy="Save it as UTF-8")


def text_lines(text: str) -> list[str]:
    """The lines of a text from any system."""
    return re.split(r"\r\n|\r|\n", text)


def table_of(
    text: str, path: object, *, error: type[ShadematchError], short: bool = False
) -> TextTable:
    """A table with a header line.

    `path` is for errors; `short` lines may lack cells at their end. An `error` if there is no
    header, or naming the line that doesn't fit.
    """
    header: tuple[str, ...] | None = None
    begun, between = 0, ","
    lines = []
    for number, line in enumerate(text_lines(text), 1):
        if not line.strip(' ;,\t"') or _NOTE.match(line):
            continue
        if header is None:
            unquoted = re.sub('"[^"]*"', "", line)
            between = next((mark for mark in _MARKS if mark in unquoted), ",")
        try:
            # Line by line, so that an unclosed quote spoils no line but its own.
            cells = [c.strip() for c in next(csv.reader([line], delimiter=between, strict=True))]
        except csv.Error as found:
            remedy = "Look for an extra quote, a line break in a cell, or a cell too long"
            raise fault(
                path, number, f"is not valid CSV: {found}", None, remedy, error=error
            ) from None
        while cells and not cells[-1] and (header is None or len(cells) > len(header)):
            cells.pop()
        if header is None:
            header, begun = tuple(cells), number
            continue
        if len(cells) > len(header) or (len(cells) < len(header) and not short):
            many = len(cells) > len(header)
            remedy = "Give every column a cell, if need be an empty one"
            if many and between == ",":
                remedy = (
                    "Put texts that hold a comma between quotes; "
                    "decimal commas need semicolons or tabs between cells"
                )
            problem = f"has {len(cells)} cells for {len(header)} columns"
            raise fault(path, number, problem, line, remedy, error=error)
        lines.append((number, (*cells, *[""] * (len(header) - len(cells)))))
    if header is None:
        remedy = "The first line names the columns, the others hold the values"
        raise fault(path, None, "is empty", None, remedy, error=error)
    return TextTable(begun, header, tuple(lines), between)


def with_points(
    rows: Sequence[TableRow],
    path: object,
    *,
    numeric: Callable[[str], bool],
    error: type[ShadematchError],
    between: str = "",
) -> list[TableRow]:
    """The rows of one file with decimal commas made points, in columns that are `numeric`.

    An `error` if the file has decimal points too, or commas between cells (`between`): a comma in
    a number might then separate thousands.
    """
    cells = [(r, key, text) for r in rows for key, text in r.cells.items() if numeric(key)]
    commas = [found for found in cells if "," in found[2]]
    if between == ",":
        commas = [found for found in commas if _COMMA.search(found[2])]
    if not commas:
        return list(rows)
    row, key, text = commas[0]
    if between == ",":
        raise fault(
            path,
            row.line,
            "commas in numbers and between cells",
            text,
            "Write it with a point, or save the file with semicolons or tabs between cells",
            error=error,
            field=key.removeprefix("nm:"),
        )
    if any("." in text for _, _, text in cells):
        raise fault(
            path,
            row.line,
            "decimal commas and decimal points in one file",
            text,
            "Write all numbers in one way, thousands without a mark",
            error=error,
        )
    return [
        TableRow(r.line, {k: pointed(t) if numeric(k) else t for k, t in r.cells.items()})
        for r in rows
    ]


def pointed(text: str) -> str:
    """A text with points for the decimal commas of its numbers."""
    return _COMMA.sub(r"\1.\2", text)


def read_spectrum(
    path: str | os.PathLike[str], *, what: str = "a reflectance from 0 to 1"
) -> list[tuple[float, float, int]]:
    """Lines of a wavelength [nm] and a value: both with their line number, wavelengths rising.

    A first line without numbers is a header. `what` names the values in errors. A `SpectrumError`
    if the file can't be read, has no measurements, or has a wrong line, which is named.
    """
    text = table_text(path, kind="spectrum", largest=_LARGEST_SPECTRUM, error=SpectrumError)
    lines = [
        (number, line)
        for number, line in enumerate(text_lines(text), 1)
        if line.strip(' ;,\t"') and not _NOTE.match(line)
    ]
    remedy = f"Each line is a wavelength in nm, a comma, semicolon, tab or blank, and {what}"
    between = _between([line for _, line in lines[:_LOOKED_AT]])
    rows: list[TableRow] = []
    for at, (number, line) in enumerate(lines):
        cells = _pair(line, between)
        numbers = [is_number(pointed(cell)) for cell in cells]
        if at == 0 and not (numbers[0] or (any(numbers) and len(cells) == 2)):
            continue  # the header
        if len(cells) != 2 or not all(numbers):
            if len(cells) > 2 and between == ",":
                remedy += "; decimal commas need semicolons, tabs or blanks between cells"
            raise fault(
                path, number, "must be two finite numbers", line, remedy, error=SpectrumError
            )
        rows.append(TableRow(number, {"wavelength": cells[0], "value": cells[1]}))
    rows = with_points(rows, path, numeric=lambda _: True, error=SpectrumError, between=between)
    found: list[tuple[float, float, int]] = []
    for row in rows:
        nm, value = (float(cell) for cell in row.cells.values())
        if not (math.isfinite(nm) and math.isfinite(value)):
            problem, shown, remedy = "must be two finite numbers", f"{nm}, {value}", remedy
            raise fault(path, row.line, problem, shown, remedy, error=SpectrumError)
        if found and nm <= found[-1][0]:
            remedy = "Sort the lines, and leave out repeats"
            raise fault(path, row.line, "wavelengths must rise", nm, remedy, error=SpectrumError)
        found.append((nm, value, row.line))
    if not found:
        raise SpectrumError("has no measurements", field="path", value=str(path), remedy=remedy)
    return found


def _between(lines: Sequence[str]) -> str:
    """What separates the two cells of most lines; a blank for blanks."""
    marks = (*_MARKS, " ")
    counts = [
        sum(
            len(cells) == 2 and all(is_number(pointed(c)) for c in cells)
            for cells in (_pair(line, mark) for line in lines)
        )
        for mark in marks
    ]
    if any(counts):
        return marks[counts.index(max(counts))]
    return next((mark for mark in marks if any(mark in line for line in lines)), ",")


def _pair(line: str, between: str) -> list[str]:
    """The cells of a line of a spectrum, without empty ones at the end."""
    cells = line.split() if between == " " else line.split(between)
    cells = [cell.strip(' \t"') for cell in cells]
    while len(cells) > 2 and not cells[-1]:
        cells.pop()
    return cells
