"""How small a batch may be: the closest recipe in whole dose steps for every mass of a grid.

Colour depends on load, and whole steps in more base make a finer grid of loads, so the closest
recipe tends to come closer as the batch grows, but not steadily, since the grid shifts with the
mass. So the smallest mass that comes within a CIEDE2000 may be less than the mass from which on
every batch does.

At one thickness and base the permitted loads are the same for every mass, so the best real-valued
loads give a floor for all masses at once (proved by `search.real`). If that floor is above the
CIEDE2000 asked for, nothing has to be searched.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass, field
from typing import Final

from shadematch.errors import PourError
from shadematch.matching.match import Match, match
from shadematch.matching.question import CLOSEST, Asked
from shadematch.matching.remedies import Judged, finer_doses
from shadematch.predicting.prediction import conditions, model_of
from shadematch.predicting.spread import Spread
from shadematch.search.ideal import ideal
from shadematch.search.real import real_floor
from shadematch.search.space import whole_space
from shadematch.studio.bars import LOSS, checked_loss, to_melt_g, whole_bars
from shadematch.studio.palette import Palette
from shadematch.studio.pour import LARGEST_BATCH_G, Pour
from shadematch.studio.recipe import Recipe
from shadematch.studio.target import HoldsTarget, Target, as_target
from shadematch.studio.view import View
from shadematch.support.charts import Curve, curves
from shadematch.support.models import check_most, is_finite
from shadematch.support.report import Report, Reported, Row, Swatch, Table, rows_of

__all__ = ["BatchPoint", "SmallestBatch", "positive", "smallest_batch"]

_MOST_MASSES: Final = 2000
_FINE: Final = 10_000
"""Steps of the real-valued optimum, in the load limit."""


@dataclass(frozen=True)
class BatchPoint:
    """The closest recipe for one mass.

    Attributes
    ----------
    mass_g
        Mass of base [g].
    recipe, delta_e
        The recipe with the smallest CIEDE2000, and that CIEDE2000.
    bound, proved
        No permitted recipe has a smaller CIEDE2000 than `bound`; `proved` if the two are within
        0.01.
    """

    mass_g: float
    recipe: Recipe
    delta_e: float
    bound: float
    proved: bool


@dataclass(frozen=True)
class SmallestBatch(Reported):
    """The smallest batch that comes close enough.

    Attributes
    ----------
    target, within
        The colour, and the CIEDE2000 asked for.
    bar_g, loss
        Mass of one bar [g] if batches are whole bars, and the fraction that stays in the pot.
    mass_g
        The smallest mass of the grid with a recipe that close [g]; None if there is none.
    always_from_g
        The mass from which on every mass of the grid has one [g]; None if the largest has none.
    curve
        The closest recipe for each mass tried; empty if `floor` is above `within`.
    ideal_delta_e, floor
        CIEDE2000 of the best real-valued recipe found, and a proven floor for all masses (0 if
        not needed, or if a pigment scatters).
    largest_g
        The largest mass of the grid [g].
    match
        The match in a batch of `mass_g`, or, if that is None, in the mass that comes closest;
        None if nothing was tried.
    """

    target: Target
    within: float
    bar_g: float | None
    loss: float
    mass_g: float | None
    always_from_g: float | None
    curve: tuple[BatchPoint, ...] = field(repr=False)
    ideal_delta_e: float
    floor: float
    largest_g: float
    match: Match | None = field(repr=False)

    @property
    def bars(self) -> int | None:
        """`mass_g` in bars; None if batches are not counted in bars, or `mass_g` is None."""
        if self.bar_g is None or self.mass_g is None:
            return None
        return whole_bars(self.mass_g, self.bar_g, self.loss)

    @property
    def recipe(self) -> Recipe | None:
        """The closest recipe in a batch of `mass_g`."""
        if self.match is None or self.mass_g is None:
            return None
        return self.match.closest.recipe

    @functools.cached_property
    def spread(self) -> Spread | None:
        """How far `recipe` may be from the target; None without a recipe."""
        return None if self.match is None else self.match.spread_of(self.match.closest.recipe)

    @property
    def nearest(self) -> BatchPoint | None:
        """The mass that comes closest; None if nothing was tried."""
        return min(self.curve, key=lambda point: point.delta_e, default=None)

    @property
    def proved(self) -> bool:
        """Whether it is proved that no smaller mass of the grid has a recipe that close."""
        if self.mass_g is None:
            return self.floor > self.within or all(p.bound > self.within for p in self.curve)
        return all(p.bound > self.within for p in self.curve if p.mass_g < self.mass_g)

    @property
    def sentence(self) -> str:
        """The answer in words."""
        asked = f"within CIEDE2000 {self.within:g}"
        if self.mass_g is None:
            if not self.curve:
                return (
                    f"No batch of any mass comes {asked}: the palette's pastes, at this thickness "
                    f"and load limit, stay {self.floor:.2f} away."
                )
            return (
                f"No batch up to {self.largest_g:g} g comes {asked}; with free doses: "
                f"{self.ideal_delta_e:.2f}."
            )
        size = f"{self.mass_g:g} g"
        if self.bars is not None:
            size = f"{self.bars} bar{'s' if self.bars > 1 else ''} ({size})"
        first = f"The smallest batch that comes {asked} is {size}."
        if self.always_from_g is None:
            return f"{first} The largest tried, {self.largest_g:g} g, does not."
        if self.always_from_g == self.mass_g:
            return f"{first} So does every larger one tried, up to {self.largest_g:g} g."
        if self.always_from_g == self.largest_g:
            return f"{first} So does the largest tried, {self.largest_g:g} g, but not all between."
        return f"{first} From {self.always_from_g:g} g on, up to {self.largest_g:g} g, all do."

    def report(self) -> Report:
        """The answer, its recipe, and CIEDE2000 by mass."""
        swatches = [Swatch.of(self.target, "wanted")]
        rows = [Row("target", str(self.target)), Row("answer", self.sentence)]
        if self.match is not None:
            best = self.match.closest
            swatches.append(Swatch.of(best.predicted, f"{best.recipe.pour.batch_g:g} g"))
            if self.mass_g is None:
                rows.append(Row("best found", f"in {best.recipe.pour.batch_g:g} g"))
            rows += [*best.recipe.rows, Row("CIEDE2000", f"{best.delta_e:.2f}", note=CLOSEST)]
            assert self.spread is not None
            rows += self.spread.within_rows
            if self.mass_g is None:
                found = self.match
                judged = Judged(found._question, found.target, found.readings, best, 0.0)
                rows += rows_of("try", finer_doses(judged, found.ideal))
        rows.append(Row("CIEDE2000", f"{self.ideal_delta_e:.2f} with free doses"))
        if not self.proved:
            rows.append(Row("proof", "a search stopped early: a smaller batch may do"))
        elif self.mass_g is not None:
            rows.append(Row("proof", "no smaller batch of the grid has a recipe that close"))
        return Report(swatches=tuple(swatches), pictures=self._pictures(), rows=tuple(rows))

    def listed(self) -> Report:
        """The closest recipe for every mass tried, as a table."""
        points = tuple((f"{p.mass_g:g} g", f"{p.delta_e:.2f}", str(p.recipe)) for p in self.curve)
        heads = ("base", "CIEDE2000", "closest recipe")
        return Report(tables=(Table(heads, points, frozenset({0, 1})),))

    def _pictures(self) -> tuple[str, ...]:
        """A chart of CIEDE2000 by mass, up to four times that asked for, if several were tried."""
        if len(self.curve) < 2:
            return ()
        drawn = curves(
            [p.mass_g for p in self.curve],
            [
                Curve("closest", [p.delta_e for p in self.curve]),
                Curve("asked for", [self.within] * len(self.curve)),
            ],
            across_name="mass of base [g]",
            up_name="CIEDE2000 of the closest recipe",
            most=4.0 * self.within,
        )
        return (drawn,)


def smallest_batch(
    target: HoldsTarget | str,
    *,
    palette: Palette | None = None,
    pour: Pour | None = None,
    view: View | None = None,
    within: float = 1.0,
    step_g: float = 10.0,
    largest_g: float = 1000.0,
    bar_g: float | None = None,
    loss: float = LOSS,
    max_pigments: int | None = None,
) -> SmallestBatch:
    """The smallest batch whose recipe in whole dose steps comes within a CIEDE2000.

    Every mass of a grid is searched; the answer is exact for the grid.

    Parameters
    ----------
    target
        A `Target`, or a hex code.
    palette, pour, view
        By default the demo palette, 1 cm of clear base, D65 on white paper. The pour's mass is
        ignored.
    within
        The CIEDE2000 to reach.
    step_g, largest_g
        The masses tried [g]: multiples of `step_g` up to `largest_g` that take at least one dose
        step of paste under the load limit.
    bar_g
        Mass of one bar [g]; each mass then gives one more bar, and `step_g` is ignored.
    loss
        Fraction of the base that stays in the pot, 0 to below 1, if bars are counted; 0.03 is
        common practice, no source.
    max_pigments
        Most pigments in a recipe.

    Returns
    -------
    SmallestBatch

    Raises
    ------
    ColourError
        If the target is not a colour.
    PourError
        If a number is out of range, or the grid has no mass or more than 2000.
    """
    goal = as_target(target)
    palette, pour, view = conditions(palette, pour, view)
    step = positive(step_g, "step_g") if bar_g is None else positive(bar_g, "bar_g")
    largest, wanted = positive(largest_g, "largest_g"), positive(within, "within")
    check_most(max_pigments)
    share = checked_loss(loss) if bar_g is not None else None
    masses = _grid(palette, pour, step, largest, share)
    lab = goal.lab_in(view)
    model = model_of(palette, pour, view)
    fine = whole_space(
        model,
        load_per_step=pour.max_load / _FINE,
        max_steps=_FINE,
        max_tubes=max_pigments,
    )
    ideal_steps, ideal_value = ideal(fine, lab)
    floor = 0.0
    if ideal_value > wanted and not model.scattering_pigments:
        floor = real_floor(fine, lab, reached=ideal_value)
    points: list[BatchPoint] = []
    if floor <= wanted:
        loads = ideal_steps * (pour.max_load / _FINE)
        for mass in masses:
            there = pour.model_copy(update={"batch_g": mass})
            asked = Asked(palette, there, view, max_pigments)
            found = asked.new_searcher().closest(lab, hint=loads / there.load_per_step)
            recipe = asked.chosen(found).recipe
            bound = max(found.bound, floor)
            points.append(BatchPoint(mass, recipe, found.delta_e, bound, found.proved))
    good = [p.mass_g for p in points if p.delta_e <= wanted]
    always = None
    for point in reversed(points):
        if point.delta_e > wanted:
            break
        always = point.mass_g
    answer = None
    if points:
        best = good[0] if good else min(points, key=lambda p: p.delta_e).mass_g
        answer = match(
            goal,
            palette=palette,
            pour=pour.model_copy(update={"batch_g": best}),
            view=view,
            max_pigments=max_pigments,
        )
    return SmallestBatch(
        target=goal,
        within=wanted,
        bar_g=None if bar_g is None else step,
        loss=0.0 if share is None else share,
        mass_g=good[0] if good else None,
        always_from_g=always,
        curve=tuple(points),
        ideal_delta_e=ideal_value,
        floor=floor,
        largest_g=masses[-1],
        match=answer,
    )


def positive(value: float, name: str) -> float:
    """A finite number above 0.

    Raises
    ------
    PourError
        Naming the field.
    """
    if not is_finite(value) or value <= 0:
        raise PourError(
            "must be finite and above 0", field=name, value=value, remedy="Give a number above 0"
        )
    return float(value)


def _grid(
    palette: Palette, pour: Pour, step: float, largest: float, loss: float | None
) -> list[float]:
    """The masses to try [g], rising: multiples of a step or, with a loss, of a bar."""
    name = "step_g" if loss is None else "bar_g"
    for field_, value in (("largest_g", largest), (name, step)):
        if value > LARGEST_BATCH_G:
            problem = f"must be at most {LARGEST_BATCH_G:,} g"
            raise PourError(problem, field=field_, value=value, remedy="Give less")
    count = math.floor(largest / step * (1 + 1e-12))
    if count > _MOST_MASSES:
        raise PourError(
            f"makes more than {_MOST_MASSES} masses",
            field=name,
            value=step,
            remedy=f"Give at least {largest / _MOST_MASSES:g}, or a smaller largest_g",
        )
    masses = [round(step * k, 9) for k in range(1, count + 1)]
    if loss is not None:
        masses = [m for each in masses if (m := to_melt_g(each, loss)) <= largest]
    needed = pour.dose_step * 100.0 / pour.max_load
    masses = [
        m for m in masses if m >= 0.1 and pour.model_copy(update={"batch_g": m}).max_steps >= 1
    ]
    if not masses:
        raise PourError(
            f"no mass up to this takes {pour.dose_step:g} {palette.unit} of paste "
            "under the load limit",
            field="largest_g",
            value=largest,
            remedy="Allow a higher load or a smaller dose step"
            if needed > LARGEST_BATCH_G
            else f"Give at least {max(needed, step):g}",
        )
    return masses
