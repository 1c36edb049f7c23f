"""How far from a target a recipe may be and still count as good."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from shadematch.colour.floors import minorant
from shadematch.studio.covariance import EDGE
from shadematch.support.arrays import BoolArray, FloatArray

__all__ = ["ANYWHERE", "Tolerance", "inside"]

ANYWHERE: Final[FloatArray] = np.zeros((3, 3))
"""The belief of one who believes nothing: every colour is inside."""
ANYWHERE.flags.writeable = False


@dataclass(frozen=True)
class Tolerance:
    """What counts as no worse than the closest recipe.

    A recipe counts when its CIEDE2000 is at most `within(closest)`, and when its colour is
    inside `belief`: a target of which the lightness alone is uncertain tolerates nothing in hue.

    Attributes
    ----------
    value
        CIEDE2000 that is too small to mind: so much worse than the closest is as good.
    radius
        CIEDE2000 within which the target's true colour lies with a probability of 90 %.
    covariance
        The target's, in CIELAB; None where it is known.
    """

    value: float
    radius: float = 0.0
    covariance: tuple[tuple[float, float, float], ...] | None = None

    def within(self, closest: float) -> float:
        """Largest CIEDE2000 that counts, if the closest recipe has `closest`."""
        return max(closest + self.value, self.radius)

    def belief(self, target: FloatArray, closest: float) -> FloatArray:
        """The matrix N, shape (3, 3), with ``|N (lab - target)| <= 1`` for colours that count.

        The ellipsoid holds the true colour with a probability of 90 %. To its square axes come
        those of a ball, ``closest + value`` of CIEDE2000, as to a variance that of an error
        of another origin. So everything that near counts, whatever is believed.
        """
        near = closest + self.value
        if self.covariance is None or near <= 0:
            return ANYWHERE
        norm = minorant(target, near)  # |norm d| <= CIEDE2000, up to `near`
        ball = near * near * np.linalg.inv(norm.T @ norm)
        values, axes = np.linalg.eigh(EDGE * EDGE * np.array(self.covariance) + ball)
        return np.asarray((axes / np.sqrt(values)).T)


def inside(lab: FloatArray, target: FloatArray, belief: FloatArray) -> BoolArray:
    """Whether colours are inside a belief; shapes (..., 3), (..., 3), (..., 3, 3) broadcast."""
    away = np.einsum("...ij,...j->...i", belief, lab - target)
    return np.asarray(np.einsum("...i,...i->...", away, away) <= 1.0 + 1e-9)
