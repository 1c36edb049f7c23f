"""Radiance factor as one bicubic surface in absorption and scattering, for millions of recipes.

`radiance_factor` reads up to four functions from the table for each value. Here they are combined
beforehand, on a grid twice as fine, for each backing, so that one patch is read. The error against
`radiance_factor` is a few millionths: enough to sift recipes, not to state their colours.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from shadematch.optics.layer import Surroundings, radiance_factor
from shadematch.optics.table import U_MAX, V_MAX, to_table_range, u_at, u_axis, v_at, v_axis
from shadematch.support.arrays import FloatArray, IntArray

__all__ = ["MOST_BACKINGS", "Surface"]

MOST_BACKINGS: Final = 4
"""Backings of more different reflectances are not worth one surface each."""
_CELLS: Final = (256, 224)
_HERMITE: Final = np.array([[1, 0, 0, 0], [0, 0, 1, 0], [-3, 3, -2, -1], [2, -2, 1, 1]], float)
"""From values and slopes at 0 and 1 to the coefficients of a cubic."""
_BLOCK: Final = 8192


class Surface:
    """R(mu_a, mu_s') of a layer [cm]; the backing has up to `MOST_BACKINGS` reflectances."""

    def __init__(self, thickness_cm: float, around: Surroundings) -> None:
        self._thickness = thickness_cm
        backings, which = np.unique(around.backing, return_inverse=True)
        if around.mode == "through":
            backings, which = backings[:1], np.zeros_like(which)
        self._which: IntArray = which.ravel()
        ends = float(u_axis(np.array(U_MAX))), float(v_axis(np.array(V_MAX)))
        self._rate = tuple(n / end for n, end in zip(_CELLS, ends, strict=True))
        self._patches = [
            self._fitted(Surroundings(around.mode, np.full(1, backing))) for backing in backings
        ]

    def _fitted(self, around: Surroundings) -> FloatArray:
        """Coefficients of all patches, shape (16, patches)."""
        from scipy.interpolate import RectBivariateSpline

        x, y = (np.arange(n + 1) / rate for n, rate in zip(_CELLS, self._rate, strict=True))
        u, v = np.minimum(u_at(x), U_MAX), np.minimum(v_at(y), V_MAX)
        R = radiance_factor(
            np.repeat(u, y.size)[:, None], np.tile(v, x.size)[:, None], 1.0, around
        ).reshape(x.size, y.size)
        spline = RectBivariateSpline(x, y, R)
        corners = np.empty((_CELLS[0], _CELLS[1], 4, 4))
        for by_x in (0, 1):
            for by_y in (0, 1):
                scale = self._rate[0] ** by_x * self._rate[1] ** by_y
                f = spline(x, y, dx=by_x, dy=by_y) / scale
                for i in (0, 1):
                    for j in (0, 1):
                        part = f[i : i + _CELLS[0], j : j + _CELLS[1]]
                        corners[:, :, 2 * by_x + i, 2 * by_y + j] = part
        powers = np.einsum("ij,xyjk,lk->ilxy", _HERMITE, corners, _HERMITE, optimize=True)
        return np.ascontiguousarray(powers.reshape(16, -1))

    def value(self, mu_a: FloatArray, mu_s_reduced: FloatArray) -> FloatArray:
        """R, shape (m, w), of absorption and reduced scattering [1/cm], shapes (m, w)."""
        u, v = mu_a * self._thickness, mu_s_reduced * self._thickness
        if u.max(initial=0.0) > U_MAX or v.max(initial=0.0) > V_MAX:
            u, v, _ = to_table_range(u, v)
        found = np.empty_like(u)
        for number, powers in enumerate(self._patches):
            columns = np.flatnonzero(self._which == number)
            whole = columns.size == u.shape[1]
            own = (u, v) if whole else (u[:, columns], v[:, columns])
            R = self._read(powers, *(np.ascontiguousarray(each).ravel() for each in own))
            found[:, columns] = R.reshape(-1, columns.size)
        return found

    def _read(self, powers: FloatArray, u: FloatArray, v: FloatArray) -> FloatArray:
        found = np.empty(u.size)
        for start in range(0, u.size, _BLOCK):
            block = slice(start, start + _BLOCK)
            x, y = self._rate[0] * u_axis(u[block]), self._rate[1] * v_axis(v[block])
            i = np.minimum(x.astype(np.intp), _CELLS[0] - 1)
            j = np.minimum(y.astype(np.intp), _CELLS[1] - 1)
            p, q, at = x - i, y - j, i * _CELLS[1] + j
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
