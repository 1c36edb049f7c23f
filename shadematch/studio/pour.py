"""What is made: masses, doses and their limits."""

from __future__ import annotations

import math
import warnings
from typing import Annotated, ClassVar, Final, Self

from pydantic import BeforeValidator, Field, model_validator

from shadematch.errors import PourError, ShadematchError, ThicknessWarning
from shadematch.studio.unit import Unit, checked_unit
from shadematch.support.models import Frozen, Number, between, is_finite

__all__ = [
    "LARGEST_BATCH_G",
    "USUAL_LOAD",
    "Pour",
    "Share",
    "base_named",
    "percent",
    "pour_of_any_thickness",
    "unusual_thickness",
]

LARGEST_BATCH_G: Final = 100_000
"""More than any soap pot holds; larger batches are refused."""
_THINNEST_CM: Final = 0.2
_THICKEST_CM: Final = 8.0
"""Of bars (common practice, no source)."""
USUAL_LOAD: Final = 4.0
"""Most paste in cm per 100 g (common practice, no source)."""


def _no_percentage(value: object) -> object:
    if is_finite(value) and 1.0 < value <= 100.0:
        raise PourError(
            "must be at most 1",
            value=value,
            remedy=f"It is a fraction: {value:g} % is {value / 100.0:g}",
        )
    return value


Share = Annotated[Number, BeforeValidator(_no_percentage)]
"""A fraction; the error for 1 to 100 says that percent was probably meant."""


class Pour(Frozen):
    """What is made.

    Attributes
    ----------
    batch_g
        Mass of base [g], 0.1 to 100,000. Whole centimetres are coarse in small batches: most
        colours need 500 g to come out close.
    thickness_cm
        Thickness of the bar in the direction of view [cm], 0.01 to 100. Below 0.2 and above 8 a
        `ThicknessWarning` asks whether millimetres were meant.
    white
        Mass fraction of white base in the blend, 0 to 1.
    max_load
        The most paste the base takes [palette's unit per 100 g], above 0 to 1000. At 4 cm the
        shade stops gaining (common practice, no source). For doses in g no such figure is known:
        the default is 4 g, and a match says so until you set another.
    dose_step
        Doses are multiples of this [palette's unit], 0.01 to 100: 1, or 0.5 for a steady hand; the
        resolution of the scale where paste is weighed.
    """

    _error: ClassVar[type[ShadematchError]] = PourError
    batch_g: Number = Field(default=500.0, ge=0.1, le=LARGEST_BATCH_G)
    thickness_cm: Number = Field(default=1.0, ge=0.01, le=100)
    white: Share = Field(default=0.0, ge=0, le=1)
    max_load: Number = Field(default=USUAL_LOAD, gt=0, le=1000)
    dose_step: Number = Field(default=1.0, ge=0.01, le=100)

    @model_validator(mode="after")
    def _warned(self) -> Self:
        if (doubt := unusual_thickness(self.thickness_cm)) is not None:
            # The stack above: this method, pydantic's initialiser, ours.
            warnings.warn(f"thickness_cm: {doubt}", ThicknessWarning, stacklevel=4)
        return self

    @property
    def max_total(self) -> float:
        """The most paste this batch takes [palette's unit]."""
        return self.max_load * self.batch_g / 100.0

    @property
    def max_steps(self) -> int:
        """`max_total` in whole dose steps."""
        return math.floor(self.max_total / self.dose_step * (1 + 1e-12) + 1e-9)

    @property
    def load_per_step(self) -> float:
        """Load [palette's unit per 100 g] of one dose step."""
        return self.dose_step * 100.0 / self.batch_g

    def limit_note(self, unit: Unit) -> str:
        """The caution for a default load limit where doses are in g; else empty."""
        if checked_unit(unit) == "cm" or self.max_load != USUAL_LOAD:
            return ""
        return (
            f"at most {self.max_load:g} {unit} of paste per 100 g of base: a default without a "
            "basis where paste is weighed; set what yours take (max_load)"
        )

    @property
    def clear_g(self) -> float:
        """Mass of clear base [g]."""
        return self.batch_g - self.white_g

    @property
    def white_g(self) -> float:
        """Mass of white base [g]."""
        return self.batch_g * self.white

    @property
    def base(self) -> str:
        """What is melted, in plain words."""
        return base_named(self.white)

    def __str__(self) -> str:
        """In plain words."""
        return f"{self.batch_g:g} g of {self.base}, {self.thickness_cm:g} cm thick"


def pour_of_any_thickness(thickness_cm: float, **given: float) -> Pour:
    """A pour of any thickness [cm], 0.01 to 100, without a warning; raises as `Pour` does."""
    thickness = between(thickness_cm, "thickness_cm", 0.01, 100.0, "Give it in cm")
    return Pour(**given).model_copy(update={"thickness_cm": thickness})


def unusual_thickness(thickness_cm: float) -> str | None:
    """What is odd about a bar's thickness [cm], in words; None from 0.2 to 8 cm."""
    if _THINNEST_CM <= thickness_cm <= _THICKEST_CM:
        return None
    doubt = f"is {thickness_cm:g} cm, and bars are {_THINNEST_CM:g} to {_THICKEST_CM:g} cm thick"
    meant = thickness_cm / 10.0
    if _THINNEST_CM <= meant <= _THICKEST_CM:
        doubt += f"; if millimetres were meant, it is {meant:g} cm"
    return doubt


def percent(share: float) -> str:
    """A share in percent to three figures, such as ``"0.5%"`` or ``"12.5%"``."""
    return f"{100 * share:.3g}%"


def base_named(white: float) -> str:
    """Base of a white fraction in words, such as ``"base with 5% white"``."""
    if white == 0:
        return "clear base"
    return "white base" if white == 1 else f"base with {percent(white)} white"
