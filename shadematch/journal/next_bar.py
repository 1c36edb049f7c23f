"""Which bar to pour next: one of each unknown paste, then the one that would teach most."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np

from shadematch.calibration.forward import layers_of, look, to_lab
from shadematch.calibration.test_pour import TestPour
from shadematch.colour.difference import squared_difference
from shadematch.journal.belief import Belief
from shadematch.journal.lesson import NextBar
from shadematch.journal.seeing import ERRORS, Bar, expected_readings
from shadematch.journal.unknowns import Believed, Instrument, Tube
from shadematch.studio.pour import CLEAR, Pour
from shadematch.studio.recipe import Recipe
from shadematch.studio.unit import Unit
from shadematch.studio.view import View
from shadematch.support.arrays import FloatArray

__all__ = ["next_bar"]

_FIRST: Final = {"cm": 1.2, "g": 0.8}
"""Load [unit per 100 g] of the first bar of a paste: the best start of a year among 0.8, 1.2, 2 and
about 2.5 cm (`tests/bench/year.py`). More is too dark to show the shape of its spectrum; with less,
a slip of the ruler is too large a part."""
_LOADS: Final = (0.4, 0.8, 1.2, 1.6, 2.4, 3.2)
"""Loads to try later [unit per 100 g]."""
_WHITE: Final = 0.1
"""White fraction that shows how strongly white base scatters."""
_ORDINARY: Final = 40
"""Number of ordinary recipes that a bar is judged by."""


def next_bar(
    belief: Belief, tubes: Mapping[str, Tube], bases: Sequence[str], pour: Pour, view: View
) -> NextBar:
    """The bar that would make the colours of ordinary recipes surest.

    `bases` are the names of further bases; the white fraction of the pour is chosen.
    """
    unknown = [name for name in tubes if not belief.holding(name)]
    strange = [base for base in bases if not belief.held_by(base)]
    if not unknown and strange:  # shown best by itself
        pour = pour.model_copy(update={"base": strange[0]})
    recipes = [
        Recipe(doses, pour.model_copy(update={"white": white}), unit=belief.unit)
        for doses, white in _candidates(list(tubes), unknown, pour, belief.unit)
    ]
    if pour.base != CLEAR:
        recipes = [Recipe({}, pour, unit=belief.unit)]
    bars = [_bar(r, tubes, view) for r in recipes]
    now = belief.widened(belief.ready([*tubes.values()], bars[0]), pour.base)
    wanted, metric = _ordinary(now, belief.unit, tubes, pour, view)
    first = now.covariance
    spread = wanted @ first
    before = float(np.einsum("cik,cjk,cij->", spread, wanted, metric))
    after = []
    for seen in expected_readings(now.mean, now.layout, bars, belief.unit):
        noise = seen.slopes @ first @ seen.slopes.T + seen.noise.times(belief.noise.rough)
        across = spread @ seen.slopes.T  # (c, 3, 3)
        gone = across @ np.linalg.solve(noise, np.swapaxes(across, 1, 2))
        after.append(before - float(np.einsum("cij,cij->", gone, metric)))
    best = int(np.argmin(after))
    count = len(wanted)
    why = "of the bars tried, it teaches most about ordinary recipes"
    if unknown or strange:
        new = ", ".join(recipes[best].doses) if unknown else pour.kinds[0]
        why = f"{new} was never measured"
    return NextBar(
        recipe=recipes[best],
        why=why,
        before=float(np.sqrt(before / count)),
        after=float(np.sqrt(max(after[best], 0.0) / count)),
    )


def _candidates(
    names: Sequence[str], unknown: Sequence[str], pour: Pour, unit: Unit
) -> list[tuple[dict[str, float], float]]:
    """Doses and white fractions."""
    step = pour.dose_step

    def dose(load: float) -> float:
        return max(round(load * pour.batch_g / 100.0 / step), 1) * step

    if unknown:
        return [({unknown[0]: dose(min(_FIRST[unit], pour.max_load))}, 0.0)]
    singles = [
        ({name: dose(load)}, white)
        for name in names
        for load in _LOADS
        if load <= pour.max_load
        for white in (0.0, _WHITE, 1.0)
    ]
    pairs = [
        ({one: dose(0.8), other: dose(0.8)}, white)
        for i, one in enumerate(names)
        for other in names[i + 1 :]
        for white in (0.0, _WHITE)
    ]
    return [*singles, *pairs, ({}, 0.0), ({}, _WHITE), ({}, 1.0)]


def _bar(recipe: Recipe, tubes: Mapping[str, Tube], view: View) -> Bar:
    reading = TestPour(recipe.doses, "next", recipe.pour, view, recipe.unit, lab=(50.0, 0.0, 0.0))
    drawn = tuple(tubes[name] for name in recipe.doses)
    return Bar(0, reading, drawn, Instrument("colorimeter", ""))


def _ordinary(
    now: Believed, unit: Unit, tubes: Mapping[str, Tube], pour: Pour, view: View
) -> tuple[FloatArray, FloatArray]:
    """Slopes of the colours of ordinary recipes by the belief, and CIEDE2000's metric there."""
    rng = np.random.default_rng(3)
    names, cases, drawn = list(tubes), [], []
    for _ in range(_ORDINARY):
        few = rng.permutation(len(names))[: rng.integers(1, 4)]
        shares = rng.dirichlet(np.ones(len(few))) * rng.uniform(0.4, 3.0)
        white = float(rng.choice([0.0, 0.0, 0.1, 0.3, 1.0]))
        made = pour.model_copy(update={"batch_g": 100.0, "white": white})
        cases.append(({names[i]: float(s) for i, s in zip(few, shares, strict=True)}, made, view))
        drawn.append([names[i] for i in few])
    layout = now.layout
    theta = now.mean[: layout.spectra].reshape(-1, 36).copy()
    layers = layers_of(cases, layout.unknowns, layout.pastes, ERRORS[unit])
    seen = look(theta, layout.unknowns, layout.pastes, layers, ERRORS[unit])
    eye = view.observation
    slopes, metric = np.zeros((_ORDINARY, 3, layout.size)), []
    for i, (spectrum, by_unknown) in enumerate(zip(seen.spectrum, seen.by_unknown, strict=True)):
        lab, by = to_lab(np.maximum(spectrum, 1e-6), eye.weights, eye.white)
        slopes[i, :, : layout.spectra] = (by[:, None, :] * by_unknown[None]).reshape(3, -1)
        for name in drawn[i]:
            together = sum((by_unknown[k] for k in layout.of_paste[name]), np.zeros(36))
            slopes[i, :, layout.at_tube(tubes[name])] = by @ together
        metric.append(squared_difference(lab, lab)[2])
    return slopes, np.array(metric)
