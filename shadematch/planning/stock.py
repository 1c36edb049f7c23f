"""What is on the shelf, and what more of it costs."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Annotated, Any, ClassVar, Self

from pydantic import BeforeValidator, Field, model_validator
from pydantic_core import PydanticCustomError

from shadematch.errors import PourError, ShadematchError
from shadematch.studio.palette import Palette
from shadematch.studio.pour import CLEAR, base_named
from shadematch.studio.unit import USUAL_TUBE_CM, Unit, check_unit
from shadematch.support.models import Frozen, Name, Number, expect, first_twice
from shadematch.support.report import Report, Reported, Row

__all__ = [
    "Stock",
    "Tubes",
    "Whole",
    "assumed_in_words",
    "kind_named",
    "unlisted_in_words",
]


def _plain_whole(value: object) -> object:
    if isinstance(value, bool) or not isinstance(value, int):
        raise PydanticCustomError("whole", "must be a whole number")
    return value


Whole = Annotated[int, BeforeValidator(_plain_whole)]
"""A whole number; strings, booleans and fractions are refused."""


def kind_named(kind: str) -> str:
    """What to call a base, ``"clear"``, ``"white"`` or one of a palette's further bases."""
    return base_named(1.0) if kind == "white" else base_named(0.0, kind)


def assumed_in_words(names: Sequence[str]) -> str:
    """The assumption about these pigments' tubes; empty without any."""
    if not names:
        return ""
    return f"a full tube of {', '.join(names)} holds {USUAL_TUBE_CM:g} cm (not entered)"


def unlisted_in_words(stock: Stock, kinds: Iterable[str]) -> str:
    """That there is enough of these further bases the shelf doesn't list; empty without any."""
    listed = {"clear", "white", *stock.bases_g, *stock.bases_price_kg}
    missing = [kind_named(kind) for kind in kinds if kind not in listed]
    return f"enough of {', '.join(missing)} is there (not listed)" if missing else ""


class Tubes(Frozen):
    """The tubes of one pigment.

    Attributes
    ----------
    pigment
        Its name in the palette.
    full
        Full tubes on the shelf.
    opened
        Paste left in each part-used tube [the stock's unit].
    tube_size, price
        Paste in a full tube [the stock's unit], and the price of a new one; by default the
        palette's.
    most
        Most tubes that can be bought; None for any number.
    """

    _error: ClassVar[type[ShadematchError]] = PourError
    pigment: Name
    full: Annotated[Whole, Field(ge=0, le=10_000)] = 0
    opened: tuple[Annotated[Number, Field(ge=0)], ...] = ()
    tube_size: Annotated[Number, Field(ge=0.01, le=10_000)] | None = None
    price: Annotated[Number, Field(ge=0, le=1e9)] | None = None
    most: Annotated[Whole, Field(ge=0, le=10_000)] | None = None


class Stock(Reported, Frozen):
    """What is on the shelf.

    Attributes
    ----------
    tubes
        One entry for each pigment; a pigment without an entry has no tubes.
    unit
        Unit of paste in tubes, ``"cm"`` or ``"g"``, the same as the palette's. Unused if no
        entry gives an amount of paste.
    clear_g, white_g
        Base on the shelf [g]; None for as much as is needed.
    clear_price_kg, white_price_kg
        Price of a kilogram; None if unknown (it then counts as nothing).
    bases_g, bases_price_kg
        The same of the palette's further bases, by name.
    """

    _error: ClassVar[type[ShadematchError]] = PourError
    tubes: tuple[Tubes, ...] = ()
    unit: Unit = "cm"
    clear_g: Annotated[Number, Field(ge=0)] | None = None
    white_g: Annotated[Number, Field(ge=0)] | None = None
    clear_price_kg: Annotated[Number, Field(ge=0, le=1e9)] | None = None
    white_price_kg: Annotated[Number, Field(ge=0, le=1e9)] | None = None
    bases_g: dict[Name, Annotated[Number, Field(ge=0)]] = Field(default_factory=dict)
    bases_price_kg: dict[Name, Annotated[Number, Field(ge=0, le=1e9)]] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _names(self) -> Self:
        if twice := first_twice(t.pigment for t in self.tubes):
            remedy = "Put all its tubes into one entry"
            raise PourError("a pigment appears twice", field="tubes", value=twice, remedy=remedy)
        for field, given in (("g", self.bases_g), ("price_kg", self.bases_price_kg)):
            for kind in given.keys() & {"clear", "white"}:
                raise PourError(
                    "has an entry of its own",
                    field=f"bases_{field}",
                    value=kind,
                    remedy=f"Give {kind}_{field}",
                )
        return self

    def base_g(self, kind: str) -> float | None:
        """Base on the shelf [g], ``"clear"``, ``"white"`` or a name; None for as much as needed."""
        expect(kind, str, "kind", "Give 'clear', 'white' or a name")
        return {"clear": self.clear_g, "white": self.white_g, **self.bases_g}.get(kind)

    def base_price_kg(self, kind: str) -> float | None:
        """What a kilogram of a base costs; None if not known."""
        expect(kind, str, "kind", "Give 'clear', 'white' or a name")
        known = {"clear": self.clear_price_kg, "white": self.white_price_kg, **self.bases_price_kg}
        return known.get(kind)

    @classmethod
    def of(
        cls,
        full: Mapping[str, int] | None = None,
        *,
        left: Mapping[str, float] | None = None,
        **rest: Any,
    ) -> Stock:
        """A shelf, by names of pigments.

        Parameters
        ----------
        full
            Number of full tubes.
        left
            Paste left in an open tube [unit], such as `Journal.left`.
        **rest
            As for `Stock`.
        """
        for field, given in (("full", full), ("left", left)):
            if given is not None:
                expect(given, Mapping, field, "Give names and numbers, such as {'gorse': 2}")
        full, left = dict(full or {}), dict(left or {})
        return cls(
            tubes=tuple(
                Tubes(
                    pigment=name,
                    full=full.get(name, 0),
                    opened=(left[name],) if left.get(name) else (),
                )
                for name in dict.fromkeys([*full, *left])
            ),
            **rest,
        )

    def without(self, *names: str) -> Stock:
        """The same shelf without tubes of these pigments, and none for sale."""
        for name in names:
            expect(name, str, "names", "Give names of pigments")
        lost = {name.casefold() for name in names}
        kept = [t for t in self.tubes if t.pigment.casefold() not in lost]
        gone = [Tubes(pigment=name, most=0) for name in dict.fromkeys(names)]
        return self.model_copy(update={"tubes": (*kept, *gone)})

    def row(self, pigment: str) -> Tubes:
        """The tubes of a pigment; an empty entry if there is none.

        Case is ignored, unless two entries differ in it alone.
        """
        expect(pigment, str, "pigment", "Give its name")
        same = [t for t in self.tubes if t.pigment.casefold() == pigment.casefold()]
        exact = [t for t in same if t.pigment == pigment]
        return (exact or same[:1] or [Tubes(pigment=pigment)])[0]

    def tube_size(self, pigment: str, palette: Palette) -> float:
        """Paste in a full tube [palette's unit]; 87 cm if nobody entered it.

        Raises
        ------
        PourError
            If paste is weighed and nobody entered it.
        """
        expect(palette, Palette, "palette", "Give a Palette, such as read('mine.json')")
        size = self._entered(pigment, palette)
        if size is None and palette.unit != "cm":
            raise PourError(
                "nobody entered how much a full tube holds",
                field=f"tubes.{pigment}.tube_size",
                remedy=f"Give it in {palette.unit}, in the stock or in the palette: what the tube "
                "says, or a full one less an empty one on the scale",
            )
        return USUAL_TUBE_CM if size is None else size

    def assumed(self, palette: Palette) -> tuple[str, ...]:
        """Pigments whose tube size nobody entered."""
        expect(palette, Palette, "palette", "Give a Palette, such as read('mine.json')")
        return tuple(n for n in palette.names if self._entered(n, palette) is None)

    def _entered(self, pigment: str, palette: Palette) -> float | None:
        own = self.row(pigment).tube_size
        return palette[pigment].tube_size if own is None else own

    def price(self, pigment: str, palette: Palette) -> float | None:
        """Price of a new tube; None if unknown."""
        expect(palette, Palette, "palette", "Give a Palette, such as read('mine.json')")
        own = self.row(pigment).price
        return palette[pigment].tube_price if own is None else own

    def shelf(self, pigment: str, palette: Palette) -> float:
        """Paste of a pigment on the shelf [palette's unit].

        Raises
        ------
        PourError
            If a part-used tube holds more than a full one, or as `tube_size` does.
        """
        row = self.row(pigment)
        if not row.full and not row.opened:
            return 0.0
        tube = self.tube_size(pigment, palette)
        for left in row.opened:
            if left > tube:
                raise PourError(
                    f"is more than a full tube of {tube:g} {palette.unit}",
                    field=f"tubes.{pigment}.opened",
                    value=left,
                    remedy=f"Give what is left in each tube by itself, in {palette.unit}",
                )
        return row.full * tube + sum(row.opened)

    def check(self, palette: Palette) -> None:
        """Refuse pigments that the palette lacks, another unit, and impossible tubes.

        Raises
        ------
        UnknownNameError, PourError
        """
        expect(palette, Palette, "palette", "Give a Palette, such as read('mine.json')")
        if any(row.opened or row.tube_size is not None for row in self.tubes):
            check_unit(self.unit, palette.unit, "stock")
        for row in self.tubes:
            palette.index(row.pigment)
            self.shelf(row.pigment, palette)
        for kind in (*self.bases_g, *self.bases_price_kg):
            palette.base(kind, "stock, base")  # refuses what it lacks

    def report(self) -> Report:
        """What is on it."""
        rows = []
        for row in self.tubes:
            parts = [f"{row.full} full"] if row.full else []
            parts += [f"{left:g} {self.unit}" for left in row.opened]
            rows.append(Row(row.pigment, " + ".join(parts) or "none"))
        rows += [
            Row(kind_named(kind), f"{grams:g} g")
            for kind in (CLEAR, "white", *self.bases_g)
            if (grams := self.base_g(kind)) is not None
        ]
        return Report(rows=tuple(rows) or (Row("shelf", "empty"),), cautions=False)
