"""Lower bounds of CIEDE2000 for proofs: over a box of CIELAB, and near a target.

Both hold on either side of the hue jump (`difference`). Symbols are those of `ciede2000`; interval
arithmetic as in R. E. Moore, R. B. Kearfott, M. J. Cloud, *Introduction to Interval Analysis*
(2009).
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np

from shadematch.colour.ciede2000 import chroma_metric, g_at, parts, r_c_at, s_l_at, t_at
from shadematch.colour.difference import delta_e
from shadematch.support.arrays import FloatArray

__all__ = ["farthest", "floor", "lightness_floor", "minorant"]

_T_SLOPE2: Final = 0.17 + 4 * 0.24 + 9 * 0.32 + 16 * 0.20  # largest |T''|
_T_LARGEST: Final = 1.0 + 0.17 + 0.24 + 0.32 + 0.20
_LARGEST_AB: Final = 512.0
"""Above |a*| and |b*| of any reflectance from 0 to 1: these stay below 500 (1 - 16/116) = 431."""


class _Cells(NamedTuple):
    """Ranges of the formula's parts while (a*, b*) of the second colour runs over rectangles."""

    floor2: FloatArray  # a lower bound of the chroma and hue part of the square
    g_lo: FloatArray
    g_hi: FloatArray
    c_lo: FloatArray  # C' of the second
    c_hi: FloatArray
    t_c_lo: FloatArray  # C' of the target
    t_c_hi: FloatArray
    h: FloatArray  # mean hue at the centre [rad]
    h_width: FloatArray  # most that the mean hue departs from it; inf: unknown
    turn: FloatArray  # largest |hue difference| / 2
    s_c_lo: FloatArray
    s_c_hi: FloatArray
    s_h_lo: FloatArray
    s_h_hi: FloatArray
    rho_lo: FloatArray  # smallest and largest |R_T|
    rho_hi: FloatArray


def _length(x: FloatArray, y: FloatArray) -> FloatArray:
    """As `numpy.hypot`, several times as fast; colours don't overflow."""
    return np.asarray(np.sqrt(x * x + y * y))


def _cells(target: FloatArray, lo: FloatArray, hi: FloatArray) -> _Cells:
    """Interval evaluation over rectangles [lo, hi] of (a*, b*); shapes (..., 2)."""
    ta, tb = target[..., 1], target[..., 2]
    a_lo, b_lo, a_hi, b_hi = lo[..., 0], lo[..., 1], hi[..., 0], hi[..., 1]
    a_near = np.maximum(0.0, np.maximum(a_lo, -a_hi))
    b_near = np.maximum(0.0, np.maximum(b_lo, -b_hi))
    a_far = np.maximum(np.abs(a_lo), np.abs(a_hi))
    b_far = np.maximum(np.abs(b_lo), np.abs(b_hi))
    t_chroma = _length(ta, tb)
    g_hi = g_at(0.5 * (t_chroma + _length(a_near, b_near)))
    g_lo = g_at(0.5 * (t_chroma + _length(a_far, b_far)))
    s_lo, s_hi = 1.0 + g_lo, 1.0 + g_hi
    c_lo, c_hi = _length(s_lo * a_near, b_near), _length(s_hi * a_far, b_far)
    t_lo, t_hi = _length(s_lo * ta, tb), _length(s_hi * ta, tb)

    # Hue of the rectangle: a disc around its centre, in the (a', b') plane.
    s_mid = 0.5 * (s_lo + s_hi)
    a_mid, b_mid = 0.5 * (a_lo + a_hi), 0.5 * (b_lo + b_hi)
    a_half = 0.5 * s_hi * (a_hi - a_lo) + 0.5 * (s_hi - s_lo) * a_far
    reach = _length(a_half, 0.5 * (b_hi - b_lo))
    centre = _length(s_mid * a_mid, b_mid)
    known = reach < centre
    width2 = np.arcsin(np.where(known, reach, 0.0) / np.where(known, centre, 1.0))
    t_reach = 0.5 * (s_hi - s_lo) * np.abs(ta)
    t_centre = _length(s_mid * ta, tb)
    t_known = t_reach < t_centre
    width1 = np.arcsin(np.where(t_known, t_reach, 0.0) / np.where(t_known, t_centre, 1.0))
    h1 = np.arctan2(tb, s_mid * ta)
    raw = np.arctan2(b_mid, s_mid * a_mid) - h1
    dh = raw - 2 * np.pi * np.rint(raw / (2 * np.pi))
    width = width1 + width2
    # A little slack: hues opposite to the last digit lie on either side of the jump.
    known &= t_known & (np.abs(dh) + width < np.pi - 1e-9)
    h = h1 + 0.5 * dh
    h_width = np.where(known, 0.5 * width, np.inf)
    dh_lo = np.where(known, np.maximum(np.abs(dh) - width, 0.0), 0.0)
    # Near the hue jump: the least angle still counts if both hues are known.
    jump = ~known & t_known & (reach < centre)
    dh_lo = np.where(jump, np.maximum(np.abs(dh) - width, 0.0), dh_lo)
    turn = np.where(known, 0.5 * (np.abs(dh) + width), 0.5 * np.pi)

    mean_lo, mean_hi = 0.5 * (c_lo + t_lo), 0.5 * (c_hi + t_hi)
    t_mid, t_slope = t_at(h)
    finite = np.where(known, h_width, 0.0)
    wiggle = np.abs(t_slope) * finite + 0.5 * _T_SLOPE2 * finite * finite
    t_top = np.where(known, np.minimum(t_mid + wiggle, _T_LARGEST), _T_LARGEST)
    t_low = np.where(known, np.maximum(t_mid - wiggle, 2.0 - _T_LARGEST), 2.0 - _T_LARGEST)
    turned = (h - np.radians(275.0)) / (2 * np.pi)
    from_blue = 360.0 * np.abs(turned - np.rint(turned))
    wide = np.where(known, np.degrees(finite), 180.0)
    near_blue = np.maximum(from_blue - wide, 0.0) / 25.0
    if jump.any():
        # The mean hue is then the one between both hues, or its opposite.
        half = np.where(jump, 0.5 * width, 0.0)
        there, there_slope = t_at(h + np.pi)
        bend = 0.5 * _T_SLOPE2 * half * half
        wiggles = np.abs(t_slope) * half + bend, np.abs(there_slope) * half + bend
        top = np.maximum(t_mid + wiggles[0], there + wiggles[1])
        t_top = np.where(jump, np.minimum(top, t_top), t_top)
        nearer = np.minimum(from_blue, 180.0 - from_blue) - np.degrees(half)
        near_blue = np.where(jump, np.maximum(nearer, 0.0) / 25.0, near_blue)
    far_blue = (from_blue + wide) / 25.0
    third = np.radians(60.0)
    rho_hi = np.sin(third * np.exp(-(near_blue**2))) * r_c_at(mean_hi)
    rho_lo = np.sin(third * np.exp(-(far_blue**2))) * r_c_at(mean_lo)
    # The formula does not wrap its exponent, so R_T jumps by 2e-5 where the mean hue passes 0.
    rho_lo = np.maximum(rho_lo - 5e-5, 0.0)
    s_c_lo, s_c_hi = 1.0 + 0.045 * mean_lo, 1.0 + 0.045 * mean_hi
    s_h_lo = 1.0 + 0.015 * np.minimum(mean_lo * t_low, mean_hi * t_low)
    s_h_hi = 1.0 + 0.015 * mean_hi * t_top

    up, down = c_lo - t_hi, t_lo - c_hi  # > 0: certainly more, certainly less chroma
    y = np.maximum(0.0, np.maximum(up, down)) / s_c_hi
    w = 2.0 * np.sqrt(c_lo * t_lo) * np.sin(0.5 * np.minimum(dh_lo, np.pi)) / s_h_hi
    # R_T <= 0: the cross term subtracts only where both differences have one sign. Where they
    # certainly differ it adds at least the product of the smallest factors.
    opposite = (dh_lo > 0) & known & (((up > 0) & (dh < 0)) | ((down > 0) & (dh > 0)))
    rho = np.where(opposite, 0.0, rho_hi)
    y_top = np.maximum(np.abs(c_hi - t_lo), np.abs(t_hi - c_lo)) / s_c_lo
    widest = np.where(known, np.minimum(np.abs(dh) + width, np.pi), np.pi)
    w_top = 2.0 * np.sqrt(c_hi * t_hi) * np.sin(0.5 * widest) / s_h_lo
    small, large = np.minimum(y, w), np.maximum(y, w)
    # Least of y^2 + w^2 - rho y w above (y, w): the smaller may grow to rho/2 of the larger, up to
    # the end of its range.
    top = np.maximum(np.where(y <= w, y_top, w_top), small)
    free = np.clip(0.5 * rho * large, small, top)
    framed = large * large + free * free - rho * large * free
    framed += np.where(opposite, rho_lo * y * w, 0.0)
    # Whatever the hue, Delta C'^2 + Delta H'^2 is the squared distance in (a', b').
    a_gap = np.maximum(0.0, np.maximum(a_lo - ta, ta - a_hi))
    b_gap = np.maximum(0.0, np.maximum(b_lo - tb, tb - b_hi))
    gap2 = (s_lo * a_gap) ** 2 + b_gap**2
    round_ = (1.0 - 0.5 * rho_hi) * gap2 / np.maximum(s_c_hi, s_h_hi) ** 2
    return _Cells(
        floor2=np.maximum(framed, round_),
        g_lo=g_lo,
        g_hi=g_hi,
        c_lo=c_lo,
        c_hi=c_hi,
        t_c_lo=t_lo,
        t_c_hi=t_hi,
        h=h,
        h_width=h_width,
        turn=turn,
        s_c_lo=s_c_lo,
        s_c_hi=s_c_hi,
        s_h_lo=s_h_lo,
        s_h_hi=s_h_hi,
        rho_lo=rho_lo,
        rho_hi=rho_hi,
    )


def floor(target: FloatArray, lo: FloatArray, hi: FloatArray) -> FloatArray:
    """A lower bound, shape (...), of CIEDE2000 to `target` anywhere in a box of CIELAB.

    Interval evaluation of the formula. The lightness part is exact, since the difference in L*
    over S_L grows with the difference; chroma and hue are bounded from the ranges of G, C', h',
    S_C, S_H and R_T over the box.

    `target` has shape (3,) or (..., 3); `lo` and `hi`, opposite corners, (..., 3).
    """
    target, lo, hi = (np.asarray(v, dtype=float) for v in (target, lo, hi))
    cells = _cells(target, lo[..., 1:], hi[..., 1:])
    x = lightness_floor(target[..., 0], lo[..., 0], hi[..., 0])
    # 1e-12 allows for rounding.
    return np.asarray(np.sqrt(x * x + cells.floor2) * (1.0 - 1e-12))


def lightness_floor(target: FloatArray, lo: FloatArray, hi: FloatArray) -> FloatArray:
    """The part of `floor` due to lightness, at a tenth of the cost; L* only, shapes (...)."""
    nearest = np.clip(target, lo, hi)
    return np.asarray(np.abs(nearest - target) / s_l_at(0.5 * (nearest + target)) * (1.0 - 1e-12))


def _rings(target: FloatArray, size: float) -> tuple[FloatArray, FloatArray]:
    """Squares that cover the (a*, b*) plane around the target, growing outwards."""
    steps = np.arange(-4, 4)
    x, y = (v.ravel() for v in np.meshgrid(steps, steps, indexing="ij"))
    hollow = ~((x >= -2) & (x < 2) & (y >= -2) & (y < 2))
    lows, sizes = [np.stack([x, y], axis=-1) * size], [np.full(x.size, size)]
    while 4 * size < _LARGEST_AB + np.abs(target[1:]).max():
        size *= 2.0
        lows.append(np.stack([x[hollow], y[hollow]], axis=-1) * size)
        sizes.append(np.full(int(hollow.sum()), size))
    lo = target[1:] + np.concatenate(lows)
    return lo, lo + np.concatenate(sizes)[:, None]


def minorant(target: FloatArray, radius: float) -> FloatArray:
    """A norm that stays below CIEDE2000 wherever CIEDE2000 is at most `radius`.

    CIEDE2000 is a quadratic form in (Delta L', Delta C', Delta H'), which is (Delta L*, Delta a',
    Delta b*) rotated, up to factors bounded here. Its weights change slowly. The plane around the
    target is cut into squares; in each that can hold a colour within `radius`, the ranges of the
    weights bound the form from below by a multiple of the form at the target. The least multiple
    counts.

    Parameters
    ----------
    target
        Shape (3,).
    radius
        CIEDE2000, above 0.

    Returns
    -------
    ndarray
        W of shape (3, 3): for every Lab with ``delta_e(target, Lab) <= radius``,
        ``norm(W @ (Lab - target)) <= delta_e(target, Lab)``. W is 0 in (a*, b*) where nothing
        could be shown.
    """
    target = np.asarray(target, dtype=float)
    lo, hi = _rings(target, max(radius, 1e-3) / 3.0)
    c = _cells(target, lo, hi)
    keep = c.floor2 <= radius * radius
    c = _Cells(*(v[keep] for v in c))
    here = parts(target, target)
    at_target = chroma_metric(here.g, here.mean_h, here.s_c, here.s_h, here.r_t)
    values, vectors = np.linalg.eigh(at_target)
    root = vectors * np.sqrt(values) @ vectors.T
    inverse = vectors / np.sqrt(values) @ vectors.T

    # (A) The form in its own frame. Weights at the middle of their ranges, then what is lost.
    middle = tuple(0.5 * (u + v) for u, v in ((c.g_lo, c.g_hi), (c.rho_lo, c.rho_hi)))
    g_mid, rho_mid = middle
    y_lo, y_hi = 1.0 / c.s_c_hi, 1.0 / (c.s_c_lo * np.maximum(np.cos(c.turn), 1e-3))
    # Delta H' is the component across the mean hue times (geometric / arithmetic mean chroma)
    ratio = np.minimum(c.c_lo / np.maximum(c.t_c_hi, 1e-300), c.t_c_lo / np.maximum(c.c_hi, 1e-300))
    ratio = np.minimum(ratio, 1.0)
    means = 2.0 * np.sqrt(ratio) / (1.0 + ratio)
    w_lo, w_hi = means / c.s_h_hi, 1.0 / c.s_h_lo
    y_mid, w_mid = 0.5 * (y_lo + y_hi), 0.5 * (w_lo + w_hi)
    stretch = np.sqrt((2.0 + rho_mid) / (2.0 - rho_mid))
    dy, dw = (y_hi - y_lo) / (y_hi + y_lo), (w_hi - w_lo) / (w_hi + w_lo)
    # scale (1 + dy, 1 + dw): its even part acts as a factor, its odd part through `stretch`
    kept = 1.0 - np.maximum(np.maximum(dy, dw), 0.5 * (dy + dw) * (1.0 + stretch))
    kept *= np.sqrt(np.maximum(1.0 - 0.5 * (c.rho_hi - c.rho_lo) / (2.0 - rho_mid), 0.0))
    anisotropy = stretch * np.maximum(y_mid, w_mid) / np.minimum(y_mid, w_mid)
    turned = np.where(c.h_width < np.pi, 2.0 * np.sin(0.5 * np.minimum(c.h_width, np.pi)), 2.0)
    kept *= 1.0 - (anisotropy - 1.0) * np.minimum(turned, 1.0)
    kept *= 1.0 - anisotropy * 0.5 * (c.g_hi - c.g_lo) / (1.0 + g_mid)
    kept = np.where(np.isfinite(c.h_width), np.maximum(kept, 0.0), 0.0)
    framed = chroma_metric(g_mid, c.h, 1.0 / y_mid, 1.0 / w_mid, -rho_mid)
    # (B) Whatever the hue: the squared distance in (a', b') over the larger weight.
    weight = (1.0 - 0.5 * c.rho_hi) / np.maximum(c.s_c_hi, c.s_h_hi) ** 2
    round_ = np.zeros_like(framed)
    round_[..., 0, 0] = weight * (1.0 + c.g_lo) ** 2
    round_[..., 1, 1] = weight

    def least(form: FloatArray) -> FloatArray:
        (p, q), (_, r) = np.moveaxis(inverse @ form @ inverse, 0, -1)  # smaller eigenvalue
        return np.asarray(0.5 * (p + r) - np.sqrt(0.25 * (p - r) ** 2 + q * q))

    factor2 = np.maximum(kept * kept * least(framed), least(round_))
    factor = np.sqrt(max(float(factor2.min(initial=1.0)), 0.0)) * (1.0 - 1e-9)
    # S_L stays below 2 for mean lightness -16 to 116, so L* differs by at most twice the radius.
    ends = target[0] + np.array([-1.0, 1.0]) * radius
    matrix = np.zeros((3, 3))
    matrix[0, 0] = 1.0 / s_l_at(ends).max() * (1.0 - 1e-9)
    matrix[1:, 1:] = factor * root
    return matrix


def farthest(
    target: FloatArray,
    radius: float,
    direction: FloatArray,
    lo: FloatArray,
    hi: FloatArray,
    *,
    cells: int,
) -> float:
    """How far colours nearer to a target than `radius` reach along a direction, at most.

    The box is cut into ever smaller ones; those whose `floor` is at least `radius` hold none.

    Parameters
    ----------
    target, direction
        Shape (3,).
    radius
        CIEDE2000, above 0.
    lo, hi
        Opposite corners of the box of CIELAB to search, shape (3,).
    cells
        How many boxes to look at: the more, the nearer to the least such bound.

    Returns
    -------
    float
        An upper bound of ``direction @ lab`` for all Lab in the box with
        ``delta_e(target, lab) < radius``.
    """
    lows, highs, seen = lo[None], hi[None], 0
    reach, there = np.full(1, np.inf), float(direction @ target)
    while len(lows) and seen < cells:
        axis = np.argmax(np.abs(direction + 1e-3) * (highs - lows), axis=1)
        rows = np.arange(len(lows))
        middle = 0.5 * (lows[rows, axis] + highs[rows, axis])
        left, right = highs.copy(), lows.copy()
        left[rows, axis] = right[rows, axis] = middle
        lows, highs = np.concatenate([lows, right]), np.concatenate([left, highs])
        reach = np.maximum(direction * lows, direction * highs).sum(axis=1)
        kept = reach > there
        lows, highs, reach = lows[kept], highs[kept], reach[kept]
        seen += len(lows)
        kept = floor(target, lows, highs) < radius
        lows, highs, reach = lows[kept], highs[kept], reach[kept]
        # What some colour within reaches need not be searched again.
        middle = 0.5 * (lows + highs)
        within = delta_e(middle, target) < radius
        there = max(there, float((middle[within] @ direction).max(initial=there)))
    return max(there, float(reach.max(initial=there)))
