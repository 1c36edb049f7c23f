"""How the melted, coloured base looks before it is poured.

Two views to check against. *In the pot*: straight down into the melt; the layer is as thick as
the melt is deep, and its backing is the bottom of the pot. *The drop*: a little melt on white
paper. Melt wets what it lies on, so both are in optical contact with their backing, unlike a dry
bar.

Left out are the walls (the pot counts as wide), gloss, and that hot base may be clearer or hazier
than cold base, which nobody has measured here. Steel is taken as matt, though most pots mirror a
little.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from shadematch.errors import PourError
from shadematch.predicting.compare import delta_e
from shadematch.predicting.prediction import Prediction, conditions, predict, recipe_of
from shadematch.studio.palette import Palette
from shadematch.studio.pour import Pour
from shadematch.studio.recipe import Recipe
from shadematch.studio.view import BACKINGS, View
from shadematch.support.models import between
from shadematch.support.report import Report, Reported, Row, Swatch

__all__ = ["HOT_LIMIT", "POTS", "InThePot", "in_the_pot"]

POTS: Final = {"steel": 0.55, "white": 0.8, "black": 0.05}
"""Diffuse reflectance of the bottom of a brushed steel, a white enamelled and a black pot
(estimates, no source)."""
_PAPER: Final = BACKINGS["white"]

HOT_LIMIT: Final = (
    "Hot base can be clearer or hazier than set base: judge hue and depth, not the exact shade."
)
"""What the two views can't show."""


@dataclass(frozen=True)
class InThePot(Reported):
    """A coloured melt before it is poured, and the bar it becomes.

    Attributes
    ----------
    recipe
        What is in the pot.
    pot
        Seen straight down into the pot; the thickness of its pour is the depth of the melt.
    drop
        A drop on white paper.
    bar
        The bar, in the view given.
    depth_cm
        Depth of the melt [cm].
    drop_mm
        Height of the drop [mm].
    bottom
        Reflectance of the bottom of the pot, 0 to 1.
    """

    recipe: Recipe
    pot: Prediction
    drop: Prediction
    bar: Prediction
    depth_cm: float
    drop_mm: float
    bottom: float

    @property
    def pot_delta_e(self) -> float:
        """CIEDE2000 between the pot and the bar."""
        return delta_e(self.pot, self.bar)

    @property
    def drop_delta_e(self) -> float:
        """CIEDE2000 between the drop and the bar."""
        return delta_e(self.drop, self.bar)

    @property
    def sentence(self) -> str:
        """What to expect, in words."""
        gap = self.pot.lab[0] - self.bar.lab[0]
        if abs(gap) < 3:
            depth = "about as light as"
        else:
            much = "far " if abs(gap) > 15 else ""
            depth = f"{much}{'lighter' if gap > 0 else 'darker'} than"
        return (
            f"In the pot, {self.depth_cm:g} cm deep, the melt looks {depth} the bar "
            f"(L* {self.pot.lab[0]:.0f} against {self.bar.lab[0]:.0f}): "
            f"check the {self.drop_mm:g} mm drop, not the pot."
        )

    def report(self) -> Report:
        """The three looks, and which to go by."""
        pot = f"{self.depth_cm:g} cm deep, CIEDE2000 {self.pot_delta_e:.1f} to the bar"
        drop = f"{self.drop_mm:g} mm, wet on white paper, {self.drop_delta_e:.1f} to the bar"
        return Report(
            swatches=(
                Swatch.of(self.pot, "in the pot"),
                Swatch.of(self.drop, "drop"),
                Swatch.of(self.bar, "bar"),
            ),
            rows=(
                *self.recipe.rows,
                Row.colour("bar", self.bar, str(self.bar.view)),
                Row.colour("in the pot", self.pot, pot),
                Row.colour("drop", self.drop, drop),
                Row("bottom", f"of the pot reflects {self.bottom:.0%}"),
            ),
            notes=(self.sentence, HOT_LIMIT),
        )


def _bottom(pot: str | float) -> float:
    if isinstance(pot, str):
        if pot not in POTS:
            raise PourError(
                "is not a known pot",
                field="pot",
                value=pot,
                remedy=f"Give {', '.join(map(repr, POTS))}, or the reflectance of its bottom",
            )
        return POTS[pot]
    return between(pot, "pot", 0.0, 1.0, "It is the reflectance of the bottom")


def in_the_pot(
    recipe: Recipe | Mapping[str, float],
    *,
    palette: Palette | None = None,
    pour: Pour | None = None,
    view: View | None = None,
    depth_cm: float = 8.0,
    pot: str | float = "steel",
    drop_mm: float = 3.0,
) -> InThePot:
    """How a coloured melt looks in the pot, and as a drop on white paper.

    Parameters
    ----------
    recipe
        A `Recipe`, which has its own pour, or doses [palette's unit] by name.
    palette, pour, view
        By default the demo palette, 500 g at 1 cm in clear base, and D65 on white paper. The view
        is the bar's; pot and drop are seen in its light, reflected.
    depth_cm
        Depth of the melt in the pot [cm], 0.1 to 100; measure it with a clean ruler.
    pot
        ``"steel"``, ``"white"``, ``"black"``, or the reflectance of the bottom, 0 to 1.
    drop_mm
        Height of the drop [mm], 0.1 to 100, wet on white paper that doesn't soak it up.

    Raises
    ------
    UnknownNameError, PourError
        For a name that the palette lacks, an invalid dose, depth or pot, a `Recipe` in another
        unit than the palette's, or a pour besides that of the `Recipe`.
    """
    palette, _, view = conditions(palette, pour, view)
    own = recipe_of(recipe, palette, pour, "recipe")
    depth = between(depth_cm, "depth_cm", 0.1, 100.0, "Measure the melt with a ruler, in cm")
    drop = between(drop_mm, "drop_mm", 0.1, 100.0, "A drop is about 3 mm high")
    bottom = _bottom(pot)

    def seen(thickness_cm: float, backing: float) -> Prediction:
        light = {"illuminant": view.illuminant, "observer": view.observer}
        return predict(
            own.doses,
            palette=palette,
            pour=own.pour.model_copy(update={"thickness_cm": thickness_cm}),
            view=View(**light, backing=backing, contact="wet"),
        )

    bar = predict(own, palette=palette, view=view)
    return InThePot(
        recipe=own,
        pot=seen(depth, bottom),
        drop=seen(drop / 10.0, _PAPER),
        bar=bar,
        depth_cm=depth,
        drop_mm=drop,
        bottom=bottom,
    )
