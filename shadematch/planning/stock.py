"""What is on the shelf, and what more of it costs."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, ClassVar, Self

from pydantic import BeforeValidator, Field, field_validator, model_validator
from pydantic_core import PydanticCustomError

from shadematch.errors import PourError, ShadematchError
from shadematch.studio.palette import Palette
from shadematch.support.models import Frozen, Name, Number, expect

__all__ = ["Stock", "Tubes", "Whole"]


def _plain_whole(value: object) -> object:
    if isinstance(value, bool) or not isinstance(value, int):
        raise PydanticCustomError("whole", "must be a whole number")
    return value


Whole = Annotated[int, BeforeValidator(_plain_whole)]
"""A whole number; texts, truth values and fractions are refused."""


class Tubes(Frozen):
    """The tubes of one pigment.

    Attributes
    ----------
    pigment
        Its name in the palette.
    full
        Full tubes on the shelf.
    opened
        Paste left in each part-used tube [cm].
    tube_size, price
        Paste in a full tube [cm], 85 to 90 (common practice, no source), and what a new one
        costs; by default the palette's.
    most
        How many can be bought at most; None for any number.
    """

    _error: ClassVar[type[ShadematchError]] = PourError
    pigment: Name
    full: Annotated[Whole, Field(ge=0, le=10_000)] = 0
    opened: tuple[Annotated[Number, Field(ge=0)], ...] = ()
    tube_size: Annotated[Number, Field(ge=0.01, le=10_000)] | None = None
    price: Annotated[Number, Field(ge=0, le=1e9)] | None = None
    most: Annotated[Whole, Field(ge=0, le=10_000)] | None = None

    @field_validator("opened", mode="before")
    @classmethod
    def _one_or_more(cls, value: Any) -> Any:
        return tuple(value) if isinstance(value, list) else value


class Stock(Frozen):
    """What is on the shelf.

    Attributes
    ----------
    tubes
        One entry for each pigment; of a pigment without an entry there is nothing.
    clear_g, white_g
        Base on the shelf [g]; None for as much as is needed.
    clear_price_kg, white_price_kg
        What a kilogram costs; None if not known (then it counts as nothing).
    """

    _error: ClassVar[type[ShadematchError]] = PourError
    tubes: tuple[Tubes, ...] = ()
    clear_g: Annotated[Number, Field(ge=0)] | None = None
    white_g: Annotated[Number, Field(ge=0)] | None = None
    clear_price_kg: Annotated[Number, Field(ge=0, le=1e9)] | None = None
    white_price_kg: Annotated[Number, Field(ge=0, le=1e9)] | None = None

    @field_validator("tubes", mode="before")
    @classmethod
    def _listed(cls, value: Any) -> Any:
        return tuple(value) if isinstance(value, list) else value

    @model_validator(mode="after")
    def _names(self) -> Self:
        names = [t.pigment for t in self.tubes]
        twice = sorted({n for n in names if names.count(n) > 1})
        if twice:
            raise PourError(
                "a pigment stands twice",
                field="tubes",
                value=twice[0],
                remedy="Put all its tubes into one entry",
            )
        return self

    @classmethod
    def of(cls, full: Mapping[str, int], **rest: Any) -> Stock:
        """A shelf of full tubes: names and numbers; `rest` as for `Stock`."""
        expect(full, Mapping, "full", "Give names and numbers, such as {'gorse': 2}")
        return cls(tubes=tuple(Tubes(pigment=n, full=count) for n, count in full.items()), **rest)

    def without(self, *names: str) -> Stock:
        """The same shelf with no tube of these pigments, and none to be had.

        Raises
        ------
        PourError
            If a name is no text.
        """
        for name in names:
            expect(name, str, "names", "Give names of pigments")
        kept = [t for t in self.tubes if t.pigment not in names]
        gone = [Tubes(pigment=name, most=0) for name in dict.fromkeys(names)]
        return self.model_copy(update={"tubes": (*kept, *gone)})

    def row(self, pigment: str) -> Tubes:
        """The tubes of a pigment; an empty entry where there is none."""
        return next((t for t in self.tubes if t.pigment == pigment), Tubes(pigment=pigment))

    def tube_size(self, pigment: str, palette: Palette) -> float:
        """Paste in a full tube [cm]."""
        expect(palette, Palette, "palette", "Use load_palette(...)")
        own = self.row(pigment).tube_size
        return palette[pigment].tube_size if own is None else own

    def price(self, pigment: str, palette: Palette) -> float | None:
        """What a new tube costs."""
        expect(palette, Palette, "palette", "Use load_palette(...)")
        own = self.row(pigment).price
        return palette[pigment].tube_price if own is None else own

    def shelf(self, pigment: str, palette: Palette) -> float:
        """Paste of a pigment on the shelf [cm].

        Raises
        ------
        PourError
            If a part-used tube holds more than a full one.
        """
        row, tube = self.row(pigment), self.tube_size(pigment, palette)
        for left in row.opened:
            if left > tube:
                raise PourError(
                    f"is more than a full tube of {tube:g} cm",
                    field=f"tubes.{pigment}.opened",
                    value=left,
                    remedy="Give what is left in each tube by itself, in cm",
                )
        return row.full * tube + sum(row.opened)

    def check(self, palette: Palette) -> None:
        """Complain of entries that the palette doesn't know, and of tubes that can't be.

        Raises
        ------
        UnknownNameError, PourError
        """
        expect(palette, Palette, "palette", "Use load_palette(...)")
        for row in self.tubes:
            palette.index(row.pigment)
            self.shelf(row.pigment, palette)

    def __str__(self) -> str:
        """In plain words."""
        lines = []
        for row in self.tubes:
            parts = [f"{row.full} full"] if row.full else []
            parts += [f"{left:g} cm" for left in row.opened]
            lines.append(f"{row.pigment}: {' + '.join(parts) or 'none'}")
        for word, grams in (("clear base", self.clear_g), ("white base", self.white_g)):
            if grams is not None:
                lines.append(f"{word}: {grams:g} g")
        return "\n".join(lines) or "an empty shelf"
