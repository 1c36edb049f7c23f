"""Finding a 24-patch chart in a photo.

Even spots are gathered into grids by their distances, which stay nearly regular from patch to patch
of a tilted chart, and a homography is fitted to each grid. Then the colours decide: each place of
the chart's 6 x 4 patches in the grid, in four orientations and mirrored, is compared with the
reference, and the best must fit clearly better than the others. Scikit-image, which finds the
even spots, is an extra.
"""

from __future__ import annotations

import itertools
import os
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
from scipy.ndimage import gaussian_filter, gaussian_gradient_magnitude

from shadematch.colour.colorimetry import SRGB_WHITE, xyz_to_lab
from shadematch.errors import MissingExtraError, PhotoError
from shadematch.photo.chart import MOST_LEFT_OUT, Chart, by_matrix, homography, is_camera
from shadematch.photo.drawing import draw_regions, preview
from shadematch.photo.files import open_photo
from shadematch.photo.picture import Picture
from shadematch.support.arrays import FloatArray

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["chart_in", "draw_chart", "find_chart"]

_LONGEST: Final = 960
_EDGES: Final = (1.2, 2.0, 3.5, 6.0)
"""Gradients of Lab [per pixel] that count as an edge; several, for noisy and for soft photos."""
_SMALLEST, _LARGEST = 30, 0.02  # area of a patch: pixels, share of the photo
_FEWEST: Final = 10  # patches of a grid
_ENOUGH: Final = 18  # patches of a grid that needs no other start
_FITS: Final = 7.0  # mean CIEDE2000 of the patches that count
_CLEARLY: Final = 1.4  # times as bad any other way round must be
_COVERED: Final = 16.0  # CIEDE2000 of a patch above which something lies on it
_UNEVEN: Final = 6.0  # standard deviation of Lab inside a patch, the same
_ASIDE: Final = 0.06  # distances between patches
_AROUND: Final = list(itertools.product((False, True), range(4)))  # mirrored, quarter turns


class _Spot(NamedTuple):
    x: float
    y: float
    area: float


SpotGrid = dict[tuple[int, int], int]
"""The spot at each place of a grid."""


@dataclass(frozen=True, eq=False)
class _Seen:
    """The small copy: linear colours, Lab, and pixels of the photo per pixel."""

    linear: FloatArray
    lab: FloatArray
    every: float


@dataclass(frozen=True, eq=False)
class _Found:
    score: float
    mirrored: bool
    to_photo: FloatArray  # from the chart's columns and rows to the small copy
    covered: tuple[int, ...]


def find_chart(path: str | os.PathLike[str]) -> Chart:
    """The 24-patch chart that a photo shows, in any place and orientation.

    Parameters
    ----------
    path
        As for `shadematch.read_photo`.

    Returns
    -------
    Chart
        With corners in pixels, and covered patches left out.

    Raises
    ------
    PhotoError
        If there is none or more than one, if it is mirrored or mostly covered, or if the photo
        can't be read.
    MissingExtraError
        If scikit-image or a library that reads the photo is not installed.
    """
    return chart_in(open_photo(path))


def chart_in(picture: Picture) -> Chart:
    """`find_chart` in an open photo."""
    if picture.profile.channels == 1:
        raise PhotoError(
            "a grey photo shows no chart's colours", field="chart", remedy="Take a colour photo"
        )
    patch, every = picture.small(_LONGEST)
    linear = np.array(patch.linear, dtype=float)
    smooth = gaussian_filter(linear, (1.0, 1.0, 0.0))
    lab = xyz_to_lab(100.0 * (smooth @ picture.profile.matrix.T), SRGB_WHITE)
    seen = _Seen(smooth, lab, every)
    found: list[_Found] = []
    for edge in _EDGES:
        spots = _spots(lab, edge)
        for cells in _grids(spots):
            fits = _placed(seen, spots, cells)
            if fits is not None and not any(_same(fits, other) for other in found):
                found.append(fits)
    straight = [one for one in found if not one.mirrored]
    if len(straight) > 1:
        raise PhotoError(
            "shows more than one chart",
            field="chart",
            value=f"{len(straight)} found",
            remedy="Give the corners of the one beside the soap",
        )
    if not straight:
        if found:
            raise PhotoError(
                "shows the chart mirrored",
                field="chart",
                remedy="Flip the mirrored picture of a front camera, or take another photo",
            )
        raise PhotoError(
            "shows no chart that was found",
            field="chart",
            remedy="Show all 24 patches, sharp, without glare, a tenth of the photo or more; "
            "or give the centres of the patches dark skin, bluish green, black, white",
        )
    best = straight[0]
    ends = np.array([(0, 0), (5, 0), (5, 3), (0, 3)], dtype=float)
    corners = (_map(best.to_photo, ends) + 0.5) * every
    a, b, c, d = ((float(x), float(y)) for x, y in corners)
    return Chart((a, b, c, d), left_out=best.covered)


def draw_chart(path: str | os.PathLike[str], chart: Chart) -> Figure:
    """The photo with the part of each patch that is read, numbered from dark skin.

    Raises
    ------
    MissingExtraError, PhotoError
        If matplotlib is not installed, or the photo can't be read.
    """
    picture = open_photo(path)
    size = picture.width, picture.height
    return draw_regions(*preview(picture), chart.patches(*size), size, letter=7)


def _spots(lab: FloatArray, edge: float) -> list[_Spot]:
    """Even spots of the size and shape of a patch."""
    with MissingExtraError.unless(
        "scikit-image", "chart", field="chart", otherwise=", or give the corners"
    ):
        from skimage.measure import label, regionprops
    slope = np.sqrt(sum(np.square(gaussian_gradient_magnitude(lab[..., i], 1.0)) for i in range(3)))
    numbered = label(slope < edge, connectivity=1)
    high, wide = slope.shape
    spots = []
    for part in regionprops(numbered):
        if not _SMALLEST <= part.area <= _LARGEST * high * wide:
            continue
        top, left, bottom, right = part.bbox
        if top == 0 or left == 0 or bottom == high or right == wide:
            continue
        # A turned square fills half of its upright box; thin strips and rings are no patches.
        if part.solidity < 0.85 or part.axis_minor_length < 0.3 * part.axis_major_length:
            continue
        spots.append(_Spot(float(part.centroid[1]), float(part.centroid[0]), float(part.area)))
    return spots


def _grids(spots: Sequence[_Spot]) -> list[SpotGrid]:
    """Grids of spots, the largest first; no spot is in two."""
    if len(spots) < _FEWEST:
        return []
    places = np.array([(s.x, s.y) for s in spots])
    areas = np.array([s.area for s in spots])
    away = places[None] - places[:, None]
    length = np.hypot(away[..., 0], away[..., 1])
    tries: list[SpotGrid] = []
    placed: set[int] = set()
    for i in range(len(spots)):
        if i in placed:
            continue
        like = [j for j in np.argsort(length[i])[1:9] if 0.4 < areas[j] / areas[i] < 2.5]
        for j, k in itertools.combinations(like[:6], 2):
            u, v = away[i, j], away[i, k]
            across = abs(u[0] * v[1] - u[1] * v[0])
            lengths = length[i, j], length[i, k]
            if across < 0.64 * lengths[0] * lengths[1] or max(lengths) > 2.5 * min(lengths):
                continue
            # Patches are close: their centres lie hardly two sides apart.
            if across > 4.0 * areas[i]:
                continue
            if u[0] * v[1] - u[1] * v[0] < 0:
                u, v = v, u
            tries.append(_grown(places, areas, i, u, v))
            if len(tries[-1]) >= _ENOUGH:
                placed |= set(tries[-1].values())
    taken: set[int] = set()
    grids = []
    for cells in sorted(tries, key=len, reverse=True):
        if len(cells) < _FEWEST:
            break
        if not taken & set(cells.values()):
            taken |= set(cells.values())
            grids.append(cells)
    return grids


def _grown(
    places: FloatArray, areas: FloatArray, start: int, u: FloatArray, v: FloatArray
) -> SpotGrid:
    """All spots reached from one by steps like u and v, which may change slowly."""
    cells: SpotGrid = {(0, 0): start}
    used = {start}
    waiting: list[tuple[tuple[int, int], FloatArray, FloatArray]] = [((0, 0), u, v)]
    while waiting:
        (column, row), u, v = waiting.pop(0)
        here = places[cells[column, row]]
        reach = 0.3 * min(np.hypot(*u), np.hypot(*v))
        # If the next patch is covered, go on with the one behind it.
        for (dx, dy), far in itertools.product(((1, 0), (-1, 0), (0, 1), (0, -1)), (1, 2)):
            cell = column + far * dx, row + far * dy
            if cell in cells or (column + dx, row + dy) in cells:
                continue
            goal = here + far * (dx * u + dy * v)
            off = np.hypot(*(places - goal).T)
            spot = int(np.argmin(off))
            like = 0.4 < areas[spot] / areas[cells[column, row]] < 2.5
            if off[spot] > reach or spot in used or not like:
                continue
            cells[cell] = spot
            used.add(spot)
            step = (places[spot] - here) / far
            waiting.append((cell, dx * step if dx else u, dy * step if dy else v))
    return cells


def _map(to_photo: FloatArray, points: FloatArray) -> FloatArray:
    seen = np.column_stack([points, np.ones(len(points))]) @ to_photo.T
    return np.asarray(seen[:, :2] / seen[:, 2:])


def _placed(seen: _Seen, spots: Sequence[_Spot], cells: SpotGrid) -> _Found | None:
    """The chart in a grid, if its colours are there and fit in one orientation only."""
    keys = np.array(list(cells), dtype=float)
    points = np.array([(spots[i].x, spots[i].y) for i in cells.values()])
    to_photo = homography(keys, points)
    # The centre of a half-covered patch is displaced.
    off = np.hypot(*(_map(to_photo, keys) - points).T)
    pitch = np.hypot(*(_map(to_photo, keys + np.array([1.0, 0.0])) - _map(to_photo, keys)).T)
    good = off < max(_ASIDE, 2.5 * float(np.median(off / pitch))) * pitch
    if _FEWEST - 2 <= good.sum() < len(keys):
        to_photo = homography(keys[good], points[good])
    low, high = keys.min(axis=0).astype(int), keys.max(axis=0).astype(int)
    results: list[_Found] = []
    for wide, tall in ((6, 4), (4, 6)):
        if high[0] - low[0] >= wide or high[1] - low[1] >= tall:
            continue
        for left in range(high[0] - wide + 1, low[0] + 1):
            for top in range(high[1] - tall + 1, low[1] + 1):
                for mirrored, turns in _AROUND:
                    if (turns % 2 == 0) != (wide == 6):
                        continue
                    own = to_photo @ _onto_grid(
                        left=left, top=top, wide=wide, tall=tall, turns=turns, mirrored=mirrored
                    )
                    fit = _colours(seen, own, mirrored)
                    if fit is not None:
                        results.append(fit)
    results.sort(key=lambda one: one.score)
    if not results or results[0].score > _FITS:
        return None
    if len(results) > 1 and results[1].score < _CLEARLY * results[0].score:
        return None
    return results[0]


def _onto_grid(left: int, top: int, wide: int, tall: int, turns: int, mirrored: bool) -> FloatArray:
    """The matrix from the chart's columns and rows to those of the grid."""
    matrix = np.array([[1.0, 0.0, -2.5], [0.0, 1.0, -1.5], [0.0, 0.0, 1.0]])
    if mirrored:
        matrix = np.diag([-1.0, 1.0, 1.0]) @ matrix
    c, s = ((1, 0), (0, 1), (-1, 0), (0, -1))[turns]
    matrix = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]]) @ matrix
    back = np.eye(3)
    back[:2, 2] = left + (wide - 1) / 2.0, top + (tall - 1) / 2.0
    return np.asarray(back @ matrix)


_INSIDE: Final = np.stack(
    np.meshgrid(np.linspace(-0.22, 0.22, 7), np.linspace(-0.22, 0.22, 7)), axis=-1
).reshape(-1, 2)
_PATCHES: Final = np.array([(i % 6, i // 6) for i in range(24)], dtype=float)


def _colours(seen: _Seen, to_photo: FloatArray, mirrored: bool) -> _Found | None:
    """How well the colours at the 24 places fit the chart's after the best matrix."""
    high, wide = seen.lab.shape[:2]
    spots = _map(to_photo, (_PATCHES[:, None] + _INSIDE).reshape(-1, 2))
    column, row = np.rint(spots).astype(int).T
    if column.min() < 0 or row.min() < 0 or column.max() >= wide or row.max() >= high:
        return None
    linear = seen.linear[row, column].reshape(24, -1, 3)
    uneven = seen.lab[row, column].reshape(24, -1, 3).std(axis=1).max(axis=-1) > _UNEVEN
    shown = np.median(linear, axis=1)
    reference = Chart(((0, 0), (1, 0), (1, 1), (0, 1))).xyz
    sound = ~uneven
    if sound.sum() < 24 - MOST_LEFT_OUT:
        return None
    off, matrix = by_matrix(shown, reference, sound)
    kept = sound & (off <= _COVERED)
    if kept.sum() < 24 - MOST_LEFT_OUT or not is_camera(matrix):
        return None
    covered = tuple(int(i) for i in np.flatnonzero(~kept))
    return _Found(float(off[kept].mean()), mirrored, to_photo, covered)


def _same(one: _Found, other: _Found) -> bool:
    """Whether two overlap."""
    middle = np.array([[2.5, 1.5]])
    a, b = _map(one.to_photo, middle)[0], _map(other.to_photo, middle)[0]
    ends = _map(other.to_photo, np.array([[0.0, 0.0], [5.0, 3.0]]))
    return bool(np.hypot(*(a - b)) < 0.5 * np.hypot(*(ends[1] - ends[0])))
