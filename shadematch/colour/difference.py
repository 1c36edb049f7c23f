"""CIEDE2000 and its gradient, with all parametric factors 1.

Numbers in brackets are those of the equations in `ciede2000`.

Where two hues lie 180 degrees apart, their mean hue jumps, and so does the difference (Sharma et
al., section on discontinuities): slightly between near-greys, much between opposite strong colours.
At exactly 180 degrees the mean is (h1 + h2) / 2, as in the paper. Gradients are those of the side
on which the pair lies.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from shadematch.colour.ciede2000 import (
    POW25,
    chroma_metric,
    g_at,
    parts,
    pow7,
    r_c_at,
    s_l_at,
    t_at,
    t_of,
)
from shadematch.support.arrays import FloatArray

__all__ = ["delta_e", "squared_difference"]

_OPPOSITE: Final = 1e-2
"""1 + cos of the hue difference below which too many digits cancel: 8 degrees from 180."""
_SIXTY, _QUARTER, _RED = (math.radians(angle) for angle in (60.0, 25.0, 85.0))
_BLUE: Final = math.cos(math.radians(275.0)), math.sin(math.radians(275.0))


def delta_e(lab1: FloatArray, lab2: FloatArray) -> FloatArray:
    """CIEDE2000 between two arrays of CIELAB colours, shape (...), never negative.

    `lab1` and `lab2` have shapes (..., 3) that broadcast. If both are of single precision, so is
    the work: twice as fast, with errors up to some 1e-4.
    """
    single = all(getattr(lab, "dtype", None) == np.float32 for lab in (lab1, lab2))
    precision = np.float32 if single else np.float64
    lab1, lab2 = np.asarray(lab1, dtype=precision), np.asarray(lab2, dtype=precision)
    tiny = 1e-36 if single else 1e-300  # keeps denominators above 0
    l1, a1, b1 = lab1[..., 0], lab1[..., 1], lab1[..., 2]
    l2, a2, b2 = lab2[..., 0], lab2[..., 1], lab2[..., 2]
    # Square roots are several times as fast as `hypot`, and products as sines and cosines.
    mean = 0.5 * (np.sqrt(a1 * a1 + b1 * b1) + np.sqrt(a2 * a2 + b2 * b2))  # (2), (3)
    stretch = 1.0 + g_at(mean)
    a1, a2 = stretch * a1, stretch * a2  # (5)
    c1, c2 = np.sqrt(a1 * a1 + b1 * b1), np.sqrt(a2 * a2 + b2 * b2)  # (6)
    product, mean_c = c1 * c2, 0.5 * (c1 + c2)
    # With dh the hue difference, `open_` is C1' C2' (1 + cos dh). Delta H' follows from it and
    # sin dh, and the mean hue lies along the sum of both directions.
    open_ = product + a1 * a2 + b1 * b2
    d_h = (a1 * b2 - b1 * a2) * np.sqrt(2.0 / np.maximum(open_, tiny))  # (11)
    cos, sin = a1 * c2 + a2 * c1, b1 * c2 + b2 * c1
    length = np.sqrt(np.maximum(cos * cos + sin * sin, tiny))
    cos, sin = cos / length, sin / length  # (14)
    # Degrees from 275, over 25 (16). The formula doesn't wrap: it sees a mean hue of 0 to 90 from
    # the far side.
    from_blue = np.arctan2(_BLUE[0] * sin - _BLUE[1] * cos, _BLUE[0] * cos + _BLUE[1] * sin)
    from_blue = np.where(from_blue < _RED, from_blue, from_blue - 2.0 * np.pi) / _QUARTER
    r_t = -r_c_at(mean_c) * np.sin(_SIXTY * np.exp(-from_blue * from_blue))  # (16), (17), (21)
    y = (c2 - c1) / (1.0 + 0.045 * mean_c)  # (9), (19)
    w = d_h / (1.0 + 0.015 * mean_c * t_of(cos, sin))  # (15), (20)
    x = (l2 - l1) / s_l_at(0.5 * (l1 + l2))  # (8), (12), (18)
    found = np.sqrt(np.maximum(x * x + y * y + w * w + r_t * y * w, 0.0))  # (22)
    opposite = open_ < _OPPOSITE * product
    if np.any(opposite):
        one, other = (lab[opposite] for lab in np.broadcast_arrays(lab1, lab2))
        found = np.asarray(found)
        found[opposite] = _by_angles(one, other)
    return np.asarray(found)


def _by_angles(lab1: FloatArray, lab2: FloatArray) -> FloatArray:
    """The same from angles, for hues so far apart that their side matters."""
    p = parts(lab1, lab2)
    y, w = p.d_c / p.s_c, p.d_h / p.s_h
    square = (p.d_l / p.s_l) ** 2 + y * y + w * w + p.r_t * y * w  # (22)
    return np.asarray(np.sqrt(np.maximum(square, 0.0)))


def squared_difference(
    lab: FloatArray, target: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Square of CIEDE2000, its gradient by `lab`, and its metric there.

    The square is smooth where the difference is not, at 0, so optimisers work on the square.
    `lab` and `target` have shapes (..., 3) that broadcast.

    Returns
    -------
    square
        Shape (...).
    gradient
        Shape (..., 3); 0 at no difference. At the hue jump it is that of the pair's own side; where
        `lab` is exactly grey, the derivative of its hue counts as 0.
    metric
        Shape (..., 3, 3), positive definite: for d = lab - target, the square is d @ metric @ d,
        up to the slow change of its weights.
    """
    lab, target = np.broadcast_arrays(np.asarray(lab, float), np.asarray(target, float))
    p = parts(target, lab)
    a1, b1 = target[..., 1], target[..., 2]
    a2, b2 = lab[..., 1], lab[..., 2]

    def over(x: FloatArray, y: FloatArray) -> FloatArray:
        return np.divide(x, y, out=np.zeros_like(x), where=y != 0.0)

    def vector(x: FloatArray, y: FloatArray) -> FloatArray:
        return np.stack([x, y], axis=-1)

    zero, one = np.zeros_like(a2), np.ones_like(a2)
    chroma = np.hypot(a2, b2)
    mean = 0.5 * (np.hypot(a1, b1) + chroma)
    g_slope = -1.75 * POW25 * mean**2.5 / (pow7(mean) + POW25) ** 1.5  # (4), derived
    d_g = 0.5 * g_slope[..., None] * vector(over(a2, chroma), over(b2, chroma))
    d_a1 = a1[..., None] * d_g
    d_a2 = vector(1.0 + p.g, zero) + a2[..., None] * d_g
    d_c1 = over(p.a1, p.c1)[..., None] * d_a1
    d_c2 = over(p.a2, p.c2)[..., None] * d_a2 + vector(zero, over(b2, p.c2))
    d_h1 = -over(over(b1, p.c1), p.c1)[..., None] * d_a1
    # (cos(h) db - sin(h) da') / C': quotients first, since C' squared could underflow.
    cos2, sin2 = over(p.a2, p.c2), over(b2, p.c2)
    d_h2 = over(one, np.maximum(p.c2, 1e-100))[..., None] * (
        vector(zero, cos2) - sin2[..., None] * d_a2
    )
    grey = (p.c1 * p.c2 == 0.0)[..., None]
    d_half = np.where(grey, 0.0, 0.5 * (d_h2 - d_h1))
    d_mean_h = np.where(grey, d_h1 + d_h2, 0.5 * (d_h1 + d_h2))
    d_mean_c = 0.5 * (d_c1 + d_c2)
    root = np.sqrt(p.c1 * p.c2)
    d_dh = (
        over(np.sin(p.half_dh), root)[..., None] * (p.c2[..., None] * d_c1 + p.c1[..., None] * d_c2)
        + 2.0 * (root * np.cos(p.half_dh))[..., None] * d_half
    )
    t, t_slope = t_at(p.mean_h)
    d_sc = 0.045 * d_mean_c
    d_sh = 0.015 * (t[..., None] * d_mean_c + (p.mean_c * t_slope)[..., None] * d_mean_h)
    r_c = r_c_at(p.mean_c)
    d_rc = (7.0 * POW25 * p.mean_c**2.5 / (pow7(p.mean_c) + POW25) ** 1.5)[..., None] * d_mean_c
    bend = (np.degrees(p.mean_h) - 275.0) / 25.0
    theta = np.radians(60.0) * np.exp(-bend * bend)
    d_theta = (-2.0 * bend / np.radians(25.0) * theta)[..., None] * d_mean_h
    d_rt = -np.sin(theta)[..., None] * d_rc - (np.cos(theta) * r_c)[..., None] * d_theta

    x, y, w = p.d_l / p.s_l, p.d_c / p.s_c, p.d_h / p.s_h
    d_y = ((d_c2 - d_c1) - y[..., None] * d_sc) / p.s_c[..., None]
    d_w = (d_dh - w[..., None] * d_sh) / p.s_h[..., None]
    q = 0.5 * (lab[..., 0] + target[..., 0]) - 50.0
    d_sl = 0.5 * 0.015 * q * (40.0 + q * q) / (20.0 + q * q) ** 1.5
    gradient = np.empty((*a2.shape, 3))
    gradient[..., 0] = 2.0 * x * (1.0 - x * d_sl) / p.s_l
    gradient[..., 1:] = (
        (2.0 * y + p.r_t * w)[..., None] * d_y
        + (2.0 * w + p.r_t * y)[..., None] * d_w
        + (y * w)[..., None] * d_rt
    )
    square = x * x + y * y + w * w + p.r_t * y * w  # (22)
    metric = np.zeros((*a2.shape, 3, 3))
    metric[..., 0, 0] = 1.0 / p.s_l**2
    metric[..., 1:, 1:] = chroma_metric(p.g, p.mean_h, p.s_c, p.s_h, p.r_t)
    return np.maximum(square, 0.0), gradient, metric
