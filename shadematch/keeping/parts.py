"""A large table as a folder of parts, each written by the worker that computed it."""

from __future__ import annotations

import functools
import hashlib
import os
import re
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Final, cast

import numpy as np

from shadematch._version import __version__
from shadematch.errors import FileError, MissingExtraError, ShadematchError
from shadematch.matching.many import Matches, Way, piece_table
from shadematch.matching.wanted import Wanted
from shadematch.support.files import whole_file

if TYPE_CHECKING:
    from types import ModuleType

__all__ = ["expect_frame", "pandas", "pyarrow", "save_parts"]

_MARK: Final = b"shadematch question"
_NAME: Final = re.compile(r"part-(\d{5,})\.parquet")


def pandas() -> ModuleType:
    """The module pandas.

    Raises
    ------
    MissingExtraError
        If it is not installed.
    """
    with MissingExtraError.unless("pandas", "tables", field="tables"):
        import pandas as found
    return cast("ModuleType", found)


def expect_frame(frame: object, error: type[ShadematchError]) -> None:
    """Refuse what is not a data frame.

    Raises
    ------
    error
    """
    if not hasattr(frame, "columns") or not hasattr(frame, "itertuples"):
        remedy = "Give a pandas.DataFrame"
        raise error("is not a data frame", field="frame", value=frame, remedy=remedy)


def save_parts(
    matches: Matches,
    folder: str | os.PathLike[str],
    *,
    replace: bool,
    progress: Callable[[int], None] | None,
) -> int:
    """Write what `match_many` returns into a folder; see `shadematch.save_results`.

    Raises
    ------
    FileError
        If the folder can't be made, or holds a part with answers to another question.
    MissingExtraError
        If pyarrow is missing.
    """
    if not isinstance(replace, bool):
        raise FileError(
            "must be true or false", field="replace", value=replace, remedy="Give True or False"
        )
    pyarrow()
    place = _made(folder)
    done = parts = 0
    for rows in matches._done_by(functools.partial(_write, folder=str(place), replace=replace)):
        done, parts = done + rows, parts + 1
        if progress is not None:
            progress(done)
    for path in place.iterdir():
        found = _NAME.fullmatch(path.name)
        if found and int(found[1]) >= parts:
            if not replace:
                raise _other(path)
            path.unlink()
    return done


def _write(way: Way, wanted: Wanted, folder: str, replace: bool) -> int:
    """Write one part, unless it is there, in a worker; give its number of rows."""
    parquet, arrow = pyarrow()
    place = Path(folder) / f"part-{wanted.number:05d}.parquet"
    mark = _question(way, wanted)
    if place.exists():
        try:
            there = (parquet.read_schema(place).metadata or {}).get(_MARK)
        except (OSError, arrow.ArrowInvalid):
            there = None
        if there == mark:
            return len(wanted)
        if not replace:
            raise _other(place)
    table = arrow.table(piece_table(way, wanted)).replace_schema_metadata({_MARK: mark})
    with whole_file(place, replace=True) as beside:
        parquet.write_table(table, beside)
    return len(wanted)


def _question(way: Way, wanted: Wanted) -> bytes:
    """A digest of the question that a part answers."""
    mark = hashlib.sha256(_of_way(way))
    if isinstance(wanted.given, np.ndarray):
        mark.update(repr(wanted.light).encode() + wanted.given.tobytes())
    else:
        for each in wanted.given:
            spectrum = b"" if each.reflectance is None else each.reflectance.tobytes()
            mark.update(repr(each).encode() + spectrum)
    return mark.hexdigest().encode()


@functools.lru_cache(maxsize=8)
def _of_way(way: Way) -> bytes:
    asked = way.asked
    models = (asked.palette, asked.pour, asked.view, *asked.let_downs)
    said = [model.model_dump_json() for model in models]
    rest = asked.max_pigments, asked.required, asked.excluded, asked.lights
    said.append(repr((__version__, way.tolerance, way.readings, way.counted, rest)))
    return "\n".join(said).encode()


def pyarrow() -> tuple[ModuleType, ModuleType]:
    """`pyarrow.parquet` and `pyarrow`.

    Raises
    ------
    MissingExtraError
        If it is not installed.
    """
    with MissingExtraError.unless("pyarrow", "tables", field="tables"):
        import pyarrow as arrow
        import pyarrow.parquet as parquet
    return parquet, arrow


def _made(folder: str | os.PathLike[str]) -> Path:
    try:
        place = Path(os.path.realpath(folder))
        place.mkdir(parents=True, exist_ok=True)
    except (OSError, ValueError) as found:
        raise FileError(
            f"can't be made: {getattr(found, 'strerror', None) or found}",
            field="path",
            value=str(folder),
            remedy="Give a folder that you may write to, or a name that ends in .parquet",
        ) from None
    return place


def _other(place: Path) -> FileError:
    return FileError(
        "exists and answers another question",
        field="path",
        value=str(place),
        remedy="Choose another folder, or allow replacing (replace)",
    )
