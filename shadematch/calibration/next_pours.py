"""The test pours that would teach most next."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from shadematch.calibration.forward import layers_of, look, to_lab
from shadematch.calibration.intervals import sources_of
from shadematch.calibration.planned import PlannedPour
from shadematch.calibration.result import Calibration
from shadematch.calibration.starter import BLEND
from shadematch.colour.difference import squared_difference
from shadematch.colour.standards import WAVELENGTHS_NM
from shadematch.errors import PourError
from shadematch.studio.pour import Pour
from shadematch.studio.recipe import Recipe
from shadematch.studio.unit import UNITS, Unit, check_unit
from shadematch.studio.view import View
from shadematch.support.arrays import FloatArray
from shadematch.support.models import check_progress, expect, listed

__all__ = ["NextPour", "next_pours"]


@dataclass(frozen=True)
class NextPour:
    """A pour that would teach something.

    Attributes
    ----------
    pour
        What to pour and measure.
    before, after
        Root mean square CIEDE2000 by which the colours asked about are uncertain, for what is
        not known of the spectra; without and with this pour and those before it.
    """

    pour: PlannedPour
    before: float
    after: float

    def __str__(self) -> str:
        """In plain words."""
        return f"{self.pour}: uncertainty {self.before:.2f} -> {self.after:.2f}"


def next_pours(
    calibration: Calibration,
    recipes: Iterable[Recipe] | None = None,
    *,
    view: View | None = None,
    count: int = 3,
    batch_g: float = 500.0,
    candidates: Sequence[PlannedPour] | None = None,
    progress: Callable[[int], None] | None = None,
) -> tuple[NextPour, ...]:
    """The test pours that would make a studio's colours surest.

    Chosen one after the other (greedily), each so that the mean squared uncertainty of the
    colours asked about becomes smallest (I-optimal design; A. C. Atkinson, A. N. Donev, R. D.
    Tobias, *Optimum Experimental Designs* (2007), ch. 10 and 12), in the metric of CIEDE2000. The
    new readings are taken to be of the kind of the old ones.

    Parameters
    ----------
    calibration
        What is known.
    recipes
        What the studio makes, in the calibration's unit; by default each pigment and each pair at
        two loads.
    view
        How the recipes are looked at.
    count
        How many pours, 1 to 20.
    batch_g
        Mass of base of a test pour [g].
    candidates
        Pours to choose from; by default blanks, single pigments and pairs in clear base, blend
        and white base.
    progress
        Called with the number of pours chosen so far.

    Raises
    ------
    PourError, UnknownNameError
        If `count` is out of range or a recipe can't be predicted.
    """
    expect(calibration, Calibration, "calibration", "Use calibrate(...)")
    if isinstance(count, bool) or not isinstance(count, int) or not 1 <= count <= 20:
        raise PourError(
            "must be a whole number from 1 to 20",
            field="count",
            value=count,
            remedy="Three is a good start",
        )
    view = View() if view is None else view
    expect(view, View, "view", "Use View(...)")
    check_progress(progress)
    if recipes is not None:
        recipes = listed(recipes, "recipes", "Give a list of Recipe(doses, pour)")
    if candidates is not None:
        candidates = listed(candidates, "candidates", "Give pours of a starter_plan(...)")
        for planned in candidates:
            expect(planned, PlannedPour, "candidates", "Give pours of a starter_plan(...)")
            if planned.unit != calibration.unit:
                raise PourError(
                    "doses are in another unit than the calibration's",
                    field="candidates",
                    value=planned.unit,
                    remedy=f"Give them in {calibration.unit}",
                )
    asked = tuple(recipes) if recipes is not None else _usual(calibration)
    if not asked:
        raise PourError("there are none", field="recipes", remedy="Give some, or leave them out")
    rows = []
    for recipe in asked:
        expect(recipe, Recipe, "recipes", "Use Recipe(doses, pour)")
        if calibration.unit in UNITS:
            check_unit(recipe.unit, calibration.unit, "recipes", of="the calibration's doses")
        # Refuses what can't be predicted.
        calibration.interval(recipe.doses, pour=recipe.pour, view=view)
        lab, _, _, slopes = sources_of(
            calibration._fit, recipe.doses, recipe.pour, calibration._met(view)
        )
        metric = squared_difference(lab, lab)[2]
        rows.append(np.linalg.cholesky(metric).T @ slopes)
    wanted = np.concatenate(rows)
    options = _candidates(calibration, batch_g) if candidates is None else tuple(candidates)
    readings = [_teaching(calibration, option) for option in options]
    covariance = calibration._fit.covariance
    chosen: list[NextPour] = []

    def uncertain(at: FloatArray) -> float:
        return float(np.sqrt(max(np.sum((wanted @ at) * wanted) / len(asked), 0.0)))

    for _ in range(min(count, len(options))):
        before = uncertain(covariance)
        half = covariance @ wanted.T
        gains = []
        for J, noise in readings:
            shared = J @ half  # (m, 3 t)
            spread = noise + J @ covariance @ J.T
            gains.append(float(np.sum(shared * np.linalg.solve(spread, shared))))
        best = int(np.argmax(gains))
        J, noise = readings[best]
        cj = covariance @ J.T
        covariance = covariance - cj @ np.linalg.solve(noise + J @ cj, cj.T)
        covariance = 0.5 * (covariance + covariance.T)
        chosen.append(NextPour(options[best], before, uncertain(covariance)))
        if progress is not None:
            progress(len(chosen))
    return tuple(chosen)


def _usual(calibration: Calibration) -> tuple[Recipe, ...]:
    names = calibration.pigments
    pours = [Pour(batch_g=100)]
    pours += [Pour(batch_g=100, white=0.2)] if calibration.white_known else []
    mixtures: list[dict[str, float]] = [{n: load} for n in names for load in (0.5, 2.0)]
    mixtures += [
        {a: load, b: load}
        for i, a in enumerate(names)
        for b in names[i + 1 :]
        for load in (0.5, 1.5)
    ]
    unit: Unit = "g" if calibration.unit == "g" else "cm"
    return tuple(Recipe(_scaled(calibration, m), p, unit=unit) for m in mixtures for p in pours)


def _scaled(calibration: Calibration, loads: Mapping[str, float]) -> dict[str, float]:
    """Loads meant in cm per 100 g, brought to loads like those that were poured."""
    if calibration.unit == "cm":
        return dict(loads)
    largest = calibration._largest_loads
    return {n: load / 3.0 * largest[n] for n, load in loads.items()}


def _candidates(calibration: Calibration, batch_g: float) -> tuple[PlannedPour, ...]:
    names, unit = calibration.pigments, calibration.unit
    shares = [0.0, BLEND, 1.0] if calibration.white_known else [0.0]
    backings = (View(), View(backing="black"))
    result = []
    for share in shares:
        pour = Pour(batch_g=batch_g, white=share)
        word = {0.0: "clear", 1.0: "white"}.get(share, "blend")
        if not calibration.films:
            result += [
                PlannedPour(
                    name=f"{word} over {v.backing}",
                    doses={},
                    pour=pour,
                    views=(v,),
                    why="blank",
                    unit=unit,
                )
                for v in backings
            ]
        mixtures: list[dict[str, float]] = [{n: x} for n in names for x in (0.5, 1.0, 2.0, 3.5)]
        mixtures += [{a: 1.5, b: 1.5} for i, a in enumerate(names) for b in names[i + 1 :]]
        for mixture in mixtures:
            loads = _scaled(calibration, mixture)
            doses = {n: float(f"{x * batch_g / 100.0:.3g}") for n, x in loads.items()}
            views = backings if set(mixture) & set(calibration.scattering) else backings[:1]
            text = " + ".join(f"{x:g} {n}" for n, x in doses.items())
            result += [
                PlannedPour(
                    name=f"{text} in {word} over {v.backing}",
                    doses=doses,
                    pour=pour,
                    views=(v,),
                    why="strength",
                    unit=unit,
                )
                for v in views
            ]
    return tuple(result)


def _teaching(calibration: Calibration, option: PlannedPour) -> tuple[FloatArray, FloatArray]:
    """Slopes of a candidate's readings by the unknowns, and the covariance of their noise."""
    found = calibration._fit
    p = found.problem
    slopes, locals_, noises = [], [], []
    spectral = p.pours[0].spectrum is not None
    for view in option.views:
        view = calibration._met(view)
        layers = layers_of([(option.doses, option.pour, view)], p.unknowns, p.pigments, p.errors)
        seen = look(found.theta, p.unknowns, p.pigments, layers, p.errors)
        if spectral:
            n = WAVELENGTHS_NM.size
            J = np.zeros((n, found.theta.shape[0], n))
            J[np.arange(n), :, np.arange(n)] = seen.by_unknown[0].T
            slopes.append(J.reshape(n, -1))
            locals_.append(seen.by_error[0].T)
            sd = np.hypot(p.noise.share * seen.spectrum[0], p.noise.floor) * p.scale[0]
            noises.append(np.diag(sd**2))
        else:
            weights, white = view.observation
            _, by = to_lab(seen.spectrum[0], weights, white)
            slopes.append((by[:, None, :] * seen.by_unknown[0][None]).reshape(3, -1))
            locals_.append(by @ seen.by_error[0].T)
            _, _, parts, _ = sources_of(found, option.doses, option.pour, view)
            noises.append(parts["reading"] + parts["model"])
    local = np.concatenate(locals_)
    size = sum(n.shape[0] for n in noises)
    noise = local @ local.T
    at = 0
    for block in noises:
        noise[at : at + len(block), at : at + len(block)] += block
        at += len(block)
    assert at == size
    return np.concatenate(slopes), noise
