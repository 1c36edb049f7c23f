"""An order: a colour or a recipe, how much of it, and how it is poured."""

from __future__ import annotations

import datetime
import math
from typing import Annotated, ClassVar, Final, Self

from pydantic import BeforeValidator, Field, InstanceOf, model_validator

from shadematch.errors import PourError, ShadematchError
from shadematch.planning.stock import Whole
from shadematch.studio.bars import LOSS, bars_in_words, to_melt_g, usable_g, whole_bars
from shadematch.studio.pour import LARGEST_BATCH_G, Pour, Share
from shadematch.studio.recipe import Recipe
from shadematch.studio.target import Target
from shadematch.studio.view import View
from shadematch.support.models import Frozen, Name, Number

__all__ = ["Order"]

_MOST_POTS: Final = 100_000


def _target(value: object) -> object:
    return Target.from_hex(value) if isinstance(value, str) else value


class Order(Frozen):
    """One line of the order book.

    Attributes
    ----------
    name
        Its name, unique in a book.
    target
        The wanted colour, a `Target` or a hex code; or else
    recipe
        the recipe to repeat, poured in as many whole pots as needed.
    bars, bar_g
        Number of bars, and the mass of each [g]; or else
    mass_g
        the total mass of soap [g].
    loss
        Fraction of the base that stays in the pot and on the tools, 0 to below 1; melted in
        addition.
    pour
        How it is poured. `batch_g` is the largest pot: larger orders are poured in several pots
        of equal mass, each giving whole bars. Unused with a recipe, which has its own.
    view
        How the colour is looked at.
    tolerance
        How much farther than the closest recipe a recipe may be [CIEDE2000]. The plan treats all
        such recipes as equally good.
    within
        Largest CIEDE2000 to the target; None for no limit.
    max_pigments
        Most pigments in a recipe.
    value
        What the order is worth: its price, or a priority. The plan maximises the sum.
    due
        Due date; pours are listed by it.
    """

    _error: ClassVar[type[ShadematchError]] = PourError
    name: Name
    target: Annotated[InstanceOf[Target] | None, BeforeValidator(_target)] = None
    recipe: InstanceOf[Recipe] | None = None
    bars: Annotated[Whole, Field(ge=1, le=1_000_000)] | None = None
    bar_g: Number = Field(default=100.0, ge=0.1, le=LARGEST_BATCH_G)
    mass_g: Annotated[Number, Field(ge=0.1, le=1e9)] | None = None
    loss: Share = Field(default=LOSS, ge=0, lt=1)
    pour: Pour = Pour(batch_g=1000)
    view: View = View()
    tolerance: Number = Field(default=0.5, ge=0, le=1000)
    within: Annotated[Number, Field(ge=0)] | None = None
    max_pigments: Annotated[Whole, Field(ge=1)] | None = None
    value: Number = Field(default=1.0, gt=0, le=1e9)
    due: datetime.date | None = None

    @model_validator(mode="after")
    def _one_of_each(self) -> Self:
        for a, b in (("target", "recipe"), ("bars", "mass_g")):
            if (getattr(self, a) is None) == (getattr(self, b) is None):
                problem = f"needs one of {a} and {b}, and not both"
                raise PourError(problem, field=self.name, remedy=f"Give {a} or {b}")
        if self.bars is not None and not self._most_bars:
            raise PourError(
                f"a pot of {self._largest_g:g} g gives {bars_in_words(0, self.bar_g)}",
                field=self.name,
                value=self._largest_g,
                remedy=f"Melt at least {to_melt_g(self.bar_g, self.loss):g} g at once, "
                "or check bar_g",
            )
        if self.pots > _MOST_POTS:
            raise PourError(
                f"takes more than {_MOST_POTS:,} pots",
                field=self.name,
                value=self.total_g,
                remedy="Check the mass, and the batch_g of its pour, the largest pot",
            )
        return self

    @property
    def total_g(self) -> float:
        """Mass wanted [g]."""
        if self.mass_g is not None:
            return self.mass_g
        assert self.bars is not None
        return self.bars * self.bar_g

    @property
    def _largest_g(self) -> float:
        return self.pour.batch_g if self.recipe is None else self.recipe.pour.batch_g

    @property
    def _most_bars(self) -> int:
        return whole_bars(self._largest_g, self.bar_g, self.loss)

    @property
    def pots(self) -> int:
        """Number of pots."""
        if self.bars is not None:
            return math.ceil(self.bars / self._most_bars)
        usable = usable_g(self._largest_g, self.loss)
        return max(1, math.ceil(self.total_g / usable * (1 - 1e-12)))

    @property
    def bars_each(self) -> int | None:
        """Bars from one of its pots; None for an order by mass."""
        if self.bars is None:
            return None
        return math.ceil(self.bars / self.pots) if self.recipe is None else self._most_bars

    @property
    def pot(self) -> Pour:
        """One of its pots."""
        if self.recipe is not None:
            return self.recipe.pour
        each = self.bars_each
        wanted = self.total_g / self.pots if each is None else each * self.bar_g
        needed = min(to_melt_g(wanted, self.loss), self.pour.batch_g)
        return self.pour.model_copy(update={"batch_g": needed})

    @property
    def melted_g(self) -> float:
        """Base melted for it, losses included [g]."""
        return self.pots * self.pot.batch_g

    def __str__(self) -> str:
        """In plain words."""
        amount = f"{self.total_g:g} g"
        if self.bars is not None:
            amount = "1 bar" if self.bars == 1 else f"{self.bars} bars"
        wanted = self.target.hex if self.target is not None else str(self.recipe)
        due = f", due {self.due.isoformat()}" if self.due else ""
        return f"{self.name}: {amount} of {wanted}{due}"
