"""Sets of wanted colours."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final, Literal

import numpy as np

from shadematch.colour.colorimetry import SRGB_WHITE, adapt, srgb_to_xyz, xyz_to_lab
from shadematch.colour.standards import munsell_real, observation
from shadematch.errors import ColourError
from shadematch.studio.target import FARTHEST, HoldsTarget, as_target
from shadematch.studio.view import View
from shadematch.support.arrays import FloatArray

__all__ = ["Targets", "labs_of"]

Targets = Literal["srgb", "munsell"] | Iterable[HoldsTarget | str] | FloatArray
"""Many targets: targets or hex codes, CIELAB under the view's own white as an array of shape
(t, 3), ``"srgb"`` (a cube of 16 x 16 x 16 sRGB colours) or ``"munsell"`` (the 2,734 real colours
of the Munsell renotation)."""

_CUBE: Final = 16


def labs_of(targets: Targets, view: View) -> FloatArray:
    """CIELAB under a view of many targets, shape (t, 3).

    Raises
    ------
    ColourError
        If one is not a colour, there are none, or the name of a set is not known.
    """
    white = view.observation.white
    if isinstance(targets, str):
        if targets == "srgb":
            axis = np.linspace(0.0, 1.0, _CUBE)
            rgb = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1).reshape(-1, 3)
            return xyz_to_lab(adapt(srgb_to_xyz(rgb), SRGB_WHITE, white), white)
        if targets == "munsell":
            source = observation("C", "2").white
            return xyz_to_lab(adapt(munsell_real(), source, white), white)
        raise ColourError(
            "is not a known set of colours",
            field="targets",
            value=targets,
            remedy="Take 'srgb' or 'munsell', or give a list of targets",
        )
    if isinstance(targets, np.ndarray) and targets.dtype.kind in "fiu":
        labs = np.asarray(targets, dtype=float)
        if labs.ndim != 2 or labs.shape[1] != 3 or not np.all(np.abs(labs) <= FARTHEST):  # or NaN
            raise ColourError(
                "must be CIELAB, three finite numbers in a row",
                field="targets",
                value=labs.shape,
                remedy="Give an array of shape (t, 3); L* runs to 100, a* and b* to some hundreds",
            )
    else:
        try:
            goals = list(targets)
        except TypeError:
            problem, remedy = "is not a list of colours", "Give targets or hex codes in a list"
            raise ColourError(problem, field="targets", value=targets, remedy=remedy) from None
        labs = np.array([as_target(t).lab_in(view) for t in goals], dtype=float).reshape(-1, 3)
    if not len(labs):
        raise ColourError("is empty", field="targets", remedy="Give at least one colour")
    return labs
