"""The readings that a recipe takes on ruler and scale, and how far they may be off.

A dose is one reading of the ruler, or of the small scale where paste is weighed. A base is one
reading of the scale. A let-down takes three: its paste and its base when it is made, shared by
every gram of it, and the mass that is dosed.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from shadematch.errors import PourError
from shadematch.predicting.prediction import loads_of
from shadematch.studio.palette import Palette
from shadematch.studio.recipe import LetDown, Recipe
from shadematch.studio.unit import Unit
from shadematch.support.arrays import FloatArray
from shadematch.support.models import between, expect, is_finite

__all__ = [
    "DOSE_SLIP",
    "SCALE_G",
    "Dosed",
    "Readings",
    "Taken",
    "checked_made",
    "checked_readings",
    "paste_made",
    "readings_in_words",
    "taken",
    "told_apart",
    "usual_scale_g",
]

DOSE_SLIP: Final[Mapping[Unit, float]] = {"cm": 0.2, "g": 0.1}
"""How far a dose may be off either way, in its unit: rulers are read to 2 mm, small scales to
0.1 g (common practice, no source)."""
SCALE_G: Final = 1.0
"""How far a mass of base may be off either way [g] (common practice, no source)."""
_SURE: Final = 4.0
"""A batch, or the base of a let-down, weighs at least this many times the scale's error."""
_SLACK: Final = 1e-6


class Readings(NamedTuple):
    """How far readings may be off either way: of a dose [its unit], and of a base [g]."""

    dose_slip: float
    scale_g: float


def checked_readings(dose_slip: object, scale_g: object, batch_g: float, unit: Unit) -> Readings:
    """Both as floats, None being the usual one for that unit and mass; else a `PourError`."""
    remedy = "Say how far a reading may be off either way"
    slip = DOSE_SLIP[unit] if dose_slip is None else dose_slip
    ruler = between(slip, "dose_slip", 0.0, 100.0, f"{remedy}, in {unit}")
    remedy += "; a batch must weigh at least four times that"
    scale = usual_scale_g(batch_g) if scale_g is None else scale_g
    return Readings(ruler, between(scale, "scale_g", 0.0, batch_g / _SURE, remedy))


def readings_in_words(dose_slip: float, scale_g: float, unit: Unit) -> tuple[str, str]:
    """How far readings may be off, such as "ruler within 2 mm" and "scale within 1 g"."""
    if unit == "cm":
        return f"ruler within {10 * dose_slip:g} mm", f"scale within {scale_g:.3g} g"
    return f"paste within {dose_slip:g} g", f"base within {scale_g:.3g} g"


def usual_scale_g(mass_g: float) -> float:
    """The default error of the scale [g], smaller for masses so small that a finer one is used."""
    return min(SCALE_G, mass_g / _SURE)


@dataclass(frozen=True)
class Dosed:
    """A let-down in a recipe.

    Attributes
    ----------
    let_down
        What it is meant to be.
    paste
        Paste that it was made with in one go [the let-down's unit].
    mass_g
        How much of it is dosed [g].
    """

    let_down: LetDown
    paste: float
    mass_g: float

    @property
    def base_g(self) -> float:
        """Base that it was made with [g]."""
        return self.paste / self.let_down.paste_per_g

    def strength(self, paste_off: FloatArray, base_off_g: FloatArray) -> FloatArray:
        """Strength relative to the intended, (k,), if paste and base are off by so much."""
        paste = np.maximum(self.paste + paste_off, 0.0)
        return np.asarray(paste / self.paste / (1.0 + base_off_g / self.base_g))

    def strength_sd(self, dose_slip: float, scale_g: float) -> float:
        """Standard deviation of `strength` to first order, for errors evenly within limits."""
        return math.hypot(dose_slip / self.paste, scale_g / self.base_g) / math.sqrt(3.0)

    def brings(self, strength: FloatArray, off_g: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Paste [unit], shape (k,), and clear and white base [g], shape (k, 2), in a dose of it.

        `strength` is relative to the intended, and `off_g` the error of the mass [g]; (k,) each.
        """
        grams = np.maximum(self.mass_g + off_g, 0.0)
        white = self.let_down.white
        return grams * self.let_down.paste_per_g * strength, np.outer(grams, (1.0 - white, white))


def paste_made(let_down: LetDown, mass_g: float, step: float, scale_g: float) -> float:
    """The least paste [unit] that makes `mass_g` of a let-down in one go.

    In whole dose steps, with enough base for the scale.
    """
    least = max(mass_g, _SURE * scale_g) * let_down.paste_per_g
    return max(1, math.ceil(least / step - 1e-9)) * step


def checked_made(
    made: Mapping[str, float] | None, let_downs: Sequence[LetDown], scale_g: float, unit: Unit
) -> dict[str, float]:
    """Paste that let-downs were made with, by pigment.

    A `PourError` for a let-down that the recipe lacks, an invalid dose, or too little base to
    weigh.
    """
    if made is None:
        return {}
    expect(made, Mapping, "let_down_paste", "Give a mapping such as {'gorse': 2}")
    names = [d.pigment for d in let_downs]
    own = {name.casefold(): name for name in names}
    found = {}
    for given, paste in made.items():
        name = own.get(given.casefold(), given) if isinstance(given, str) else given
        if not is_finite(paste) or not 0.0 < paste <= 10_000.0:
            raise PourError(
                "must be a number above 0",
                field=f"let_down_paste.{name}",
                value=paste,
                remedy=f"Say how much paste it was made with, in {unit}",
            )
        if name not in names:
            has = ", ".join(dict.fromkeys(names)) or "none"
            raise PourError(
                "is not a let-down of this recipe",
                field="let_down_paste",
                value=name,
                remedy=f"It has {has}",
            )
        least = min(paste / d.paste_per_g for d in let_downs if d.pigment == name)
        if least < _SURE * scale_g:
            raise PourError(
                f"goes into {least:.3g} g of base, too little for this scale",
                field=f"let_down_paste.{name}",
                value=paste,
                remedy="The base must weigh at least four times the scale's error",
            )
        found[name] = float(paste)
    return found


@dataclass(frozen=True, eq=False)
class Taken:
    """The readings that a recipe takes.

    Attributes
    ----------
    from_tubes
        Paste from the tubes [palette's unit], in palette order, shape (n,).
    base_g
        Clear and white base weighed besides that of the let-downs [g], shape (2,).
    let_downs, masses_g
        Each let-down once, and how much of it [g].
    """

    from_tubes: FloatArray
    base_g: FloatArray
    let_downs: tuple[LetDown, ...]
    masses_g: tuple[float, ...]


def taken(recipe: Recipe, palette: Palette) -> Taken:
    """The readings that a recipe takes; `UnknownNameError` if the palette lacks a paste of it."""
    doses = loads_of(recipe.doses, palette, recipe.pour) * (recipe.pour.batch_g / 100.0)
    masses: dict[LetDown, float] = {}
    for part in recipe.weighed:
        if not part.mass_g:
            continue
        masses[part.let_down] = masses.get(part.let_down, 0.0) + part.mass_g
        doses[palette.index(part.let_down.pigment)] -= part.paste
    base = np.array([recipe.clear_g, recipe.white_g])
    # Remainders of rounding are not readings.
    doses[doses < _SLACK], base[base < _SLACK] = 0.0, 0.0
    return Taken(doses, base, tuple(masses), tuple(masses.values()))


def told_apart(let_downs: Sequence[LetDown]) -> list[str]:
    """Names for let-downs: their paste, with the strength where two have the same."""
    short = [f"{d.pigment} let-down" for d in let_downs]
    return [
        words if short.count(words) == 1 else str(d)
        for words, d in zip(short, let_downs, strict=True)
    ]
