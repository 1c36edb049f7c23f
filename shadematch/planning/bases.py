"""The bases of an order book: which are melted, what is there, and what more costs."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from shadematch.errors import PourError
from shadematch.planning.orders import Order
from shadematch.planning.stock import Stock, kind_named
from shadematch.studio.pour import CLEAR
from shadematch.support.arrays import FloatArray

__all__ = ["base_in_words", "kinds_of", "melted_g", "prices_kg", "shelf_g"]


def kinds_of(orders: Sequence[Order]) -> tuple[str, ...]:
    """``"clear"``, ``"white"``, then the further bases that orders are poured in."""
    named = dict.fromkeys(order.pot.beside_white for order in orders)
    return (CLEAR, "white", *(name for name in named if name not in (None, CLEAR)))


def melted_g(orders: Sequence[Order], kinds: Sequence[str]) -> FloatArray:
    """Base that each order melts, kind by kind [g], shape (m, k)."""
    grams = np.zeros((len(orders), len(kinds)))
    for row, order in zip(grams, orders, strict=True):
        white, other = order.pot.white, order.pot.beside_white
        row[kinds.index("white")] = order.melted_g * white
        if other is not None:
            row[kinds.index(other)] = order.melted_g * (1 - white)
    return grams


def shelf_g(stock: Stock, kinds: Sequence[str]) -> FloatArray:
    """What is there of each kind [g], shape (k,); infinite for as much as is needed."""
    there = [stock.base_g(kind) for kind in kinds]
    return np.array([np.inf if grams is None else grams for grams in there], dtype=float)


def prices_kg(
    stock: Stock, kinds: Sequence[str], wanted_g: FloatArray, *, counted: bool
) -> FloatArray:
    """Price of a kilogram of each kind, shape (k,); 0 where none is known.

    Parameters
    ----------
    stock, kinds
        Of what.
    wanted_g
        By all orders, shape (k,).
    counted
        Whether money counts, and base may have to be bought.

    Raises
    ------
    PourError
        If that of a base is not known then that may have to be bought.
    """
    found = []
    for kind, grams in zip(kinds, wanted_g.tolist(), strict=True):
        price, there = stock.base_price_kg(kind), stock.base_g(kind)
        if price is None and counted and there is not None and grams > there:
            own = f"{kind}_price_kg" if kind in ("clear", "white") else f"bases_price_kg.{kind}"
            raise PourError(
                "has no price, and tubes have one",
                field=f"stock.{own}",
                value=f"{grams:.0f} g are wanted, {there:g} g are there",
                remedy=f"Give the price of a kilogram of {kind_named(kind)}",
            )
        found.append(price or 0.0)
    return np.array(found)


def base_in_words(kinds: Sequence[str], grams: Sequence[float], least_g: float) -> list[str]:
    """Such as ``"500 g of clear base"``, for each kind of which there is more than so little."""
    pairs = zip(kinds, grams, strict=True)
    return [f"{mass:.0f} g of {kind_named(kind)}" for kind, mass in pairs if mass > least_g]
