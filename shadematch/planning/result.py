"""The result of a plan: what is poured, what is left out and why, what is bought."""

from __future__ import annotations

import functools
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Literal

from shadematch.errors import PourError
from shadematch.matching.question import Choice
from shadematch.planning.bases import base_in_words, kinds_of
from shadematch.planning.cost import Cost
from shadematch.planning.numbers import Stage
from shadematch.planning.orders import Order
from shadematch.planning.stock import Stock, assumed_in_words, unlisted_in_words
from shadematch.predicting.prediction import Prediction
from shadematch.predicting.spread import Spread, spread
from shadematch.studio.bars import bars_in_words, grams
from shadematch.studio.palette import Palette
from shadematch.studio.pour import CLEAR, base_named
from shadematch.studio.recipe import Recipe
from shadematch.support.report import Report, Reported, Row, Swatch, rows_of
from shadematch.support.svg import colour_strip

__all__ = [
    "Amounts",
    "LeftOutOrder",
    "Plan",
    "PouredOrder",
    "Purchase",
    "Reason",
    "WhatIf",
]

Reason = Literal["colour", "paste", "base", "budget"]


@dataclass(frozen=True)
class Amounts(Mapping[str, float]):
    """Amounts by name; immutable unlike a dict, and picklable unlike a mapping proxy."""

    _pairs: tuple[tuple[str, float], ...] = ()

    def __getitem__(self, name: str) -> float:
        for own, amount in self._pairs:
            if own == name:
                return amount
        raise KeyError(name)

    def __iter__(self) -> Iterator[str]:
        return (name for name, _ in self._pairs)

    def __len__(self) -> int:
        return len(self._pairs)

    def __repr__(self) -> str:
        return repr(dict(self._pairs))


@dataclass(frozen=True)
class Purchase:
    """Tubes of one pigment to buy.

    Attributes
    ----------
    pigment, tubes
        The pigment, and how many tubes.
    price
        Of one tube [the studio's currency]; None if unknown.
    """

    pigment: str
    tubes: int
    price: float | None

    @property
    def money(self) -> float | None:
        """Their cost."""
        return None if self.price is None else self.tubes * self.price

    def __str__(self) -> str:
        """In plain words."""
        word = "tube" if self.tubes == 1 else "tubes"
        money = "" if self.money is None else f" ({self.money:.2f})"
        return f"{self.tubes} {word} of {self.pigment}{money}"


@dataclass(frozen=True)
class PouredOrder:
    """An order that is poured.

    Attributes
    ----------
    order
        The order.
    choice
        The recipe of one pot and its CIEDE2000 (0 for a recipe that was given).
    pots
        Number of pots.
    among
        How many recipes the plan chose among.
    cost
        Cost of one pot.
    """

    order: Order
    choice: Choice
    pots: int
    among: int
    cost: Cost

    @property
    def recipe(self) -> Recipe:
        """The recipe of one pot."""
        return self.choice.recipe

    @property
    def delta_e(self) -> float:
        """Predicted CIEDE2000 to the target; 0 for a recipe that was given."""
        return self.choice.delta_e

    @property
    def predicted(self) -> Prediction:
        """The colour it will have."""
        return self.choice.predicted

    @functools.cached_property
    def spread(self) -> Spread:
        """How far a pot may be from the target; of a recipe that was given, from its own colour."""
        order, palette = self.order, self.choice._palette
        return spread(self.recipe, palette=palette, view=order.view, target=order.target)

    @property
    def use(self) -> dict[str, float]:
        """Paste that the whole order takes [palette's unit]."""
        return {n: round(dose * self.pots, 9) for n, dose in self.recipe.doses.items()}

    def __str__(self) -> str:
        """In plain words."""
        word = "pot" if self.pots == 1 else "pots"
        if self.order.target is None:
            away = f"CIEDE2000 to its own colour {self.spread.within}"
        else:
            away = f"CIEDE2000 {self.delta_e:.2f}, {self.spread.within}"
        if self.spread.mainly:
            away += f", {self.spread.mainly}"
        return (
            f"{self.order.name}: {self.pots} {word} of {grams(self.recipe.pour.batch_g)}"
            f"{self._base} with {self.recipe}, {away}{self.bars}"
        )

    @property
    def _base(self) -> str:
        """Such as ``" of white base"``; empty for clear base."""
        pour = self.recipe.pour
        plain = pour.white == 0 and pour.base == CLEAR
        return "" if plain else f" of {base_named(pour.white, pour.base)}"

    @property
    def bars(self) -> str:
        """The bars it gives, such as ``": 12 bars of 100 g"``; empty for an order by mass."""
        order, each = self.order, self.order.bars_each
        if each is None or order.bars is None:
            return ""
        made = each * self.pots
        over = f", {made - order.bars} over" if made > order.bars else ""
        return f": {bars_in_words(made, order.bar_g)}{over}"


@dataclass(frozen=True)
class LeftOutOrder:
    """An order that can't be poured, and why.

    Attributes
    ----------
    order
        The order.
    reason
        ``"colour"`` (no permitted recipe is near enough), ``"paste"``, ``"base"`` or
        ``"budget"``.
    sentence
        The reason in words, naming the tubes.
    short
        Missing paste of each pigment [palette's unit] once the others are poured, in the recipe
        that is cheapest to make possible; read-only.
    would_take
        The cheapest tubes that would let it be poured beside the others; empty if no tubes would
        help.
    proved
        Whether it is proved that nothing cheaper would.
    """

    order: Order
    reason: Reason
    sentence: str
    short: Mapping[str, float]
    would_take: tuple[Purchase, ...]
    proved: bool = True

    def __str__(self) -> str:
        """In plain words."""
        return f"{self.order.name}: {self.sentence}"


@dataclass(frozen=True)
class Plan(Reported):
    """What to do with an order book; for the goals see `plan`.

    Attributes
    ----------
    poured, left_out
        The orders, by due date.
    buy
        Tubes to buy.
    buy_base_g
        Base to buy [g]: ``"clear"``, ``"white"``, and further ones that orders are poured in.
    money
        Cost of these.
    use, left
        Paste of each pigment that is used, and that is left after buying and pouring
        [palette's unit]; read-only.
    stages
        How well each goal was reached, with bound and gap.
    limited
        Orders whose list of recipes is incomplete, or whose closest recipe is not proved: for
        them the plan is the best among the recipes listed.
    """

    poured: tuple[PouredOrder, ...] = field(repr=False)
    left_out: tuple[LeftOutOrder, ...] = field(repr=False)
    buy: tuple[Purchase, ...]
    buy_base_g: Mapping[str, float]
    money: float
    use: Mapping[str, float]
    left: Mapping[str, float]
    stages: tuple[Stage, ...]
    limited: tuple[str, ...]
    palette: Palette = field(repr=False)
    stock: Stock = field(repr=False)
    _again: Callable[[Palette, Stock], Plan] = field(repr=False, compare=False)

    @property
    def lines(self) -> tuple[PouredOrder | LeftOutOrder, ...]:
        """All orders, the poured ones first."""
        return (*self.poured, *self.left_out)

    @property
    def complete(self) -> bool:
        """Whether every order is poured."""
        return not self.left_out

    @property
    def proved(self) -> bool:
        """Whether no better plan exists: every stage proved, every list of recipes complete."""
        return not self.limited and all(stage.proved for stage in self.stages)

    @property
    def gap(self) -> float:
        """Largest relative gap of a goal to its bound; 0 if all are proved."""
        return max((stage.gap for stage in self.stages if not stage.proved), default=0.0)

    @property
    def value(self) -> float:
        """Total value of the orders poured."""
        return float(sum(p.order.value for p in self.poured))

    def __getitem__(self, name: str) -> PouredOrder | LeftOutOrder:
        """The line of an order.

        Raises
        ------
        PourError
            If no order has that name.
        """
        for line in self.lines:
            if line.order.name == name:
                return line
        raise PourError(
            "no order has this name", field="order", value=name, remedy="Look at the order book"
        )

    def without(self, *names: str) -> WhatIf:
        """How the plan changes if these tubes run out and no more can be bought.

        The orders are matched again with a palette that lacks them.

        Raises
        ------
        UnknownNameError
            If the palette has no such pigment.
        PaletteError
            If nothing remains.
        """
        palette = self.palette.without(*names)
        kept = tuple(t for t in self.stock.tubes if t.pigment in palette)
        stock = self.stock.model_copy(update={"tubes": kept})
        return WhatIf(names, self, self._again(palette, stock))

    @property
    def proof(self) -> str:
        """What is proved of the plan, in words."""
        if not self.stages:
            return "there is nothing to choose"
        if self.proved:
            return "no plan is better"
        parts = [str(s) for s in self.stages if not s.proved]
        if self.limited:
            names = ", ".join(self.limited)
            parts.append(f"the best of the recipes listed; the lists are incomplete for {names}")
        return "; ".join(parts)

    @property
    def bill(self) -> str:
        """What is bought and its cost, in words."""
        bought = [*map(str, self.buy)]
        bought += base_in_words([*self.buy_base_g], [*self.buy_base_g.values()], 0.0)
        return f"{', '.join(bought)}: {self.money:.2f}" if bought else "nothing"

    @property
    def assumed(self) -> str:
        """Assumptions about what the shelf doesn't say, in words; may be empty.

        These are the sizes of tubes, and further bases without a line.
        """
        kinds = kinds_of([line.order for line in self.lines])
        words = [
            assumed_in_words(self.stock.assumed(self.palette)),
            unlisted_in_words(self.stock, kinds),
        ]
        return "; ".join(filter(None, words))

    def report(self) -> Report:
        """What is poured, left out and bought, and what is left of the tubes."""
        unit, count = self.palette.unit, f"{len(self.poured)} of {len(self.lines)} orders"
        codes = [p.predicted.hex for p in self.poured]
        shown = [p.predicted.in_srgb for p in self.poured]
        strips = [colour_strip(codes, "the orders that are poured, as listed below", in_srgb=shown)]
        return Report(
            pictures=tuple(strips if codes else ()),
            rows=(
                Row("poured", f"{count}, worth {self.value:g}"),
                *(Row("poured", str(p), swatch=Swatch.of(p.predicted)) for p in self.poured),
                *rows_of("left out", map(str, self.left_out)),
                Row("buy", self.bill),
                *rows_of("assumed", [self.assumed] if self.assumed else []),
                Row("proof", self.proof),
                *self.palette.notice_rows,
            ),
            details=tuple(
                Row("tube", f"{name}: {used:g} {unit} used, {self.left[name]:g} {unit} left")
                for name, used in self.use.items()
            ),
        )


@dataclass(frozen=True)
class WhatIf(Reported):
    """Two plans for one order book: as it is, and without some tubes.

    Attributes
    ----------
    names
        The pigments that ran out.
    before, after
        The plans.
    """

    names: tuple[str, ...]
    before: Plan = field(repr=False)
    after: Plan = field(repr=False)

    @property
    def changes(self) -> dict[str, tuple[PouredOrder | LeftOutOrder, PouredOrder | LeftOutOrder]]:
        """Orders that change, by name: before and after."""
        found = {}
        for old in self.before.lines:
            new = self.after[old.order.name]
            if _gist(old) != _gist(new):
                found[old.order.name] = (old, new)
        return found

    def report(self) -> Report:
        """The orders that change."""
        gone, changes = " and ".join(self.names), self.changes
        if not changes:
            return Report(title=f"without {gone}: nothing changes")
        lines = [
            (name, word, line)
            for name, pair in changes.items()
            for word, line in zip(("was", "now"), pair, strict=True)
        ]
        shades = [
            Swatch.of(line.predicted, f"{name}, {word}")
            for name, word, line in lines
            if isinstance(line, PouredOrder)
        ]
        return Report(
            title=f"without {gone}: {len(changes)} of {len(self.before.lines)} orders change",
            swatches=tuple(shades[:4]),
            rows=(
                *(Row(name, f"{word} {_in_words(line)}") for name, word, line in lines),
                Row("money", f"{self.before.money:.2f} before, {self.after.money:.2f} after"),
            ),
        )


def _gist(line: PouredOrder | LeftOutOrder) -> object:
    return tuple(line.recipe.doses.items()) if isinstance(line, PouredOrder) else None


def _in_words(line: PouredOrder | LeftOutOrder) -> str:
    text = str(line).removeprefix(f"{line.order.name}: ")
    return text if isinstance(line, PouredOrder) else f"left out: {text}"
