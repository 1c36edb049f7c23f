"""Wavelength grid, CIE observers and illuminants.

The only room that may import colour-science, and only for what is not frozen: the usual
illuminants and both observers are frozen as weighting factors in ``resources/standards.npz``, which
``python -m shadematch.colour.standards`` rewrites.

References
----------
ASTM E2022-16, *Standard Practice for Calculation of Weighting Factors for Tristimulus
Integration*; ASTM E308-15, 7.3.2.2 (what lies outside the measured range goes to the last weight);
CIE 15:2018, *Colorimetry* (smooth illuminants are interpolated linearly).
"""

from __future__ import annotations

import functools
import warnings
from collections.abc import Sequence
from importlib import resources
from typing import Any, Final, NamedTuple

import numpy as np

from shadematch.colour.illuminant import Illuminant, Light, check_spectrum
from shadematch.errors import ColourError, SpectrumError
from shadematch.support.arrays import FloatArray

__all__ = [
    "FROZEN_ILLUMINANTS",
    "OBSERVERS",
    "WAVELENGTHS_NM",
    "Observation",
    "checked_lights",
    "distribution",
    "munsell_real",
    "observation",
    "onto_grid",
    "weighting_factors",
]

WAVELENGTHS_NM: Final[FloatArray] = np.arange(380.0, 731.0, 10.0)
"""The library's 36 wavelengths [nm]."""
WAVELENGTHS_NM.setflags(write=False)

OBSERVERS: Final = {
    "2": "CIE 1931 2 Degree Standard Observer",
    "10": "CIE 1964 10 Degree Standard Observer",
}

FROZEN_ILLUMINANTS: Final = (
    *("A", "C", "D50", "D55", "D65", "D75", "E", "FL2", "FL7", "FL11"),
    *("LED-B1", "LED-B2", "LED-B3", "LED-B4", "LED-B5", "LED-V1", "LED-RGB1"),
)
"""CIE names of the illuminants whose weights come with the library."""

_FILE: Final = "standards.npz"
_LEAST_WHITE: Final = 1e-6
"""Least XYZ of a white, Y = 100, that CIELAB can divide by: under a lamp without blue, Z of the 10
degree observer is 0."""


class Observation(NamedTuple):
    """What turns spectra into XYZ under one illuminant and observer.

    Attributes
    ----------
    weights
        Shape (3, 36); ``weights @ reflectance`` is XYZ with Y = 100 for the perfect diffuser.
    white
        XYZ of the perfect diffuser, shape (3,).
    """

    weights: FloatArray
    white: FloatArray


@functools.cache
def _frozen() -> dict[str, FloatArray]:
    with (
        resources.files("shadematch").joinpath("resources", _FILE).open("rb") as stream,
        np.load(stream) as archive,
    ):
        return {key: archive[key] for key in archive.files}


def observation(illuminant: Light = "D65", observer: str = "2") -> Observation:
    """Weights and white for an illuminant and observer.

    Parameters
    ----------
    illuminant
        A CIE name such as ``"D65"``, ``"A"``, ``"FL11"`` or ``"LED-B3"``, or any other that
        colour-science knows (only those import it); or an `Illuminant`.
    observer
        ``"2"`` or ``"10"`` degrees.

    Raises
    ------
    ColourError
        If either name is unknown, or the light leaves CIELAB without a white.
    """
    named = isinstance(illuminant, str | Illuminant)
    if not named or not isinstance(observer, str):
        raise ColourError(
            "must be a text",
            field="observer" if named else "illuminant",
            value=observer if named else illuminant,
            remedy="Give '2' or '10', in quotation marks"
            if named
            else "Give a name such as 'D65', or an Illuminant",
        )
    return _observation(illuminant, observer)


@functools.lru_cache(maxsize=256)
def _observation(illuminant: Light, observer: str) -> Observation:
    if observer not in OBSERVERS:
        raise ColourError(
            "unknown observer", field="observer", value=observer, remedy="Use 2 or 10"
        )
    weights = None
    if isinstance(illuminant, str):
        weights = _frozen().get(f"{illuminant}/{observer}")
    if weights is None:
        weights = weighting_factors(illuminant, observer)
    weights.setflags(write=False)
    white = weights.sum(axis=1)
    if not white.min() > _LEAST_WHITE:
        raise ColourError(
            "has light at one end of the spectrum only: CIELAB has no white in it",
            field="illuminant",
            value=str(illuminant),
            remedy="Give a light that has some of every colour, blue too",
        )
    white.setflags(write=False)
    return Observation(weights, white)


def checked_lights(illuminants: Sequence[Light], *, field: str = "lights") -> tuple[Light, ...]:
    """Lights, each known and each once; a single one makes a list of one.

    Anything else is a `ColourError`, which calls the list `field`.
    """
    if isinstance(illuminants, str | Illuminant):
        illuminants = (illuminants,)
    try:
        names = tuple(illuminants)
        plain = all(isinstance(name, str | Illuminant) for name in names)
    except TypeError:  # not a list
        names, plain = (), False
    if not plain or any(names.count(name) > 1 for name in names):
        raise ColourError(
            "must be a list of names, each once",
            field=field,
            value=illuminants,
            remedy="Give names such as 'D65', 'A', 'FL11', 'LED-B3'",
        )
    for name in names:
        try:
            observation(name)
        except ColourError as found:
            raise found.at(field) from None
    return names


@functools.cache
def munsell_real() -> FloatArray:
    """XYZ of the 2,734 real Munsell colours under illuminant C, 2 degree observer; (2734, 3).

    S. M. Newhall, D. Nickerson, D. B. Judd, J. Opt. Soc. Am. 33 (1943) 385, as colour-science gives
    them, Y included. Read at the first call.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from colour.notation import MUNSELL_COLOURS

        entries = MUNSELL_COLOURS["Munsell Colours Real"]
    x, y, big_y = np.array([entry[1] for entry in entries], dtype=float).T
    xyz = np.column_stack([x / y * big_y, big_y, (1.0 - x - y) / y * big_y])
    xyz.setflags(write=False)
    return xyz


def weighting_factors(illuminant: Light, observer: str) -> FloatArray:
    """Tristimulus weighting factors for `WAVELENGTHS_NM` from colour-science; shape (3, 36).

    `illuminant` and `observer` as for `observation`; an unknown illuminant is a `ColourError`.
    """
    with warnings.catch_warnings():
        # Importing colour-science warns about its own optional packages.
        warnings.simplefilter("ignore")
        import colour
    if isinstance(illuminant, Illuminant):
        wavelengths, powers, lines = illuminant.wavelengths_nm, illuminant.power, False
    else:
        source = _tabulated(illuminant, colour)
        wavelengths, powers = source.wavelengths, source.values
        lines = illuminant.startswith(("FL", "HP"))
    table = colour.MSDS_CMFS[OBSERVERS[observer]]
    fine = np.asarray(table.wavelengths, dtype=float)
    if lines:
        # Lamps with lines are summed at their own 5 nm steps (CIE 15); interpolation would smear
        # the lines.
        fine = np.intersect1d(wavelengths, fine)
    power = np.interp(fine, wavelengths, powers)
    at = np.searchsorted(table.wavelengths, fine)
    spread = _lagrange_matrix(WAVELENGTHS_NM, fine)  # (fine, 36)
    products = np.asarray(table.values, dtype=float)[at].T * power  # (3, fine)
    scale: float = 100.0 / products[1].sum()
    return np.asarray(scale * products @ spread, dtype=float)


def _tabulated(illuminant: str, colour: Any) -> Any:
    """The illuminant as colour-science tabulates it."""
    try:
        return colour.SDS_ILLUMINANTS[illuminant]
    except KeyError:
        raise ColourError(
            "unknown illuminant",
            field="illuminant",
            value=illuminant,
            remedy=f"Shipped are {', '.join(FROZEN_ILLUMINANTS)}; "
            "other names as colour-science spells them",
        ) from None


def _lagrange_matrix(coarse: FloatArray, fine: FloatArray) -> FloatArray:
    """Matrix from values on `coarse` to values on `fine`, as ASTM E2022 prescribes.

    Four-point Lagrange polynomials, three-point in the first and last interval, and outside the end
    value (ASTM E308).
    """
    matrix = np.zeros((fine.size, coarse.size))
    last = coarse.size - 1
    for row, x in enumerate(np.clip(fine, coarse[0], coarse[-1])):
        cell = min(int(np.searchsorted(coarse, x, side="right")) - 1, last - 1)
        first = max(cell - 1, 0)
        nodes = range(first, min(cell + 2, last) + 1)
        for i in nodes:
            others = [j for j in nodes if j != i]
            factors = [(x - coarse[j]) / (coarse[i] - coarse[j]) for j in others]
            matrix[row, i] = np.prod(factors)
    return matrix


def onto_grid(
    wavelengths_nm: FloatArray, values: FloatArray, *, field: str = "spectrum"
) -> FloatArray:
    """A spectrum at `WAVELENGTHS_NM`, shape (36,).

    Monotone cubic interpolation, and outside the end value (ASTM E308).

    Parameters
    ----------
    wavelengths_nm
        Shape (k,), rising [nm], covering 400 to 700 nm in steps of at most 20 nm.
    values
        Shape (k,), finite.
    field
        Name of the spectrum in errors.

    Raises
    ------
    SpectrumError
        If lengths differ, wavelengths don't rise, steps are too wide, the visible range is not
        covered, or a number is not finite.
    """
    x = np.asarray(wavelengths_nm, dtype=float)
    y = np.asarray(values, dtype=float)
    check_spectrum(x, y, field, SpectrumError)
    if x.size == WAVELENGTHS_NM.size and np.array_equal(x, WAVELENGTHS_NM):
        return y.copy()
    from scipy.interpolate import PchipInterpolator

    inside = np.clip(WAVELENGTHS_NM, x[0], x[-1])
    return np.asarray(PchipInterpolator(x, y)(inside), dtype=float)


def distribution(values: FloatArray, name: str) -> Any:
    """A `colour.SpectralDistribution` of values at the library's wavelengths, shape (36,)."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # as above
        import colour
    data = dict(zip(WAVELENGTHS_NM.tolist(), values.tolist(), strict=True))
    return colour.SpectralDistribution(data, name=name)


def _write() -> None:
    path = resources.files("shadematch").joinpath("resources", _FILE)
    tables = {
        f"{illuminant}/{observer}": weighting_factors(illuminant, observer)
        for illuminant in FROZEN_ILLUMINANTS
        for observer in OBSERVERS
    }
    np.savez_compressed(str(path), allow_pickle=False, **tables)
    print(f"wrote {len(tables)} sets of weights to {path}")


if __name__ == "__main__":
    _write()
