"""Flat areas of a photo, as regions to choose from."""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

import numpy as np
from scipy.ndimage import uniform_filter

from shadematch.colour.colorimetry import SRGB_WHITE, lab_to_xyz, xyz_to_hex, xyz_to_lab
from shadematch.colour.difference import delta_e
from shadematch.errors import PhotoError
from shadematch.photo.drawing import Bytes, draw_regions, preview
from shadematch.photo.files import open_photo
from shadematch.photo.picture import Picture
from shadematch.photo.regions import Region
from shadematch.support.arrays import BoolArray, FloatArray, IntArray
from shadematch.support.models import whole

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["FlatArea", "FlatAreas", "flat_areas"]

Box = tuple[int, int, int, int]


_LONGEST: Final = 240
_SIDES: Final = (48, 32, 22, 14)  # sides of the squares tried, in pixels of the small copy
_EVERY: Final = 2  # pixels between the middles of the squares tried
_FLAT: Final = 2.2  # standard deviation of Lab inside
_SAME: Final = 3.0  # CIEDE2000 below which two neighbours count as one surface


@dataclass(frozen=True)
class FlatArea:
    """A flat area of a photo.

    Attributes
    ----------
    number
        From 1, as in the picture.
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
    """Flat areas of a photo, largest first; `show()` draws them numbered."""

    areas: tuple[FlatArea, ...]
    _pixels: Bytes = field(repr=False, compare=False)
    _every: float = field(repr=False, compare=False)
    _size: tuple[int, int] = field(repr=False, compare=False)

    def __getitem__(self, number: int) -> Region:
        """The region with a number, from 1, as in the picture; else a `PhotoError`."""
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
    """Flat, even areas of a photo, as regions to choose from.

    Squares are tried in a small copy, large ones first. One is taken if it is even, neither clipped
    nor black, and not beside one of the same colour.

    Parameters
    ----------
    path
        As for `shadematch.read_photo`.
    most
        The most to propose, 1 to 99.

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
    most = whole(most, "most", 1, 99, "12 are easily told apart", error=PhotoError)
    picture = open_photo(path)
    found = _squares(picture, most)
    areas = tuple(_area(i, box, lab) for i, (box, lab) in enumerate(found, 1))
    pixels, every = preview(picture)
    return FlatAreas(areas, pixels, every, (picture.width, picture.height))


def _area(number: int, box: Box, lab: FloatArray) -> FlatArea:
    code = xyz_to_hex(lab_to_xyz(lab, SRGB_WHITE), SRGB_WHITE)
    grey = bool(np.hypot(lab[1], lab[2]) < 10.0 and lab[0] > 35.0)
    return FlatArea(number, Region.box(*box), code, grey)


def _squares(picture: Picture, most: int) -> list[tuple[Box, FloatArray]]:
    """Flat squares [pixels of the photo] and their Lab, large ones first."""
    patch, every = picture.small(_LONGEST)
    lab = xyz_to_lab(100.0 * (patch.linear @ picture.profile.matrix.T), SRGB_WHITE)
    bad = patch.full.any(axis=2) | patch.empty.all(axis=2) | ~patch.seen
    rows, columns = bad.shape
    taken: list[tuple[int, int, int, FloatArray]] = []
    for side in _SIDES:
        if side > min(rows, columns) or len(taken) == most:
            continue
        half = side // 2
        middles = np.ix_(
            np.arange(half, rows - half, _EVERY), np.arange(half, columns - half, _EVERY)
        )
        mean = np.stack([uniform_filter(lab[..., i], side)[middles] for i in range(3)], axis=-1)
        square = [uniform_filter(lab[..., i] ** 2, side)[middles] for i in range(3)]
        spread = np.sqrt(np.maximum(np.stack(square, axis=-1) - mean**2, 0.0)).max(axis=-1)
        clipped = uniform_filter(bad.astype(float), side)[middles]
        spread[clipped > 0.02] = np.inf
        for other in taken:
            spread[_like(middles, mean, side, other)] = np.inf
        while len(taken) < most:
            at = np.unravel_index(int(np.argmin(spread)), spread.shape)
            if not spread[at] <= _FLAT:
                break
            taken.append((int(middles[0][at[0], 0]), int(middles[1][0, at[1]]), side, mean[at]))
            spread[_like(middles, mean, side, taken[-1])] = np.inf
    found = []
    for y, x, side, own in taken:
        half = side // 2 - 1
        right = min((x + half) * every, picture.width)
        bottom = min((y + half) * every, picture.height)
        box = int((x - half) * every), int((y - half) * every), int(right), int(bottom)
        found.append((box, own))
    return found


def _like(
    middles: tuple[IntArray, ...],
    lab: FloatArray,
    side: int,
    other: tuple[int, int, int, FloatArray],
) -> BoolArray:
    """Which squares overlap another, or neighbour it in its colour."""
    reach = (side + other[2]) / 2
    away = np.maximum(np.abs(middles[0] - other[0]), np.abs(middles[1] - other[1]))
    found = np.asarray(away < reach)
    near = (away < 3 * reach) & ~found
    found[near] = delta_e(lab[near], other[3]) < _SAME
    return found
