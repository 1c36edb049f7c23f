"""Order books and shelves from CSV files.

An order book has a header line with these columns, in any order; all but ``name`` may be missing
or empty, and then take the default of `Order`::

    name          of the order
    target        hex colour; or else
    lab           L* a* b* with blanks between, under the view's light; or else
    recipe_cm     such as 3 gorse + 1 rosehip, in a pot of pot_g; recipe_g where paste is weighed
    bars, bar_g   how many bars, and the mass of one; or else
    mass_g        mass of soap in all
    loss          fraction of the base that stays in the pot
    pot_g         largest pot [g]
    thickness_cm, white, base, max_load, dose_step       of the pour
    illuminant, observer, backing, contact, through         of the view
    tolerance, within, max_pigments, value             as in Order
    due           such as 2031-03-09

A shelf has a line for each pigment, and may have one for each base::

    kind          paste, clear, white, or base for one of the palette's further bases
    name          of the pigment, or of such a base
    full          full tubes
    opened_cm     paste left in part-used tubes, with blanks between; opened_g where it is weighed
    tube_cm       paste in a full tube; tube_g where it is weighed
    price         of a tube, or of a kilogram of base
    most          how many tubes can be bought
    shelf_g       base on the shelf [g]; empty for as much as is needed

`max_load` and `dose_step` are in the palette's unit; a shelf has one unit. For the forms of tables
that are read see `shadematch.support.readers`.
"""

from __future__ import annotations

import contextlib
import datetime
import os
import re
from collections.abc import Iterator, Mapping
from typing import Any, Final

from shadematch.errors import ColourError, PourError, ShadematchError, ThicknessWarning
from shadematch.planning.orders import Order
from shadematch.planning.stock import Stock, Tubes
from shadematch.studio.bars import LOSS
from shadematch.studio.pour import Pour
from shadematch.studio.recipe import Recipe
from shadematch.studio.target import Target
from shadematch.studio.unit import UNITS, Unit
from shadematch.studio.view import View
from shadematch.support.readers import TableRow, fault, is_number, table_of, table_text, with_points

__all__ = ["read_orders", "read_stock"]

_LARGEST_FILE: Final = 5_000_000
_POUR: Final = ("thickness_cm", "white", "max_load", "dose_step")
_VIEW: Final = ("illuminant", "observer", "backing", "contact", "through")
_NUMBERS: Final = ("bar_g", "mass_g", "loss", "tolerance", "within", "value")
_WHOLE: Final = ("bars", "max_pigments")
_RECIPES: Final[Mapping[str, Unit]] = {"recipe_cm": "cm", "recipe_g": "g"}
_PASTE: Final[Mapping[str, Unit]] = {
    **{"opened_cm": "cm", "opened_g": "g"},
    **{"tube_cm": "cm", "tube_g": "g"},
}
"""Columns whose unit is that of a palette."""
_ORDER: Final = (
    *("name", "target", "lab", *_RECIPES, "due", "pot_g"),
    *(*_POUR, "base", *_VIEW, *_NUMBERS, *_WHOLE),
)
_STOCK: Final = ("kind", "name", "full", *_PASTE, "price", "most", "shelf_g")
_NUMERIC: Final = frozenset(
    {
        *(*_POUR, *_NUMBERS, *_WHOLE, "backing", "lab", "pot_g"),
        *("full", *_PASTE, "price", "most", "shelf_g"),
    }
)
_RECIPE_COMMA: Final = re.compile(r"((?:^|\+)\s*[0-9]*),([0-9]+)(?=\s)")
"""A dose in a recipe with a decimal comma."""

_Row = dict[str, str]


def read_orders(
    path: str | os.PathLike[str], *, bar_g: float = 100.0, loss: float = LOSS
) -> tuple[Order, ...]:
    """An order book from a CSV file; see the head of `shadematch.planning.books`.

    Parameters
    ----------
    path
        The file.
    bar_g, loss
        Mass of a bar [g] and fraction that stays in the pot, for lines that don't say.

    Raises
    ------
    PourError
        If the file can't be read, or a line, which is named, is wrong.
    """
    found: dict[str, Order] = {}
    for number, row in _rows(path, _ORDER, needed="name"):
        with _blaming(path, number):
            order = _order(row, {"bar_g": bar_g, "loss": loss})
        if order.name in found:
            raise _fault(
                path, number, "name", "appears twice", value=order.name, remedy="Rename one of them"
            )
        found[order.name] = order
    return tuple(found.values())


def read_stock(path: str | os.PathLike[str]) -> Stock:
    """A shelf from a CSV file; see the head of `shadematch.planning.books`.

    Raises
    ------
    PourError
        If the file can't be read, or a line, which is named, is wrong.
    """
    tubes: dict[str, Tubes] = {}
    bases: dict[str, Any] = {}
    seen: set[str] = set()
    unit: Unit | None = None
    for number, row in _rows(path, _STOCK, needed="kind"):
        for column in (c for c in row if c in _PASTE):
            unit = unit or _PASTE[column]
            if _PASTE[column] != unit:
                problem, remedy = "is in another unit", f"Give all in {unit}"
                raise _fault(path, number, column, problem, value=row[column], remedy=remedy)
        kind = row["kind"]
        if kind in ("clear", "white", "base"):
            with _blaming(path, number):
                fields = _base(row, kind)
                Stock(**fields)
            name = row["name"] if kind == "base" else kind
            if name in seen:
                remedy = "Put it into one line"
                raise _fault(path, number, "kind", "appears twice", value=name, remedy=remedy)
            seen.add(name)
            for field, value in fields.items():
                bases[field] = bases.get(field, {}) | value if kind == "base" else value
            continue
        if kind != "paste":
            problem = "must be paste, clear, white or base"
            raise _fault(path, number, "kind", problem, value=kind, remedy="Take one of these")
        with _blaming(path, number):
            line = _tubes(row)
        if line.pigment in tubes:
            remedy = "Put all its tubes into one line"
            raise _fault(path, number, "name", "appears twice", value=line.pigment, remedy=remedy)
        tubes[line.pigment] = line
    return Stock(tubes=tuple(tubes.values()), unit=unit or "cm", **bases)


def _fault(
    path: object, number: int, field: str, problem: str, *, value: object, remedy: str
) -> PourError:
    return fault(path, number, problem, value, remedy, error=PourError, field=field)


@contextlib.contextmanager
def _blaming(path: str | os.PathLike[str], number: int) -> Iterator[None]:
    """Name the file and line in errors raised inside."""
    try:
        yield
    except ShadematchError as found:
        raise _fault(
            path, number, found.field, found.problem, value=found.value, remedy=found.remedy
        ) from None
    except ThicknessWarning as doubt:  # where warnings are errors, as on the command line
        raise ThicknessWarning(f"{path}, line {number}, {doubt}") from None


def _rows(
    path: str | os.PathLike[str], known: tuple[str, ...], *, needed: str
) -> list[tuple[int, _Row]]:
    """The lines below the header, with their numbers; empty cells left out."""
    text = table_text(path, kind="book", largest=_LARGEST_FILE, error=PourError)
    table = table_of(text, path, error=PourError, short=True)
    header = [name.lower() for name in table.names]
    _check_not_swapped(path, table.line, header, known)
    for given, name in zip(table.names, header, strict=True):
        if name not in known or header.count(name) > 1:
            problem = "appears twice" if name in known else "is not a column of this file"
            remedy = f"Columns are {', '.join(known)}"
            raise _fault(path, table.line, "header", problem, value=given, remedy=remedy)
    if needed not in header:
        raise _fault(path, table.line, "header", "lacks a column", value=needed, remedy="Add it")
    rows = []
    for number, cells in table.lines:
        row = {name: cell for name, cell in zip(header, cells, strict=True) if cell}
        if needed not in row:
            raise _fault(path, number, needed, "is missing", value=None, remedy="Fill it in")
        for column in row.keys() & _RECIPES.keys() if table.between != "," else ():
            row[column] = _RECIPE_COMMA.sub(r"\1.\2", row[column])
        rows.append(TableRow(number, row))
    if not rows:
        remedy = f"The first line names the columns: {', '.join(known)}"
        raise PourError("has no lines below a header", field="path", value=str(path), remedy=remedy)
    rows = with_points(
        rows, path, numeric=_NUMERIC.__contains__, error=PourError, between=table.between
    )
    return [(row.line, dict(row.cells)) for row in rows]


def _check_not_swapped(
    path: object, number: int, header: list[str], known: tuple[str, ...]
) -> None:
    """Say so if an order book was given for a shelf, or the other way round."""
    if set(header) <= set(known):
        return
    books = {"an order book": _ORDER, "a shelf": _STOCK}
    wanted = next(name for name, columns in books.items() if columns is known)
    for name, columns in books.items():
        if name != wanted and set(header) <= set(columns):
            problem = f"is that of {name}, not of {wanted}"
            remedy = f"Give {wanted}; if the two files are swapped, the order book comes first"
            raise _fault(path, number, "header", problem, value=", ".join(header), remedy=remedy)


def _number(row: _Row, field: str) -> float:
    if not is_number(row[field]):
        remedy = "Such as 2 or 0.5, with a point"
        raise PourError("must be a number", field=field, value=row[field], remedy=remedy)
    return float(row[field])


def _whole(row: _Row, field: str) -> int:
    try:
        return int(row[field])
    except ValueError:
        raise PourError(
            "must be a whole number", field=field, value=row[field], remedy="Such as 3"
        ) from None


def _numbers(row: _Row, field: str) -> tuple[float, ...]:
    parts = row[field].split()
    if not all(map(is_number, parts)):
        problem = "must be numbers with blanks between"
        raise PourError(problem, field=field, value=row[field], remedy="Such as 40 12.5")
    return tuple(map(float, parts))


def _order(row: _Row, usual: Mapping[str, float]) -> Order:
    view = {name: row[name] for name in _VIEW if name in row}
    if "backing" in view and is_number(view["backing"]):
        view["backing"] = float(view["backing"])  # type: ignore[assignment]
    seen = View(**view)
    shape: dict[str, Any] = {name: _number(row, name) for name in _POUR if name in row}
    shape |= {"base": row["base"]} if "base" in row else {}
    pour = Pour(batch_g=_number(row, "pot_g") if "pot_g" in row else 1000.0, **shape)
    fields: dict[str, Any] = {**usual}
    fields |= {name: _number(row, name) for name in _NUMBERS if name in row}
    fields |= {name: _whole(row, name) for name in _WHOLE if name in row}
    given = [name for name in ("target", "lab", *_RECIPES) if name in row]
    if len(given) != 1:
        raise PourError(
            "needs one of target, lab, recipe_cm and recipe_g",
            field=" and ".join(given),
            value=None,
            remedy="Fill in one of them and leave the others empty",
        )
    if "target" in row:
        try:
            fields["target"] = Target.from_hex(row["target"])
        except ColourError as found:
            raise found.at("target") from None
    elif "lab" in row:
        lab = _numbers(row, "lab")
        fields["target"] = Target.from_lab(lab, illuminant=seen.illuminant, observer=seen.observer)
    else:
        fields["recipe"] = Recipe(_doses(row, given[0]), pour, unit=_RECIPES[given[0]])
    if "due" in row:
        try:
            fields["due"] = datetime.date.fromisoformat(row["due"])
        except ValueError:
            raise PourError(
                "is not a date", field="due", value=row["due"], remedy="Write it as 2031-03-09"
            ) from None
    return Order(name=row["name"], pour=pour, view=seen, **fields)


def _doses(row: _Row, column: str) -> dict[str, float]:
    doses: dict[str, float] = {}
    for part in row[column].split(" + "):
        dose, _, name = part.strip().partition(" ")
        name = name.strip()
        if not is_number(dose) or not name or name in doses or not 0 < float(dose) < 1e7:
            raise PourError(
                f"must be doses in {_RECIPES[column]} and names",
                field=column,
                value=row[column],
                remedy="Such as 3 gorse + 1 rosehip, each pigment once",
            )
        doses[name] = float(dose)
    return doses


def _tubes(row: _Row) -> Tubes:
    if "shelf_g" in row:
        problem = "is for base; this line is paste"
        raise PourError(problem, field="shelf_g", value=row["shelf_g"], remedy="Leave it empty")
    fields: dict[str, Any] = {"price": _number(row, "price")} if "price" in row else {}
    fields |= {name: _whole(row, name) for name in ("full", "most") if name in row}
    for unit in UNITS:
        if f"opened_{unit}" in row:
            fields["opened"] = _numbers(row, f"opened_{unit}")
        if f"tube_{unit}" in row:
            fields["tube_size"] = _number(row, f"tube_{unit}")
    if "name" not in row:
        raise PourError("is missing", field="name", remedy="Give the pigment's name")
    return Tubes(pigment=row["name"], **fields)


def _base(row: _Row, kind: str) -> dict[str, Any]:
    wrong = sorted(set(row) & {"full", *_PASTE, "most"})
    if wrong:
        problem = "is for paste; this line is base"
        raise PourError(problem, field=wrong[0], value=row[wrong[0]], remedy="Leave it empty")
    grams = _number(row, "shelf_g") if "shelf_g" in row else None
    price = _number(row, "price") if "price" in row else None
    if kind != "base":
        return {f"{kind}_g": grams, f"{kind}_price_kg": price}
    if "name" not in row:
        raise PourError("is missing", field="name", remedy="Give the base's name")
    known = (("bases_g", grams), ("bases_price_kg", price))
    return {field: {row["name"]: value} for field, value in known if value is not None}
