"""Where a colour can be made, over thickness, white fraction and batch."""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from shadematch.colour.colorimetry import ink_on
from shadematch.errors import PourError
from shadematch.gamuts.answers import checked_within, known_rows
from shadematch.gamuts.real_doses import EXACT, RealDoses
from shadematch.gamuts.where import where_made
from shadematch.matching.question import VISIBLE, Asked, Choice
from shadematch.predicting.prediction import conditions
from shadematch.predicting.readings import usual_scale_g
from shadematch.predicting.spread import Spread, spread
from shadematch.studio.palette import Palette
from shadematch.studio.pour import Pour, base_named, percent
from shadematch.studio.target import HoldsTarget, Target, as_target
from shadematch.studio.unit import quantity_in, steps_in
from shadematch.studio.view import View
from shadematch.support.arrays import BoolArray, FloatArray
from shadematch.support.charts import Tile, tiles
from shadematch.support.models import expect, is_finite, whole
from shadematch.support.report import Apart, Report, Reported, Row, Swatch, Table

__all__ = ["Cell", "Comparison", "Feasibility", "feasibility"]

_THICKNESSES_CM: Final = (0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0)
_WHITES: Final = (0.0, 0.02, 0.05, 0.1, 0.2, 0.5, 1.0)
_MOST_CELLS: Final = 2000
_STARTS: Final = 8
_EFFORT: Final = 6_000


@dataclass(frozen=True)
class Cell:
    """One thickness, white fraction and batch.

    Attributes
    ----------
    closest
        The closest recipe in whole dose steps.
    ideal
        The closest with real-valued doses (found from several starts, not proved).
    proved
        Whether `closest` is proved to be the closest.
    """

    closest: Choice
    ideal: Choice
    proved: bool
    _target: Target = field(repr=False, compare=False)

    @functools.cached_property
    def spread(self) -> Spread:
        """How far `closest` may be from the target, all uncertainty counted, and why."""
        return spread(
            self.closest.recipe,
            palette=self.closest._palette,
            view=self.closest.predicted.view,
            scale_g=usual_scale_g(self.pour.batch_g),
            target=self._target,
        )

    @property
    def pour(self) -> Pour:
        """What is made."""
        return self.closest.recipe.pour

    @property
    def delta_e(self) -> float:
        """CIEDE2000 of `closest`."""
        return self.closest.delta_e

    def __str__(self) -> str:
        """In plain words."""
        return f"{self.pour}: {self.closest}"


@dataclass(frozen=True)
class Feasibility(Reported):
    """How close recipes come to a colour, over thickness, white fraction and batch.

    Attributes
    ----------
    target, within
        The wanted colour, and the CIEDE2000 that counts as made.
    palette, view
        The pastes and bases, and how the bar is looked at.
    thicknesses_cm, whites, batches_g
        The values tried, each rising.
    cells
        The results, indexed ``cells[batch][white][thickness]``.
    """

    target: Target
    within: float
    palette: Palette
    view: View
    thicknesses_cm: tuple[float, ...]
    whites: tuple[float, ...]
    batches_g: tuple[float, ...]
    cells: tuple[tuple[tuple[Cell, ...], ...], ...] = field(repr=False)

    @property
    def delta_e(self) -> FloatArray:
        """CIEDE2000 of the closest recipes, shape (batches, whites, thicknesses)."""
        return np.array([[[c.delta_e for c in row] for row in layer] for layer in self.cells])

    @property
    def ideal_delta_e(self) -> FloatArray:
        """CIEDE2000 with real-valued doses, shape (whites, thicknesses)."""
        return np.array([[c.ideal.delta_e for c in row] for row in self.cells[0]])

    @property
    def best(self) -> Cell:
        """The cell with the smallest CIEDE2000 in whole dose steps; the first of equals."""
        return min(
            (c for layer in self.cells for row in layer for c in row), key=lambda c: c.delta_e
        )

    def _where(self, good: BoolArray) -> str:
        return where_made(good, self.whites, self.thicknesses_cm, self.best.pour.base)

    @property
    def sentence(self) -> str:
        """The answer in plain words, for the thicknesses, white fractions and batches tried."""
        code, ideal, best = self.target.hex, self.ideal_delta_e, self.best
        unit, base = best.closest.recipe.unit, best.pour.base
        if not (ideal <= self.within).any():
            row, column = np.unravel_index(int(np.argmin(ideal)), ideal.shape)
            nearest, blend = self.cells[-1][row][column].ideal, base_named(self.whites[row], base)
            first = (
                f"{code} is outside this palette: nearest is {nearest.predicted.hex}, "
                f"CIEDE2000 {nearest.delta_e:.1f} away, in {blend}, "
                f"{self.thicknesses_cm[column]:g} cm thick."
            )
        else:
            where = self._where(ideal <= self.within)
            first = f"With doses of any {quantity_in(unit)} {code} can be made: {where}."
        name = steps_in(unit, best.pour.dose_step)
        parts = [first]
        for batch, layer in zip(self.batches_g, self.delta_e, strict=True):
            good = layer <= self.within
            if good.any():
                where = self._where(good)
                parts.append(f"With {name} in {batch:g} g: {where}.")
        parts.append(
            f"Closest with {name}: {best.closest.recipe} in {best.pour}, "
            f"CIEDE2000 {best.delta_e:.2f}."
        )
        return " ".join(parts)

    def answer(self, batch: int = -1) -> str:
        """Where it can be made in whole dose steps, the most useful place first.

        Parameters
        ----------
        batch
            Position in `batches_g`; by default the largest batch.

        Raises
        ------
        PourError
            If no batch has that position.
        """
        most = len(self.batches_g)
        whole(batch, "batch", -most, most - 1, "Give a position in batches_g")
        good = np.asarray(self.delta_e[batch] <= self.within)
        start = f"{self.target.hex} in {self.batches_g[batch]:g} g"
        if not good.any():
            cell = min((c for row in self.cells[batch] for c in row), key=lambda c: c.delta_e)
            return f"{start}: nowhere within {self.within:g}; nearest {cell.pour}"
        return f"{start}: {self._where(good)}"

    def compare(self, palette: Palette, *, name: str = "the other palette") -> Comparison:
        """Compare with another palette.

        Parameters
        ----------
        palette
            The other palette, such as ``palette.without("jetty")``.
        name
            What to call it.
        """
        expect(name, str, "name", "Give a text")
        other = feasibility(
            self.target,
            palette=palette,
            pour=self.cells[0][0][0].pour,
            view=self.view,
            within=self.within,
            thicknesses_cm=self.thicknesses_cm,
            whites=self.whites,
            batches_g=self.batches_g,
        )
        return Comparison(self, other, name)

    def report(self) -> Report:
        """The answer, the best recipe and a table of CIEDE2000 for each batch."""
        best = self.best
        made = best.closest.recipe
        tables = tuple(
            Table(
                ("", *(f"{thick:g} cm" for thick in self.thicknesses_cm)),
                tuple(
                    (f"{percent(white)} white", *(f"{value:.2f}" for value in row))
                    for white, row in zip(self.whites, layer, strict=True)
                ),
                frozenset(range(1 + len(self.thicknesses_cm))),
                f"CIEDE2000 in {batch:g} g, by thickness",
            )
            for batch, layer in zip(self.batches_g, self.delta_e, strict=True)
        )
        return Report(
            swatches=(
                Swatch.of(self.target, "wanted"),
                Swatch.of(best.closest.predicted, "best"),
            ),
            apart=Apart(best.delta_e),
            pictures=tuple(self._map(i) for i in range(len(self.batches_g))),
            rows=(
                Row("answer", self.sentence),
                Row("best", made.lines, note=f"CIEDE2000 {best.delta_e:.2f}"),
                *best.spread.within_rows,
                Row("into", str(made.pour)),
                *known_rows(self.target),
                Row("seen", str(self.view)),
            ),
            tables=tables,
        )

    def _map(self, batch: int) -> str:
        rows = [
            [
                Tile(
                    hex=seen.hex,
                    in_srgb=seen.in_srgb,
                    words=f"{cell.delta_e:.1f}",
                    ink=ink_on(seen.hex),
                    framed=cell.delta_e <= self.within,
                )
                for cell in line
                for seen in (cell.closest.predicted,)
            ]
            for line in self.cells[batch]
        ]
        return tiles(
            rows,
            across=[f"{thick:g}" for thick in self.thicknesses_cm],
            up=[percent(white) for white in self.whites],
            across_name=f"thickness [cm]; framed: within {self.within:g}",
            up_name=f"white base; CIEDE2000 in {self.batches_g[batch]:g} g",
            label=f"a map of CIEDE2000: {self.answer(batch)}",
        )


@dataclass(frozen=True)
class Comparison(Reported):
    """The feasibility of a colour with two palettes; `name` is the second's."""

    first: Feasibility
    second: Feasibility
    name: str

    @property
    def difference(self) -> FloatArray:
        """CIEDE2000 of the second less that of the first, shaped like `Feasibility.delta_e`."""
        return np.asarray(self.second.delta_e - self.first.delta_e)

    @property
    def sentence(self) -> str:
        """In plain words."""
        was, now = self.first.best, self.second.best
        change = now.delta_e - was.delta_e
        if abs(change) < 0.05:
            return (
                f"With {self.name} just as close: {now.delta_e:.2f}, "
                f"{now.closest.recipe} in {now.pour}."
            )
        word = "farther" if change > 0 else "closer"
        return (
            f"With {self.name} {abs(change):.2f} {word}: {now.delta_e:.2f} instead of "
            f"{was.delta_e:.2f} at best, {now.closest.recipe} in {now.pour}."
        )

    def report(self) -> Report:
        """The answer, and the best of each."""
        was, now = self.first.best, self.second.best
        return Report(
            title=self.sentence,
            swatches=(
                Swatch.of(self.first.target, "wanted"),
                Swatch.of(was.closest.predicted, "first palette"),
                Swatch.of(now.closest.predicted, self.name),
            ),
            rows=(Row("first palette", str(was)), Row(self.name, str(now))),
        )


def feasibility(
    target: HoldsTarget | str,
    *,
    palette: Palette | None = None,
    pour: Pour | None = None,
    view: View | None = None,
    within: float = VISIBLE,
    thicknesses_cm: Sequence[float] = _THICKNESSES_CM,
    whites: Sequence[float] = _WHITES,
    batches_g: Sequence[float] | None = None,
) -> Feasibility:
    """Where a colour can be made: the closest recipe over thickness, white fraction and batch.

    Parameters
    ----------
    target
        A `Target`, or a hex code.
    palette, view
        By default the demo palette, and D65 on white paper.
    pour
        Gives the batch, load limit and dose step; its thickness and white fraction are replaced
        by those tried.
    within
        CIEDE2000 that counts as made.
    thicknesses_cm, whites
        Thicknesses [cm] and white fractions (0 to 1) to try.
    batches_g
        Batches [g] to try; by default that of the pour.

    Raises
    ------
    ColourError
        If the target is not a colour.
    PourError
        If a list is empty, a value is out of range, or there are more than 2,000 combinations.
    """
    goal = as_target(target)
    palette, pour, view = conditions(palette, pour, view)
    limit = checked_within(within)
    thick = _rising(thicknesses_cm, "thicknesses_cm")
    white = _rising(whites, "whites")
    batch = _rising((pour.batch_g,) if batches_g is None else batches_g, "batches_g")
    if len(thick) * len(white) * len(batch) > _MOST_CELLS:
        raise PourError(
            f"more than {_MOST_CELLS:,} combinations",
            field="thicknesses_cm",
            value=len(thick) * len(white) * len(batch),
            remedy="Try fewer of each",
        )
    base = pour.model_dump()
    # Make all pours before searching, so that a wrong value is refused at once.
    for value in batch:
        Pour(**{**base, "batch_g": value})
    pours = [
        [Pour(**{**base, "batch_g": batch[0], "white": w, "thickness_cm": t}) for t in thick]
        for w in white
    ]
    grid = [[_cells(goal, palette, one, view, batch) for one in row] for row in pours]
    layers = tuple(
        tuple(tuple(cells[b] for cells in row) for row in grid) for b in range(len(batch))
    )
    return Feasibility(
        target=goal,
        within=limit,
        palette=palette,
        view=view,
        thicknesses_cm=thick,
        whites=white,
        batches_g=batch,
        cells=layers,
    )


def _cells(
    goal: Target, palette: Palette, pour: Pour, view: View, batches_g: Sequence[float]
) -> list[Cell]:
    """One cell for each batch, at the thickness and white fraction of the pour."""
    lab, doses = goal.lab_in(view), RealDoses(palette, pour, view)
    found, values = doses.cloud.nearest(lab[None], starts=_STARTS)
    steps, value = found[0], 0.0 if values[0] < EXACT else float(values[0])
    made = []
    for batch in batches_g:
        batch_pour = pour.model_copy(update={"batch_g": batch})
        asked = Asked(palette, batch_pour, view)
        scale = doses.load_per_step / batch_pour.load_per_step
        # The search ends after some thousand boxes, proved or not.
        best = asked.new_searcher().closest(lab, hint=steps * scale, effort=_EFFORT)
        chosen = asked.chosen(best)
        # A whole recipe may lie near a better optimum than the one found.
        ideal = chosen if best.delta_e < value else doses.choice(steps, value)
        made.append(Cell(chosen, ideal, best.proved, goal))
    return made


def _rising(values: Sequence[float], field_: str) -> tuple[float, ...]:
    try:
        given = tuple(values)
    except TypeError:
        given = ()
    numbers = tuple(sorted({float(v) for v in given if is_finite(v)}))
    if not numbers or not all(map(is_finite, given)):
        problem = "needs at least one finite number"
        raise PourError(problem, field=field_, value=values, remedy="Give a list of numbers")
    return numbers
