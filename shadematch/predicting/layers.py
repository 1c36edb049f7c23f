"""Coloured layers on top of each other."""

from __future__ import annotations

import functools
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Final

from shadematch.colour.colorimetry import srgb_to_hex, xyz_to_lab, xyz_to_srgb
from shadematch.errors import PourError
from shadematch.optics.stack import Coat, Medium, add, medium, stack_radiance
from shadematch.optics.transport import Directions
from shadematch.predicting.prediction import conditions, loads_of, model_of, recipe_of
from shadematch.studio.palette import Palette
from shadematch.studio.pour import Pour
from shadematch.studio.recipe import Recipe
from shadematch.studio.view import View
from shadematch.support.arrays import FloatArray, triple
from shadematch.support.models import between, listed
from shadematch.support.report import Report, Reported, Row, Swatch, lab_words
from shadematch.support.svg import colour_strip, side_view

__all__ = [
    "Layered",
    "Shade",
    "label_of",
    "layers",
    "medium_of",
    "shade_of",
    "thickness_of",
]

_MOST_LAYERS: Final = 100
_THICKEST_CM: Final = 100.0


@dataclass(frozen=True)
class Shade:
    """A colour as it is seen.

    Attributes
    ----------
    reflectance
        Radiance factor at the library's wavelengths, shape (36,), read-only (a transmittance
        against the light).
    xyz
        Tristimulus values, Y = 100 for the perfect diffuser.
    lab
        CIELAB relative to the view's own white.
    hex
        sRGB code, clipped if need be.
    in_srgb
        Whether the code shows the colour without clipping.
    """

    reflectance: FloatArray = field(repr=False, compare=False)
    xyz: tuple[float, float, float]
    lab: tuple[float, float, float]
    hex: str
    in_srgb: bool

    def __str__(self) -> str:
        """CIELAB and code."""
        return f"{lab_words(self.lab)}, {Swatch.of(self)}"


@dataclass(frozen=True)
class Layered(Reported):
    """A stack of layers and its colour.

    Attributes
    ----------
    recipes
        What each layer is made of, the top one first.
    thicknesses_cm
        Thickness of each [cm].
    view
        How the stack is looked at: from above.
    seen
        The colour of the whole.
    """

    recipes: tuple[Recipe, ...]
    thicknesses_cm: tuple[float, ...]
    view: View
    seen: Shade
    _coats: tuple[Coat, ...] = field(repr=False, compare=False)
    _along: Directions = field(repr=False, compare=False)

    @functools.cached_property
    def poured(self) -> tuple[Shade, ...]:
        """The colour after each pour, from the bottom layer to the whole stack."""
        coat, grown = self._coats[-1], []
        for upper in reversed(self._coats[:-1]):
            grown.append(self._shade(coat))
            coat = add(upper, coat)
        return (*grown, self.seen)

    @functools.cached_property
    def alone(self) -> tuple[Shade, ...]:
        """The colour of each layer without the others, the top one first."""
        return (self.seen,) if len(self._coats) == 1 else tuple(map(self._shade, self._coats))

    def _shade(self, coat: Coat) -> Shade:
        return shade_of(stack_radiance([coat], self.view.surroundings, self._along), self.view)

    @property
    def lab(self) -> tuple[float, float, float]:
        """CIELAB of the whole."""
        return self.seen.lab

    @property
    def hex(self) -> str:
        """Nearest sRGB code of the whole."""
        return self.seen.hex

    @property
    def height_cm(self) -> float:
        """Thickness of the stack [cm]."""
        return float(sum(self.thicknesses_cm))

    @property
    def labels(self) -> tuple[str, ...]:
        """What each layer is made of, in words."""
        return tuple(label_of(recipe) for recipe in self.recipes)

    def report(self) -> Report:
        """The colour of the whole, and of each layer alone."""
        alone = zip(self.thicknesses_cm, self.labels, self.alone, strict=True)
        pieces = [([0.0, 1.0], [thick, thick]) for thick in self.thicknesses_cm]
        (poured, shown), (own, own_shown) = (
            ([s.hex for s in shades], [s.in_srgb for s in shades])
            for shades in (self.poured, self.alone)
        )
        return Report(
            swatches=(Swatch.of(self.seen, "seen from above"),),
            pictures=(
                colour_strip(poured, "as poured, from the bottom layer up", in_srgb=shown),
                side_view(pieces, own, "from the side, each in its own colour", in_srgb=own_shown),
            ),
            rows=(
                Row.colour("seen", self.seen, str(self.view)),
                Row("layers", "from the top down, each with its colour alone"),
                *(
                    Row("layers", f"{thick:g} cm of {label}", swatch=Swatch.of(shade))
                    for thick, label, shade in alone
                ),
            ),
        )


def label_of(recipe: Recipe) -> str:
    """What a layer is made of, in words, without its thickness."""
    pour = recipe.pour
    if not recipe.doses:
        return f"plain {pour.blend}"
    return f"{recipe} in {pour.batch_g:g} g of {pour.blend}"


def shade_of(reflectance: FloatArray, view: View) -> Shade:
    """The colour of a radiance factor, shape (36,), in a view."""
    xyz = view.observation.weights @ reflectance
    white = view.observation.white
    rgb, inside = xyz_to_srgb(xyz, white)
    reflectance.setflags(write=False)
    lab = triple(xyz_to_lab(xyz, white))
    return Shade(reflectance, triple(xyz), lab, srgb_to_hex(rgb), bool(inside))


def thickness_of(value: object, field_: str, *, least: float = 0.0) -> float:
    """A thickness in cm, `least` to 100; anything else is a `PourError`."""
    return between(value, field_, least, _THICKEST_CM, "Give it in cm")


def medium_of(recipe: Recipe, palette: Palette) -> Medium:
    """Absorption and scattering of a recipe's coloured base, as the optics take them."""
    loads = loads_of(recipe.doses, palette, recipe.pour)
    model = model_of(palette, recipe.pour, View())
    mu_a, mu_s = model.absorbed(loads), model.scattered(loads)
    return medium(tuple(mu_a.tolist()), tuple(mu_s.tolist()))


def layers(
    stack: Iterable[tuple[Recipe | Mapping[str, float], float]],
    *,
    palette: Palette | None = None,
    pour: Pour | None = None,
    view: View | None = None,
) -> Layered:
    """The colour of layers poured on top of each other, seen from above.

    Exact: light passes to and fro between the layers in every direction and is nowhere refracted
    between them, since all have one base (`optics.stack`).

    Parameters
    ----------
    stack
        1 to 100 pairs of a recipe and a thickness [cm, 0 to 100], the top layer first. A recipe is
        a `Recipe`, or doses [palette's unit] into the base and batch of `pour`; ``{}`` is plain
        base.
    palette, pour, view
        By default the demo palette, 500 g of clear base, and D65 on white paper. The thickness in
        `pour` is ignored.

    Raises
    ------
    UnknownNameError, PourError
        For a name that the palette lacks, or an invalid dose, thickness or stack.
    """
    palette, pour, view = conditions(palette, pour, view)
    pairs = listed(stack, "stack", "Give pairs of a recipe and a thickness in cm, top first")
    if not 1 <= len(pairs) <= _MOST_LAYERS:
        raise PourError(
            f"needs 1 to {_MOST_LAYERS} layers",
            field="stack",
            value=len(pairs),
            remedy="Give pairs of a recipe and a thickness in cm, the top layer first",
        )
    recipes, thicknesses = [], []
    for i, pair in enumerate(pairs):
        if isinstance(pair, str | Mapping) or not isinstance(pair, tuple | list) or len(pair) != 2:
            raise PourError(
                "is not a pair of a recipe and a thickness",
                field=f"stack.{i}",
                value=pair,
                remedy="Write ({'gorse': 2}, 0.5)",
            )
        own = None if isinstance(pair[0], Recipe) else pour
        recipes.append(recipe_of(pair[0], palette, own, f"stack.{i}"))
        thicknesses.append(thickness_of(pair[1], f"stack.{i}"))
    if not sum(thicknesses) > 0:
        raise PourError(
            "has no thickness",
            field="stack",
            value=sum(thicknesses),
            remedy="Give at least one layer a thickness above 0",
        )
    media = [medium_of(recipe, palette) for recipe in recipes]
    coats = tuple(m.coat(thick) for m, thick in zip(media, thicknesses, strict=True))
    along = media[0].along
    seen = shade_of(stack_radiance(coats, view.surroundings, along), view)
    return Layered(
        recipes=tuple(recipes),
        thicknesses_cm=tuple(thicknesses),
        view=view,
        seen=seen,
        _coats=coats,
        _along=along,
    )
