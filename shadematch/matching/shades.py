"""A few shades from one pot, for the customer to choose from.

If the target or the pastes are not well known, the nearest of several shades is nearer than one.
Each is made from the one before by adding whole dose steps to the pot, after a dab has been taken
out, so one melt gives all of them. Paste can only be added, so the order matters, and as dabs are
taken out, later additions count for more.

The shades minimise the expected CIEDE2000 of the nearest, over the uncertainty of the target and
of the recipes (`shadematch.predicting.uncertainty`, linear; errors of pastes are common to all
shades). The search is among good first shades and additions of one or two pastes; nothing is
proved.
"""

from __future__ import annotations

import functools
import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Final

import numpy as np

from shadematch.colour.difference import delta_e, squared_difference
from shadematch.colour.expected import nine_in_ten, normal_points, root_of
from shadematch.errors import PourError
from shadematch.matching.question import Choice, Question
from shadematch.matching.robust import uncertainty_of
from shadematch.predicting.prediction import Prediction, loads_of, predict_loads
from shadematch.predicting.readings import Readings
from shadematch.search.space import Space
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
_REACH: Final = (-1.6, -0.9, 0.0, 0.9)
"""Standard deviations along the axes of uncertainty at which first shades are looked for."""
_NEAR: Final = 14
"""First shades at each of these places."""
_LEANER: Final = (0.85, 0.7)
_STEPS: Final = (1, 2, 3, 4, 5, 6, 8, 10, 13, 16, 20)
_BRANCHES: Final = 6
_KEPT: Final = 160
_JUDGED: Final = 32
_LOOSE: Final = 128
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
            where = f"the {mass} left" if at else f"{mass} of {pot.base}"
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
    return _Pot(question, target, readings, choice, dab).shades(count)


class _Pot:
    """The search for shades of one melt."""

    def __init__(
        self, question: Question, target: Target, readings: Readings, choice: Choice, dab_g: float
    ) -> None:
        asked = question.asked
        self.question, self.target, self.choice, self.dab_g = question, target, choice, dab_g
        self.known = uncertainty_of(asked, readings)
        self.space: Space = asked.searcher.space.undiluted
        self.lab = question.labs[0]
        self.doubt = np.zeros((3, 3)) if target.covariance is None else np.array(target.covariance)
        # For the search, the uncertainty of the pastes is added to that of the target.
        amounts = (asked.steps_of(choice.recipe) * asked.step_sizes)[None]
        own = np.array([cause not in ("dosing", "base") for cause in self.known.causes])
        columns = self.known.linear(amounts).columns[0, own, :3]
        self.root = root_of(self.doubt + columns.T @ columns + 1e-4 * np.eye(3))
        metric = squared_difference(self.lab[None], self.lab)[2][0]
        self.norm = np.linalg.cholesky(metric + 1e-9 * np.eye(3)).T
        self.aims = (self.lab + normal_points(_LOOSE, 3) @ self.root.T) @ self.norm.T

    def shades(self, count: int) -> Shades:
        """The best shades found; fewer if one would hardly ever be the nearest."""
        step, sets = self.question.asked.pour.dose_step, self._begun()[:, None]
        added = sets * 1.0
        distances = self._distances(sets[:, 0])
        for at in range(1, count):
            sets, added, distances = self._grown(sets, added, distances, at, at == count - 1)
        values = [self._judged(each) for each in sets]
        best = int(np.argmin([value.min(axis=0).mean() for value in values]))
        alone = self.question.asked.steps_of(self.choice.recipe)[: self.space.size]
        single = self._judged(alone[None])[0]
        value, nearest = values[best].min(axis=0), np.argmin(values[best], axis=0)
        shares = np.bincount(nearest, minlength=count) / nearest.size
        if count > _FEWEST and shares.min() < _SELDOM:
            return self.shades(count - 1)
        found = tuple(
            self._shade(at, steps, more * step, float(share))
            for at, (steps, more, share) in enumerate(
                zip(sets[best], added[best], shares, strict=True)
            )
        )
        return Shades(
            target=self.target,
            each=found,
            dab_g=self.dab_g,
            expected=float(value.mean()),
            p90=float(nine_in_ten(value)),
            alone_expected=float(single.mean()),
            alone_p90=float(nine_in_ten(single)),
        )

    def _begun(self) -> FloatArray:
        """First recipes to try, in steps, shape (k, n): those around the target."""
        searcher = self.question.asked.searcher
        around = self.question.asked.steps_of(self.choice.recipe)
        rows = [around[None].astype(np.intp)]
        places = {(0.0, 0.0)} | {
            (a, b) for a, b in itertools.product(_REACH, _REACH) if not a or not b
        }
        places |= {(_REACH[0], _REACH[-1]), (_REACH[0], _REACH[0])}
        for far, across in sorted(places):
            goal = self.lab + far * self.root[:, -1] + across * self.root[:, -2]
            # Start on the lighter side: adding paste only darkens.
            goal = self.lab - (goal - self.lab) if self.root[0, -1] > 0 else goal
            labs = self.question.labs + (goal - self.lab)
            steps, _, _ = searcher.within(
                labs, [self.norm] * len(labs), 30.0, most=_NEAR, around=around
            )
            rows.append(steps)
        found = np.unique(np.concatenate(rows), axis=0)
        n = self.space.size
        plain = found[(found[:, n:] == 0).all(axis=1), :n]
        # Leaner recipes too, in case the load limit leaves no room for additions.
        lean = [plain, *(np.floor(share * plain).astype(np.intp) for share in _LEANER)]
        every = self.space.limits.permitted(np.unique(np.concatenate(lean), axis=0))
        return every[every.any(axis=1)].astype(float)

    def _distances(self, steps: FloatArray) -> FloatArray:
        """Approximate distances to the points that the target may be at; shape (k, points)."""
        here = self.space.lab(steps) @ self.norm.T
        square = (here**2).sum(axis=1)[:, None] + (self.aims**2).sum(axis=1)
        return np.asarray(np.sqrt(np.maximum(square - 2.0 * here @ self.aims.T, 0.0)))

    def _grown(
        self, sets: FloatArray, added: FloatArray, distances: FloatArray, at: int, last: bool
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """The best sets with one more shade; `distances` are those of the nearest so far."""
        pour = self.question.asked.pour
        counts = pour.batch_g / (pour.batch_g - at * self.dab_g)
        kept: list[tuple[float, FloatArray, FloatArray, FloatArray]] = []
        for own, before, near in zip(sets, added, distances, strict=True):
            more = self._additions(own[-1], counts)
            if not len(more):
                continue
            both = np.minimum(self._distances(own[-1] + more * counts), near)
            score = both.mean(axis=1)
            for k in np.argsort(score, kind="stable")[:_BRANCHES]:
                steps = np.concatenate([own, (own[-1] + more[k] * counts)[None]])
                kept.append((float(score[k]), steps, np.vstack([before, more[k]]), both[k]))
        if not kept:
            problem, remedy = "no paste can be added under the load limit", "Allow a higher load"
            raise PourError(problem, field="max_load", value=pour.max_load, remedy=remedy)
        kept.sort(key=lambda each: each[0])
        best = kept[: _JUDGED if last else _KEPT]
        return (
            np.array([each[1] for each in best]),
            np.array([each[2] for each in best]),
            np.array([each[3] for each in best]),
        )

    def _additions(self, steps: FloatArray, counts: float) -> IntArray:
        """Permitted additions of whole steps of one or two pastes, shape (k, n)."""
        limits = self.space.limits
        room = limits.total - steps.sum()
        fresh = limits.max_tubes - int(np.count_nonzero(steps))
        open_ = [i for i in np.flatnonzero(limits.upper > 0) if steps[i] > 0 or fresh > 0]
        rows = _pairs(tuple(int(i) for i in open_), limits.size)
        strangers = (rows > 0) & (steps == 0)
        fits = (rows.sum(axis=1) * counts <= room + 1e-9) & (strangers.sum(axis=1) <= fresh)
        return np.asarray(rows[fits])

    def _judged(self, sets: FloatArray) -> FloatArray:
        """CIEDE2000 of shades in steps (s, n), at the same random points; shape (s, points)."""
        asked = self.question.asked
        amounts = np.zeros((len(sets), asked.step_sizes.size))
        amounts[:, : self.space.size] = sets * asked.pour.dose_step
        found = self.known.linear(amounts)
        lights, causes = len(self.question.labs), found.columns.shape[1]
        points = normal_points(_POINTS, causes + 3)
        aims = self.question.labs + (points[:, causes:] @ root_of(self.doubt).T)[:, None]
        off = (points[:, :causes] @ found.columns).reshape(len(sets), _POINTS, lights, 3)
        return np.asarray(delta_e(found.lab[:, None] + off, aims).max(axis=-1))

    def _shade(self, at: int, steps: FloatArray, added: FloatArray, share: float) -> Dab:
        asked, pour = self.question.asked, self.question.asked.pour
        left = round(pour.batch_g - at * self.dab_g, 6)
        names = asked.palette.names
        doses = steps * pour.dose_step * (left / pour.batch_g)
        recipe = Recipe(
            {n: round(float(d), 9) for n, d in zip(names, doses, strict=True) if d > 1e-9},
            pour.model_copy(update={"batch_g": left}),
            unit=asked.palette.unit,
        )
        shade = Dab(
            added={n: round(float(d), 9) for n, d in zip(names, added, strict=True) if d},
            recipe=recipe,
            delta_e=0.0,
            share=share,
            _palette=asked.palette,
            _view=asked.views[0],
        )
        off = float(delta_e(np.array(shade.predicted.lab), self.lab))
        return replace(shade, delta_e=off)


@functools.lru_cache(maxsize=8)
def _pairs(open_: Sequence[int], size: int) -> IntArray:
    """Steps of one or two kinds, shape (k, size)."""
    rows = []
    for i in open_:
        for a in _STEPS:
            row = np.zeros(size, np.intp)
            row[i] = a
            rows.append(row)
    for i, j in itertools.combinations(open_, 2):
        for a, b in itertools.product(_STEPS[:8], _STEPS[:8]):
            row = np.zeros(size, np.intp)
            row[i], row[j] = a, b
            rows.append(row)
    return np.array(rows, dtype=np.intp).reshape(-1, size)
