"""CIEDE2000 and its gradient.

References
----------
Formula and numbers of equations: see `ciede2000`. The parametric factors are 1.

The hue jump
------------
The mean hue of two colours whose hues lie 180 degrees apart is not continuous there, and neither
is the difference (Sharma et al., section on discontinuities): by little between near-greys, by
much between opposite strong colours. Exactly at 180 degrees the mean is (h1 + h2) / 2, as in the
paper. Gradients are those of the side on which the pair lies.
"""

from __future__ import annotations

import numpy as np

from shadematch.colour.ciede2000 import POW25, chroma_metric, parts, pow7, r_c_at, t_at
from shadematch.support.arrays import FloatArray

__all__ = ["delta_e", "squared_difference"]


def delta_e(lab1: FloatArray, lab2: FloatArray) -> FloatArray:
    """CIEDE2000 between two arrays of CIELAB colours.

    Parameters
    ----------
    lab1, lab2
        Shapes (..., 3) that broadcast.

    Returns
    -------
    ndarray
        Shape (...), never negative.
    """
    p = parts(np.asarray(lab1, dtype=float), np.asarray(lab2, dtype=float))
    y, w = p.d_c / p.s_c, p.d_h / p.s_h
    square = (p.d_l / p.s_l) ** 2 + y * y + w * w + p.r_t * y * w
    return np.asarray(np.sqrt(np.maximum(square, 0.0)))  # (22)


def squared_difference(
    lab: FloatArray, target: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Square of CIEDE2000, its gradient by `lab`, and its metric there.

    The square is smooth where the difference itself is not (at no difference at all), so this
    is what an optimiser works on.

    Parameters
    ----------
    lab, target
        Shapes (..., 3) that broadcast.

    Returns
    -------
    square
        Shape (...).
    gradient
        Shape (..., 3); zero at no difference. At the hue jump it is that of the pair's own
        side; where `lab` is exactly grey, the derivative of its hue is taken as zero.
    metric
        Shape (..., 3, 3), positive definite: the square is d @ metric @ d, up to the slow
        change of its weights, for d = lab - target.
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
    g_slope = -1.75 * POW25 * mean**2.5 / (pow7(mean) + POW25) ** 1.5
    d_g = 0.5 * g_slope[..., None] * vector(over(a2, chroma), over(b2, chroma))
    d_a1 = a1[..., None] * d_g
    d_a2 = vector(1.0 + p.g, zero) + a2[..., None] * d_g
    d_c1 = over(p.a1, p.c1)[..., None] * d_a1
    d_c2 = over(p.a2, p.c2)[..., None] * d_a2 + vector(zero, over(b2, p.c2))
    d_h1 = -over(over(b1, p.c1), p.c1)[..., None] * d_a1
    # cos(h) db - sin(h) da', over C': quotients first, since C' squared could underflow.
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
    square = x * x + y * y + w * w + p.r_t * y * w
    metric = np.zeros((*a2.shape, 3, 3))
    metric[..., 0, 0] = 1.0 / p.s_l**2
    metric[..., 1:, 1:] = chroma_metric(p.g, p.mean_h, p.s_c, p.s_h, p.r_t)
    return np.maximum(square, 0.0), gradient, metric
