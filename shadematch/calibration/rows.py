"""Test pours from the rows of a table.

Columns, in any order, upper or lower case:

``name``
    Name of the bar; the same for the same bar on another backing.
``batch_g``, ``thickness_cm``, ``white`` (0 to 1) or ``white_percent``, ``base``
    How it was poured; ``base`` names a base that is not clear.
``dose_cm:NAME``, ``dose_g:NAME``, ``load_cm:NAME``, ``load_g:NAME``, ``part:NAME``
    Paste of pigment NAME in this batch, or per 100 g of base; empty means none. One unit in a
    file.
``backing``, ``contact``, ``through``, ``illuminant``, ``observer``
    How it was looked at: on white, black, a reflectance from 0 to 1, or a measured backing, by
    its name; dry or wet; held against the light, yes or no.
``380``, ``390``, ... (also ``380 nm``, ``R380``, ``nm380``, ``SPECTRAL_NM380``)
    Radiance factors, or transmittances against the light.
``reflectance_unit``
    ``fraction`` or ``percent``; needed only if it is ambiguous.
``L``, ``a``, ``b`` (also ``LAB_L``, ...), or ``X``, ``Y``, ``Z`` (also ``XYZ_X``, ...)
    Colour under the illuminant and observer, Y = 100 for the perfect diffuser.
``photo``, ``region``, ``neutral``, ``chart``
    Or a photo in the same folder, and where in it the bar, paper and a chart are, written as for
    `read_photo`; put cells with commas in quotes.
"""

from __future__ import annotations

import functools
import re
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np

from shadematch.calibration.photographed import PHOTO_COLUMNS, photo_in
from shadematch.calibration.test_pour import TestPour, check_thickness
from shadematch.colour.standards import onto_grid
from shadematch.errors import PourError, ShadematchError, SpectrumError
from shadematch.studio.pour import Pour, pour_of_any_thickness
from shadematch.studio.view import BACKINGS, View
from shadematch.support.arrays import FloatArray
from shadematch.support.readers import TableRow, fault

__all__ = [
    "KNOWN_COLUMNS",
    "backings_of",
    "column_of",
    "is_numeric",
    "pour_fault",
    "pours_of",
]

_SPECTRAL: Final = re.compile(
    r"(?:(?:spectral|reflectance|%?r|nm|wl)[_ -]?){0,2}[(\[]?"
    r"(\d{3}(?:[.,]\d+)?)(?:[_ -]?nm)?[)\]]?"
)
_DOSE: Final = re.compile(r"(dose_cm|dose_g|load_cm|load_g|part)\s*:\s*(.+)", re.IGNORECASE)
_TEXTS: Final = {
    *("name", "base", "backing", "contact", "through", "illuminant", "observer"),
    "reflectance_unit",
    *PHOTO_COLUMNS,
}
_PLAIN: Final = {*_TEXTS, "batch_g", "thickness_cm", "white", "white_percent", *"labxyz"}
_OTHER_NAMES: Final = {
    "sample_name": "name",
    "lab_l": "l",
    "lab_a": "a",
    "lab_b": "b",
    "l*": "l",
    "a*": "a",
    "b*": "b",
    "xyz_x": "x",
    "xyz_y": "y",
    "xyz_z": "z",
    "sample_backing": "backing",
}
KNOWN_COLUMNS: Final = (
    "name, batch_g, thickness_cm, white, base, dose_cm:NAME (or dose_g:, load_cm:, load_g:, "
    "part:), backing, contact, through, illuminant, observer, reflectance_unit, and wavelengths "
    "such as 450, or L, a, b, or X, Y, Z, or photo with region, neutral, chart (see docs/files.md)"
)
"""The columns, in words."""
_PERCENT: Final = 1.5
"""A file with a larger value is in percent: no soap reflects 1.5 times the perfect diffuser."""


def pour_fault(
    path: object, line: int | None, problem: str, value: object, remedy: str
) -> PourError:
    """An error that names file and line."""
    return fault(path, line, problem, value, remedy, error=PourError)


def column_of(text: str) -> str | None:
    """The meaning of a column's head: a plain name, ``nm:450`` or ``dose_cm:gorse``; or None."""
    head = text.strip()
    low = head.lower()
    low = _OTHER_NAMES.get(low, low)
    if low in _PLAIN:
        return low
    dose = _DOSE.fullmatch(head)
    if dose is not None:
        return f"{dose[1].lower()}:{dose[2].strip()}"
    spectral = _SPECTRAL.fullmatch(low)
    if spectral is not None:
        return f"nm:{float(spectral[1].replace(',', '.')):g}"
    return None


def pours_of(
    rows: Sequence[TableRow],
    path: object,
    *,
    pour: Pour,
    view: View,
    backings: Mapping[str, tuple[float, ...]] | None = None,
    any_thickness: bool = False,
) -> tuple[TestPour, ...]:
    """Test pours of rows.

    Parameters
    ----------
    rows
        In the order of the file, columns as `column_of` gives them.
    path
        For errors.
    pour, view
        Values for missing columns and empty cells.
    backings
        Reflectances of measured backings by name.
    any_thickness
        Accept bars thinner than 0.2 cm or thicker than 8 cm.

    Raises
    ------
    PourError
        Naming the line.
    """
    if not rows:
        raise pour_fault(path, None, "has no readings", None, "Give one line for each reading")
    numbers = _Numbers(path)
    percent = _percent(rows, path, numbers)
    units = {c.split(":")[0] for r in rows for c in r.cells if _DOSE.fullmatch(c)}
    kinds = {"part" if u == "part" else u.rsplit("_", 1)[1] for u in units}
    blame = functools.partial(pour_fault, path)
    if len(kinds) > 1:
        remedy = "Convert all to one"
        raise blame(rows[0].line, "doses are in more than one unit", sorted(units), remedy)
    unit: Any = kinds.pop() if kinds else "cm"
    result: list[TestPour] = []
    seen: dict[tuple[str, View], int] = {}
    bars: dict[str, tuple[TestPour, int]] = {}
    for row in rows:
        try:
            made = _pour_of(
                path=path,
                row=row,
                numbers=numbers,
                percent=percent[row.line],
                unit=unit,
                pour=pour,
                view=view,
                backings=backings or {},
            )
            check_thickness(made, any_thickness)
        except ShadematchError as found:
            if found.field.startswith(str(path)):
                raise
            field = f" ({found.field})" if found.field else ""
            raise blame(row.line, found.problem + field, found.value, found.remedy) from None
        if row.cells.get("name", "").strip():
            before, line = bars.setdefault(made.name, (made, row.line))
            if before.doses != made.doses or before.pour != made.pour:
                problem = f"this name is another bar's in line {line}"
                raise blame(row.line, problem, made.name, "Give each bar its own name")
        if (made.name, made.view) in seen:
            problem = f"the same bar in the same view as in line {seen[made.name, made.view]}"
            raise blame(row.line, problem, made.name, "Average the two, or rename one")
        seen[made.name, made.view] = row.line
        result.append(made)
    return tuple(result)


class _Numbers:
    """Reads cells as numbers."""

    def __init__(self, path: object) -> None:
        self.path = path

    def __call__(self, text: str, row: TableRow, column: str) -> float:
        plain = text.strip()
        if not re.fullmatch(r"[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d+)?", plain):
            problem = f"{column.removeprefix('nm:')} must be a number"
            raise pour_fault(self.path, row.line, problem, text, "Write it like 0.5")
        return float(plain)


def is_numeric(column: str) -> bool:
    """Whether a column holds numbers."""
    return column not in _TEXTS


def _spectral(row: TableRow) -> list[tuple[float, str]]:
    cells = [(float(k[3:]), v) for k, v in row.cells.items() if k.startswith("nm:")]
    return sorted((nm, text) for nm, text in cells if text.strip())


def _percent(rows: Sequence[TableRow], path: object, numbers: _Numbers) -> dict[int, bool]:
    """Whether each row is in percent, as stated or as inferred from the whole file."""
    said: dict[int, bool | None] = {}
    largest: dict[int, float] = {}
    for row in rows:
        text = row.cells.get("reflectance_unit", "").strip().lower()
        if text not in ("", "fraction", "percent"):
            problem = "reflectance_unit must be fraction or percent"
            raise pour_fault(path, row.line, problem, text, "Take one of the two")
        said[row.line] = None if not text else text == "percent"
        values = [numbers(cell, row, f"nm:{nm:g}") for nm, cell in _spectral(row)]
        if values:
            largest[row.line] = max(values)
    silent = {line: top for line, top in largest.items() if said[line] is None}
    by_file = bool(silent) and max(silent.values()) > _PERCENT
    for line, top in silent.items():
        if by_file and top <= _PERCENT:
            problem = "percent or fraction? No value is above 1.5, but other rows are in percent"
            remedy = "State reflectance_unit, in a column or to read_test_pours"
            raise pour_fault(path, line, problem, top, remedy)
    return {line: by_file if word is None else word for line, word in said.items()}


def _batch_g(given: float | None, pour: Pour, unit: str) -> float:
    """Mass of base: the row's, or that of all; parts need none."""
    if given is not None:
        return given
    if "batch_g" not in pour.model_fields_set:
        if unit == "part":
            return 100.0
        raise PourError(
            "batch_g is missing; loads follow from it",
            field="batch_g",
            remedy="Fill in the mass of base in g, here or in the file of bars (--bars), or give "
            "it for all: pour=Pour(batch_g=500)",
        )
    return pour.batch_g


def _pour_of(
    path: object,
    row: TableRow,
    numbers: _Numbers,
    percent: bool,
    unit: Any,
    pour: Pour,
    view: View,
    backings: Mapping[str, tuple[float, ...]],
) -> TestPour:
    cells = {k: v.strip() for k, v in row.cells.items()}

    def number(column: str) -> float | None:
        text = cells.get(column, "")
        return numbers(text, row, column) if text else None

    white = number("white")
    in_percent = number("white_percent")
    if white is not None and in_percent is not None:
        raise PourError("white and white_percent are both given", remedy="Give one")
    if in_percent is not None:
        white = in_percent / 100.0
    made = pour_of_any_thickness(
        _or(number("thickness_cm"), pour.thickness_cm),
        batch_g=_batch_g(number("batch_g"), pour, unit),
        white=_or(white, pour.white),
        max_load=pour.max_load,
        dose_step=pour.dose_step,
        base=cells.get("base") or pour.base,
    )
    doses: dict[str, float] = {}
    for column in cells:
        kind, _, pigment = column.partition(":")
        if kind == "nm" or not pigment:
            continue
        amount = number(column)
        if amount is None:
            continue
        if pigment in doses:
            raise PourError("this pigment has two columns", field=pigment, remedy="Keep one")
        per_base = not kind.startswith("dose")
        doses[pigment] = amount * made.batch_g / 100.0 if per_base else amount
    seen = _view(cells, numbers, row, view, backings)
    name = cells.get("name", "")
    if _spectral(row):
        x, y = _values(row, numbers, percent)
        return TestPour.from_spectrum(doses, x, y, name=name, pour=made, view=seen, unit=unit)
    for keys in (("l", "a", "b"), ("x", "y", "z")):
        values = [number(k) for k in keys]
        if all(v is not None for v in values):
            make = TestPour.from_lab if keys[0] == "l" else TestPour.from_xyz
            triple = [float(v) for v in values if v is not None]
            return make(doses, triple, name=name, pour=made, view=seen, unit=unit)
        if any(v is not None for v in values):
            raise PourError(f"needs all of {', '.join(keys).upper()}", remedy="Fill them in")
    if (seen_in := photo_in(cells, path)) is not None:
        return TestPour.from_target(doses, seen_in, name=name, pour=made, view=seen, unit=unit)
    raise PourError("no reading in this line", remedy="Give a spectrum, Lab, XYZ or a photo")


def _values(row: TableRow, numbers: _Numbers, percent: bool) -> tuple[FloatArray, FloatArray]:
    """Wavelengths and radiance factors of a row."""
    spectrum = _spectral(row)
    x = np.array([nm for nm, _ in spectrum])
    y = np.array([numbers(text, row, f"nm:{nm:g}") for nm, text in spectrum])
    steps = np.diff(x)
    # 1.5: heads such as 380, 383, 387, 390 nm are rounded, and nothing is missing.
    if steps.size and steps.max() > 1.5 * steps.min():
        at = int(np.argmax(steps > 1.5 * steps.min()))
        problem, remedy = "a wavelength is missing", "Fill it in, or leave the whole reading out"
        raise PourError(problem, value=f"{x[at] + steps.min():g} nm", remedy=remedy)
    return x, y / 100.0 if percent else y


def backings_of(rows: Sequence[TableRow], path: object) -> dict[str, tuple[float, ...]]:
    """Reflectances of measured backings, one a row, by name.

    Raises
    ------
    PourError
        Naming the line.
    """
    numbers = _Numbers(path)
    percent = _percent(rows, path, numbers)
    found: dict[str, tuple[float, ...]] = {}
    for row in rows:
        name = row.cells.get("name", "").strip()
        if not name or name in found:
            problem = "this name appears twice" if name else "has no name"
            raise pour_fault(path, row.line, problem, name, "Give each backing its own name")
        if not _spectral(row):
            remedy = "Give one column for each wavelength"
            raise pour_fault(path, row.line, "no spectrum in this line", name, remedy)
        try:
            x, y = _values(row, numbers, percent[row.line])
            grid = np.clip(onto_grid(x, y), 0.0, 1.0)
            if y.min() < -0.02 or y.max() > 1.2:
                remedy = "Divide percentages by 100"
                raise SpectrumError("must lie between 0 and 1", value=float(y.max()), remedy=remedy)
        except ShadematchError as wrong:
            raise pour_fault(path, row.line, wrong.problem, wrong.value, wrong.remedy) from None
        found[name] = tuple(float(v) for v in grid)
    return found


def _or(value: float | None, other: float) -> float:
    return other if value is None else value


def _view(
    cells: Mapping[str, str],
    numbers: _Numbers,
    row: TableRow,
    view: View,
    backings: Mapping[str, tuple[float, ...]],
) -> View:
    said: dict[str, Any] = {
        key: cells[key]
        for key in ("illuminant", "observer", "contact", "through")
        if cells.get(key)
    }
    backing = cells.get("backing", "")
    if backing:
        low = backing.lower()
        if backing in backings:
            said["backing"] = backings[backing]
        elif low in BACKINGS:
            said["backing"] = low
        elif backing[:1].isalpha():
            raise PourError(
                "backing must be a number or the name of a measured backing",
                value=backing,
                remedy="Give white, black, a number 0 to 1, or its reflectance to "
                "read_test_pours(..., backings=...)",
            )
        else:
            said["backing"] = numbers(backing, row, "backing")
    return View(**{**view.model_dump(), **said})
