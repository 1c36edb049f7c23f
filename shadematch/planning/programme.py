"""The integer programme: which recipe for which order, and which tubes to buy.

The variables: a whole number for each recipe of each group of identical orders (how many of them
are poured in it), a whole number of tubes to buy of each pigment, and the mass to buy of each base.
`planning.solver` optimises one goal after the other; each is held while the next is optimised.
"""

from __future__ import annotations

import functools
from collections.abc import Sequence
from typing import Final

import numpy as np

from shadematch.planning.numbers import (
    FIT,
    Books,
    PlanSolution,
    Stage,
    groups_of,
    paste_rows,
    unit_of,
)
from shadematch.planning.solver import Programme, minimise
from shadematch.support.arrays import FloatArray

__all__ = ["solve"]

_HOLD: Final = 1e-6
"""Relative amount by which an earlier goal may slip: the solver's own tolerance."""


def solve(
    books: Books,
    *,
    buy: bool,
    budget: float = np.inf,
    forced: Sequence[int] = (),
    seconds: float = 20.0,
    gap: float = 0.0,
) -> PlanSolution | None:
    """Solve the programme, goal after goal.

    With `forced` orders, exactly those are poured and the one goal is to spend least. For the
    other parameters see `plan`.

    Returns
    -------
    Solution or None
        None if the forced orders can't be poured.

    Raises
    ------
    TimeoutError
        If the time ran out before it was known whether they can.
    """
    goals = _Goals(
        books=books, buy=buy, budget=budget, forced=tuple(forced), seconds=seconds, gap=gap
    )
    if not books.order.size:
        return None if len(forced) else goals.solution()
    if len(forced):
        return goals.solution() if goals.stage("money for what is bought", goals.money) else None
    goals.stage("value of the orders poured", goals.value, sign=-1.0)
    held = ""
    if not goals.stages[0].proved:
        # Finding other orders of the same value would be just as hard.
        held = " for these orders"
        goals.hold_orders()
    if buy:
        goals.stage(f"money for what is bought{held}", goals.money)
        goals.stage(f"tubes bought{held}", goals.tubes)
        goals.hold_tubes()
    goals.stage(
        f"paste, each pigment's as a fraction of what is there{held}",
        goals.sparing(),
    )
    return goals.solution()


class _Goals:
    """The programme while its goals are optimised one after the other."""

    def __init__(
        self,
        books: Books,
        buy: bool,
        budget: float,
        forced: tuple[int, ...],
        seconds: float,
        gap: float,
    ) -> None:
        from scipy import sparse

        self.books, self.seconds, self.gap = books, seconds, gap
        self.stages: list[Stage] = []
        self.members, self.columns = groups_of(books, forced)
        n = books.shelf.size
        self.group = np.repeat(np.arange(len(self.members)), [len(c) for c in self.columns])
        at = np.concatenate([*self.columns, np.empty(0, dtype=np.int64)]).astype(np.int64)
        self.use, k = books.use[at], at.size
        bases = books.base_shelf_g.size
        self.k, self.size = k, k + n + bases
        counts = np.array([len(m) for m in self.members], dtype=float)
        base_g = books.base_g[books.order[at]]
        self.buys_base = buy & np.isfinite(books.base_shelf_g)
        # Enough tubes for everything, so that the variables are bounded.
        largest = np.zeros((books.value.size, n))
        np.maximum.at(largest, books.order, books.use)
        enough = np.ceil(largest.sum(axis=0) / books.tube_size)
        self.lower = np.zeros(self.size)
        self.upper = np.concatenate(
            [
                counts[self.group],
                np.minimum(books.most, enough) if buy else np.zeros(n),
                np.where(self.buys_base, books.base_g.sum(axis=0), 0.0),
            ]
        )
        self.value = np.concatenate([books.value[books.order[at]], np.zeros(n + bases)])
        self.money = np.concatenate([np.zeros(k), books.price, books.base_price_g])
        self.tubes = np.concatenate([np.zeros(k), np.ones(n), np.zeros(bases)])
        self.once = sparse.csr_array(
            (np.ones(k), (self.group, np.arange(k))), shape=(counts.size, self.size)
        )
        paste, shelf = paste_rows(self.use, books)
        self.per_tube = -paste[np.arange(n), k + np.arange(n)]
        grams = np.maximum(books.base_g.max(axis=0, initial=1.0), 1.0)
        base = np.hstack([(base_g / grams).T, np.zeros((grams.size, n)), -np.diag(1.0 / grams)])
        self.rows = [self.once, sparse.csr_array(paste), sparse.csr_array(base)]
        self.low = [counts if forced else np.zeros(counts.size), np.full(n + bases, -np.inf)]
        self.high = [counts, shelf, books.base_shelf_g / grams]
        # Pouring nothing is a plan too.
        self.best: FloatArray | None = None if forced else np.zeros(self.size)
        if np.isfinite(budget):
            self._limit(self.money, -np.inf, budget)

    def _limit(self, cost: FloatArray, low: float, high: float) -> None:
        from scipy import sparse

        scale = float(np.abs(cost).max()) or 1.0
        self.rows.append(sparse.csr_array(cost[None] / scale))
        self.low.append(np.array([low / scale]))
        self.high.append(np.array([high / scale]))

    def stage(self, goal: str, cost: FloatArray, *, sign: float = 1.0) -> bool:
        """Optimise a goal (sign -1: maximise) and hold it; False if nothing is permitted."""
        from scipy import sparse

        k, n = self.k, self.books.shelf.size
        # Grams of base are no multiples of anything.
        by_gram = np.any(cost[k + n :] * self.upper[k + n :] > 0)
        unit = 0.0 if by_gram else unit_of(cost[: k + n])
        programme = Programme(
            cost=sign * cost,
            lower=self.lower,
            upper=self.upper,
            whole=np.arange(self.size) < k + n,
            first=k + np.flatnonzero(self.upper[k : k + n] > self.lower[k : k + n]),
            rows=sparse.vstack(self.rows).tocsr(),
            low=np.concatenate(self.low),
            high=np.concatenate(self.high),
            unit=unit,
            roomy=np.concatenate(
                [
                    np.zeros(len(self.members)),
                    self.per_tube,
                    np.zeros(sum(map(len, self.low)) - len(self.members) - n),
                ]
            ),
        )
        found = minimise(
            programme,
            start=self.best,
            checked=self._rounded,
            mended=functools.partial(self._mended, programme),
            seconds=self.seconds,
            gap=self.gap,
        )
        if found.x is None:
            if not found.proved:
                raise TimeoutError(found.message)
            return False
        self.best = found.x
        reached = float(cost @ found.x)
        bound = float(self.books.value.sum()) if sign < 0 else 0.0  # what holds without any solver
        bound = reached if found.proved else sign * max(sign * bound, found.bound)
        off = abs(reached - bound) / max(abs(reached), abs(bound), 1e-9)
        self.stages.append(
            Stage(
                goal=goal,
                reached=reached,
                bound=bound,
                gap=off,
                proved=found.proved,
                message=found.message,
            )
        )
        slack = _HOLD * max(float(np.abs(cost).max()) or 1.0, abs(reached))
        if sign < 0:
            self._limit(cost, reached - slack, np.inf)
        else:
            self._limit(cost, -np.inf, reached + slack)
        return True

    def hold_orders(self) -> None:
        """Fix the number of orders poured in each group."""
        assert self.best is not None
        poured = np.asarray(self.once @ self.best)
        self.low[0] = self.high[0] = poured

    def hold_tubes(self) -> None:
        """Fix the tubes bought."""
        assert self.best is not None
        n = self.books.shelf.size
        tubes = slice(self.k, self.k + n)
        self.lower, self.upper = self.lower.copy(), self.upper.copy()
        self.lower[tubes] = self.upper[tubes] = self.best[tubes]

    def sparing(self) -> FloatArray:
        """The fraction of the paste there that each recipe takes, summed over pigments."""
        assert self.best is not None
        books, n = self.books, self.books.shelf.size
        there = books.shelf + books.tube_size * self.best[self.k : self.k + n]
        worth = 1.0 / np.where(there > 0, there, books.tube_size)
        return np.concatenate([self.use @ worth, np.zeros(self.size - self.k)])

    def _rounded(self, x: FloatArray) -> FloatArray | None:
        """A solution rounded to whole numbers; None if the shelf would then be overdrawn."""
        books, k, n = self.books, self.k, self.books.shelf.size
        x = np.clip(np.rint(x), self.lower, self.upper)
        use = x[:k] @ self.use
        grams = np.array([books.base_g[m[0]] for m in self.members]).reshape(
            -1, books.base_shelf_g.size
        )
        need = np.asarray(self.once @ x) @ grams
        x[k + n :] = np.where(self.buys_base, np.maximum(need - books.base_shelf_g, 0.0), 0.0)
        if np.any(use > books.shelf + books.tube_size * x[k : k + n] + FIT):
            return None
        if np.any(need > books.base_shelf_g + x[k + n :] + 1e-6 * np.maximum(need, 1.0)):
            return None
        return x

    def _mended(self, programme: Programme, x: FloatArray) -> FloatArray | None:
        """A permitted point near a real-valued optimum: recipes made whole, tubes to suit."""
        books, k, n = self.books, self.k, self.books.shelf.size
        whole = np.floor(x[:k] + 1e-9)
        missing = np.rint(self.once[:, :k] @ x[:k] - self.once[:, :k] @ whole).astype(int)
        for group, count in enumerate(missing):
            mine = np.flatnonzero(self.group == group)
            rest = (x[:k] - whole)[mine]
            whole[mine[np.argsort(-rest, kind="stable")[:count]]] += 1.0
        there = books.shelf + books.tube_size * self.upper[k : k + n] + FIT
        over = whole @ self.use - there
        forced = self.low[0].sum() > 0
        while np.any(over > 0) and not forced:
            # Leave out the order worth least for what it takes of the scarce pastes.
            relief = np.where(whole > 0, self.use @ np.maximum(over, 0.0), 0.0)
            at = int(np.argmax(relief / np.maximum(self.value[:k], 1e-12)))
            if relief[at] <= 0:
                return None
            whole[at] -= 1.0
            over -= self.use[at]
        tubes = np.ceil((whole @ self.use - books.shelf - FIT) / books.tube_size)
        tubes = np.maximum(np.maximum(tubes, 0.0), self.lower[k : k + n])
        found = self._rounded(np.concatenate([whole, tubes, np.zeros(self.size - self.k - n)]))
        if found is None:
            return None
        sums = np.asarray(programme.rows @ found)
        slack = 1e-9 * np.maximum(1.0, np.abs(sums))
        fits = (sums <= programme.high + slack) & (sums >= programme.low - slack)
        # `_rounded` has checked paste and base already.
        fits[len(self.members) : len(self.members) + self.size - self.k] = True
        return found if fits.all() else None

    def solution(self) -> PlanSolution:
        """The best so far, order by order."""
        books, n = self.books, self.books.shelf.size
        x = np.zeros(self.size) if self.best is None else self.best
        recipe = np.full(books.value.size, -1, dtype=np.int64)
        start = 0
        for members, columns in zip(self.members, self.columns, strict=True):
            counts = np.rint(x[start : start + len(columns)]).astype(int)
            places = np.repeat(np.arange(len(columns)), counts)
            orders = members[: len(places)]
            recipe[orders] = np.searchsorted(books.order, orders) + places
            start += len(columns)
        tubes = np.rint(x[self.k : self.k + n]).astype(np.int64)
        return PlanSolution(recipe, tubes, x[self.k + n :].copy(), tuple(self.stages))
