"""A belief as a palette with its uncertainty."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np

from shadematch.calibration.carried import KnownSpectra, palette_uncertainty
from shadematch.calibration.spectra import further_bases
from shadematch.colour.standards import WAVELENGTHS_NM
from shadematch.journal.seeing import ERRORS, MODEL_LAB, Roughness
from shadematch.journal.unknowns import Believed, Tube
from shadematch.studio.bend import LEAST_BEND, MOST_BEND, MOST_CROWDING
from shadematch.studio.palette import Palette
from shadematch.studio.pigment import Base, Pigment
from shadematch.studio.unit import Unit
from shadematch.studio.view import View
from shadematch.support.arrays import FloatArray

__all__ = ["opened", "palette_of"]

_W: Final = WAVELENGTHS_NM.size
_DIGITS: Final = 6
_HIGHEST: Final = 1e8


def opened(belief: Believed, tubes: Mapping[str, Tube]) -> tuple[FloatArray, FloatArray]:
    """Spectra of the open tubes: mean (K, 36) and covariance (36 K, 36 K)."""
    layout = belief.layout
    turn = np.zeros((layout.spectra, layout.size))
    turn[:, : layout.spectra] = np.eye(layout.spectra)
    for paste, tube in tubes.items():
        for k in layout.of_paste[paste]:
            turn[k * _W : (k + 1) * _W, layout.at_tube(tube)] = 1.0
    covariance = turn @ belief.covariance @ turn.T
    return (turn @ belief.mean).reshape(-1, _W), 0.5 * (covariance + covariance.T)


def palette_of(
    belief: Believed,
    tubes: Mapping[str, Tube],
    *,
    unit: Unit,
    note: str,
    rough: Roughness,
    dosing: float,
    views: Sequence[View],
    sizes: Mapping[str, tuple[float | None, float | None]],
) -> Palette:
    """The palette of the open tubes.

    Parameters
    ----------
    belief, tubes
        The belief, and the open tube of each paste.
    unit, note
        Unit and note of the palette.
    rough
        How noisy the studio is.
    dosing
        Mean variance of L*, a* or b* from dosing in an ordinary studio.
    views
        The views of the bars.
    sizes
        Size and price of each paste's tube.
    """
    theta, covariance = opened(belief, tubes)
    layout = belief.layout
    place = {(u.of, u.of_base, u.what): k for k, u in enumerate(layout.unknowns)}

    def spectrum(of: str, base: bool, what: str) -> tuple[float, ...] | None:
        k = place.get((of, base, what))
        if k is None:
            return None
        values = np.clip(np.exp(np.minimum(theta[k], 20.0)), 0.0, _HIGHEST)
        return tuple(float(f"{v:.{_DIGITS}g}") for v in values)

    def number(of: str, base: bool, what: str, least: float, most: float) -> float:
        k = place.get((of, base, what))
        value = 0.0 if k is None else float(np.clip(theta[k, 0], least, most))
        return float(f"{value:.{_DIGITS}g}")

    def base_of(of: str) -> Base:
        return Base(
            name="" if of in ("clear", "white") else of,
            absorption=spectrum(of, True, "absorption"),
            scattering=spectrum(of, True, "scattering"),
            crowding=number(of, True, "crowding", -MOST_CROWDING, MOST_CROWDING),
        )

    # A palette has no place for extra dosing noise: add it to the model's error.
    added = max(rough.hand - 1.0, 0.0) * dosing
    errors = ERRORS[unit]
    known = KnownSpectra(
        unknowns=layout.unknowns,
        pigments=layout.pastes,
        theta=theta,
        covariance=rough.known * covariance,
        errors=errors,
        model_lab=float(np.sqrt(MODEL_LAB**2 * rough.eye + added)),
        views=tuple(views) or (View(),),
    )
    return Palette(
        pigments=tuple(
            Pigment(
                name=name,
                absorption=spectrum(name, False, "absorption"),
                scattering=spectrum(name, False, "scattering"),
                bend=number(name, False, "bend", LEAST_BEND, MOST_BEND),
                tube_size=sizes.get(name, (None, None))[0],
                tube_price=sizes.get(name, (None, None))[1],
            )
            for name in layout.pastes
        ),
        clear=base_of("clear"),
        white=base_of("white"),
        bases=tuple(base_of(name) for name in further_bases(layout.unknowns)),
        unit=unit,
        note=note,
        uncertainty=palette_uncertainty(known, layout.pastes),
    )
