"""The state of a journal after its events: batches, tubes, lessons and the palette."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Final, cast

import numpy as np

from shadematch.errors import PourError, UnknownNameError
from shadematch.journal.batches import Batch, Studio
from shadematch.journal.belief import Belief, Taught
from shadematch.journal.book import Book
from shadematch.journal.events import Begun, Event, LetIn, Poured, Reading, Voided
from shadematch.journal.learnt import palette_of
from shadematch.journal.lesson import Lesson
from shadematch.studio.named import check_known_base
from shadematch.studio.palette import Palette
from shadematch.studio.pour import CLEAR, Pour
from shadematch.support.arrays import triple
from shadematch.support.report import Report, Row
from shadematch.support.spelling import did_you_mean

__all__ = ["History"]

_FEW: Final = 15
"""Bars below which the report says that more of them help most."""


class History:
    """The state after all events; learning is postponed until its results are asked for."""

    def __init__(self, book: Book) -> None:
        self.book = book
        self.events: list[Event] = []
        self.studio = Studio()
        self._belief: Belief | None = None
        self._lessons: dict[int, Lesson] = {}
        self._palette: Palette | None = None

    @property
    def begun(self) -> Begun:
        """The first event."""
        return cast(Begun, self.events[0])

    def take(self, events: Sequence[Event]) -> None:
        """Apply events."""
        if not events:
            return
        first = not self.events
        self.events += events
        self._palette = None
        if first or any(isinstance(e, Voided | LetIn) for e in events):
            self.studio = Studio(self.events)
            self._belief = None
        else:
            for event in events:
                self.studio.take(event)

    def write(self, make: Callable[[int], Event]) -> Event:
        """Append an event to the file; `make` gets its number, after the events of others."""
        event = self.book.append(lambda: make(len(self.events) + 1), self.take)
        self.take([event])
        return event

    @property
    def belief(self) -> Belief:
        """The belief after all bars."""
        begun = self.begun
        if self._belief is None:
            self._belief = Belief(
                begun.pigments,
                unit=begun.unit,
                scattering=begun.scattering,
                palette=begun.palette,
            )
            self._lessons = {}
        belief, studio = self._belief, self.studio
        for event, bar, tubes in studio.bars[len(belief.bars) :]:
            taught = belief.learn(bar, tubes, trusted=event in studio.trusted)
            self._lessons[event] = _lesson(belief, event, taught)
            for position, (at, lesson) in enumerate(list(self._lessons.items())):
                if lesson.aside != (position in belief.aside):
                    self._lessons[at] = replace(lesson, aside=position in belief.aside)
        return belief

    @property
    def lessons(self) -> dict[int, Lesson]:
        """What each measured bar taught, by its event."""
        _ = self.belief
        return self._lessons

    @property
    def palette(self) -> Palette:
        """The pastes in the open tubes, the bases, and their uncertainty."""
        if self._palette is None:
            belief, studio, begun = self.belief, self.studio, self.begun
            tubes, bars = studio.open, belief.bars
            had = () if begun.palette is None else begun.palette.pigments
            prices = {p.name: p.tube_price for p in had}
            trusted = len(bars) - len(belief.aside)
            self._palette = palette_of(
                belief.ready([*tubes.values()], bases=studio.bases),
                tubes,
                unit=begun.unit,
                note=f"Learnt from {trusted} bars in a journal; doses in {begun.unit}.",
                rough=belief.noise.rough,
                dosing=belief.dosing,
                views=[b.reading.view for b in bars],
                sizes={
                    name: (row.tube_size, prices.get(name)) for name, row in studio.shelf.items()
                },
            )
        return self._palette

    # --- finding things

    def paste(self, name: object) -> str:
        """The paste of that name; case is ignored unless several names differ in it alone.

        Raises
        ------
        UnknownNameError
            If the journal has none of that name.
        """
        have = self.begun.pigments
        if isinstance(name, str):
            if name in have:
                return name
            alike = [n for n in have if n.casefold() == name.casefold()]
            if len(alike) == 1:
                return alike[0]
        hint = did_you_mean(name, have) if isinstance(name, str) else ""
        problem, remedy = "the journal has no such paste", f"{hint}It has {', '.join(have)}"
        raise UnknownNameError(problem, field="pigment", value=name, remedy=remedy)

    def base(self, name: str) -> str:
        """A base by its name.

        Raises
        ------
        UnknownNameError
            If the journal has none of that name.
        """
        check_known_base(
            name, (CLEAR, *self.studio.bases), "the journal", more="; new_base adds one"
        )
        return name

    def batch(self, number: object) -> Batch:
        """The batch of that number.

        Raises
        ------
        PourError
            If there is none, or it was voided.
        """
        batches = self.studio.batches
        whole = isinstance(number, int | np.integer) and not isinstance(number, bool)
        found = batches.get(int(cast(int, number))) if whole else None
        if found is None:
            last = max(batches, default=0)
            raise PourError(
                "is not a batch of this journal, or was voided",
                field="batch",
                value=number,
                remedy=f"Numbers run from 1 to {last}" if last else "Pour one first",
            )
        return found

    def poured_event(self, what: int | Lesson) -> int:
        """The event in which a batch was poured."""
        number = self.batch(what.batch if isinstance(what, Lesson) else what).number
        return next(e.event for e in self.events if isinstance(e, Poured) and e.batch == number)

    def reading_event(self, what: int | Lesson, *, aside: bool = False) -> int:
        """The event in which a batch was measured: that of a lesson, or the last.

        With `aside`, it must have been put aside.

        Raises
        ------
        PourError
            If there is no such batch or reading.
        """
        number = self.batch(what.batch if isinstance(what, Lesson) else what).number
        events = [event for event, bar, _ in self.studio.bars if bar.number == number]
        if isinstance(what, Lesson):
            events = [event for event in events if event == what.event]
        if not events:
            problem = "was never measured, or its reading was voided"
            raise PourError(problem, field="batch", value=number, remedy="Measure it first")
        if aside and not self.lessons[events[-1]].aside:
            raise PourError(
                "was not put aside: it counts already",
                field="batch",
                value=number,
                remedy="Let in only what was put aside",
            )
        return events[-1]

    def check_new(self, doses: Mapping[str, float], pour: Pour, reading: Reading | None) -> None:
        """Refuse a bar whose doses and reading are in the journal already.

        Raises
        ------
        PourError
            Naming the batch.
        """
        number = self.batch_with(doses, pour, reading)
        if number is not None:
            raise PourError(
                "appears twice, with the same doses and reading",
                field="measured",
                value=f"batch {number}",
                remedy="Leave it out; if it is another bar, measure that one",
            )

    def batch_with(
        self, doses: Mapping[str, float], pour: Pour, reading: Reading | None
    ) -> int | None:
        """Number of the batch with these doses and this reading, or None."""
        for _, bar, _ in self.studio.bars:
            old = bar.reading
            if reading is None or old.doses != doses or old.pour != pour:
                continue
            same = reading.of(doses, pour, self.begun.unit, old.name) == old
            if same and bar.instrument == (reading.means, reading.instrument):
                return bar.number
        return None

    # --- what it says

    def report(self) -> Report:
        """Strengths, bars put aside, paste left, and questions to the maker."""
        belief, studio = self.belief, self.studio
        unit, shelf = self.begun.unit, studio.shelf
        bars = len(belief.bars)
        rows = [
            Row(
                "journal",
                f"{len(studio.batches)} batches, {bars} measured bars",
                note=str(self.book.path),
            )
        ]
        for name, tube in studio.open.items():
            factor, sd = belief.strength(tube)
            words = f"{name}: never measured"
            if belief.holding(name):
                words = f"{name}: known to {sd:.0%}"
                if tube.serial:
                    words += f"; tube {tube.serial + 1} is {factor:.2f} times the mean tube"
            left = shelf[name].left
            rows.append(Row("paste", words, note="" if left is None else f"{left:.0f} {unit} left"))
        for base in studio.bases:
            bars_in = belief.held_by(base)
            words = (
                f"in {bars_in} measured {'bar' if bars_in == 1 else 'bars'}"
                if bars_in
                else "never measured"
            )
            rows.append(Row("base", f"{base}: {words}"))
        hand, eye, _ = np.sqrt(belief.noise.rough)
        ratio = f"doses {hand:.1f} times as uncertain as usual, readings {eye:.1f} times"
        rows.append(Row("studio", ratio))
        rows.append(Row("tubes", f"of one paste differ by {belief.tube_sd:.0%} in strength"))
        rows += [
            Row("put aside", f"batch {lesson.batch}: {lesson.why}")
            for lesson in self._lessons.values()
            if lesson.aside
        ]
        rows += [
            Row(
                "asked",
                f"is the tube of {row.pigment} a new one? {row.used:.0f} {unit} are used",
            )
            for row in shelf.values()
            if row.doubtful
        ]
        notes = []
        if bars < _FEW:
            notes.append(f"Each bar that is measured helps, the first {_FEW} most.")
        if studio.bases:
            notes.append("How a base browns or fades with age is not predicted.")
        if self.book.torn or self.book.unfinished:
            notes.append("A line cut off while being written does not count.")
        return Report(rows=tuple(rows), notes=tuple(notes), cautions=False)


def _lesson(belief: Belief, event: int, taught: Taught) -> Lesson:
    bar = taught.bar
    alone = tuple(n for n in bar.reading.doses if taught.aside and not belief.holding(n))
    return Lesson(
        event=event,
        batch=bar.number,
        recipe=bar.reading.recipe,
        view=bar.reading.view,
        measured=triple(taught.lab),
        expected=triple(taught.expected),
        covariance=taught.covariance,
        freedom=taught.freedom,
        probability=taught.probability,
        aside=taught.aside,
        explanations=taught.explanations,
        only_one=alone,
        known_to={n: (taught.before[n], taught.after[n]) for n in taught.before},
    )
