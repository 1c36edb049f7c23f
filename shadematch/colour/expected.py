"""CIEDE2000 between colours that are known with a covariance only.

This is the library's one way from a covariance to "half the time within" and "nine times in ten
within": fixed, evenly spread points of a normal distribution go through the exact formula, and
quantiles are read off. The points come in pairs of +z and -z, so their mean is 0, and are scaled to
covariance 1.

References
----------
I. M. Sobol', USSR Comput. Math. Math. Phys. 7 (1967) 86 (the sequence). A. B. Owen, *Monte Carlo
Theory, Methods and Examples* (2013), ch. 8.2 (pairs) and 10.7 (matching of moments).
"""

from __future__ import annotations

import functools
from typing import Final

import numpy as np

from shadematch.colour.difference import delta_e
from shadematch.support.arrays import FloatArray

__all__ = [
    "LEVEL",
    "differences",
    "half_and_nine_in_ten",
    "how_seen",
    "nine_in_ten",
    "normal_points",
    "root_of",
    "within_in_words",
]

LEVEL: Final = 0.9
"""What "nine times in ten" means."""
_POINTS: Final = 4096


@functools.lru_cache(maxsize=32)
def normal_points(count: int, size: int) -> FloatArray:
    """Points of a standard normal distribution in pairs, shape (count, size); read-only.

    `count` is a power of 2.
    """
    from scipy.special import ndtri
    from scipy.stats import qmc  # slow to import, so late

    even = qmc.Sobol(size, scramble=True, seed=20_261_129).random(count // 2)
    half = ndtri(np.clip(even, 1e-9, 1.0 - 1e-9))
    points = np.concatenate([half, -half])
    if count >= 8 * size:  # fewer may not span all directions
        points = points @ np.linalg.inv(np.linalg.cholesky(points.T @ points / count)).T
    points.setflags(write=False)
    return np.asarray(points)


def root_of(covariance: FloatArray) -> FloatArray:
    """A matrix S with S S' = the covariance; shapes (..., m, m), singular ones too."""
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0))[..., None, :])


def differences(
    lab: FloatArray,
    aim: FloatArray,
    covariance: FloatArray,
    *,
    aim_covariance: FloatArray | None = None,
    count: int = _POINTS,
    single: bool = False,
) -> FloatArray:
    """CIEDE2000 of uncertain colours to an uncertain aim, as equally likely values.

    Parameters
    ----------
    lab
        Mean colours in v lights, shape (k, v, 3).
    aim
        Wanted colours, shape (v, 3), or (k, 1, v, 3) for one per colour.
    covariance
        Of `lab` over all lights together, shape (k, 3 v, 3 v).
    aim_covariance
        Of `aim`, shape (3 v, 3 v); None: exact.
    count
        Number of values, a power of 2.
    single
        In single precision: errors up to some 1e-4, twice as fast.

    Returns
    -------
    ndarray
        Shape (k, count): the largest over the lights.
    """
    lights, size = aim.shape[-2], 3 * aim.shape[-2]
    known = aim_covariance is None or not np.any(aim_covariance)
    points = normal_points(count, size if known else 2 * size)
    off = points[:, :size] @ np.swapaxes(root_of(covariance), -1, -2)
    colours = lab[:, None] + off.reshape(len(lab), count, lights, 3)
    aims = aim
    if aim_covariance is not None and not known:
        aims = aim + (points[:, size:] @ root_of(aim_covariance).T).reshape(count, lights, 3)
    if single:
        colours, aims = colours.astype(np.float32), aims.astype(np.float32)
    return np.asarray(delta_e(colours, aims).max(axis=-1), dtype=float)


def nine_in_ten(values: FloatArray) -> FloatArray:
    """What equally likely values, along the last axis, stay within in nine cases of ten."""
    return np.asarray(np.quantile(values, LEVEL, axis=-1))


def half_and_nine_in_ten(values: FloatArray) -> FloatArray:
    """What they stay within in half the cases, and in nine of ten; shape (2, ...)."""
    return np.asarray(np.quantile(values, (0.5, LEVEL), axis=-1))


def within_in_words(half: float, nine: float) -> str:
    """What CIEDE2000 stays within half the time and nine times in ten, in words."""
    return f"half the time within {half:.1f}, nine times in ten {nine:.1f}"


def how_seen(difference: float) -> str:
    """How visible a CIEDE2000 is, in words (common practice, no source)."""
    for most, words in (
        (1.0, "most people see no difference"),
        (2.0, "a careful eye sees it"),
        (5.0, "seen side by side"),
    ):
        if difference <= most:
            return words
    return "plainly another shade"
