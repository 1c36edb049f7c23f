"""Where a colour can be made, in words."""

from __future__ import annotations

from itertools import groupby

import numpy as np

from shadematch.studio.pour import CLEAR, base_named, percent
from shadematch.support.arrays import BoolArray

__all__ = ["where_made"]


def where_made(
    good: BoolArray,
    whites: tuple[float, ...],
    thicknesses_cm: tuple[float, ...],
    base: str = CLEAR,
) -> str:
    """Where a colour can be made, the base that allows most thicknesses first.

    Parameters
    ----------
    good
        Whether it can be made, shape (whites, thicknesses), at least once.
    whites, thicknesses_cm
        The white fractions and thicknesses [cm] tried, rising.
    base
        Beside white, as in `Pour.base`.

    Returns
    -------
    str
        Such as ``"50% white at any thickness tried; clear base up to 1 cm"``.
    """
    if good.all():
        return "in every blend of bases and at every thickness tried"
    found = []
    # Neighbouring bases that allow the same thicknesses are named together.
    for row, group in groupby(range(len(whites)), key=lambda i: tuple(good[i].tolist())):
        which = list(group)
        if any(row):
            blend = _blend(whites[which[0]], whites[which[-1]], base)
            found.append((sum(row), f"{blend} {_thick(good[which[0]], thicknesses_cm)}"))
    return "; ".join(words for _, words in sorted(found, key=lambda each: -each[0]))


def _blend(low: float, high: float, base: str) -> str:
    if low != high:
        return f"{f'{percent(low)} to' if low else 'up to'} {percent(high)} white"
    return base_named(low, base) if low in (0.0, 1.0) else f"{percent(low)} white"


def _thick(good: BoolArray, tried: tuple[float, ...]) -> str:
    able = [t for t, ok in zip(tried, good, strict=True) if ok]
    if len(able) == len(tried):
        return "at any thickness tried" if len(tried) > 1 else f"at {tried[0]:g} cm"
    at = np.flatnonzero(good)
    if at[-1] - at[0] + 1 != len(at):
        return "at " + ", ".join(f"{t:g}" for t in able) + " cm"
    if len(able) == 1:
        return f"at {able[0]:g} cm"
    if at[0] == 0:
        return f"up to {able[-1]:g} cm"
    if at[-1] == len(tried) - 1:
        return f"from {able[0]:g} cm on"
    return f"from {able[0]:g} to {able[-1]:g} cm"
