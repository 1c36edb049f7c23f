"""How well a colour read from a photo is known.

A covariance of Lab is put together from parts with names. Noise, code steps, the neutral and
the fall of the light are worked out from the photo itself. What remains, since a camera does
not see as an eye does and its picture was made to please, depends on the kind of correction; its
size was measured on rendered photos of other surfaces, with other cameras, than those on which
it is tested (``python -m tests.bench.photo_terms`` measures it anew and writes
``resources/photo-terms.json``). A chart tells more: its
own residuals set the size.

The remaining error is described along lightness, along chroma and across it, as a constant and
a share of chroma, and stretched so that the ellipsoid of 90 % holds 90 % of those renderings:
errors of cameras have longer tails than a normal distribution.
"""

from __future__ import annotations

import functools
import json
from dataclasses import dataclass
from importlib import resources
from typing import Any, Final, Literal, NamedTuple

import numpy as np

from shadematch.colour.colorimetry import LAB_FROM_RESPONSE, cube_root_response
from shadematch.support.arrays import FloatArray

__all__ = [
    "Correction",
    "Part",
    "Terms",
    "chart_size",
    "deviations",
    "frame_of",
    "lab_by_xyz",
    "mean_square",
    "neutral_size",
    "remaining",
    "size_of",
    "terms_of",
]

Correction = Literal["chart", "neutral", "none"]


class Terms(NamedTuple):
    """Standard deviations along lightness, along chroma and across it.

    Attributes
    ----------
    constant
        In units of Lab, shape (3,).
    share
        Per unit of chroma, shape (3,).
    """

    constant: tuple[float, float, float]
    share: tuple[float, float, float]


@functools.cache
def _table() -> dict[str, Any]:
    place = resources.files("shadematch").joinpath("resources", "photo-terms.json")
    return dict(json.loads(place.read_text(encoding="utf-8")))


def terms_of(kind: Correction) -> Terms:
    """What remains after a kind of correction; for a chart, with residuals of usual size."""
    row = _table()[kind]
    return Terms(tuple(row["constant"]), tuple(row["share"]))


_PRIOR_PATCHES: Final = 12
"""How many patches the usual size of a chart's residuals counts for."""


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
    covariance: tuple[tuple[float, float, float], ...]

    @property
    def size(self) -> float:
        """Root of the sum of its three variances, in units of Lab."""
        return float(np.sqrt(np.trace(np.array(self.covariance))))

    def __str__(self) -> str:
        """In plain words."""
        sd = ", ".join(f"{v:.1f}" for v in np.sqrt(np.diag(np.array(self.covariance))))
        return f"{self.name}: standard deviations of L*, a*, b* {sd}"


def lab_by_xyz(xyz: FloatArray, white: FloatArray) -> FloatArray:
    """How Lab changes with XYZ: shape (3, 3)."""
    return np.asarray(LAB_FROM_RESPONSE * cube_root_response(xyz, white)[1])


def frame_of(lab: FloatArray) -> FloatArray:
    """Directions of lightness, chroma and hue at a colour, as rows; shape (..., 3, 3)."""
    hue = np.arctan2(lab[..., 2], lab[..., 1])
    zero, one = np.zeros_like(hue), np.ones_like(hue)
    return np.stack(
        [
            np.stack([one, zero, zero], axis=-1),
            np.stack([zero, np.cos(hue), np.sin(hue)], axis=-1),
            np.stack([zero, -np.sin(hue), np.cos(hue)], axis=-1),
        ],
        axis=-2,
    )


def deviations(terms: Terms, lab: FloatArray) -> FloatArray:
    """Standard deviations along the directions of `frame_of`; shape (..., 3)."""
    chroma = np.hypot(lab[..., 1], lab[..., 2])[..., None]
    return np.asarray(np.hypot(terms.constant, chroma * np.array(terms.share)))


def mean_square(residuals: FloatArray, reference: FloatArray, terms: Terms) -> float:
    """Mean square of a chart's residuals in units of the terms; shapes (k, 3)."""
    own = np.einsum("kij,kj->ki", frame_of(reference), residuals)
    return float(np.mean((own / deviations(terms, reference)) ** 2))


def size_of(square: FloatArray, patches: FloatArray, usual: float) -> FloatArray:
    """Size of residuals against usual ones, from their mean square.

    The usual size counts as much as twelve patches, since two dozen residuals don't fix a
    variance well.
    """
    weight = patches / (patches + _PRIOR_PATCHES)
    return np.asarray(np.sqrt(weight * square / usual**2 + (1.0 - weight)))


def chart_size(residuals: FloatArray, reference: FloatArray) -> float:
    """How large a chart's residuals are against usual ones; shapes (k, 3)."""
    square = mean_square(residuals, reference, terms_of("chart"))
    usual = float(_table()["usual_chart"])
    return float(size_of(np.array(square), np.array(len(residuals)), usual))


def neutral_size(cast: float) -> float:
    """How large the remaining errors are beside a neutral that shows a cast, against none.

    A cast (C*ab of the neutral as photographed) tells of a lamp far from daylight, under which
    cameras and eyes part, and that the camera's own white balance fell short.
    """
    return 1.0 + float(_table()["cast"]) * cast


def remaining(kind: Correction, lab: FloatArray, size: float = 1.0) -> FloatArray:
    """Covariance of what a correction leaves, at a colour; shape (3, 3)."""
    turn = frame_of(lab)
    return np.asarray(turn.T @ np.diag((size * deviations(terms_of(kind), lab)) ** 2) @ turn)
