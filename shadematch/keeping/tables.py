"""Results and targets into tables and out of them.

Tables are written as the results come, a few thousand rows at a time, so that a million targets
need no more memory than a thousand. A file takes its name once it is complete.
"""

from __future__ import annotations

import csv
import itertools
import os
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from shadematch.calibration.rows import column_of
from shadematch.colour.colorimetry import srgb_to_hex, xyz_to_lab, xyz_to_srgb
from shadematch.colour.standards import WAVELENGTHS_NM
from shadematch.errors import (
    ColourError,
    FileError,
    MissingExtraError,
    PourError,
    ShadematchError,
)
from shadematch.matching.match import Match
from shadematch.predicting.prediction import model_for
from shadematch.studio.pour import Pour
from shadematch.studio.recipe import Recipe
from shadematch.studio.target import Target
from shadematch.studio.unit import UNITS
from shadematch.support.arrays import FloatArray
from shadematch.support.files import spreadsheet_cell, whole_file
from shadematch.support.models import check_progress, expect, is_finite, listed

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "recipes_from_frame",
    "results_frame",
    "targets_frame",
    "targets_from_frame",
    "write_results",
]

_ROWS: Final = 4096
_LET_DOWN: Final = ", mass [g]"
_LARGEST_DOSE: Final = 1e7
_SPECTRUM: Final = tuple(f"{nm:g} nm" for nm in WAVELENGTHS_NM)
_LAB: Final = ("l", "a", "b")
_XYZ: Final = ("x", "y", "z")
_UPPER: Final = ((0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2))
_COVARIANCE: Final = tuple(f"cov_{'Lab'[i]}{'Lab'[j]}" for i, j in _UPPER)
_PLAIN: Final = ("source", "hex", "illuminant", "observer", *"LabXYZ", *_COVARIANCE)
"""Columns of targets, spectra aside."""
_READ: Final = frozenset(name.lower() for name in _PLAIN)
_CHROMATICITY: Final = 0.002
"""Chromaticities, rounded, add up to 1 within this."""


def write_results(
    path: str | os.PathLike[str],
    matches: Iterable[Match],
    *,
    progress: Callable[[int], None] | None = None,
) -> int:
    """Write matches to a table as they come.

    Columns: ``target`` (where it came from), ``target_hex``, ``target_L``, ``target_a``,
    ``target_b`` (in the view), one ``NAME [cm]`` or ``NAME [g]`` for each pigment of the palette
    (paste in all, in its unit), ``total_cm`` and ``load_cm_per_100g`` or ``total_g`` and
    ``load_g_per_100g``, ``tubes``, ``delta_e``, ``bound``, ``proved``, ``predicted_L``,
    ``predicted_a``, ``predicted_b``, ``predicted_hex``. Where let-downs are to hand, after the
    pigments one ``LET-DOWN, mass [g]`` for each of them; the paste in them is part of the
    pigment's. The recipe is that of `Match.recipe`: the frugal one, or the robust one of a
    robust match.

    Parameters
    ----------
    path
        A name that ends in ``.csv`` (commas; UTF-8 that says so, for spreadsheets) or
        ``.parquet`` (needs pyarrow).
    matches
        For instance from `match_many`; all with one palette and the same let-downs.
    progress
        Called with the number of rows written so far.

    Returns
    -------
    int
        The number of rows.

    Raises
    ------
    FileError
        If the name has another ending or can't be written. What stood there stays.
    MissingExtraError
        If pyarrow is needed and missing.
    ShadematchError
        If the matches have different palettes or let-downs.
    """
    check_progress(progress)
    kind = Path(path).suffix.lower() if isinstance(path, str | os.PathLike) else ""
    if kind not in (".csv", ".parquet"):
        raise FileError(
            "must end in .csv or .parquet",
            field="path",
            value=str(path),
            remedy="Choose one of these",
        )
    chunks = _chunks(matches)
    # Taken before the file is made, so that a first error leaves nothing behind.
    first = next(chunks, None)
    chunks = itertools.chain([] if first is None else [first], chunks)
    with whole_file(path) as place:
        write = _write_csv if kind == ".csv" else _write_parquet
        return write(place, chunks, progress)


def results_frame(matches: Iterable[Match]) -> pd.DataFrame:
    """Matches as a pandas data frame, with the columns of `write_results`.

    Raises
    ------
    MissingExtraError
        If pandas is missing.
    """
    try:
        import pandas as pd
    except ImportError:
        raise _missing("pandas") from None
    parts = [pd.DataFrame(chunk) for chunk in _chunks(matches)]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def targets_frame(targets: Iterable[Target]) -> pd.DataFrame:
    """Targets as a pandas data frame; `targets_from_frame` gives the same targets back.

    Columns: ``source``, ``hex``, ``L``, ``a``, ``b``, ``illuminant``, ``observer``; where a
    target has one, its spectrum in ``380 nm`` to ``730 nm``, and its covariance in ``cov_LL``,
    ``cov_La``, ``cov_Lb``, ``cov_aa``, ``cov_ab``, ``cov_bb``.

    Raises
    ------
    ColourError
        For a target under an `Illuminant` of one's own, which a table has no place for
        (`save_targets` has), or for something that is no target.
    MissingExtraError
        If pandas is missing.
    """
    try:
        import pandas as pd
    except ImportError:
        raise _missing("pandas") from None
    rows = []
    for target in listed(targets, "targets", "Give a list of Target"):
        expect(target, Target, "targets", "Give Targets")
        if not isinstance(target.illuminant, str):
            raise ColourError(
                "is a light of one's own",
                field="illuminant",
                value=str(target.illuminant),
                remedy="Use save_targets",
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

    Each row tells its colour by the first of these that it has: a spectrum, in columns named by
    wavelengths such as ``400 nm``; ``L``, ``a``, ``b``; ``X``, ``Y``, ``Z``, with Y = 100 for
    white; ``hex``. Lab and XYZ are meant under the columns ``illuminant`` and ``observer``,
    without these under D65, 2 degrees. ``source`` and ``cov_LL``, ``cov_La``, ``cov_Lb``,
    ``cov_aa``, ``cov_ab``, ``cov_bb`` count where they are there; other columns don't.

    Names of columns are read as in files with test pours (`shadematch.calibration.rows`): in
    upper or lower case, with blanks around them, and with ``LAB_L`` for ``L`` or ``R400`` for
    ``400 nm``. Of several that mean the same, the one in the spelling above counts.

    Raises
    ------
    ColourError
        If no such columns are there, several mean the same, or naming the row that can't be
        used. XYZ that add up to 1 are taken for chromaticities x, y, z, and refused.
    """
    if not hasattr(frame, "columns") or not hasattr(frame, "itertuples"):
        raise ColourError(
            "is no data frame", field="frame", value=frame, remedy="Give a pandas.DataFrame"
        )
    columns = _columns_of(frame)
    spectrum = tuple(sorted((name for name in columns if name.startswith("nm:")), key=_nm))
    ways = [way for way in (spectrum, _LAB, _XYZ, ("hex",)) if way and set(way) <= set(columns)]
    if not ways:
        raise ColourError(
            "has no colours",
            field="frame",
            value=list(map(str, frame.columns)),
            remedy="Name a column hex, or three L, a, b or X, Y, Z",
        )
    targets = []
    for number, values in enumerate(frame.itertuples(index=False, name=None), start=1):
        cells = ((name, values[at]) for name, at in columns.items())
        row = {name: cell for name, cell in cells if cell is not None and cell == cell}
        try:
            targets.append(_target_of(row, ways))
        except ShadematchError as found:
            raise ColourError(
                found.problem,
                field=f"row {number}, {found.field}",
                value=found.value,
                remedy=found.remedy,
            ) from None
    return targets


def _columns_of(frame: pd.DataFrame) -> dict[str, int]:
    """Where each column is that counts, by what `column_of` or its name in small letters says."""
    heads = [str(column) for column in frame.columns]
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
            raise ColourError(
                "several columns mean the same",
                field="frame",
                value=[heads[at] for at in own],
                remedy="Keep one",
            )
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
    """A cell that is a text, whatever the table has made of it: ``2`` or ``2.0`` for "2"."""
    if isinstance(cell, float | np.floating) and cell == int(cell):
        return str(int(cell))
    return str(cell)


def recipes_from_frame(frame: pd.DataFrame, *, pour: Pour | None = None) -> list[Recipe]:
    """The recipes in a table of results: doses in the columns ``NAME [cm]`` or ``NAME [g]``.

    Parameters
    ----------
    frame
        From `results_frame`, or from a file that `write_results` wrote.
    pour
        What they go into, which the table does not tell; by default 100 g at 1 cm.

    Raises
    ------
    PourError
        If no such columns are there, or in both units, or a dose is no number from 0 on; the row
        is named. Also for columns of let-downs: a table does not tell how they were made.
    """
    if not hasattr(frame, "columns") or not hasattr(frame, "itertuples"):
        raise PourError(
            "is no data frame", field="frame", value=frame, remedy="Give a pandas.DataFrame"
        )
    pour = Pour() if pour is None else pour
    expect(pour, Pour, "pour", "Use Pour(...)")
    weighed = [str(column) for column in frame.columns if str(column).endswith(_LET_DOWN)]
    if weighed:
        raise PourError(
            "has let-downs, which can't be read back",
            field="frame",
            value=weighed,
            remedy="Keep such matches with save",
        )
    units = [u for u in UNITS if any(str(column).endswith(f" [{u}]") for column in frame.columns)]
    if len(units) > 1:
        raise PourError(
            "has doses in more than one unit",
            field="frame",
            value=units,
            remedy="Bring all to one, cm or g",
        )
    unit = units[0] if units else "cm"
    ending = f" [{unit}]"
    names = {
        column: str(column).removesuffix(ending)
        for column in frame.columns
        if str(column).endswith(ending)
    }
    # Undo what spreadsheet_cell does.
    names = {
        c: n[1:] if n[:1] == "'" and spreadsheet_cell(n[1:]) == n else n for c, n in names.items()
    }
    if not names:
        raise PourError(
            "has no doses",
            field="frame",
            value=list(map(str, frame.columns)),
            remedy="Name columns such as 'gorse [cm]' or 'gorse [g]'",
        )
    recipes = []
    rows = frame[list(names)].itertuples(index=False, name=None)
    for number, row in enumerate(rows, start=1):
        doses = {}
        for name, dose in zip(names.values(), row, strict=True):
            if not is_finite(dose) or not 0 <= dose <= _LARGEST_DOSE:
                raise PourError(
                    "must be a number from 0 on",
                    field=f"row {number}, {name}",
                    value=dose,
                    remedy=f"In {unit}",
                )
            if dose > 0:
                doses[name] = float(dose)
        recipes.append(Recipe(doses, pour, unit=unit))
    return recipes


def _missing(library: str) -> MissingExtraError:
    return MissingExtraError.of(library, "tables", field="tables")


def _chunks(matches: Iterable[Match]) -> Iterator[dict[str, list[Any]]]:
    """Columns of a few thousand matches each."""
    try:
        stream = iter(matches)
    except TypeError:
        raise PourError(
            "is no list of matches",
            field="matches",
            value=matches,
            remedy="Give what match_many returns, or a list",
        ) from None
    palette = let_downs = None
    while batch := list(itertools.islice(stream, _ROWS)):
        for match in batch:
            expect(match, Match, "matches", "Give what match or match_many returns")
            palette = match.palette if palette is None else palette
            if match.palette != palette:
                raise ShadematchError(
                    "have different palettes",
                    field="matches",
                    remedy="Write one table for each palette",
                )
            own = match.let_downs
            let_downs = own if let_downs is None else let_downs
            if own != let_downs:
                raise ShadematchError(
                    "have different let-downs",
                    field="matches",
                    remedy="Write one table for each set of them",
                )
        yield _columns(batch)


def _columns(batch: Sequence[Match]) -> dict[str, list[Any]]:
    wanted = np.array([m.target.lab_in(m.view) for m in batch])
    lab, codes = _colours(batch)
    columns: dict[str, list[Any]] = {
        "target": [str(m.target) for m in batch],
        "target_hex": [m.target.hex for m in batch],
        **{f"target_{c}": wanted[:, i].tolist() for i, c in enumerate("Lab")},
    }
    unit = batch[0].palette.unit
    for name in batch[0].palette.names:
        columns[f"{name} [{unit}]"] = [m.recipe.doses.get(name, 0.0) for m in batch]
    for let_down in batch[0].let_downs:
        columns[f"{let_down}{_LET_DOWN}"] = [
            float(sum(p.mass_g for p in m.recipe.weighed if p.let_down == let_down)) for m in batch
        ]
    columns |= {
        f"total_{unit}": [m.recipe.total for m in batch],
        f"load_{unit}_per_100g": [m.recipe.load for m in batch],
        "tubes": [m.recipe.tubes for m in batch],
        "delta_e": [m.delta_e for m in batch],
        "bound": [m.bound for m in batch],
        "proved": [m.proved for m in batch],
        **{f"predicted_{c}": lab[:, i].tolist() for i, c in enumerate("Lab")},
        "predicted_hex": codes,
    }
    return columns


def _colours(batch: Sequence[Match]) -> tuple[FloatArray, list[str]]:
    """Predicted CIELAB, shape (m, 3), and hex codes."""
    first = batch[0]
    model = model_for(first.palette, first.pour.thickness_cm, first.pour.white, first.view)
    alike = all(m.pour == first.pour and m.view == first.view for m in batch)
    if model.scattering_pigments or not alike:
        # One by one, as each draws itself.
        return np.array([m.predicted.lab for m in batch]), [m.predicted.hex for m in batch]
    names = first.palette.names
    doses = np.array([[m.recipe.doses.get(n, 0.0) for n in names] for m in batch])
    xyz = model.xyz(doses * 100.0 / first.pour.batch_g)
    rgb, _ = xyz_to_srgb(xyz, model.white)
    return xyz_to_lab(xyz, model.white), [srgb_to_hex(row) for row in rgb]


def _write_csv(
    place: Path, chunks: Iterable[dict[str, list[Any]]], progress: Callable[[int], None] | None
) -> int:
    done = 0
    with place.open("w", encoding="utf-8-sig", newline="") as stream:
        writer = csv.writer(stream)
        for columns in chunks:
            if not done:
                writer.writerow(map(spreadsheet_cell, columns))
            for row in zip(*columns.values(), strict=True):
                writer.writerow(map(spreadsheet_cell, row))
                done += 1
            if progress is not None:
                progress(done)
    return done


def _write_parquet(
    place: Path, chunks: Iterable[dict[str, list[Any]]], progress: Callable[[int], None] | None
) -> int:
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError:
        raise _missing("pyarrow") from None
    done, writer = 0, None
    try:
        for columns in chunks:
            table = pa.table(columns)
            writer = pq.ParquetWriter(place, table.schema) if writer is None else writer
            writer.write_table(table)
            done += table.num_rows
            if progress is not None:
                progress(done)
        if writer is None:
            pq.write_table(pa.table({}), place)
    finally:
        if writer is not None:
            writer.close()
    return done
