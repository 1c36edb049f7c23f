"""The integer programme: which recipe for which order, and which tubes to buy.

One 0/1 variable for each recipe of each order, one whole number for the tubes to buy of each
pigment, one real number for each base to buy. The goals are taken one after the other: each is
brought to its best, then held while the next is. SciPy's `milp` (HiGHS) solves each.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from shadematch.arrays import BoolArray, FloatArray, IntArray

__all__ = ["Books", "Solution", "Stage", "solve"]

_HOLD: Final = 1e-6
"""By how much, as a share, an earlier goal may slip: the solver's own tolerance."""
_FIT: Final = 1e-3
"""Paste [cm] by which a plan may overdraw the shelf: a hundredth of a millimetre."""


@dataclass(frozen=True)
class Stage:
    """How well one goal was reached.

    Attributes
    ----------
    goal
        What was aimed at, in words.
    reached
        The figure of the plan.
    bound
        No plan (among the recipes listed, the earlier goals held) does better.
    gap
        Distance of the two, as a share of the larger.
    proved
        Whether the solver came to its end.
    message
        What the solver said.
    """

    goal: str
    reached: float
    bound: float
    gap: float
    proved: bool
    message: str

    def __str__(self) -> str:
        """In plain words."""
        how = "proved" if self.proved else f"not proved, bound {self.bound:g}, gap {self.gap:.2%}"
        return f"{self.goal}: {self.reached:g} ({how})"


@dataclass(frozen=True)
class Books:
    """An order book as arrays; n pigments, m orders, k recipes in all.

    Attributes
    ----------
    order
        Which order each recipe belongs to, shape (k,).
    use_cm
        Paste that each takes [cm], shape (k, n).
    value
        Of each order, shape (m,).
    base_g
        Clear and white base of each order [g], shape (m, 2).
    shelf_cm, tube_cm, price, most
        Of each pigment, shape (n,): paste there, paste in a tube, price of a tube, most tubes
        to buy (infinite for no limit).
    base_shelf_g, base_price_g
        Of the two bases, shape (2,); the shelf may be infinite.
    """

    order: IntArray
    use_cm: FloatArray
    value: FloatArray
    base_g: FloatArray
    shelf_cm: FloatArray
    tube_cm: FloatArray
    price: FloatArray
    most: FloatArray
    base_shelf_g: FloatArray
    base_price_g: FloatArray


@dataclass(frozen=True)
class Solution:
    """A plan in numbers.

    Attributes
    ----------
    recipe
        Which recipe each order is poured in, -1 for none; shape (m,).
    tubes
        To buy of each pigment, shape (n,).
    base_g
        To buy of the two bases [g], shape (2,).
    stages
        How well each goal was reached.
    """

    recipe: IntArray
    tubes: IntArray
    base_g: FloatArray
    stages: tuple[Stage, ...]

    def money(self, books: Books) -> float:
        """What is bought costs."""
        return float(self.tubes @ books.price + self.base_g @ books.base_price_g)


def solve(
    books: Books,
    *,
    buy: bool,
    budget: float = np.inf,
    forced: Sequence[int] = (),
    seconds: float = 20.0,
) -> Solution | None:
    """Solve the programme, goal after goal.

    With forced orders the one goal is to spend as little as can be.

    Parameters
    ----------
    books
        The order book.
    buy
        Whether anything may be bought.
    budget
        The most that may be spent.
    forced
        Orders that must be poured, and no others; none for a free choice.
    seconds
        Time for each goal; after it the best plan so far stands, marked as not proved.

    Returns
    -------
    Solution or None
        None where the forced orders can't be poured.

    Raises
    ------
    TimeoutError
        If it was not found in time whether they can.
    """
    from scipy import sparse
    from scipy.optimize import Bounds, LinearConstraint, milp

    k, n, m = books.order.size, books.shelf_cm.size, books.value.size
    size = k + n + 2
    buys_base = buy & np.isfinite(books.base_shelf_g)
    # Enough tubes for everything, so that the variables are bounded.
    enough = np.ceil(_largest(books).sum(axis=0) / books.tube_cm)
    upper = np.concatenate(
        [
            np.ones(k),
            np.minimum(books.most, enough) if buy else np.zeros(n),
            np.where(buys_base, books.base_g.sum(axis=0), 0.0),
        ]
    )
    if len(forced):
        upper[:k][~np.isin(books.order, list(forced))] = 0.0
    integrality = np.concatenate([np.ones(k + n), np.zeros(2)])
    value = np.concatenate([books.value[books.order], np.zeros(n + 2)])
    money = np.concatenate([np.zeros(k), books.price, books.base_price_g])
    tubes = np.concatenate([np.zeros(k), np.ones(n), np.zeros(2)])
    once = sparse.csr_array((np.ones(k), (books.order, np.arange(k))), shape=(m, size))
    least = np.zeros(m)
    least[list(forced)] = 1.0
    # Paste in tubes, so that all rows are of one size.
    paste = sparse.csr_array(
        np.hstack([(books.use_cm / books.tube_cm).T, -np.eye(n), np.zeros((n, 2))])
    )
    grams = np.maximum(books.base_g.max(axis=0, initial=1.0), 1.0)
    base = sparse.csr_array(
        np.hstack([(books.base_g[books.order] / grams).T, np.zeros((2, n)), -np.diag(1.0 / grams)])
    )
    rows = [
        LinearConstraint(once, least, np.ones(m)),
        LinearConstraint(paste, -np.inf, books.shelf_cm / books.tube_cm),
        LinearConstraint(base, -np.inf, books.base_shelf_g / grams),
    ]
    if np.isfinite(budget):
        dearest = float(money.max()) or 1.0
        rows.append(LinearConstraint(money[None] / dearest, -np.inf, budget / dearest))
    stages: list[Stage] = []
    # Pouring nothing is a plan too.
    best: FloatArray | None = None if len(forced) else np.zeros(size)
    if not k:
        return None if best is None else _solution(best, books, ())

    def stage(goal: str, cost: FloatArray, sign: float) -> bool:
        """Bring a goal to its best and hold it; `sign` is -1 for what is to be large."""
        nonlocal best
        scale = float(np.abs(cost).max()) or 1.0
        result = milp(
            sign * cost / scale,
            integrality=integrality,
            bounds=Bounds(np.zeros(size), upper),
            constraints=rows,
            options={"time_limit": seconds, "mip_rel_gap": 0.0},
        )
        x = None
        if result.x is not None:
            x = _rounded(np.asarray(result.x, dtype=float), books, upper, buys_base)
            best = best if x is None else x
        if best is None:
            if result.status != 2:  # not infeasible, so out of time
                raise TimeoutError(result.message)
            return False
        reached = float(cost @ best)
        proved = result.status == 0 and x is not None
        dual = getattr(result, "mip_dual_bound", None)
        bound = float(books.value.sum()) if sign < 0 else 0.0  # what holds without any solver
        if proved:
            bound = reached
        elif dual is not None and np.isfinite(dual):
            bound = sign * max(sign * bound, float(dual) * scale)
        gap = abs(reached - bound) / max(abs(reached), abs(bound), 1e-9)
        stages.append(Stage(goal, reached, bound, gap, proved, str(result.message)))
        slack = _HOLD * max(scale, abs(reached))
        if sign < 0:
            rows.append(LinearConstraint(cost[None] / scale, (reached - slack) / scale, np.inf))
        else:
            rows.append(LinearConstraint(cost[None] / scale, -np.inf, (reached + slack) / scale))
        return True

    if len(forced):
        if not stage("money for what is bought", money, 1.0):
            return None
        assert best is not None
        return _solution(best, books, tuple(stages))
    stage("value of the orders poured", value, -1.0)
    assert best is not None
    held = ""
    if not stages[0].proved:
        # To find other orders of the same worth would be as hard again.
        held = " for these orders"
        poured = np.zeros(m)
        poured[books.order[best[:k] > 0.5]] = 1.0
        rows.append(LinearConstraint(once, poured, poured))
    if buy:
        stage(f"money for what is bought{held}", money, 1.0)
        stage(f"tubes bought{held}", tubes, 1.0)
        upper[k : k + n] = best[k : k + n]  # from here on these purchases stand
        rows.append(LinearConstraint(tubes[None], float(best[k : k + n].sum()), np.inf))
    there = books.shelf_cm + books.tube_cm * best[k : k + n]
    worth = 1.0 / np.where(there > 0, there, books.tube_cm)
    stage(
        f"paste, each centimetre as a share of what is there of its pigment{held}",
        np.concatenate([books.use_cm @ worth, np.zeros(n + 2)]),
        1.0,
    )
    return _solution(best, books, tuple(stages))


def _largest(books: Books) -> FloatArray:
    """The most paste that each order can take of each pigment, shape (m, n)."""
    largest = np.zeros((books.value.size, books.shelf_cm.size))
    np.maximum.at(largest, books.order, books.use_cm)
    return largest


def _rounded(
    x: FloatArray, books: Books, upper: FloatArray, buys_base: BoolArray
) -> FloatArray | None:
    """Whole numbers made whole; None if the shelf would then be overdrawn."""
    k, n = books.order.size, books.shelf_cm.size
    x = np.clip(np.rint(x), 0.0, upper)
    poured = x[:k] > 0.5
    use = books.use_cm[poured].sum(axis=0)
    need = books.base_g[books.order[poured]].sum(axis=0)
    x[k + n :] = np.where(buys_base, np.maximum(need - books.base_shelf_g, 0.0), 0.0)
    if np.any(use > books.shelf_cm + books.tube_cm * x[k : k + n] + _FIT):
        return None
    if np.any(need > books.base_shelf_g + x[k + n :] + 1e-6 * np.maximum(need, 1.0)):
        return None
    return x


def _solution(x: FloatArray, books: Books, stages: tuple[Stage, ...]) -> Solution:
    k, n, m = books.order.size, books.shelf_cm.size, books.value.size
    recipe = np.full(m, -1, dtype=np.int64)
    poured = np.flatnonzero(x[:k] > 0.5)
    recipe[books.order[poured]] = poured
    return Solution(recipe, np.rint(x[k : k + n]).astype(np.int64), x[k + n :].copy(), stages)
