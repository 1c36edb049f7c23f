"""What the test pours leave unknown, and which pour would show it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np

from shadematch.calibration.fit import Fit
from shadematch.calibration.intervals import sources_of
from shadematch.calibration.test_pour import TestPour
from shadematch.colour.standards import WAVELENGTHS_NM, observation
from shadematch.errors import PourError
from shadematch.studio.pour import Pour
from shadematch.studio.view import View
from shadematch.support.arrays import FloatArray

__all__ = ["check_after", "check_before", "shared_scale", "strength_sd", "weakly_known"]

_HOPELESS: Final = 12.0
"""Standard deviation of predicted colours, in CIELAB, beyond which a calibration is refused. The
uncertainty of a paste counts by its effect on colours: nobody sees how little a clean white
absorbs."""
_HOPELESS_BY_LAB: Final = 24.0
"""The same if no reading is a spectrum: Lab hardly shows the height of a narrow band, nor photos
what lies beyond their primaries; ranges say so."""
_ARBITRARY: Final = 0.3
"""Relative standard deviation of the common scale of all spectra beyond which it is unknown."""
_WEAK: Final = 0.08
"""Relative standard deviation of a strength beyond which it is reported."""
_BLACK: Final = 8.0
"""L* below which a reading hardly shows a pigment's strength."""


def _refuse(problem: str, field: str, remedy: str) -> None:
    raise PourError(problem, field=field, remedy=remedy)


def check_before(pours: Sequence[TestPour], pigments: Sequence[str], films: bool) -> None:
    """Refuse sets of pours that lack something altogether.

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
                "was poured only at loads that look black, which hides its strength",
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
                    f"Pour {one} alone",
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
            "blends with so little white don't show the colour of white base",
            "test pours",
            "Pour white base without paste as well",
        )


def _eye() -> FloatArray:
    """Weights of the wavelengths for the eye, shape (36,), sum 1."""
    weights = np.maximum(observation().weights, 0.0).sum(axis=0)
    return np.asarray(weights / weights.sum())


def strength_sd(found: Fit, of: str, kind: str) -> float:
    """Relative standard deviation of the strength of one spectrum.

    Wavelengths are weighted by the eye and by the spectrum. Opaque films show only ratios of
    absorption and scattering: for them it is the strength relative to all colourants.
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
    """Weights, shape (K, 36), of the common scale of all spectra of films; None for soap.

    Opaque films don't show it. It is the best linear estimate from the levels of all spectra,
    weighted by their certainty, so that the scattering of a black, which nobody sees, does not
    make the rest look unknown.
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
    """Refuse a fit that leaves a strength practically unknown.

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
    films = not any(u.of_base for u in found.problem.unknowns)
    names = found.problem.pigments
    for name in sorted(names, key=lambda n: -strength_sd(found, n, "pigment absorption")):
        mine = [p for p in trusted if name in p.doses]
        if not mine:
            _refuse(
                "its only pour does not fit the others and was put aside",
                f"pigment {name}",
                "Pour and measure it again",
            )
        sd = max(_colour_sd(found, *case) for case in _usual(trusted, name, names, films))
        if sd <= hopeless:
            continue
        scatter = any(
            (v.of, v.kind) == (name, "pigment scattering") for v in found.problem.unknowns
        )
        darkest = min(p.lab_seen[0] for p in mine)
        if films and all(len(p.doses) == 1 for p in mine):
            remedy = "Measure it mixed with another, best a white, in two ratios as well"
        elif scatter and len({str(p.view.backing) for p in mine}) < 2:
            remedy = "Measure its clear pours over black as well as over white"
        elif darkest < 2 * _BLACK:
            remedy = "Pour it at a quarter of its lowest load"
        else:
            remedy = "Pour it at a higher load, or by itself in clear base"
        _refuse(f"its colours are known to no better than {sd:.0f}", f"pigment {name}", remedy)
    if any(u.kind == "white scattering" for u in found.problem.unknowns):
        blends = [Pour(batch_g=100.0, white=w) for w in (0.1, 0.5)]
        if max(_colour_sd(found, {}, blend, trusted[0].view) for blend in blends) > hopeless:
            _refuse(
                "its scattering can't be told from these pours",
                "white base",
                "Pour a blend with 10 % white base, without paste, and measure it over white "
                "and over black",
            )


def _usual(
    trusted: Sequence[TestPour], name: str, names: Sequence[str], films: bool
) -> list[tuple[dict[str, float], Pour, View]]:
    """Usual uses at the loads poured: a paste in clear base and in a blend; films in pairs."""
    loads = {n: [p.loads[n] for p in trusted if n in p.doses] for n in names}
    usual = {n: float(np.exp(np.mean(np.log(each)))) for n, each in loads.items() if each}
    mine = next(p for p in trusted if name in p.doses)
    pour = Pour(batch_g=100.0, thickness_cm=mine.pour.thickness_cm)
    cases = [({name: usual[name]}, pour, mine.view)]
    if films:
        others = [n for n in usual if n != name]
        pairs = [{name: usual[name] / 2, n: usual[n] / 2} for n in others]
        cases = [(pair, pour, mine.view) for pair in pairs] or cases
    elif any(p.pour.white > 0 for p in trusted):
        cases.append((cases[0][0], pour.model_copy(update={"white": 0.3}), mine.view))
    return cases


def _colour_sd(found: Fit, doses: Mapping[str, float], pour: Pour, view: View) -> float:
    """Standard deviation of a predicted colour from the spectra alone, in CIELAB."""
    _, _, sources, _ = sources_of(found, doses, pour, view)
    return float(np.sqrt(max(np.trace(sources["spectra"]), 0.0)))


def weakly_known(found: Fit, pours: Sequence[TestPour], films: bool) -> tuple[str, ...]:
    """Sentences about what is known only roughly."""
    said = []
    for u in found.problem.unknowns:
        if u.kind in ("pigment absorption", "pigment scattering", "white scattering"):
            sd = strength_sd(found, u.of, u.kind)
            if sd > _WEAK:
                what = "white base" if u.of_base else u.of
                word = "strength" if u.what == "absorption" else "scattering"
                said.append(f"{word} of {what} known to {sd:.0%} (one standard deviation)")
    if not films and not any(p.pour.white > 0 for p in pours):
        said.append("white base never poured: it is unknown")
    common = shared_scale(found)
    if common is not None:
        sd = np.sqrt(max(float(common.ravel() @ found.covariance @ common.ravel()), 0.0))
        if sd > _ARBITRARY:
            said.append(
                "films that hide their backing: only ratios of absorption and scattering are "
                "known, the scale of all is arbitrary"
            )
    if films:
        said.append("no blank: the base is assumed to neither absorb nor scatter")
        if found.problem.noise.even > 0:
            said.append(
                "films too few, or too different, to show how exact they are: ranges are those "
                "of measured oil films"
            )
    if all(p.spectrum is None for p in pours):
        said.append("no spectra: colours in another light than the readings' are estimates")
    return tuple(said)
