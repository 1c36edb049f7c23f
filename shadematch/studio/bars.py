"""What a batch yields: the loss in the pot, and whole bars."""

from __future__ import annotations

import math
from typing import Final

from shadematch.errors import PourError
from shadematch.support.models import is_finite

__all__ = ["LOSS", "bars_in_words", "checked_loss", "grams", "to_melt_g", "usable_g", "whole_bars"]

LOSS: Final = 0.03
"""Share of the base that stays in the pot and on the tools (common practice, no source)."""
_SLACK: Final = 1e-9
"""Of a bar; smaller shortfalls are rounding."""


def checked_loss(loss: object) -> float:
    """The share that stays in the pot, 0 to below 1; anything else is a `PourError`."""
    if not is_finite(loss) or not 0 <= loss < 1:
        raise PourError(
            "must be a number from 0 to below 1",
            field="loss",
            value=loss,
            remedy="It is a share: 0.03 for 3 %",
        )
    return float(loss)


def usable_g(batch_g: float, loss: float) -> float:
    """Mass that leaves the pot [g]."""
    return batch_g * (1.0 - loss)


def whole_bars(batch_g: float, bar_g: float, loss: float) -> int:
    """Whole bars of `bar_g` [g] from one batch."""
    return math.floor(usable_g(batch_g, loss) / bar_g + _SLACK)


def to_melt_g(wanted_g: float, loss: float) -> float:
    """Base to melt [g] so that `wanted_g` leaves the pot.

    Rounded up to what a scale shows: whole grams from 100 g on, tenths below.
    """
    needed = wanted_g / (1.0 - loss)
    steps = 1.0 if needed >= 100 else 10.0
    return math.ceil(needed * steps * (1 - 1e-12)) / steps


def grams(mass: float) -> str:
    """A mass as a scale shows it: whole grams from 100 g on, then tenths."""
    if mass >= 100 or float(mass).is_integer():
        return f"{mass:,.0f} g"
    return f"{mass:.1f} g" if mass >= 1 else f"{mass:.2g} g"


def bars_in_words(count: int, bar_g: float) -> str:
    """Such as ``"9 bars of 100 g"``."""
    number = "no bar" if count == 0 else "1 bar" if count == 1 else f"{count} bars"
    return f"{number} of {grams(bar_g)}"
