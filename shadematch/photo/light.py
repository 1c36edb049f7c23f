"""The light on the scene: how bright and what colour it is, and how it falls off.

A neutral surface of known reflectance tells exposure and colour of the light: what it shows is
taken to what it should show by linear Bradford adaptation. Light also falls off across a
table. Where the neutral covers some of the way, its own slope tells how; a straight line from
it to the soap is an extrapolation, and its variance says so. A second photo of plain paper from
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
from shadematch.support.models import is_finite

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
"""Slope of log light along x and y [per diagonal] and at the corners, before anything is
measured; estimates for a table beside a window or under a lamp, and for a lens whose fall
towards the corners the camera has mostly corrected."""
_GRAIN: Final = 0.01
"""Unevenness of paper that is not a slope of the light, as a share."""


@dataclass(frozen=True)
class Neutral:
    """A white or grey surface in the photo, in the same light as the soap.

    Attributes
    ----------
    regions
        Where it is; several if it is seen in several places.
    reflectance
        Of its whole, 0 to 1, if it is known; a grey card says its own, mostly 0.18. By default
        it is taken for white printing paper, whose brightener makes it bluish.
    reflectance_sd
        How far that may be off (standard deviation).
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
            if not is_finite(value) or not low <= value <= high:
                raise PhotoError(
                    f"must be a number from {low:g} to {high:g}",
                    field=name,
                    value=value,
                    remedy="White paper has about 0.9, a grey card 0.18; divide percent by 100",
                )


def as_neutrals(given: object) -> tuple[Neutral, ...]:
    """Neutrals: one, several, or one whose regions were given.

    Raises
    ------
    PhotoError
        If it is not one of these.
    """
    if isinstance(given, Neutral):
        return (given,)
    if isinstance(given, Sequence) and any(isinstance(one, Neutral) for one in given):
        return tuple(n for one in given for n in as_neutrals(one))
    return (Neutral(as_regions(given, "neutral")),)


def regressors(place: FloatArray) -> FloatArray:
    """A plane, and the fall towards the corners that lenses have; shape (k, 3).

    `place` in diagonals of the photo from its middle, shape (k, 2).
    """
    return np.column_stack([place, 4.0 * (place**2).sum(axis=-1)])


def slope_of(
    places: FloatArray,
    log_light: FloatArray,
    size: tuple[int, int],
    before: tuple[FloatArray, FloatArray] = (PRIOR_MEAN, np.diag(PRIOR_SD**2)),
) -> tuple[FloatArray, FloatArray]:
    """Slope of the light from how bright the same surface is in several places.

    Bayesian linear regression with a normal prior: with few or close places the slope stays
    near that of the prior, and so does its variance.

    Parameters
    ----------
    places
        Shape (k, 2) [pixels].
    log_light
        Shape (k,).
    size
        Width and height of the photo [pixels].
    before
        Mean and covariance of the slope before.

    Returns
    -------
    ndarray, ndarray
        Mean and covariance of the slope along x, along y [per diagonal], and at the corners
        against the middle; shapes (3,), (3, 3).
    """
    table = regressors((places - np.array(size) / 2.0) / math.hypot(*size))
    away = table - table.mean(axis=0)
    prior = np.linalg.inv(before[1])
    covariance = np.linalg.inv(away.T @ away / _GRAIN**2 + prior)
    pull = away.T @ (log_light - log_light.mean()) / _GRAIN**2 + prior @ before[0]
    return covariance @ pull, covariance


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
        # Dust, edges and noise are no light: what remains after smoothing by a twelfth is.
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
                "has not the shape of the photo",
                field="shading",
                value=f"{self._size[0]} x {self._size[1]} against {width} x {height}",
                remedy="Take both from the same stand, held the same way",
            )
        rows, columns = self._light.shape
        spot = [[place[1] / height * rows - 0.5], [place[0] / width * columns - 0.5]]
        from scipy.ndimage import map_coordinates  # slow to import, so late

        return float(map_coordinates(self._light, spot, order=1, mode="nearest")[0])
