"""One `save` and one `read` for every kind of file.

Every file is JSON and states its kind::

    {"format": "shadematch palette", "version": 1, ...}

The classes that a file holds build themselves from its entries and check them, so a file can't
hold what no call could make. What follows from the entries is recomputed, not stored.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Mapping
from pathlib import PurePath
from typing import Annotated, Any, Final, NamedTuple, TypeVar, overload

from pydantic import Field, TypeAdapter

from shadematch.calibration.result import Calibration
from shadematch.correction.results import Correction
from shadematch.errors import FileError, PourError
from shadematch.keeping.calibrations import calibration_of, entries_of_calibration
from shadematch.keeping.corrections import correction_of, entries_of_correction
from shadematch.keeping.forms import (
    LONGEST_NOTE,
    Entry,
    PaletteFile,
    TargetEntry,
    checked_note,
    entries_of,
    made_from,
)
from shadematch.keeping.saved import Result, SavedEntry, SavedRecipe, kept
from shadematch.matching.question import Choice
from shadematch.studio.palette import Palette
from shadematch.studio.target import Target
from shadematch.studio.view import View
from shadematch.support.files import checked_envelope, enveloped, read_json, write_json
from shadematch.support.models import expect, listed

__all__ = ["KINDS", "FileKind", "Saveable", "read", "save"]

T = TypeVar("T")

Saveable = Result | Palette | Correction | Calibration | Iterable[Target]
"""What can be saved."""


class TargetsEntry(Entry):
    """Wanted colours, and a note about them."""

    note: Annotated[str, Field(max_length=LONGEST_NOTE)] = ""
    targets: tuple[TargetEntry, ...]


class FileKind(NamedTuple):
    """A kind of file: its newest version, the type that reading gives, and the two converters.

    `form` describes the entries; None where no schema is published.
    """

    version: int
    gives: type
    form: TypeAdapter[Any] | None
    entries: Callable[[Any], dict[str, Any]]
    made: Callable[[dict[str, Any]], Any]


def _of(gives: type, form: TypeAdapter[Any]) -> FileKind:
    return FileKind(
        1, gives, form, lambda thing: entries_of(form, thing), lambda data: made_from(form, data)
    )


_TARGETS: Final = TypeAdapter(TargetsEntry)
KINDS: Final[Mapping[str, FileKind]] = {
    "palette": _of(Palette, TypeAdapter(PaletteFile)),
    "targets": _of(list, _TARGETS)._replace(
        made=lambda content: list(made_from(_TARGETS, content).targets)
    ),
    "recipe": _of(SavedRecipe, TypeAdapter(SavedEntry)),
    "batch": FileKind(1, Correction, None, entries_of_correction, correction_of),
    "calibration": FileKind(1, Calibration, None, entries_of_calibration, calibration_of),
}
"""By the word in the envelope."""
_VERSIONS: Final = {name: kind.version for name, kind in KINDS.items()}


def save(
    thing: Saveable,
    path: str | os.PathLike[str],
    *,
    palette: Palette | None = None,
    view: View | None = None,
    choice: Choice | None = None,
    note: str | None = None,
    replace: bool = False,
) -> None:
    """Save something to a JSON file, with everything needed to continue from it.

    The file is written whole or not at all: an interrupted save leaves the old file.

    Parameters
    ----------
    thing
        - A `Palette`.
        - A list of `Target`, with their spectra and covariances; for a `PhotoTarget`, give its
          `target`.
        - A `Match`, `Prediction`, `Recipe` or `SavedRecipe`, saved so that it can be repeated.
        - A `Correction`, the last one of its batch, saved so that the next can build on it.
        - A `Calibration`.
    path
        The file.
    palette, view
        For a `Recipe` (and `palette` for a `Prediction`), which hold none; by default the demo
        palette, and D65 on white paper.
    choice
        For a `Match`, the choice that is poured; by default the frugal one.
    note
        Your own note with a recipe or targets, at most 10,000 characters; by default none, or
        the one that a `SavedRecipe` has.
    replace
        Whether another file in its place may be replaced. A file with the same content is left
        alone.

    Raises
    ------
    PourError, UnknownNameError
        If the parts don't fit together, or `thing` can't be saved.
    FileError
        If another file is there, the name ends in something other than .json, the file can't be
        written, or an entry, which is named, could not be read back.
    """
    _fit_to_hold_json(path)
    given = {"palette": palette, "view": view, "choice": choice, "note": note}
    name = next((n for n, kind in KINDS.items() if isinstance(thing, kind.gives)), "targets")
    entries: object = thing
    if isinstance(thing, Result):
        name, entries = "recipe", kept(thing, palette=palette, view=view, choice=choice, note=note)
        given = {}
    elif name == "targets":
        entries = _targets(thing, given.pop("note"))
    for field, value in given.items():
        if value is not None:
            remedy = "Leave it out: it goes with a recipe"
            raise PourError("has no meaning here", field=field, value=str(value), remedy=remedy)
    kind = KINDS[name]
    content = kind.entries(entries)
    kind.made(content)  # nothing is written that can't be read
    write_json(path, enveloped(name, kind.version, content), replace=replace)


def _fit_to_hold_json(path: str | os.PathLike[str]) -> None:
    """Refuse a name that would make other programs take the file for a table or text."""
    name = PurePath(path) if isinstance(path, str | os.PathLike) else PurePath()
    if name.suffix.lower() not in ("", ".json"):
        remedy = f"Name it {name.stem}.json"
        raise FileError("must end in .json", field="path", value=str(path), remedy=remedy)


def _targets(given: object, note: Any) -> TargetsEntry:
    remedy = "Give a Palette, Match, Recipe, Correction or Calibration, or a list of Target"
    targets = listed(given, "thing", remedy)
    for target in targets:
        expect(target, Target, "thing", remedy)
    return TargetsEntry.model_construct(note=checked_note(note or ""), targets=targets)


@overload
def read(path: str | os.PathLike[str]) -> Any: ...
@overload
def read(path: str | os.PathLike[str], kind: type[T]) -> T: ...


def read(path: str | os.PathLike[str], kind: type[Any] | None = None) -> Any:
    """Read what `save` wrote.

    Parameters
    ----------
    path
        The file, which states its kind.
    kind
        The type it must hold: `Palette`, `list` (of targets), `SavedRecipe`, `Correction` or
        `Calibration`; by default any of these.

    Returns
    -------
    Palette, list of Target, SavedRecipe, Correction or Calibration
        Equal to what was saved. A recipe or match comes back as a `SavedRecipe`;
        `shadematch.repeat` shows what it gives with today's palette.

    Raises
    ------
    PourError
        If `kind` is none of these.
    FileError
        If the file can't be read, is of another kind or a newer version, or has a wrong entry,
        which is named.
    """
    wanted = [name for name, each in KINDS.items() if each.gives is kind]
    if kind is not None and not wanted:
        remedy = f"Take one of {', '.join(k.gives.__name__ for k in KINDS.values())}"
        raise PourError("is not a kind of file", field="kind", value=kind, remedy=remedy)
    with read_json(path, kind=wanted[0] if wanted else "file") as data:
        name, content = checked_envelope(data, _VERSIONS)
        if wanted and name not in wanted:
            problem, remedy = f"must be that of a {wanted[0]} file", "Give another file"
            raise FileError(problem, field="format", value=data["format"], remedy=remedy)
        return KINDS[name].made(content)
