"""A journal as a table for a spreadsheet, and back.

One event a line. What people look for has its own columns; the rest of an event is JSON in the last
column, so nothing is lost.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Mapping, Sequence
from typing import Any, Final

from shadematch.errors import FileError
from shadematch.journal.events import Begun, Event, event_of, line_of
from shadematch.support.files import spreadsheet_cell

__all__ = ["csv_of", "events_in"]

_PLAIN: Final = ("event", "what", "at", "batch", "of", "why", "pigment", "tube_size", "base")
_POUR: Final = ("batch_g", "thickness_cm", "white", "max_load", "dose_step")
_LAB: Final = ("L", "a", "b")
_WANTED: Final = ("wanted_L", "wanted_a", "wanted_b")
_READ: Final = ("means", "instrument", "age_days")
_WORDS: Final = ("what", "at", "why", "pigment", "base", "means", "instrument")
_REST: Final = "rest"
_FIELD: Final = "field:"
_WHOLE: Final = ("event", "batch", "of")
_LONGEST: Final = 20_000_000


def csv_of(events: Sequence[Event]) -> str:
    """The events as CSV, with the byte order mark and line ends that spreadsheets need."""
    entries = [json.loads(line_of(event)) for event in events]
    first = events[0]
    assert isinstance(first, Begun)
    dose = f"dose_{first.unit}:"
    names = list(dict.fromkeys(n for e in entries for n in e.get("fields", {})))
    based = any("base" in e or "base" in e.get("pour", {}) for e in entries)
    plain = [c for c in _PLAIN if c != "base" or based]
    columns = [
        *(*plain, *(dose + n for n in first.pigments), *_POUR, "clear_g", "white_g"),
        *(*_LAB, *_READ, *_WANTED, *(_FIELD + n for n in names), _REST),
    ]
    out = io.StringIO()
    writer = csv.DictWriter(out, columns, lineterminator="\r\n")
    writer.writerow({c: spreadsheet_cell(c) for c in columns})
    for entry in entries:
        row = {n: spreadsheet_cell(v) for n, v in _row(entry, dose).items()}
        writer.writerow(row)
    return "\ufeff" + out.getvalue()


def _row(entry: dict[str, Any], dose: str) -> dict[str, Any]:
    row: dict[str, Any] = {n: entry.pop(n) for n in (*_PLAIN, "clear_g", "white_g") if n in entry}
    row |= {dose + n: d for n, d in entry.pop("doses", {}).items()}
    pour = entry.pop("pour", {})
    row |= {"base": pour.pop("base")} if "base" in pour else {}
    if row["what"] == "poured":
        row |= {n: pour.pop(n) for n in _POUR if n in pour}
    reading = entry.get("reading", {})
    row |= dict(zip(_LAB, reading.pop("lab", ()), strict=False))
    row |= {n: reading.pop(n) for n in _READ if n in reading}
    row |= dict(zip(_WANTED, entry.pop("wanted", ()), strict=False))
    row |= {_FIELD + n: text for n, text in entry.pop("fields", {}).items()}
    if "reading" in entry and not reading and "L" in row:
        del entry["reading"]
    rest = {**entry, **({"pour": pour} if pour else {})}
    if rest:
        row[_REST] = json.dumps(rest, ensure_ascii=False)
    return row


def events_in(text: str, place: str) -> tuple[Event, ...]:
    """The events that a table holds.

    Raises
    ------
    FileError
        Naming the wrong line.
    """
    rows = csv.reader(io.StringIO(text.removeprefix("\ufeff")))
    found: list[Event] = []
    usual = csv.field_size_limit(_LONGEST)  # a palette is one long cell
    try:
        head = [_text(c) for c in next(rows, [])]
        if "event" not in head or "what" not in head:
            raise FileError(
                "has no columns event and what",
                field=place,
                value=head[:5],
                remedy="Give a table that a journal wrote, with its header",
            )
        for number, cells in enumerate(rows, 2):
            if not any(c.strip() for c in cells):
                continue
            row = dict(zip(head, cells, strict=False))
            try:
                found.append(event_of(_entry({n: c for n, c in row.items() if c != ""})))
            except FileError as wrong:
                raise wrong.at(f"{place}, line {number}: {wrong.field}") from None
    except csv.Error as wrong:
        raise FileError(
            f"is not a table: {wrong}", field="path", value=place, remedy="Save it as CSV"
        ) from None
    finally:
        csv.field_size_limit(usual)
    return tuple(found)


def _entry(row: Mapping[str, str]) -> dict[str, Any]:
    try:
        entry: dict[str, Any] = dict(json.loads(row.get(_REST, "{}")))
    except (ValueError, TypeError):
        raise FileError(
            "is not JSON", field=_REST, value=row[_REST], remedy="Leave this column as it was"
        ) from None
    reading, pour = dict(entry.pop("reading", {})), dict(entry.pop("pour", {}))
    doses = {
        n.split(":", 1)[1]: _number(n, c)
        for n, c in row.items()
        if n.startswith("dose_") and ":" in n
    }
    fields = {n[len(_FIELD) :]: _text(c) for n, c in row.items() if n.startswith(_FIELD)}
    for name, cell in row.items():
        if name in _WORDS and name not in _READ:
            entry[name] = _text(cell)
        elif name in _WHOLE:
            entry[name] = _whole(name, cell)
        elif name in ("tube_size", "clear_g", "white_g"):
            entry[name] = _number(name, cell)
        elif name in _POUR:
            pour[name] = _number(name, cell)
        elif name in _READ:
            reading[name] = _text(cell) if name in _WORDS else _number(name, cell)
    for key, columns, into in (("lab", _LAB, reading), ("wanted", _WANTED, entry)):
        given = [c for c in columns if c in row]
        if given:
            if len(given) < 3:
                raise FileError(
                    "needs all three values", field=given[0], remedy=f"Fill {', '.join(columns)}"
                )
            into[key] = [_number(c, row[c]) for c in columns]
    what = entry.get("what")
    if what in ("poured", "added"):
        entry |= {"doses": doses, "fields": fields}
    if what == "poured":
        entry["pour"] = pour | ({"base": entry.pop("base")} if "base" in entry else {})
    if reading:
        entry["reading"] = reading
    return entry


def _text(cell: str) -> str:
    bare = cell[1:]
    return bare if cell[:1] == "'" and spreadsheet_cell(bare) == cell else cell


def _number(name: str, cell: str) -> float:
    try:
        return float(_text(cell))
    except ValueError:
        raise FileError(
            "must be a number", field=name, value=cell, remedy="With a decimal point"
        ) from None


def _whole(name: str, cell: str) -> int:
    value = _number(name, cell)
    if value != int(value):
        raise FileError("must be a whole number", field=name, value=cell, remedy="Correct it")
    return int(value)
