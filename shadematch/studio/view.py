"""How a bar is looked at."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, ClassVar, Final, Literal, Self

import numpy as np
from pydantic import BeforeValidator, model_validator

from shadematch.colour.illuminant import Illuminant, Light
from shadematch.colour.standards import WAVELENGTHS_NM, Observation, observation
from shadematch.errors import ColourError, PourError, ShadematchError
from shadematch.optics.layer import Surroundings
from shadematch.studio.pour import percent
from shadematch.support.arrays import FloatArray
from shadematch.support.models import Frozen, is_finite

__all__ = ["BACKINGS", "OwnLight", "View", "degrees"]

BACKINGS: Final = {"white": 0.9, "black": 0.04}
"""Reflectance of white paper and of a dark table (common practice, no source)."""
_MODES: Final[dict[str, Literal["air", "optical"]]] = {"dry": "air", "wet": "optical"}


def _checked_backing(value: object) -> str | float | tuple[float, ...]:
    if isinstance(value, str) and value in BACKINGS:
        return value
    wanted = "'white', 'black', a reflectance from 0 to 1, or a list of them"
    try:
        given = np.asarray(None if isinstance(value, str) else value)
        numbers = given.astype(float) if given.dtype.kind not in "bc" else np.array(np.nan)
    except (TypeError, ValueError, OverflowError):
        numbers = np.array(np.nan)
    if numbers.ndim > 1 or not np.all((numbers >= 0) & (numbers <= 1)):
        raise PourError("is not a backing", value=value, remedy=f"Give {wanted}")
    if numbers.ndim == 0:
        return float(numbers)
    if numbers.size != WAVELENGTHS_NM.size:
        raise PourError(
            f"needs {WAVELENGTHS_NM.size} reflectances, one each 10 nm from 380 to 730 nm",
            value=f"{numbers.size} values",
            remedy="Use shadematch.colour.standards.onto_grid for other wavelengths",
        )
    return tuple(numbers.tolist())


def _checked_light(value: object) -> Light:
    if isinstance(value, str | Illuminant):
        return value
    if isinstance(value, Mapping) and value.keys() == {"name", "wavelengths_nm", "power"}:
        return Illuminant(**value)  # as files keep it
    raise PourError(
        "must be a text", value=value, remedy="Give a name such as 'D65', or an Illuminant"
    )


def degrees(observer: object) -> str:
    """The name of an observer given in degrees, ``"2"`` for 2; texts pass, else `ColourError`."""
    if isinstance(observer, str):
        return observer
    if is_finite(observer):
        return f"{observer:g}"
    raise ColourError(
        "must be 2 or 10", field="observer", value=observer, remedy="Give degrees, such as 2"
    )


def _named_observer(value: object) -> str:
    try:
        return degrees(value)
    except ColourError as found:  # the model says the field
        raise PourError(found.problem, value=value, remedy=found.remedy) from None


OwnLight = Annotated[Light, BeforeValidator(_checked_light)]
"""A light as models store it."""


class View(Frozen):
    """How the bar is looked at.

    Attributes
    ----------
    illuminant
        CIE name of the light, or an `Illuminant`: its own spectrum.
    observer
        Degrees, 2 or 10; kept as text.
    backing
        What lies behind: ``"white"`` paper (0.9), a ``"black"`` table (0.04), a reflectance
        from 0 to 1, or 36 of them at the library's wavelengths.
    contact
        ``"dry"``, with a film of air between bar and backing, or ``"wet"``.
    through
        Whether the bar is held against the light; backing and contact are then ignored.

    Raises
    ------
    PourError, ColourError
        For an unknown light or observer, or a backing that can't be.
    """

    _error: ClassVar[type[ShadematchError]] = PourError
    illuminant: OwnLight = "D65"
    observer: Annotated[str, BeforeValidator(_named_observer)] = "2"
    backing: Annotated[str | float | tuple[float, ...], BeforeValidator(_checked_backing)] = "white"
    contact: Literal["dry", "wet"] = "dry"
    through: bool = False

    @model_validator(mode="after")
    def _known(self) -> Self:
        observation(self.illuminant, self.observer)
        return self

    @property
    def observation(self) -> Observation:
        """Weights and white of its light and observer."""
        return observation(self.illuminant, self.observer)

    @property
    def backing_reflectance(self) -> FloatArray:
        """Reflectance of the backing, shape (36,)."""
        value = BACKINGS[self.backing] if isinstance(self.backing, str) else self.backing
        return np.broadcast_to(np.asarray(value, dtype=float), WAVELENGTHS_NM.shape).copy()

    @property
    def surroundings(self) -> Surroundings:
        """Mode and backing for the optics."""
        mode = "through" if self.through else _MODES[self.contact]
        return Surroundings(mode, self.backing_reflectance)

    def __str__(self) -> str:
        """In plain words."""
        light = f"{self.illuminant}, {self.observer} degrees"
        if self.through:
            return f"held against the light, {light}"
        if isinstance(self.backing, float):
            backing: str = f"a {percent(self.backing)} reflecting"
        else:
            backing = self.backing if isinstance(self.backing, str) else "a measured"
        return f"on {backing} backing{' (wet)' if self.contact == 'wet' else ''}, {light}"
