"""What the searches walk in: doses counted in steps, and the colour they give."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import overload

import numpy as np

from shadematch.colour.colorimetry import LAB_FROM_RESPONSE, cube_root_response, lab_from_response
from shadematch.optics.layer import Layer
from shadematch.predicting.prediction import Model
from shadematch.search.boxes import Boxes
from shadematch.support.arrays import FloatArray, IntArray

__all__ = ["Space", "spaces_of", "whole_space"]


@dataclass(frozen=True, eq=False)
class Space:
    """Whole dose steps of n pigments under a limit on their sum, and their colour.

    Doses are counted in steps, as integers or (for the continuous search) real numbers.

    Attributes
    ----------
    layer
        Radiance factor by absorption.
    base
        Absorption at zero dose [1/cm], shape (36,).
    absorption
        Absorption of one step of each pigment [1/cm], shape (n, 36).
    weights, white
        Of the view.
    lower, upper
        Fewest and most steps of each pigment, shape (n,).
    max_steps
        Most steps in all.
    max_tubes
        Most pigments with a dose above zero.
    shift
        CIELAB added to every colour, shape (3,): where a real batch is known to stray from what
        is computed.
    """

    layer: Layer
    base: FloatArray
    absorption: FloatArray
    weights: FloatArray
    white: FloatArray
    lower: IntArray
    upper: IntArray
    max_steps: int
    max_tubes: int
    shift: FloatArray = field(default_factory=lambda: np.zeros(3), kw_only=True)
    _products: FloatArray = field(init=False, repr=False)

    def __post_init__(self) -> None:
        products = self.weights[:, None, :] * self.absorption[None, :, :]  # (3, n, 36)
        object.__setattr__(self, "_products", products.reshape(-1, self.base.size).T.copy())

    @property
    def size(self) -> int:
        """Number of pigments."""
        return int(self.absorption.shape[0])

    def count(self) -> int:
        """How many recipes there are at most; tube limits are not counted in."""
        free = int(np.sum(self.upper > self.lower))
        room = max(self.max_steps - int(self.lower.sum()), 0)
        return math.comb(room + free, free)

    def limited(self, *, max_steps: int | None = None, max_tubes: int | None = None) -> Space:
        """The same with tighter limits."""
        return replace(
            self,
            max_steps=self.max_steps if max_steps is None else min(max_steps, self.max_steps),
            max_tubes=self.max_tubes if max_tubes is None else min(max_tubes, self.max_tubes),
        )

    def lab(self, steps: FloatArray | IntArray) -> FloatArray:
        """CIELAB, shape (..., 3), of steps of shape (..., n)."""
        xyz = self.layer.value(self.base + steps @ self.absorption) @ self.weights.T
        return lab_from_response(cube_root_response(xyz, self.white)[0]) + self.shift

    def xyz_slope(self, slope: FloatArray) -> FloatArray:
        """dXYZ/dsteps, shape (m, 3, n), from dR/d(mu_a) of shape (m, 36)."""
        return (slope @ self._products).reshape(-1, 3, self.size)

    def lab_and_slope(self, steps: FloatArray) -> tuple[FloatArray, FloatArray]:
        """CIELAB and its Jacobian, shapes (m, 3) and (m, 3, n), of steps of shape (m, n)."""
        R, slope = self.layer.evaluate(self.base + steps @ self.absorption)
        f, f_slope = cube_root_response(R @ self.weights.T, self.white)
        return lab_from_response(f) + self.shift, LAB_FROM_RESPONSE @ (
            f_slope[..., None] * self.xyz_slope(slope)
        )

    def recipes(self) -> IntArray:
        """Every permitted recipe, shape (k, n); for spaces that are small enough to list."""
        free = np.flatnonzero(self.upper > self.lower)
        room = self.max_steps - int(self.lower.sum())
        if room < 0:
            return np.empty((0, self.size), dtype=np.int64)
        parts = np.zeros((1, 0), dtype=np.int64)
        for i in free:
            left = np.minimum(room - parts.sum(axis=1), self.upper[i] - self.lower[i])
            rows = np.repeat(np.arange(len(parts)), left + 1)
            starts = np.cumsum(left + 1) - (left + 1)
            parts = np.column_stack([parts[rows], np.arange(rows.size) - starts[rows]])
        points = np.tile(self.lower, (len(parts), 1))
        points[:, free] += parts
        return np.asarray(points[np.count_nonzero(points, axis=1) <= self.max_tubes])

    @property
    def paste(self) -> FloatArray:
        """Paste in a step of each pigment, in steps, shape (n,)."""
        return np.ones(self.size)

    @property
    def grain(self) -> float:
        """Every amount of paste is a multiple of one step."""
        return 1.0

    def permitted(self, steps: IntArray) -> IntArray:
        """Those of the recipes, shape (m, n), that are permitted."""
        fits = np.all((steps >= self.lower) & (steps <= self.upper), axis=1)
        fits &= steps.sum(axis=1) <= self.max_steps
        fits &= np.count_nonzero(steps, axis=1) <= self.max_tubes
        return np.asarray(steps[fits])

    def tighten(self, boxes: Boxes[IntArray], *, most_paste: float = np.inf) -> Boxes[IntArray]:
        """Cut from boxes what the limit on the sum forbids, and drop boxes with nothing left."""
        limit = int(min(self.max_steps, most_paste))
        used = boxes.lo.sum(axis=1)
        hi = np.minimum(boxes.hi, (limit - used)[:, None] + boxes.lo)
        keep = (used <= limit) & np.all(hi >= boxes.lo, axis=1)
        return Boxes(boxes.lo, hi, boxes.key).at(keep)

    def roots(self) -> tuple[IntArray, IntArray]:
        """Boxes that hold every permitted recipe, each with no more than `max_tubes` free."""
        needed = set(np.flatnonzero(self.lower > 0).tolist())
        others = [i for i in range(self.size) if i not in needed and self.upper[i] > 0]
        spare = self.max_tubes - len(needed)
        if spare < 0:
            return np.empty((0, self.size), np.int64), np.empty((0, self.size), np.int64)
        lows, highs = [], []
        for chosen in itertools.combinations(others, min(spare, len(others))):
            open_ = np.zeros(self.size, dtype=bool)
            open_[list(needed | set(chosen))] = True
            lows.append(self.lower)
            highs.append(np.where(open_, self.upper, 0))
        return np.array(lows), np.array(highs)


@dataclass(frozen=True, eq=False)
class _TwoVariableSpace(Space):
    """The same for pigments that scatter, as long as nothing has to be proved."""

    model: Model
    load_per_step: float

    def lab(self, steps: FloatArray | IntArray) -> FloatArray:
        return self.model.lab(np.asarray(steps * self.load_per_step, dtype=float)) + self.shift

    def lab_and_slope(self, steps: FloatArray) -> tuple[FloatArray, FloatArray]:
        lab, slope = self.model.lab_and_slope(steps * self.load_per_step)
        return lab + self.shift, slope * self.load_per_step


def whole_space(
    model: Model,
    *,
    load_per_step: float,
    max_steps: int,
    max_tubes: int | None = None,
    required: tuple[int, ...] = (),
    excluded: tuple[int, ...] = (),
) -> Space:
    """Everything that is permitted.

    Parameters
    ----------
    model
        Palette, base, thickness and view.
    load_per_step
        Load [cm per 100 g] of one dose step.
    max_steps, max_tubes
        Most steps in all, and most pigments in a recipe.
    required, excluded
        Positions of pigments that must, or must not, have a dose.
    """
    n = len(model.absorption)
    lower, upper = np.zeros(n, np.int64), np.full(n, max_steps, np.int64)
    lower[list(required)] = 1
    upper[list(excluded)] = 0
    make: Callable[..., Space] = Space
    if any(upper[i] > 0 for i in model.scattering_pigments):
        make = partial(_TwoVariableSpace, model=model, load_per_step=load_per_step)
    return make(
        layer=model.layer,
        base=model.base_absorption,
        absorption=model.absorption * load_per_step,
        weights=model.weights,
        white=model.white,
        lower=lower,
        upper=upper,
        max_steps=max_steps,
        max_tubes=n if max_tubes is None else max_tubes,
    )


def spaces_of(
    model: Model, whole: Space, load_per_step: float, around: FloatArray, most: int
) -> tuple[Sequence[tuple[IntArray, Space]], bool]:
    """Cut `whole` into spaces in which absorption is all that varies.

    That is what the proof rests on. Doses of pigments that scatter are gone through one by one:
    each combination is a space of its own. Without such pigments there is one space.

    Parameters
    ----------
    model, whole, load_per_step
        As in and from `whole_space`.
    around
        Steps, shape (n,); spaces whose fixed doses are near come first.
    most
        How many spaces to give at most.

    Returns
    -------
    spaces
        Pairs of the steps that a space takes as given, shape (n,), and the space, in which
        these pigments stand still.
    complete
        Whether these are all there are.
    """
    still = [i for i in model.scattering_pigments if whole.upper[i] > 0]
    if not still:
        return [(np.zeros(whole.size, np.int64), whole)], True
    chosen, complete = _nearest(whole, still, around, most)
    return _Spaces(model, whole, load_per_step, still, chosen), complete


@dataclass(frozen=True)
class _Spaces(Sequence[tuple[IntArray, Space]]):
    """What `spaces_of` gives, each made when it is asked for: a layer takes over a megabyte."""

    model: Model
    whole: Space
    load_per_step: float
    still: list[int]
    doses: IntArray

    def __len__(self) -> int:
        return len(self.doses)

    @overload
    def __getitem__(self, at: int) -> tuple[IntArray, Space]: ...
    @overload
    def __getitem__(self, at: slice) -> list[tuple[IntArray, Space]]: ...
    def __getitem__(self, at: int | slice) -> tuple[IntArray, Space] | list[tuple[IntArray, Space]]:
        if isinstance(at, slice):
            return [self._made(doses) for doses in self.doses[at]]
        return self._made(self.doses[at])

    def _made(self, doses: IntArray) -> tuple[IntArray, Space]:
        model, whole, still = self.model, self.whole, self.still
        fixed = np.zeros(whole.size, np.int64)
        fixed[still] = doses
        loads = np.asarray(fixed * self.load_per_step, dtype=float)
        lower, upper = whole.lower.copy(), whole.upper.copy()
        lower[still] = upper[still] = 0
        return fixed, Space(
            layer=model.layer_with(loads),
            base=model.base_absorption + loads @ model.absorption,
            absorption=whole.absorption,
            weights=model.weights,
            white=model.white,
            lower=lower,
            upper=upper,
            max_steps=whole.max_steps - int(doses.sum()),
            max_tubes=whole.max_tubes - int(np.count_nonzero(doses)),
        )


def _nearest(
    whole: Space, still: list[int], around: FloatArray, most: int
) -> tuple[IntArray, bool]:
    """The permitted doses of some pigments that are nearest to `around`, shape (m, k).

    Nearest comes first, in the sum of differences; and whether these are all. Only those within
    a radius are ever listed, which grows until there are enough: all of them can be more than
    any memory holds.
    """
    axes = [np.arange(whole.lower[i], whole.upper[i] + 1) for i in still]
    ways = [np.abs(axis - around[i]) for axis, i in zip(axes, still, strict=True)]
    least = sum(float(way.min()) for way in ways)
    reach = sum(float(way.max()) for way in ways)
    radius = least + 1.0
    while True:
        grid, far = np.zeros((1, 0), np.int64), np.full(1, least)
        for axis, way in zip(axes, ways, strict=True):
            near = np.flatnonzero(way - way.min() <= radius - least + 1e-9)
            further = far[:, None] + (way[near] - way.min())
            row, at = np.nonzero(further <= radius + 1e-9)
            grid = np.column_stack([grid[row], axis[near][at]])
            kept = (grid.sum(axis=1) <= whole.max_steps) & (
                np.count_nonzero(grid, axis=1) <= whole.max_tubes
            )
            grid, far = grid[kept], further[row, at][kept]
        if len(grid) > most or radius >= reach:
            break
        radius += radius - least
    far = np.abs(grid - around[still]).sum(axis=1)
    return grid[np.argsort(far, kind="stable")[:most]], len(grid) <= most
