"""Where a photo is flat: regions to choose from, when none is known."""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.ndimage import uniform_filter

from shadematch.colour.colorimetry import SRGB_WHITE, srgb_to_hex, xyz_to_lab, xyz_to_srgb
from shadematch.colour.difference import delta_e
from shadematch.errors import PhotoError
from shadematch.photo.drawing import Bytes, draw_regions, preview
from shadematch.photo.files import open_photo
from shadematch.photo.mean import Mean, mean_of
from shadematch.photo.picture import Picture
from shadematch.photo.regions import Region
from shadematch.support.arrays import FloatArray

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["FlatArea", "FlatAreas", "flat_areas"]

_LONGEST: Final = 240
_SIDES: Final = (48, 32, 22, 14)  # sides of the squares tried, in pixels of the small copy
_FLAT: Final = 2.2  # standard deviation of Lab inside
_SAME: Final = 3.0  # CIEDE2000 below which two neighbours count as one surface


@dataclass(frozen=True)
class FlatArea:
    """A flat part of a photo.

    Attributes
    ----------
    number
        As in the picture.
    region
        A box in pixels.
    hex
        Its colour as the camera saw it.
    neutral
        Whether it looks white or grey, as paper or a card would.
    """

    number: int
    region: Region
    hex: str
    neutral: bool

    def __str__(self) -> str:
        """In plain words."""
        looks = ", looks neutral" if self.neutral else ""
        return f"{self.number}: {self.region}  {self.hex}{looks}"


@dataclass(frozen=True)
class FlatAreas:
    """Flat parts of a photo, largest first; `show()` draws them numbered."""

    areas: tuple[FlatArea, ...]
    _pixels: Bytes = field(repr=False, compare=False)
    _every: float = field(repr=False, compare=False)
    _size: tuple[int, int] = field(repr=False, compare=False)

    def __getitem__(self, number: int) -> Region:
        """The region with a number, counted from 1 as in the picture."""
        for area in self.areas:
            if area.number == number:
                return area.region
        raise PhotoError(
            "there is no such area",
            field="number",
            value=number,
            remedy=f"Take one from 1 to {len(self.areas)}",
        )

    def __len__(self) -> int:
        """How many there are."""
        return len(self.areas)

    def show(self) -> Figure:
        """The photo with the areas numbered.

        Raises
        ------
        MissingExtraError
            If matplotlib is not installed.
        """
        return draw_regions(self._pixels, self._every, [a.region for a in self.areas], self._size)

    def __str__(self) -> str:
        """One line each."""
        return "\n".join(map(str, self.areas)) or "no flat areas"


def flat_areas(path: str | os.PathLike[str], *, most: int = 12) -> FlatAreas:
    """Flat, even parts of a photo, as regions to choose from.

    Squares are tried from large to small; one is taken where it is even, neither clipped nor
    black, and not a part of the same surface beside one already taken.

    Parameters
    ----------
    path
        As for `shadematch.read_photo`.
    most
        How many to propose at most.

    Returns
    -------
    FlatAreas
        Largest first, numbered from 1.

    Raises
    ------
    PhotoError
        If the photo can't be read.
    MissingExtraError
        If a library that reads it is missing.
    """
    if isinstance(most, bool) or not isinstance(most, int) or not 1 <= most <= 99:
        raise PhotoError(
            "must be a whole number from 1 to 99",
            field="most",
            value=most,
            remedy="12 are easily told apart",
        )
    picture = open_photo(path)
    boxes = _boxes(picture, most)
    areas: list[FlatArea] = []
    for box in boxes:
        region = Region.box(*box)
        try:
            mean = mean_of(picture, (region,))
        except PhotoError:
            continue
        areas.append(_area(len(areas) + 1, region, mean))
    pixels, every = preview(picture)
    return FlatAreas(tuple(areas), pixels, every, (picture.width, picture.height))


def _area(number: int, region: Region, mean: Mean) -> FlatArea:
    lab = xyz_to_lab(100.0 * mean.xyz, SRGB_WHITE)
    code = srgb_to_hex(xyz_to_srgb(100.0 * mean.xyz, SRGB_WHITE)[0])
    return FlatArea(number, region, code, bool(np.hypot(lab[1], lab[2]) < 10.0 and lab[0] > 35.0))


def _boxes(picture: Picture, most: int) -> list[tuple[int, int, int, int]]:
    patch, every = picture.small(_LONGEST)
    lab = xyz_to_lab(100.0 * (patch.linear @ picture.profile.matrix.T), SRGB_WHITE)
    bad = patch.full.any(axis=2) | patch.empty.all(axis=2) | ~patch.seen
    rows, columns = bad.shape
    taken: list[tuple[int, int, int, FloatArray]] = []
    for side in _SIDES:
        if side > min(rows, columns):
            continue
        mean = np.stack([uniform_filter(lab[..., i], side) for i in range(3)], axis=-1)
        square = np.stack([uniform_filter(lab[..., i] ** 2, side) for i in range(3)], axis=-1)
        spread = np.sqrt(np.maximum(square - mean**2, 0.0)).max(axis=-1)
        clipped = uniform_filter(bad.astype(float), side)
        half = side // 2
        score = np.where(clipped > 0.02, np.inf, spread)
        outer = np.ones_like(bad)
        outer[half : rows - half, half : columns - half] = False
        score[outer] = np.inf
        while len(taken) < most:
            row, column = map(int, np.unravel_index(int(np.argmin(score)), score.shape))
            if not score[row, column] <= _FLAT:
                break
            here = mean[row, column]
            if not any(_same(row, column, side, here, other) for other in taken):
                taken.append((row, column, side, here))
                low, left = max(0, row - side), max(0, column - side)
                score[low : row + side, left : column + side] = np.inf
            else:
                score[row, column] = np.inf
    boxes = []
    for y, x, wide, _ in taken:
        half = wide // 2 - 1
        box = [(x - half) * every, (y - half) * every, (x + half) * every, (y + half) * every]
        right, bottom = min(box[2], picture.width), min(box[3], picture.height)
        boxes.append((int(box[0]), int(box[1]), int(right), int(bottom)))
    return boxes


def _same(
    row: int, column: int, side: int, lab: FloatArray, other: tuple[int, int, int, FloatArray]
) -> bool:
    """Whether a square overlaps another, or is a neighbour of the same colour."""
    reach = (side + other[2]) / 2
    away = max(abs(row - other[0]), abs(column - other[1]))
    near = float(delta_e(lab, other[3])) < _SAME
    return away < reach or (near and away < 3 * reach)
