"""What to add to a batch that came out off."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, cast, get_args

import numpy as np

from shadematch.colour.difference import delta_e
from shadematch.correction.addition import addition_of
from shadematch.correction.additions import Additions, BaseKind, Sought
from shadematch.correction.belief import BatchBelief, Priors, first_belief
from shadematch.correction.results import Correction
from shadematch.errors import ColourError, PourError
from shadematch.predicting.prediction import conditions, recipe_of
from shadematch.predicting.readings import (
    SCALE_G,
    Dosed,
    checked_made,
    checked_readings,
    paste_made,
    taken,
)
from shadematch.studio.covariance import checked_covariance
from shadematch.studio.palette import Palette
from shadematch.studio.pour import LARGEST_BATCH_G, Pour
from shadematch.studio.recipe import LetDown, Recipe
from shadematch.studio.target import HoldsTarget, Target, as_target
from shadematch.studio.view import View
from shadematch.support.arrays import FloatArray, triple
from shadematch.support.models import between, listed

__all__ = ["MeasuredBatch", "MostAdded", "after", "begun", "correct", "judged"]

_MODEL_LAB: Final = 0.5
_IN_RANGE: Final = "Give a number in this range"
_WITHIN: Final = ("within", 1e-6, 100.0, _IN_RANGE)
_ANEW: Final = "Leave it out, or start from a Recipe"


def correct(
    recipe: Recipe | Mapping[str, float] | Correction,
    measured: Target | Sequence[float] | str,
    target: HoldsTarget | str,
    *,
    palette: Palette | None = None,
    pour: Pour | None = None,
    view: View | None = None,
    within: float = 1.0,
    max_load: float | None = None,
    pot_g: float | None = None,
    bases: Sequence[BaseKind] | None = None,
    base_step_g: float | None = None,
    must_avoid: Sequence[str] = (),
    strength_spread: float = 0.10,
    white_spread: float = 0.10,
    dose_slip: float | None = None,
    scale_g: float = SCALE_G,
    let_down_paste: Mapping[str, float] | None = None,
    measured_spread: float = 0.3,
    model_spread: float | None = None,
) -> Correction:
    """What to add to a batch that came out off.

    First the true contents of the batch are estimated (MAP) from the measured colour and the
    prior: strengths of pastes, let-downs and white base, doses and masses, and the model error.
    Then the smallest addition that comes near enough is searched for, with proof. Nothing is ever
    taken out.

    Parameters
    ----------
    recipe
        What was poured, as a `Recipe` or as doses into `pour`; or the last `Correction` of this
        batch, after its `advice` was followed (or `Correction.added` said what was added
        instead): what was learned, and the spreads given at first, are then kept.
    measured
        The measured colour, as a `Target`, CIELAB in the view, or a hex code. A target's own
        covariance is used.
    target
        The wanted colour.
    palette, view
        By default the demo palette, and D65 on white paper; the thickness is the recipe's. With
        a `Correction`, its own.
    pour
        The pour of doses. Not with a `Recipe` or a `Correction`.
    within
        How near is near enough, in CIEDE2000, up to 100.
    max_load
        Load limit [palette's unit per 100 g]; by default the recipe's.
    pot_g
        Most base that the pot holds [g]; by default half as much again as the batch.
        Later corrections of a batch keep the first one's limits unless others are given.
    bases
        Which base may be added, one kind at a time: ``"clear"``, ``"white"``, or ``"own"`` for
        the batch's own blend. By default the batch's kind if it is all clear or all white, so
        that clear soap stays clear, else any. If the batch is in one of the palette's further
        bases, ``"clear"`` means that base: no other is added.
    base_step_g
        Base is added in multiples of this [g]; by default a fiftieth of the batch in whole
        tens of grams, at least 10.
    must_avoid
        Pastes that may not be added.
    strength_spread, white_spread
        How much pastes and white base at least differ from the palette, as the standard
        deviation of the logarithm, 0 to 1 (0.1 is about 10 %). A palette that says how well it is
        known (`Palette.uncertainty`) counts as it says, but for its backings; this is then for
        tubes that differ more.
    dose_slip, scale_g
        How far a reading may be off, either way; see `shadematch.spread`.
    let_down_paste
        For a recipe with let-downs: paste that each was made with [palette's unit], by pigment,
        as for `shadematch.spread`.
    measured_spread
        Standard deviation of a measured L*, a* and b*, 0.001 to 20, if the target has no
        covariance.
    model_spread
        Standard deviation of the model error in each of L*, a*, b*, 0 to 20; by default 0.5, or
        what the palette says, if that is more.

    Returns
    -------
    Correction

    Raises
    ------
    PourError
        If a number is out of range, or the recipe is in another unit than the palette.
    UnknownNameError
        If the palette lacks a paste of the recipe.
    ColourError
        If an argument is not a colour.
    """
    between(measured_spread, "measured_spread", 1e-3, 20.0, _IN_RANGE)
    between(within, *_WITHIN)
    if isinstance(recipe, Correction):
        for name, given in (("palette", palette), ("view", view)):
            own = getattr(recipe._belief, name)
            if given is not None and (type(given) is not type(own) or given != own):
                problem = "is not the one of the last correction"
                raise PourError(problem, field=name, value=given, remedy=_ANEW)
        for name, known in (("pour", pour), ("let_down_paste", let_down_paste)):
            if known is not None:
                problem = "is known since the batch's first correction"
                raise PourError(problem, field=name, value=known, remedy=_ANEW)
        poured, belief = after(recipe)
        last = recipe._additions
        max_load = last.max_load if max_load is None else max_load
        pot_g = last.pot_g if pot_g is None else pot_g
        bases = last.bases if bases is None else bases
        base_step_g = last.base_step_g if base_step_g is None else base_step_g
    else:
        palette, _, view = conditions(palette, pour, view)
        poured = recipe_of(recipe, palette, pour, "recipe")
        pour, unit = poured.pour, palette.unit
        ruler, scale = checked_readings(dose_slip, scale_g, pour.batch_g, unit)
        made = checked_made(let_down_paste, [part.let_down for part in poured.weighed], scale, unit)
        if model_spread is None:
            told = palette.uncertainty
            model_spread = max(_MODEL_LAB, 0.0 if told is None else min(told.model_lab, 20.0))
        priors = Priors(strength_spread, white_spread, ruler, scale, model_spread)
        belief = begun(poured, palette, view, priors, lambda d: made.get(d.pigment))
    seen, goal = _colour(measured, belief.view), as_target(target)
    pour = poured.pour
    limits = MostAdded(
        pour.max_load if max_load is None else max_load,
        min(1.5 * pour.batch_g, LARGEST_BATCH_G) if pot_g is None else pot_g,
        _usual_bases(pour) if bases is None else bases,
        max(10.0, 10.0 * round(pour.batch_g / 500.0)) if base_step_g is None else base_step_g,
        must_avoid,
    )
    return judged(
        MeasuredBatch(seen, goal, _covariance(seen, measured_spread), float(within)),
        limits,
        poured,
        belief,
        recipe if isinstance(recipe, Correction) else None,
    )


@dataclass(frozen=True, eq=False)
class MeasuredBatch:
    """The measured colour and its covariance, the target, and how near is near enough.

    Raises
    ------
    PourError, ColourError
        If `within` is out of range, or the covariance is not valid.
    """

    measured: Target
    target: Target
    covariance: FloatArray
    within: float

    def __post_init__(self) -> None:
        between(self.within, *_WITHIN)
        covariance = np.array(checked_covariance(self.covariance))
        if np.linalg.eigvalsh(covariance)[0] <= 0:
            problem, remedy = "must be positive definite", "No measurement is without error"
            raise ColourError(problem, field="covariance", value=self.covariance, remedy=remedy)
        object.__setattr__(self, "covariance", covariance)


@dataclass(frozen=True)
class MostAdded:
    """The limits on additions; see `correct`.

    Raises
    ------
    PourError
        If one is out of range or of the wrong kind.
    """

    max_load: float
    pot_g: float
    bases: Sequence[BaseKind]
    base_step_g: float
    must_avoid: Sequence[str]

    def __post_init__(self) -> None:
        for name, least, most in (
            ("max_load", 1e-6, 1000.0),
            ("pot_g", 0.0, LARGEST_BATCH_G),
            ("base_step_g", 0.001, LARGEST_BATCH_G),
        ):
            value = between(getattr(self, name), name, least, most, _IN_RANGE)
            object.__setattr__(self, name, value)
        for name, remedy in (
            ("bases", "Give a list of 'clear', 'white', 'own'"),
            ("must_avoid", "Give a list of pigment names"),
        ):
            given = getattr(self, name)
            names = (given,) if isinstance(given, str) else listed(given, name, remedy)
            object.__setattr__(self, name, tuple(names))
        for kind in self.bases:
            if kind not in get_args(BaseKind):
                remedy = "Give 'clear', 'white' or 'own'"
                raise PourError("is not a base", field="bases", value=kind, remedy=remedy)


def begun(
    recipe: Recipe,
    palette: Palette,
    view: View,
    priors: Priors,
    made: Callable[[LetDown], float | None],
) -> BatchBelief:
    """The belief about a recipe that was poured, before it is measured.

    `made` gives the paste that a let-down was made with [palette's unit], or None if unknown.
    """
    held, step = taken(recipe, palette), recipe.pour.dose_step
    let_downs = tuple(
        Dosed(d, made(d) or paste_made(d, mass, step, priors.scale_g), mass)
        for d, mass in zip(held.let_downs, held.masses_g, strict=True)
    )
    return first_belief(
        palette=palette,
        view=view,
        thickness_cm=recipe.pour.thickness_cm,
        doses=held.from_tubes,
        base_g=held.base_g,
        priors=priors,
        let_downs=let_downs,
        base=recipe.pour.base,
    )


def after(last: Correction) -> tuple[Recipe, BatchBelief]:
    """The contents of the pot and the belief about it, after the addition."""
    made = last.taken
    held = np.array([made.doses.get(n, 0.0) for n in last._belief.palette.names])
    return made.recipe, last._belief.after(held, np.array([made.clear_g, made.white_g]))


def judged(
    asked: MeasuredBatch,
    limits: MostAdded,
    poured: Recipe,
    belief: BatchBelief,
    before: Correction | None,
    known: Sought | None = None,
) -> Correction:
    """One round: learn from the measurement, then find the smallest addition.

    `belief` is that before the measurement, `before` the last round, and `known` what the search
    found, if it was searched already.
    """
    if limits.pot_g < poured.pour.batch_g:
        raise PourError(
            "is smaller than the batch",
            field="pot_g",
            value=limits.pot_g,
            remedy=f"The batch weighs {poured.pour.batch_g:g} g: correct a part of it, or use a "
            "larger pot",
        )
    lab, aim = asked.measured.lab_in(belief.view), asked.target.lab_in(belief.view)
    believed, surprise = belief.learn(lab, asked.covariance + belief.bench)
    additions = Additions(
        believed,
        aim,
        step=poured.pour.dose_step,
        max_load=limits.max_load,
        pot_g=limits.pot_g,
        bases=tuple(limits.bases),
        base_step_g=limits.base_step_g,
        excluded=tuple(sorted({belief.palette.index(name) for name in limits.must_avoid})),
    )
    now, now_delta_e = additions.value(np.zeros(believed.count, np.intp), (0.0, 0.0))
    sought = additions.smallest(asked.within) if known is None else known
    return Correction(
        recipe=poured,
        measured=asked.measured,
        target=asked.target,
        within=asked.within,
        measured_delta_e=float(delta_e(lab, aim)),
        believed_lab=triple(now),
        believed_delta_e=now_delta_e,
        smallest=None
        if sought.steps is None
        else addition_of(additions, poured, sought, asked.target),
        proved=sought.proved,
        surprise=surprise,
        _belief=believed,
        _additions=additions,
        _before=before,
        _covariance=asked.covariance,
    )


def _colour(measured: Target | Sequence[float] | str, view: View) -> Target:
    if not isinstance(measured, str | bytes) and isinstance(measured, Sequence | np.ndarray):
        lab = cast(Sequence[float], measured)
        return Target.from_lab(lab, illuminant=view.illuminant, observer=view.observer)
    try:
        return as_target(measured)
    except ColourError as found:
        if found.field != "target":
            raise
    raise ColourError(
        "is neither a Target, nor Lab, nor a hex colour",
        field="measured",
        value=measured,
        remedy="Give three numbers L*, a*, b*, or Target.from_reflectance(...)",
    )


def _covariance(measured: Target, spread_: float) -> FloatArray:
    if measured.covariance is None:
        return np.eye(3) * spread_**2
    # A floor keeps it invertible.
    return np.array(measured.covariance) + 1e-6 * np.eye(3)


def _usual_bases(pour: Pour) -> tuple[BaseKind, ...]:
    """The batch's own kind if it is all clear or all white, else any."""
    if pour.white in (0, 1):
        return ("white",) if pour.white else ("clear",)
    kinds: tuple[BaseKind, ...] = get_args(BaseKind)
    return kinds
