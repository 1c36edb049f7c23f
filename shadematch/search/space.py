"""What the searches walk in: doses counted in steps, and the colour they give."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np

from shadematch.arrays import FloatArray, IntArray
from shadematch.colorimetry import LAB_FROM_RESPONSE, cube_root_response, lab_from_response
from shadematch.optics.layer import Layer
from shadematch.prediction import Model

__all__ = ["Space", "space_of"]


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

    def limited(
        self, *, max_steps: int | None = None, max_tubes: int | None = None
    ) -> Space:
        """The same with tighter limits."""
        return replace(
            self,
            max_steps=self.max_steps if max_steps is None else min(max_steps, self.max_steps),
            max_tubes=self.max_tubes if max_tubes is None else min(max_tubes, self.max_tubes),
        )

    def lab(self, steps: FloatArray) -> FloatArray:
        """CIELAB, shape (..., 3), of steps of shape (..., n)."""
        xyz = self.layer.value(self.base + steps @ self.absorption) @ self.weights.T
        return lab_from_response(cube_root_response(xyz, self.white)[0])

    def xyz_slope(self, slope: FloatArray) -> FloatArray:
        """dXYZ/dsteps, shape (m, 3, n), from dR/d(mu_a) of shape (m, 36)."""
        return (slope @ self._products).reshape(-1, 3, self.size)

    def lab_and_slope(self, steps: FloatArray) -> tuple[FloatArray, FloatArray]:
        """CIELAB and its Jacobian, shapes (m, 3) and (m, 3, n), of steps of shape (m, n)."""
        R, slope = self.layer.evaluate(self.base + steps @ self.absorption)
        f, f_slope = cube_root_response(R @ self.weights.T, self.white)
        return lab_from_response(f), LAB_FROM_RESPONSE @ (
            f_slope[..., None] * self.xyz_slope(slope)
        )

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


def space_of(
    model: Model,
    *,
    load_per_step: float,
    max_steps: int,
    max_tubes: int | None = None,
    required: tuple[int, ...] = (),
    excluded: tuple[int, ...] = (),
) -> Iterator[tuple[IntArray, Space]]:
    """The spaces to search, with the doses that are fixed in each.

    Absorption is all that varies within a space, which is what the proof rests on. Doses of
    pigments that scatter are therefore gone through one by one: each combination is a space of
    its own. Without such pigments there is one space.

    Yields
    ------
    fixed, space
        Steps of each pigment that the space takes as given, shape (n,), and the space, in
        which these pigments stand still.
    """
    n = len(model.absorption)
    tubes = n if max_tubes is None else max_tubes
    lower, upper = np.zeros(n, np.int64), np.full(n, max_steps, np.int64)
    lower[list(required)] = 1
    upper[list(excluded)] = 0
    still = [i for i in model.scattering_pigments if upper[i] > 0]
    ranges = [range(int(lower[i]), int(upper[i]) + 1) for i in still]
    for doses in itertools.product(*ranges):
        fixed = np.zeros(n, np.int64)
        fixed[still] = doses
        used = int(fixed.sum())
        if used > max_steps or np.count_nonzero(fixed) > tubes:
            continue
        loads = fixed * load_per_step
        space_lower, space_upper = lower.copy(), upper - 0
        space_lower[still] = 0
        space_upper[still] = 0
        yield (
            fixed,
            Space(
                layer=model.layer_with(loads) if used else model.layer,
                base=model.base_absorption + loads @ model.absorption,
                absorption=model.absorption * load_per_step,
                weights=model.weights,
                white=model.white,
                lower=space_lower,
                upper=space_upper,
                max_steps=max_steps - used,
                max_tubes=tubes - int(np.count_nonzero(fixed)),
            ),
        )
