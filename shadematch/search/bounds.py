"""Bounds for a box of doses: where its colours lie, and how near the target.

In a box the colour is its value at the centre, plus a linear part, plus a bounded remainder:
reflectance is convex in the doses, and so are the cube roots of X, Y and Z, so they lie above
their tangents at the centre, and farthest above them at an end. So the colours of a box are inside
a zonotope (a sum of segments) in CIELAB. Two floors of CIEDE2000 follow, and the larger counts: the
interval floor over an axis-aligned box around the colours, and the distance of the zonotope from
the target in a norm below CIEDE2000 (`floors.minorant`). The error of the second shrinks with the
square of the box, which keeps the number of boxes small.

References
----------
R. E. Moore, R. B. Kearfott, M. J. Cloud, *Introduction to Interval Analysis* (2009), ch. 6
(mean-value forms).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from shadematch.colour.colorimetry import cube_root_response
from shadematch.colour.difference import squared_difference
from shadematch.colour.floors import floor
from shadematch.optics.layer import CONVEXITY, Layer
from shadematch.search.images import HELD, KNEE, PRICE, Images, Load, enclosed, in_effect
from shadematch.search.scattering import images_by_surface
from shadematch.search.space import Space, lab_range
from shadematch.support.arrays import BoolArray, FloatArray, IntArray

__all__ = ["BoxFloors", "beyond", "images_of", "judge", "nearest"]

_CUTS: Final = 8
_MOST_CELLS: Final = 24


@dataclass(frozen=True)
class _Spectra:
    """Radiance factors of boxes, shapes (m, 36)."""

    R: FloatArray  # at the centre
    slope: FloatArray  # dR/d(mu_a) there
    drop: FloatArray  # what the tangent falls from the centre to the darkest corner
    light: FloatArray
    dark: FloatArray
    above: FloatArray  # how far R may lie above its tangent
    slack: FloatArray | None  # how far R may lie from something convex


def images_of(
    space: Space,
    lo: IntArray | FloatArray,
    hi: IntArray | FloatArray,
    most_paste: float = np.inf,
) -> list[Images]:
    """Enclose the colours of boxes [lo, hi], shapes (m, k), of whole or real-valued steps.

    There is one `Images` for each view. What of a box takes more than `most_paste` [dose steps]
    need not be enclosed; see `Load`. Where kinds of dose scatter, see `images_by_surface`.
    """
    centre, radius, bow = in_effect(space, lo, hi)
    paste = space.limits.paste
    load = Load(bow, 0.5 * (hi - lo) * paste, most_paste - 0.5 * (lo + hi) @ paste)
    layer = space.layer
    if layer is None:
        return images_by_surface(space, centre, radius, load)
    mu = space.base + centre @ space.absorption
    spread = radius @ space.absorption
    R, slope = layer.evaluate(mu)
    light, dark = layer.value(np.maximum(mu - spread, 0.0)), layer.value(mu + spread)
    # R is convex, so it lies above its tangent at the centre, and most above it at an end.
    drop = slope * spread
    above = np.maximum(np.maximum(light - R + drop, dark - R - drop), 0.0)
    slack = _slack(layer, mu - spread, spread)
    spectra = _Spectra(
        R=R, slope=slope, drop=drop, light=light, dark=dark, above=above, slack=slack
    )
    return [_seen(space, view, spectra, radius, load) for view in range(len(space.seen))]


def _seen(space: Space, view: int, spectra: _Spectra, radius: FloatArray, load: Load) -> Images:
    weights, white = space.seen[view]
    plus, minus = np.maximum(weights, 0.0).T, np.maximum(-weights, 0.0).T
    slack, above = spectra.slack, spectra.above
    loose = 0.0 if slack is None else slack @ (plus + minus)
    rest_lo, rest_hi = above @ minus + loose, above @ plus + loose  # below and above, of X, Y, Z
    assert space.layer is not None
    rise = space.layer.rise @ (plus + minus)
    dark_plus, light_minus = spectra.dark @ plus, spectra.light @ minus
    darkest = dark_plus - light_minus - rise
    lightest = spectra.light @ plus - spectra.dark @ minus + rise
    xyz = spectra.R @ weights.T
    f, f_slope = cube_root_response(xyz, white)
    steps = space.xyz_slope(spectra.slope, view) * radius[:, None, :]  # (m, 3, k)
    full = np.flatnonzero(load.room < 0.0)
    if slack is None and full.size:
        # All doses at once are far more than the limit on paste lets in. P^(1 - K) is convex, so
        # it lies above its tangent.
        own, P = load.chosen(full), np.maximum(spectra.R[full] @ plus, 1e-300)
        falls = own.lowest(steps[full]) + spectra.drop[full] @ minus
        lies = np.maximum(1.0 + (1.0 - CONVEXITY) * falls / P, 0.0)
        least = P * lies ** (1.0 / (1.0 - CONVEXITY)) - light_minus[full] - rise
        darkest[full] = np.maximum(darkest[full], least)
    steepest = cube_root_response(darkest, white)[1]
    # X, Y and Z are so convex that their cube roots are, too (see `HELD`): these lie above their
    # tangents, and, being concave functions of X, Y, Z, below the tangent in those. Where negative
    # weights spoil it, the cube root's own bend counts.
    most, least = light_minus + rise + loose, np.maximum(dark_plus - rise, KNEE * white)
    few = most <= HELD * least
    straight = np.abs(steps).sum(axis=2) + rest_hi + rest_lo
    astray = np.where(few, PRICE * (-spectra.drop @ minus), straight)
    t = np.maximum(darkest / white, KNEE)
    bend = (2.0 / 9.0) * t ** (-5.0 / 3.0) / (white * white)
    f_lo = -steepest * rest_lo - 0.5 * bend * astray * astray
    f_hi = f_slope * rest_hi
    # R falls with every dose, so the box's lightest and darkest recipes limit X, Y and Z.
    corners = lab_range(darkest, lightest, white, space.shift)
    return enclosed(
        space, load, f, (f_lo, f_hi), along=f_slope[:, :, None] * steps, corners=corners
    )


def _slack(layer: Layer, lo: FloatArray, spread: FloatArray) -> FloatArray | None:
    """How far R may lie from something convex within 2 `spread` above `lo`; None: nowhere."""
    dip = layer.dip(np.maximum(lo, 0.0))
    if dip is None and not layer.stray.any():
        return None
    slack = 2.0 * layer.stray + layer.stray_slope * spread
    return slack if dip is None else slack + 0.5 * dip * spread * spread


def nearest(offset: FloatArray, generators: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Move a point of each zonotope towards the origin by coordinate descent.

    Gives the point, offset + generators @ shares, and the shares, shape (m, k), between -1 and 1.
    It need not be the nearest: any direction gives a valid floor.
    """
    m, _, k = generators.shape
    # By coordinate, each contiguous.
    x, y, z = np.array(offset.T, order="C")  # a copy, to be changed
    columns = np.ascontiguousarray(generators.transpose(2, 1, 0))
    norms = np.maximum(np.einsum("kcm,kcm->km", columns, columns), 1e-300)
    shares = np.zeros((k, m))
    for _ in range(3):
        for (gx, gy, gz), norm, share in zip(columns, norms, shares, strict=True):
            along = gx * x
            along += gy * y
            along += gz * z
            along /= norm
            wanted = np.minimum(np.maximum(share - along, -1.0), 1.0)
            change = wanted - share
            x += change * gx
            y += change * gy
            z += change * gz
            share[:] = wanted
    return np.stack([x, y, z], axis=1), shares.T


@dataclass(frozen=True)
class BoxFloors:
    """How near boxes can be to a target."""

    floor: FloatArray  # (m,) of CIEDE2000
    shares: FloatArray  # (m, k) where in the box the target is approached
    pull: FloatArray  # (m, n) how far each pigment moves the colour, in units of the norm
    offset: FloatArray  # (m, 3) in the norm
    generators: FloatArray  # (m, 3, k) in the norm
    bow: FloatArray  # (m, n) as in `Images`


def judge(
    images: Images,
    target: FloatArray,
    norm: FloatArray,
    radius: float,
    limit: float = np.inf,
    away: FloatArray | None = None,
) -> BoxFloors:
    """Floors of CIEDE2000; `norm` is the minorant for `radius`.

    Where the norm alone lifts a floor to `limit`, it is left at that. `away` is a direction of
    CIELAB in which everything may lie away from the target; any one is valid.
    """
    offset = (images.centre - target) @ norm.T
    generators = norm @ images.generators
    point, shares = nearest(offset, generators)
    length = np.linalg.norm(point, axis=1)
    direction = point / np.maximum(length, 1e-300)[:, None]
    along = images.load.lowest(np.einsum("mc,mck->mk", direction, generators))
    distance = np.einsum("mc,mc->m", direction, offset) + along
    # The norm is proved where CIEDE2000 is at most `radius`; farther out, `radius` is a floor.
    distance = np.minimum(distance, radius)
    open_ = np.flatnonzero(distance < limit)
    if away is not None and away.any():
        straight = norm @ away
        straight /= max(float(np.linalg.norm(straight)), 1e-300)
        along = images.load.chosen(open_).lowest(
            np.einsum("c,mck->mk", straight, generators[open_])
        )
        there = np.minimum(offset[open_] @ straight + along, radius)
        distance[open_] = np.maximum(distance[open_], there)
        open_ = open_[distance[open_] < limit]
    hull = floor(target, images.lab_lo[open_], images.lab_hi[open_])
    distance[open_] = np.maximum(distance[open_], hull)
    pigments = generators[:, :, :-3]
    pull = np.sqrt(np.einsum("mck,mck->mk", pigments, pigments))
    return BoxFloors(
        floor=distance,
        shares=shares,
        pull=pull,
        offset=offset,
        generators=generators,
        bow=images.load.bow,
    )


def beyond(images: Images, target: FloatArray, limit: float) -> BoolArray:
    """Which boxes certainly contain nothing closer to a far target than `limit`, shape (m,).

    Far from the target no norm is close below CIEDE2000, and the floor over the axis-aligned box
    is loose because of its corners. These are cut off: the zonotope is on one side of a plane
    normal to the gradient at its centre. The rest of the box is divided into cells until each is
    beyond the plane or has a floor of at least `limit`.
    """
    square, slope, _ = squared_difference(images.centre, target)
    # Any direction is valid; this one is good.
    away = slope / np.maximum(2.0 * np.sqrt(square), 1e-300)[:, None]
    reach = -images.load.lowest(np.einsum("mc,mck->mk", away, images.generators))
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
