"""A 24-patch chart in the photo, and the correction that it gives.

Several corrections are fitted, from three gains to a root polynomial, each with and without a
tone curve drawn from the greys; leave-one-out cross-validation chooses. Each fit is linear least
squares in CIELAB, linearised about the reference colours.

References
----------
G. D. Finlayson, M. Mackiewicz, A. Hurlbert, *Color Correction Using Root-Polynomial Regression*,
IEEE Trans. Image Process. 24 (2015) 1460-1470: the terms of degree 2 and 3, which keep their
proportions when the exposure changes. M. Stone, *Cross-Validatory Choice and Assessment of
Statistical Predictions*, J. R. Stat. Soc. B 36 (1974) 111-147.
"""

from __future__ import annotations

import csv
import functools
import itertools
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
from shadematch.photo.light import Shading, Slope, slope_of
from shadematch.photo.reading import Picture
from shadematch.photo.regions import Mean, Region, mean_of
from shadematch.support.arrays import BoolArray, FloatArray

__all__ = ["Chart", "Correction", "as_chart", "fit_chart", "homography", "read_chart"]

_ROWS, _COLUMNS = 4, 6
_GREYS: Final = range(18, 24)
_PART: Final = 0.25
"""Half the side of the square that is read, in distances between patches."""
_WRONG: Final = 10.0
"""Mean CIEDE2000 of the best correction above which this can be no such chart."""
_DARKEST: Final = 1e-3
_HELD: Final = (1e-3, 3e-3)
"""How firmly the weights of square and cubic roots are held, against columns of length 1; from
the renderings of ``tests.bench.photo_terms``, flat between a third and thrice of it."""

PUBLISHED: Final = {
    "made after November 2014": "chart24.csv",
    "made before November 2014": "chart24-before2014.csv",
}
CORRECTIONS: Final = (
    "gains",
    "matrix",
    "root polynomial of degree 2",
    "root polynomial of degree 3",
)
Point = tuple[float, float]


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
        Middles (x, y) of its four corner patches, in this order: dark skin, bluish green,
        black, white. In pixels, or in fractions if none is above 1. The chart may lie at any
        angle.
    reference
        Lab under D50 of its 24 patches, row by row, if it was measured. By default one of the
        two that are published, of charts made before and after November 2014: the one that
        fits the photo better.
    left_out
        Numbers, 0 to 23, of patches that aren't read, since something lies on them; 6 at most.
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
                remedy="Give the middles of the patches dark skin, bluish green, black, white",
            )
        if table.shape != (24, 3) or not np.all(np.isfinite(table)):
            raise PhotoError(
                "needs Lab of 24 patches",
                field="chart reference",
                value=table.shape,
                remedy="Give 24 rows of L*, a*, b* under D50, in the order of the chart",
            )
        numbers = self.left_out
        if (
            not isinstance(numbers, tuple | list)
            or any(isinstance(i, bool) or not isinstance(i, int) for i in numbers)
            or not set(numbers) <= set(range(24))
            or len(numbers) > 6
        ):
            raise PhotoError(
                "must be up to six whole numbers from 0 to 23",
                field="chart left_out",
                value=numbers,
                remedy="Count the patches row by row; dark skin is 0",
            )
        object.__setattr__(self, "left_out", tuple(numbers))
        if self.reference is not None:
            rows = tuple((float(r[0]), float(r[1]), float(r[2])) for r in table)
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
                remedy="Give the middles of the patches dark skin, bluish green, black, white",
            )

    @property
    def references(self) -> dict[str, FloatArray]:
        """XYZ under D65 (linear Bradford adaptation of D50), shape (24, 3), by what it is of."""
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
    """A chart, or the one with the corners given, as numbers or as a text.

    Raises
    ------
    PhotoError
        If it is neither.
    """
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
                remedy="Give the middles x,y of the patches dark skin, bluish green, black, white, "
                "or 'find' to look for it",
            ) from None
        given = [tuple(numbers[i : i + 2]) for i in range(0, len(numbers), 2)]
    return Chart(given)  # type: ignore[arg-type]


def homography(source: FloatArray, target: FloatArray) -> FloatArray:
    """The 3 x 3 matrix that takes points (x, y) to others: exact for four, least squares for more.

    With its last number 1; shapes (k, 2).
    """
    rows = []
    for (x, y), (u, v) in zip(source, target, strict=True):
        rows.append([x, y, 1, 0, 0, 0, -u * x, -u * y])
        rows.append([0, 0, 0, x, y, 1, -v * x, -v * y])
    table, goal = np.array(rows, dtype=float), target.ravel()
    weights = np.ones(len(table))
    # The equations are multiplied out by their denominators: weights take these out again.
    for _ in range(1 if len(source) == 4 else 4):
        values = np.linalg.lstsq(table * weights[:, None], goal * weights, rcond=None)[0]
        below = 1.0 + source @ values[6:]
        weights = np.repeat(1.0 / np.where(np.abs(below) > 1e-3, below, 1e-3), 2)
    return np.append(values, 1.0).reshape(3, 3)


def read_chart(picture: Picture, chart: Chart) -> tuple[tuple[int, ...], tuple[Mean, ...]]:
    """What the photo shows of each patch; those that clip are left out.

    Returns
    -------
    tuple of int, tuple of Mean
        Which patches, and their means.

    Raises
    ------
    PhotoError
        If it lies outside the photo, is too small in it, or too many patches clip.
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
    if len(numbers) < 18 or sum(i in _GREYS for i in numbers) < 4:
        raise PhotoError(
            "has too many patches that are clipped",
            field="chart",
            value=f"{24 - len(numbers)} of 24",
            remedy="Take the photo with a shorter exposure, without glare on the chart",
        )
    return tuple(numbers), tuple(means)


@dataclass(frozen=True, eq=False)
class Correction:
    """From what the photo shows to what the surface is.

    Attributes
    ----------
    name
        Which one cross-validation chose.
    made
        Which reference it chose.
    residuals
        Lab of each patch as predicted without it, less its reference; shape (k, 3).
    reference
        Lab of these patches under D65; shape (k, 3).
    scores
        Mean CIEDE2000 of each correction in cross-validation.
    slope
        Of the light, as the chart shows it; None if it was known from elsewhere.
    patches
        Numbers of the patches that were used.
    """

    name: str
    made: str
    residuals: FloatArray
    reference: FloatArray
    scores: dict[str, float]
    slope: Slope | None
    patches: tuple[int, ...]
    _fit: _Fit

    def straight(self, linear: FloatArray, log_light: float) -> FloatArray:
        """Channel values, shape (3,), with tone curve and light taken off."""
        return np.asarray(_straighten(linear[None], self._fit.curve)[0] * np.exp(-log_light))

    def xyz(self, linear: FloatArray, log_light: float) -> FloatArray:
        """XYZ under D65 of linear channel values, shape (3,), at a place with that light."""
        return np.asarray(self._fit.apply(linear[None], np.array([log_light]))[0])


@dataclass(frozen=True, eq=False)
class _Fit:
    name: str
    kind: str
    curve: tuple[float, float]  # exponent and its change
    matrix: FloatArray  # of the photo's primaries
    weights: FloatArray
    slope: Slope | None

    def apply(self, linear: FloatArray, log_light: FloatArray) -> FloatArray:
        straight = _straighten(linear, self.curve) * np.exp(-log_light)[:, None]
        return np.asarray(_design(self.kind, straight, self.matrix) @ self.weights)


def _straighten(linear: FloatArray, curve: tuple[float, float]) -> FloatArray:
    log = np.log(np.maximum(linear, _DARKEST))
    # Below the darkest the curve goes on in proportion, so that black stays black.
    low = np.minimum(linear / _DARKEST, 1.0)
    return np.asarray(low * np.exp(curve[0] * log + curve[1] * log * log))


def _design(kind: str, linear: FloatArray, matrix: FloatArray) -> FloatArray:
    """Shape (k, 3, p): XYZ is its product with p weights."""
    if kind == CORRECTIONS[0]:
        return np.asarray(matrix[None] * linear[:, None, :])
    r, g, b = np.maximum(linear, 0.0).T
    terms = [r, g, b]
    if kind in CORRECTIONS[2:]:
        terms += [np.sqrt(r * g), np.sqrt(g * b), np.sqrt(r * b)]
    if kind == CORRECTIONS[3]:
        pairs = ((r, g), (g, b), (r, b), (g, r), (b, g), (b, r))
        terms += [*(np.cbrt(p * q * q) for p, q in pairs), np.cbrt(r * g * b)]
    features = np.stack(terms, axis=-1)
    table = np.einsum("kf,ij->kifj", features, np.eye(3))
    return np.asarray(table.reshape(len(linear), 3, -1))


def fit_chart(
    picture: Picture, chart: Chart, shading: Shading | None
) -> tuple[Correction, tuple[Mean, ...]]:
    """The correction that cross-validation chooses, and what the patches showed.

    Raises
    ------
    PhotoError
        If the chart can't be read, or no correction makes sense of it.
    """
    numbers, means = read_chart(picture, chart)
    matrix = picture.profile.matrix
    linear = np.linalg.solve(matrix, np.array([m.xyz for m in means]).T).T
    greys = np.isin(numbers, _GREYS)
    places = np.array([m.middle for m in means])
    known = None
    if shading is not None:
        known = np.log([shading.at(p, picture.width, picture.height) for p in places])
    size = picture.width, picture.height
    white = observation("D65").white
    best: tuple[float, _Fit, FloatArray, FloatArray, str] | None = None
    scores = {}
    for made, every in chart.references.items():
        reference = every[list(numbers)]
        task = _Task(linear, reference, greys, places, size, matrix, known)
        wanted = xyz_to_lab(reference, white)
        for curved, kind in itertools.product((False, True), CORRECTIONS):
            fit, predicted = task.fit(kind, curved)
            lab = xyz_to_lab(np.maximum(predicted, 0.0), white)
            score = float(delta_e(wanted, lab).mean())
            scores[f"{fit.name}, {made}"] = score
            if best is None or score < best[0]:
                best = score, fit, lab - wanted, wanted, made
    assert best is not None
    if best[0] > _WRONG:
        raise PhotoError(
            "does not look like the chart: no correction brings its patches near their colours",
            field="chart",
            value=f"CIEDE2000 {best[0]:.1f} on average",
            remedy="Check the corners and their order: dark skin, bluish green, black, white",
        )
    _, fit, residuals, wanted, made = best
    return Correction(fit.name, made, residuals, wanted, scores, fit.slope, numbers, fit), means


@dataclass(frozen=True, eq=False)
class _Task:
    linear: FloatArray
    reference: FloatArray
    greys: BoolArray
    places: FloatArray
    size: tuple[int, int]
    matrix: FloatArray
    known: FloatArray | None  # log light, if measured

    def fit(self, kind: str, curved: bool) -> tuple[_Fit, FloatArray]:
        """A correction, and XYZ of each patch by one fitted without it; shape (k, 3).

        The tone curve and the slope of the light, five numbers, are those of all patches; the
        weights are fitted anew without each. For least squares, held or not, that needs no new
        fits: with residual r and own block H of the hat matrix, leaving rows out changes the
        weights by -P (I - H)^-1 r, where P is their part of the inverse (D. M. Allen, *The
        Relationship between Variable Selection and Data Augmentation and a Method for
        Prediction*, Technometrics 16 (1974) 125-127).
        """
        white = observation("D65").white
        k = len(self.linear)
        light = self.known if self.known is not None else np.zeros(k)
        slope = None
        # Lab changes with XYZ by this much; residuals in it are what counts.
        by_xyz = LAB_FROM_RESPONSE * cube_root_response(self.reference, white)[1][:, None, :]
        goal = np.einsum("kij,kj->ki", by_xyz, self.reference)
        for last in (False, False, True):
            curve = (1.0, 0.0)
            if curved:
                greys = self.greys
                curve = _curve(self.linear[greys], self.reference[greys, 1], light[greys])
            straight = _straighten(self.linear, curve) * np.exp(-light)[:, None]
            design = _design(kind, straight, self.matrix)
            rows = by_xyz @ design
            inverse = _inverse(rows.reshape(3 * k, -1))
            weights = inverse @ goal.ravel()
            if self.known is None and not last:
                got = np.maximum(design @ weights, 1e-3)[:, 1]
                rest = np.log(got / self.reference[:, 1]) + light
                noise = float(max((rest - light).std(), 0.02))
                slope = slope_of(self.places, rest, self.size, noise=noise)
                light = slope.logs_at(self.places)
        own = inverse.reshape(-1, k, 3).transpose(1, 0, 2)  # (k, p, 3)
        free = np.linalg.pinv(np.eye(3) - rows @ own)
        shift = own @ free @ (goal - rows @ weights)[..., None]
        without = weights - shift[..., 0]
        name = f"{kind} and tone curve" if curved else kind
        fit = _Fit(name, kind, curve, self.matrix, weights, slope)
        return fit, np.einsum("kip,kp->ki", design, without)


def _inverse(rows: FloatArray) -> FloatArray:
    """What takes goals to weights: least squares, in which the roots' weights are held small.

    Ridge regression (A. E. Hoerl, R. W. Kennard, Technometrics 12 (1970) 55-67) in columns of
    unit length; the plain channels, the first nine columns, are free.
    """
    length = np.maximum(np.linalg.norm(rows, axis=0), 1e-12)
    unit = rows / length
    held = np.zeros(len(length))
    held[9:18], held[18:] = _HELD
    table = np.linalg.pinv(unit.T @ unit + np.diag(held), rcond=1e-13, hermitian=True)
    return np.asarray((table @ unit.T) / length[:, None])


def _curve(linear: FloatArray, luminance: FloatArray, log_light: FloatArray) -> tuple[float, float]:
    """Exponent and its change that make the greys' values proportional to their luminance.

    log Y = c + p log v + q (log v)^2, with c of its own for each channel; p and q are held near
    1 and 0 by a prior, and p + 2 q log v stays above 0.3 so that the curve rises.
    """
    log = np.log(np.maximum(linear, _DARKEST))
    k, channels = log.shape
    goal = np.repeat((np.log(luminance / 100.0) + log_light)[:, None], channels, axis=1)
    own = np.tile(np.eye(channels), (k, 1))
    rows = np.column_stack([own, log.ravel(), log.ravel() ** 2])
    goal = goal.ravel()
    prior = np.zeros((2, channels + 2))
    prior[0, -2], prior[1, -1] = 0.03 / 0.3, 0.03 / 0.1
    rows = np.vstack([rows, prior])
    goal = np.concatenate([goal, [0.03 / 0.3, 0.0]])
    values = np.linalg.lstsq(rows, goal, rcond=None)[0]
    p, q = float(values[-2]), float(values[-1])
    lowest = min(p, p + 2 * q * np.log(_DARKEST))
    return (p, q) if lowest > 0.3 else (1.0, 0.0)
