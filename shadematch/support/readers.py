"""Tables and spectra from text files, as spreadsheets, instruments and people write them.

Commas, semicolons or tabs stand between cells, and in a spectrum blanks may. Numbers have decimal
points or, where cells are not separated by commas, decimal commas. A file is UTF-8 or UTF-16 with
a byte order mark, UTF-8 without one, or else Windows-1252. Empty lines, empty cells at the end of
a line and lines that start with # count for nothing, nor do upper or lower case and blanks around
the names of columns. What could mean two things is refused with its line.
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
    "Row",
    "Table",
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
"""What may stand between cells; what comes first wins, as commas may be decimal ones."""
_COMMA: Final = re.compile(r"(?<!\S)([-+]?[0-9]*),([0-9]+(?:[eE][-+]?[0-9]+)?)(?!\S)")
"""A number with a decimal comma."""
_NOTE: Final = re.compile(r'[\s"]*#(?!(?:[0-9A-Fa-f]{3}){1,2}\s*(?:[",;\t]|$))')
"""How a line begins that is a note, and no hex colour."""
_LOOKED_AT: Final = 200
"""Lines by which the mark between the cells of a spectrum is told."""


@dataclass(frozen=True)
class Row:
    """One row: texts by column, and its line in the file."""

    line: int
    cells: Mapping[str, str]


@dataclass(frozen=True)
class Table:
    """A header, its line, the cells of the lines below, and what stands between them."""

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
    """The text of a file in whatever encoding spreadsheets and instruments save it.

    Parameters
    ----------
    path
        The file.
    kind
        What it should be, for complaints.
    largest
        Bytes it may have.

    Raises
    ------
    error
        If it can't be read, is too large, or is not a text.
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
    """The lines of a text, whichever system wrote it."""
    return re.split(r"\r\n|\r|\n", text)


def table_of(
    text: str, path: object, *, error: type[ShadematchError], short: bool = False
) -> Table:
    """A table with a header line.

    Parameters
    ----------
    text, path
        The text, and where it came from, for complaints.
    short
        Whether lines may leave out cells at their end.

    Raises
    ------
    error
        If there is no header, or naming the line that is not a line of this table.
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
            # One line at a time: a quote that is never closed then spoils no line but its own.
            cells = [c.strip() for c in next(csv.reader([line], delimiter=between, strict=True))]
        except csv.Error as found:
            remedy = "Look for a quote too many, a line break in a cell, or a cell too long"
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
            remedy = "Give every column a cell, empty if need be"
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
    return Table(begun, header, tuple(lines), between)


def with_points(
    rows: Sequence[Row],
    path: object,
    *,
    numeric: Callable[[str], bool],
    error: type[ShadematchError],
    between: str = "",
) -> list[Row]:
    """The rows of one file with decimal commas made points.

    Parameters
    ----------
    rows, path
        The rows, and where they came from.
    numeric
        Which columns hold numbers, one or several with blanks between.
    between
        What stands between cells.

    Raises
    ------
    error
        If the file has decimal points too, or commas between cells: a comma in a number could
        then mean thousands.
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
            "a comma in a number, and between cells",
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
        Row(r.line, {k: pointed(t) if numeric(k) else t for k, t in r.cells.items()}) for r in rows
    ]


def pointed(text: str) -> str:
    """A text whose numbers have points instead of decimal commas."""
    return _COMMA.sub(r"\1.\2", text)


def read_spectrum(
    path: str | os.PathLike[str], *, what: str = "a reflectance from 0 to 1"
) -> list[tuple[float, float, int]]:
    """Read lines of a wavelength [nm] and a value, as the head of this room tells.

    A first line without any number is a header.

    Parameters
    ----------
    path
        A text file.
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
    text = table_text(path, kind="spectrum", largest=_LARGEST_SPECTRUM, error=SpectrumError)
    lines = [
        (number, line)
        for number, line in enumerate(text_lines(text), 1)
        if line.strip(' ;,\t"') and not _NOTE.match(line)
    ]
    remedy = f"Each line is a wavelength in nm, a comma, semicolon, tab or blank, and {what}"
    between = _between([line for _, line in lines[:_LOOKED_AT]])
    rows: list[Row] = []
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
        rows.append(Row(number, {"wavelength": cells[0], "value": cells[1]}))
    rows = with_points(rows, path, numeric=lambda _: True, error=SpectrumError, between=between)
    found: list[tuple[float, float, int]] = []
    for row in rows:
        nm, value = (float(cell) for cell in row.cells.values())
        if not (math.isfinite(nm) and math.isfinite(value)):
            raise fault(
                path,
                row.line,
                "must be two finite numbers",
                f"{nm}, {value}",
                remedy,
                error=SpectrumError,
            )
        if found and nm <= found[-1][0]:
            raise fault(
                path,
                row.line,
                "wavelengths must rise",
                nm,
                "Sort the lines, and leave out repeats",
                error=SpectrumError,
            )
        found.append((nm, value, row.line))
    if not found:
        raise SpectrumError("has no measurements", field="path", value=str(path), remedy=remedy)
    return found


def _between(lines: Sequence[str]) -> str:
    """What stands between the two cells of most lines; blank for blanks."""
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
