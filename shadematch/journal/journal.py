"""A studio's journal: batches in, a palette out that every finished bar makes surer."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from typing import Any, cast

from shadematch.correction.results import Addition, Correction
from shadematch.errors import PaletteError
from shadematch.journal.events import (
    Added,
    Event,
    LetIn,
    Measured,
    NewBase,
    NewTube,
    Poured,
    Reading,
    Voided,
    line_of,
    now,
)
from shadematch.journal.given import (
    Means,
    added_of,
    batch_of,
    correction_of,
    fields_of,
    reading_of,
)
from shadematch.journal.lesson import Lesson
from shadematch.journal.opening import check_whole, open_or_begin
from shadematch.journal.pages import Pages
from shadematch.journal.sheet import events_in
from shadematch.matching.match import Match
from shadematch.studio.named import check_names
from shadematch.studio.palette import Palette
from shadematch.studio.pour import Pour
from shadematch.studio.recipe import Recipe
from shadematch.studio.target import HoldsTarget
from shadematch.studio.unit import Unit
from shadematch.studio.view import View
from shadematch.support.files import read_text, write_text
from shadematch.support.models import between, check_name, expect

__all__ = ["Journal"]


class Journal(Pages):
    """A studio's book of batches, in a file, and what it teaches of pastes and bases.

    Every finished bar that is measured makes the next recipe surer; no test pours are asked for
    beyond one bar of each paste (`next`). Events are appended to the file and brought to the disk
    before a call returns; none is ever changed.

    Parameters
    ----------
    path
        The file: JSON lines. It is opened if it is there, else begun.
    pigments
        Names of the pastes in order, one to twelve; for a new journal, or to make sure which it is.
    unit
        Of doses, ``"cm"`` or ``"g"``; for a new journal.
    scattering
        Pastes that look milky, earthy or pearly; for a new journal.
    tube_size
        Paste in a full tube [unit], by name; 87 cm where nothing is said. For a new journal.
    palette
        To begin from: a guess, or with what is known of it (`Palette.known_to`, `calibrate`). For a
        new journal.
    bases
        Names of further bases, such as ``"clear with vanilla"``; for a new journal, see `new_base`.

    Raises
    ------
    FileError
        If the file can't be read or written, an event is missing or wrong, or it is another
        studio's (other pastes or another unit than were given).
    PaletteError, PourError
        If what was given to begin with can't be used.
    """

    def __init__(
        self,
        path: str | os.PathLike[str],
        *,
        pigments: Sequence[str] | None = None,
        unit: Unit | None = None,
        scattering: Sequence[str] = (),
        tube_size: Mapping[str, float] | None = None,
        palette: Palette | None = None,
        bases: Sequence[str] = (),
    ) -> None:
        self._history = open_or_begin(
            path,
            pigments=pigments,
            unit=unit,
            scattering=scattering,
            tube_size=tube_size,
            palette=palette,
            bases=bases,
        )

    def add(
        self,
        doses: Mapping[str, float] | Recipe | Match,
        measured: HoldsTarget | Sequence[float],
        *,
        pour: Pour | None = None,
        view: View | None = None,
        means: Means | None = None,
        instrument: str = "",
        age_days: float | None = None,
        fields: Mapping[str, object] | None = None,
    ) -> Lesson:
        """A bar that was poured and measured, in one go.

        Parameters
        ----------
        doses, pour, fields
            As for `pour`.
        measured, view, means, instrument, age_days
            As for `measured`.

        Raises
        ------
        ShadematchError
            As `pour` and `measured` do.
        """
        reading = reading_of(measured, view, means, instrument, age_days)
        event = self._poured(doses, pour, fields, reading)
        return self._history.lessons[event.event]

    def pour(
        self,
        doses: Mapping[str, float] | Recipe | Match,
        *,
        pour: Pour | None = None,
        fields: Mapping[str, object] | None = None,
    ) -> int:
        """A batch, once it is poured: its paste is counted, and it gets a number.

        Parameters
        ----------
        doses
            As really squeezed [unit]: names and amounts, a `Recipe`, or a `Match` that was kept
            to. Without any, base alone.
        pour
            What they went into, where doses are no recipe.
        fields
            Words of your own by name, such as date, base lot, paste lots, fragrance and its share,
            and where it went: at most 40.

        Returns
        -------
        int
            The number of the batch.

        Raises
        ------
        UnknownNameError
            For a paste or a base that the journal doesn't have.
        PourError, FileError
            For a dose or field that can't be; if the file can't be written.
        """
        return self._poured(doses, pour, fields, None).batch

    def measured(
        self,
        batch: int,
        measured: HoldsTarget | Sequence[float],
        *,
        view: View | None = None,
        means: Means | None = None,
        instrument: str = "",
        age_days: float | None = None,
    ) -> Lesson:
        """A batch, once it is measured.

        Parameters
        ----------
        batch
            Its number.
        measured
            CIELAB in the view; or a `Target` (a spectrum is used as such), or a photo's colour.
        view
            How it was looked at; by default D65 on white paper, and for a target its own light.
        means
            ``"colorimeter"`` or ``"phone"``; by default a phone where the colour brings a
            covariance, as photos do.
        instrument
            What it is called, where there are several of a kind.
        age_days
            How old the bar was. It is kept; fading is not reckoned with.

        Raises
        ------
        PourError, ColourError, SpectrumError
            For a batch that is not there, or what is not a measured colour.
        FileError
            If the file can't be written.
        """
        reading = reading_of(measured, view, means, instrument, age_days)

        def make(number: int) -> Event:
            held = self._history.batch(batch)
            self._history.check_new(held.recipe.doses, held.recipe.pour, reading)
            return Measured(event=number, at=now(), batch=held.number, reading=reading)

        event = self._history.write(make).event
        return self._history.lessons[event]

    def new_tube(self, pigment: str, *, tube_size: float | None = None) -> None:
        """A new tube of a paste was opened.

        Parameters
        ----------
        pigment
            Which.
        tube_size
            What it holds [unit]; by default as much as the last.

        Raises
        ------
        UnknownNameError
            For a paste that the journal doesn't have.
        """
        name = self._history.paste(pigment)
        if tube_size is not None:
            tube_size = between(tube_size, "tube_size", 0.01, 10_000.0, f"Give it in {self.unit}")
        self._history.write(lambda n: NewTube(event=n, at=now(), pigment=name, tube_size=tube_size))

    def new_base(self, base: str) -> None:
        """A further base came into use: from now on batches are poured into it by this name.

        Until a bar in it is measured it is believed to be clear base, with much left open: above
        all how far it is browned.

        Parameters
        ----------
        base
            Its name, as in `Pour.base`.

        Raises
        ------
        PaletteError, PourError
            If the name is there already, or can't be one.
        """
        expect(base, str, "base", "Give a text")
        check_name(base, "base", PaletteError)

        def make(number: int) -> Event:
            check_names("bases", (*self._history.studio.bases, base))
            return NewBase(event=number, at=now(), base=base)

        self._history.write(make)

    def added(
        self,
        batch: int,
        doses: Correction | Addition | Mapping[str, float],
        *,
        clear_g: float = 0.0,
        white_g: float = 0.0,
        fields: Mapping[str, object] | None = None,
    ) -> None:
        """What was added to a batch that came out off.

        Parameters
        ----------
        batch
            Its number.
        doses
            The `Correction` whose advice was followed, one of its additions, or paste by name
            [unit].
        clear_g, white_g
            Base that was added [g], beside doses by name; clear, or the named base that the batch
            is in.
        fields
            Words of your own, as for `pour`.

        Raises
        ------
        PourError, UnknownNameError, FileError
            As `pour` does.
        """
        given, grams = added_of(doses, clear_g, white_g, self._history)
        words = fields_of(fields)

        def make(number: int) -> Event:
            return Added(
                event=number,
                at=now(),
                batch=self._history.batch(batch).number,
                doses=given,
                clear_g=grams[0],
                white_g=grams[1],
                fields=words,
            )

        self._history.write(make)

    def correct(
        self,
        batch: int,
        measured: HoldsTarget | Sequence[float],
        target: HoldsTarget | str | None = None,
        *,
        view: View | None = None,
        means: Means | None = None,
        instrument: str = "",
        **options: Any,
    ) -> Correction:
        """What to add to a batch that came out off; its reading is kept and learnt, once.

        Tell what was added with `added`, and what it came to with `measured`.

        Parameters
        ----------
        batch, measured, view, means, instrument
            As for `measured`.
        target
            The colour that was wanted; by default the one that the batch was poured for.
        **options
            Others of `shadematch.correct`: within, max_load, pot_g, bases, must_avoid.

        Raises
        ------
        ShadematchError
            As `measured` and `shadematch.correct` do; also where no colour was wanted.
        """
        reading = reading_of(measured, view, means, instrument, None)
        held = self._history.batch(batch)
        found = correction_of(self._history, held, reading, target, options)
        if self._history.batch_with(held.recipe.doses, held.recipe.pour, reading) is None:
            self._history.write(
                lambda n: Measured(event=n, at=now(), batch=held.number, reading=reading)
            )
        return found

    def void(self, what: int | Lesson, *, reading_only: bool = False, why: str = "") -> None:
        """Something that doesn't count: a miscounted bar, a batch that was never poured.

        Nothing is erased: that it is void is one more event.

        Parameters
        ----------
        what
            Number of the batch, or a lesson from it. All that was measured of it goes with it, and
            its paste is not counted.
        reading_only
            Whether only what was measured last goes, or what the lesson rests on.
        why
            In words.

        Raises
        ------
        PourError
            If there is no such batch, or nothing was measured of it.
        """
        expect(why, str, "why", "Say in words why")
        expect(reading_only, bool, "reading_only", "Give True or False")

        def make(number: int) -> Event:
            of = (
                self._history.reading_event(what)
                if reading_only
                else self._history.poured_event(what)
            )
            return Voided(event=number, at=now(), of=of, why=why)

        self._history.write(make)

    def let_in(self, what: int | Lesson, *, why: str = "") -> Lesson:
        """A bar that was put aside and is right: it counts whatever it says.

        Parameters
        ----------
        what
            Its lesson, or the number of the batch: what was measured last of it.
        why
            In words.

        Raises
        ------
        PourError
            If there is no such batch, nothing was measured of it, or it counts already.
        """
        expect(why, str, "why", "Say in words why")
        of = self._history.reading_event(what, aside=True)
        self._history.write(lambda n: LetIn(event=n, at=now(), of=of, why=why))
        return self._history.lessons[of]

    @classmethod
    def from_table(cls, table: str | os.PathLike[str], path: str | os.PathLike[str]) -> Journal:
        """A journal from a table that `save_table` wrote, in a new file.

        Raises
        ------
        FileError
            If the table can't be read or a line of it is wrong, which is named; if a file is there.
        """
        events = events_in(read_text(table, kind="table of a journal"), str(table))
        check_whole(events, str(table))
        write_text(path, "".join(f"{line_of(event)}\n" for event in events))
        return cls(path)

    def _poured(
        self,
        doses: Mapping[str, float] | Recipe | Match,
        pour: Pour | None,
        fields: Mapping[str, object] | None,
        reading: Reading | None,
    ) -> Poured:
        given, into, wanted = batch_of(doses, pour, self._history)
        words = fields_of(fields)

        def make(number: int) -> Event:
            self._history.check_new(given, into, reading)
            batches = [e.batch for e in self._history.events if isinstance(e, Poured)]
            return Poured(
                event=number,
                at=now(),
                batch=max(batches, default=0) + 1,
                doses=given,
                pour=into,
                wanted=wanted,
                fields=words,
                reading=reading,
            )

        return cast(Poured, self._history.write(make))
