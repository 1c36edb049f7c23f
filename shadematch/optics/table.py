"""The exact slab, tabulated in two variables; the table comes with the library.

For a fixed refractive index and asymmetry only ``u = mu_a X`` and ``v = mu_s' X`` matter. The table
holds the eight functions of `shadematch.optics.transport.Slab` on a grid even in
``asinh(u / 0.002)`` and ``asinh(v / 0.005)``, to be read by bicubic splines. Near the origin R
depends on u / v (trapped light), so coarser scales would cost accuracy there.

``python -m shadematch.optics.table`` rewrites ``resources/slab.npz`` in a quarter of a minute.
"""

from __future__ import annotations

import functools
from importlib import resources
from typing import TYPE_CHECKING, Final

import numpy as np

from shadematch.support.arrays import FloatArray

if TYPE_CHECKING:
    from scipy.interpolate import RectBivariateSpline

__all__ = [
    "U_MAX",
    "V_MAX",
    "surfaces",
    "to_table_range",
    "u_at",
    "u_axis",
    "u_axis_slope",
    "v_at",
    "v_axis",
    "v_axis_slope",
]

U_MAX: Final = 60.0
V_MAX: Final = 2000.0
_U_SCALE: Final = 0.002
_V_SCALE: Final = 0.005
_POINTS: Final = (128, 112)
_FILE: Final = "slab.npz"


def u_axis(u: FloatArray) -> FloatArray:
    """Position of u along the table."""
    return np.arcsinh(u / _U_SCALE)


def v_axis(v: FloatArray) -> FloatArray:
    """Position of v along the table."""
    return np.arcsinh(v / _V_SCALE)


def u_at(x: FloatArray) -> FloatArray:
    """U at a position along the table."""
    return np.asarray(_U_SCALE * np.sinh(x))


def v_at(y: FloatArray) -> FloatArray:
    """V at a position along the table."""
    return np.asarray(_V_SCALE * np.sinh(y))


def u_axis_slope(u: FloatArray) -> FloatArray:
    """Derivative of `u_axis`."""
    return 1.0 / np.hypot(u, _U_SCALE)


def v_axis_slope(v: FloatArray) -> FloatArray:
    """Derivative of `v_axis`."""
    return 1.0 / np.hypot(v, _V_SCALE)


def to_table_range(u: FloatArray, v: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """U and v, from 0 on, scaled down into the table's range, and the scale, 1 inside it.

    What is thicker than the table lets no light through, and its reflectance depends on u / v
    alone, so both are scaled by the same factor. Shapes broadcast.
    """
    u, v = np.broadcast_arrays(np.asarray(u, float), np.asarray(v, float))
    scale = np.minimum(1.0, np.minimum(U_MAX / np.maximum(u, U_MAX), V_MAX / np.maximum(v, V_MAX)))
    return u * scale, v * scale, scale


@functools.cache
def surfaces() -> dict[str, RectBivariateSpline]:
    """Bicubic splines of R1, T1, Rd, Td, C1, D1, Cu, Du over (`u_axis`, `v_axis`)."""
    from scipy.interpolate import RectBivariateSpline

    with (
        resources.files("shadematch").joinpath("resources", _FILE).open("rb") as stream,
        np.load(stream) as archive,
    ):
        x, y = archive["u_axis"], archive["v_axis"]
        return {
            name: RectBivariateSpline(x, y, archive[name])
            for name in archive.files
            if not name.endswith("axis")
        }


def _write() -> None:
    from shadematch.optics.transport import slab

    x = np.linspace(0.0, u_axis(np.array(U_MAX)), _POINTS[0])
    y = np.linspace(0.0, v_axis(np.array(V_MAX)), _POINTS[1])
    u, v = np.meshgrid(u_at(x), v_at(y), indexing="ij")
    solved = slab(u, v, np.array(1.0), half=24, moments=32)
    path = resources.files("shadematch").joinpath("resources", _FILE)
    columns = {name: np.asarray(values) for name, values in solved._asdict().items()}
    np.savez_compressed(str(path), allow_pickle=False, u_axis=x, v_axis=y, **columns)
    print(f"wrote {_POINTS[0]} x {_POINTS[1]} slabs to {path}")


if __name__ == "__main__":
    _write()
