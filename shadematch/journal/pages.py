"""The read-only side of a journal."""

from __future__ import annotations

from pathlib import Path

from shadematch.journal.batches import Batch, Shelf
from shadematch.journal.events import Event
from shadematch.journal.history import History
from shadematch.journal.lesson import Lesson
from shadematch.studio.palette import Palette
from shadematch.studio.unit import Unit
from shadematch.support.report import Report, Reported

__all__ = ["Pages"]


class Pages(Reported):
    """A journal's contents, and what was learnt from them."""

    _history: History

    @property
    def path(self) -> Path:
        """The file."""
        return self._history.book.path

    @property
    def pigments(self) -> tuple[str, ...]:
        """Names of the pastes in order."""
        return self._history.begun.pigments

    @property
    def unit(self) -> Unit:
        """Unit of doses, ``"cm"`` or ``"g"``."""
        return self._history.begun.unit

    @property
    def batches(self) -> tuple[Batch, ...]:
        """The batches that count, in order."""
        return tuple(self._history.studio.batches.values())

    @property
    def tubes(self) -> tuple[Shelf, ...]:
        """The open tube of each paste."""
        return tuple(self._history.studio.shelf.values())

    @property
    def left(self) -> dict[str, float]:
        """Paste left in the open tubes [unit], if known; for ``Stock.of(left=...)``."""
        return {t.pigment: t.left for t in self.tubes if t.left is not None}

    @property
    def lessons(self) -> tuple[Lesson, ...]:
        """What each measured bar taught, in order; `aside` is as of now."""
        return tuple(self._history.lessons.values())

    @property
    def events(self) -> tuple[Event, ...]:
        """All events, as in the file."""
        return tuple(self._history.events)

    @property
    def palette(self) -> Palette:
        """The pastes in the open tubes, the bases, and their uncertainty."""
        return self._history.palette

    def report(self) -> Report:
        """Strengths, bars put aside, paste left, and questions to the maker."""
        return self._history.report()

    def __repr__(self) -> str:
        return f"Journal({str(self.path)!r}: {len(self._history.studio.batches)} batches)"
