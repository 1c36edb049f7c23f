"""A photo in, a target with its uncertainty out."""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import Final

import numpy as np

from shadematch.colour.colorimetry import SRGB_WHITE, adapt, srgb_to_hex, xyz_to_lab, xyz_to_srgb
from shadematch.colour.standards import observation
from shadematch.errors import PhotoError
from shadematch.photo.chart import Chart, as_chart
from shadematch.photo.chart_fit import Correction, fit_chart
from shadematch.photo.drawing import scene_of
from shadematch.photo.files import open_photo
from shadematch.photo.finding import chart_in
from shadematch.photo.light import Neutral, Shading, Slope, as_neutral, slope_of
from shadematch.photo.mean import Mean, mean_of
from shadematch.photo.picture import Picture
from shadematch.photo.regions import Region, as_regions
from shadematch.photo.response import Response, response_of
from shadematch.photo.target import PhotoTarget
from shadematch.photo.uncertainty import (
    Correction as Kind,
    Part,
    chart_size,
    lab_by_xyz,
    neutral_size,
    remaining,
)
from shadematch.studio.covariance import Covariance
from shadematch.studio.target import Target
from shadematch.support.arrays import FloatArray

__all__ = ["read_photo"]

_FEW: Final = 200
_UNEVEN: Final = 2.5  # standard deviation of L*, a* or b* between tiles
_REJECTED: Final = 0.3
_STRONG: Final = 0.2  # slope of log light over the photo's diagonal
_TWO_LIGHTS: Final = 3.0  # a*, b* between neutrals
_STRONG_TINT: Final = 30.0  # chroma from which on it may be no light's tint
_PAPER_TINT: Final = 0.01  # standard deviation of X and Z of paper and cards, as a share
_CLIPPED: Final = 0.1
_EMPTY: Final = 0.02
_BELOW: Final = 0.05
"""How far below zero an empty channel may truly lie (standard deviation), as a share of Y;
an estimate."""


def read_photo(
    path: str | os.PathLike[str],
    *,
    region: object,
    neutral: object = None,
    chart: object = None,
    shading: str | os.PathLike[str] | None = None,
) -> PhotoTarget:
    """A colour in a photo, and how well it is known.

    The colour is that of the surface under D65, for the 2 degree observer. Glare, dust and
    shadow in the region are left out, the rest is averaged in linear light.

    Parameters
    ----------
    path
        JPEG, PNG, TIFF, WebP or HEIC, 8 or 16 bits; the embedded profile and orientation
        are applied. At most 120 million pixels.
    region
        Where the colour is: left, top, right, bottom in pixels or fractions of the upright
        photo; a `Region`; a text as `Region.parse` reads it; or a list of these.
    neutral
        Where white paper or a grey card is, in the same forms; or a `Neutral`, which tells
        its reflectance (else 0.9 is taken). Corrects exposure and the light's colour.
    chart
        The four corner patches of a 24-patch chart, a `Chart`, or ``"find"`` to look for
        it. Corrects the camera too; wins over `neutral`.
    shading
        Another photo from the same stand, all of plain paper: tells how the light falls.

    Returns
    -------
    PhotoTarget
        It holds a `Target` with its covariance, whose `parts` it tells, `warnings`, and
        `show()`. Without neutral and chart the colour is as the camera saw it, and the
        covariance is wide.

    Raises
    ------
    PhotoError
        If the file is no sound photo of these kinds, a region lies outside or can't be
        used, or the neutral or chart makes no sense.
    MissingExtraError
        If a library that reads it is missing (``pip install "shadematch[photos]"``), or
        the one that finds a chart (``pip install "shadematch[chart]"``).
    """
    picture = open_photo(path)
    regions = as_regions(region)
    grey = None if neutral is None else as_neutral(neutral)
    paper = None if shading is None else _shading(shading)
    reading = _Reading(picture, regions, mean_of(picture, regions))
    if chart is not None:
        reading.by_chart(chart, grey, paper)
    elif grey is not None:
        reading.by_neutral(grey, paper)
    else:
        reading.as_seen(paper)
    return reading.result()


def _shading(path: str | os.PathLike[str]) -> Shading:
    try:
        paper = open_photo(path)
    except PhotoError as found:
        if found.field != "photo":
            raise
        # Two files were given: say which is meant.
        raise PhotoError(
            found.problem, field="shading", value=found.value, remedy=found.remedy
        ) from None
    return Shading(paper)


class _Reading:
    """One photo being read: what is gathered on the way to the result."""

    def __init__(self, picture: Picture, regions: tuple[Region, ...], seen: Mean) -> None:
        self.picture, self.regions, self.seen = picture, regions, seen
        self.warnings: list[str] = []
        self.parts: list[tuple[str, FloatArray]] = []
        self.others: list[tuple[str, Mean]] = []
        self.response: Response | None = None
        self.kind: Kind = "none"
        self.white = observation("D65").white
        self._mind_region()

    def _mind_region(self) -> None:
        seen = self.seen
        if seen.clipped_channels:
            self.warnings.append(
                f"The region clips in {' and '.join(seen.clipped_channels)}: it is brighter or "
                "stronger in colour than the photo can hold; take it with less light."
            )
        names = ("red", "green", "blue")
        if len(seen.empty) == 3 and seen.empty.max() > _EMPTY:
            channels = [n for n, share in zip(names, seen.empty, strict=True) if share > _EMPTY]
            self.warnings.append(
                f"The region has no {' and no '.join(channels)} left: its colour is stronger than "
                "the file can hold. A whiter light, or a file in Display P3, would show it."
            )
        if seen.pixels < _FEW:
            self.warnings.append(f"Only {seen.pixels} pixels could be used; take a larger region.")
        if seen.spread.max() > _UNEVEN:
            self.warnings.append(
                f"The region is not flat or even: its colour varies by {seen.spread.max():.1f}."
            )
        left_out = 1.0 - seen.shares["kept"]
        if left_out > _REJECTED:
            self.warnings.append(f"{left_out:.0%} of the region was left out; choose another part.")
        if self.picture.profile.channels == 1:
            self.warnings.append("The photo is grey: it shows lightness, no colour.")

    def _mind_slope(self, size: float) -> None:
        if size > _STRONG:
            self.warnings.append(
                f"The light changes by {np.expm1(size):.0%} across the photo; photograph plain "
                "paper from the same stand and give it as shading."
            )

    def by_chart(self, given: object, grey: Neutral | None, paper: Shading | None) -> None:
        placed = self._chart(given)
        correction, patches = fit_chart(self.picture, placed, paper)
        self.kind = "chart"
        self.method = f"corrected by a 24-patch chart {correction.made} ({correction.name})"
        self.others = [("chart", m) for m in patches]
        if grey is not None:
            self._neutral_means(grey)
        light, variance = self._light(paper, correction.slope)

        def correct(xyz: FloatArray) -> FloatArray:
            linear = np.asarray(np.linalg.solve(self.picture.profile.matrix, xyz), dtype=float)
            return correction.xyz(linear, light)

        self._finish(correct, variance)
        if placed.reference is None:  # of another chart the spectra are not known
            places = np.array([m.middle for m in patches])
            if paper is not None:
                photo = self.picture.width, self.picture.height
                logs = np.log([paper.at(p, *photo) for p in places])
            else:
                assert correction.slope is not None
                logs = correction.slope.logs_at(places)
            self.response = response_of(
                self.picture, correction, patches, logs, self.seen, (light, variance)
            )
        size = chart_size(correction.residuals, correction.reference)
        self.parts.append(("chart residual", remaining("chart", self.lab, size)))
        if self.seen.xyz[1] > 1.5 * max(m.xyz[1] for m in patches):
            self.warnings.append("The region is much brighter than the chart: is it in its light?")
        self._mind_two_lights(correction)

    def _chart(self, given: object) -> Chart:
        if not (isinstance(given, str) and given.strip().lower() == "find"):
            return as_chart(given)
        placed = chart_in(self.picture)
        if placed.left_out:
            self.warnings.append(
                f"{len(placed.left_out)} patches of the chart are covered or have glare; "
                "they were left out."
            )
        return placed

    def _mind_two_lights(self, correction: Correction) -> None:
        chroma = np.hypot(correction.reference[:, 1], correction.reference[:, 2])
        greys = correction.residuals[chroma < 5.0]
        if len(greys) >= 4 and np.hypot(*greys[:, 1:].std(axis=0)) > _TWO_LIGHTS:
            self.warnings.append("The chart's greys differ in colour: two lights, or a shadow?")

    def _neutral_means(self, grey: Neutral) -> list[Mean]:
        means = [mean_of(self.picture, (r,), field_="neutral") for r in grey.regions]
        self.others += [("neutral", m) for m in means]
        for mean in means:
            if mean.shares["clipped"] > _CLIPPED or mean.clipped_channels:
                raise PhotoError(
                    "clips: it is too bright to tell the light",
                    field="neutral",
                    value=f"{mean.shares['clipped']:.0%} of it",
                    remedy="Take the photo with a shorter exposure, or use a grey card",
                )
        return means

    def by_neutral(self, grey: Neutral, paper: Shading | None) -> None:
        means = self._neutral_means(grey)
        if self.picture.profile.channels == 1:
            self.warnings.append("A neutral in a grey photo corrects the exposure only.")
        tiles = np.concatenate([m.tiles for m in means])
        photo = self.picture.width, self.picture.height
        if paper is not None:
            tiles[:, 2:] /= np.array([paper.at(t[:2], *photo) for t in tiles])[:, None]
        slope = slope_of(tiles[:, :2], np.log(np.maximum(tiles[:, 3], 1e-6)), photo)
        shown = tiles[:, 2:].mean(axis=0)
        if shown[1] < 0.02:
            raise PhotoError(
                "is too dark to tell the light",
                field="neutral",
                value=f"Y {shown[1]:.3f}",
                remedy="Take the photo with a longer exposure, or choose a lighter surface",
            )
        self.kind = "neutral"
        self.method = f"corrected by a neutral of reflectance {grey.reflectance:g}"
        wanted = grey.reflectance * self.white
        light, variance = self._light(paper, None if paper is not None else slope)

        def correct(xyz: FloatArray) -> FloatArray:
            return np.asarray(adapt(xyz, shown, wanted) * np.exp(-light))

        self._finish(correct, variance)
        # Its reflectance, its tint, and what noise leaves of it.
        share = np.array([_PAPER_TINT, 0.0, _PAPER_TINT])
        noise = sum((m.noise + m.steps for m in means), np.zeros((3, 3))) / len(means) ** 2
        relative = np.diag(share**2) + (grey.reflectance_sd / grey.reflectance) ** 2
        relative = relative + noise / np.outer(shown, shown)
        by = self.by_xyz * self.xyz
        self.parts.append(("neutral", by @ relative @ by.T))
        tint = xyz_to_lab(100.0 * shown / shown[1], SRGB_WHITE)
        size = neutral_size(float(np.hypot(tint[1], tint[2])))
        if np.hypot(tint[1], tint[2]) > _STRONG_TINT:
            looks = srgb_to_hex(xyz_to_srgb(100.0 * shown, SRGB_WHITE)[0])
            self.warnings.append(
                f"The neutral looks {looks} in the photo. Some lamps do that; but if it is not "
                "white or grey itself, the colour is wrong."
            )
        self.parts.append(("camera", remaining("neutral", self.lab, size)))
        self._mind_tints(tiles, means)

    def _mind_tints(self, tiles: FloatArray, means: list[Mean]) -> None:
        own = np.array([m.tiles[:, 2:].mean(axis=0) for m in means])
        if len(own) == 1:
            own = tiles[:, 2:]
        relative = own / own[:, 1:2] * (SRGB_WHITE / 100.0)[1] * (own[:, 1:2].mean() * 100.0)
        white = relative.mean(axis=0)
        lab = xyz_to_lab(relative, white * 100.0 / white[1])
        if np.ptp(lab[:, 1:], axis=0).max() > _TWO_LIGHTS:
            self.warnings.append(
                "The neutral differs in colour from place to place: two lights fall on the scene."
            )

    def as_seen(self, paper: Shading | None) -> None:
        self.method = "not corrected: the colour is as the camera saw it"
        light, variance = self._light(paper, None)

        def correct(xyz: FloatArray) -> FloatArray:
            return np.asarray(adapt(100.0 * xyz, SRGB_WHITE, self.white) * np.exp(-light))

        self._finish(correct, variance)
        self.parts.append(("camera and light", remaining("none", self.lab)))
        self.warnings.append(
            "Nothing in the photo tells the light: put white paper or a chart beside the soap."
        )

    def _light(self, paper: Shading | None, slope: Slope | None) -> tuple[float, float]:
        """Logarithm of the light at the region, and its variance."""
        if paper is not None:
            self._mind_slope(float(np.log(paper.range)))
            place = self.seen.middle
            value = float(np.log(paper.at(place, self.picture.width, self.picture.height)))
            return value, 0.01**2
        if slope is None:
            return 0.0, 0.0
        self._mind_slope(float(np.hypot(*slope.terms[:2])))
        return slope.log_at(self.seen.middle)

    def _finish(self, correct: Callable[[FloatArray], FloatArray], light_variance: float) -> None:
        """Take the corrected colour, and carry the photo's own errors over to it."""
        xyz, slopes = correct(self.seen.xyz), _slopes(correct, self.seen.xyz)
        if not np.all(np.isfinite(xyz)):
            raise PhotoError("gives no colour", field="photo", remedy="Check the regions")
        if xyz[1] > 110.0:
            raise PhotoError(
                "is brighter than a perfect white",
                field="region",
                value=f"Y {xyz[1]:.0f}",
                remedy="Check the neutral and its reflectance: is it in the same light?",
            )
        # A colour on the edge of what is possible may come out just beyond it.
        held = np.clip(xyz, 1e-3, None) * min(1.0, 100.0 / max(xyz[1], 1e-9))
        if np.abs(held - xyz).max() > 1.0:
            self.warnings.append("The corrected colour lies beyond what surfaces can have.")
        self.xyz, self.lab = held, xyz_to_lab(held, self.white)
        self.by_xyz = lab_by_xyz(held, self.white)
        by = self.by_xyz @ slopes
        uneven = np.cov(self.seen.tiles[:, 2:].T) / 4.0 if len(self.seen.tiles) > 3 else 0.0
        self.parts.append(("pixels", by @ (self.seen.noise + uneven) @ by.T))
        self.parts.append(("code steps", by @ self.seen.steps @ by.T))
        if self.seen.empty.max() > _EMPTY:
            # What the file cut off at zero may have been anything below: about as far below as
            # a step up is above. A step, no slope, since roots are steep at zero.
            total = np.zeros((3, 3))
            for share, primary in zip(self.seen.empty, self.picture.profile.matrix.T, strict=True):
                there = correct(self.seen.xyz + _BELOW * self.seen.xyz[1] * primary)
                move = xyz_to_lab(np.clip(there, 1e-3, None), self.white) - self.lab
                total += share * np.outer(move, move)
            self.parts.append(("empty channel", total))
        if light_variance > 0:
            along = self.by_xyz @ held
            self.parts.append(("fall of the light", light_variance * np.outer(along, along)))

    def result(self) -> PhotoTarget:
        total = sum((c for _, c in self.parts), np.zeros((3, 3)))
        before = xyz_to_lab(adapt(100.0 * self.seen.xyz, SRGB_WHITE, self.white), self.white)
        source = f"a photo, {self.method}"
        return PhotoTarget(
            Target(_row(self.lab), source=source, covariance=_rows(total)),
            correction=self.kind,
            method=self.method,
            uncorrected=_row(before),
            shares=tuple(self.seen.shares.items()),
            pixels=self.seen.pixels,
            parts=tuple(Part(name, _rows(c)) for name, c in self.parts),
            warnings=tuple(self.warnings),
            notes=self.picture.notes,
            response=self.response,
            _scene=scene_of(self.picture, [("region", self.seen), *self.others]),
        )


def _slopes(correct: Callable[[FloatArray], FloatArray], xyz: FloatArray) -> FloatArray:
    """How corrected XYZ changes with XYZ in the photo, shape (3, 3); by central differences."""
    step = max(1e-4, 1e-3 * float(xyz[1]))
    columns = []
    for i in range(3):
        shift = np.zeros(3)
        shift[i] = step
        columns.append((correct(xyz + shift) - correct(xyz - shift)) / (2 * step))
    return np.array(columns).T


def _row(values: FloatArray) -> tuple[float, float, float]:
    return float(values[0]), float(values[1]), float(values[2])


def _rows(matrix: FloatArray) -> Covariance:
    even = (matrix + matrix.T) / 2.0
    return _row(even[0]), _row(even[1]), _row(even[2])
