"""Results into tables and out of them.

Tables are written as the results come, a few thousand rows at a time, so that a million targets
need no more memory than a thousand. A file takes its name once it is complete.
"""

from __future__ import annotations

import csv
import itertools
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from shadematch.colour.colorimetry import srgb_to_hex, xyz_to_lab, xyz_to_srgb
from shadematch.errors import FileError, MissingExtraError, PourError, ShadematchError
from shadematch.matching.match import Match, ranges_of
from shadematch.predicting.prediction import model_for
from shadematch.studio.pour import Pour
from shadematch.studio.recipe import Recipe
from shadematch.studio.unit import UNITS
from shadematch.support.arrays import FloatArray
from shadematch.support.files import check_free, spreadsheet_cell, whole_file
from shadematch.support.models import check_progress, expect, is_finite

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["missing", "recipes_from_frame", "results_frame", "save_results"]

_ROWS: Final = 4096
_LET_DOWN: Final = ", mass [g]"
_LARGEST_DOSE: Final = 1e7


def save_results(
    matches: Iterable[Match],
    path: str | os.PathLike[str],
    *,
    replace: bool = False,
    progress: Callable[[int], None] | None = None,
) -> int:
    """Write matches to a table as they come.

    Columns: ``target`` (where it came from), ``target_hex``, ``target_L``, ``target_a``,
    ``target_b`` (in the view), one ``NAME [cm]`` or ``NAME [g]`` for each pigment of the palette
    (paste in all, in its unit), ``total_cm`` and ``load_cm_per_100g`` or ``total_g`` and
    ``load_g_per_100g``, ``tubes``, ``delta_e``, ``half_within`` and ``nine_in_ten_within`` (what
    CIEDE2000 stays within half the time and nine times in ten, with all that is not known; linear,
    see `shadematch.predicting.uncertainty`), ``bound``, ``proved``, ``predicted_L``,
    ``predicted_a``, ``predicted_b``, ``predicted_hex``. Where let-downs are to hand, after the
    pigments one ``LET-DOWN, mass [g]`` for each of them; the paste in them is part of the
    pigment's. The recipe is that of `Match.recipe`, the frugal one.

    Parameters
    ----------
    matches
        For instance from `match_many`; all with one palette and the same let-downs.
    path
        A name that ends in ``.csv`` (commas; UTF-8 that says so, for spreadsheets) or
        ``.parquet`` (needs pyarrow).
    replace
        Whether a file that is there may be replaced. Without that it is refused before the first
        match is made.
    progress
        Called with the number of rows written so far.

    Returns
    -------
    int
        The number of rows.

    Raises
    ------
    FileError
        If the name has another ending, a file is there, or it can't be written. What was there
        stays.
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
    check_free(path, replace=replace)
    chunks = _chunks(matches)
    # Taken before the file is made, so that a first error leaves nothing behind.
    first = next(chunks, None)
    chunks = itertools.chain([] if first is None else [first], chunks)
    with whole_file(path, replace=replace) as place:
        write = _write_csv if kind == ".csv" else _write_parquet
        return write(place, chunks, progress)


def results_frame(matches: Iterable[Match]) -> pd.DataFrame:
    """Matches as a pandas data frame, with the columns of `save_results`.

    Raises
    ------
    MissingExtraError
        If pandas is missing.
    """
    try:
        import pandas as pd
    except ImportError:
        raise missing("pandas") from None
    parts = [pd.DataFrame(chunk) for chunk in _chunks(matches)]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def recipes_from_frame(frame: pd.DataFrame, *, pour: Pour | None = None) -> list[Recipe]:
    """The recipes in a table of results: doses in the columns ``NAME [cm]`` or ``NAME [g]``.

    Parameters
    ----------
    frame
        From `results_frame`, or from a file that `save_results` wrote.
    pour
        What they go into, which the table does not tell; by default 500 g at 1 cm.

    Raises
    ------
    PourError
        If no such columns are there, or in both units, or a dose is not a number from 0 on; the row
        is named. Also for columns of let-downs: a table does not tell how they were made.
    """
    if not hasattr(frame, "columns") or not hasattr(frame, "itertuples"):
        raise PourError(
            "is not a data frame", field="frame", value=frame, remedy="Give a pandas.DataFrame"
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


def missing(library: str) -> MissingExtraError:
    """The complaint that a library for tables is missing."""
    return MissingExtraError.of(library, "tables", field="tables")


def _chunks(matches: Iterable[Match]) -> Iterator[dict[str, list[Any]]]:
    """Columns of a few thousand matches each."""
    try:
        stream = iter(matches)
    except TypeError:
        raise PourError(
            "is not a list of matches",
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
    half, nine = ranges_of(batch).T
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
        "half_within": half.tolist(),
        "nine_in_ten_within": nine.tolist(),
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
        raise missing("pyarrow") from None
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
