"""How the pastes of a palette look: thin, deep and over white, as chips for its card."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

import numpy as np

from shadematch.colour.colorimetry import srgb_to_hex, xyz_to_srgb
from shadematch.optics.layer import radiance_factor
from shadematch.studio.pigment import Pigment
from shadematch.studio.view import View
from shadematch.support.arrays import FloatArray
from shadematch.support.charts import Tile, chips

__all__ = ["paste_chips"]

_HEADS: Final = {"thin": (0.5, 0.0), "deep": (4.0, 0.0), "in half white": (1.0, 0.5)}
"""Load [palette's unit per 100 g] and white fraction of each chip, 1 cm thick."""


def paste_chips(
    pigments: Sequence[Pigment], blend: Callable[[float], tuple[FloatArray, FloatArray]], unit: str
) -> str:
    """One row of chips per paste, as SVG, 1 cm thick on white paper in D65.

    `blend` gives absorption and scattering [1/cm] of the base of a white fraction, shape (36,)
    each; `unit` is that of the loads.
    """
    view = View()
    weights, white = view.observation
    rows = []
    for pigment in pigments:
        cells = []
        for load, share in _HEADS.values():
            mu_a, mu_s = blend(share)
            scattering = 0.0 if pigment.scattering is None else np.array(pigment.scattering)
            seen = radiance_factor(
                mu_a + load * np.array(pigment.absorption),
                mu_s + load * scattering,
                1.0,
                view.surroundings,
            )
            rgb, inside = xyz_to_srgb(weights @ np.asarray(seen), white)
            cells.append(Tile(srgb_to_hex(rgb), bool(inside)))
        rows.append((pigment.name, cells))
    heads = [f"{name} ({load:g} {unit})" for name, (load, _) in _HEADS.items()]
    return chips(rows, heads, "each paste thin, deep and in half white, 1 cm thick")
