"""What a camera's channels see, learnt from the chart in its photos.

Up to a matrix, which the chart gives, a camera's three channels are weights over wavelength. They
are assumed near those of the CIE observer, which cameras aim at, as a Gaussian process; the
patches, whose spectra are published, are readings of them, averaged over all photos.

References
----------
ISO 17321-1 (spectra of the chart). C. E. Rasmussen, C. K. I. Williams, *Gaussian Processes for
Machine Learning* (2006); numbers in brackets are those of its equations, from memory. The idea:
J. Jiang, D. Liu, J. Gu, S. Suesstrunk, *What is the Space of Spectral Sensitivity Functions for
Digital Color Cameras?*, WACV 2013 (its measured cameras are not used here).
"""

from __future__ import annotations

import csv
import functools
from importlib import resources
from typing import Final

import numpy as np

from shadematch.colour.colorimetry import LAB_FROM_RESPONSE, cube_root_response
from shadematch.colour.standards import WAVELENGTHS_NM, observation
from shadematch.support.arrays import FloatArray

__all__ = ["DARKEST", "chart_spectra", "learn_weights", "matrix_between"]

_LENGTH_NM: Final = 30.0
_SHARE: Final = 0.7
_FLOOR: Final = 0.1
"""How a camera's weights depart from an observer's (estimates): smooth over so many nm, by a share
of the weight, and by a part of the largest anywhere in the visible."""
_PATCH_SHARE: Final = 0.01
_PATCH_FLOOR: Final = 0.2
"""Error of a chart's patches against their published spectra, as a share of Y and in XYZ (measured
charts differ by as much)."""
_PHOTO: Final = 0.3
"""The same of one photo of a patch (standard deviation, XYZ)."""
DARKEST: Final = 0.05
"""XYZ below which cube roots amplify noise."""


@functools.cache
def chart_spectra() -> FloatArray:
    """Reflectances of the patches, shape (24, 36)."""
    place = resources.files("shadematch").joinpath("resources", "chart24-spectra.csv")
    lines = [s for s in place.read_text(encoding="utf-8").splitlines() if not s.startswith("#")]
    return np.array([[float(v) for v in row[1:]] for row in list(csv.reader(lines))[1:]])


@functools.cache
def _belief() -> FloatArray:
    """Prior covariance of each channel's weights, shape (3, 36, 36)."""
    weights = observation("D65").weights
    kernel = np.exp(-0.5 * (np.subtract.outer(WAVELENGTHS_NM, WAVELENGTHS_NM) / _LENGTH_NM) ** 2)
    visible = np.interp(WAVELENGTHS_NM, [390.0, 420.0, 670.0, 700.0], [0.1, 1.0, 1.0, 0.1])
    size = _SHARE * np.abs(weights) + _FLOOR * weights.max(axis=1, keepdims=True) * visible
    return np.asarray(kernel * size[:, :, None] * size[:, None, :])


def matrix_between(patches: FloatArray, wanted: FloatArray) -> FloatArray:
    """The matrix from a photo's patches to the wanted XYZ, least squares in Lab; shape (3, 3)."""
    known = np.isfinite(patches[:, 0])
    white = observation("D65").white
    shown, goal = patches[known], np.maximum(wanted[known], DARKEST)
    by = LAB_FROM_RESPONSE * cube_root_response(goal, white)[1][:, None, :]
    design = np.einsum("kf,ij->kifj", shown, np.eye(3)).reshape(len(shown), 3, 9)
    rows = (by @ design).reshape(-1, 9)
    right = np.einsum("kij,kj->ki", by, goal).ravel()
    return np.asarray(np.linalg.lstsq(rows, right, rcond=None)[0].reshape(3, 3))


def learn_weights(photos: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Weights (3, 36) and their covariance (3, 36, 36) from the patches of n photos, (n, 24, 3)."""
    spectra, before = chart_spectra(), _belief()
    mean = observation("D65").weights
    weights, covariance = mean, before
    for _ in range(3):  # alternate between each photo's matrix and the common weights
        wanted = spectra @ weights.T
        brought = np.array([p @ matrix_between(p, wanted) for p in photos])
        count = np.isfinite(brought).sum(axis=0)[:, 0]
        at = count > 0
        shown = np.nanmean(brought[:, at], axis=0)
        y = np.maximum(wanted[at, 1], 0.0)
        variance = (_PATCH_SHARE * y) ** 2 + _PATCH_FLOOR**2 + _PHOTO**2 / count[at]
        rows = spectra[at]
        found, left = [], []
        for channel in range(3):
            half = before[channel] @ rows.T
            spread = rows @ half + np.diag(variance)
            gain = np.linalg.solve(spread, half.T).T
            off = shown[:, channel] - rows @ mean[channel]
            found.append(mean[channel] + gain @ off)  # (2.38)
            left.append(before[channel] - gain @ half.T)  # (2.24)
        weights, covariance = np.array(found), np.array(left)
    return weights, covariance
