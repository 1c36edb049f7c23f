"""What is made: masses, doses and their limits."""

from __future__ import annotations

import math
import warnings
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Final, Self

from pydantic import (
    BeforeValidator,
    Field,
    SerializerFunctionWrapHandler,
    field_validator,
    model_serializer,
    model_validator,
)

from shadematch.errors import PourError, ShadematchError, ThicknessWarning
from shadematch.studio.unit import Unit, checked_unit
from shadematch.support.models import Frozen, Name, Number, between, is_finite

__all__ = [
    "CLEAR",
    "LARGEST_BATCH_G",
    "USUAL_LOAD",
    "InBase",
    "Pour",
    "Share",
    "base_named",
    "percent",
    "pour_of_any_thickness",
    "unusual_thickness",
]

CLEAR: Final = "clear"
"""What clear base is called among bases that have names."""
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


class InBase(Frozen):
    """What is made in a blend of white base and another, its field ``base``.

    That is ``"clear"``, which is not told, or the name of one of the palette's further bases.
    """

    _error: ClassVar[type[ShadematchError]] = PourError

    if TYPE_CHECKING:
        white: float
        base: str

    @property
    def beside_white(self) -> str | None:
        """Name of the base that is in it beside white; None for white base alone."""
        return None if self.white == 1 else self.base

    @field_validator("base", check_fields=False)
    @classmethod
    def _not_white(cls, base: str) -> str:
        if base == "white":
            raise PourError("is a share", value=base, remedy="Give white=1 for white base alone")
        return base

    @model_serializer(mode="wrap")
    def _clear_untold(self, own: SerializerFunctionWrapHandler) -> dict[str, Any]:
        told: dict[str, Any] = own(self)
        return {n: v for n, v in told.items() if (n, v) != ("base", CLEAR)}


class Pour(InBase):
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
    base
        The rest of the blend: ``"clear"``, or the name of one of the palette's further bases
        (`Palette.bases`), such as a clear base that a fragrance with vanilla has browned.
    """

    batch_g: Number = Field(default=500.0, ge=0.1, le=LARGEST_BATCH_G)
    thickness_cm: Number = Field(default=1.0, ge=0.01, le=100)
    white: Share = Field(default=0.0, ge=0, le=1)
    max_load: Number = Field(default=USUAL_LOAD, gt=0, le=1000)
    dose_step: Number = Field(default=1.0, ge=0.01, le=100)
    base: Name = CLEAR

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
        """Mass of clear base, or of the named one in its place [g]."""
        return self.batch_g - self.white_g

    @property
    def white_g(self) -> float:
        """Mass of white base [g]."""
        return self.batch_g * self.white

    @property
    def blend(self) -> str:
        """What is melted, in plain words."""
        return base_named(self.white, self.base)

    @property
    def kinds(self) -> tuple[str, str]:
        """What the two parts of the blend are called: that of `clear_g`, and white base."""
        return base_named(0.0, self.base), base_named(1.0)

    def __str__(self) -> str:
        """In plain words."""
        return f"{self.batch_g:g} g of {self.blend}, {self.thickness_cm:g} cm thick"


def pour_of_any_thickness(thickness_cm: float, **given: Any) -> Pour:
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


def base_named(white: float, base: str = CLEAR) -> str:
    """Base of a white fraction in words, such as ``"base with 5% white"``."""
    if white == 1:
        return "white base"
    own = "base" if base == CLEAR else f'base "{base}"'
    if white == 0:
        return "clear base" if base == CLEAR else own
    return f"{own} with {percent(white)} white"
