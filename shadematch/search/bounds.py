"""What can be said of a whole box of doses: where its colours lie, and how near the target.

In a box the colour is its value at the centre, plus a linear part, plus a remainder that is
bounded: the curvature of the layer's spline is known between any two absorptions, and so is that
of CIELAB's cube root. That makes the colours of a box a subset of a zonotope (a sum of segments)
in CIELAB. Two floors of CIEDE2000 follow, and the larger counts: the interval floor over an
upright box around the colours, and the distance of the zonotope from the target in a norm that
CIEDE2000 does not fall below (`difference.minorant`). The second shrinks with the square of the
box, which is what keeps the number of boxes small.

References
----------
R. E. Moore, R. B. Kearfott, M. J. Cloud, *Introduction to Interval Analysis* (2009), ch. 6
(mean-value forms).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from shadematch.arrays import BoolArray, FloatArray, IntArray
from shadematch.colorimetry import LAB_FROM_RESPONSE, cube_root_response, lab_from_response
from shadematch.difference import floor, squared_difference
from shadematch.search.space import Space

__all__ = ["Images", "Judged", "beyond", "images_of", "judge", "nearest"]

_KNEE: Final = (6.0 / 29.0) ** 3
_CUTS: Final = 8
_MOST_CELLS: Final = 24
_WIDE: Final = 4.0  # CIELAB; beyond it the corners of a box are looked at as well


@dataclass(frozen=True)
class Images:
    """Zonotopes that hold the colours of boxes."""

    centre: FloatArray  # (m, 3) CIELAB
    generators: FloatArray  # (m, 3, n + 3): the pigments', then the remainder's
    lab_lo: FloatArray  # (m, 3) an upright box that holds the colours as well
    lab_hi: FloatArray

    def chosen(self, at: IntArray) -> Images:
        """Those at some positions."""
        return Images(self.centre[at], self.generators[at], self.lab_lo[at], self.lab_hi[at])


def images_of(space: Space, lo: IntArray | FloatArray, hi: IntArray | FloatArray) -> Images:
    """Enclose the colours of boxes [lo, hi], shapes (m, n), of whole or real-valued steps."""
    centre, radius = 0.5 * (lo + hi), 0.5 * (hi - lo)
    mu = space.base + centre @ space.absorption
    spread = radius @ space.absorption
    R, slope = space.layer.evaluate(mu)
    least, greatest = space.layer.curvature_limits(np.maximum(mu - spread, 0.0), mu + spread)
    half_square = 0.5 * spread * spread
    down, up = np.minimum(least, 0.0) * half_square, np.maximum(greatest, 0.0) * half_square
    plus, minus = np.maximum(space.weights, 0.0).T, np.minimum(space.weights, 0.0).T
    xyz = R @ space.weights.T
    rest_lo, rest_hi = down @ plus + up @ minus, up @ plus + down @ minus
    steps = space.xyz_slope(slope) * radius[:, None, :]  # (m, 3, n)
    linear = np.abs(steps).sum(axis=2)
    # CIELAB's cube root: tangent at the centre, second derivative largest at the dark end.
    f, f_slope = cube_root_response(xyz, space.white)
    away = linear + np.maximum(np.abs(rest_lo), np.abs(rest_hi))
    darkest = np.maximum((xyz - linear + rest_lo) / space.white, _KNEE)
    bend = (2.0 / 9.0) * darkest ** (-5.0 / 3.0) / (space.white * space.white)
    f_lo = f_slope * rest_lo - 0.5 * bend * away * away
    f_hi = f_slope * rest_hi
    generators = np.empty((*f.shape, space.size + 3))
    generators[:, :, : space.size] = LAB_FROM_RESPONSE @ (f_slope[:, :, None] * steps)
    generators[:, :, space.size :] = LAB_FROM_RESPONSE * (0.5 * (f_hi - f_lo))[:, None, :]
    middle = lab_from_response(f + 0.5 * (f_lo + f_hi)) + space.shift
    reach = np.abs(generators).sum(axis=2)
    lab_lo, lab_hi = middle - reach, middle + reach
    wide = np.flatnonzero(reach.max(axis=1) > _WIDE)
    if wide.size:
        # Far from its centre the linear part says little; but R falls with every dose, so the
        # box's lightest and darkest recipes limit X, Y and Z.
        dark = space.layer.value((mu + spread)[wide]) - space.layer.rise
        light = space.layer.value(np.maximum((mu - spread)[wide], 0.0)) + space.layer.rise
        low, _ = cube_root_response(dark @ plus + light @ minus, space.white)
        high, _ = cube_root_response(light @ plus + dark @ minus, space.white)
        positive, negative = np.maximum(LAB_FROM_RESPONSE, 0.0), np.minimum(LAB_FROM_RESPONSE, 0.0)
        offset = lab_from_response(np.zeros(3)) + space.shift
        lab_lo[wide] = np.maximum(lab_lo[wide], low @ positive.T + high @ negative.T + offset)
        lab_hi[wide] = np.minimum(lab_hi[wide], high @ positive.T + low @ negative.T + offset)
    return Images(middle, generators, lab_lo, lab_hi)


def nearest(offset: FloatArray, generators: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Push each zonotope's point towards the origin by coordinate descent.

    Parameters
    ----------
    offset, generators
        Shapes (m, 3) and (m, 3, k).

    Returns
    -------
    point, shares
        offset + generators @ shares, with shares (m, k) between -1 and 1. Nothing rests on how
        near it comes: any direction gives a floor.
    """
    m, _, k = generators.shape
    columns = [np.ascontiguousarray(generators[:, :, i]) for i in range(k)]
    norms = [np.maximum(np.einsum("mc,mc->m", g, g), 1e-300) for g in columns]
    point, shares = offset.copy(), np.zeros((m, k))
    for _ in range(3):
        for i, g in enumerate(columns):
            wanted = np.clip(shares[:, i] - np.einsum("mc,mc->m", g, point) / norms[i], -1.0, 1.0)
            point += (wanted - shares[:, i])[:, None] * g
            shares[:, i] = wanted
    return point, shares


@dataclass(frozen=True)
class Judged:
    """How near boxes can come to a target."""

    floor: FloatArray  # (m,) of CIEDE2000
    shares: FloatArray  # (m, k) where in the box the target is approached
    pull: FloatArray  # (m, n) how far each pigment moves the colour, in units of the norm
    offset: FloatArray  # (m, 3) in the norm
    generators: FloatArray  # (m, 3, k) in the norm


def judge(
    images: Images, target: FloatArray, norm: FloatArray, radius: float, limit: float = np.inf
) -> Judged:
    """Floors of CIEDE2000; `norm` is the minorant for `radius`.

    Where the norm alone lifts a floor to `limit`, it is left at that.
    """
    offset = (images.centre - target) @ norm.T
    generators = norm @ images.generators
    point, shares = nearest(offset, generators)
    length = np.linalg.norm(point, axis=1)
    direction = point / np.maximum(length, 1e-300)[:, None]
    along = np.abs(np.einsum("mc,mck->mk", direction, generators)).sum(axis=1)
    distance = np.einsum("mc,mc->m", direction, offset) - along
    # The norm is proved where CIEDE2000 is at most `radius`; farther out, `radius` is a floor.
    distance = np.minimum(distance, radius)
    open_ = np.flatnonzero(distance < limit)
    hull = floor(target, images.lab_lo[open_], images.lab_hi[open_])
    distance[open_] = np.maximum(distance[open_], hull)
    pigments = generators[:, :, :-3]
    pull = np.sqrt(np.einsum("mck,mck->mk", pigments, pigments))
    return Judged(distance, shares, pull, offset, generators)


def beyond(images: Images, target: FloatArray, limit: float) -> BoolArray:
    """Which boxes certainly hold nothing closer to a far target than `limit`.

    Far from the target no norm lies close below CIEDE2000, and the upright box alone gives away
    its corners. Here they are cut off: a zonotope also lies on one side of a plane across the
    gradient at its centre. What is left of the upright box is cut into cells until each lies
    beyond the plane or has a floor of at least `limit`.

    Parameters
    ----------
    images
        Of m boxes.
    target
        CIELAB, shape (3,).
    limit
        CIEDE2000.

    Returns
    -------
    ndarray
        Shape (m,). False where it is not certain.
    """
    square, slope, _ = squared_difference(images.centre, target)
    # Any direction is valid; this one is good.
    away = slope / np.maximum(2.0 * np.sqrt(square), 1e-300)[:, None]
    reach = np.abs(np.einsum("mc,mck->mk", away, images.generators)).sum(axis=1)
    hopeful = np.sqrt(square) - reach > limit
    result = np.zeros(len(square), dtype=bool)
    result[hopeful] = True
    level = np.einsum("mc,mc->m", away, images.centre) - reach
    level -= 1e-9 * (1.0 + np.abs(level))
    box = np.flatnonzero(hopeful)
    lo, hi = images.lab_lo[box], images.lab_hi[box]
    for _ in range(_CUTS):
        if not box.size:
            break
        extent = np.abs(away[box]) * (hi - lo)
        axis = np.argmax(extent, axis=1)
        rows = np.arange(box.size)
        middle = 0.5 * (lo[rows, axis] + hi[rows, axis])
        left, right = hi.copy(), lo.copy()
        left[rows, axis] = right[rows, axis] = middle
        box, lo, hi = np.tile(box, 2), np.concatenate([lo, right]), np.concatenate([left, hi])
        d = away[box]
        highest = np.maximum(d * lo, d * hi).sum(axis=1)
        kept = (highest >= level[box]) & result[box]
        box, lo, hi = box[kept], lo[kept], hi[kept]
        kept = floor(target, lo, hi) < limit
        box, lo, hi = box[kept], lo[kept], hi[kept]
        many = np.bincount(box, minlength=len(result)) > _MOST_CELLS
        result[many] = False
        kept = result[box]
        box, lo, hi = box[kept], lo[kept], hi[kept]
    result[box] = False
    return result
