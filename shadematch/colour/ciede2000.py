"""The parts of CIEDE2000.

Numbers in brackets are those of the equations in G. Sharma, W. Wu, E. N. Dalal, *The CIEDE2000
Color-Difference Formula: Implementation Notes, Supplementary Test Data, and Mathematical
Observations*, Color Res. Appl. 30 (2005) 21-30. The same formula: ISO/CIE 11664-6:2014.
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

import numpy as np

from shadematch.support.arrays import FloatArray

__all__ = [
    "POW25",
    "FormulaParts",
    "chroma_metric",
    "g_at",
    "parts",
    "pow7",
    "r_c_at",
    "s_l_at",
    "t_at",
    "t_of",
]

POW25: Final = 25.0**7
_T: Final = tuple(
    (weight * math.cos(math.radians(turn)), -weight * math.sin(math.radians(turn)))
    for weight, turn in ((-0.17, -30.0), (0.24, 0.0), (0.32, 6.0), (-0.20, -63.0))
)
"""T - 1 of (15): weights of cos kh and sin kh for k = 1 to 4, from those of cos(kh + shift)."""


def pow7(c: FloatArray) -> FloatArray:
    """The seventh power of a chroma."""
    square = c * c
    return square * square * square * c


def g_at(mean_chroma: FloatArray) -> FloatArray:
    """G, by which a* is stretched, at a mean C*ab (4)."""
    c7 = pow7(mean_chroma)
    return 0.5 * (1.0 - np.sqrt(c7 / (c7 + POW25)))  # (4)


def r_c_at(mean_c: FloatArray) -> FloatArray:
    """R_C at a mean C' (17)."""
    c7 = pow7(mean_c)
    return 2.0 * np.sqrt(c7 / (c7 + POW25))  # (17)


def s_l_at(mean_lightness: FloatArray) -> FloatArray:
    """S_L at a mean L* (18)."""
    q = (mean_lightness - 50.0) ** 2
    return 1.0 + 0.015 * q / np.sqrt(20.0 + q)  # (18)


def t_at(h: FloatArray) -> tuple[FloatArray, FloatArray]:
    """T (15) and dT/dh [1/rad] at a mean hue h [rad]."""
    cos, sin = np.cos(h), np.sin(h)
    cos2, sin2 = 2.0 * cos * cos - 1.0, 2.0 * cos * sin
    cos3, sin3 = cos * (2.0 * cos2 - 1.0), sin * (2.0 * cos2 + 1.0)
    cos4, sin4 = 2.0 * cos2 * cos2 - 1.0, 2.0 * cos2 * sin2
    value, slope = np.ones_like(cos), np.zeros_like(cos)
    turns = (cos, sin), (cos2, sin2), (cos3, sin3), (cos4, sin4)
    for k, ((p, q), (c, s)) in enumerate(zip(_T, turns, strict=True), start=1):
        value += p * c + q * s
        slope += k * (q * c - p * s)
    return value, slope


def t_of(cos: FloatArray, sin: FloatArray) -> FloatArray:
    """T (15) at a mean hue given by its cosine and sine."""
    cos2, sin2 = 2.0 * cos * cos - 1.0, 2.0 * cos * sin
    # cos 3h = cos h (2 cos 2h - 1), sin 3h = sin h (2 cos 2h + 1), and double angles of 2h
    value = (_T[0][0] + _T[2][0] * (2.0 * cos2 - 1.0)) * cos
    value += (_T[0][1] + _T[2][1] * (2.0 * cos2 + 1.0)) * sin
    value += (_T[1][0] + 2.0 * _T[3][0] * cos2 + 2.0 * _T[3][1] * sin2) * cos2
    value += 1.0 - _T[3][0]
    return value


class FormulaParts(NamedTuple):
    """What the formula is built from; every array has the broadcast shape."""

    g: FloatArray
    a1: FloatArray  # a' of the first
    c1: FloatArray  # C' of the first
    a2: FloatArray
    c2: FloatArray
    half_dh: FloatArray  # half the hue difference Delta h' [rad], signed
    mean_h: FloatArray  # [rad]
    mean_c: FloatArray
    d_l: FloatArray
    d_c: FloatArray
    d_h: FloatArray  # Delta H'
    s_l: FloatArray
    s_c: FloatArray
    s_h: FloatArray
    r_t: FloatArray


def parts(lab1: FloatArray, lab2: FloatArray) -> FormulaParts:
    """The parts for pairs of CIELAB colours, shapes (..., 3) that broadcast."""
    l1, a1, b1 = lab1[..., 0], lab1[..., 1], lab1[..., 2]
    l2, a2, b2 = lab2[..., 0], lab2[..., 1], lab2[..., 2]
    g = g_at(0.5 * (np.hypot(a1, b1) + np.hypot(a2, b2)))  # (2), (3), (4)
    ap1, ap2 = (1.0 + g) * a1, (1.0 + g) * a2  # (5)
    c1, c2 = np.hypot(ap1, b1), np.hypot(ap2, b2)  # (6)
    # Degrees, as in the paper, so that "exactly 180" means the same here as there.
    h1 = np.degrees(np.arctan2(b1, ap1)) % 360.0  # (7)
    h2 = np.degrees(np.arctan2(b2, ap2)) % 360.0
    grey = c1 * c2 == 0.0
    raw = h2 - h1
    far = np.abs(raw) > 180.0
    dh = np.where(grey, 0.0, raw - np.where(far, np.sign(raw) * 360.0, 0.0))  # (10)
    total = h1 + h2
    mean = 0.5 * (total + np.where(far, np.where(total < 360.0, 360.0, -360.0), 0.0))
    mean = np.where(grey, total, mean)  # (14)
    half_dh, mean_h = np.radians(0.5 * dh), np.radians(mean)
    mean_c = 0.5 * (c1 + c2)  # (13)
    theta = np.exp(-(((mean - 275.0) / 25.0) ** 2))  # (16), over its 30 degrees
    return FormulaParts(
        g=g,
        a1=ap1,
        c1=c1,
        a2=ap2,
        c2=c2,
        half_dh=half_dh,
        mean_h=mean_h,
        mean_c=mean_c,
        d_l=l2 - l1,  # (8)
        d_c=c2 - c1,  # (9)
        d_h=2.0 * np.sqrt(c1 * c2) * np.sin(half_dh),  # (11)
        s_l=s_l_at(0.5 * (l1 + l2)),  # (12), (18)
        s_c=1.0 + 0.045 * mean_c,  # (19)
        s_h=1.0 + 0.015 * mean_c * t_at(mean_h)[0],  # (20)
        r_t=-np.sin(np.radians(60.0 * theta)) * r_c_at(mean_c),  # (21)
    )


def chroma_metric(
    g: FloatArray, mean_h: FloatArray, s_c: FloatArray, s_h: FloatArray, r_t: FloatArray
) -> FloatArray:
    """The quadratic form in (a*, b*) with all weights held fixed, shape (..., 2, 2)."""
    cos, sin = np.cos(mean_h), np.sin(mean_h)
    # Rows: the chroma and the hue direction, each over its weight.
    row_c = np.stack([(1.0 + g) * cos, sin], axis=-1) / s_c[..., None]
    row_h = np.stack([-(1.0 + g) * sin, cos], axis=-1) / s_h[..., None]
    cross = row_c[..., :, None] * row_h[..., None, :]
    return np.asarray(
        row_c[..., :, None] * row_c[..., None, :]
        + row_h[..., :, None] * row_h[..., None, :]
        + 0.5 * r_t[..., None, None] * (cross + np.swapaxes(cross, -1, -2))
    )
