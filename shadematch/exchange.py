"""Results into tables, targets out of them, spectra to and from colour-science.

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

from shadematch.arrays import FloatArray
from shadematch.colorimetry import srgb_to_hex, xyz_to_lab, xyz_to_srgb
from shadematch.errors import (
    ColourError,
    FileError,
    MissingExtraError,
    PourError,
    ShadematchError,
)
from shadematch.files import whole_file
from shadematch.match import Match
from shadematch.models import check_progress, expect
from shadematch.prediction import Prediction, model_for
from shadematch.standards import distribution
from shadematch.target import Target

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "distribution_of",
    "results_frame",
    "target_from_distribution",
    "targets_from_frame",
    "write_results",
]

_ROWS: Final = 4096
_STEERING: Final = ("=", "+", "-", "@", "\t", "\r")
"""Signs at which a spreadsheet takes a text for a formula (OWASP, "CSV Injection")."""


def write_results(
    path: str | os.PathLike[str],
    matches: Iterable[Match],
    *,
    progress: Callable[[int], None] | None = None,
) -> int:
    """Write matches to a table as they come.

    Columns: ``target`` (where it came from), ``target_hex``, ``target_L``, ``target_a``,
    ``target_b`` (in the view), one ``NAME [cm]`` for each pigment of the palette, ``total_cm``,
    ``load_cm_per_100g``, ``tubes``, ``delta_e``, ``bound``, ``proved``, ``predicted_L``,
    ``predicted_a``, ``predicted_b``, ``predicted_hex``. The recipe is the frugal one.

    Parameters
    ----------
    path
        A name that ends in ``.csv`` (UTF-8, commas) or ``.parquet`` (needs pyarrow).
    matches
        For instance from `match_many`; all with one palette.
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
        If the matches have different palettes.
    """
    check_progress(progress)
    kind = Path(path).suffix.lower() if isinstance(path, str | os.PathLike) else ""
    if kind not in (".csv", ".parquet"):
        raise FileError("must end in .csv or .parquet", field="path", value=str(path),
                        remedy="Choose one of these")  # fmt: skip
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


def targets_from_frame(frame: pd.DataFrame) -> list[Target]:
    """The targets in a table: a column ``hex``, or ``L``, ``a``, ``b``, or ``X``, ``Y``, ``Z``.

    Lab and XYZ are meant under D65, 2 degrees, with Y = 100 for white.

    Raises
    ------
    ColourError
        If no such columns are there, or naming the row that can't be used.
    """
    ways: tuple[tuple[tuple[str, ...], Callable[[list[Any]], Target]], ...] = (
        (("hex",), lambda row: Target.from_hex(row[0])),
        (("L", "a", "b"), Target.from_lab),
        (("X", "Y", "Z"), Target.from_xyz),
    )
    if not hasattr(frame, "columns") or not hasattr(frame, "itertuples"):
        raise ColourError("is no data frame", field="frame", value=frame,
                          remedy="Give a pandas.DataFrame")  # fmt: skip
    there = [way for way in ways if all(name in frame.columns for name in way[0])]
    if not there:
        raise ColourError("has no colours", field="frame", value=list(map(str, frame.columns)),
                          remedy="Name a column hex, or three L, a, b or X, Y, Z")  # fmt: skip
    columns, make = there[0]
    targets = []
    for number, row in enumerate(frame[list(columns)].itertuples(index=False), start=1):
        try:
            targets.append(make(list(row)))
        except ShadematchError as found:
            raise ColourError(found.problem, field=f"row {number}, {found.field}",
                              value=found.value, remedy=found.remedy) from None  # fmt: skip
    return targets


def distribution_of(prediction: Prediction) -> Any:
    """The predicted spectrum as a `colour.SpectralDistribution` of colour-science."""
    expect(prediction, Prediction, "prediction", "Give what sm.predict(...) returns")
    return distribution(prediction.reflectance, str(prediction.recipe))


def target_from_distribution(found: Any) -> Target:
    """A target from a `colour.SpectralDistribution` of reflectance factors, 0 to 1.

    Raises
    ------
    SpectrumError
        If it leaves out a part of 380 to 730 nm, or its values can't be reflectances.
    """
    if not hasattr(found, "wavelengths") or not hasattr(found, "values"):
        raise ColourError("is no spectral distribution", field="distribution", value=found,
                          remedy="Give a colour.SpectralDistribution")  # fmt: skip
    return Target.from_reflectance(
        np.asarray(found.wavelengths, float).tolist(), np.asarray(found.values, float).tolist()
    )


def _missing(library: str) -> MissingExtraError:
    return MissingExtraError(f"{library} is needed and is not installed",
                             remedy='pip install "shadematch[tables]"')  # fmt: skip


def _chunks(matches: Iterable[Match]) -> Iterator[dict[str, list[Any]]]:
    """Columns of a few thousand matches each."""
    try:
        stream = iter(matches)
    except TypeError:
        raise PourError("is no list of matches", field="matches", value=matches,
                        remedy="Give what match_many returns, or a list") from None  # fmt: skip
    palette = None
    while batch := list(itertools.islice(stream, _ROWS)):
        for match in batch:
            expect(match, Match, "matches", "Give what match or match_many returns")
            palette = match.palette if palette is None else palette
            if match.palette != palette:
                raise ShadematchError("have different palettes", field="matches",
                                      remedy="Write one table for each palette")  # fmt: skip
        yield _columns(batch)


def _columns(batch: Sequence[Match]) -> dict[str, list[Any]]:
    wanted = np.array([m.target.lab_in(m.view) for m in batch])
    lab, codes = _colours(batch)
    columns: dict[str, list[Any]] = {
        "target": [str(m.target) for m in batch],
        "target_hex": [m.target.hex for m in batch],
        **{f"target_{c}": wanted[:, i].tolist() for i, c in enumerate("Lab")},
    }
    for name in batch[0].palette.names:
        columns[f"{name} [cm]"] = [m.recipe.doses_cm.get(name, 0.0) for m in batch]
    columns |= {
        "total_cm": [m.recipe.total_cm for m in batch],
        "load_cm_per_100g": [m.recipe.load for m in batch],
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
    doses = np.array([[m.recipe.doses_cm.get(n, 0.0) for n in names] for m in batch])
    xyz = model.xyz(doses * 100.0 / first.pour.batch_g)
    rgb, _ = xyz_to_srgb(xyz, model.white)
    return xyz_to_lab(xyz, model.white), [srgb_to_hex(row) for row in rgb]


def _harmless(cell: object) -> object:
    """A text that no spreadsheet takes for a formula; anything else as it is."""
    if isinstance(cell, str) and cell.startswith(_STEERING):
        return "'" + cell
    return cell


def _write_csv(
    place: Path, chunks: Iterable[dict[str, list[Any]]], progress: Callable[[int], None] | None
) -> int:
    done = 0
    with place.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream)
        for columns in chunks:
            if not done:
                writer.writerow(map(_harmless, columns))
            for row in zip(*columns.values(), strict=True):
                writer.writerow(map(_harmless, row))
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
