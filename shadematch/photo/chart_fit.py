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

import itertools
from dataclasses import dataclass
from typing import Final

import numpy as np

from shadematch.colour.colorimetry import LAB_FROM_RESPONSE, cube_root_response, xyz_to_lab
from shadematch.colour.difference import delta_e
from shadematch.colour.standards import observation
from shadematch.errors import PhotoError
from shadematch.photo.chart import GREYS, Chart, read_chart
from shadematch.photo.light import Shading, Slope, slope_of
from shadematch.photo.mean import Mean
from shadematch.photo.picture import Picture
from shadematch.support.arrays import BoolArray, FloatArray

__all__ = ["Correction", "fit_chart"]

_WRONG: Final = 10.0
"""Mean CIEDE2000 of the best correction above which this can be no such chart."""
_DARKEST: Final = 1e-3
_HELD: Final = (1e-3, 3e-3)
"""How firmly the weights of square and cubic roots are held, against columns of length 1; from
the renderings of ``tests.bench.photo_terms``, flat between a third and thrice of it."""

CORRECTIONS: Final = (
    "gains",
    "matrix",
    "root polynomial of degree 2",
    "root polynomial of degree 3",
)


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
    greys = np.isin(numbers, GREYS)
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
