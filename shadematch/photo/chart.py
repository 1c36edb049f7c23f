"""A 24-patch chart in the photo: its place, its published colours, and what is read of it."""

from __future__ import annotations

import csv
import functools
from dataclasses import dataclass
from importlib import resources
from typing import Final

import numpy as np

from shadematch.colour.colorimetry import (
    LAB_FROM_RESPONSE,
    adapt,
    cube_root_response,
    lab_to_xyz,
    xyz_to_lab,
)
from shadematch.colour.difference import delta_e
from shadematch.colour.standards import observation
from shadematch.errors import PhotoError
from shadematch.photo.mean import Mean, mean_of
from shadematch.photo.picture import Picture
from shadematch.photo.profile import SRGB
from shadematch.photo.regions import Region
from shadematch.support.arrays import BoolArray, FloatArray, triple

__all__ = [
    "GREYS",
    "MOST_LEFT_OUT",
    "Chart",
    "as_chart",
    "by_matrix",
    "homography",
    "is_camera",
    "read_chart",
]

_ROWS, _COLUMNS = 4, 6
MOST_LEFT_OUT: Final = 8
_TURNS: Final = 12
_USUAL: Final = 4.0  # CIEDE2000 up to which patches count nearly alike
GREYS: Final = range(18, 24)
_OWN: Final = 0.35
"""How far a channel's own part must exceed any other's, where all three add up to 1 (an estimate:
in photos it is about 1, and 0 after a turn of hue by 60 degrees)."""
_PART: Final = 0.25
"""Half the side of the square that is read, in distances between patches."""

PUBLISHED: Final = {
    "made after November 2014": "chart24.csv",
    "made before November 2014": "chart24-before2014.csv",
}
Point = tuple[float, float]
_CENTRES: Final = "Give the centres of the patches dark skin, bluish green, black, white"


@functools.cache
def _reference(file: str = "chart24.csv") -> tuple[tuple[str, ...], FloatArray]:
    """Names, and Lab under D50, shape (24, 3)."""
    with resources.files("shadematch").joinpath("resources", file).open(encoding="utf-8") as stream:
        rows = list(csv.DictReader(line for line in stream if not line.startswith("#")))
    lab = np.array([[float(row[c]) for c in ("L", "a", "b")] for row in rows])
    return tuple(row["patch"] for row in rows), lab


@dataclass(frozen=True)
class Chart:
    """A 24-patch chart (6 x 4) in the photo, in the same light as the soap.

    Attributes
    ----------
    corners
        Centres (x, y) of its corner patches: dark skin, bluish green, black, white, in this order.
        In pixels, or in fractions if none is above 1; the chart may lie at any angle.
    reference
        Lab under D50 of its 24 patches, row by row, if measured. By default that of charts made
        before or after November 2014, whichever fits the photo better.
    left_out
        Numbers, 0 to 23, of up to 8 covered patches that are not read.

    Raises
    ------
    PhotoError
        If one of these is not so.
    """

    corners: tuple[Point, Point, Point, Point]
    reference: tuple[tuple[float, float, float], ...] | None = None
    left_out: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        try:
            points = np.array(self.corners, dtype=float)
            table = np.array(self.reference if self.reference else [[0.0] * 3] * 24, dtype=float)
        except (TypeError, ValueError, OverflowError):
            points, table = np.empty(0), np.empty(0)
        if points.shape != (4, 2) or not np.all(np.isfinite(points)) or points.min() < 0:
            raise PhotoError(
                "needs four corners (x, y)",
                field="chart",
                value=self.corners,
                remedy=_CENTRES,
            )
        if table.shape != (24, 3) or not np.all(np.isfinite(table)):
            raise PhotoError(
                "needs Lab of 24 patches",
                field="chart reference",
                value=table.shape,
                remedy="Give 24 rows of L*, a*, b* under D50, in the order of the chart",
            )
        numbers = self.left_out
        whole = isinstance(numbers, tuple | list) and all(type(i) is int for i in numbers)
        if not whole or not set(numbers) <= set(range(24)) or len(numbers) > MOST_LEFT_OUT:
            raise PhotoError(
                "must be up to eight whole numbers from 0 to 23",
                field="chart left_out",
                value=numbers,
                remedy="Count the patches row by row; dark skin is 0",
            )
        object.__setattr__(self, "left_out", tuple(numbers))
        if self.reference is not None:
            rows = tuple(triple(r) for r in table)
            object.__setattr__(self, "reference", rows)
        a, b, c, d = (((float(x), float(y))) for x, y in points)
        object.__setattr__(self, "corners", (a, b, c, d))
        turns = [
            (q[0] - p[0]) * (r[1] - q[1]) - (q[1] - p[1]) * (r[0] - q[0])
            for p, q, r in ((a, b, c), (b, c, d), (c, d, a), (d, a, b))
        ]
        if min(turns) <= 0 <= max(turns):
            raise PhotoError(
                "has corners out of order",
                field="chart",
                value=self.corners,
                remedy=_CENTRES,
            )

    @property
    def references(self) -> dict[str, FloatArray]:
        """XYZ under D65 (by linear Bradford from D50), shape (24, 3), by name of the reference."""
        d50, d65 = observation("D50").white, observation("D65").white
        if self.reference is not None:
            known = {"as measured": np.array(self.reference)}
        else:
            known = {made: _reference(file)[1] for made, file in PUBLISHED.items()}
        return {made: adapt(lab_to_xyz(lab, d50), d50, d65) for made, lab in known.items()}

    @property
    def xyz(self) -> FloatArray:
        """The first of `references`."""
        return next(iter(self.references.values()))

    def patches(self, width: int, height: int) -> tuple[Region, ...]:
        """The part of each patch that is read, in pixels, row by row."""
        corners = np.array(self.corners)
        if corners.max() <= 1.0:
            corners = corners * (width, height)
        grid = [(0, 0), (_COLUMNS - 1, 0), (_COLUMNS - 1, _ROWS - 1), (0, _ROWS - 1)]
        to_photo = homography(np.array(grid, dtype=float), corners)
        regions = []
        for row in range(_ROWS):
            for column in range(_COLUMNS):
                square = [(-1, -1), (1, -1), (1, 1), (-1, 1)]
                spots = np.array([(column + _PART * i, row + _PART * j, 1.0) for i, j in square])
                seen = spots @ to_photo.T
                # Numbers up to 1 would count as fractions; no patch is that small.
                regions.append(Region.polygon(*(seen[:, :2] / seen[:, 2:]).tolist()))
        return tuple(regions)


def as_chart(given: object) -> Chart:
    """A chart, from one or its corners as numbers or as a text; else a `PhotoError`."""
    if isinstance(given, Chart):
        return given
    if isinstance(given, str):
        words = given.replace(",", " ").split()
        try:
            numbers = [float(word) for word in words]
        except ValueError:
            raise PhotoError(
                "is neither four corners nor 'find'",
                field="chart",
                value=given,
                remedy=f"{_CENTRES}, or 'find' to look for it",
            ) from None
        given = [tuple(numbers[i : i + 2]) for i in range(0, len(numbers), 2)]
    return Chart(given)  # type: ignore[arg-type]


def homography(source: FloatArray, target: FloatArray) -> FloatArray:
    """The 3 x 3 matrix, its last number 1, that takes points (x, y) to others, shapes (k, 2).

    Exact for four points, least squares for more (direct linear transformation: R. Hartley, A.
    Zisserman, *Multiple View Geometry in Computer Vision*, 2nd ed. 2004, (4.3); from memory).
    """
    rows = []
    for (x, y), (u, v) in zip(source, target, strict=True):
        rows.append([x, y, 1, 0, 0, 0, -u * x, -u * y])  # (4.3), with the last number 1
        rows.append([0, 0, 0, x, y, 1, -v * x, -v * y])
    table, goal = np.array(rows, dtype=float), target.ravel()
    weights = np.ones(len(table))
    # The equations are multiplied by their denominators; weights divide by them again.
    for _ in range(1 if len(source) == 4 else 4):
        values = np.linalg.lstsq(table * weights[:, None], goal * weights, rcond=None)[0]
        below = 1.0 + source @ values[6:]
        weights = np.repeat(1.0 / np.where(np.abs(below) > 1e-3, below, 1e-3), 2)
    return np.append(values, 1.0).reshape(3, 3)


def by_matrix(
    shown: FloatArray, reference: FloatArray, sound: BoolArray
) -> tuple[FloatArray, FloatArray]:
    """CIEDE2000 of patches after the best matrix, shape (k,); and the matrix, (3, 3).

    Least squares in CIELAB, linearised about the reference, with Cauchy weights, so that covered
    patches don't pull the matrix (P. W. Holland, R. E. Welsch, Commun. Stat. A 6 (1977) 813; from
    memory). It starts from the median gain of each channel, which half of the patches can't spoil.

    Parameters
    ----------
    shown
        Channel values, shape (k, 3); the matrix takes them, as rows, to XYZ.
    reference
        XYZ under D65, shape (k, 3).
    sound
        Which patches count, shape (k,).
    """
    white = observation("D65").white
    wanted = xyz_to_lab(reference, white)
    by_xyz = LAB_FROM_RESPONSE * cube_root_response(reference, white)[1][:, None, :]
    design = by_xyz @ np.einsum("kf,ij->kifj", shown, np.eye(3)).reshape(len(shown), 3, 9)
    goal = np.einsum("kij,kj->ki", by_xyz, reference)
    channels = np.linalg.solve(SRGB.matrix, reference.T).T
    gains = np.median((channels / np.maximum(shown, 1e-4))[sound], axis=0)
    matrix = (SRGB.matrix * gains).T
    for _ in range(_TURNS):
        xyz = shown @ matrix
        off = delta_e(xyz_to_lab(np.maximum(xyz, 0.0), white), wanted)
        far = np.linalg.norm(np.einsum("kij,kj->ki", by_xyz, xyz) - goal, axis=1)
        root = np.sqrt(sound / (_USUAL**2 + np.minimum(off, far) * far))
        rows = (design * root[:, None, None]).reshape(-1, 9)
        matrix = np.linalg.lstsq(rows, (goal * root[:, None]).ravel(), rcond=None)[0].reshape(3, 3)
    return delta_e(xyz_to_lab(np.maximum(shown @ matrix, 0.0), white), wanted), matrix


def is_camera(matrix: FloatArray) -> bool:
    """Whether a camera may have such a matrix (as of `by_matrix`): channels are mostly their own.

    A matrix could also undo a turn of hue, which no camera makes.
    """
    mixing = np.linalg.solve(SRGB.matrix, matrix.T)  # of channels, to those of sRGB
    white = np.linalg.solve(matrix.T, SRGB.matrix.sum(axis=1))  # as the camera shows it
    mixing = mixing * white
    own = np.diag(mixing)
    others = np.where(np.eye(3, dtype=bool), -np.inf, mixing).max(axis=1)
    return bool(np.all(own > others + _OWN))


def read_chart(picture: Picture, chart: Chart) -> tuple[tuple[int, ...], tuple[Mean, ...]]:
    """Numbers and means of the patches; those that clip are left out.

    A `PhotoError` if the chart lies outside the photo, is too small in it, or too much of it clips.
    """
    if picture.profile.channels == 1:
        raise PhotoError(
            "a grey photo shows no chart's colours", field="chart", remedy="Take a colour photo"
        )
    numbers, means = [], []
    for i, region in enumerate(chart.patches(picture.width, picture.height)):
        if i in chart.left_out:
            continue
        frame = region.frame(picture.width, picture.height)
        if min(frame[2] - frame[0], frame[3] - frame[1]) < 4:
            raise PhotoError(
                "is too small in the photo",
                field="chart",
                value=f"{frame[2] - frame[0]} x {frame[3] - frame[1]} pixels of a patch",
                remedy="Come nearer, or give a larger copy of the photo",
            )
        try:
            mean = mean_of(picture, (region,), field_="chart", fewest=4)
        except PhotoError as found:
            if "clipped" not in found.problem:
                raise
            continue
        if mean.shares["clipped"] < 0.1:
            numbers.append(i)
            means.append(mean)
    if len(numbers) < 24 - MOST_LEFT_OUT - 2:
        raise PhotoError(
            "has too many patches that are clipped",
            field="chart",
            value=f"{24 - len(numbers)} of 24",
            remedy="Take the photo with a shorter exposure, without glare on the chart",
        )
    return tuple(numbers), tuple(means)
