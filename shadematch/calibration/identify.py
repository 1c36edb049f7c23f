"""What the test pours can't tell, and which pour would."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from shadematch.calibration.fit import Fit
from shadematch.calibration.test_pour import TestPour
from shadematch.colour.standards import WAVELENGTHS_NM, observation
from shadematch.errors import PourError
from shadematch.support.arrays import FloatArray

__all__ = ["check_after", "check_before", "shared_scale", "strength_sd", "weakly_known"]

_HOPELESS: Final = 0.3
"""Relative standard deviation of a strength beyond which no numbers are given."""
_HOPELESS_BY_LAB: Final = 0.6
"""The same where no reading is a spectrum: Lab hardly tells the height of a narrow band, nor do
photos what lies beyond their primaries; ranges say so."""
_WEAK: Final = 0.08
"""... and beyond which the calibration says so."""
_BLACK: Final = 8.0
"""L* below which a reading says next to nothing of a pigment's strength."""


def _refuse(problem: str, field: str, remedy: str) -> None:
    raise PourError(problem, field=field, remedy=remedy)


def check_before(pours: Sequence[TestPour], pigments: Sequence[str], films: bool) -> None:
    """Refuse sets of pours in which something is missing altogether.

    Raises
    ------
    PourError
        Naming the pour to make.
    """
    for name in pigments:
        mine = [p for p in pours if name in p.doses]
        if not mine:
            _refuse(
                "was never poured",
                f"pigment {name}",
                f"Pour it in clear base at 0.5 and at 2 or 3 {pours[0].unit} per 100 g, and "
                "measure both over white",
            )
        if all(p.lab_seen[0] < _BLACK for p in mine):
            least = min(p.loads[name] for p in mine)
            _refuse(
                "was poured only at loads that come out black, which hides its strength",
                f"pigment {name}",
                f"Pour it at a quarter of its lowest load ({least / 4:.3g} "
                f"{pours[0].unit} per 100 g) or in a thinner layer",
            )
    for i, one in enumerate(pigments):
        for two in pigments[i + 1 :]:
            pairs = [(p.loads.get(one, 0.0), p.loads.get(two, 0.0)) for p in pours]
            pairs = [pair for pair in pairs if max(pair) > 0]
            shares = [a / (a + b) for a, b in pairs]
            if max(shares) - min(shares) < 1e-6:
                _refuse(
                    "were only poured together, in one ratio, so that they can't be told apart",
                    f"pigments {one} and {two}",
                    f"Pour {one} by itself",
                )
    if films:
        return
    whites = [p for p in pours if p.pour.white > 0]
    if not any(not p.doses and p.pour.white == 0 for p in pours):
        _refuse(
            "no blank of clear base",
            "test pours",
            "Pour clear base without paste and measure it over white, and best over black as well",
        )
    if whites and not any(not p.doses for p in whites):
        _refuse(
            "no blank of white base",
            "test pours",
            "Pour white base, or a blend with it, without paste",
        )
    if whites and not any(0 < p.pour.white <= 0.5 for p in whites):
        _refuse(
            "white base but no blend: opaque white hides how strongly it scatters",
            "test pours",
            "Pour a blend with 10 % white base, without paste, and measure it over white and "
            "over black",
        )
    if (
        whites
        and not any(p.pour.white > 0.5 for p in whites)
        and all(p.pour.white < 0.05 for p in whites)
    ):
        _refuse(
            "blends with so little white don't tell the colour of white base",
            "test pours",
            "Pour white base without paste as well",
        )


def _eye() -> FloatArray:
    """How much each wavelength counts for the eye, shape (36,), sum 1."""
    weights = np.maximum(observation().weights, 0.0).sum(axis=0)
    return np.asarray(weights / weights.sum())


def strength_sd(found: Fit, of: str, kind: str) -> float:
    """Relative standard deviation of the strength of one spectrum.

    Each wavelength counts as the eye does and as the spectrum is high there. Of opaque films
    only ratios of absorption and scattering can be told: there it is the strength against the
    mean of all colourants.
    """
    unknowns = found.problem.unknowns
    k = next(i for i, u in enumerate(found.problem.unknowns) if (u.of, u.kind) == (of, kind))
    weight = _eye() * np.exp(found.theta[k] - found.theta[k].max())
    weight = weight / weight.sum()
    n = WAVELENGTHS_NM.size
    own = np.zeros((len(unknowns), n))
    own[k] = weight
    ways = [own]
    common = shared_scale(found)
    if common is not None:
        ways.append(own - common)
    variances = [float(w.ravel() @ found.covariance @ w.ravel()) for w in ways]
    return float(np.sqrt(max(min(variances), 0.0)))


def shared_scale(found: Fit) -> FloatArray | None:
    """Weights, shape (K, 36), of the scale that all spectra of films share; None for soap.

    Opaque films don't tell it. It is the best linear guess from the levels of all spectra, each
    as sure as it is, so that the scattering of a black, which nobody sees, does not make the
    rest look unknown.
    """
    unknowns, n = found.problem.unknowns, WAVELENGTHS_NM.size
    scattering = [u for u in unknowns if u.kind == "pigment scattering"]
    if len(scattering) < 2 or any(u.of_base for u in unknowns):
        return None
    rows = [k for k, u in enumerate(unknowns) if u.kind.startswith("pigment")]
    by = np.zeros((len(rows), len(unknowns), n))
    by[np.arange(len(rows)), rows] = _eye()
    flat = by.reshape(len(by), -1)
    inverse = np.linalg.inv(flat @ found.covariance @ flat.T + 1e-10 * np.eye(len(by)))
    return np.asarray(np.einsum("r,rkw->kw", inverse.sum(axis=0) / inverse.sum(), by))


def check_after(found: Fit) -> None:
    """Refuse a fit in which a strength is next to unknown.

    Raises
    ------
    PourError
        Naming the pour to make.
    """
    trusted = [
        p for p, w in zip(found.problem.pours, found.problem.weights, strict=True) if w > 0.5
    ]
    spectral = any(p.spectrum is not None for p in trusted)
    hopeless = _HOPELESS if spectral else _HOPELESS_BY_LAB
    for u in found.problem.unknowns:
        if u.kind == "pigment absorption":
            mine = [p for p in trusted if u.of in p.doses]
            if not mine:
                _refuse(
                    "its only pour does not fit the others and was put aside",
                    f"pigment {u.of}",
                    "Pour and measure it again",
                )
            sd = strength_sd(found, u.of, u.kind)
            if sd > hopeless:
                scatter = any(
                    (v.of, v.kind) == (u.of, "pigment scattering") for v in found.problem.unknowns
                )
                darkest = min(p.lab_seen[0] for p in mine)
                films = not any(v.of_base for v in found.problem.unknowns)
                if films and all(len(p.doses) == 1 for p in mine):
                    remedy = "Measure it mixed with another, best a white, in two ratios as well"
                elif scatter and len({str(p.view.backing) for p in mine}) < 2:
                    remedy = "Measure its clear pours over black as well as over white"
                elif darkest < 2 * _BLACK:
                    remedy = "Pour it at a quarter of its lowest load"
                else:
                    remedy = "Pour it at a higher load, or by itself in clear base"
                _refuse(
                    f"its strength is known to no better than {sd:.0%}", f"pigment {u.of}", remedy
                )
        elif u.kind == "white scattering" and strength_sd(found, u.of, u.kind) > hopeless:
            _refuse(
                "its scattering can't be told from these pours",
                "white base",
                "Pour a blend with 10 % white base, without paste, and measure it over white "
                "and over black",
            )


def weakly_known(found: Fit, pours: Sequence[TestPour], films: bool) -> tuple[str, ...]:
    """Sentences about what is known only roughly, from these and earlier pours."""
    said = []
    for u in found.problem.unknowns:
        if u.kind in ("pigment absorption", "pigment scattering", "white scattering"):
            sd = strength_sd(found, u.of, u.kind)
            if sd > _WEAK:
                what = "white base" if u.of_base else u.of
                word = "strength" if u.what == "absorption" else "scattering"
                said.append(f"{word} of {what} known to {sd:.0%} (one standard deviation)")
    if not films and not any(p.pour.white > 0 for p in pours):
        said.append("white base never poured: nothing is known of it")
    common = shared_scale(found)
    if common is not None:
        sd = np.sqrt(max(float(common.ravel() @ found.covariance @ common.ravel()), 0.0))
        if sd > _HOPELESS:
            said.append(
                "films that hide their backing: only ratios of absorption and scattering are "
                "known, the scale of all is arbitrary"
            )
    if films:
        said.append("no blank: the base is taken to neither absorb nor scatter")
    if all(p.spectrum is None for p in pours):
        said.append("no spectra: colours in another light than the readings' are estimates")
    return tuple(said)
