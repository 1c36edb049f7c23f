"""An order book and its plan as arrays."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from shadematch.support.arrays import FloatArray, IntArray

__all__ = [
    "FIT",
    "Books",
    "PlanSolution",
    "Stage",
    "groups_of",
    "paste_rows",
    "unit_of",
]

FIT: Final = 1e-3
"""Paste [palette's unit] by which a plan may overdraw the shelf: a hundredth of a millimetre."""


@dataclass(frozen=True)
class Stage:
    """How well one goal was reached.

    Attributes
    ----------
    goal
        The goal, in words.
    reached
        The plan's value.
    bound
        No plan (among the recipes listed, the earlier goals held) does better.
    gap
        Difference of the two, as a fraction of the larger.
    proved
        Whether the solver finished.
    message
        The solver's message.
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
        Paste that each takes [palette's unit], shape (k, n).
    value
        Of each order, shape (m,).
    base_g
        Of each order and kind of base [g], shape (m, k).
    shelf, tube_size, price, most
        Of each pigment, shape (n,): paste on the shelf and in a tube [palette's unit], price of
        a tube, most tubes to buy (infinite for no limit).
    base_shelf_g, base_price_g
        Of each kind of base, shape (k,): mass on the shelf [g], maybe infinite, and price per g.
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
class PlanSolution:
    """A plan in numbers.

    Attributes
    ----------
    recipe
        The recipe of each order, -1 for none; shape (m,).
    tubes
        Tubes to buy of each pigment, shape (n,).
    base_g
        Mass to buy of each kind of base [g], shape (k,).
    stages
        How well each goal was reached.
    """

    recipe: IntArray
    tubes: IntArray
    base_g: FloatArray
    stages: tuple[Stage, ...]

    def money(self, books: Books) -> float:
        """Cost of what is bought."""
        return float(self.tubes @ books.price + self.base_g @ books.base_price_g)


def groups_of(books: Books, forced: tuple[int, ...]) -> tuple[list[list[int]], list[IntArray]]:
    """Groups of identical orders, and for each group the recipes of its first order.

    With forced orders those alone, else all that have a recipe.
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


def paste_rows(use: FloatArray, books: Books) -> tuple[FloatArray, FloatArray]:
    """Constraints on the paste of each pigment: rows over all variables, and their upper limits.

    In whole units if doses and tubes are multiples of one, since the shelf can then be rounded
    down to whole units too; else in tubes.
    """
    n = books.shelf.size
    rows, shelf = np.zeros((n, len(use) + n + books.base_shelf_g.size)), np.zeros(n)
    for i in range(n):
        tube = float(books.tube_size[i])
        rows[i, : len(use)], rows[i, len(use) + i] = use[:, i], -tube
        unit = unit_of(rows[i])
        if unit:
            rows[i], shelf[i] = np.rint(rows[i] / unit), np.floor((books.shelf[i] + FIT) / unit)
        else:
            rows[i], shelf[i] = rows[i] / tube, books.shelf[i] / tube
    return rows, shelf


def unit_of(values: FloatArray) -> float:
    """The largest multiple of 0.001 that divides all values; 0 if there is none."""
    counts = np.rint(values * 1000.0)
    if np.any(np.abs(values * 1000.0 - counts) > 1e-6 * np.maximum(1.0, np.abs(counts))):
        return 0.0
    return float(np.gcd.reduce(counts.astype(np.int64))) / 1000.0
