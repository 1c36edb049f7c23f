"""What one soap layer reflects or transmits, fast, with derivatives.

`reflectance` reads the two-variable table for any absorption and scattering. `Layer` fixes
scattering, thickness and surroundings; one cubic spline in absorption per wavelength then gives R,
dR/d(mu_a) and proven bounds on how convex R is.
"""

from __future__ import annotations

import math
from typing import Final, Literal, NamedTuple

import numpy as np

from shadematch.optics.table import (
    U_MAX,
    surfaces,
    to_table_range,
    u_axis,
    u_axis_slope,
    v_axis,
    v_axis_slope,
)
from shadematch.optics.transport import REFRACTIVE_INDEX
from shadematch.support.arrays import FloatArray, IntArray, keep_freed_memory

__all__ = [
    "CONVEXITY",
    "Layer",
    "Surroundings",
    "radiance_factor",
    "reflectance",
    "reflectance_slopes",
    "seen",
]

CONVEXITY: Final = 0.8
"""R R'' >= this times R'^2. By theory 1 (ln R is convex); above 2/3 cube roots are convex."""

_SURFACE: Final = ((REFRACTIVE_INDEX - 1.0) / (REFRACTIVE_INDEX + 1.0)) ** 2
_INNER_KNOTS: Final = 640  # even in sqrt(u), up to u = U_MAX
_OUTER_KNOTS: Final = 96  # even in log(u), beyond
_U_LARGEST: Final = 1e9
_MANY: Final = 2048  # rows from which one wavelength at a time is faster
_STRETCH: Final = 8192
_BLACK: Final = 1e-9  # reflectance below which the table's digits may break the law


class Surroundings(NamedTuple):
    """How a layer is lit and what lies behind it.

    Attributes
    ----------
    mode
        ``"air"``: by reflected light, on a backing across a film of air; ``"optical"``: the same,
        wet on its backing; ``"through"``: against the light.
    backing
        Reflectance of the backing, shape (w,); ignored against the light.
    """

    mode: Literal["air", "optical", "through"]
    backing: FloatArray


def _values(
    x: FloatArray,
    y: FloatArray,
    names: tuple[str, ...],
    *,
    dx: int = 0,
    dy: int = 0,
    grid: bool = False,
) -> list[FloatArray]:
    table = surfaces()
    if grid:
        return [np.asarray(table[name](x, y, dx=dx, dy=dy)) for name in names]
    return [np.asarray(table[name].ev(x, y, dx=dx, dy=dy)) for name in names]


def _edge_values(y: FloatArray, names: tuple[str, ...]) -> list[FloatArray]:
    """The same at u = `U_MAX`, where a whole row of the table is one call."""
    order = np.argsort(y, axis=None)
    found = _values(u_axis(np.array([U_MAX])), y.ravel()[order], names, grid=True)
    back = np.argsort(order)
    return [each[0, back].reshape(y.shape) for each in found]


_NAMES: Final[dict[str, tuple[str, ...]]] = {
    "air": ("R1", "T1", "Td", "Rd"),
    "optical": ("C1", "D1", "Cu", "Du"),
    "through": ("T1",),
}
"""The functions of `transport.Slab` that each mode needs."""


def seen(parts: list[FloatArray], around: Surroundings) -> FloatArray:
    """Radiance factor at normal view, without gloss, from the functions in `_NAMES`."""
    if around.mode == "through":
        return np.maximum(parts[0], 0.0)
    direct, down, up, back = parts
    bounced = down * up * around.backing / (1.0 - around.backing * back)
    return np.maximum(direct - _SURFACE + bounced, 0.0)


def _seen_slope(
    parts: list[FloatArray], slopes: list[FloatArray], around: Surroundings
) -> FloatArray:
    """Derivative of `seen` by whatever `slopes` are derivatives by."""
    if around.mode == "through":
        return slopes[0]
    _, down, up, back = parts
    d_direct, d_down, d_up, d_back = slopes
    rg = around.backing
    open_ = 1.0 - rg * back
    return np.asarray(
        d_direct
        + rg * (d_down * up + down * d_up) / open_
        + rg * rg * down * up * d_back / (open_ * open_)
    )


def reflectance(
    mu_a: FloatArray, mu_s_reduced: FloatArray, thickness_cm: float, around: Surroundings
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Radiance factor of a layer and its derivatives, from the two-variable table.

    Parameters
    ----------
    mu_a, mu_s_reduced
        Absorption and reduced scattering [1/cm], shapes (..., w), from 0 on.
    thickness_cm
        Thickness [cm], above 0.
    around
        Surroundings of the layer.

    Returns
    -------
    R, dR_dmu_a, dR_dmu_s
        Shapes (..., w); slopes per 1/cm. Against the light, R is a transmittance.
    """
    return reflectance_slopes(mu_a, mu_s_reduced, thickness_cm, around)[:3]


def reflectance_slopes(
    mu_a: FloatArray, mu_s_reduced: FloatArray, thickness_cm: float, around: Surroundings
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """What `reflectance` returns, and the derivative by the reflectance of the backing.

    Parameters
    ----------
    mu_a, mu_s_reduced, thickness_cm, around
        As for `reflectance`.
    """
    u0, v0 = np.broadcast_arrays(mu_a * thickness_cm, mu_s_reduced * thickness_cm)
    u, v, scale = to_table_range(u0, v0)
    x, y = u_axis(u), v_axis(v)
    names = _NAMES[around.mode]
    parts = _values(x, y, names)
    # Beyond the table R depends on u / v alone, so each slope follows from both axes.
    along_u = [d * u_axis_slope(u) for d in _values(x, y, names, dx=1)]
    along_v = [d * v_axis_slope(v) for d in _values(x, y, names, dy=1)]
    capped_u = (u0 > U_MAX) & (u0 * scale >= U_MAX * (1 - 1e-12))
    capped_v = (scale < 1.0) & ~capped_u
    by_u = [
        np.where(capped_u, -v / np.maximum(u0, U_MAX) * dv, np.where(capped_v, scale * du, du))
        for du, dv in zip(along_u, along_v, strict=True)
    ]
    by_v = [
        np.where(capped_v, -u / np.maximum(v0, 1e-300) * du, np.where(capped_u, scale * dv, dv))
        for du, dv in zip(along_u, along_v, strict=True)
    ]
    by_backing = np.zeros_like(u)
    if around.mode != "through":
        _, down, up, back = parts
        by_backing = np.asarray(down * up / (1.0 - around.backing * back) ** 2)
    return (
        seen(parts, around),
        _seen_slope(parts, by_u, around) * thickness_cm,
        _seen_slope(parts, by_v, around) * thickness_cm,
        by_backing,
    )


def radiance_factor(
    mu_a: FloatArray, mu_s_reduced: FloatArray, thickness_cm: float, around: Surroundings
) -> FloatArray:
    """R of `reflectance` alone, at a third of its cost."""
    u, v = np.broadcast_arrays(mu_a * thickness_cm, mu_s_reduced * thickness_cm)
    u, v, _ = to_table_range(u, v)
    return seen(_values(u_axis(u), v_axis(v), _NAMES[around.mode]), around)


def _bernstein_floor(powers: tuple[FloatArray, ...]) -> FloatArray:
    """A lower bound on (0, 1) of polynomials given by their coefficients, the constant first."""
    n = len(powers) - 1
    shares = [[math.comb(i, j) / math.comb(n, j) for j in range(n + 1)] for i in range(n + 1)]
    return np.asarray(np.tensordot(shares, np.stack(powers), axes=1).min(axis=0))


class Layer:
    """Radiance factor as a function of absorption alone.

    Parameters
    ----------
    mu_s_reduced
        Reduced scattering [1/cm], shape (w,).
    thickness_cm
        Thickness [cm].
    around
        Surroundings of the layer.

    Attributes
    ----------
    rise
        Most by which `value` grows between any two absorptions, against the law; shape (w,).
    stray, stray_slope
        How far `value` and its slope may lie from the function that `dip` describes, shape (w,);
        0 except in the last digits of near-black.

    Notes
    -----
    R falls with absorption (it is a Laplace transform of the distribution of path lengths). The
    knot values are made to fall, since the table's last digits may not.

    Near black the cubic may dip below 0 and is clipped there. `rise` and `stray` stay valid:
    clipping adds no rise, and brings R nearer to a function that is never negative.
    """

    def __init__(self, mu_s_reduced: FloatArray, thickness_cm: float, around: Surroundings) -> None:
        from scipy.interpolate import CubicSpline

        keep_freed_memory()
        self.thickness_cm = thickness_cm
        count = mu_s_reduced.size
        self._rate = (_INNER_KNOTS - 1) / np.sqrt(U_MAX)
        inner = (np.arange(_INNER_KNOTS) / self._rate) ** 2
        self._outer_rate = _OUTER_KNOTS / np.log(_U_LARGEST / U_MAX)
        outer = U_MAX * np.exp(np.arange(1, _OUTER_KNOTS + 1) / self._outer_rate)
        knots = np.concatenate([inner, outer])
        values = self._knot_values(knots, mu_s_reduced * thickness_cm, around)
        values = np.minimum.accumulate(values, axis=0)
        spline = CubicSpline(knots / thickness_cm, values, axis=0)
        self._knots = knots / thickness_cm
        self._top = self._knots[-1]
        # One row of four coefficients per knot and wavelength: a single gather reads it.
        self._coefficients = np.ascontiguousarray(np.moveaxis(spline.c, 0, -1)).reshape(-1, 4)
        self._columns: IntArray = np.arange(count, dtype=np.intp)
        self._by_wavelength = np.ascontiguousarray(np.moveaxis(spline.c, -1, 0))  # (w, 4, knots)
        # Between knots the cubic may rise in its last digits: an upper bound of the sum.
        width = np.diff(self._knots)[:, None]
        a, b, c = 3.0 * spline.c[0], 2.0 * spline.c[1], spline.c[2]  # slope a d^2 + b d + c
        turn = np.clip(np.divide(-b, 2.0 * a, out=np.zeros_like(a), where=a != 0.0), 0.0, width)
        steepest = np.maximum(c, np.maximum((a * turn + b) * turn, (a * width + b) * width) + c)
        self.rise: FloatArray = (np.maximum(steepest, 0.0) * width).sum(axis=0)
        self._dip, self.stray, self.stray_slope = self._convexity(spline.c)

    def _convexity(self, c: FloatArray) -> tuple[FloatArray | None, FloatArray, FloatArray]:
        """`dip` by knot and wavelength in one row, `stray` and `stray_slope`; from `c`."""
        width = np.diff(self._knots)[:, None]
        a, b, s, r = c[0] * width**3, c[1] * width**2, c[2] * width, c[3]
        # R R'' - CONVEXITY R'^2 is a polynomial of degree 4 within an interval. The least of its
        # Bernstein coefficients is a lower bound, and so is that of R's own four.
        k = CONVEXITY
        powers = (
            2.0 * b * r - k * s * s,
            6.0 * a * r + (2.0 - 4.0 * k) * b * s,
            (6.0 - 6.0 * k) * a * s + (2.0 - 4.0 * k) * b * b,
            (8.0 - 12.0 * k) * a * b,
            (6.0 - 9.0 * k) * a * a,
        )
        convex = _bernstein_floor(powers)
        least = _bernstein_floor((r, s, b, a))
        lacks = (convex < 0.0) | (least <= 0.0)
        # In the black tail the table's last digits matter. From its start R is taken to go on as a
        # falling exponential, from which it differs by no more than both are large.
        at = np.arange(len(r))[:, None]
        spoilt = (lacks & ((r <= _BLACK) | (least <= 0.0))) | ((r <= _BLACK) & (s > 0.0))
        first = np.where(spoilt, at, len(r)).min(axis=0)
        falls = np.maximum.accumulate(np.where(s <= 0.0, at, 0), axis=0)
        ends = first < len(r)
        first[ends] = falls[first[ends], np.flatnonzero(ends)]
        tail = at >= first
        steepest = np.abs(s) + 2.0 * np.abs(b) + 3.0 * np.abs(a)
        largest = np.abs(r) + np.abs(s) + np.abs(b) + np.abs(a)
        stray = 2.0 * np.where(tail, largest, 0.0).max(axis=0)
        stray_slope = 2.0 * np.where(tail, steepest / width, 0.0).max(axis=0)
        lacks &= ~tail
        if not lacks.any():
            return None, stray, stray_slope
        dip = np.where(lacks, -convex / np.where(lacks, least, 1.0) / width**2, 0.0)
        return np.maximum.accumulate(dip[::-1], axis=0)[::-1].ravel(), stray, stray_slope

    @staticmethod
    def _knot_values(knots: FloatArray, v: FloatArray, around: Surroundings) -> FloatArray:
        names = _NAMES[around.mode]
        inner = knots <= U_MAX * (1 + 1e-12)
        result = np.empty((knots.size, v.size))
        fits = v <= to_table_range(np.zeros_like(v), v)[1]
        order = np.argsort(v, kind="stable")
        parts = _values(u_axis(np.minimum(knots[inner], U_MAX)), v_axis(v[order]), names, grid=True)
        back = np.argsort(order, kind="stable")
        result[inner] = seen([p[:, back] for p in parts], around)
        for rows, columns in ((~inner, slice(None)), (inner, ~fits)):
            u, w, _ = to_table_range(knots[rows, None], v[None, columns])
            backing = around.backing[columns]
            thick = np.all(u >= U_MAX * (1 - 1e-12))
            scaled = (
                _edge_values(v_axis(w), names) if thick else _values(u_axis(u), v_axis(w), names)
            )
            result[np.ix_(rows, np.arange(v.size)[columns])] = seen(
                scaled, Surroundings(around.mode, backing)
            )
        return result

    def _intervals(self, mu_a: FloatArray) -> IntArray:
        u = mu_a * self.thickness_cm
        far_out = u.max(initial=0.0) >= U_MAX
        at = (np.sqrt(np.minimum(u, U_MAX) if far_out else u) * self._rate).astype(np.intp)
        if far_out:
            far = np.log(np.maximum(u, U_MAX) / U_MAX) * self._outer_rate
            at = np.where(u >= U_MAX, _INNER_KNOTS - 1 + far.astype(np.intp), at)
        return np.asarray(np.minimum(at, self._knots.size - 2))

    def evaluate(self, mu_a: FloatArray) -> tuple[FloatArray, FloatArray]:
        """R and dR/d(mu_a), shapes (..., w), for absorption [1/cm], (..., w), from 0 on."""
        if mu_a.ndim == 2 and len(mu_a) >= _MANY:
            slope = np.empty_like(mu_a)
            return self._one_wavelength_at_a_time(mu_a, slope), slope
        mu_a = np.minimum(mu_a, self._top)
        at = self._intervals(mu_a)
        c = self._coefficients[at * self._columns.size + self._columns]
        d = mu_a - self._knots[at]
        c0, c1, c2, c3 = c[..., 0], c[..., 1], c[..., 2], c[..., 3]
        R = ((c0 * d + c1) * d + c2) * d + c3
        return np.maximum(R, 0.0, out=R), (3.0 * c0 * d + 2.0 * c1) * d + c2

    def value(self, mu_a: FloatArray) -> FloatArray:
        """R alone; see `evaluate`."""
        if mu_a.ndim == 2 and len(mu_a) >= _MANY:
            return self._one_wavelength_at_a_time(mu_a, None)
        mu_a = np.minimum(mu_a, self._top)
        at = self._intervals(mu_a)
        c = self._coefficients[at * self._columns.size + self._columns]
        d = mu_a - self._knots[at]
        R = ((c[..., 0] * d + c[..., 1]) * d + c[..., 2]) * d + c[..., 3]
        return np.asarray(np.maximum(R, 0.0))

    def _one_wavelength_at_a_time(self, mu_a: FloatArray, slope: FloatArray | None) -> FloatArray:
        """The same for long arrays, three times as fast: what is read stays in cache."""
        result = np.empty_like(mu_a)
        for start in range(0, len(mu_a), _STRETCH):
            stretch = slice(start, start + _STRETCH)
            mu = np.minimum(mu_a[stretch].T, self._top, order="C")
            R, dR = np.empty_like(mu), np.empty_like(mu)
            d, part = np.empty(mu.shape[1]), np.empty(mu.shape[1])
            for x, c, r, dr in zip(mu, self._by_wavelength, R, dR, strict=True):
                at = self._intervals(x)
                np.subtract(x, self._knots.take(at, out=d, mode="clip"), out=d)
                c0, c1, c2, c3 = c
                c0.take(at, out=r, mode="clip")
                if slope is not None:
                    np.multiply(r, 3.0, out=dr)
                    dr *= d
                    dr += np.multiply(c1.take(at, out=part, mode="clip"), 2.0, out=part)
                    dr *= d
                    dr += c2.take(at, out=part, mode="clip")
                for further in (c1, c2, c3):
                    r *= d
                    r += further.take(at, out=part, mode="clip")
            result[stretch] = np.maximum(R, 0.0, out=R).T
            if slope is not None:
                slope[stretch] = dR.T
        return result

    def dip(self, mu_a: FloatArray) -> FloatArray | None:
        """How much R'' lacks of being convex enough, at most, at this absorption or above.

        R has R R'' >= `CONVEXITY` R'^2, as a Laplace transform of something never negative; the
        table's digits, above all at the first knots of a thin layer, may miss that.

        Parameters
        ----------
        mu_a
            Absorption [1/cm], shape (..., w), from 0 on.

        Returns
        -------
        ndarray or None
            D of shape (..., w), per 1/cm squared: a function within `stray` of `value`, with a
            slope within `stray_slope` of its slope, has R (R'' + D) >= `CONVEXITY` R'^2 and R > 0
            from `mu_a` on. None if D is 0 throughout. Checked on the spline itself, so that a proof
            is about the very function that `value` returns.
        """
        if self._dip is None:
            return None
        # One interval of slack: rounding may put an absorption into the next one.
        at = np.maximum(self._intervals(np.minimum(mu_a, self._top)) - 1, 0)
        return np.asarray(self._dip[at * self._columns.size + self._columns])
