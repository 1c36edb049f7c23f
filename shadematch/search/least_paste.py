"""The least paste for a colour: a floor of it in boxes, and real-valued doses that take it.

Recipes near enough to a target lie in a ball around it in the norm of `floors.minorant`, so for
any price of colour the paste of a box is at least its paste less what its way into the ball is
worth (a Lagrangian floor). Any price gives a floor; a good one is sought box by box.

References
----------
D. R. Hunter, K. Lange, Am. Stat. 58 (2004) 30 (maximising absolute values by quadratic minorants);
D. Kraft, DFVLR-FB 88-28 (1988) (sequential quadratic programming, as in SciPy's SLSQP).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np

from shadematch.colour.difference import delta_e, squared_difference
from shadematch.search.bounds import BoxFloors
from shadematch.search.boxes import Boxes
from shadematch.search.nearness import Nearness
from shadematch.support.arrays import FloatArray, IntArray

__all__ = ["leanest_real", "least_paste"]

_SOFT: Final = 1e-3
"""Below this share of the largest term a term's corner is rounded off."""
_ITERATIONS: Final = 60
_TINY: Final = 1e-9


def least_paste(
    boxes: Boxes[IntArray],
    judged: BoxFloors,
    paste: FloatArray,
    used: IntArray,
    within: float,
    rounds: int = 4,
) -> FloatArray:
    """Floor of the paste in all, among recipes of boxes with CIEDE2000 up to `within`, shape (m,).

    Such recipes have norm(offset + G s) <= within, so for any price p of colour the paste is at
    least the minimum over s of paste(s) + p . (offset + G s) - |p| within; where paste bends, s in
    G s is off by up to the bow.

    Parameters
    ----------
    boxes
        Of m boxes of k kinds.
    judged
        What `bounds.judge` said of them.
    paste
        In a step of each kind, shape (k,).
    used
        Positions of kinds that a recipe with little paste is made of: prices start from what the
        dual of the least-paste problem would pay if these made up the recipe.
    within
        CIEDE2000, at most the radius of the norm in `judged`.
    rounds
        How often prices are looked at.
    """
    n = boxes.lo.shape[1]
    half = 0.5 * (boxes.hi - boxes.lo)
    generators, offset = judged.generators, judged.offset
    columns = generators[:, :, used] / np.maximum(half[:, None, used], 0.5)
    gram = np.swapaxes(columns, 1, 2) @ columns
    ridge = 1e-6 * np.trace(gram, axis1=1, axis2=2)[:, None, None] * np.eye(used.size)
    costs = np.broadcast_to(paste[used][:, None], (len(boxes), used.size, 1))
    weights = np.linalg.solve(gram + ridge + 1e-300 * np.eye(used.size), costs)
    prices = -(columns @ weights)[:, :, 0]
    own = np.zeros(generators[:, 0].shape)
    own[:, :n] = half * paste
    middle = 0.5 * (boxes.lo + boxes.hi) @ paste
    best = np.full(len(boxes), -np.inf)
    for round_ in range(rounds):
        size = np.linalg.norm(prices, axis=1)
        priced = np.einsum("mc,mck->mk", prices, generators)
        terms = np.abs(own + priced)
        floor = middle + np.einsum("mc,mc->m", prices, offset) - size * within - terms.sum(axis=1)
        floor -= (np.abs(priced[:, :n]) * judged.bow).sum(axis=1)
        best = np.maximum(best, floor)
        if round_ == rounds - 1:
            break
        # |z| <= z^2 / (2 |z0|) + |z0| / 2, equal at z0: the price that is best for the right side.
        inverse = 1.0 / np.maximum(terms, _SOFT * terms.max(axis=1, keepdims=True) + 1e-300)
        pulled = generators * inverse[:, None, :]
        matrix = pulled @ np.swapaxes(generators, 1, 2)
        matrix += (within / np.maximum(size, 1e-300))[:, None, None] * np.eye(3)
        goal = offset - np.einsum("mck,mk->mc", pulled, own)
        prices = np.linalg.solve(matrix, goal[:, :, None])[:, :, 0]
    return best - 1e-6


def leanest_real(sought: Nearness, within: float, start: FloatArray) -> FloatArray:
    """Real-valued steps, shape (k,), with about the least paste up to a CIEDE2000.

    A local optimum, from which nothing follows but where to look.

    Parameters
    ----------
    sought
        The target, and where to search.
    within
        Largest CIEDE2000.
    start
        Steps to begin with, shape (k,).
    """
    from scipy.optimize import fmin_slsqp  # slow to import, so late

    space, limits = sought.space, sought.space.limits
    free = np.flatnonzero(limits.upper > 0)
    paste = limits.paste[free]
    scale = max(float(start @ limits.paste), 1.0)

    def steps_of(shares: FloatArray) -> FloatArray:
        steps = np.zeros(space.size)
        steps[free] = np.maximum(shares, 0.0) * scale
        return steps

    def room(shares: FloatArray) -> FloatArray:
        labs = space.labs(steps_of(shares)[None])
        away = [delta_e(lab[0], goal) for lab, goal in zip(labs, sought.targets, strict=True)]
        return within - np.array(away)

    def room_slope(shares: FloatArray) -> FloatArray:
        rows = []
        found = space.labs_and_slopes(steps_of(shares)[None])
        for (lab, by_step), goal in zip(found, sought.targets, strict=True):
            square, slope, _ = squared_difference(lab[0], goal)
            by_share = scale * (slope @ by_step[0])[free]
            rows.append(-by_share / (2.0 * max(float(np.sqrt(square)), _TINY)))
        return np.array(rows)

    ends = np.stack([limits.lower[free], limits.upper[free]], axis=1) / scale
    solve: Callable[..., FloatArray] = fmin_slsqp  # whose stubs want arrays of one axis
    found = solve(
        lambda shares: float(paste @ shares),
        start[free] / scale,
        fprime=lambda _: paste,
        f_ieqcons=room,
        fprime_ieqcons=room_slope,
        bounds=ends,
        iter=_ITERATIONS,
        acc=1e-6,
        iprint=0,
    )
    return np.clip(steps_of(found), limits.lower, limits.upper)
