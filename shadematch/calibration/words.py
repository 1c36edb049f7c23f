"""A calibration in words: bends, how well bars predict each other, and misfit."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from shadematch.calibration.films import FILM_ERRORS, MOST_WRONG, MOST_WRONG_OF_SOAP, ROUGH_ERRORS
from shadematch.calibration.fit import Fit
from shadematch.calibration.left_out import HeldOut
from shadematch.calibration.problem import Noise
from shadematch.calibration.residual import WRONG, residuals_by_bar
from shadematch.calibration.robust import SUSPICIOUS, needed
from shadematch.calibration.spectra import LIMITS
from shadematch.studio.pour import USUAL_LOAD
from shadematch.support.arrays import FloatArray

__all__ = ["bends_in_words", "held_out_in_words", "mixtures_in_words", "warnings_of"]

_SURE: Final = 3.0
"""Standard deviations from which on a bend or crowding is mentioned."""
_DIFFERS: Final = 0.25
"""How much base may differ from bar to bar before that is mentioned."""
_MIXTURES: Final = 3
"""Number of bars of several pastes that a test of the ranges needs."""
_STRANGE: Final = 1.5
"""Mean square miss of bars predicted from the others, relative to the expected one, from which on
the model does not describe the readings; about half is usual, since the noise is fitted."""
_FAR_OFF: Final = 5.0
"""CIEDE2000 from which on a bar that can't be put aside is said not to fit."""
_MUCH_WIDER: Final = 2.0
"""Multiple of the prior model error of soap from which on there is a warning."""
_WIDER: Final = 1.5
"""Multiple of the prior model error from which on ranges are said to be widened."""


def held_out_in_words(found: Fit, alone: Sequence[HeldOut]) -> str:
    """How far bars are from the prediction of the others; empty if none was trusted."""
    if not alone:
        return ""
    worst = max(alone, key=lambda each: each.delta_e)
    mean = float(np.mean([each.delta_e for each in alone]))
    name = found.problem.pours[worst.reading].name
    widened = found.problem.noise.model_lab > _WIDER * Noise().model_lab
    wider = "; ranges are widened to match" if widened else ""
    return (
        f"predicting each bar from the others misses by {mean:.1f} on average "
        f"(worst: {name}, {worst.delta_e:.1f}){wider}"
    )


def _numbers(found: Fit) -> list[tuple[str, str, float, float]]:
    """Name, kind, value and standard deviation of each bend and crowding."""
    size = found.theta.shape[1]
    sd = np.sqrt(np.diag(found.covariance))[::size]
    return [
        (u.of, u.kind, float(found.theta[k, 0]), float(sd[k]))
        for k, u in enumerate(found.problem.unknowns)
        if u.number
    ]


def bends_in_words(found: Fit, unit: str) -> tuple[str, ...]:
    """Sentences about bends and the like that are certain; all are part of the model."""
    said = []
    for of, kind, value, sd in _numbers(found):
        if abs(value) < _SURE * sd:
            continue
        if kind == "paste bend":
            # Against the limit of small loads: 1 - 1 / (1 + k c).
            left = 1.0 / (1.0 + value * USUAL_LOAD)
            about = 100.0 * USUAL_LOAD * sd * left**2
            far, word = 100.0 * abs(1.0 - left), "less" if value > 0 else "more"
            said.append(
                f"{of} colours about {far:.0f} % (±{about:.0f}) {word} at {USUAL_LOAD:g} {unit} "
                "per 100 g than in proportion; this is allowed for"
            )
        elif kind == "edge loss":
            said.append(
                f"about {100 * (1 - np.exp(-value)):.0f} % (±{100 * sd * np.exp(-value):.0f}) of "
                "the light that returns through 1 cm leaves by the sides, unread; this is allowed "
                "for. Measure with a wider opening, or thinner bars, to lose less"
            )
        else:
            left = float(np.exp(-0.9 * value))
            word = "less" if value > 0 else "more"
            said.append(
                f"white base alone scatters about {100 * abs(1 - left):.0f} % "
                f"(±{90 * sd * left:.0f}) {word} than ten times a tenth of it; this is allowed for"
            )
    if (base := found.problem.errors.base_share) > _DIFFERS:
        said.append(
            f"clear base absorbs about {100 * base:.0f} % more or less from bar to bar; this is "
            "allowed for. Pour from one lot, melted alike, to know more"
        )
    for u, theta in zip(found.problem.unknowns, found.theta, strict=True):
        if u.kind == "gloss offset":
            said.append(
                f"readings include gloss, about {100 * theta.mean():.1f} % of the light; this is "
                "allowed for. Better measure with gloss excluded"
            )
    return tuple(said)


def warnings_of(found: Fit, alone: Sequence[HeldOut]) -> tuple[str, ...]:
    """Sentences about what speaks against the calibration as a whole."""
    said = [f"the model does not describe these readings: {what}" for what in _at_limits(found)]
    said += _kept_in_words(found)
    if alone:
        strange = float(np.mean([_strangeness(found, each) for each in alone]))
        if strange > _STRANGE:
            said.append(
                "the model does not describe these readings: bars are "
                f"{np.sqrt(strange):.1f} times as far as expected from what the others predict"
            )
    missed = found.problem.noise.model_lab
    if any(u.of_base for u in found.problem.unknowns) and missed > _MUCH_WIDER * Noise().model_lab:
        said.append(
            "the model does not describe these readings: bars are farther from what the others "
            f"predict than readings and rulers explain, by about {missed:.1f}; ranges are widened"
        )
    trusts = zip(found.problem.pours, found.problem.weights, strict=True)
    aside = [pour for pour, trust in trusts if trust < WRONG]
    names = list(dict.fromkeys(p.name for p in aside))
    if len(names) > 1 or any(not p.doses for p in aside):
        said.append(
            f"{', '.join(names)} put aside: if they were poured and measured right, the model does "
            "not describe these readings"
        )
    return tuple(said)


def _at_limits(found: Fit) -> list[str]:
    """Values at the limits of what is permitted."""
    p, said = found.problem, []
    for u, theta in zip(p.unknowns, found.theta, strict=True):
        least, most = LIMITS.get(u.kind, (-np.inf, np.inf))
        if least + 1e-9 < theta.min() and theta.max() < most - 1e-9:
            continue
        what = {
            "paste bend": f"{u.of} seems to gain or lose impossibly much strength with its load",
            "white crowding": "white base seems to crowd impossibly much",
            "edge loss": "all light seems to leave by the sides",
            "film offset": "all seem shifted by more than possible gloss",
            "gloss offset": "all seem shifted by more than possible gloss",
        }.get(u.kind, "surfaces seem to reflect as none does")
        said.append(what)
    soap = any(u.of_base for u in p.unknowns)
    most_of_base = 0.1 * MOST_WRONG_OF_SOAP[2]
    if soap and p.errors.base_share >= most_of_base * (1 - 1e-6):
        said.append(f"clear base would have to differ by {most_of_base:.0%} or more among bars")
    names = ("dose_share", "thickness_share", "gain")
    words = ("amounts", "thicknesses", "levels of readings")
    for name, word, times in zip(names, words, [m for m in MOST_WRONG if m], strict=True):
        most = times * getattr(FILM_ERRORS, name)
        if not soap and p.errors != ROUGH_ERRORS and getattr(p.errors, name) >= most * (1 - 1e-6):
            said.append(f"{word} would have to be off by {most:.0%} or more")
    return said


def _kept_in_words(found: Fit) -> list[str]:
    """Bars that would have been put aside if they were not the only ones of their kind."""
    kept, strange = needed(found.problem), found.lone / np.maximum(found.values, 1.0)
    return [
        f"{r.name} does not fit the others (CIEDE2000 {r.delta_e:.1f}) but is kept: "
        "no other bar shows the same"
        for bar, r in enumerate(residuals_by_bar(found))
        if bar in kept and r.delta_e > _FAR_OFF and strange[bar] > SUSPICIOUS
    ]


def mixtures_in_words(found: Fit) -> tuple[str, ...]:
    """A sentence if there are too few mixtures to test the ranges."""
    mixed = len({p.name for p in found.problem.pours if len(p.doses) > 1})
    soap = any(u.of_base for u in found.problem.unknowns)
    if not soap or len(found.problem.pigments) < 2 or mixed >= _MIXTURES:
        return ()
    if not mixed:
        return ("ranges are based on single pastes; pour three mixtures to test them",)
    bars, more = ("one mixture", "two") if mixed == 1 else ("two mixtures", "one")
    return (f"ranges are based on {bars}; pour {more} more to test them",)


def _strangeness(found: Fit, each: HeldOut) -> float:
    total: FloatArray = each.covariance + found.problem.noise.model_lab**2 * np.eye(3)
    return float(each.miss @ np.linalg.solve(total, each.miss)) / 3.0
