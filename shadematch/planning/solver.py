"""Least cost in whole numbers, for programmes in which a few of the numbers matter most.

Those few (the tubes to buy) are branched on first: a box of them has a floor, the cost of the
programme with all else real-valued; the box with the lowest floor is cut, or, once its numbers
stand, solved by SciPy's `milp` (HiGHS). There, two things make large order books small.

Reduced costs: at the real-valued optimum each variable that is not used has a cost of its own,
and each that is used fully a saving; whoever uses (or does without) it ends at least so far
above the floor (L. A. Wolsey, *Integer Programming* (1998), section 7.1). What ends above the
best plan that is known is settled, and left out. And before that, a plan is looked for among
those variables alone that cost next to nothing: there the best ones are, as a rule.

Costs that are multiples of a unit lift every floor to the next multiple.
"""

from __future__ import annotations

import heapq
import itertools
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np

from shadematch.support.arrays import BoolArray, FloatArray, IntArray

__all__ = ["Outcome", "Programme", "minimise"]

_CORE: Final = 250
"""Variables among which a plan is looked for first."""
_FIRST: Final = 0.25
"""Share of the time after which a plan within the permitted gap is good enough."""
_SLACK: Final = 1e-7


@dataclass(frozen=True, eq=False)
class Programme:
    """Make ``cost @ x`` small under ``low <= rows @ x <= high`` and ``lower <= x <= upper``.

    Attributes
    ----------
    cost, lower, upper
        Of each variable, shape (k,).
    whole
        Which must be whole numbers, shape (k,).
    first
        Which of them are branched on first, positions.
    rows, low, high
        Sparse, shape (r, k), and its limits, shape (r,).
    unit
        Costs of permitted x are multiples of it; 0 where nothing is known.
    roomy
        Of each row, what of it counts as a unit of room, shape (r,); 0 for rows that need none.
    """

    cost: FloatArray
    lower: FloatArray
    upper: FloatArray
    whole: BoolArray
    first: IntArray
    rows: Any
    low: FloatArray
    high: FloatArray
    unit: float = 0.0
    roomy: FloatArray | None = None


@dataclass(frozen=True)
class Outcome:
    """What was found.

    Attributes
    ----------
    x
        The best; None if none was found.
    bound
        No permitted x costs less.
    proved
        Whether `x` costs no more than that (or nothing is permitted at all).
    message
        How it ended, in words.
    """

    x: FloatArray | None
    bound: float
    proved: bool
    message: str


def minimise(
    programme: Programme,
    *,
    start: FloatArray | None,
    checked: Callable[[FloatArray], FloatArray | None],
    mended: Callable[[FloatArray], FloatArray | None],
    seconds: float,
    gap: float = 0.0,
) -> Outcome:
    """The least cost.

    Parameters
    ----------
    programme
        What is permitted, and what it costs.
    start
        Something permitted, to begin with; None if nothing is known.
    checked
        Makes whole what the solver says is; None where it is then no longer permitted.
    mended
        Makes something permitted of a real-valued optimum, quickly; None where it can't.
    seconds
        Time; after it the best so far stands.
    gap
        Share of the cost that the best may lie above the bound once a quarter of the time has
        gone.
    """
    return _Run(
        programme=programme,
        best=start,
        checked=checked,
        mended=mended,
        begun=time.monotonic(),
        seconds=seconds,
        gap=gap,
    ).outcome()


@dataclass
class _Run:
    programme: Programme
    best: FloatArray | None
    checked: Callable[[FloatArray], FloatArray | None]
    mended: Callable[[FloatArray], FloatArray | None]
    begun: float
    seconds: float
    gap: float
    open: list[tuple[float, int, FloatArray, FloatArray]] = field(default_factory=list)
    unsettled: float = np.inf
    """Lowest floor of what was left unsettled when its time ran out."""
    count: Any = field(default_factory=itertools.count)

    def __post_init__(self) -> None:
        from scipy import sparse

        p = self.programme
        above, below = np.isfinite(p.high), np.isfinite(p.low)
        self._ub = sparse.vstack([p.rows[above], -p.rows[below]]).tocsr()
        self._limit = np.concatenate([p.high[above], -p.low[below]])

    @property
    def reached(self) -> float:
        return np.inf if self.best is None else float(self.programme.cost @ self.best)

    @property
    def left(self) -> float:
        return self.begun + self.seconds - time.monotonic()

    @property
    def late(self) -> bool:
        """Whether what is within the permitted gap is good enough by now."""
        return self.left < (1 - _FIRST) * self.seconds

    def lifted(self, floor: float) -> float:
        """A floor lifted to the next multiple of the unit."""
        unit = self.programme.unit
        if not unit or not np.isfinite(floor):
            return floor
        return float(np.ceil(floor / unit - 1e-6)) * unit

    def settled(self, floor: float) -> bool:
        """Whether nothing above this floor is better than the best known."""
        return self.lifted(floor) >= self.reached - _SLACK * max(1.0, abs(self.reached))

    def enough(self, floor: float) -> bool:
        """Whether the best known is good enough, or the time is up."""
        if self.left <= 0:
            return True
        return self.late and self.reached - self.lifted(floor) <= self.gap * abs(self.reached)

    def outcome(self) -> Outcome:
        p = self.programme
        stopped = ""
        self.push(p.lower, p.upper)
        while self.open:
            floor, _, lower, upper = heapq.heappop(self.open)
            if self.settled(floor):
                self.open.clear()
                break
            if self.enough(min(floor, self.unsettled)):
                self.unsettled = min(self.unsettled, floor)
                stopped = "time is up" if self.left <= 0 else "within the permitted gap"
                break
            relaxed = self.relaxed(lower, upper)
            if relaxed is not None:
                self.branch(relaxed.x, lower, upper)
        floor = min([self.unsettled, *(node[0] for node in self.open)])
        if self.best is None:
            message = stopped or ("time is up" if np.isfinite(floor) else "nothing is permitted")
            return Outcome(None, floor, not np.isfinite(floor), message)
        if self.settled(floor):
            return Outcome(self.best, self.reached, True, "nothing is better")
        return Outcome(self.best, self.lifted(floor), False, stopped or "time is up")

    def roomy(self, lower: FloatArray, upper: FloatArray) -> None:
        """Where everything that costs stands, look for a plan that leaves the most room."""
        from scipy.optimize import linprog

        p = self.programme
        if p.roomy is None or self.best is None:
            return
        solve: Any = linprog  # its stubs know no sparse rows
        # One variable more: the room that is left in the tightest of the rows of paste.
        rows = sparse_beside(
            self._ub,
            np.concatenate([p.roomy[np.isfinite(p.high)], np.zeros(int(np.isfinite(p.low).sum()))]),
        )
        found = solve(
            np.append(np.zeros(p.cost.size), -1.0),
            A_ub=rows,
            b_ub=self._limit,
            bounds=np.stack([np.append(lower, 0.0), np.append(upper, np.inf)], axis=1),
            method="highs",
        )
        if found.status == 0:
            guess = self.mended(np.asarray(found.x[:-1], dtype=float))
            if guess is not None and float(p.cost @ guess) < self.reached:
                self.best = guess

    def relaxed(self, lower: FloatArray, upper: FloatArray) -> Any:
        """The real-valued optimum between limits; None if there is none."""
        from scipy.optimize import linprog

        solve: Any = linprog  # its stubs know no sparse rows
        found = solve(
            self.programme.cost,
            A_ub=self._ub,
            b_ub=self._limit,
            bounds=np.stack([lower, upper], axis=1),
            method="highs",
        )
        if found.status != 0:
            if found.status != 2:  # not infeasible, but the solver is at a loss
                self.unsettled = -np.inf
            return None
        guess = self.mended(np.asarray(found.x, dtype=float))
        if guess is not None and float(self.programme.cost @ guess) < self.reached:
            self.best = guess
        return found

    def push(self, lower: FloatArray, upper: FloatArray) -> None:
        if np.any(lower > upper):
            return
        found = self.relaxed(lower, upper)
        if found is not None and not self.settled(float(found.fun)):
            heapq.heappush(self.open, (float(found.fun), next(self.count), lower, upper))

    def branch(self, x: FloatArray, lower: FloatArray, upper: FloatArray) -> None:
        """Cut a box of the first numbers, or solve where the optimum has them whole."""
        first = self.programme.first
        values = x[first]
        off = np.abs(values - np.rint(values))
        if off.size and off.max() > 1e-6:
            at = first[int(np.argmax(off))]
            below, above = upper.copy(), lower.copy()
            below[at], above[at] = np.floor(x[at]), np.ceil(x[at])
            self.push(lower, below)
            self.push(above, upper)
            return
        low, high = lower.copy(), upper.copy()
        low[first] = high[first] = np.rint(values)
        self.leaf(low, high)
        # What is left of the box, around the numbers that are now done.
        lower, upper = lower.copy(), upper.copy()
        for at, value in zip(first, np.rint(values), strict=True):
            below, above = upper.copy(), lower.copy()
            below[at], above[at] = value - 1, value + 1
            self.push(lower, below)
            self.push(above, upper)
            lower[at] = upper[at] = value

    def leaf(self, lower: FloatArray, upper: FloatArray) -> None:
        """Solve with the first numbers as they stand."""
        found = self.relaxed(lower, upper)
        if found is None:
            return
        floor = float(found.fun)
        if not np.any(self.programme.cost[upper > lower]):
            self.roomy(lower, upper)
            if self.settled(floor):
                return
        # What it costs to move each variable away from where it is.
        price = np.maximum(np.abs(found.lower.marginals), np.abs(found.upper.marginals))
        free = self.programme.whole & (upper > lower)
        near = np.sort(price[free])[:_CORE]
        if free.sum() > 1.2 * _CORE and near.size:
            bound, sure = self.solved(
                found.x,
                price,
                most=float(near[-1]),
                lower=lower,
                upper=upper,
                seconds=0.6 * _FIRST * self.seconds,
            )
            # What was left out costs at least this.
            floor = max(floor, min(bound, floor + float(near[-1])) if sure else floor)
            if self.settled(floor) or self.enough(min(floor, self.unsettled)):
                self.unsettled = min(self.unsettled, floor)
                return
        if self.gap and not self.late:
            room = self.reached - float(found.fun)
            least = 0.1 * _FIRST * self.seconds
            spell = max(_FIRST * self.seconds - (self.seconds - self.left), least)
            bound, _ = self.solved(
                found.x, price, most=room, lower=lower, upper=upper, seconds=spell
            )
            floor = max(floor, bound)
            if self.settled(floor) or self.enough(min(floor, self.unsettled)):
                self.unsettled = min(self.unsettled, floor)
                return
        room = self.reached - float(found.fun)
        spell = self.left * (0.6 if self.open else 1.0)
        bound, _ = self.solved(found.x, price, most=room, lower=lower, upper=upper, seconds=spell)
        self.unsettled = min(self.unsettled, max(floor, bound))

    def solved(
        self,
        x: FloatArray,
        price: FloatArray,
        *,
        most: float,
        lower: FloatArray,
        upper: FloatArray,
        seconds: float,
    ) -> tuple[float, bool]:
        """Solve among the variables that cost at most so much to move; others stand still.

        Returns
        -------
        bound, sure
            A floor of the cost there, and whether the solver gave one.
        """
        from scipy.optimize import Bounds, LinearConstraint, milp

        p = self.programme
        still = p.whole & (price > most + _SLACK * max(1.0, abs(most)))
        low = np.where(still, np.rint(x), lower)
        high = np.where(still, np.rint(x), upper)
        rows = [LinearConstraint(p.rows, p.low, p.high)]
        if self.best is not None:
            # Only what is better is of interest.
            step = p.unit * 0.5 if p.unit else 0.0
            scale = float(np.abs(p.cost).max()) or 1.0
            rows.append(
                LinearConstraint(p.cost[None] / scale, -np.inf, (self.reached - step) / scale)
            )
        result = milp(
            p.cost,
            integrality=p.whole.astype(int),
            bounds=Bounds(low, high),
            constraints=rows,
            options={
                "time_limit": max(0.01, min(seconds, self.left)),
                "mip_rel_gap": 0.5 * self.gap if self.late else 0.0,
            },
        )
        if result.x is not None:
            better = self.checked(np.asarray(result.x, dtype=float))
            if better is not None and float(p.cost @ better) <= self.reached:
                self.best = better
            elif better is None:
                return -np.inf, False
        if result.status == 2:
            return self.reached, True
        dual = getattr(result, "mip_dual_bound", None)
        if dual is None or not np.isfinite(dual):
            return -np.inf, False
        return float(dual), True


def sparse_beside(rows: Any, column: FloatArray) -> Any:
    """Sparse rows with a column more."""
    from scipy import sparse

    return sparse.hstack([rows, sparse.csr_array(column[:, None])]).tocsr()
