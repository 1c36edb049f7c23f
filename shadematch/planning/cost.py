"""What a recipe costs, and how far the tubes go."""

from __future__ import annotations

import math
from dataclasses import dataclass

from shadematch.planning.stock import Stock, assumed_in_words
from shadematch.predicting.prediction import conditions, recipe_of
from shadematch.studio.bars import LOSS, bars_in_words, checked_loss, to_melt_g, whole_bars
from shadematch.studio.palette import Palette
from shadematch.studio.pour import LARGEST_BATCH_G
from shadematch.studio.recipe import Recipe
from shadematch.support.charts import bars
from shadematch.support.models import between, expect
from shadematch.support.report import Report, Reported, Row

__all__ = ["Cost", "cost"]


@dataclass(frozen=True)
class Cost(Reported):
    """Cost and bars of a recipe, in the studio's currency; None where a price is unknown.

    Attributes
    ----------
    recipe, bar_g, loss
        The recipe, the mass of a bar [g], and the fraction of the base that stays in the pot.
    bars
        Whole bars from one batch.
    paste, base
        Cost of the paste and of the base of one batch.
    bars_per_set
        Whole bars, from whole batches, that one full tube of each pigment makes; None without
        paste.
    bars_on_shelf
        The same for the paste on the shelf; None without paste, or if no stock was given.
    first_out
        The pigment whose full tube is empty first; None without paste.
    assumed_tubes
        Pigments whose tube size was never entered and is taken as 87 cm.
    """

    recipe: Recipe
    bar_g: float
    loss: float
    bars: int
    paste: float | None
    base: float | None
    bars_per_set: int | None
    bars_on_shelf: int | None
    first_out: str | None
    assumed_tubes: tuple[str, ...] = ()

    @property
    def paste_per_bar(self) -> float | None:
        """Cost of the paste in one bar; None too if the batch gives no bar."""
        return None if self.paste is None or not self.bars else self.paste / self.bars

    @property
    def base_per_bar(self) -> float | None:
        """Cost of the base for one bar; None too if the batch gives no bar."""
        return None if self.base is None or not self.bars else self.base / self.bars

    @property
    def per_bar(self) -> float | None:
        """Cost of one bar: its share of the batch, losses and leftovers included."""
        paste, base = self.paste_per_bar, self.base_per_bar
        return None if paste is None or base is None else paste + base

    def report(self) -> Report:
        """What a bar costs, and how far the tubes go."""

        def amount(money: float | None) -> str:
            return "not known" if money is None else f"{money:.2f}"

        gives = bars_in_words(self.bars, self.bar_g)
        if not self.bars:
            gives += f": melt at least {to_melt_g(self.bar_g, self.loss):g} g"
        parts = (("paste", self.paste_per_bar), ("base", self.base_per_bar))
        known = [(name, money, f"{money:.2f}") for name, money in parts if money is not None]
        rows = [
            *self.recipe.rows,
            Row("batch", f"{gives} ({100 * self.loss:.3g} % stays in the pot)"),
            Row(
                "per bar",
                amount(self.per_bar),
                note=f"paste {amount(self.paste_per_bar)}, base {amount(self.base_per_bar)}",
            ),
        ]
        if self.bars_per_set is not None:
            text = f"{self.bars_per_set} bars from one full tube of each, in whole batches"
            rows.append(Row("tubes", f"{text}, {self.first_out} is out first"))
        if self.bars_on_shelf is not None:
            rows.append(Row("tubes", f"{self.bars_on_shelf} bars from the shelf"))
        if self.assumed_tubes:
            rows.append(Row("assumed", assumed_in_words(self.assumed_tubes)))
        drawn = (bars(known, "cost of the paste and the base of one bar"),)
        return Report(
            pictures=drawn if any(money for _, money, _ in known) else (), rows=tuple(rows)
        )


def cost(
    recipe: Recipe,
    *,
    palette: Palette | None = None,
    stock: Stock | None = None,
    bar_g: float = 100.0,
    loss: float = LOSS,
) -> Cost:
    """What a recipe costs, and how many bars the tubes make.

    Parameters
    ----------
    recipe
        Doses and pour.
    palette
        By default the demo palette.
    stock
        What is on the shelf, and prices that differ from the palette's; by default unknown.
    bar_g
        Mass of one bar [g].
    loss
        Fraction of the base that stays in the pot and on the tools, 0 to below 1; 0.03 is common
        practice, no source.

    Raises
    ------
    UnknownNameError, PourError
        If the palette lacks a pigment, a number is out of range, the recipe or the stock is in
        another unit than the palette, or the tube size of a weighed paste was never entered.
    """
    palette, _, _ = conditions(palette, None, None)
    shelf_known, stock = stock is not None, Stock() if stock is None else stock
    expect(recipe, Recipe, "recipe", "Use match(...).recipe, or Recipe({...}, Pour(...))")
    expect(stock, Stock, "stock", "Use Stock(...)")
    bar = between(bar_g, "bar_g", 0.1, LARGEST_BATCH_G, "In grams")
    share = checked_loss(loss)
    stock.check(palette)
    recipe = recipe_of(recipe, palette, None, "recipe")
    doses, pour = recipe.doses, recipe.pour
    paste: float | None = 0.0
    for name, dose in doses.items():
        price = stock.price(name, palette)
        known = paste is not None and price is not None
        paste = paste + price * dose / stock.tube_size(name, palette) if known else None  # type: ignore[operator]
    base: float | None = 0.0
    for grams, kilo in (
        (pour.clear_g, stock.clear_price_kg),
        (pour.white_g, stock.white_price_kg),
    ):
        if grams > 0:
            base = None if base is None or kilo is None else base + grams * kilo / 1000.0

    each = whole_bars(pour.batch_g, bar, share)

    def bars_from(batches: float) -> int:
        return math.floor(batches + 1e-9) * each

    sets = {n: stock.tube_size(n, palette) / dose for n, dose in doses.items()}
    shelf = [stock.shelf(n, palette) / dose for n, dose in doses.items()]
    return Cost(
        recipe=recipe,
        bar_g=bar,
        loss=share,
        bars=each,
        paste=paste,
        base=base,
        bars_per_set=bars_from(min(sets.values())) if sets else None,
        bars_on_shelf=bars_from(min(shelf)) if shelf and shelf_known else None,
        first_out=min(sets, key=sets.__getitem__) if sets else None,
        assumed_tubes=tuple(n for n in stock.assumed(palette) if n in doses),
    )
