"""Spectra of pastes and bases at wavelengths of their own, brought to the library's."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from shadematch.colour.standards import onto_grid
from shadematch.errors import PaletteError, SpectrumError
from shadematch.studio.pigment import LARGEST_NUMBER
from shadematch.support.arrays import FloatArray
from shadematch.support.models import is_finite

__all__ = ["on_own_grid"]


def on_own_grid(data: Mapping[str, Any]) -> dict[str, Any]:
    """A palette's entries with ``wavelengths_nm``, as entries at the library's wavelengths.

    Raises
    ------
    PaletteError
        For wavelengths or a spectrum that can't be.
    """
    rest = dict(data)
    grid = _numbers_of(rest.pop("wavelengths_nm"), "wavelengths_nm")
    _onto_grid(grid, np.zeros(grid.size), "wavelengths_nm")
    for field in ("clear", "white"):
        if field in rest:
            rest[field] = _regridded(rest[field], grid, field)
    for field in ("pigments", "bases"):
        if isinstance(entries := rest.get(field), list | tuple):
            rest[field] = [_regridded(e, grid, f"{field}.{i}") for i, e in enumerate(entries)]
    return rest


def _numbers_of(values: object, field: str) -> FloatArray:
    if not isinstance(values, list | tuple | np.ndarray) or not all(
        isinstance(v, float) or (is_finite(v) and abs(v) < LARGEST_NUMBER) for v in values
    ):
        raise PaletteError(
            "must be a list of numbers",
            field=field,
            value=values,
            remedy="In nm" if field == "wavelengths_nm" else "One for each wavelength",
        )
    return np.asarray(values, float)


def _onto_grid(grid: FloatArray, values: FloatArray, field: str) -> FloatArray:
    try:
        return onto_grid(grid, values, field=field)
    except SpectrumError as found:
        raise PaletteError(
            found.problem, field=found.field, value=found.value, remedy=found.remedy
        ) from None


def _regridded(entry: object, grid: FloatArray, where: str) -> object:
    if not isinstance(entry, Mapping):
        return entry
    result = dict(entry)
    for key in ("absorption", "scattering"):
        if (values := result.get(key)) is not None:
            field = f"{where}.{key}"
            result[key] = tuple(_onto_grid(grid, _numbers_of(values, field), field).tolist())
    return result
