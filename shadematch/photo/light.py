"""The light on the scene: its brightness, its colour, and how it falls off.

A neutral surface of known reflectance gives exposure and colour of the light (`inference`). Light
also falls off across a table. Where the neutral covers some of the way, its own slope shows how;
beyond it this is an extrapolation, with the variance of one. A second photo of plain paper from
the same stand measures it everywhere.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from shadematch.errors import PhotoError
from shadematch.photo.picture import Picture
from shadematch.photo.regions import Region, as_regions
from shadematch.support.arrays import FloatArray
from shadematch.support.models import between

__all__ = [
    "PRIOR_MEAN",
    "PRIOR_SD",
    "Neutral",
    "Shading",
    "as_neutrals",
    "regressors",
    "slope_of",
]

PRIOR_MEAN: Final[FloatArray] = np.array([0.0, 0.0, -0.06])
PRIOR_SD: Final[FloatArray] = np.array([0.12, 0.12, 0.06])
"""Prior slope of log light along x and y [per diagonal] and at the corners: estimates for a table
beside a window or under a lamp, and a lens whose fall towards the corners the camera has mostly
corrected."""
_GRAIN: Final = 0.01
"""Unevenness of paper that is no slope of the light, as a share."""


@dataclass(frozen=True)
class Neutral:
    """A white or grey surface in the photo, in the same light as the soap.

    Attributes
    ----------
    regions
        Where it is; several if it is seen in several places.
    reflectance
        0.02 to 1 if known; a grey card states its own, mostly 0.18. By default it is white printing
        paper, which its brightener makes bluish.
    reflectance_sd
        Standard deviation of `reflectance`, 0 to 0.3.

    Raises
    ------
    PhotoError
        If a number is out of range, or a region is not one.
    """

    regions: tuple[Region, ...]
    reflectance: float | None = None
    reflectance_sd: float = 0.02

    def __post_init__(self) -> None:
        object.__setattr__(self, "regions", as_regions(self.regions, "neutral"))
        for name, low, high in (("reflectance", 0.02, 1.0), ("reflectance_sd", 0.0, 0.3)):
            value = getattr(self, name)
            if name == "reflectance" and value is None:
                continue
            remedy = "White paper has about 0.9, a grey card 0.18; divide percent by 100"
            between(value, name, low, high, remedy, error=PhotoError)


def as_neutrals(given: object) -> tuple[Neutral, ...]:
    """Neutrals from one, several, or their regions; anything else is a `PhotoError`."""
    if isinstance(given, Neutral):
        return (given,)
    if isinstance(given, Sequence) and any(isinstance(one, Neutral) for one in given):
        return tuple(n for one in given for n in as_neutrals(one))
    return (Neutral(as_regions(given, "neutral")),)


def regressors(place: FloatArray) -> FloatArray:
    """A plane, and a lens's fall towards the corners, shape (k, 3).

    `place`, shape (k, 2), is in diagonals of the photo from its middle.
    """
    return np.column_stack([place, 4.0 * (place**2).sum(axis=-1)])


def slope_of(
    places: FloatArray,
    log_light: FloatArray,
    size: tuple[int, int],
    before: tuple[FloatArray, FloatArray] = (PRIOR_MEAN, np.diag(PRIOR_SD**2)),
) -> tuple[FloatArray, FloatArray]:
    """Slope of the light from how bright one surface is in several places.

    Bayesian linear regression with a normal prior (C. M. Bishop, *Pattern Recognition and Machine
    Learning* (2006), (3.50) and (3.51); numbers from memory): with few or close places the slope
    and its variance stay near the prior's.

    Parameters
    ----------
    places
        Shape (k, 2) [pixels].
    log_light
        Shape (k,).
    size
        Width and height of the photo [pixels].
    before
        Prior mean and covariance of the slope.

    Returns
    -------
    ndarray, ndarray
        Mean (3,) and covariance (3, 3) of the slope along x and y [per diagonal], and at the
        corners against the middle.
    """
    table = regressors((places - np.array(size) / 2.0) / math.hypot(*size))
    away = table - table.mean(axis=0)
    prior = np.linalg.inv(before[1])
    covariance = np.linalg.inv(away.T @ away / _GRAIN**2 + prior)  # (3.51)
    pull = away.T @ (log_light - log_light.mean()) / _GRAIN**2 + prior @ before[0]
    return covariance @ pull, covariance  # (3.50)


class Shading:
    """How the light falls on the scene, from a photo of plain paper from the same stand."""

    def __init__(self, paper: Picture) -> None:
        patch, _ = paper.small(160)
        light = (patch.linear @ paper.profile.matrix[1].astype(np.float32)).astype(float)
        clipped = float(patch.full.any(axis=2).mean())
        if clipped > 0.02:
            raise PhotoError(
                "clips: the paper is too bright to show how the light falls",
                field="shading",
                value=f"{clipped:.0%} of it",
                remedy="Take it with a shorter exposure",
            )
        # Smoothing by a twelfth leaves the light; dust, edges and noise go.
        from scipy.ndimage import gaussian_filter  # slow to import, so late

        light = gaussian_filter(np.maximum(light, 1e-6), max(light.shape) / 24, mode="nearest")
        if not light.mean() > 0.02:
            raise PhotoError(
                "is too dark to show how the light falls",
                field="shading",
                remedy="Take the paper with a longer exposure",
            )
        self._light = light / light.mean()
        self._size = (paper.width, paper.height)
        self.range = float(self._light.max() / self._light.min())

    def at(self, place: FloatArray, width: int, height: int) -> float:
        """Relative light at a place [pixels] of a photo of that size."""
        ratio = (width / height) / (self._size[0] / self._size[1])
        if not 0.98 < ratio < 1.02:
            raise PhotoError(
                "does not have the shape of the photo",
                field="shading",
                value=f"{self._size[0]} x {self._size[1]} against {width} x {height}",
                remedy="Take both from the same stand, held the same way",
            )
        rows, columns = self._light.shape
        spot = [[place[1] / height * rows - 0.5], [place[0] / width * columns - 0.5]]
        from scipy.ndimage import map_coordinates  # slow to import, so late

        return float(map_coordinates(self._light, spot, order=1, mode="nearest")[0])
