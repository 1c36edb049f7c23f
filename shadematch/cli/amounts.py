"""Numbers, masses, lengths and doses as people type them: 2, 2.5, 2,5, 1kg, 20mm, gorse=2,5."""

from __future__ import annotations

import argparse
import re
from collections.abc import Callable, Mapping, Sequence
from decimal import Decimal
from typing import Final

from shadematch.cli.parsing import reader
from shadematch.errors import PourError
from shadematch.studio.recipe import LetDown
from shadematch.studio.unit import Unit, check_unit

__all__ = [
    "BACKING",
    "COUNT",
    "LENGTH",
    "LENGTHS",
    "MASS",
    "MASSES",
    "MILLIMETRES",
    "NUMBER",
    "SHARE",
    "SHARES",
    "read_doses",
    "read_length",
    "read_let_down",
    "read_share",
]

_NUMBER: Final = r"[-+]?(?:\d+[.,]?\d*|[.,]\d+)(?:[eE][-+]?\d{1,3})?"
_AMOUNT: Final = re.compile(rf"\s*({_NUMBER})\s*([a-zA-Z%]*)\s*")
_GROUPED: Final = re.compile(r"[-+]?[1-9]\d{0,2},\d{3}")
"""A number that is 1000 to some and 1 to others."""
_TENTH: Final = Decimal("0.1")
_UNITS: Final[Mapping[str, Mapping[str, Decimal]]] = {
    "": {},
    "g": {"g": Decimal(1), "kg": Decimal(1000), "mg": Decimal("0.001")},
    "cm": {"cm": Decimal(1), "mm": _TENTH},
    "mm": {"mm": Decimal(1), "cm": Decimal(10)},
    "%": {"%": Decimal("0.01")},
}
"""Each unit in terms of the one used."""


def _amount(text: str, unit: str) -> float:
    """A number in `unit`, given with or without a unit.

    A `ValueError` if it is not one, an `ArgumentTypeError` if it could be two.
    """
    found = _AMOUNT.fullmatch(text)
    if found is None:
        raise ValueError(text)
    number, own = found[1], found[2].lower()
    if _GROUPED.fullmatch(number):
        raise argparse.ArgumentTypeError(
            f"could mean {number.replace(',', '')} or {number.replace(',', '.')} "
            f"(got {text.strip()!r}). Write one of these"
        )
    plain = Decimal(number.replace(",", "."))
    if own and own not in _UNITS[unit]:
        raise ValueError(text)
    return float(plain * _UNITS[unit][own]) if own else float(plain)


def _one(unit: str) -> Callable[[str], float]:
    return lambda text: _amount(text, unit)


def _list(unit: str) -> Callable[[str], tuple[float, ...]]:
    def read(text: str) -> tuple[float, ...]:
        # Commas are decimal if something else separates the numbers.
        words = re.split(r"[;\s]+", text.strip()) if re.search(r"[;\s]", text.strip()) else None
        return tuple(_amount(word, unit) for word in words or text.split(","))

    return read


def _to_backing(text: str) -> str | float:
    if text in ("white", "black"):
        return text
    if 0 <= (value := _amount(text, "%")) <= 1:
        return value
    raise ValueError(text)


NUMBER: Final = reader(_one(""), "a number such as 2 or 0.5")
COUNT: Final = reader(int, "a whole number such as 2")
MASS: Final = reader(_one("g"), "a mass in g such as 500, or 1kg")
LENGTH: Final = reader(_one("cm"), "a length in cm such as 2 or 0.5, or 5mm")
MILLIMETRES: Final = reader(_one("mm"), "a height in mm such as 3, or 0.3cm")
SHARE: Final = reader(_one("%"), "a fraction such as 0.05, or 5%")
MASSES: Final = reader(_list("g"), "masses in g such as 250,500")
LENGTHS: Final = reader(_list("cm"), "lengths in cm such as 0.5,1,2")
SHARES: Final = reader(_list("%"), "fractions such as 0,0.1,0.5")
BACKING: Final = reader(_to_backing, "white, black or a reflectance from 0 to 1")


def read_length(text: str) -> float | None:
    """A length [cm]; None for anything else."""
    return _or_none(text, "cm")


def read_share(text: str) -> float | None:
    """A fraction; None for anything else."""
    return _or_none(text, "%")


def _or_none(text: str, unit: str) -> float | None:
    try:
        return _amount(text, unit)
    except (ValueError, argparse.ArgumentTypeError):
        return None


def _dose(text: str, unit: Unit, whole: str, remedy: str) -> float:
    """A dose in a palette's unit; anything else in `whole`, the word typed, is a `PourError`."""
    found = _AMOUNT.fullmatch(text)
    own = found[2].lower() if found else ""
    other: Unit = "g" if unit == "cm" else "cm"
    if own in _UNITS[other]:
        check_unit(other, unit, whole)
    try:
        return _amount(text, unit)
    except argparse.ArgumentTypeError as unclear:
        problem, _, remedy = str(unclear).partition(". ")
        problem = problem.partition(" (got")[0]
        raise PourError(problem, field="NAME=DOSE", value=whole, remedy=remedy) from None
    except ValueError:
        raise PourError("is not a dose", field="NAME=DOSE", value=whole, remedy=remedy) from None


def read_doses(pairs: Sequence[str], unit: Unit) -> dict[str, float]:
    """Doses written as NAME=DOSE, in a palette's unit, each once; else a `PourError`."""
    doses: dict[str, float] = {}
    remedy = "Write each dose as NAME=DOSE, for instance gorse=3"
    for pair in pairs:
        name, equals, amount = (part.strip() for part in pair.rpartition("="))
        if not equals:
            raise PourError("is not a dose", field="NAME=DOSE", value=pair, remedy=remedy)
        if name in doses:
            once = "Give each pigment once"
            raise PourError("appears twice", field="NAME=DOSE", value=pair, remedy=once)
        doses[name] = _dose(amount, unit, pair, remedy)
    return doses


def read_let_down(text: str, *, unit: Unit, step_g: float | None, white: float | None) -> LetDown:
    """A let-down written as NAME=DOSE/G: so much paste in so many g of base."""
    name, equals, strength = text.rpartition("=")
    paste, slash, base = strength.partition("/")
    base_g = _or_none(base, "g")
    remedy = "Write it as NAME=DOSE/G, for instance gorse=1/50"
    if not equals or not slash or base_g is None:
        raise PourError("is not a let-down", field="--let-down", value=text, remedy=remedy)
    given = {"step_g": step_g, "white": white}
    more = {field: value for field, value in given.items() if value is not None}
    try:
        made = _dose(paste, unit, text, remedy)
        return LetDown.made(name.strip(), paste=made, base_g=base_g, unit=unit, **more)
    except PourError as found:
        own = {"step_g": "--weigh-step", "white": "--let-down-white"}
        raise found.at(own.get(found.field, f"--let-down {text}")) from None
