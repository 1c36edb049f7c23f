"""Pastes and bases from fitted spectra."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from shadematch.calibration.fit import Fit
from shadematch.calibration.test_pour import TestPour
from shadematch.colour.standards import WAVELENGTHS_NM
from shadematch.studio.palette import Palette
from shadematch.studio.pigment import Base, Pigment
from shadematch.support.arrays import FloatArray

__all__ = ["base_of", "crowded", "fitted", "number", "pigment_of"]


def fitted(found: Fit, of: str, what: str, *, of_base: bool) -> tuple[FloatArray, FloatArray]:
    """A spectrum and its relative standard deviation, shape (36,) each; zeros if it has none."""
    n = WAVELENGTHS_NM.size
    for k, u in enumerate(found.problem.unknowns):
        if (u.of, u.what, u.of_base) == (of, what, of_base):
            variance = np.diag(found.covariance)[k * n : (k + 1) * n]
            return np.exp(found.theta[k]), np.sqrt(variance)
    return np.zeros(n), np.zeros(n)


def number(found: Fit, of: str, kind: str) -> float:
    """A bend, or the crowding of white base, to six decimals; 0 if it was not fitted."""
    for k, u in enumerate(found.problem.unknowns):
        if (u.of, u.kind) == (of, kind):
            return round(float(found.theta[k, 0]), 6)
    return 0.0


def crowded(
    found: Fit, taught_by: Iterable[TestPour], load: float | None = None
) -> tuple[str, FloatArray] | None:
    """The colourant that crowds, and the fraction of its scattering that remains, shape (36,).

    At a load given as a fraction of the largest, by default the mean one.
    """
    for u, theta in zip(found.problem.unknowns, found.theta, strict=True):
        if u.kind == "film crowding":
            if load is None:
                usual = [p.loads[u.of] for p in taught_by if u.of in p.doses]
                load = float(np.mean(usual)) / u.level
            return u.of, np.exp(-theta * min(load, 1.0))
    return None


def pigment_of(
    found: Fit, name: str, taught_by: Iterable[TestPour], like: Palette | None
) -> Pigment:
    """A paste, with the tube of its namesake in `like`, crowded as at its usual load."""
    absorption, _ = fitted(found, name, "absorption", of_base=False)
    scattering, _ = fitted(found, name, "scattering", of_base=False)
    crowding = crowded(found, taught_by)
    if crowding is not None and name == crowding[0]:
        scattering = scattering * crowding[1]
    scatters = any(u.kind == "pigment scattering" and u.of == name for u in found.problem.unknowns)
    pigment = Pigment(
        name=name,
        absorption=_rounded(absorption),
        scattering=_rounded(scattering) if scatters else None,
        bend=number(found, name, "paste bend"),
    )
    if like is None or name not in like.names:
        return pigment
    old = like[name]
    return pigment.model_copy(update={"tube_size": old.tube_size, "tube_price": old.tube_price})


def base_of(found: Fit, of: str) -> Base:
    """The clear or white base."""
    return Base(
        absorption=_rounded(fitted(found, of, "absorption", of_base=True)[0]),
        scattering=_rounded(fitted(found, of, "scattering", of_base=True)[0]),
        crowding=number(found, of, "white crowding"),
    )


def _rounded(values: FloatArray) -> tuple[float, ...]:
    """Six digits, far more than are known."""
    return tuple(float(f"{min(max(v, 0.0), 1e8):.6g}") for v in values)
