"""What a calibration tells its maker: bends, how well bars predict each other, and misfit."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from shadematch.calibration.films import FILM_ERRORS, MOST_WRONG, MOST_WRONG_OF_SOAP, ROUGH_ERRORS
from shadematch.calibration.fit import Fit
from shadematch.calibration.left_out import LeftOut
from shadematch.calibration.problem import Noise
from shadematch.calibration.residual import WRONG, residuals_by_bar
from shadematch.calibration.robust import SUSPICIOUS, needed
from shadematch.calibration.spectra import LIMITS
from shadematch.studio.pour import USUAL_LOAD
from shadematch.support.arrays import FloatArray

__all__ = ["bends_in_words", "held_out_in_words", "mixtures_in_words", "warnings_of"]

_SURE: Final = 3.0
"""Standard deviations from which on a bend or crowding is spoken of."""
_DIFFERS: Final = 0.25
"""How much base may differ from bar to bar before that is spoken of."""
_MIXTURES: Final = 3
"""Bars of several pastes that a test of the ranges takes."""
_STRANGE: Final = 1.5
"""Mean square miss of bars that the others predict, in units of what it should be, from which on
the model is held not to describe the readings; about half is usual, since the noise is found."""
_FAR_OFF: Final = 5.0
"""CIEDE2000 from which on a bar is said not to fit that can't be put aside."""
_MUCH_WIDER: Final = 2.0
"""Times what the model is believed to miss of soap, from which on that is warned of."""
_WIDER: Final = 1.5
"""Times what the model is believed to miss, from which on ranges are said to be widened."""


def held_out_in_words(found: Fit, alone: Sequence[LeftOut]) -> str:
    """How far bars lie from what the others predict of them; empty where none was trusted."""
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
    """Of each bend and crowding: what it is of, its kind, value and standard deviation."""
    size = found.theta.shape[1]
    sd = np.sqrt(np.diag(found.covariance))[::size]
    return [
        (u.of, u.kind, float(found.theta[k, 0]), float(sd[k]))
        for k, u in enumerate(found.problem.unknowns)
        if u.number
    ]


def bends_in_words(found: Fit, unit: str) -> tuple[str, ...]:
    """Sentences of what was found beside spectra, and is reckoned with, where that is sure."""
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
                "per 100 g than in proportion; this is reckoned with"
            )
        elif kind == "edge loss":
            said.append(
                f"about {100 * (1 - np.exp(-value)):.0f} % (±{100 * sd * np.exp(-value):.0f}) of "
                "the light that comes back through 1 cm leaves by the sides, unread; this is "
                "reckoned with. Measure with a wider opening, or thinner bars, to lose less"
            )
        else:
            left = float(np.exp(-0.9 * value))
            word = "less" if value > 0 else "more"
            said.append(
                f"white base by itself scatters about {100 * abs(1 - left):.0f} % "
                f"(±{90 * sd * left:.0f}) {word} than a tenth of it promises; this is reckoned with"
            )
    if (base := found.problem.errors.base_share) > _DIFFERS:
        said.append(
            f"clear base absorbs about {100 * base:.0f} % more or less from bar to bar; this is "
            "reckoned with. Pour from one lot, melted alike, to know more"
        )
    for u, theta in zip(found.problem.unknowns, found.theta, strict=True):
        if u.kind == "gloss offset":
            said.append(
                f"readings hold gloss, about {100 * theta.mean():.1f} % of the light; this is "
                "reckoned with. Better measure with it left out"
            )
    return tuple(said)


def warnings_of(found: Fit, alone: Sequence[LeftOut]) -> tuple[str, ...]:
    """Sentences of what speaks against the calibration as a whole."""
    said = [f"the model does not describe these readings: {what}" for what in _at_limits(found)]
    said += _kept_in_words(found)
    if alone:
        strange = float(np.mean([_strangeness(found, each) for each in alone]))
        if strange > _STRANGE:
            said.append(
                "the model does not describe these readings: bars lie "
                f"{np.sqrt(strange):.1f} times as far as expected from what the others predict"
            )
    missed = found.problem.noise.model_lab
    if any(u.of_base for u in found.problem.unknowns) and missed > _MUCH_WIDER * Noise().model_lab:
        said.append(
            "the model does not describe these readings: bars lie farther from what the others "
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
    """What was found to be as far off as is let pass."""
    p, said = found.problem, []
    for u, theta in zip(p.unknowns, found.theta, strict=True):
        least, most = LIMITS.get(u.kind, (-np.inf, np.inf))
        if least + 1e-9 < theta.min() and theta.max() < most - 1e-9:
            continue
        what = {
            "paste bend": f"{u.of} seems to gain or lose strength with its load beyond any sense",
            "white crowding": "white base seems to crowd beyond any sense",
            "edge loss": "all light seems to leave by the sides",
            "film offset": "all seem shifted by more than the gloss there is",
            "gloss offset": "all seem shifted by more than the gloss there is",
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
    """Bars that would have been put aside, were they not the only ones of their kind."""
    kept, strange = needed(found.problem), found.lone / np.maximum(found.values, 1.0)
    return [
        f"{r.name} does not fit the others (CIEDE2000 {r.delta_e:.1f}), and is kept: "
        "no other bar tells the same"
        for bar, r in enumerate(residuals_by_bar(found))
        if bar in kept and r.delta_e > _FAR_OFF and strange[bar] > SUSPICIOUS
    ]


def mixtures_in_words(found: Fit) -> tuple[str, ...]:
    """What too few mixtures leave untested; empty where there are enough."""
    mixed = len({p.name for p in found.problem.pours if len(p.doses) > 1})
    soap = any(u.of_base for u in found.problem.unknowns)
    if not soap or len(found.problem.pigments) < 2 or mixed >= _MIXTURES:
        return ()
    if not mixed:
        return ("ranges rest on single pastes; pour three mixtures to test them",)
    bars, more = ("one mixture", "two") if mixed == 1 else ("two mixtures", "one")
    return (f"ranges rest on {bars}; pour {more} more to test them",)


def _strangeness(found: Fit, each: LeftOut) -> float:
    total: FloatArray = each.covariance + found.problem.noise.model_lab**2 * np.eye(3)
    return float(each.miss @ np.linalg.solve(total, each.miss)) / 3.0
