"""An invented palette with a further base: clear base, browned."""

from __future__ import annotations

import numpy as np

import shadematch as sm
from shadematch.colour.standards import WAVELENGTHS_NM as NM

BROWN = "clear with vanilla"


def browned(*more: sm.Base, depth: float = 0.25) -> sm.Palette:
    """The demo palette with a base that absorbs `depth` [1/cm] more at 450 nm, and others."""
    demo = sm.demo_palette()
    absorption = np.array(demo.clear.absorption) + depth * np.exp(-(NM - 450.0) / 80.0)
    brown = sm.Base(
        name=BROWN, absorption=tuple(absorption.tolist()), scattering=demo.clear.scattering
    )
    return sm.Palette(**{**dict(demo), "bases": (brown, *more)})
