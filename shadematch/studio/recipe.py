"""Recipes (doses and the pour they go into), and let-downs."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import reduce
from types import MappingProxyType
from typing import Final

from pydantic import Field

from shadematch.errors import PourError
from shadematch.studio.pour import CLEAR, InBase, Pour, Share, base_named
from shadematch.studio.unit import Unit, check_unit, checked_unit, quantity_in
from shadematch.support.charts import bars
from shadematch.support.models import (
    Name,
    Number,
    between,
    check_name,
    expect,
    is_finite,
    listed,
)
from shadematch.support.report import Report, Reported, Row, rows_of

__all__ = [
    "LARGEST_DOSE",
    "MOST_LET_DOWNS",
    "LetDown",
    "Recipe",
    "Weighed",
    "check_base",
    "doses_of",
]

LARGEST_DOSE: Final = 10_000_000.0
"""Far beyond any batch. Keeps sums finite."""
MOST_LET_DOWNS: Final = 8
"""In one search."""
_HEAVIEST_G: Final = 1e9
_SLACK: Final = 1e-6
"""Paste [cm or g] or base [g]; smaller amounts are rounding."""


class LetDown(InBase):
    """A paste diluted in base beforehand, to be dosed by weight.

    Its grams replace as many grams of the batch's base, clear for clear and white for white, so
    the batch keeps its mass and its white fraction. The paste's own mass is never counted: 1 cm
    stirred into 50 g of base is 0.02 cm per g, and 1 g is 0.02 g per g.

    Attributes
    ----------
    pigment
        Name of the paste.
    paste_per_g
        Paste in it [`unit` per g of its base], 1e-9 to 10.
    step_g
        The step it is weighed in [g], 0.001 to 1000.
    white
        White fraction of its own base, 0 to 1.
    base
        The rest of its base, as in `Pour.base`; must be that of the batch.
    unit
        Of the paste in it, ``"cm"`` or ``"g"``: the palette's.
    """

    pigment: Name
    paste_per_g: Number = Field(ge=1e-9, le=10)
    step_g: Number = Field(default=1.0, ge=0.001, le=1000)
    white: Share = Field(default=0.0, ge=0, le=1)
    unit: Unit = "cm"
    base: Name = CLEAR

    @classmethod
    def made(
        cls,
        pigment: str,
        *,
        paste: float,
        base_g: float,
        step_g: float = 1.0,
        white: float = 0,
        unit: Unit = "cm",
        base: str = CLEAR,
    ) -> LetDown:
        """The let-down of so much paste [`unit`] in a mass of base [g].

        Raises
        ------
        PourError
            If a number is out of range.
        """
        for name, value in (("paste", paste), ("base_g", base_g)):
            if not is_finite(value) or value <= 0:
                raise PourError(
                    "must be a number above 0",
                    field=name,
                    value=value,
                    remedy=f"For instance 1 {unit} in 50 g",
                )
        return cls(
            pigment=pigment,
            paste_per_g=paste / base_g,
            step_g=step_g,
            white=white,
            unit=unit,
            base=base,
        )

    @property
    def paste_per_step(self) -> float:
        """Paste in one weighing step [unit]."""
        return self.paste_per_g * self.step_g

    @property
    def strength(self) -> str:
        """How strong it is, in words."""
        return f"1 {self.unit} in {1 / self.paste_per_g:.4g} g of {self.blend}"

    @property
    def blend(self) -> str:
        """What it is made in, in words."""
        return base_named(self.white, self.base)

    def __str__(self) -> str:
        """In plain words."""
        return f"{self.pigment} let-down ({self.strength})"


@dataclass(frozen=True)
class Weighed:
    """A mass of a let-down.

    Attributes
    ----------
    let_down
        Which.
    mass_g
        How much [g].
    """

    let_down: LetDown
    mass_g: float

    def __post_init__(self) -> None:
        expect(self.let_down, LetDown, "let_down", "Use LetDown(...) or LetDown.made(...)")
        if not is_finite(self.mass_g) or not 0 <= self.mass_g <= _HEAVIEST_G:
            raise PourError(
                "must be a mass from 0 on", field="mass_g", value=self.mass_g, remedy="Give it in g"
            )

    @property
    def paste(self) -> float:
        """Paste in it [the let-down's unit]."""
        return self.mass_g * self.let_down.paste_per_g

    def __str__(self) -> str:
        """In plain words."""
        return f"{self.mass_g:g} g {self.let_down}"


def check_base(let_down: LetDown, pour: Pour, field: str) -> None:
    """Refuse a let-down that is made in another base than the batch.

    Raises
    ------
    PourError
        If it is.
    """
    if let_down.beside_white not in (None, pour.base):
        raise PourError(
            f"is made in another base than the batch, {pour.kinds[0]}",
            field=field,
            value=str(let_down),
            remedy=f"Make it in the batch's: LetDown(..., base={pour.base!r})",
        )


def doses_of(given: Mapping[str, float], field: str) -> dict[str, float]:
    """Doses by name, from a mapping or from what has an index, such as a pandas Series.

    Anything else is a `PourError`.
    """
    items = getattr(given, "items", None)
    if not isinstance(given, Mapping) and not (callable(items) and hasattr(given, "index")):
        expect(given, Mapping, field, "Give names and doses, such as {'gorse': 2}")
    return dict(given.items())


@dataclass(frozen=True)
class Recipe(Reported):
    """Doses and the pour that they go into.

    Attributes
    ----------
    doses
        Total paste of each pigment [unit], read-only; doses of 0 are left out.
    pour
        What they go into.
    weighed
        Let-downs. Their paste is part of `doses`, their base part of the pour's.
    unit
        Of the doses, ``"cm"`` or ``"g"``: the palette's.

    Raises
    ------
    PourError
        For an invalid name or dose, let-downs with more paste or base than the recipe has, or
        let-downs in another unit.
    """

    doses: Mapping[str, float]
    pour: Pour
    weighed: tuple[Weighed, ...] = ()
    unit: Unit = "cm"

    def __post_init__(self) -> None:
        expect(self.pour, Pour, "pour", "Use Pour(...)")
        unit = checked_unit(self.unit)
        doses = doses_of(self.doses, "doses")
        for name, dose in doses.items():
            if not isinstance(name, str):
                raise PourError(
                    "a pigment has no name", field="doses", value=name, remedy="Give a text"
                )
            check_name(name, "doses")
            remedy = f"Give the {quantity_in(unit)} of paste in {unit}"
            between(dose, f"doses.{name}", 0.0, LARGEST_DOSE, remedy)
        parts = listed(self.weighed, "weighed", "Give a list of Weighed(...)")
        for part in parts:
            expect(part, Weighed, "weighed", "Give a list of Weighed(...)")
            check_unit(part.let_down.unit, unit, "weighed", of="the recipe's doses")
            check_base(part.let_down, self.pour, "weighed")
        object.__setattr__(self, "weighed", parts)
        object.__setattr__(
            self, "doses", MappingProxyType({n: float(d) for n, d in doses.items() if d})
        )
        if parts:
            self._check_weighed()

    def _check_weighed(self) -> None:
        """Refuse let-downs with more paste or base than the recipe has."""
        paste: dict[str, float] = {}
        for part in self.weighed:
            name = part.let_down.pigment
            paste[name] = paste.get(name, 0.0) + part.paste
        short = None
        if any(brought > self.doses.get(n, 0.0) + _SLACK for n, brought in paste.items()):
            short = "paste"
        elif min(self.clear_g, self.white_g) < -_SLACK:
            short = "base"
        if short is not None:
            raise PourError(
                f"holds more {short} than the recipe has",
                field="weighed",
                value=", ".join(map(str, self.weighed)),
                remedy="doses is the total paste, and let-downs are part of the base",
            )

    def __hash__(self) -> int:
        return hash((tuple(self.doses.items()), self.pour, self.weighed, self.unit))

    def __reduce__(self) -> tuple[object, ...]:
        # A read-only view of a dict can't be pickled.
        return Recipe, (dict(self.doses), self.pour, self.weighed, self.unit)

    @property
    def from_tubes(self) -> dict[str, float]:
        """Paste to take from the tubes [unit]: what the let-downs don't bring."""
        left = dict(self.doses)
        for part in self.weighed:
            name = part.let_down.pigment
            left[name] = round(left.get(name, 0.0) - part.paste, 9)
        return {name: dose for name, dose in left.items() if dose > 1e-9}

    @property
    def clear_g(self) -> float:
        """Clear base, or the named one, to melt besides that of the let-downs [g]."""
        return self.pour.clear_g - sum(p.mass_g * (1 - p.let_down.white) for p in self.weighed)

    @property
    def white_g(self) -> float:
        """White base to melt besides that of the let-downs [g]."""
        return self.pour.white_g - sum(p.mass_g * p.let_down.white for p in self.weighed)

    @property
    def total(self) -> float:
        """Total paste [unit]."""
        return float(sum(self.doses.values()))

    @property
    def load(self) -> float:
        """Paste per mass of base [unit per 100 g]."""
        return self.total * 100.0 / self.pour.batch_g

    @property
    def tubes(self) -> int:
        """How many pigments it uses."""
        return len(self.doses)

    @property
    def proportions(self) -> dict[str, int] | None:
        """The doses in lowest terms; None with let-downs, or off the dose steps."""
        if self.weighed:
            return None
        step = self.pour.dose_step
        counts = {name: round(dose / step) for name, dose in self.doses.items()}
        if any(abs(counts[name] * step - dose) > 1e-6 * step for name, dose in self.doses.items()):
            return None
        shared = reduce(math.gcd, counts.values(), 0) or 1
        return {name: count // shared for name, count in counts.items()}

    @property
    def lines(self) -> tuple[str, ...]:
        """What to dose, in words, one line each."""
        pastes = [f"{dose:g} {self.unit} {name}" for name, dose in self.from_tubes.items()]
        return (*pastes, *map(str, self.weighed)) or ("no paste at all",)

    @property
    def in_all(self) -> str:
        """Total paste and load, in words."""
        return f"{self.total:g} {self.unit} in all, {self.load:.2f} {self.unit} per 100 g"

    @property
    def rows(self) -> tuple[Row, Row]:
        """Recipe and pour as rows of a report."""
        return Row("recipe", self.lines), Row("pour", str(self.pour))

    def report(self) -> Report:
        """What to dose into what."""
        doses = [(name, dose, f"{dose:g} {self.unit}") for name, dose in self.from_tubes.items()]
        shares = (self.proportions or {}).values()
        few = 1 < sum(shares) <= 60
        return Report(
            pictures=(bars(doses, "the doses, to scale"),) if doses else (),
            rows=(
                *self.rows,
                Row("paste", self.in_all),
                *rows_of("proportions", [":".join(map(str, shares))] if few else []),
            ),
        )

    def __str__(self) -> str:
        """In plain words."""
        return ", ".join(self.lines)
