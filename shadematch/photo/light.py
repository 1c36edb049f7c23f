"""The light on the scene: how bright and what colour it is, and how it falls off.

A neutral surface of known reflectance tells exposure and colour of the light: what it shows is
taken to what it should show by linear Bradford adaptation. Light also falls off across a
table. Where the neutral covers some of the way, its own slope tells how; a straight line from
it to the soap is an extrapolation, and its variance says so. A second photo of plain paper from
the same stand measures it everywhere.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from scipy.ndimage import gaussian_filter, map_coordinates

from shadematch.errors import PhotoError
from shadematch.photo.picture import Picture
from shadematch.photo.regions import Region, as_regions
from shadematch.support.arrays import FloatArray
from shadematch.support.models import is_finite

__all__ = ["Neutral", "Shading", "Slope", "as_neutral", "slope_of"]

PRIOR_MEAN: Final[FloatArray] = np.array([0.0, 0.0, -0.06])
PRIOR_SD: Final[FloatArray] = np.array([0.12, 0.12, 0.06])
"""Slope of log light along x and y [per diagonal] and at the corners, before anything is
measured; estimates for a table beside a window or under a lamp, and for a lens whose fall
towards the corners the camera has mostly corrected."""
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
        Of its whole, 0 to 1. White office paper has about 0.9 (common practice, no source), a
        grey card says its own, mostly 0.18.
    reflectance_sd
        How far that may be off (standard deviation).
    """

    regions: tuple[Region, ...]
    reflectance: float = 0.9
    reflectance_sd: float = 0.02

    def __post_init__(self) -> None:
        object.__setattr__(self, "regions", as_regions(self.regions, "neutral"))
        for name, low, high in (("reflectance", 0.02, 1.0), ("reflectance_sd", 0.0, 0.3)):
            value = getattr(self, name)
            if not is_finite(value) or not low <= value <= high:
                raise PhotoError(
                    f"must be a number from {low:g} to {high:g}",
                    field=name,
                    value=value,
                    remedy="White paper has about 0.9, a grey card 0.18; divide percent by 100",
                )


def as_neutral(given: object) -> Neutral:
    """A neutral, or the one whose regions were given.

    Raises
    ------
    PhotoError
        If it is neither.
    """
    return given if isinstance(given, Neutral) else Neutral(as_regions(given, "neutral"))


class Slope(NamedTuple):
    """How the logarithm of the light changes across a photo.

    A plane, and the fall towards the corners that lenses have.

    Attributes
    ----------
    terms
        Along x, along y [per diagonal], and at the corners against the middle.
    covariance
        Of `terms`, 3 x 3.
    size
        Width and height of the photo [pixels].
    middle
        Mean of the three regressors where the log of the light counts as 0.
    """

    terms: FloatArray
    covariance: FloatArray
    size: tuple[int, int]
    middle: FloatArray

    def log_at(self, place: FloatArray) -> tuple[float, float]:
        """Logarithm of the light at a place (x, y) [pixels], and its variance."""
        away = _regressors(place[None], self.size)[0] - self.middle
        return float(away @ self.terms), float(away @ self.covariance @ away)

    def logs_at(self, places: FloatArray) -> FloatArray:
        """Logarithm of the light at places; shapes (k, 2) and (k,)."""
        return np.asarray((_regressors(places, self.size) - self.middle) @ self.terms)


def _regressors(places: FloatArray, size: tuple[int, int]) -> FloatArray:
    diagonal = math.hypot(*size)
    away = (places - np.array(size) / 2.0) / diagonal
    return np.column_stack([away, 4.0 * (away**2).sum(axis=1)])


def slope_of(
    places: FloatArray, log_light: FloatArray, size: tuple[int, int], *, noise: float = _GRAIN
) -> Slope:
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
    noise
        Standard deviation of `log_light`.
    """
    table = _regressors(places, size)
    middle = table.mean(axis=0)
    away = table - middle
    prior = np.diag(1.0 / PRIOR_SD**2)
    covariance = np.linalg.inv(away.T @ away / noise**2 + prior)
    pull = away.T @ (log_light - log_light.mean()) / noise**2 + prior @ PRIOR_MEAN
    return Slope(covariance @ pull, covariance, size, middle)


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
        return float(map_coordinates(self._light, spot, order=1, mode="nearest")[0])
