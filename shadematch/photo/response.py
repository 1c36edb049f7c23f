"""What a camera's channels gave, of a region and of a chart, before any correction to an eye.

A camera is not an eye: two surfaces that look alike to one differ to the other, and a correction
learnt on a chart can't mend that for colours unlike the chart's. Who knows more about the
surface than its colour, as a calibration does, can reckon with the camera itself. For that, the
tone curve and the slope of the light are taken off; all else of the camera, its light, white
balance, exposure and matrices, is linear then, and the same for the chart as for the region.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from shadematch.errors import PhotoError
from shadematch.photo.inference import Inferred
from shadematch.photo.mean import Mean
from shadematch.photo.surfaces import ChartRead, Surfaces
from shadematch.studio.covariance import Covariance
from shadematch.support.arrays import FloatArray

__all__ = ["PATCHES", "Response", "response_of"]

Triple = tuple[float, float, float]

PATCHES: Final = 24
_EMPTY: Final = 0.04
"""Part of the strongest channel below which a channel is next to empty."""
_BEYOND: Final = 0.2
"""How far below nothing it may have to be, as a part of the strongest (test bars in invented
worlds)."""


_CUT: Final = 0.02
"""Share of a patch that may lie beyond what the file can hold."""


@dataclass(frozen=True)
class Response:
    """Proportional to light, in some three channels that are the same all over the photo.

    Attributes
    ----------
    region
        Of the region.
    covariance
        Of `region`: noise, code steps, unevenness, the fall of the light.
    beyond
        For each channel that is next to empty, the step that the region may lie further out.
    patches
        Of the 24 patches of the chart, row by row; None for those left out, or beyond what
        the file can hold.
    """

    region: Triple
    covariance: Covariance
    beyond: tuple[Triple, ...]
    patches: tuple[Triple | None, ...]

    def __post_init__(self) -> None:
        rows = [self.region, *self.covariance, *self.beyond]
        rows += [p for p in self.patches if p is not None]
        try:
            table = np.array(rows, dtype=float)
        except (TypeError, ValueError, OverflowError):
            table = np.empty(0)
        sound = table.ndim == 2 and table.shape[1] == 3 and bool(np.all(np.abs(table) < 1e9))
        if not sound or len(self.covariance) != 3 or len(self.patches) != PATCHES:
            raise PhotoError(
                "needs threes of finite numbers",
                field="response",
                remedy="Take it from shadematch.read_photo(...)",
            )


def response_of(surfaces: Surfaces, inferred: Inferred, chart: ChartRead, seen: Mean) -> Response:
    """What the photo shows, straightened.

    Parameters
    ----------
    surfaces, inferred, chart
        What was read of the photo's chart, and what it told.
    seen
        Mean of the region.
    """
    matrix = surfaces.picture.profile.matrix

    def straight(xyz: FloatArray, mean: Mean) -> FloatArray:
        linear = surfaces.linear(xyz, mean)
        return 100.0 * matrix @ inferred.straight(linear, surfaces.place(mean))

    found: list[Triple | None] = [None] * PATCHES
    for number, mean in zip(chart.numbers, chart.means, strict=True):
        if mean.empty.max() <= _CUT:
            found[number] = _row(straight(mean.xyz, mean))
    region = straight(seen.xyz, seen)
    step = max(1e-4, 1e-3 * float(seen.xyz[1]))
    slopes = np.array(
        [
            (straight(seen.xyz + d, seen) - straight(seen.xyz - d, seen)) / (2 * step)
            for d in step * np.eye(3)
        ]
    ).T
    uneven = np.cov(seen.tiles[:, 2:].T) / 4.0 if len(seen.tiles) > 3 else np.zeros((3, 3))
    covariance = slopes @ (seen.noise + seen.steps + uneven) @ slopes.T
    covariance = covariance + inferred.light_variance(surfaces.place(seen)) * np.outer(
        region, region
    )
    channels = np.linalg.solve(matrix, seen.xyz)
    strongest = float(np.linalg.solve(matrix, region).max())
    beyond = tuple(
        _row(-_BEYOND * strongest * matrix[:, c])
        for c in np.flatnonzero(channels < _EMPTY * channels.max())
    )
    even = (covariance + covariance.T) / 2.0
    return Response(
        _row(region), (_row(even[0]), _row(even[1]), _row(even[2])), beyond, tuple(found)
    )


def _row(values: FloatArray) -> Triple:
    return float(values[0]), float(values[1]), float(values[2])
