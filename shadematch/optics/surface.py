"""Radiance factor as one bicubic surface in absorption and scattering, for millions of recipes.

`radiance_factor` reads up to four functions from the table for each value. Here they are combined
beforehand, on a grid twice as fine, for each backing, so that one patch is read. The error against
what a `Layer` gives is at most `stray`: enough to sift recipes, not to state their colours.

In each patch R and its second derivatives lie between the least and the largest of their
Bernstein coefficients; the largest over any rectangle of patches is read from four entries of a
table, which holds the largest over all rectangles whose sides are powers of two.

References
----------
G. Farin, *Curves and Surfaces for CAGD* (2002), ch. 6 and 15 (Bernstein form and convex hull);
M. A. Bender, M. Farach-Colton, LATIN 2000, LNCS 1776, 88 (range maxima from sparse tables).
"""

from __future__ import annotations

import functools
import math
from typing import Final, Literal, NamedTuple

import numpy as np

from shadematch.optics.layer import CONVEXITY, Surroundings, radiance_factor
from shadematch.optics.table import (
    U_MAX,
    V_MAX,
    to_table_range,
    u_at,
    u_axis,
    u_axis_slope,
    v_at,
    v_axis,
    v_axis_slope,
)
from shadematch.support.arrays import BoolArray, FloatArray, IntArray

__all__ = ["MOST_BACKINGS", "Bounds", "Surface"]

ViewMode = Literal["air", "optical", "through"]

MOST_BACKINGS: Final = 4
"""Backings of more different reflectances are not worth one surface each."""
_CELLS: Final = (254, 222)  # twice those of the table, so that no patch crosses its lines
_HERMITE: Final = np.array([[1, 0, 0, 0], [0, 0, 1, 0], [-3, 3, -2, -1], [2, -2, 1, 1]], float)
"""From values and slopes at 0 and 1 to the coefficients of a cubic."""
_BLOCK: Final = 8192
_MERGED: Final = 2
"""Patches a side that share their bounds, to save memory."""
_ROUNDING: Final = 1e-7
"""Share of a bound that its single precision may have taken off."""
_STRAY: Final = 1e-7, 2e-8, 5e-6
"""R by which a layer's spline was seen to differ, at least thrice: everywhere, over u, and ..."""
_STRAY_EDGE: Final = 50.0
"""... from this u on, near the table's edge."""


class Bounds(NamedTuple):
    """What R(mu_a, mu_s') and its second derivatives may be in rectangles, shapes (m, w)."""

    R_lo: FloatArray
    R_hi: FloatArray
    aa_lo: FloatArray  # per 1/cm squared
    aa_hi: FloatArray
    ss_lo: FloatArray
    ss_hi: FloatArray
    a_s: FloatArray  # size of the mixed one
    inside: BoolArray  # where the derivatives hold: all of it lies inside the table
    convex: BoolArray  # where R R_aa >= CONVEXITY R_a^2 and R > 0 as well


_LEVELS: Final = 7  # 2^6 <= patches a side < 2^7
_RATE: Final = (
    _CELLS[0] / float(u_axis(np.array(U_MAX))),
    _CELLS[1] / float(v_axis(np.array(V_MAX))),
)


def _place(values: FloatArray, axis: int) -> tuple[IntArray, FloatArray]:
    """In which row of patches u (axis 0) or v (1) lies, and where between 0 and 1 in it."""
    along = (v_axis if axis else u_axis)(values) * _RATE[axis]
    row = np.minimum(along.astype(np.intp), _CELLS[axis] - 1)
    return row, along - row


@functools.lru_cache(maxsize=MOST_BACKINGS)
def _fitted(mode: ViewMode, backing: float) -> tuple[FloatArray, FloatArray]:
    """Coefficients of all patches, shape (16, patches), and the table of largest values."""
    from scipy.interpolate import RectBivariateSpline

    x, y = (np.arange(n + 1) / rate for n, rate in zip(_CELLS, _RATE, strict=True))
    u, v = np.minimum(u_at(x), U_MAX), np.minimum(v_at(y), V_MAX)
    around = Surroundings(mode, np.full(1, backing))
    R = radiance_factor(
        np.repeat(u, y.size)[:, None], np.tile(v, x.size)[:, None], 1.0, around
    ).reshape(x.size, y.size)
    spline = RectBivariateSpline(x, y, R)
    corners = np.empty((_CELLS[0], _CELLS[1], 4, 4))
    for by_x in (0, 1):
        for by_y in (0, 1):
            scale = _RATE[0] ** by_x * _RATE[1] ** by_y
            f = spline(x, y, dx=by_x, dy=by_y) / scale
            for i in (0, 1):
                for j in (0, 1):
                    part = f[i : i + _CELLS[0], j : j + _CELLS[1]]
                    corners[:, :, 2 * by_x + i, 2 * by_y + j] = part
    powers = np.einsum("ij,xyjk,lk->ilxy", _HERMITE, corners, _HERMITE, optimize=True)
    return np.ascontiguousarray(powers.reshape(16, -1)), _table(powers, x, y)


def _hull(powers: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Floor and ceiling of polynomials in two places between 0 and 1, from their powers."""
    n = len(powers) - 1
    shares = np.array(
        [[math.comb(i, j) / math.comb(n, j) for j in range(n + 1)] for i in range(n + 1)]
    )
    found = np.einsum("ij,jkxy,lk->ilxy", shares, powers, shares, optimize=True)
    return found.min(axis=(0, 1)), found.max(axis=(0, 1))


def _slope(powers: FloatArray, axis: int) -> FloatArray:
    """Powers of the derivative by the first or the second place."""
    moved = np.moveaxis(powers, axis, 0)
    result = np.zeros_like(moved)
    result[:-1] = moved[1:] * np.arange(1, 4).reshape(-1, 1, 1, 1)
    return np.moveaxis(result, 0, axis)


def _product(one: FloatArray, other: FloatArray) -> FloatArray:
    """Powers of the product of two polynomials."""
    n = len(one)
    result = np.zeros((2 * n - 1, 2 * n - 1, *one.shape[2:]))
    for i in range(n):
        for j in range(n):
            result[i : i + n, j : j + n] += one[i, j] * other
    return result


def _doubtful(powers: FloatArray, x: FloatArray) -> FloatArray:
    """1 for patches where R may be too little convex in absorption, else 0."""
    first = _slope(powers, 0) * _RATE[0]
    twice = _slope(first, 0) * _RATE[0]
    lo, hi = np.tanh(x[:-1, None]), np.tanh(x[1:, None])
    convex = _product(powers, twice - 0.5 * (lo + hi) * first)
    convex -= CONVEXITY * _product(first, first)
    astray = np.abs(_hull(_product(powers, first))).max(axis=0) * 0.5 * (hi - lo)
    return np.asarray((_hull(convex)[0] < astray) | (_hull(powers)[0] <= 0.0), dtype=float)


def _second(
    powers: FloatArray, axis: int, places: FloatArray, scale: float
) -> tuple[FloatArray, FloatArray]:
    """Least and largest second derivative by u or v in each patch.

    With u = scale sinh x it is (R_xx - tanh(x) R_x) / (scale cosh x)^2.
    """
    rate = _RATE[axis]
    first = _slope(powers, axis)
    twice = _slope(first, axis) * rate * rate
    first = first * rate
    shape = (-1, 1) if axis == 0 else (1, -1)
    lo, hi = places[:-1].reshape(shape), places[1:].reshape(shape)
    middle = 0.5 * (np.tanh(lo) + np.tanh(hi))
    astray = 0.5 * (np.tanh(hi) - np.tanh(lo)) * np.abs(_hull(first)).max(axis=0)
    least, most = _hull(twice - middle * first)
    least, most = least - astray, most + astray
    steep, flat = (1.0 / (scale * np.cosh(end)) ** 2 for end in (lo, hi))
    return (
        np.where(least < 0.0, least * steep, least * flat),
        np.where(most > 0.0, most * steep, most * flat),
    )


def _table(powers: FloatArray, x: FloatArray, y: FloatArray) -> FloatArray:
    """Largest values over rectangles of patches, shape (levels^2 patches, 8)."""
    scales = float(u_at(np.array(1.0)) / np.sinh(1.0)), float(v_at(np.array(1.0)) / np.sinh(1.0))
    R_lo, R_hi = _hull(powers)
    aa, ss = _second(powers, 0, x, scales[0]), _second(powers, 1, y, scales[1])
    mixed = np.abs(_hull(_slope(_slope(powers, 0), 1) * (_RATE[0] * _RATE[1]))).max(axis=0)
    mixed /= scales[0] * np.cosh(x[:-1, None]) * scales[1] * np.cosh(y[:-1])
    doubt = _doubtful(powers, x)
    all_ = np.stack([-R_lo, R_hi, -aa[0], aa[1], -ss[0], ss[1], mixed, doubt], axis=-1)
    all_ += _ROUNDING * np.abs(all_)
    merged = all_.reshape(_CELLS[0] // _MERGED, _MERGED, _CELLS[1] // _MERGED, _MERGED, -1)
    level = merged.max(axis=(1, 3)).astype(np.float32)
    rows = []
    for a in range(_LEVELS):
        if a:
            half = 1 << (a - 1)
            level = level.copy()
            level[:-half] = np.maximum(level[:-half], level[half:])
        row = [level]
        for b in range(1, _LEVELS):
            half, wide = 1 << (b - 1), row[-1].copy()
            wide[:, :-half] = np.maximum(wide[:, :-half], wide[:, half:])
            row.append(wide)
        rows.append(np.stack(row))
    return np.stack(rows).reshape(-1, level.shape[-1])


class Surface:
    """R(mu_a, mu_s') of a layer [cm]; the backing has up to `MOST_BACKINGS` reflectances."""

    def __init__(self, thickness_cm: float, around: Surroundings) -> None:
        self._thickness = thickness_cm
        backings, which = np.unique(around.backing, return_inverse=True)
        if around.mode == "through":
            backings, which = backings[:1] * 0.0, np.zeros_like(which)
        which = which.ravel()
        fitted = [_fitted(around.mode, float(backing)) for backing in backings]
        self._parts = [
            (np.flatnonzero(which == number), *each) for number, each in enumerate(fitted)
        ]

    def value(self, mu_a: FloatArray, mu_s_reduced: FloatArray) -> FloatArray:
        """R, shape (m, w), of absorption and reduced scattering [1/cm], shapes (m, w)."""
        u, v = mu_a * self._thickness, mu_s_reduced * self._thickness
        if u.max(initial=0.0) > U_MAX or v.max(initial=0.0) > V_MAX:
            u, v, _ = to_table_range(u, v)
        found = np.empty_like(u)
        for columns, powers, _ in self._parts:
            whole = columns.size == u.shape[1]
            own = (u, v) if whole else (u[:, columns], v[:, columns])
            R = self._read(powers, *(np.ascontiguousarray(each).ravel() for each in own))
            found[:, columns] = R.reshape(-1, columns.size)
        return found

    def evaluate(
        self, mu_a: FloatArray, mu_s_reduced: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """R and its derivatives by both, shapes (m, w); inside the table, see `Bounds`."""
        u = np.minimum(mu_a * self._thickness, U_MAX)
        v = np.minimum(mu_s_reduced * self._thickness, V_MAX)
        found = np.empty((3, *u.shape))
        for columns, powers, _ in self._parts:
            (i, p), (j, q) = _place(u[:, columns], 0), _place(v[:, columns], 1)
            c = powers[:, i * _CELLS[1] + j]
            rows = [((c[k + 3] * q + c[k + 2]) * q + c[k + 1]) * q + c[k] for k in (0, 4, 8, 12)]
            by_q = [(3.0 * c[k + 3] * q + 2.0 * c[k + 2]) * q + c[k + 1] for k in (0, 4, 8, 12)]
            found[0][:, columns] = ((rows[3] * p + rows[2]) * p + rows[1]) * p + rows[0]
            found[1][:, columns] = (3.0 * rows[3] * p + 2.0 * rows[2]) * p + rows[1]
            found[2][:, columns] = ((by_q[3] * p + by_q[2]) * p + by_q[1]) * p + by_q[0]
        R = np.maximum(found[0], 0.0)
        by_a = found[1] * (_RATE[0] * self._thickness) * u_axis_slope(u)
        by_s = found[2] * (_RATE[1] * self._thickness) * v_axis_slope(v)
        return R, by_a, by_s

    def bounds(
        self, a_lo: FloatArray, a_hi: FloatArray, s_lo: FloatArray, s_hi: FloatArray
    ) -> Bounds:
        """What R and its second derivatives may be in rectangles of absorption and scattering.

        Parameters
        ----------
        a_lo, a_hi, s_lo, s_hi
            Absorption and reduced scattering [1/cm], shapes (m, w), not negative.
        """
        X = self._thickness
        inside = (a_hi * X <= U_MAX) & (s_hi * X <= V_MAX)
        # What lies beyond is scaled down along a ray, so that it ends up in this rectangle.
        _, _, scale = to_table_range(a_hi * X, s_hi * X)
        ends = (
            (a_lo * X * scale, np.minimum(a_hi * X, U_MAX)),
            (s_lo * X * scale, np.minimum(s_hi * X, V_MAX)),
        )
        found = np.empty((*a_lo.shape, 8))
        width = _CELLS[1] // _MERGED
        size = (_CELLS[0] // _MERGED) * width
        for columns, _, table in self._parts:
            (i0, i1), (j0, j1) = (
                tuple(_place(end[:, columns], axis)[0] // _MERGED for end in ends[axis])
                for axis in (0, 1)
            )
            a = np.frexp((i1 - i0 + 1).astype(float))[1] - 1
            b = np.frexp((j1 - j0 + 1).astype(float))[1] - 1
            start = (a * _LEVELS + b) * size
            i2, j2 = i1 + 1 - (1 << a), j1 + 1 - (1 << b)
            most = table[start + i0 * width + j0]
            for i, j in ((i0, j2), (i2, j0), (i2, j2)):
                np.maximum(most, table[start + i * width + j], out=most)
            found[:, columns] = most
        return Bounds(
            R_lo=np.maximum(-found[..., 0], 0.0),
            R_hi=np.maximum(found[..., 1], 0.0),
            aa_lo=-found[..., 2] * (X * X),
            aa_hi=found[..., 3] * (X * X),
            ss_lo=-found[..., 4] * (X * X),
            ss_hi=found[..., 5] * (X * X),
            a_s=found[..., 6] * (X * X),
            inside=inside,
            convex=inside & (found[..., 7] == 0.0),
        )

    def stray(self, mu_a: FloatArray) -> FloatArray:
        """How far R of a layer with at least so much absorption [1/cm] may lie from this.

        Measured over absorption and scattering at random, in layers of 0.3 to 4 cm, not proved.
        """
        u = mu_a * self._thickness
        everywhere, over, edge = _STRAY
        found = everywhere + over / np.maximum(u, 1e-3)
        return np.where(u >= _STRAY_EDGE, edge, found)

    @staticmethod
    def _read(powers: FloatArray, u: FloatArray, v: FloatArray) -> FloatArray:
        found = np.empty(u.size)
        for start in range(0, u.size, _BLOCK):
            block = slice(start, start + _BLOCK)
            (i, p), (j, q) = _place(u[block], 0), _place(v[block], 1)
            at = i * _CELLS[1] + j
            R = np.zeros(at.size)
            for power in (3, 2, 1, 0):
                row = powers[4 * power : 4 * power + 4]
                inner = row[3].take(at)
                for each in (row[2], row[1], row[0]):
                    inner *= q
                    inner += each.take(at)
                R *= p
                R += inner
            found[block] = np.maximum(R, 0.0)
        return found
