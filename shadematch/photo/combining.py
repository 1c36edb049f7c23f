"""Several photos of the same thing as one target.

A camera's errors with a surface repeat in all its photos, so half the variance is taken as shared:
photos from other places, in other lights, narrow the covariance, but many photos don't make the
colour certain. Where they disagree by more than their own covariance says, it grows by as much
(R. T. Birge, *The calculation of errors by the method of least squares*, Phys. Rev. 40 (1932)
207-227).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from shadematch.errors import PhotoError
from shadematch.photo.target import PhotoTarget
from shadematch.studio.covariance import symmetric
from shadematch.studio.target import Target
from shadematch.support.arrays import FloatArray, triple
from shadematch.support.report import Report, Reported, Row, Swatch, rows_of

__all__ = ["CombinedPhotos", "combine_photos"]

_SHARED: Final = 0.5
"""Part of the variance that photos of the same thing share; an estimate."""
_FAR: Final = 1.5
"""Birge's ratio from which on photos disagree."""


@dataclass(frozen=True)
class CombinedPhotos(Reported):
    """One colour from several photos; `match` and others take it as it is.

    Attributes
    ----------
    target
        The colour under D65 for the 2 degree observer, with its covariance.
    photos
        What was read in each.
    disagreement
        Birge's ratio: root mean square distance of the photos over the standard deviations that
        they don't share; 1 where they are as good as they say.
    warnings
        What to check.
    """

    target: Target
    photos: tuple[PhotoTarget, ...] = field(repr=False)
    disagreement: float
    warnings: tuple[str, ...]

    def report(self) -> Report:
        """The colour, and what each photo gave."""
        read = [f"{p.target.hex}, known to {p.target.radius:.1f}, {p.method}" for p in self.photos]
        return Report(
            swatches=(Swatch.of(self.target, "target"),),
            rows=(
                Row.colour("colour", self.target, "D65/2 degrees"),
                Row("known to", f"CIEDE2000 {self.target.radius:.1f}", range="90 %"),
                *rows_of("photo", read),
                *rows_of("mind", self.warnings),
            ),
            cautions=False,
        )


def combine_photos(photos: Sequence[PhotoTarget]) -> CombinedPhotos:
    """One colour from several photos of the same thing.

    Parameters
    ----------
    photos
        Two or more results of `read_photo`; better from other places and in other lights than
        many alike.

    Raises
    ------
    PhotoError
        If it isn't two or more such results.
    """
    given = tuple(photos) if isinstance(photos, Sequence) else ()
    if len(given) < 2 or not all(isinstance(p, PhotoTarget) for p in given):
        raise PhotoError(
            "must be two or more results of read_photo",
            field="photos",
            value=str(photos)[:80],
            remedy="Give a list of what read_photo(...) gave",
        )
    labs = np.array([p.target.lab for p in given])
    covariances = np.array([p.target.covariance for p in given])
    own = (1.0 - _SHARED) * covariances
    inverses = np.linalg.inv(own)
    together = np.linalg.inv(inverses.sum(axis=0))
    weights = together @ inverses  # (n, 3, 3)
    lab = np.einsum("nab,nb->a", weights, labs)
    off = labs - lab
    square = float(np.einsum("na,nab,nb->", off, inverses, off)) / (3 * (len(given) - 1))
    roots = np.array([_root(c) for c in covariances])
    shared = np.einsum("nab,nbc->ac", weights, roots)
    covariance = max(1.0, square) * together + _SHARED * shared @ shared.T
    warnings = []
    if square > _FAR**2:
        warnings.append(
            f"The photos differ by {np.sqrt(square):.1f} times their own uncertainty: is it the "
            "same part of the same thing in all of them?"
        )
    source = f"{len(given)} photos"
    target = Target(triple(lab), source=source, covariance=symmetric(covariance))
    return CombinedPhotos(target, given, float(np.sqrt(square)), tuple(warnings))


def _root(matrix: FloatArray) -> FloatArray:
    """The symmetric square root."""
    values, axes = np.linalg.eigh(matrix)
    return np.asarray(axes * np.sqrt(np.maximum(values, 0.0)) @ axes.T)
