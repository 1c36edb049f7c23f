"""A colour read from a photo, and how well it is known."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

import numpy as np

from shadematch.colour.colorimetry import SRGB_WHITE, lab_to_xyz, xyz_to_hex
from shadematch.photo.drawing import Scene, draw_photo
from shadematch.photo.response import Response
from shadematch.studio.covariance import Covariance
from shadematch.studio.target import Target
from shadematch.support.arrays import Triple
from shadematch.support.report import Report, Reported, Row, Swatch, rows_of

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["CorrectedBy", "Part", "PhotoTarget"]

CorrectedBy = Literal["chart", "neutral", "reference", "none"]


@dataclass(frozen=True)
class Part:
    """One cause of uncertainty.

    Attributes
    ----------
    name
        Of the cause.
    covariance
        Of Lab, 3 x 3.
    """

    name: str
    covariance: Covariance

    @property
    def size(self) -> float:
        """Root of the sum of its variances, in units of Lab."""
        return float(np.sqrt(np.trace(np.array(self.covariance))))

    def __str__(self) -> str:
        """In plain words."""
        sd = ", ".join(f"{v:.1f}" for v in np.sqrt(np.diag(np.array(self.covariance))))
        return f"{self.name}: standard deviations of L*, a*, b* {sd}"


@dataclass(frozen=True)
class PhotoTarget(Reported):
    """A colour read from a photo, and how well it is known.

    `match` and others take it as it is. Nothing else of the file is kept: no place, time, device,
    name or text.

    Attributes
    ----------
    target
        The colour under D65 for the 2 degree observer, with its covariance.
    correction
        The best evidence of the light: ``"chart"``, ``"neutral"``, ``"reference"`` or ``"none"``.
    method
        What was done, in words.
    uncorrected
        Lab as the camera saw it, under D65.
    shares
        Share of the region that was kept, and left out as glare, shadow, dust, clipped or
        see-through.
    pixels
        How many were averaged.
    parts
        The causes that the covariance of the target is the sum of.
    warnings
        What to check.
    notes
        What was found in the file.
    response
        The camera's channels for the region and a chart of published colours, for
        `shadematch.calibrate`; None without such a chart.
    """

    target: Target
    correction: CorrectedBy
    method: str
    uncorrected: Triple
    shares: tuple[tuple[str, float], ...]
    pixels: int
    parts: tuple[Part, ...]
    warnings: tuple[str, ...]
    notes: tuple[str, ...]
    response: Response | None = field(default=None, repr=False)
    _scene: Scene | None = field(default=None, repr=False, compare=False)

    @property
    def uncorrected_hex(self) -> str:
        """Nearest sRGB code of the colour as the camera saw it."""
        xyz = lab_to_xyz(np.array(self.uncorrected), SRGB_WHITE)
        return xyz_to_hex(xyz, SRGB_WHITE)

    def show(self) -> Figure:
        """The photo with its regions, what was left out of them, and the colour before and after.

        Raises
        ------
        MissingExtraError
            If matplotlib is not installed.
        PhotoError
            If the photo was not kept with the result.
        """
        return draw_photo(
            self._scene, before=self.uncorrected_hex, after=self.target, title=self.method
        )

    def report(self) -> Report:
        """All that is known of it."""
        left_out = ", ".join(f"{n} {s:.1%}" for n, s in self.shares if n != "kept" and s >= 0.0005)
        return Report(
            swatches=(
                Swatch(self.uncorrected_hex, "as photographed"),
                Swatch.of(self.target, "target"),
            ),
            rows=(
                Row.colour("colour", self.target, "D65/2 degrees"),
                Row("known to", f"CIEDE2000 {self.target.radius:.1f}", range="90 %"),
                Row("light", self.method),
                Row("pixels", f"{self.pixels} averaged; left out: {left_out or 'none'}"),
                *rows_of("mind", self.warnings),
            ),
            details=(*rows_of("part", map(str, self.parts)), *rows_of("file", self.notes)),
            cautions=False,
        )
