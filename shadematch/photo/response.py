"""What a camera's channels show of a region and of a chart, before any correction for the eye.

Two surfaces that look alike to an eye may differ to a camera, and a correction learnt on a chart
can't mend that for other colours. Who knows more of the surface than its colour, as a calibration
does, can compute what the camera itself would see. For that, the tone curve and the slope of the
light are removed here; all else (light, white balance, exposure, matrices) is then linear, and the
same for chart and region.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from shadematch.errors import PhotoError
from shadematch.photo.inference import Inferred
from shadematch.photo.mean import Mean
from shadematch.photo.surfaces import ChartRead, Surfaces
from shadematch.studio.covariance import Covariance, symmetric
from shadematch.support.arrays import FloatArray, Triple, triple

__all__ = ["PATCHES", "Response", "response_of", "slopes_of"]

PATCHES: Final = 24
_EMPTY: Final = 0.04
"""Part of the strongest channel below which a channel counts as nearly empty."""
_BEYOND: Final = 0.2
"""How far below 0 it may lie, as a part of the strongest (from test bars in invented worlds)."""
_CUT: Final = 0.02
"""Share of a patch that may lie beyond what the file can hold."""


@dataclass(frozen=True)
class Response:
    """Linear values in three channels that are the same all over the photo.

    Attributes
    ----------
    region
        Of the region.
    covariance
        Of `region`: noise, code steps, unevenness, fall of the light.
    beyond
        For each nearly empty channel, the step by which the region may lie further out.
    patches
        Of the chart's 24 patches, row by row; None for those left out, or beyond what the file
        holds.

    Raises
    ------
    PhotoError
        If they are not threes of finite numbers.
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
    """What the photo shows of the chart and of a region with mean `seen`, made linear."""
    matrix = surfaces.picture.profile.matrix

    def straight(xyz: FloatArray, mean: Mean) -> FloatArray:
        linear = surfaces.linear(xyz, mean)
        return 100.0 * matrix @ inferred.straight(linear, surfaces.place(mean))

    found: list[Triple | None] = [None] * PATCHES
    for number, mean in zip(chart.numbers, chart.means, strict=True):
        if mean.empty.max() <= _CUT:
            found[number] = triple(straight(mean.xyz, mean))
    region = straight(seen.xyz, seen)
    slopes = slopes_of(lambda xyz: straight(xyz, seen), seen.xyz)
    covariance = slopes @ (seen.noise + seen.steps + seen.uneven) @ slopes.T
    covariance = covariance + inferred.light_variance(surfaces.place(seen)) * np.outer(
        region, region
    )
    channels = np.linalg.solve(matrix, seen.xyz)
    strongest = float(np.linalg.solve(matrix, region).max())
    beyond = tuple(
        triple(-_BEYOND * strongest * matrix[:, c])
        for c in np.flatnonzero(channels < _EMPTY * channels.max())
    )
    return Response(triple(region), symmetric(covariance), beyond, tuple(found))


def slopes_of(of: Callable[[FloatArray], FloatArray], xyz: FloatArray) -> FloatArray:
    """How three numbers change with XYZ in the photo, shape (3, 3); by central differences."""
    step = max(1e-4, 1e-3 * float(xyz[1]))
    return np.array([(of(xyz + d) - of(xyz - d)) / (2 * step) for d in step * np.eye(3)]).T
