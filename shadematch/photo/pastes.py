"""How a camera sees bars of known pastes, and so what such a bar is.

A chart corrects a camera for surfaces with broad bands. Bars with steep bands it misses, each shade
of a palette in its own way. Here the camera's channels are learnt from the chart (`camera`), and
for many bars of the palette what the photo would show is compared with what they are. The mean
difference of bars that would look like this one is removed; its spread, and the uncertainty of the
channels, are added to the covariance.
"""

from __future__ import annotations

import functools
from typing import Final, NamedTuple

import numpy as np

from shadematch.colour.colorimetry import LAB_FROM_RESPONSE, cube_root_response, xyz_to_lab
from shadematch.colour.standards import observation
from shadematch.photo.camera import DARKEST, chart_spectra, learn_weights, matrix_between
from shadematch.photo.response import Response
from shadematch.predicting.prediction import Model
from shadematch.studio.palette import Palette
from shadematch.studio.view import View
from shadematch.support.arrays import FloatArray

__all__ = ["Shift", "shift_of"]

_THICK_CM: Final = (0.5, 1.0, 2.0)
_WHITES: Final = (0.0, 0.1, 0.25, 0.5, 1.0)
_EACH: Final = 160
"""Bars of each thickness and base."""
_LEAST, _MOST = 0.03, 3.0  # load of a paste, in the palette's unit per 100 g
_NEAR: Final = 2.0
"""Bars within so many units of Lab (standard deviation), besides its own error, look alike."""
_FEWEST: Final = 8.0
_FAR: Final = 4.0
"""Standard deviations from the nearest bar beyond which it is not of these pastes."""


class Shift(NamedTuple):
    """Difference between bars of known pastes and what the chart makes of them.

    Attributes
    ----------
    lab
        To be added, shape (3,).
    covariance
        Of `lab`, shape (3, 3).
    """

    lab: FloatArray
    covariance: FloatArray


@functools.lru_cache(maxsize=4)
def _bars(palette: Palette) -> FloatArray:
    """Spectra of bars of one to three pastes, shape (n, 36); the same ones each time."""
    rng = np.random.default_rng(2026)
    count = len(palette.pigments)
    found = []
    for thick in _THICK_CM:
        for white in _WHITES:
            loads = np.exp(rng.uniform(np.log(_LEAST), np.log(_MOST), (_EACH, count)))
            rank = rng.random((_EACH, count)).argsort(axis=1).argsort(axis=1)
            loads[rank >= rng.integers(1, 4, _EACH)[:, None]] = 0.0
            found.append(Model(palette, thick, white, View()).spectra(loads))
    return np.concatenate(found)


def shift_of(
    response: Response, lab: FloatArray, covariance: FloatArray, palette: Palette
) -> Shift | None:
    """What to add to the colour that the chart gives; None if no bar looks like it.

    `lab` (3,) and `covariance` (3, 3) are what the chart makes of the surface.
    """
    patches = np.array([[np.nan] * 3 if v is None else v for v in response.patches])
    weights, unknown = learn_weights(patches[None])
    own = observation("D65")
    seen_by = chart_spectra() @ weights.T
    seen_by[~np.isfinite(patches[:, 0])] = np.nan
    to_xyz = matrix_between(seen_by, chart_spectra() @ own.weights.T)
    spectra = _bars(palette)
    true = xyz_to_lab(spectra @ own.weights.T, own.white)
    xyz = np.maximum(spectra @ weights.T @ to_xyz, DARKEST)
    shown = xyz_to_lab(xyz, own.white)
    away = shown - lab
    square = np.einsum("na,ab,nb->n", away, np.linalg.inv(covariance), away)
    if square.min() > _FAR**2:
        return None
    reach = _NEAR
    while True:
        near = np.linalg.inv(covariance / 4.0 + reach**2 * np.eye(3))
        share = np.exp(-0.5 * np.einsum("na,ab,nb->n", away, near, away))
        if share.sum() ** 2 >= _FEWEST * np.square(share).sum():
            break
        reach *= 1.5
    share = share / share.sum()
    gap = true - shown
    shift = share @ gap
    spread = np.einsum("n,na,nb->ab", share, gap - shift, gap - shift)
    by = LAB_FROM_RESPONSE * cube_root_response(xyz, own.white)[1][:, None, :] @ to_xyz.T
    channels = np.einsum("nw,cwv,nv->nc", spectra, unknown, spectra)
    spread = spread + np.einsum("n,nac,nc,nbc->ab", share, by, channels, by)
    return Shift(shift, spread)
