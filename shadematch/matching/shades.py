"""A few shades from one pot, for the customer to choose from.

If the target or the pastes are not well known, the nearest of several shades is nearer than one.
Each is made from the one before by adding whole dose steps to the pot, after a dab has been taken
out, so one melt gives all of them. Paste can only be added, so the order matters, and as dabs are
taken out, later additions count for more.

The shades minimise the expected CIEDE2000 of the nearest, over the uncertainty of the target and
of the recipes; errors of pastes are common to all shades (`shadematch.matching.chains`).
"""

from __future__ import annotations

import functools
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Final

import numpy as np

from shadematch.colour.difference import delta_e
from shadematch.colour.expected import nine_in_ten
from shadematch.errors import PourError
from shadematch.matching.chains import Pot
from shadematch.matching.question import Choice, Question
from shadematch.matching.robust import uncertainty_of
from shadematch.predicting.prediction import Prediction, loads_of, predict_loads
from shadematch.predicting.readings import Readings
from shadematch.studio.palette import Palette
from shadematch.studio.recipe import Recipe
from shadematch.studio.target import Target
from shadematch.studio.view import View
from shadematch.support.arrays import FloatArray, IntArray
from shadematch.support.models import between, whole
from shadematch.support.report import Report, Reported, Row, Swatch

__all__ = ["Dab", "Shades", "shades_of"]

_FEWEST: Final = 2
_MOST: Final = 6
_POINTS: Final = 1024
_SELDOM: Final = 0.02
"""Probability of being the nearest below which a shade is not worth pouring."""
_GAIN: Final = 0.9
"""Fraction of one recipe's expected CIEDE2000 from which on several shades are no better."""


@dataclass(frozen=True)
class Dab:
    """One of several shades from one pot.

    Attributes
    ----------
    added
        Paste added to the pot for it [palette's unit]; read-only.
    recipe
        What the pot then holds: the base left, and doses in proportion. For a batch of this
        shade, match its colour.
    delta_e
        Nominal CIEDE2000 to the target's best estimate.
    share
        Probability that it is the nearest of the shades.
    """

    added: Mapping[str, float] = field(hash=False)
    recipe: Recipe
    delta_e: float
    share: float
    _palette: Palette = field(repr=False, compare=False)
    _view: View = field(repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "added", MappingProxyType(dict(self.added)))

    def __reduce__(self) -> tuple[object, ...]:
        # A mapping proxy can't be pickled.
        values = {name: getattr(self, name) for name in self.__dataclass_fields__}
        return functools.partial(Dab, **{**values, "added": dict(self.added)}), ()

    @functools.cached_property
    def predicted(self) -> Prediction:
        """The colour it will have."""
        loads = loads_of(self.recipe.doses, self._palette, self.recipe.pour)
        return predict_loads(loads, self.recipe, self._palette, self._view)

    @property
    def target(self) -> Target:
        """Its colour as a target, for `match`."""
        view = self._view
        return Target(self.predicted.lab, view.illuminant, view.observer, "a shade that was chosen")

    def __str__(self) -> str:
        """What goes into the pot."""
        parts = [f"{dose:g} {self.recipe.unit} {name}" for name, dose in self.added.items()]
        return ", ".join(parts) or "nothing"


@dataclass(frozen=True)
class Shades(Reported):
    """A few shades from one pot, the first one first.

    Attributes
    ----------
    target
        The wanted colour.
    each
        The shades, in pouring order.
    dab_g
        Taken out of the pot after each but the last [g].
    expected, p90
        Expected CIEDE2000 of the nearest shade to the wanted colour, and what it stays within
        nine times in ten. Linear (`shadematch.predicting.uncertainty`).
    alone_expected, alone_p90
        The same for the match's recipe alone.
    """

    target: Target
    each: tuple[Dab, ...]
    dab_g: float
    expected: float
    p90: float
    alone_expected: float
    alone_p90: float

    def __len__(self) -> int:
        return len(self.each)

    def __iter__(self) -> Iterator[Dab]:
        return iter(self.each)

    def __getitem__(self, at: int) -> Dab:
        return self.each[at]

    @property
    def sentence(self) -> str:
        """What several shades gain over one, in words."""
        one = max(shade.share for shade in self.each) > 1.0 - _SELDOM
        alone = one or self.expected >= _GAIN * self.alone_expected
        more = " One recipe does as well." if alone else ""
        return (
            f"Expected of the nearest of {len(self)}: {self.expected:.1f}, nine times in ten "
            f"within {self.p90:.1f}; of one recipe: {self.alone_expected:.1f}, within "
            f"{self.alone_p90:.1f}.{more}"
        )

    @property
    def steps(self) -> tuple[str, ...]:
        """What to do, step by step."""
        found = []
        for at, shade in enumerate(self.each):
            pot, mass = shade.recipe.pour, f"{shade.recipe.pour.batch_g:g} g"
            where = f"the {mass} left" if at else f"{mass} of {pot.blend}"
            end = f"take out {self.dab_g:g} g and let it set {pot.thickness_cm:g} cm thick"
            if at == len(self.each) - 1:
                end = "pour the rest"
            found.append(f"{shade} into {where}; stir, {end}")
        return tuple(found)

    def report(self) -> Report:
        """What to do, and the shades it gives."""
        rows = []
        for at, (shade, text) in enumerate(zip(self.each, self.steps, strict=True), start=1):
            note = f"CIEDE2000 {shade.delta_e:.1f}, the nearest {shade.share:.0%} of the time"
            rows.append(Row(f"shade {at}", text, swatch=Swatch.of(shade.predicted), note=note))
        rows.append(Row("all", self.sentence))
        named = [Swatch.of(s.predicted, f"shade {at}") for at, s in enumerate(self.each, start=1)]
        return Report(swatches=(Swatch.of(self.target, "wanted"), *named), rows=tuple(rows))


def shades_of(
    question: Question,
    target: Target,
    readings: Readings,
    *,
    choice: Choice,
    count: int,
    dab_g: float,
) -> Shades:
    """A few shades from one pot; see `Match.shades`.

    Raises
    ------
    PourError
        If a number is out of range, or the dabs take more than half of the batch.
    """
    pour = question.asked.pour
    count = whole(count, "count", _FEWEST, _MOST, "Three is a good number to choose from")
    dab = between(dab_g, "dab_g", 0.1, pour.batch_g, "Say how much is taken out, in g")
    if dab * (count - 1) > 0.5 * pour.batch_g:
        raise PourError(
            "takes out more than half of the batch",
            field="dab_g",
            value=dab,
            remedy=f"Take at most {0.5 * pour.batch_g / (count - 1):.3g} g, or melt more",
        )
    doubt = np.zeros((3, 3)) if target.covariance is None else np.array(target.covariance)
    alone = question.asked.steps_of(choice.recipe)
    pot = Pot(question, doubt, uncertainty_of(question.asked, readings), alone, dab)
    return _found(pot, target, count)


def _found(pot: Pot, target: Target, count: int) -> Shades:
    """The best shades found; fewer if some would hardly ever be the nearest."""
    pour = pot.question.asked.pour
    chain = pot.best(count)
    if chain is None and count == _FEWEST:
        problem, remedy = "no paste can be added under the load limit", "Allow a higher load"
        raise PourError(problem, field="max_load", value=pour.max_load, remedy=remedy)
    if chain is None:
        return _found(pot, target, count - 1)
    value, shares = _shared(pot, chain)
    worth = max(int((shares >= _SELDOM).sum()), _FEWEST)
    if worth < count:
        return _found(pot, target, worth)
    if shares.min() < _SELDOM:  # a step on the way, which no customer would want
        near = pot.best(count, all_near=True)
        assert near is not None  # as for `chain`
        chain = near
        value, shares = _shared(pot, chain)
    alone = pot.differences_alone(_POINTS)
    return Shades(
        target=target,
        each=tuple(_dab(pot, chain, at, float(share)) for at, share in enumerate(shares)),
        dab_g=pot.dab_g,
        expected=float(value.mean()),
        p90=float(nine_in_ten(value)),
        alone_expected=float(alone.mean()),
        alone_p90=float(nine_in_ten(alone)),
    )


def _shared(pot: Pot, chain: IntArray) -> tuple[FloatArray, FloatArray]:
    """CIEDE2000 of the nearest shade at random points, and how often each is the nearest."""
    values = pot.differences(chain[None], _POINTS)[0]
    nearest = np.argmin(values, axis=0)
    return values.min(axis=0), np.bincount(nearest, minlength=len(chain)) / nearest.size


def _dab(pot: Pot, chain: IntArray, at: int, share: float) -> Dab:
    asked, pour = pot.question.asked, pot.question.asked.pour
    left = round(pour.batch_g - at * pot.dab_g, 6)
    doses = pot.steps(chain)[at] * pour.dose_step * (left / pour.batch_g)
    added, names = chain[at] * pour.dose_step, asked.palette.names
    recipe = Recipe(
        {n: round(float(d), 9) for n, d in zip(names, doses, strict=True) if d > 1e-9},
        pour.model_copy(update={"batch_g": left}),
        unit=asked.palette.unit,
    )
    dab = Dab(
        added={n: round(float(d), 9) for n, d in zip(names, added, strict=True) if d},
        recipe=recipe,
        delta_e=0.0,
        share=share,
        _palette=asked.palette,
        _view=asked.views[0],
    )
    return replace(dab, delta_e=float(delta_e(np.array(dab.predicted.lab), pot.question.labs[0])))
