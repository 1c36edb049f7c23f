"""The spectra of a palette, moved by what is not known of them."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from shadematch.colour.standards import observation
from shadematch.studio.bend import LEAST_BEND, MOST_CROWDING
from shadematch.studio.palette import Palette
from shadematch.studio.pigment import Base, Pigment
from shadematch.support.arrays import FloatArray

__all__ = ["Spectra", "moved_palette", "spectra_of", "strength_moves"]

_EYE = np.maximum(observation().weights, 0.0).sum(axis=0)
"""Weight of each wavelength for the eye."""


class Spectra(NamedTuple):
    """Spectra of n pastes, then clear and white base.

    Attributes
    ----------
    absorption, scattering
        [1/cm], of pastes per load of 1; shape (n + 2, 36).
    bend, crowding
        Of the pastes, shape (n,), and of white base; for k rows of modes (k, n) and (k, 1).
    """

    absorption: FloatArray
    scattering: FloatArray
    bend: FloatArray
    crowding: FloatArray


def spectra_of(palette: Palette, z: FloatArray | None = None) -> Spectra:
    """The spectra with the palette's modes at z, shape (K,), or at their mean.

    For z of shape (k, K) only bend and crowding are moved.
    """
    parts = (*palette.pigments, palette.clear, palette.white)
    none = (0.0,) * len(palette.clear.absorption)
    a, s = (
        np.array([getattr(part, what) or none for part in parts])
        for what in ("absorption", "scattering")
    )
    bend = np.array([p.bend for p in palette.pigments])
    crowding = np.array(palette.white.crowding)
    known = palette.uncertainty
    if z is None or known is None or not known.modes:
        return Spectra(a, s, bend, crowding)
    bend = np.maximum(bend + z @ known.bends, LEAST_BEND)
    crowding = np.clip(crowding + z @ known.crowding, -MOST_CROWDING, MOST_CROWDING)
    if z.ndim > 1:
        return Spectra(a, s, bend, crowding[:, None])
    by_a, by_s = (np.exp(np.tensordot(z, each, 1)) for each in (known.absorption, known.scattering))
    return Spectra(a * by_a, s * by_s, bend, crowding)


def strength_moves(palette: Palette) -> FloatArray:
    """How modes move the logarithm of the strength of each paste, and of white base; (K, n + 1).

    Moves are weighted by what is absorbed (or scattered, by what doesn't absorb and by white base)
    and by the eye.
    """
    known, n = palette.uncertainty, len(palette.pigments)
    if known is None or not known.modes:
        return np.zeros((0, n + 1))
    found = spectra_of(palette)
    rows = [*range(n), n + 1]
    absorbs = found.absorption[rows] @ _EYE > found.scattering[rows] @ _EYE
    absorbs[-1] = False
    columns = []
    for at, by_absorption in zip(rows, absorbs, strict=True):
        spectra, moves = (
            (found.absorption, known.absorption)
            if by_absorption
            else (found.scattering, known.scattering)
        )
        weights = spectra[at] * _EYE
        columns.append(moves[:, at] @ (weights / max(float(weights.sum()), 1e-300)))
    return np.stack(columns, axis=1)


def moved_palette(palette: Palette, z: FloatArray, strengths: FloatArray) -> Palette:
    """The palette with its modes at z, and pastes and white base so many times as strong.

    `strengths`, shape (n + 1,), are those of tubes, beside what the modes say.
    """
    known, n = palette.uncertainty, len(palette.pigments)
    moved = spectra_of(palette, z)
    further = np.ones((2 * len(palette.bases), 1))
    if known is not None and known.modes:
        told = np.exp(np.tensordot(z, known.further, 1))
        further = np.concatenate([told, np.ones((len(further) - len(told), told.shape[1]))])

    def base(old: Base, a: FloatArray, s: FloatArray, crowding: float) -> Base:
        spectra = {"absorption": tuple(a.tolist()), "scattering": tuple(s.tolist())}
        return Base(**{**dict(old), **spectra, "crowding": crowding})

    return Palette(
        **{
            **dict(palette),
            "pigments": tuple(
                Pigment(
                    name=p.name,
                    absorption=tuple((f * moved.absorption[i]).tolist()),
                    scattering=p.scattering and tuple((f * moved.scattering[i]).tolist()),
                    bend=float(moved.bend[i]),
                    tube_size=p.tube_size,
                    tube_price=p.tube_price,
                )
                for i, (p, f) in enumerate(zip(palette.pigments, strengths[:n], strict=True))
            ),
            "clear": base(
                palette.clear, moved.absorption[n], moved.scattering[n], palette.clear.crowding
            ),
            "white": base(
                palette.white,
                moved.absorption[n + 1],
                strengths[n] * moved.scattering[n + 1],
                float(moved.crowding),
            ),
            "bases": tuple(
                base(old, a * np.array(old.absorption), s * np.array(old.scattering), old.crowding)
                for old, a, s in zip(palette.bases, further[::2], further[1::2], strict=True)
            ),
        }
    )
