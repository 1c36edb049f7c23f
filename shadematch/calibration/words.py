"""What a calibration tells its maker: bends, how well bars predict each other, and misfit."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from shadematch.calibration.fit import Fit
from shadematch.calibration.left_out import LeftOut
from shadematch.calibration.problem import Noise
from shadematch.studio.bend import LEAST_BEND, MOST_CROWDING
from shadematch.studio.pour import USUAL_LOAD
from shadematch.support.arrays import FloatArray

__all__ = ["bends_in_words", "held_out_in_words", "mixtures_in_words", "warnings_of"]

_SURE: Final = 3.0
"""Standard deviations from which on a bend or crowding is spoken of."""
_MIXTURES: Final = 3
"""Bars of several pastes that a test of the ranges takes."""
_STRANGE: Final = 2.0
"""Mean square miss of bars that the others predict, in units of what it should be, from which on
the model is held not to describe the readings; about half is usual, since the noise is found."""
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
    """Sentences of pastes that bend and white that crowds, where that is sure."""
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
        else:
            left = float(np.exp(-0.9 * value))
            word = "less" if value > 0 else "more"
            said.append(
                f"white base by itself scatters about {100 * abs(1 - left):.0f} % "
                f"(±{90 * sd * left:.0f}) {word} than a tenth of it promises; this is reckoned with"
            )
    return tuple(said)


def warnings_of(found: Fit, alone: Sequence[LeftOut]) -> tuple[str, ...]:
    """Sentences of what speaks against the calibration as a whole."""
    said = []
    for of, kind, value, _ in _numbers(found):
        bend = kind == "paste bend"
        least, most = (LEAST_BEND, np.inf) if bend else (-MOST_CROWDING, MOST_CROWDING)
        if not least + 1e-9 < value < most - 1e-9:
            what = f"{of} seems to gain strength with its load" if bend else "white base's crowding"
            said.append(f"the model does not describe these readings: {what}, beyond any sense")
    if alone:
        strange = float(np.mean([_strangeness(found, each) for each in alone]))
        if strange > _STRANGE:
            said.append(
                "the model does not describe these readings: bars lie "
                f"{np.sqrt(strange):.1f} times as far as expected from what the others predict"
            )
    return tuple(said)


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
