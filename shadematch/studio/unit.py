"""The unit of a palette's doses: centimetres squeezed out along a ruler, or grams weighed."""

from __future__ import annotations

from typing import Final, Literal, get_args

from shadematch.errors import PourError, ShadematchError

__all__ = [
    "UNITS",
    "USUAL_TUBE_CM",
    "Unit",
    "check_unit",
    "checked_unit",
    "quantity_in",
    "steps_in",
]

Unit = Literal["cm", "g"]
"""The unit of every dose, dose step, tube and load (per 100 g of base) of a palette."""
UNITS: Final[tuple[Unit, ...]] = get_args(Unit)
USUAL_TUBE_CM: Final = 87.0
"""Paste in a full tube if nobody entered it: 85 to 90 cm (common practice, no source)."""
_WHOLE: Final = {"cm": "whole centimetres", "g": "whole grams"}
_MEASURED: Final = {"cm": "length", "g": "mass"}


def checked_unit(value: object, error: type[ShadematchError] = PourError) -> Unit:
    """The value if it is a unit, else `error`."""
    for unit in UNITS:
        if isinstance(value, str) and value == unit:
            return unit
    raise error("must be 'cm' or 'g'", field="unit", value=value, remedy="Take one of these")


def check_unit(given: Unit, wanted: Unit, field: str, *, of: str = "the palette's doses") -> None:
    """Refuse to mix units, with a `PourError`."""
    if given != wanted:
        raise PourError(
            f"is in {given}, and {of} are in {wanted}",
            field=field,
            value=given,
            remedy=f"Give it in {wanted} and say unit={wanted!r}, "
            f"or take a palette whose unit is {given}",
        )


def quantity_in(unit: Unit) -> str:
    """What a dose is: a length or a mass."""
    return _MEASURED[unit]


def steps_in(unit: Unit, step: float) -> str:
    """What doses are multiples of, in words: whole centimetres, or steps of 0.5 g."""
    return _WHOLE[unit] if step == 1.0 else f"steps of {step:g} {unit}"
