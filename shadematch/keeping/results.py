"""Matches to tables, and recipes from tables.

Tables are written a few thousand rows at a time, so a million targets need no more memory than a
thousand; no `Match` is made for what `match_many` returns. A file gets its name when complete.
"""

from __future__ import annotations

import csv
import itertools
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np

from shadematch.errors import FileError, PourError, ShadematchError
from shadematch.keeping.parts import expect_frame, pandas, pyarrow, save_parts
from shadematch.matching.columns import LET_DOWN_MASS, Columns, columns_of
from shadematch.matching.many import Matches, piece_table
from shadematch.matching.match import Match
from shadematch.matching.wanted import Wanted
from shadematch.studio.pour import Pour
from shadematch.studio.recipe import Recipe
from shadematch.studio.unit import UNITS
from shadematch.support.files import check_free, spreadsheet_cell, whole_file
from shadematch.support.models import check_progress, expect, is_finite

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["recipes_from_frame", "result_columns", "results_frame", "save_results"]

_ROWS: Final = 4096
_LARGEST_DOSE: Final = 1e7


def save_results(
    matches: Iterable[Match],
    path: str | os.PathLike[str],
    *,
    replace: bool = False,
    progress: Callable[[int], None] | None = None,
) -> int:
    """Write matches to a table as they are made.

    Columns: ``target`` (where it came from), ``target_hex``, ``target_L``, ``target_a``,
    ``target_b`` (in the view), one ``NAME [cm]`` or ``NAME [g]`` for each pigment of the palette
    (all paste, that of let-downs included), ``total_cm`` and ``load_cm_per_100g`` or ``total_g``
    and ``load_g_per_100g``, ``tubes``, ``delta_e``, ``half_within`` and ``nine_in_ten_within``
    (what CIEDE2000 stays within half the time and nine times in ten, all uncertainty counted;
    linear, see `shadematch.predicting.uncertainty`), ``bound``, ``proved``, ``predicted_L``,
    ``predicted_a``, ``predicted_b``, ``predicted_hex``. With let-downs, one ``LET-DOWN, mass [g]``
    for each follows the pigments. The recipe is `Match.recipe`, the frugal one.

    Parameters
    ----------
    matches
        For instance from `match_many`; all with one palette and the same let-downs.
    path
        A name that ends in ``.csv`` (commas; UTF-8 with a byte-order mark, for spreadsheets) or
        ``.parquet`` (needs pyarrow). A name without an ending is a folder, for what `match_many`
        returns: its workers write ``part-00000.parquet`` and so on there, one for each `chunk`,
        named once it is complete. A run that was killed resumes when it is started again.
    replace
        Whether an existing file may be replaced; in a folder, a part that answers another
        question. An existing file is refused before the first match is made.
    progress
        Called with the number of rows written so far.

    Returns
    -------
    int
        The number of rows.

    Raises
    ------
    FileError
        If the name has another ending, another file exists, or it can't be written. What was
        there stays.
    MissingExtraError
        If pyarrow is needed and missing.
    ShadematchError
        If the matches have different palettes or let-downs.
    """
    check_progress(progress)
    kind = Path(path).suffix.lower() if isinstance(path, str | os.PathLike) else "?"
    if not kind and isinstance(matches, Matches) and matches.untouched:
        return save_parts(matches, path, replace=replace, progress=progress)
    if kind not in (".csv", ".parquet"):
        raise FileError(
            "must end in .csv or .parquet",
            field="path",
            value=str(path),
            remedy="Choose one of these; a folder takes only what match_many returns",
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
    pd = pandas()
    parts = [pd.DataFrame(chunk) for chunk in _chunks(matches)]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()


def recipes_from_frame(frame: pd.DataFrame, *, pour: Pour | None = None) -> list[Recipe]:
    """The recipes in a table of results: doses in the columns ``NAME [cm]`` or ``NAME [g]``.

    Parameters
    ----------
    frame
        From `results_frame`, or from a file that `save_results` wrote.
    pour
        What they go into, which the table does not say; by default 500 g at 1 cm.

    Raises
    ------
    PourError
        If there are no such columns, or some in each unit, or a dose, whose row is named, is not
        a number from 0. Also for columns of let-downs: a table does not say how they were made.
    """
    expect_frame(frame, PourError)
    pour = Pour() if pour is None else pour
    expect(pour, Pour, "pour", "Use Pour(...)")
    weighed = [str(column) for column in frame.columns if str(column).endswith(LET_DOWN_MASS)]
    if weighed:
        problem = "has let-downs, which can't be read back"
        raise PourError(problem, field="frame", value=weighed, remedy="Save such matches with save")
    units = [u for u in UNITS if any(str(column).endswith(f" [{u}]") for column in frame.columns)]
    if len(units) > 1:
        problem = "has doses in more than one unit"
        raise PourError(problem, field="frame", value=units, remedy="Convert all to one, cm or g")
    unit = units[0] if units else "cm"
    ending = f" [{unit}]"
    names = {c: str(c).removesuffix(ending) for c in frame.columns if str(c).endswith(ending)}
    # Undo what spreadsheet_cell does.
    names = {
        c: n[1:] if n[:1] == "'" and spreadsheet_cell(n[1:]) == n else n for c, n in names.items()
    }
    if not names:
        problem, remedy = "has no doses", "Name columns such as 'gorse [cm]' or 'gorse [g]'"
        raise PourError(problem, field="frame", value=list(map(str, frame.columns)), remedy=remedy)
    recipes = []
    rows = frame[list(names)].itertuples(index=False, name=None)
    for number, row in enumerate(rows, start=1):
        doses = {}
        for name, dose in zip(names.values(), row, strict=True):
            if not is_finite(dose) or not 0 <= dose <= _LARGEST_DOSE:
                problem, remedy = "must be a number from 0", f"In {unit}"
                raise PourError(problem, field=f"row {number}, {name}", value=dose, remedy=remedy)
            if dose > 0:
                doses[name] = float(dose)
        recipes.append(Recipe(doses, pour, unit=unit))
    return recipes


def _chunks(matches: Iterable[Match]) -> Iterator[Columns]:
    """Columns of a few thousand matches each."""
    if isinstance(matches, Matches) and matches.untouched:
        yield from matches._done_by(piece_table)
        return
    try:
        stream = iter(matches)
    except TypeError:
        problem, remedy = "is not a list of matches", "Give what match_many returns, or a list"
        raise PourError(problem, field="matches", value=matches, remedy=remedy) from None
    first: Match | None = None
    while batch := list(itertools.islice(stream, _ROWS)):
        for match in batch:
            expect(match, Match, "matches", "Give what match or match_many returns")
            first = first or match
            for what, same in (
                ("palettes", match.palette == first.palette),
                ("let-downs", match.let_downs == first.let_downs),
            ):
                if not same:
                    raise ShadematchError(
                        f"have different {what}", field="matches", remedy="Write a table for each"
                    )
        yield result_columns(batch)


def result_columns(batch: Sequence[Match]) -> Columns:
    """The columns of `save_results` for matches of any pours."""
    rows: dict[object, list[int]] = {}
    for at, match in enumerate(batch):
        rows.setdefault((match._question.asked, match.readings), []).append(at)
    parts, order = [], np.concatenate([*map(np.array, rows.values())])
    for alike in rows.values():
        some = [batch[at] for at in alike]
        asked = some[0]._question.asked
        parts.append(
            columns_of(
                asked,
                some[0].readings,
                Wanted(0, 0, tuple(m.target for m in some)),
                np.array([m._question.labs for m in some]),
                steps=np.array([asked.steps_of(m.recipe) for m in some]),
                delta_e=np.array([m.delta_e for m in some]),
                bound=np.array([m.bound for m in some]),
                proved=np.array([m.proved for m in some]),
            )
        )
    if len(parts) == 1:
        return parts[0]
    back = np.argsort(order)
    return {
        name: np.concatenate([np.asarray(part[name]) for part in parts])[back] for name in parts[0]
    }


def _write_csv(
    place: Path, chunks: Iterable[Columns], progress: Callable[[int], None] | None
) -> int:
    done = 0
    with place.open("w", encoding="utf-8-sig", newline="") as stream:
        writer = csv.writer(stream)
        for columns in chunks:
            if not done:
                writer.writerow(map(spreadsheet_cell, columns))
            plain = (c.tolist() if isinstance(c, np.ndarray) else c for c in columns.values())
            for row in zip(*plain, strict=True):
                writer.writerow(map(spreadsheet_cell, row))
                done += 1
            if progress is not None:
                progress(done)
    return done


def _write_parquet(
    place: Path, chunks: Iterable[Columns], progress: Callable[[int], None] | None
) -> int:
    pq, pa = pyarrow()
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
