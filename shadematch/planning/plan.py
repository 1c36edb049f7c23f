"""Which orders can be poured, in which recipe each, and what to buy."""

from __future__ import annotations

import datetime
import functools
import time
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from shadematch.errors import PourError
from shadematch.planning.bases import base_in_words, kinds_of, melted_g, prices_kg, shelf_g
from shadematch.planning.cost import cost
from shadematch.planning.numbers import Books, PlanSolution
from shadematch.planning.options import Options, options_for
from shadematch.planning.orders import Order
from shadematch.planning.programme import solve
from shadematch.planning.result import (
    Amounts,
    LeftOutOrder,
    Plan,
    PouredOrder,
    Purchase,
    Reason,
)
from shadematch.planning.stock import Stock
from shadematch.predicting.prediction import conditions
from shadematch.studio.palette import Palette
from shadematch.studio.unit import check_unit
from shadematch.support.arrays import FloatArray
from shadematch.support.models import expect, first_twice, is_finite, listed

__all__ = ["plan"]

_MOST_ORDERS: Final = 2000
_MOST_ASKED: Final = 100
"""Most left-out orders for which the cheapest remedy is worked out."""


@dataclass(frozen=True)
class _Arguments:
    """The arguments of `plan`, kept for what-ifs."""

    orders: tuple[Order, ...]
    stock: Stock
    palette: Palette
    buy: bool
    budget: float
    seconds: float
    gap: float = 0.0

    @functools.cached_property
    def kinds(self) -> tuple[str, ...]:
        """Of base."""
        return kinds_of(self.orders)


def plan(
    orders: Iterable[Order],
    stock: Stock,
    *,
    palette: Palette | None = None,
    buy: bool | float = False,
    seconds: float = 20.0,
    gap: float = 0.001,
) -> Plan:
    """Which orders can be poured, in which recipe each, and what to buy.

    The recipes of each order are those within its tolerance of the closest that no other
    undercuts in every pigment; an integer programme chooses among them. Its goals, one after the
    other: the largest value of orders poured; the least money spent; the fewest tubes bought; the
    least paste, each pigment's as a fraction of what is there.

    Parameters
    ----------
    orders
        The order book; see also `read_orders`.
    stock
        What is on the shelf; see also `read_stock`.
    palette
        By default the demo palette.
    buy
        Whether tubes and base may be bought: False, True, or the most that may be spent.
    seconds
        Time limit for each goal [s]. When it runs out, the best plan so far is returned, marked
        as not proved.
    gap
        Relative distance from its proven bound at which a goal is good enough once a quarter of
        that time has passed; 0 for none. Small books are solved exactly before that.

    Returns
    -------
    Plan

    Raises
    ------
    UnknownNameError
        If the stock holds a pigment, or stock or an order a base, that the palette lacks.
    PourError
        If the book is empty, too long or names an order twice, doses are in another unit than
        the palette's, the tube size of a weighed paste was never entered, or, if something may
        be bought, only some pigments have a price.
    """
    palette, _, _ = conditions(palette, None, None)
    expect(stock, Stock, "stock", "Use Stock(...) or read_stock(...)")
    book = listed(orders, "orders", "Give a list of Order(...), or read_orders(...)")
    if not 1 <= len(book) <= _MOST_ORDERS:
        problem, remedy = f"must hold 1 to {_MOST_ORDERS} orders", "Give a list of Order(...)"
        raise PourError(problem, field="orders", value=len(book), remedy=remedy)
    for i, order in enumerate(book):
        expect(order, Order, f"orders.{i}", "Use Order(...)")
        if order.recipe is not None:
            check_unit(order.recipe.unit, palette.unit, f"orders.{i}.recipe")
        palette.base(order.pot.base, f"order {order.name}, base")  # refuses what it lacks
    if twice := first_twice(order.name for order in book):
        raise PourError(
            "a name appears twice", field="orders", value=twice, remedy="Rename one of them"
        )
    stock.check(palette)
    budget = np.inf
    if not isinstance(buy, bool):
        budget = _at_least(buy, "buy", "Give the most that may be spent", 0.0)
    limit = _at_least(seconds, "seconds", "A few seconds do for most books", 0.001)
    share = _at_least(gap, "gap", "A share such as 0.001, or 0", 0.0)
    return _planned(
        _Arguments(
            orders=book,
            stock=stock,
            palette=palette,
            buy=buy is not False,
            budget=budget,
            seconds=limit,
            gap=share,
        )
    )


def _at_least(value: object, field_: str, remedy: str, least: float) -> float:
    if not is_finite(value) or value < least:
        raise PourError(
            f"must be a finite number from {least:g}", field=field_, value=value, remedy=remedy
        )
    return float(value)


def _planned(asked: _Arguments) -> Plan:
    listed = [options_for(order, asked.palette) for order in asked.orders]
    books = _books(asked, listed)
    solution = solve(
        books, buy=asked.buy, budget=asked.budget, seconds=asked.seconds, gap=asked.gap
    )
    assert solution is not None  # pouring nothing is a plan
    palette, stock = asked.palette, asked.stock
    lines: list[PouredOrder | LeftOutOrder] = []
    start = 0
    used = np.zeros(len(palette.pigments))
    for order, options, at in zip(asked.orders, listed, solution.recipe.tolist(), strict=True):
        if at >= 0:
            used += options.use[at - start]
            choice = options.choices[at - start]
            money = cost(
                choice.recipe, palette=palette, stock=stock, bar_g=order.bar_g, loss=order.loss
            )
            lines.append(PouredOrder(order, choice, order.pots, len(options.choices), money))
        start += len(options.choices)
    there = books.shelf + books.tube_size * solution.tubes
    missed = np.flatnonzero(solution.recipe < 0).tolist()
    ends = time.monotonic() + asked.seconds
    for count, i in enumerate(missed):
        # All these questions share the time of one goal; after that the quick answers count.
        here = replace(asked, seconds=max(0.25 * (ends - time.monotonic()), 0.0))
        lines.append(
            _left_out(
                asked=here,
                books=books,
                solution=solution,
                i=i,
                options=listed[i],
                left=there - used,
                ask=count < _MOST_ASKED,
            )
        )
    place = {order.name: i for i, order in enumerate(asked.orders)}
    never = datetime.date.max
    lines.sort(key=lambda line: (line.order.due or never, place[line.order.name]))
    limited = tuple(o.name for o, opt in zip(asked.orders, listed, strict=True) if not opt.complete)
    return Plan(
        poured=tuple(x for x in lines if isinstance(x, PouredOrder)),
        left_out=tuple(x for x in lines if isinstance(x, LeftOutOrder)),
        buy=_purchases(asked, solution),
        buy_base_g=Amounts(tuple(zip(asked.kinds, solution.base_g.tolist(), strict=True))),
        money=float(
            solution.tubes @ _prices(asked, zero=True) + solution.base_g @ books.base_price_g
        ),
        use=_amounts(palette, used),
        left=_amounts(palette, np.maximum(there - used, 0.0)),
        stages=solution.stages,
        limited=limited,
        palette=palette,
        stock=stock,
        _again=functools.partial(_with, asked),
    )


def _with(asked: _Arguments, palette: Palette, stock: Stock) -> Plan:
    return _planned(replace(asked, palette=palette, stock=stock))


def _amounts(palette: Palette, values: FloatArray) -> Amounts:
    rounded = (round(float(v), 6) for v in values)
    return Amounts(tuple(zip(palette.names, rounded, strict=True)))


def _prices(asked: _Arguments, *, zero: bool = False) -> FloatArray:
    """Prices of new tubes, shape (n,); if none is known each counts as 1 (or 0)."""
    prices = [asked.stock.price(name, asked.palette) for name in asked.palette.names]
    missing = [n for n, price in zip(asked.palette.names, prices, strict=True) if price is None]
    if not missing:
        return np.array(prices, dtype=float)
    if len(missing) < len(prices) and asked.buy:
        raise PourError(
            "has no price, but others have one",
            field="stock.price",
            value=missing[0],
            remedy="Give the price of every tube in the stock or in the palette, or of none",
        )
    return np.full(len(prices), 0.0 if zero else 1.0)


def _books(asked: _Arguments, listed: list[Options]) -> Books:
    palette, stock = asked.palette, asked.stock
    names = palette.names
    counts = [len(options.choices) for options in listed]
    grams = melted_g(asked.orders, asked.kinds)
    most = [stock.row(n).most for n in names]
    prices = _prices(asked)
    counted = asked.buy and all(stock.price(n, palette) is not None for n in names)
    prices_base = prices_kg(stock, asked.kinds, grams.sum(axis=0), counted=counted)
    return Books(
        order=np.repeat(np.arange(len(listed)), counts),
        use=np.concatenate([options.use for options in listed]),
        value=np.array([o.value for o in asked.orders]),
        base_g=grams,
        shelf=np.array([stock.shelf(n, palette) for n in names]),
        tube_size=np.array([stock.tube_size(n, palette) for n in names]),
        price=prices,
        most=np.array([np.inf if m is None else m for m in most], dtype=float),
        base_shelf_g=shelf_g(stock, asked.kinds),
        base_price_g=prices_base / 1000.0,
    )


def _purchases(asked: _Arguments, solution: PlanSolution) -> tuple[Purchase, ...]:
    return tuple(
        Purchase(name, int(count), asked.stock.price(name, asked.palette))
        for name, count in zip(asked.palette.names, solution.tubes, strict=True)
        if count > 0
    )


def _left_out(
    asked: _Arguments,
    books: Books,
    solution: PlanSolution,
    i: int,
    options: Options,
    left: FloatArray,
    *,
    ask: bool,
) -> LeftOutOrder:
    """Why order i is left out, and what it would take to pour it beside the others."""
    order, nothing = asked.orders[i], Amounts()
    if options.problem:
        return LeftOutOrder(order, "colour", options.problem, nothing, ())
    if not ask:
        return LeftOutOrder(order, "paste", "the others don't leave enough for it", nothing, ())
    # What is bought already stays bought.
    spent = replace(
        books,
        shelf=books.shelf + books.tube_size * solution.tubes,
        most=books.most - solution.tubes,
        base_shelf_g=books.base_shelf_g + solution.base_g,
    )
    scarce = ""
    more, proved = _cheapest(spent, solution, i, left, asked.seconds)
    if more is None and proved:
        # Not enough tubes for sale: how many are needed?
        endless = replace(spent, most=np.full(books.most.size, np.inf))
        more, proved = _cheapest(endless, solution, i, left, asked.seconds)
        scarce = ", more than can be bought"
    wanted = () if more is None else _purchases(asked, more)
    base = [] if more is None else base_in_words(asked.kinds, more.base_g.tolist(), 0.5)
    if more is None or not (wanted or base):
        sentence = "the search stopped before it found a way to fit it in"
        return LeftOutOrder(order, "paste", sentence, nothing, (), proved=False)
    mine = books.use[books.order == i]
    by_itself = not np.any(np.all(mine <= spent.shelf + 1e-6, axis=1))
    short = _shortage(mine, books.use[int(more.recipe[i])], left, books.tube_size * more.tubes)
    lacks, where = short, "beside the orders poured"
    if by_itself:
        lacks = _shortage(mine, mine[0], spent.shelf, np.full(left.size, np.inf))
        where = "even alone"
    unit, paste = asked.palette.unit, _above_zero(asked.palette, lacks)
    what = [f"{dose:g} {unit} of {name}" for name, dose in paste.items()]
    sentence = (
        f"{where} it is {' and '.join(what or base)} short; it needs "
        f"{'' if proved else 'at most '}{' and '.join([*map(str, wanted), *base])} more{scarce}"
    )
    reason: Reason = "paste" if wanted else "base"
    if asked.buy and not scarce:
        sentence, reason = f"{sentence}, over the budget of {asked.budget:g}", "budget"
    amounts = _above_zero(asked.palette, short)
    return LeftOutOrder(
        order=order,
        reason=reason,
        sentence=sentence,
        short=amounts,
        would_take=wanted,
        proved=proved,
    )


def _above_zero(palette: Palette, values: FloatArray) -> Amounts:
    """The amounts above zero, by name."""
    every = _amounts(palette, values)
    return Amounts(tuple((name, dose) for name, dose in every.items() if dose > 0))


def _cheapest(
    spent: Books, solution: PlanSolution, i: int, left: FloatArray, seconds: float
) -> tuple[PlanSolution | None, bool]:
    """The cheapest purchase with which order i can be poured beside the others, and its proof.

    First with the others' recipes unchanged, which is quick, then with any. None if more tubes
    are needed than are for sale.
    """
    first = np.flatnonzero(spent.order == i)
    missing = np.maximum(spent.use[first] - np.maximum(left, 0.0) - 1e-3, 0.0)
    tubes = np.ceil(missing / spent.tube_size)
    poured = np.flatnonzero(solution.recipe >= 0).tolist()
    need = spent.base_g[[*poured, i]].sum(axis=0)
    base = np.maximum(need - spent.base_shelf_g, 0.0)
    money = tubes @ spent.price
    money[np.any(tubes > spent.most, axis=1)] = np.inf
    at = int(np.lexsort((missing.sum(axis=1), tubes.sum(axis=1), money))[0])
    found = None
    budget = np.inf
    if np.isfinite(money[at]):
        recipe = solution.recipe.copy()
        recipe[i] = first[at]
        found = PlanSolution(recipe, tubes[at].astype(np.int64), base, ())
        sold = spent.price[spent.most > 0]
        if money[at] <= 0 or money[at] <= sold.min(initial=np.inf):
            # At least one tube is needed (if the plan is right), and none is cheaper.
            return found, solution.stages[0].proved
        budget = float(money[at] + base @ spent.base_price_g) - 1e-4 * float(spent.price.max())
    if seconds <= 0.0:
        return found, False
    try:
        other = solve(spent, buy=True, budget=budget, forced=[*poured, i], seconds=seconds)
    except TimeoutError:
        return found, False
    if other is None:
        return found, True
    return other, other.stages[-1].proved


def _shortage(
    mine: FloatArray, fallback: FloatArray, left: FloatArray, bought: FloatArray
) -> FloatArray:
    """Paste that an order lacks [palette's unit], shape (n,), in the recipe that lacks least.

    `mine` is the paste of each of its recipes, shape (k, n); `fallback` that of the recipe to take
    if none fits beside the others' present recipes; `left` and `bought` are per pigment.
    """
    missing = np.maximum(mine - np.maximum(left, 0.0), 0.0)
    helped = np.all(missing <= bought + 1e-3, axis=1)
    if helped.any():
        return np.asarray(missing[helped][np.argmin(missing[helped].sum(axis=1))])
    return np.maximum(fallback - np.maximum(left, 0.0), 0.0)
