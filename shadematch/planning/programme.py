"""The integer programme: which recipe for which order, and which tubes to buy.

One whole number for each recipe of each order (of all orders that are alike in everything), one
for the tubes to buy of each pigment, one real number for each base to buy. The goals are taken
one after the other: each is brought to its best by `planning.solver`, then held while the next is.
"""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from shadematch.planning.solver import Programme, minimise
from shadematch.support.arrays import FloatArray, IntArray

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
        share = f"{self.gap:.2%}" if self.gap >= 1e-4 else f"{self.gap:.2g} of it"
        how = (
            "proved"
            if self.proved
            else f"not proved, but no plan is more than {share} better: the bound is {self.bound:g}"
        )
        return f"{self.goal}: {self.reached:g} ({how})"


@dataclass(frozen=True)
class Books:
    """An order book as arrays; n pigments, m orders, k recipes in all.

    Attributes
    ----------
    order
        Which order each recipe belongs to, shape (k,).
    use
        Paste that each takes [cm], shape (k, n).
    value
        Of each order, shape (m,).
    base_g
        Clear and white base of each order [g], shape (m, 2).
    shelf, tube_size, price, most
        Of each pigment, shape (n,): paste there, paste in a tube, price of a tube, most tubes
        to buy (infinite for no limit).
    base_shelf_g, base_price_g
        Of the two bases, shape (2,); the shelf may be infinite.
    """

    order: IntArray
    use: FloatArray
    value: FloatArray
    base_g: FloatArray
    shelf: FloatArray
    tube_size: FloatArray
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
    gap: float = 0.0,
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
    gap
        Share by which a goal may stay off its bound once a quarter of that time has gone.

    Returns
    -------
    Solution or None
        None where the forced orders can't be poured.

    Raises
    ------
    TimeoutError
        If it was not found in time whether they can.
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
        # To find other orders of the same worth would be as hard again.
        held = " for these orders"
        goals.hold_orders()
    if buy:
        goals.stage(f"money for what is bought{held}", goals.money)
        goals.stage(f"tubes bought{held}", goals.tubes)
        goals.hold_tubes()
    goals.stage(
        f"paste, each centimetre as a share of what is there of its pigment{held}",
        goals.sparing(),
    )
    return goals.solution()


class _Goals:
    """The programme while its goals are taken one after the other.

    Orders that are alike in everything are counted, not told apart: one whole number for each
    recipe of such a group. The variables are those, then the tubes to buy, then the two bases.
    """

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
        self.members, self.columns = _groups(books, forced)
        n = books.shelf.size
        self.group = np.repeat(np.arange(len(self.members)), [len(c) for c in self.columns])
        at = np.concatenate([*self.columns, np.empty(0, dtype=np.int64)]).astype(np.int64)
        self.use, k = books.use[at], at.size
        self.k, self.size = k, k + n + 2
        counts = np.array([len(m) for m in self.members], dtype=float)
        base_g = books.base_g[books.order[at]]
        self.buys_base = buy & np.isfinite(books.base_shelf_g)
        # Enough tubes for everything, so that the variables are bounded.
        enough = np.ceil(_largest(books).sum(axis=0) / books.tube_size)
        self.lower = np.zeros(self.size)
        self.upper = np.concatenate(
            [
                counts[self.group],
                np.minimum(books.most, enough) if buy else np.zeros(n),
                np.where(self.buys_base, books.base_g.sum(axis=0), 0.0),
            ]
        )
        self.value = np.concatenate([books.value[books.order[at]], np.zeros(n + 2)])
        self.money = np.concatenate([np.zeros(k), books.price, books.base_price_g])
        self.tubes = np.concatenate([np.zeros(k), np.ones(n), np.zeros(2)])
        self.once = sparse.csr_array(
            (np.ones(k), (self.group, np.arange(k))), shape=(counts.size, self.size)
        )
        paste, shelf = _paste_rows(self.use, books)
        self.per_tube = -paste[np.arange(n), k + np.arange(n)]
        grams = np.maximum(books.base_g.max(axis=0, initial=1.0), 1.0)
        base = np.hstack([(base_g / grams).T, np.zeros((2, n)), -np.diag(1.0 / grams)])
        self.rows = [self.once, sparse.csr_array(paste), sparse.csr_array(base)]
        self.low = [counts if forced else np.zeros(counts.size), np.full(n + 2, -np.inf)]
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
        """Bring a goal to its best and hold it; `sign` is -1 for what is to be large.

        Returns
        -------
        bool
            Whether anything is permitted at all.
        """
        from scipy import sparse

        k, n = self.k, self.books.shelf.size
        # Grams of base are no multiples of anything.
        by_gram = np.any(cost[k + n :] * self.upper[k + n :] > 0)
        unit = 0.0 if by_gram else _unit(cost[: k + n])
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
        """From here on as many orders of each group are poured as now."""
        assert self.best is not None
        poured = np.asarray(self.once @ self.best)
        self.low[0] = self.high[0] = poured

    def hold_tubes(self) -> None:
        """From here on these purchases stand."""
        assert self.best is not None
        n = self.books.shelf.size
        tubes = slice(self.k, self.k + n)
        self.lower, self.upper = self.lower.copy(), self.upper.copy()
        self.lower[tubes] = self.upper[tubes] = self.best[tubes]

    def sparing(self) -> FloatArray:
        """What each recipe takes of what is there."""
        assert self.best is not None
        books, n = self.books, self.books.shelf.size
        there = books.shelf + books.tube_size * self.best[self.k : self.k + n]
        worth = 1.0 / np.where(there > 0, there, books.tube_size)
        return np.concatenate([self.use @ worth, np.zeros(n + 2)])

    def _rounded(self, x: FloatArray) -> FloatArray | None:
        """Whole numbers made whole; None if the shelf would then be overdrawn."""
        books, k, n = self.books, self.k, self.books.shelf.size
        x = np.clip(np.rint(x), self.lower, self.upper)
        use = x[:k] @ self.use
        grams = np.array([books.base_g[m[0]] for m in self.members]).reshape(-1, 2)
        need = np.asarray(self.once @ x) @ grams
        x[k + n :] = np.where(self.buys_base, np.maximum(need - books.base_shelf_g, 0.0), 0.0)
        if np.any(use > books.shelf + books.tube_size * x[k : k + n] + _FIT):
            return None
        if np.any(need > books.base_shelf_g + x[k + n :] + 1e-6 * np.maximum(need, 1.0)):
            return None
        return x

    def _mended(self, programme: Programme, x: FloatArray) -> FloatArray | None:
        """Something permitted near a real-valued optimum: recipes made whole, tubes to suit."""
        books, k, n = self.books, self.k, self.books.shelf.size
        whole = np.floor(x[:k] + 1e-9)
        missing = np.rint(self.once[:, :k] @ x[:k] - self.once[:, :k] @ whole).astype(int)
        for group, count in enumerate(missing):
            mine = np.flatnonzero(self.group == group)
            rest = (x[:k] - whole)[mine]
            whole[mine[np.argsort(-rest, kind="stable")[:count]]] += 1.0
        there = books.shelf + books.tube_size * self.upper[k : k + n] + _FIT
        over = whole @ self.use - there
        forced = self.low[0].sum() > 0
        while np.any(over > 0) and not forced:
            # Leave out what is worth least for what it takes of the pastes that lack.
            relief = np.where(whole > 0, self.use @ np.maximum(over, 0.0), 0.0)
            at = int(np.argmax(relief / np.maximum(self.value[:k], 1e-12)))
            if relief[at] <= 0:
                return None
            whole[at] -= 1.0
            over -= self.use[at]
        tubes = np.ceil((whole @ self.use - books.shelf - _FIT) / books.tube_size)
        tubes = np.maximum(np.maximum(tubes, 0.0), self.lower[k : k + n])
        found = self._rounded(np.concatenate([whole, tubes, np.zeros(2)]))
        if found is None:
            return None
        sums = np.asarray(programme.rows @ found)
        slack = 1e-9 * np.maximum(1.0, np.abs(sums))
        fits = (sums <= programme.high + slack) & (sums >= programme.low - slack)
        # The shelf was looked at in cm, and the base in g.
        fits[len(self.members) : len(self.members) + n + 2] = True
        return found if fits.all() else None

    def solution(self) -> Solution:
        """The best so far, order by order."""
        books, n = self.books, self.books.shelf.size
        x = np.zeros(self.size) if self.best is None else self.best
        recipe = np.full(books.value.size, -1, dtype=np.int64)
        start = 0
        for members, columns in zip(self.members, self.columns, strict=True):
            waiting = list(members)
            for place in range(len(columns)):
                for _ in range(int(np.rint(x[start + place]))):
                    order = waiting.pop(0)
                    recipe[order] = _first(books, order) + place
            start += len(columns)
        tubes = np.rint(x[self.k : self.k + n]).astype(np.int64)
        return Solution(recipe, tubes, x[self.k + n :].copy(), tuple(self.stages))


def _first(books: Books, order: int) -> int:
    return int(np.searchsorted(books.order, order))


def _groups(books: Books, forced: tuple[int, ...]) -> tuple[list[list[int]], list[IntArray]]:
    """Orders that are alike, and for each group the recipes of its first order.

    With forced orders these alone, else all that have a recipe.
    """
    orders = forced or range(books.value.size)
    groups: dict[tuple[bytes, bytes, float], list[int]] = {}
    starts = np.searchsorted(books.order, np.arange(books.value.size + 1))
    for i in orders:
        mine = books.use[starts[i] : starts[i + 1]]
        if len(mine) or forced:
            key = (mine.tobytes(), books.base_g[i].tobytes(), float(books.value[i]))
            groups.setdefault(key, []).append(int(i))
    members = list(groups.values())
    return members, [np.arange(starts[m[0]], starts[m[0] + 1]) for m in members]


def _paste_rows(use: FloatArray, books: Books) -> tuple[FloatArray, FloatArray]:
    """Paste of each pigment: rows over all variables, and what they may come to.

    In whole units where doses and tubes are multiples of one, since the shelf can then be cut to
    whole units too; else in tubes.
    """
    n = books.shelf.size
    rows, shelf = np.zeros((n, len(use) + n + 2)), np.zeros(n)
    for i in range(n):
        tube = float(books.tube_size[i])
        rows[i, : len(use)], rows[i, len(use) + i] = use[:, i], -tube
        unit = _unit(rows[i])
        if unit:
            rows[i], shelf[i] = np.rint(rows[i] / unit), np.floor((books.shelf[i] + _FIT) / unit)
        else:
            rows[i], shelf[i] = rows[i] / tube, books.shelf[i] / tube
    return rows, shelf


def _unit(values: FloatArray) -> float:
    """The largest thousandths that all values are multiples of; 0 if there is none."""
    counts = np.rint(values * 1000.0)
    if np.any(np.abs(values * 1000.0 - counts) > 1e-6 * np.maximum(1.0, np.abs(counts))):
        return 0.0
    return float(np.gcd.reduce(counts.astype(np.int64))) / 1000.0


def _largest(books: Books) -> FloatArray:
    """The most paste that each order can take of each pigment, shape (m, n)."""
    largest = np.zeros((books.value.size, books.shelf.size))
    np.maximum.at(largest, books.order, books.use)
    return largest
