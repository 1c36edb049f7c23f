"""Opening or beginning a journal's file."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Mapping, Sequence
from pathlib import Path

from shadematch.errors import FileError
from shadematch.journal.batches import Studio
from shadematch.journal.book import Book
from shadematch.journal.events import Begun, Event, now
from shadematch.journal.history import History
from shadematch.studio.palette import Palette
from shadematch.studio.unit import Unit, check_unit, checked_unit
from shadematch.support.models import expect, listed

__all__ = ["check_whole", "open_or_begin"]


class _TakenError(Exception):
    """Another process began the same journal at the same moment."""


def open_or_begin(
    path: str | os.PathLike[str],
    *,
    pigments: Sequence[str] | None,
    unit: Unit | None,
    scattering: Sequence[str],
    tube_size: Mapping[str, float] | None,
    palette: Palette | None,
) -> History:
    """The history in a file, or a new one; see `shadematch.Journal`.

    Raises
    ------
    ShadematchError
        As `shadematch.Journal` does.
    """
    try:
        place = Path(path)
        there = place.exists() and place.stat().st_size > 0
    except (TypeError, ValueError, OSError):
        raise FileError(
            "is not a path", field="path", value=path, remedy="Check the name and the folder"
        ) from None
    if unit is not None:
        unit = checked_unit(unit)
    if palette is not None:
        expect(palette, Palette, "palette", "Give a Palette, such as read(...)")
        if unit is not None:
            check_unit(unit, palette.unit, "unit")
        unit = palette.unit
        pigments = palette.names if pigments is None else pigments
    names = None if pigments is None else _names(pigments, "pigments")
    history = History(Book(place))
    if there:
        history.take(history.book.refresh())
    if not history.events:
        if names is None:
            remedy = "Name the pastes to begin one: pigments=[...]"
            raise FileError("there is no journal yet", field="path", value=str(path), remedy=remedy)
        if tube_size is not None:
            expect(tube_size, Mapping, "tube_size", "Give names and amounts")

        first = Begun(  # checked before there is a file
            event=1,
            at=now(),
            pigments=names,
            unit=unit or "cm",
            scattering=_names(scattering, "scattering"),
            tube_size=dict(tube_size or {}),
            palette=palette,
        )

        def make(number: int) -> Event:
            if number != 1:
                raise _TakenError
            return first

        with contextlib.suppress(_TakenError):
            history.write(make)
    begun = history.begun
    if names is not None and set(names) != set(begun.pigments):
        raise FileError(
            "is the journal of other pastes",
            field="pigments",
            value=names,
            remedy=f"It has {', '.join(begun.pigments)}; begin another file for others",
        )
    if unit is not None:
        check_unit(unit, begun.unit, "unit", of="the journal's doses")
    return history


def check_whole(events: Sequence[Event], place: str) -> None:
    """Refuse events if some are missing, or name unknown pastes or batches.

    Raises
    ------
    FileError
        Naming the event.
    """
    for due, event in enumerate(events, 1):
        if event.event != due or isinstance(event, Begun) != (due == 1):
            raise FileError(
                f"has event {event.event} in place of {due}",
                field=place,
                value=event.event,
                remedy="Keep all lines, in their order; void what doesn't count",
            )
    if not events:
        raise FileError("is empty", field=place, remedy="Take a table that a journal wrote")
    Studio(events)


def _names(given: Sequence[str], field: str) -> tuple[str, ...]:
    return listed((given,) if isinstance(given, str) else given, field, "Give names of pastes")
