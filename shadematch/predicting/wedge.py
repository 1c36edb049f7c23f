"""The shade along a sloped coloured layer under clear base."""

from __future__ import annotations

import functools
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from shadematch.colour.colorimetry import lab_to_xyz, srgb_to_hex, xyz_to_srgb
from shadematch.colour.difference import delta_e
from shadematch.errors import PourError
from shadematch.optics.stack import stack_radiance
from shadematch.predicting.layers import (
    Shade,
    label_of,
    medium_of,
    shade_of,
    thickness_of,
)
from shadematch.predicting.prediction import conditions, recipe_of
from shadematch.studio.palette import Palette
from shadematch.studio.pour import Pour
from shadematch.studio.recipe import Recipe
from shadematch.studio.view import View
from shadematch.support.models import expect, whole
from shadematch.support.report import Report, Reported, Row, Swatch, Table, lab_words
from shadematch.support.svg import colour_strip, side_view

__all__ = ["CLEAR_HEX", "Wedge", "wedge"]

CLEAR_HEX: Final = "#f4f1e8"
"""How clear base is drawn from the side."""

_MOST_STEPS: Final = 1000
_UNSEEN: Final = 0.5
"""CIEDE2000 between neighbours that nobody sees (common practice, no source)."""


@dataclass(frozen=True)
class Wedge(Reported):
    """A sloped layer and its shades, evenly spaced from one end of the bar to the other.

    Attributes
    ----------
    recipe
        Of the coloured layer.
    view
        How it is looked at: from above.
    coloured_cm, clear_cm
        Thickness of the coloured layer, and of the clear base on top, at each place [cm].
    shades
        The colour at each place.
    """

    recipe: Recipe
    view: View
    coloured_cm: tuple[float, ...]
    clear_cm: tuple[float, ...]
    shades: tuple[Shade, ...] = field(repr=False)

    @property
    def label(self) -> str:
        """What the coloured layer is made of, in words."""
        return label_of(self.recipe)

    @property
    def lab(self) -> tuple[tuple[float, float, float], ...]:
        """CIELAB at each place."""
        return tuple(shade.lab for shade in self.shades)

    @property
    def hexes(self) -> tuple[str, ...]:
        """Nearest sRGB code at each place."""
        return tuple(shade.hex for shade in self.shades)

    @functools.cached_property
    def smooth(self) -> tuple[tuple[str, ...], tuple[bool, ...]]:
        """Codes from end to end in invisible steps, and whether sRGB shows each.

        CIELAB is interpolated linearly between places.
        """
        lab = np.array(self.lab)
        # Columns are equally wide, so the steepest place decides how many there are.
        steepest = float(delta_e(lab[1:], lab[:-1]).max())
        count = int(np.clip((len(lab) - 1) * steepest / _UNSEEN, len(lab), _MOST_STEPS))
        at = np.linspace(0.0, len(lab) - 1.0, count)
        fine = np.stack([np.interp(at, np.arange(len(lab)), v) for v in lab.T], axis=-1)
        white = self.view.observation.white
        rgb, inside = xyz_to_srgb(lab_to_xyz(fine, white), white)
        return tuple(srgb_to_hex(c) for c in rgb), tuple(np.asarray(inside).tolist())

    @property
    def in_srgb(self) -> tuple[bool, ...]:
        """Whether each of `hexes` shows its shade without clipping."""
        return tuple(shade.in_srgb for shade in self.shades)

    def report(self) -> Report:
        """The shade along the bar."""
        places = np.linspace(0.0, 1.0, len(self.shades)).tolist()
        thick = max(range(len(self.shades)), key=self.coloured_cm.__getitem__)
        layers_ = [(places, self.clear_cm), (places, self.coloured_cm)]
        shown = sorted(set(np.rint(np.linspace(0, len(self.shades) - 1, 9)).astype(int).tolist()))
        listed = Table(
            ("coloured", "clear on top", "shade", ""),
            tuple(
                (
                    f"{self.coloured_cm[i]:.2f} cm",
                    f"{self.clear_cm[i]:.2f} cm",
                    lab_words(self.shades[i].lab),
                    Swatch.of(self.shades[i]),
                )
                for i in shown
            ),
            frozenset({0, 1}),
            "the shade along the bar",
        )
        return Report(
            swatches=tuple(
                Swatch.of(self.shades[end], f"{self.coloured_cm[end]:g} cm") for end in (0, -1)
            ),
            pictures=(
                colour_strip(self.smooth[0], "from above", in_srgb=self.smooth[1]),
                side_view(
                    layers_,
                    [CLEAR_HEX, self.hexes[thick]],
                    "from the side",
                    in_srgb=[True, self.in_srgb[thick]],
                ),
            ),
            rows=(
                Row("coloured", self.label),
                Row("thickness", f"{self.coloured_cm[0]:g} to {self.coloured_cm[-1]:g} cm"),
                Row("clear", f"{self.clear_cm[0]:g} to {self.clear_cm[-1]:g} cm on top"),
                Row("seen", str(self.view)),
            ),
            tables=(listed,),
        )


def wedge(
    recipe: Recipe | Mapping[str, float],
    *,
    from_cm: float,
    to_cm: float,
    height_cm: float | None = None,
    clear_top: bool = True,
    steps: int = 25,
    palette: Palette | None = None,
    pour: Pour | None = None,
    view: View | None = None,
) -> Wedge:
    """The shade along a bar whose coloured layer slopes and is topped up level with clear base.

    The coloured layer sets in a tilted mould; clear base on top makes the bar level. Each place is
    computed as if it were even sideways, which is exact for gentle slopes.

    Parameters
    ----------
    recipe
        A `Recipe`, or doses [palette's unit] into the base and batch of `pour`.
    from_cm, to_cm
        Thickness of the coloured layer at the two ends [cm], 0 to 100.
    height_cm
        Height of the level bar [cm]; at least, and by default, that of the thicker end.
    clear_top
        False for a sloped layer with nothing on top.
    steps
        Number of places, 2 to 1000.
    palette, pour, view
        By default the demo palette, 500 g of clear base, and D65 on white paper. The thickness in
        `pour` is ignored.

    Raises
    ------
    UnknownNameError, PourError
        For a name that the palette lacks, or an invalid dose or measure.
    """
    palette, pour, view = conditions(palette, pour, view)
    own = None if isinstance(recipe, Recipe) else pour
    made = recipe_of(recipe, palette, own, "recipe")
    expect(clear_top, bool, "clear_top", "Give True or False")
    least = 0.0 if clear_top else 0.01  # a bare layer can't end in nothing
    ends = thickness_of(from_cm, "from_cm", least=least), thickness_of(to_cm, "to_cm", least=least)
    count = whole(steps, "steps", 2, _MOST_STEPS, "A few dozen look smooth")
    height = max(ends) if height_cm is None else thickness_of(height_cm, "height_cm")
    if height < max(ends) or height < 0.01:
        raise PourError(
            "must be at least the thickness of the thicker end, and 0.01",
            field="height_cm",
            value=height,
            remedy=f"Give at least {max(*ends, 0.01):g}",
        )
    if not clear_top and height_cm is not None:
        raise PourError(
            "has no meaning without clear base on top",
            field="height_cm",
            value=height_cm,
            remedy="Leave it out: a bare wedge is as high as it is thick",
        )
    coloured = np.linspace(*ends, count)
    clear = np.maximum(height - coloured, 0.0) if clear_top else np.zeros(count)
    below = medium_of(made, palette)
    above = medium_of(Recipe({}, Pour()), palette)
    around = view.surroundings
    shades = []
    for x, rest in zip(coloured.tolist(), clear.tolist(), strict=True):
        coats = [above.coat(rest)] if rest > 0 else []
        coats += [below.coat(x)] if x > 0 else []
        shades.append(shade_of(stack_radiance(coats, around, below.along), view))
    return Wedge(made, view, tuple(coloured.tolist()), tuple(clear.tolist()), tuple(shades))
