"""Batches and tubes, from the events."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Final

from shadematch.errors import FileError
from shadematch.journal.events import (
    Added,
    Begun,
    Event,
    LetIn,
    Measured,
    NewBase,
    NewTube,
    Poured,
    Voided,
)
from shadematch.journal.seeing import Bar
from shadematch.journal.unknowns import Instrument, Tube
from shadematch.studio.named import check_names
from shadematch.studio.pour import CLEAR
from shadematch.studio.recipe import Recipe
from shadematch.studio.unit import USUAL_TUBE_CM, Unit
from shadematch.support.arrays import Triple

__all__ = ["Batch", "Shelf", "Studio"]

_SURELY: Final = 1.1
"""Multiple of a tube's contents beyond which paste must have come from another tube."""


@dataclass(frozen=True)
class Batch:
    """A batch in the journal.

    Attributes
    ----------
    number
        Its number, as on its sheet.
    recipe
        What is in it, additions included.
    wanted
        The wanted colour, CIELAB under D65 for the 2 degree observer; or None.
    fields
        The maker's own notes by name.
    at
        When it was written down (ISO 8601).
    measured
        Its measured colours, CIELAB in the view of each reading, the last first.
    """

    number: int
    recipe: Recipe
    wanted: Triple | None = None
    fields: Mapping[str, str] = field(default_factory=dict, compare=False)
    at: str = ""
    measured: tuple[Triple, ...] = ()

    def __str__(self) -> str:
        """In plain words."""
        seen = f", measured {len(self.measured)} times" if len(self.measured) > 1 else ""
        seen = ", measured" if len(self.measured) == 1 else seen
        return f"{self.number}: {self.recipe} into {self.recipe.pour}{seen or ', not measured'}"


@dataclass(frozen=True)
class Shelf:
    """The open tube of one paste.

    Attributes
    ----------
    pigment
        The paste.
    opened
        Number of the tube, from 1.
    used
        Paste taken from it [unit].
    tube_size
        Paste in it when full [unit]; None if unknown, for doses in g.
    assumed_new
        Whether it is assumed to be new because the one before can't have held so much.
    """

    pigment: str
    opened: int
    used: float
    tube_size: float | None
    assumed_new: bool = False

    @property
    def left(self) -> float | None:
        """Paste left in it [unit], at least 0; None if its size is unknown."""
        return None if self.tube_size is None else max(self.tube_size - self.used, 0.0)

    @property
    def doubtful(self) -> bool:
        """Whether more was taken from it than it held, or it is assumed to be new."""
        return self.assumed_new or (self.tube_size is not None and self.used > self.tube_size)


class Studio:
    """Batches, tubes and bars after all events that were not voided."""

    def __init__(self, events: Iterable[Event] = ()) -> None:
        self.unit: Unit = "cm"
        self.batches: dict[int, Batch] = {}
        self.shelf: dict[str, Shelf] = {}
        self.bases: tuple[str, ...] = ()
        """Names of further bases, beside clear and white."""
        self.trusted: set[int] = set()
        """Events whose readings are never put aside."""
        self._tubes: dict[int, dict[str, Tube]] = {}
        every = list(events)
        voided = {e.of for e in every if isinstance(e, Voided)}
        batches = {e.batch for e in every if isinstance(e, Poured) and e.event in voided}
        self.bars: list[tuple[int, Bar, dict[str, Tube]]] = []
        """Event, bar and open tubes of each reading that counts."""
        self.trusted |= {e.of for e in every if isinstance(e, LetIn)}
        for event in every:
            gone = event.event in voided or getattr(event, "batch", None) in batches
            if not gone:
                self.take(event)

    def take(self, event: Event) -> None:
        """Apply one event.

        Raises
        ------
        FileError
            If it names an unknown paste or batch.
        """
        self._check(event)
        if isinstance(event, Begun):
            self.unit, self.bases = event.unit, event.all_bases
            usual = USUAL_TUBE_CM if event.unit == "cm" else None
            own = (
                {}
                if event.palette is None
                else {p.name: p.tube_size for p in event.palette.pigments}
            )
            for name in event.pigments:
                size = event.tube_size.get(name) or own.get(name) or usual
                self.shelf[name] = Shelf(name, 1, 0.0, size)
        elif isinstance(event, NewBase):
            self.bases = (*self.bases, event.base)
        elif isinstance(event, NewTube):
            old = self.shelf[event.pigment]
            size = event.tube_size or old.tube_size
            # A tube assumed to be new is the one announced now.
            opened, used = old.opened + (not old.assumed_new), old.used if old.assumed_new else 0.0
            self.shelf[event.pigment] = Shelf(event.pigment, opened, used, size)
        elif isinstance(event, Poured):
            recipe = Recipe(event.doses, event.pour, unit=self.unit)
            self.batches[event.batch] = Batch(
                event.batch, recipe, event.wanted, dict(event.fields), event.at
            )
            self._tubes[event.batch] = self._from_tubes(recipe.doses)
            if event.reading is not None:
                self._measured(event, event.batch)
        elif isinstance(event, Added):
            self._added(event)
        elif isinstance(event, Measured):
            self._measured(event, event.batch)

    def _check(self, event: Event) -> None:
        pastes = [*event.doses] if isinstance(event, Poured | Added) else []
        pastes += [event.pigment] if isinstance(event, NewTube) else []
        strange = [n for n in pastes if n not in self.shelf]
        if strange:
            raise FileError(
                "is not one of the journal's pastes",
                field=f"event {event.event}",
                value=strange[0],
                remedy=f"There are {', '.join(self.shelf)}",
            )
        if isinstance(event, Poured) and event.pour.base not in (CLEAR, *self.bases):
            raise FileError(
                "is not one of the journal's bases",
                field=f"event {event.event}",
                value=event.pour.base,
                remedy=f"There are {', '.join((CLEAR, *self.bases))}",
            )
        if isinstance(event, NewBase):
            check_names("bases", (*self.bases, event.base))
        if isinstance(event, Poured) == (getattr(event, "batch", None) in self.batches) and (
            isinstance(event, Poured | Added | Measured)
        ):
            raise FileError(
                "appears twice" if isinstance(event, Poured) else "was never poured",
                field=f"event {event.event}",
                value=f"batch {event.batch}",
                remedy="Restore the file from a copy; lines are only ever added to it",
            )

    @property
    def open(self) -> dict[str, Tube]:
        """The open tube of each paste."""
        return {name: Tube(name, row.opened - 1) for name, row in self.shelf.items()}

    def _from_tubes(self, doses: Mapping[str, float]) -> dict[str, Tube]:
        for name, dose in doses.items():
            row = self.shelf[name]
            used = row.used + dose
            if row.tube_size is not None and used > _SURELY * row.tube_size and row.used > 0:
                more = max(used - row.tube_size, 0.0)
                row = Shelf(name, row.opened + 1, more, row.tube_size, assumed_new=True)
            else:
                row = replace(row, used=used)
            self.shelf[name] = row
        return {name: Tube(name, self.shelf[name].opened - 1) for name in doses}

    def _added(self, event: Added) -> None:
        batch = self.batches[event.batch]
        old = batch.recipe
        doses = dict(old.doses)
        for name, dose in event.doses.items():
            doses[name] = doses.get(name, 0.0) + dose
        mass = old.pour.batch_g + event.clear_g + event.white_g
        white = (old.pour.white_g + event.white_g) / mass
        pour = old.pour.model_copy(update={"batch_g": mass, "white": min(white, 1.0)})
        tubes = self._from_tubes({n: d for n, d in event.doses.items() if d})
        self._tubes[event.batch] = {**tubes, **self._tubes[event.batch]}
        fields = {**batch.fields, **event.fields}
        recipe = Recipe(doses, pour, unit=self.unit)
        self.batches[event.batch] = replace(batch, recipe=recipe, fields=fields)

    def _measured(self, event: Poured | Measured, number: int) -> None:
        reading, batch = event.reading, self.batches[number]
        assert reading is not None
        recipe = batch.recipe
        pour = reading.of(recipe.doses, recipe.pour, self.unit, f"batch {number}")
        self.batches[number] = replace(batch, measured=(pour.lab_seen, *batch.measured))
        bar = Bar(
            number,
            pour,
            tuple(self._tubes[number][name] for name in recipe.doses),
            Instrument(reading.means, reading.instrument),
        )
        self.bars.append((event.event, bar, self.open))
