"""How different two colours look, in any form."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeAlias

import numpy as np

from shadematch.colour.difference import delta_e as ciede2000
from shadematch.errors import ColourError
from shadematch.predicting.prediction import Prediction
from shadematch.studio.target import FARTHEST, HoldsTarget, as_target
from shadematch.studio.view import View
from shadematch.support.arrays import FloatArray
from shadematch.support.models import expect, is_finite

__all__ = ["Colour", "delta_e"]

Colour: TypeAlias = "Sequence[float] | FloatArray | str | HoldsTarget | Prediction"
"""L*, a*, b*; a hex code; a target, or what holds one; or a prediction."""


def delta_e(first: Colour, second: Colour, *, view: View | None = None) -> float:
    """CIEDE2000 between two colours (ISO/CIE 11664-6:2014).

    Parameters
    ----------
    first, second
        Each CIELAB as three numbers, under the view's white; a hex code; a `Target`, adapted to
        the view's light; or a `Prediction`, in its own view.
    view
        Gives light and observer; by default those of a prediction, else D65 and 2 degrees.

    Returns
    -------
    float
        0 or more; most people see no difference up to about 1 (common practice, no source).

    Raises
    ------
    ColourError
        For anything else, or a prediction in another light.
    """
    both = (("first", first), ("second", second))
    if view is None:
        view = next((c.view for _, c in both if isinstance(c, Prediction)), View())
    expect(view, View, "view", "Use View(...)")
    one, other = (_lab(colour, field, view) for field, colour in both)
    return float(ciede2000(one, other))


def _lab(colour: Colour, field: str, view: View) -> FloatArray:
    if isinstance(colour, Prediction):
        own = colour.view
        if (own.illuminant, own.observer) != (view.illuminant, view.observer):
            raise ColourError(
                f"is seen in another light ({own.illuminant}, {own.observer} degrees)",
                field=field,
                value=f"{view.illuminant}, {view.observer} degrees",
                remedy="Predict it in the same one",
            )
        return np.array(colour.lab)
    if isinstance(colour, str) or (
        isinstance(colour, HoldsTarget) and not hasattr(colour, "predicted")
    ):
        return as_target(colour).lab_in(view)
    try:
        numbers = tuple(colour)  # type: ignore[arg-type]  # refused below if not iterable
    except TypeError:
        numbers = ()
    if len(numbers) != 3 or not all(is_finite(v) and abs(v) <= FARTHEST for v in numbers):
        raise ColourError(
            "must be a colour",
            field=field,
            value=colour,
            remedy="Give L*, a*, b*, a hex code, a Target or a Prediction (of a match: its "
            "target or its predicted)",
        )
    return np.array(numbers, dtype=float)
