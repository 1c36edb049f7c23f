"""Which orders can be poured, in which recipe each, and what to buy."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Final, Literal

import numpy as np

from shadematch.arrays import FloatArray
from shadematch.cautions import CAUTIONS
from shadematch.errors import PourError
from shadematch.html import card
from shadematch.materials import Palette
from shadematch.models import expect
from shadematch.planning.cost import Cost, cost
from shadematch.planning.options import Options, options_for
from shadematch.planning.orders import Order
from shadematch.planning.programme import Books, Solution, Stage, solve
from shadematch.planning.stock import Stock
from shadematch.pour import Recipe
from shadematch.prediction import Prediction, conditions
from shadematch.question import Choice

__all__ = ["LeftOut", "Plan", "Poured", "Purchase", "WhatIf", "plan"]

_MOST_ORDERS: Final = 2000
_MOST_ASKED: Final = 100
"""For how many orders that are left out it is worked out what would let them be poured."""

Reason = Literal["colour", "paste", "base", "budget"]


@dataclass(frozen=True)
class Purchase:
    """Tubes of one pigment to buy.

    Attributes
    ----------
    pigment, tubes
        What, and how many.
    price
        Of one [the studio's currency]; None if not known.
    """

    pigment: str
    tubes: int
    price: float | None

    @property
    def money(self) -> float | None:
        """What they cost."""
        return None if self.price is None else self.tubes * self.price

    def __str__(self) -> str:
        """In plain words."""
        word = "tube" if self.tubes == 1 else "tubes"
        money = "" if self.money is None else f" ({self.money:.2f})"
        return f"{self.tubes} {word} of {self.pigment}{money}"


@dataclass(frozen=True)
class Poured:
    """An order that is poured.

    Attributes
    ----------
    order
        What was asked.
    choice
        The recipe of one pot, and how close it comes (0 for a recipe that was given).
    pots
        How many pots of it.
    among
        How many recipes the plan chose among.
    cost
        Of one pot.
    """

    order: Order
    choice: Choice
    pots: int
    among: int
    cost: Cost

    @property
    def recipe(self) -> Recipe:
        """Of one pot."""
        return self.choice.recipe

    @property
    def delta_e(self) -> float:
        """Predicted CIEDE2000 to the target; 0 for a recipe that was given."""
        return self.choice.delta_e

    @property
    def predicted(self) -> Prediction:
        """The colour it will have."""
        return self.choice.predicted

    @property
    def use_cm(self) -> dict[str, float]:
        """Paste that the whole order takes [cm]."""
        return {n: round(dose * self.pots, 9) for n, dose in self.recipe.doses_cm.items()}

    def __str__(self) -> str:
        """In plain words."""
        word = "pot" if self.pots == 1 else "pots"
        away = "" if self.order.target is None else f", CIEDE2000 {self.delta_e:.2f}"
        return (
            f"{self.order.name}: {self.pots} {word} of {self.recipe.pour.batch_g:.4g} g with "
            f"{self.recipe}{away}"
        )


@dataclass(frozen=True)
class LeftOut:
    """An order that can't be poured, and why.

    Attributes
    ----------
    order
        What was asked.
    reason
        ``"colour"`` (no permitted recipe comes near enough), ``"paste"``, ``"base"`` or
        ``"budget"``.
    sentence
        The same in words, naming the tubes.
    short_cm
        What is lacking of each pigment [cm] once the others are poured, in the recipe that
        costs least to make possible; read-only.
    would_take
        The cheapest tubes with which it could be poured beside all that are; empty where no
        tubes would help.
    """

    order: Order
    reason: Reason
    sentence: str
    short_cm: Mapping[str, float]
    would_take: tuple[Purchase, ...]

    def __str__(self) -> str:
        """In plain words."""
        return f"{self.order.name}: {self.sentence}"


@dataclass(frozen=True)
class Plan:
    """What to do with an order book.

    Goals, each brought to its best before the next: the value of the orders poured; the money
    for what is bought; the number of tubes bought; and then, with these purchases, the paste,
    each centimetre counted as a share of what is there of its pigment, so that scarce tubes
    last.

    Attributes
    ----------
    poured, left_out
        The orders, by due date.
    buy
        Tubes to buy.
    buy_base_g
        Clear and white base to buy [g].
    money
        What that costs.
    use_cm, left_cm
        Paste of each pigment that is used, and what is left after buying and pouring [cm];
        read-only.
    stages
        How well each goal was reached, with bound and gap.
    limited
        Orders whose list of recipes is a part of all, or whose closest recipe is not proved: for
        them the plan is the best among those listed.
    """

    poured: tuple[Poured, ...]
    left_out: tuple[LeftOut, ...]
    buy: tuple[Purchase, ...]
    buy_base_g: tuple[float, float]
    money: float
    use_cm: Mapping[str, float]
    left_cm: Mapping[str, float]
    stages: tuple[Stage, ...]
    limited: tuple[str, ...]
    palette: Palette = field(repr=False)
    stock: Stock = field(repr=False)
    _asked: _Asked = field(repr=False, compare=False)

    @property
    def complete(self) -> bool:
        """Whether every order is poured."""
        return not self.left_out

    @property
    def proved(self) -> bool:
        """Whether nothing better can be had: every stage proved, every list of recipes whole."""
        return not self.limited and all(stage.proved for stage in self.stages)

    @property
    def value(self) -> float:
        """Of the orders poured."""
        return float(sum(p.order.value for p in self.poured))

    def __getitem__(self, name: str) -> Poured | LeftOut:
        """What becomes of an order.

        Raises
        ------
        PourError
            If no order has that name.
        """
        for line in (*self.poured, *self.left_out):
            if line.order.name == name:
                return line
        raise PourError(
            "no order has this name", field="order", value=name, remedy="Look at the order book"
        )

    def without(self, *names: str) -> WhatIf:
        """What if these tubes run out, and there are no more to be had?

        The same order book with a palette that lacks them: orders are matched anew with what
        remains.

        Raises
        ------
        UnknownNameError
            If the palette has no such pigment.
        PaletteError
            If nothing remains.
        """
        palette = self.palette.without(*names)
        kept = tuple(t for t in self.stock.tubes if t.pigment in palette.names)
        stock = self.stock.model_copy(update={"tubes": kept})
        asked = self._asked
        other = _planned(replace(asked, palette=palette, stock=stock))
        return WhatIf(tuple(names), self, other)

    @property
    def proof(self) -> str:
        """How the plan stands, in words."""
        if not self.stages:
            return "there is nothing to choose"
        if self.proved:
            return "no plan is better"
        parts = [str(s) for s in self.stages if not s.proved]
        if self.limited:
            parts.append(
                "the best among the recipes listed, which are not all for "
                + ", ".join(self.limited)
            )
        return "; ".join(parts)

    def __str__(self) -> str:
        """In plain words."""
        total = len(self.poured) + len(self.left_out)
        lines = [f"poured     {len(self.poured)} of {total} orders, worth {self.value:g}"]
        lines += [f"           {p}" for p in self.poured]
        lines += [f"left out   {x}" for x in self.left_out]
        bought = [str(p) for p in self.buy]
        bought += [
            f"{grams:.0f} g of {word} base"
            for grams, word in zip(self.buy_base_g, ("clear", "white"), strict=True)
            if grams > 0
        ]
        lines.append(f"buy        {', '.join(bought) or 'nothing'}")
        if bought:
            lines[-1] += f": {self.money:.2f}"
        lines += [
            f"tube       {name}: {used:g} cm used, {self.left_cm[name]:g} cm left"
            for name, used in self.use_cm.items()
        ]
        lines.append(f"proof      {self.proof}")
        return "\n".join(lines)

    def _repr_html_(self) -> str:
        rows = [(p.order.name, str(p).removeprefix(f"{p.order.name}: ")) for p in self.poured]
        rows += [(x.order.name, f"left out: {x.sentence}") for x in self.left_out]
        rows += [
            ("buy", ", ".join(str(p) for p in self.buy) or "nothing"),
            ("paste left", ", ".join(f"{n} {left:g} cm" for n, left in self.left_cm.items())),
            ("proof", self.proof),
        ]
        swatches = [(p.predicted.hex, p.order.name) for p in self.poured[:5]]
        return card(swatches, rows, small=" ".join(CAUTIONS))


@dataclass(frozen=True)
class WhatIf:
    """Two plans for one order book: as it is, and without some tubes.

    Attributes
    ----------
    names
        The pigments that ran out.
    before, after
        The plans.
    """

    names: tuple[str, ...]
    before: Plan
    after: Plan

    @property
    def changes(self) -> dict[str, tuple[Poured | LeftOut, Poured | LeftOut]]:
        """Orders that come out otherwise: by name, what was and what is."""
        found = {}
        for old in (*self.before.poured, *self.before.left_out):
            new = self.after[old.order.name]
            if _gist(old) != _gist(new):
                found[old.order.name] = (old, new)
        return found

    def __str__(self) -> str:
        """In plain words."""
        gone = " and ".join(self.names)
        changes = self.changes
        if not changes:
            return f"without {gone}: nothing changes"
        lines = [f"without {gone}: {len(changes)} of {self._total} orders change"]
        for name, (old, new) in changes.items():
            lines.append(f"{name}")
            lines += [f"    was  {_told(old)}", f"    now  {_told(new)}"]
        lines.append(f"money      {self.before.money:.2f} before, {self.after.money:.2f} after")
        return "\n".join(lines)

    @property
    def _total(self) -> int:
        return len(self.before.poured) + len(self.before.left_out)

    def _repr_html_(self) -> str:
        rows = []
        for name, (old, new) in self.changes.items():
            rows += [(name, f"was {_told(old)}"), ("", f"now {_told(new)}")]
        head = str(self).partition("\n")[0]
        swatches = [
            (line.predicted.hex, f"{name}, {word}")
            for name, pair in list(self.changes.items())[:3]
            for word, line in zip(("was", "now"), pair, strict=True)
            if isinstance(line, Poured)
        ]
        return card(swatches, rows, foot=head)


def _gist(line: Poured | LeftOut) -> object:
    return tuple(line.recipe.doses_cm.items()) if isinstance(line, Poured) else None


def _told(line: Poured | LeftOut) -> str:
    text = str(line).removeprefix(f"{line.order.name}: ")
    return text if isinstance(line, Poured) else f"left out: {text}"


@dataclass(frozen=True)
class _Asked:
    """The question, kept for what-ifs."""

    orders: tuple[Order, ...]
    stock: Stock
    palette: Palette
    buy: bool
    budget: float
    seconds: float


def plan(
    orders: Iterable[Order],
    stock: Stock,
    *,
    palette: Palette | None = None,
    buy: bool | float = False,
    seconds: float = 60.0,
) -> Plan:
    """Which orders can be poured, in which recipe each, and what to buy.

    For each order the recipes within its tolerance of the closest are listed, those that no
    other undercuts in every pigment; an integer programme chooses among them. Goals, one after
    the other: the value of the orders poured; the money for what is bought; the number of tubes
    bought; then the paste, each centimetre counted as a share of what is there of its pigment.

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
        Time for each goal of the programme. When it runs out the best plan so far stands, and
        says that it is not proved.

    Returns
    -------
    Plan

    Raises
    ------
    UnknownNameError
        If the stock holds a pigment that the palette lacks.
    PourError
        If the book is empty or names an order twice, or prices are missing for some pigments
        and given for others where something may be bought.
    """
    palette, _, _ = conditions(palette, None, None)
    expect(stock, Stock, "stock", "Use Stock(...) or read_stock(...)")
    expect(orders, Iterable, "orders", "Give a list of Order(...), or read_orders(...)")
    book = tuple(orders)
    if not 1 <= len(book) <= _MOST_ORDERS:
        raise PourError(
            f"must hold 1 to {_MOST_ORDERS} orders",
            field="orders",
            value=len(book),
            remedy="Give a list of Order(...)",
        )
    for i, order in enumerate(book):
        expect(order, Order, f"orders.{i}", "Use Order(...)")
    names = [order.name for order in book]
    twice = sorted({n for n in names if names.count(n) > 1})
    if twice:
        raise PourError(
            "a name stands twice", field="orders", value=twice[0], remedy="Rename one of them"
        )
    stock.check(palette)
    budget = np.inf
    if not isinstance(buy, bool):
        budget = _positive(buy, "buy", "Give True, False, or the most that may be spent", 0.0)
    limit = _positive(seconds, "seconds", "Some seconds do for most books", 0.001)
    return _planned(_Asked(book, stock, palette, buy is not False, budget, limit))


def _positive(value: object, field_: str, remedy: str, least: float) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float | np.integer | np.floating):
        raise PourError("must be a number", field=field_, value=value, remedy=remedy)
    if not least <= float(value) < np.inf:
        raise PourError(
            f"must be a finite number from {least:g}", field=field_, value=value, remedy=remedy
        )
    return float(value)


def _planned(asked: _Asked) -> Plan:
    listed = [options_for(order, asked.palette) for order in asked.orders]
    books = _books(asked, listed)
    solution = solve(books, buy=asked.buy, budget=asked.budget, seconds=asked.seconds)
    assert solution is not None  # pouring nothing is a plan
    palette, stock = asked.palette, asked.stock
    lines: list[Poured | LeftOut] = []
    start = 0
    used = np.zeros(len(palette.pigments))
    for order, options, at in zip(asked.orders, listed, solution.recipe.tolist(), strict=True):
        if at >= 0:
            used += options.use_cm[at - start]
            choice = options.choices[at - start]
            money = cost(choice.recipe, palette=palette, stock=stock, bar_g=order.bar_g)
            lines.append(Poured(order, choice, order.pots, len(options.choices), money))
        start += len(options.choices)
    there = books.shelf_cm + books.tube_cm * solution.tubes
    told = 0
    for i, (order, options) in enumerate(zip(asked.orders, listed, strict=True)):
        if solution.recipe[i] < 0:
            told += 1
            lines.append(_left_out(asked, books, solution, i, order, options, there - used, told))
    place = {order.name: i for i, order in enumerate(asked.orders)}
    lines.sort(key=lambda x: (x.order.due is None, x.order.due, place[x.order.name])
               if x.order.due else (True, None, place[x.order.name]))  # fmt: skip
    limited = tuple(o.name for o, opt in zip(asked.orders, listed, strict=True) if not opt.complete)
    clear, white = solution.base_g.tolist()
    return Plan(
        poured=tuple(x for x in lines if isinstance(x, Poured)),
        left_out=tuple(x for x in lines if isinstance(x, LeftOut)),
        buy=_purchases(asked, solution),
        buy_base_g=(clear, white),
        money=float(solution.tubes @ _prices(asked, zero=True) + solution.base_g @
                    books.base_price_g),
        use_cm=_read_only(palette, used),
        left_cm=_read_only(palette, np.maximum(there - used, 0.0)),
        stages=solution.stages,
        limited=limited,
        palette=palette,
        stock=stock,
        _asked=asked,
    )  # fmt: skip


def _read_only(palette: Palette, values: FloatArray) -> Mapping[str, float]:
    rounded = (round(float(v), 6) for v in values)
    return MappingProxyType(dict(zip(palette.names, rounded, strict=True)))


def _prices(asked: _Asked, *, zero: bool = False) -> FloatArray:
    """Of new tubes, shape (n,); where none is known each counts as 1 (or 0).

    Raises
    ------
    PourError
        If some are known and some are not, and something may be bought.
    """
    prices = [asked.stock.price(name, asked.palette) for name in asked.palette.names]
    missing = [n for n, price in zip(asked.palette.names, prices, strict=True) if price is None]
    if not missing:
        return np.array(prices, dtype=float)
    if len(missing) < len(prices) and asked.buy:
        raise PourError(
            "has no price, and others have one",
            field="stock.price",
            value=missing[0],
            remedy="Give the price of every tube in the stock or in the palette, or of none",
        )
    return np.full(len(prices), 0.0 if zero else 1.0)


def _books(asked: _Asked, listed: list[Options]) -> Books:
    palette, stock = asked.palette, asked.stock
    names = palette.names
    counts = [len(options.choices) for options in listed]
    grams = np.array([[o.poured_g * (1 - o.pot.white), o.poured_g * o.pot.white]
                      for o in asked.orders])  # fmt: skip
    most = [stock.row(n).most for n in names]
    bases = (stock.clear_g, stock.white_g)
    base_prices = (stock.clear_price_kg, stock.white_price_kg)
    return Books(
        order=np.repeat(np.arange(len(listed)), counts),
        use_cm=np.concatenate([options.use_cm for options in listed]),
        value=np.array([o.value for o in asked.orders]),
        base_g=grams,
        shelf_cm=np.array([stock.shelf_cm(n, palette) for n in names]),
        tube_cm=np.array([stock.tube_cm(n, palette) for n in names]),
        price=_prices(asked),
        most=np.array([np.inf if m is None else m for m in most], dtype=float),
        base_shelf_g=np.array([np.inf if g is None else g for g in bases], dtype=float),
        base_price_g=np.array([(p or 0.0) / 1000.0 for p in base_prices]),
    )


def _purchases(asked: _Asked, solution: Solution, less: Solution | None = None) -> tuple[
    Purchase, ...
]:  # fmt: skip
    """The tubes of a solution, or those beyond another's."""
    tubes = solution.tubes if less is None else np.maximum(solution.tubes - less.tubes, 0)
    return tuple(
        Purchase(name, int(count), asked.stock.price(name, asked.palette))
        for name, count in zip(asked.palette.names, tubes, strict=True)
        if count > 0
    )


def _left_out(
    asked: _Asked,
    books: Books,
    solution: Solution,
    i: int,
    order: Order,
    options: Options,
    left: FloatArray,
    told: int,
) -> LeftOut:
    """Why an order is left out, and what would let it be poured beside those that are."""
    nothing: Mapping[str, float] = MappingProxyType({})
    if options.problem:
        return LeftOut(order, "colour", options.problem, nothing, ())
    if told > _MOST_ASKED:
        return LeftOut(order, "paste", "what the others leave doesn't do for it", nothing, ())
    poured = np.flatnonzero(solution.recipe >= 0).tolist()
    forced = [*poured, i]
    # What is bought already stays bought.
    spent = replace(
        books,
        shelf_cm=books.shelf_cm + books.tube_cm * solution.tubes,
        most=books.most - solution.tubes,
        base_shelf_g=books.base_shelf_g + solution.base_g,
    )
    more = solve(spent, buy=True, forced=forced, seconds=asked.seconds)
    scarce = ""
    if more is None:
        # Not enough tubes for sale: how many would it take?
        more = solve(
            replace(spent, most=np.full(books.most.size, np.inf)),
            buy=True, forced=forced, seconds=asked.seconds,
        )  # fmt: skip
        scarce = ", more than can be bought"
    if more is None:
        return LeftOut(order, "paste", "no way was found in time to pour it too", nothing, ())
    wanted = _purchases(asked, more)
    use = books.use_cm[int(more.recipe[i])]
    alone = books.use_cm[books.order == i]
    first = books.shelf_cm + books.tube_cm * solution.tubes
    missing = np.maximum(use - np.maximum(left, 0.0), 0.0)
    short = MappingProxyType(
        {n: round(float(v), 6) for n, v in zip(asked.palette.names, missing, strict=True) if v > 1e-6}
    )  # fmt: skip
    if not wanted:
        word = " and ".join(
            f"{grams:.0f} g of {kind} base"
            for grams, kind in zip(more.base_g, ("clear", "white"), strict=True)
            if grams > 0
        )
        reason: Reason = "budget" if asked.buy else "base"
        return LeftOut(order, reason, f"it would take {word} more", short, ())
    tubes = " and ".join(str(p) for p in wanted)
    by_itself = not np.any(np.all(alone <= first + 1e-6, axis=1))
    lacks = " and ".join(f"{n} ({v:g} cm short)" for n, v in short.items() if v > 0)
    where = "even by itself" if by_itself else "beside the orders that are poured"
    sentence = f"it can't be poured {where} for lack of {_names_of(wanted)}"
    if lacks and set(short) == {p.pigment for p in wanted}:
        sentence = f"it can't be poured {where} for lack of {lacks}"
    over = asked.buy and not scarce
    sentence += f"; it would take {tubes} more{scarce}"
    if over:
        sentence += f", over the budget of {asked.budget:g}"
    return LeftOut(order, "budget" if over else "paste", sentence, short, wanted)


def _names_of(wanted: tuple[Purchase, ...]) -> str:
    return " and ".join(p.pigment for p in wanted)
