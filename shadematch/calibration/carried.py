"""The uncertainty of a palette, from its calibration.

The covariance of the fit has 36 rows for each spectrum, and most of its directions don't matter:
a wavelength at which a paste hardly absorbs may be known to a factor of five. Only those that move
the colours of bars are kept.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np

from shadematch.calibration.fit import Fit
from shadematch.calibration.forward import Errors, layers_of, look, to_lab
from shadematch.calibration.spectra import Unknown, further_bases
from shadematch.colour.standards import WAVELENGTHS_NM
from shadematch.studio.pour import Pour
from shadematch.studio.uncertainty import Backing, Mode, PaletteUncertainty
from shadematch.studio.view import BACKINGS, View
from shadematch.support.arrays import FloatArray

__all__ = ["KnownSpectra", "known_of", "palette_uncertainty"]

_W: Final = WAVELENGTHS_NM.size
_BARS: Final = 150
_HELD: Final = 0.97
"""Least fraction of the variance of each colour that is kept."""
_MOST: Final = 100
_DIGITS: Final = 4


class KnownSpectra(NamedTuple):
    """Spectra and their covariance.

    Attributes
    ----------
    unknowns, pigments
        The K spectra in `theta`, and the names of the pigments.
    theta, covariance
        Shapes (K, 36) and (36 K, 36 K).
    errors, model_lab
        Errors of the bench, and the model error in each of L*, a* and b*.
    views
        The views of the bars.
    """

    unknowns: Sequence[Unknown]
    pigments: Sequence[str]
    theta: FloatArray
    covariance: FloatArray
    errors: Errors
    model_lab: float
    views: Sequence[View]


def known_of(found: Fit) -> KnownSpectra:
    """The spectra that a fit found."""
    problem = found.problem
    return KnownSpectra(
        unknowns=problem.unknowns,
        pigments=problem.pigments,
        theta=found.theta,
        covariance=found.covariance,
        errors=problem.errors,
        model_lab=problem.noise.model_lab,
        views=tuple(p.view for p in problem.pours),
    )


def palette_uncertainty(known: KnownSpectra, names: Sequence[str]) -> PaletteUncertainty:
    """The uncertainty of a palette of the pigments `names`, in its order."""
    unknowns = known.unknowns
    rows = [(name, False) for name in names] + [("clear", True), ("white", True)]
    poured = any(u.of_base and u.of == "white" for u in unknowns)
    place = {
        (u.of, u.of_base, u.what): k
        for k, u in enumerate(unknowns)
        if u.what in ("absorption", "scattering")
    }
    spectra = {
        what: [
            place.get((of if poured or of != "white" or not base else "clear", base, what))
            for of, base in rows
        ]
        for what in ("absorption", "scattering")
    }
    further = [
        (place[name, True, "absorption"], place[name, True, "scattering"])
        for name in further_bases(unknowns)
    ]
    backings = [k for k, u in enumerate(unknowns) if u.what == "backing"]
    used = sorted({k for at in spectra.values() for k in at if k is not None} | {*backings})
    used += [k for both in further for k in both]
    numbers = [place_of(unknowns, name, "paste bend") for name in names]
    crowding = place_of(unknowns, "white", "white crowding")
    used = sorted({*used, *(k for k in (*numbers, crowding) if k is not None)})
    modes = _modes(known, used)

    def moved(k: int | None, mode: FloatArray) -> float:
        return 0.0 if k is None else round(float(mode[used.index(k) * _W]), _DIGITS + 1)

    def moves(k: int | None, mode: FloatArray) -> tuple[float, ...]:
        if k is None:
            return ()
        at = used.index(k)
        return tuple(round(float(v), _DIGITS) for v in mode[at * _W : (at + 1) * _W])

    return PaletteUncertainty(
        modes=tuple(
            Mode(
                absorption=tuple(moves(k, mode) for k in spectra["absorption"]),
                scattering=tuple(moves(k, mode) for k in spectra["scattering"]),
                backings=tuple(moves(k, mode) for k in backings),
                bends=tuple(moved(k, mode) for k in numbers),
                crowding=moved(crowding, mode),
                bases=tuple((moves(a, mode), moves(s, mode)) for a, s in further),
            )
            for mode in modes
        ),
        backings=tuple(_backing(unknowns[k].of, known.theta[k]) for k in backings),
        thickness=known.errors.thickness_share,
        gain=known.errors.gain,
        model_lab=known.model_lab,
    )


def place_of(unknowns: Sequence[Unknown], of: str, kind: str) -> int | None:
    """Position of an unknown, or None."""
    found = (k for k, u in enumerate(unknowns) if (u.of, u.kind) == (of, kind))
    return next(found, None)


def _modes(known: KnownSpectra, used: Sequence[int]) -> FloatArray:
    """Directions of the covariance that move colours, the largest first; shape (m, 36 used).

    They are the right singular vectors of the slopes of many colours by the spectra, times a root
    of the covariance: a direction with a small singular value moves none of these colours.
    """
    at = np.concatenate([np.arange(k * _W, (k + 1) * _W) for k in used])
    values, vectors = np.linalg.eigh(known.covariance[np.ix_(at, at)])
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    slopes = _slopes(known)[:, :, at] @ root  # (colours, 3, directions)
    total = (slopes**2).sum(axis=(1, 2))
    size = np.sqrt(total / 3.0 + 0.01)  # less than a tenth in Lab doesn't matter
    turn = np.linalg.svd((slopes / size[:, None, None]).reshape(-1, at.size))[2]
    held = np.cumsum(((slopes @ turn.T) ** 2).sum(axis=1), axis=1) / total[:, None]
    count = int(np.argmax(np.append(held.min(axis=0)[:_MOST], 1.0) >= _HELD)) + 1
    return np.asarray((root @ turn[:count].T).T)


def _slopes(known: KnownSpectra) -> FloatArray:
    """Slopes of the colours of many bars by the spectra, shape (colours, 3, 36 K)."""
    poured = any(u.of_base and u.of == "white" for u in known.unknowns)
    further = further_bases(known.unknowns)
    rng = np.random.default_rng(7)
    cases = []
    for _ in range(_BARS):
        few = rng.permutation(len(known.pigments))[: rng.integers(1, 4)]
        doses = {known.pigments[i]: float(np.exp(rng.uniform(-2.0, 1.4))) for i in few}
        white = float(rng.choice([0.0, 0.03, 0.1, 0.3, 1.0])) if poured else 0.0
        thickness = float(np.exp(rng.uniform(-0.7, 1.4)))
        base = str(rng.choice(["clear", *further])) if further else "clear"
        pour = Pour(batch_g=100.0, thickness_cm=thickness, white=white, base=base)
        light = str(rng.choice(["D65", "A", "FL11"]))
        view = known.views[int(rng.integers(len(known.views)))]
        cases.append((doses, pour, view.model_copy(update={"illuminant": light})))
    layers = layers_of(cases, known.unknowns, known.pigments, known.errors)
    seen = look(known.theta, known.unknowns, known.pigments, layers, known.errors)
    rows = []
    for spectrum, by, (_, _, view) in zip(seen.spectrum, seen.by_unknown, cases, strict=True):
        eye = view.observation
        _, slope = to_lab(np.maximum(spectrum, 0.0), eye.weights, eye.white)
        rows.append((slope[:, None, :] * by[None]).reshape(3, -1))
    return np.array(rows)


def _backing(key: str, shift: FloatArray) -> Backing:
    stated, contact = key.rsplit("/", 1)
    plain = BACKINGS[stated] if stated in BACKINGS else [float(v) for v in stated[1:-1].split(",")]
    inner = np.clip(np.broadcast_to(plain, WAVELENGTHS_NM.shape), 1e-4, 1.0 - 1e-4)
    fitted = 1.0 / (1.0 + (1.0 - inner) / inner * np.exp(-shift))
    return Backing(
        reflectance=tuple(round(float(v), 6) for v in fitted),
        contact="wet" if contact == "wet" else "dry",
    )
