"""The read-only side of a journal."""

from __future__ import annotations

import os
from pathlib import Path

from shadematch.journal.batches import Batch, Shelf
from shadematch.journal.events import Event
from shadematch.journal.history import History
from shadematch.journal.lesson import Lesson, NextBar
from shadematch.journal.next_bar import next_bar
from shadematch.journal.sheet import csv_of
from shadematch.studio.palette import Palette
from shadematch.studio.pour import Pour
from shadematch.studio.unit import Unit
from shadematch.studio.view import View
from shadematch.support.files import write_text
from shadematch.support.models import expect
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
    def bases(self) -> tuple[str, ...]:
        """Names of further bases, beside clear and white."""
        return self._history.studio.bases

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

    def next(
        self,
        *,
        batch_g: float = 250.0,
        thickness_cm: float = 1.0,
        dose_step: float | None = None,
        view: View | None = None,
    ) -> NextBar:
        """The bar that would teach most: at first one of each paste that was never measured.

        Parameters
        ----------
        batch_g, thickness_cm
            Of the bar: mass of base [g], thickness [cm].
        dose_step
            What doses are multiples of [unit]; 1 cm or 0.1 g by default.
        view
            How it will be measured.

        Raises
        ------
        PourError
            If the pour can't be.
        """
        view = View() if view is None else view
        expect(view, View, "view", "Use View(...)")
        step = {"cm": 1.0, "g": 0.1}[self.unit] if dose_step is None else dose_step
        pour = Pour(batch_g=batch_g, thickness_cm=thickness_cm, dose_step=step)
        studio = self._history.studio
        return next_bar(self._history.belief, studio.open, studio.bases, pour, view)

    def save_table(self, path: str | os.PathLike[str], *, replace: bool = False) -> None:
        """Write all events into a CSV for a spreadsheet, one a line; `from_table` reads it.

        Raises
        ------
        FileError
            If the place can't be written, or another file is there and `replace` is false.
        """
        write_text(path, csv_of(self.events), replace=replace)

    def report(self) -> Report:
        """Strengths, bars put aside, paste left, and questions to the maker."""
        return self._history.report()

    def __repr__(self) -> str:
        return f"Journal({str(self.path)!r}: {len(self._history.studio.batches)} batches)"
