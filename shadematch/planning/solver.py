"""Integer programmes in which a few variables matter most.

Those few (the tubes to buy) are branched on first: the floor of a box of them is the cost of the
real-valued relaxation. The box with the lowest floor is cut or, once its tubes are fixed, solved
by SciPy's `milp` (HiGHS). Two things make large order books small there.

Reduced costs: changing a variable from its value in the relaxation costs at least its reduced
cost (L. A. Wolsey, *Integer Programming* (1998), section 7.1), so variables whose reduced cost
lies above the room to the best known plan are fixed. And a plan is first looked for among the
variables with the smallest reduced costs alone, where the best plans usually are.

If costs are multiples of a unit, every floor is lifted to the next multiple.
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
"""Number of variables among which a plan is looked for first."""
_FIRST: Final = 0.25
"""Fraction of the time after which a plan within the permitted gap is good enough."""
_SLACK: Final = 1e-7


@dataclass(frozen=True, eq=False)
class Programme:
    """Minimise ``cost @ x`` under ``low <= rows @ x <= high`` and ``lower <= x <= upper``.

    Attributes
    ----------
    cost, lower, upper
        Of each variable, shape (k,).
    whole
        Which variables must be whole numbers, shape (k,).
    first
        Positions of those that are branched on first.
    rows, low, high
        A sparse matrix, shape (r, k), and its limits, shape (r,).
    unit
        Costs of permitted x are multiples of this; 0 if unknown.
    roomy
        The size of a unit of slack in each row, shape (r,); 0 for rows that need none.
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
    """The best x found, a bound that no permitted x undercuts, and how the search ended.

    `proved`: `x` costs no more than the bound or, if `x` is None, nothing is permitted.
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
    """Solve a programme.

    Parameters
    ----------
    programme
        The programme.
    start
        A permitted x, or None.
    checked
        Rounds the solver's x to whole numbers; None if that is not permitted.
    mended
        Quickly makes a permitted x from a real-valued optimum; None if it can't.
    seconds
        Time limit [s].
    gap
        Relative gap to the bound that is good enough once a quarter of the time has passed.
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
    """Lowest floor of the boxes left unfinished when the time ran out."""
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
        """Whether a plan within the permitted gap is good enough by now."""
        return self.left < (1 - _FIRST) * self.seconds

    def lifted(self, floor: float) -> float:
        """A floor lifted to the next multiple of the unit."""
        unit = self.programme.unit
        if not unit or not np.isfinite(floor):
            return floor
        return float(np.ceil(floor / unit - 1e-6)) * unit

    def settled(self, floor: float) -> bool:
        """Whether nothing above this floor can beat the best known."""
        return self.lifted(floor) >= self.reached - _SLACK * max(1.0, abs(self.reached))

    def enough(self, floor: float) -> bool:
        """Whether the best known is good enough, or time is up."""
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
        """With all that costs fixed, look for the plan that leaves the most slack."""
        from scipy import sparse
        from scipy.optimize import linprog

        p = self.programme
        if p.roomy is None or self.best is None:
            return
        solve: Any = linprog  # its stubs know no sparse rows
        # One more variable: the slack in the tightest row of paste.
        room = [p.roomy[np.isfinite(p.high)], np.zeros(int(np.isfinite(p.low).sum()))]
        column = sparse.csr_array(np.concatenate(room)[:, None])
        rows = sparse.hstack([self._ub, column]).tocsr()
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
            if found.status != 2:  # not infeasible: the solver failed
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
        """Cut a box of the first variables, or solve it if the optimum has them whole."""
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
        # The rest of the box, around the values now solved.
        lower, upper = lower.copy(), upper.copy()
        for at, value in zip(first, np.rint(values), strict=True):
            below, above = upper.copy(), lower.copy()
            below[at], above[at] = value - 1, value + 1
            self.push(lower, below)
            self.push(above, upper)
            lower[at] = upper[at] = value

    def leaf(self, lower: FloatArray, upper: FloatArray) -> None:
        """Solve with the first variables fixed."""
        found = self.relaxed(lower, upper)
        if found is None:
            return
        floor = float(found.fun)
        if not np.any(self.programme.cost[upper > lower]):
            self.roomy(lower, upper)
            if self.settled(floor):
                return
        # The reduced cost of each variable.
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
            # The variables left out cost at least this.
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
        """Solve over the variables of reduced cost up to `most`, the others fixed.

        Gives a floor of the cost there, and whether the solver gave one.
        """
        from scipy.optimize import Bounds, LinearConstraint, milp

        p = self.programme
        still = p.whole & (price > most + _SLACK * max(1.0, abs(most)))
        low = np.where(still, np.rint(x), lower)
        high = np.where(still, np.rint(x), upper)
        rows = [LinearConstraint(p.rows, p.low, p.high)]
        if self.best is not None:
            # Only better solutions matter.
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
